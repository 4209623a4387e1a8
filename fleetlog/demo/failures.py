"""How parts wear out: renewal of every part at every position, in rounds over the whole fleet.

A group holds parts that one teardown lays open. In each round every vehicle that still has a
removal ahead of it takes its earliest one; the parts renewed at it start new lives. The number
of rounds is the largest number of jobs of any one vehicle, so the work grows linearly with the
number of removals.
"""

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from fleetlog.demo.fleet import Fleet, Floats, Ints, shop_of
from fleetlog.demo.parameters import (
    CAMSHAFT,
    COIL_CONNECTOR,
    COVER_GASKET,
    DEPOTS,
    LIFTER,
    MAKER_SHARES,
    MAKERS,
    PART_INDEX,
    ROCKER,
    SHOPS,
    EngineFamily,
    Part,
    Planted,
)

REASONS = ("failed", "planned", "while-apart", "broke-in-work")
FAILED, PLANNED, WHILE_APART, BROKE = range(4)
SIDES = ("", "intake", "exhaust", "left", "right")
INTAKE, EXHAUST, LEFT, RIGHT = 1, 2, 3, 4
# Which law ended a life: one of the part's own (0, 1), or one of these.
BAD_LOT_LAW, COMEBACK_LAW = 2, 3
FACTORY = -1


@dataclass(frozen=True)
class Positions:
    """Where a part sits, one entry per position; 0 where a coordinate does not apply."""

    part: Ints
    bank: Ints
    cylinder: Ints
    side: Ints
    slot: Ints

    @property
    def count(self) -> int:
        """Number of positions."""
        return len(self.part)


@dataclass(frozen=True)
class Removals:
    """Removals as equally long arrays: ages in miles since the start of service.

    ``begun`` is the age at which the removed part was fitted (0: factory). ``maker`` and
    ``year`` are of the part that goes in (its lot), ``old_maker`` of the one that came out
    (FACTORY for the first). ``leads`` marks the removal that brought the vehicle in.
    """

    vehicle: Ints
    day: Ints
    age: Floats
    begun: Floats
    part: Ints
    bank: Ints
    cylinder: Ints
    side: Ints
    slot: Ints
    reason: Ints
    law: Ints
    maker: Ints
    year: Ints
    old_maker: Ints
    leads: NDArray[np.bool_]

    @property
    def count(self) -> int:
        """Number of removals."""
        return len(self.vehicle)

    def where(self, keep: NDArray[np.bool_]) -> "Removals":
        """The removals for which `keep` is true."""
        return Removals(**{field.name: getattr(self, field.name)[keep] for field in fields(self)})


def join(parts: Sequence[Removals]) -> Removals:
    """Put several sets of removals one after the other."""
    return Removals(
        **{
            field.name: np.concatenate([getattr(part, field.name) for part in parts])
            for field in fields(Removals)
        }
    )


def positions_of(part: Part, family: EngineFamily) -> list[tuple[int, int, int, int]]:
    """(bank, cylinder, side, slot) of every position that a part has on an engine family.

    Slots count from 1 within the valves of one side of a cylinder; on wheels the slot is the
    axle, counted from the front.
    """
    if family.fuel not in part.fuels:
        return []
    banks = range(1, family.banks + 1)
    cylinders = list(enumerate(family.cylinder_banks, start=1))
    valves = ((INTAKE, family.intake_valves), (EXHAUST, family.exhaust_valves))
    match part.rule:
        case "per-valve":
            return [
                (bank, cylinder, side, slot)
                for cylinder, bank in cylinders
                for side, valve_count in valves
                for slot in range(1, valve_count + 1)
            ]
        case "per-cylinder":
            return [(bank, cylinder, 0, 0) for cylinder, bank in cylinders]
        case "per-bank":
            return [(bank, 0, 0, 0) for bank in banks]
        case "per-camshaft":
            if family.camshafts_per_bank == 2:
                return [(bank, 0, side, 0) for bank in banks for side in (INTAKE, EXHAUST)]
            return (
                [(bank, 0, 0, 0) for bank in banks] if family.camshafts_per_bank else [(0, 0, 0, 0)]
            )
        case "per-axle-end":
            return [(0, 0, side, axle) for axle in (1, 2) for side in (LEFT, RIGHT)]
        case _:
            return [(0, 0, 0, 0)]


def lay_out(parts: Sequence[Part], family: EngineFamily) -> Positions:
    """Every position of the given parts on an engine family."""
    rows = [
        (PART_INDEX[part.code], *position)
        for part in parts
        for position in positions_of(part, family)
    ]
    table = np.array(rows, dtype=np.int64).reshape(-1, 5)
    return Positions(*(table[:, column] for column in range(5)))


def positive_stable(rng: np.random.Generator, index: float, count: int) -> Floats:
    """Positive stable numbers with Laplace transform exp(-s**index), 0 < index <= 1.

    Source: Chambers, Mallows and Stuck (1976), JASA 71(354); Kanter (1975).
    """
    if index == 1.0:
        return np.ones(count)
    angle = np.pi * rng.random(count)
    waiting = rng.standard_exponential(count)
    return np.asarray(
        np.sin(index * angle)
        / np.sin(angle) ** (1 / index)
        * (np.sin((1 - index) * angle) / waiting) ** ((1 - index) / index)
    )


@dataclass(frozen=True)
class _Laws:
    """Weibull laws by position, (2, K): no second law is an infinite scale."""

    shape: Floats
    scale: Floats
    shares_frailty: NDArray[np.bool_]
    is_gasket: NDArray[np.bool_]
    is_lot_component: NDArray[np.bool_]
    planned_mi: Floats


def _laws(parts: Sequence[Part], family: EngineFamily, at: Positions, planted: Planted) -> _Laws:
    by_index = {PART_INDEX[part.code]: part for part in parts}
    shape = np.ones((2, at.count))
    scale = np.full((2, at.count), np.inf)
    planned = np.full(at.count, np.inf)
    for index, part in by_index.items():
        here = at.part == index
        for law, values in enumerate(part.laws):
            shape[law, here], scale[law, here] = values.shape, values.scale_mi
        if part.planned_mi:
            planned[here] = part.planned_mi
    shares = np.zeros(at.count, dtype=bool)
    if family.code == planted.worn_family:
        codes = np.array([PART_INDEX[code] for code in planted.worn_components], dtype=np.int64)
        where = (at.bank == planted.worn_bank) & (at.side == EXHAUST)
        worn = where & np.isin(at.part, codes)
        shape[0, worn], scale[0, worn] = planted.worn_shape, planted.worn_scale_mi
        scale[0, worn & (at.cylinder == planted.worst_cylinder)] = planted.worst_cylinder_scale_mi
        lobes = where & (at.part == PART_INDEX.get(planted.lobe_component, -1))
        shape[0, lobes], scale[0, lobes] = planted.lobe_shape, planted.lobe_scale_mi
        shares = np.isin(at.part, [PART_INDEX[code] for code in (ROCKER, LIFTER, CAMSHAFT)])
    return _Laws(
        shape,
        scale,
        shares,
        at.part == PART_INDEX[COVER_GASKET],
        at.part == PART_INDEX.get(planted.bad_lot_component, -1),
        planned,
    )


def _draw(
    rng: np.random.Generator,
    laws: _Laws,
    column: Ints,
    frailty: Floats,
    factor: Floats,
    index: float,
) -> tuple[Floats, Ints]:
    """New lives (miles) and the law that ends each, for parts that no bad lot touches."""
    shares = laws.shares_frailty[column]
    multiplier = np.where(shares, frailty, 1.0)
    stretch = np.where(shares, index, 1.0)
    lives = [
        laws.scale[law, column]
        * factor
        * (rng.standard_exponential(len(column)) / multiplier)
        ** (stretch / laws.shape[law, column])
        for law in (0, 1)
    ]
    return np.minimum(lives[0], lives[1]), (lives[1] < lives[0]).astype(np.int64)


def _valve_gear_plan(
    rng: np.random.Generator,
    at: Positions,
    family: EngineFamily,
    planted: Planted,
    first: Ints,
    fails: Floats,
    age: Floats,
) -> NDArray[np.int8]:
    """What a valve-gear job renews: a reason per vehicle and position, -1 where left alone."""
    jobs, columns = fails.shape
    plan = np.full((jobs, columns), -1, dtype=np.int8)
    part, bank = at.part[first][:, None], at.bank[first][:, None]
    side = at.side[first][:, None]
    covered = (at.bank[None, :] == bank) | (bank == 0) | (at.bank[None, :] == 0)
    gear = np.isin(part, [PART_INDEX[code] for code in (ROCKER, LIFTER, CAMSHAFT)])
    opened = gear | (part == PART_INDEX[COVER_GASKET])

    worn = family.code == planted.worn_family
    whole_side = rng.random((jobs, 1)) < (
        planted.side_renewed_share if worn else planted.side_renewed_share_elsewhere
    )
    alike = np.isin(at.part, [PART_INDEX[ROCKER], PART_INDEX[LIFTER]])[None, :]
    plan[gear & whole_side & alike & covered & (at.side[None, :] == side)] = WHILE_APART
    gasket = at.part[None, :] == PART_INDEX[COVER_GASKET]
    plan[gear & gasket & covered] = WHILE_APART
    together = fails <= age[:, None] + planted.found_together_within_mi
    plan[gear & covered & together] = FAILED
    if family.code == planted.connector_family and planted.connector_break_share > 0:
        # One lock breaks, at a cylinder of that bank drawn at random.
        candidates = covered & (at.part[None, :] == PART_INDEX[COIL_CONNECTOR]) & opened
        lot = np.where(candidates, rng.random((jobs, columns)), -1.0)
        chosen = lot.argmax(axis=1)
        breaks = (rng.random(jobs) < planted.connector_break_share) & opened[:, 0]
        row = np.flatnonzero(breaks & (plan[np.arange(jobs), chosen] == -1))
        plan[row, chosen[row]] = BROKE
    plan[np.arange(jobs), first] = FAILED
    return plan


def _plain_plan(
    at: Positions, laws: _Laws, first: Ints, fails: Floats, due: Floats, age: Floats
) -> NDArray[np.int8]:
    """What any other job renews: planned sets together, wheels of one axle in pairs."""
    jobs = len(first)
    row = np.arange(jobs)
    plan = np.full(fails.shape, -1, dtype=np.int8)
    planned = due[row, first] < fails[row, first]
    if np.isfinite(laws.planned_mi).any():
        same_axle = at.slot[None, :] == at.slot[first][:, None]
        plan[~planned[:, None] & same_axle] = WHILE_APART
        close = due <= age[:, None] + 0.15 * laws.planned_mi[None, :]
        plan[planned[:, None] & (same_axle | close)] = PLANNED
    plan[row, first] = np.where(planned, PLANNED, FAILED)
    return plan


def run_group(
    rng: np.random.Generator,
    fleet: Fleet,
    who: Ints,
    family: EngineFamily,
    parts: Sequence[Part],
    planted: Planted,
    *,
    seed: int,
    shops: int,
    valve_gear: bool,
) -> Removals:
    """Every removal in the life of the given vehicles, watched or not, for one group of parts.

    Parameters
    ----------
    who : (n,) indices into `fleet`, all of one engine `family`.
    parts : the group.
    seed, shops : as for `shop_of`, which tells whose work may come back.
    valve_gear : whether the group is the one under the valve covers.
    """
    at = lay_out(parts, family)
    count, columns = len(who), at.count
    laws = _laws(parts, family, at, planted)
    index = planted.frailty_index if laws.shares_frailty.any() else 1.0
    frailty = positive_stable(rng, index, count)
    depot_names = np.array([depot.name for depot in DEPOTS])
    stretched = depot_names[fleet.depot[who]] == planted.stretched_oil_depot
    factor = np.where(stretched & valve_gear, planted.stretched_oil_life_factor, 1.0)
    end = fleet.age_end[who]
    bad_maker = [name for name, _ in MAKERS].index(planted.bad_lot_maker)
    bad_year = int(planted.bad_lot[-4:])
    comes_back = np.array(
        [
            planted.comeback_shop_share
            if shop.name == planted.comeback_shop
            else planted.comeback_share
            for shop in SHOPS
        ]
    )
    is_oily = ~np.isin(at.part, [PART_INDEX[COVER_GASKET], PART_INDEX[COIL_CONNECTOR]])

    row, column = (grid.ravel() for grid in np.indices((count, columns)))
    oil = np.where(is_oily[column], factor[row], 1.0)
    life, law = _draw(rng, laws, column, frailty[row], oil, index)
    fails = life.reshape(count, columns)
    ended_by = law.reshape(count, columns)
    begun = np.zeros((count, columns))
    fitted_maker = np.full((count, columns), FACTORY, dtype=np.int64)
    late = 1.0 + 0.08 * rng.random((count, columns))
    due = laws.planned_mi[None, :] * late
    found: list[Removals] = []
    active = np.arange(count)
    while True:
        upcoming = np.minimum(fails[active], due[active])
        first = upcoming.argmin(axis=1)
        age = upcoming[np.arange(len(active)), first]
        ahead = age < end[active]
        active, first, age = active[ahead], first[ahead], age[ahead]
        if len(active) == 0:
            break
        plan = (
            _valve_gear_plan(rng, at, family, planted, first, fails[active], age)
            if valve_gear
            else _plain_plan(at, laws, first, fails[active], due[active], age)
        )
        job, column = np.nonzero(plan >= 0)
        row = active[job]
        vehicle = who[row]
        day = fleet.day_at(vehicle, age[job])
        year = 1970 + day.astype("datetime64[D]").astype("datetime64[Y]").astype(np.int64)
        maker = rng.choice(len(MAKERS), size=len(row), p=MAKER_SHARES)
        found.append(
            Removals(
                vehicle=vehicle,
                day=day,
                age=age[job],
                begun=begun[row, column],
                part=at.part[column],
                bank=at.bank[column],
                cylinder=at.cylinder[column],
                side=at.side[column],
                slot=at.slot[column],
                reason=plan[job, column].astype(np.int64),
                law=ended_by[row, column],
                maker=maker,
                year=year,
                old_maker=fitted_maker[row, column],
                leads=column == first[job],
            )
        )
        oil = np.where(is_oily[column], factor[row], 1.0)
        life, law = _draw(rng, laws, column, frailty[row], oil, index)
        bad = laws.is_lot_component[column] & (maker == bad_maker) & (year == bad_year)
        life[bad] = planted.bad_lot_scale_mi * rng.weibull(planted.bad_lot_shape, bad.sum())
        law[bad] = BAD_LOT_LAW
        returns = laws.is_gasket[column]
        shop = shop_of(fleet, vehicle[returns], day[returns], seed=seed, shops=shops)
        again = np.zeros(len(row), dtype=bool)
        again[returns] = rng.random(len(shop)) < comes_back[shop]
        life[again] = rng.uniform(*planted.comeback_within_mi, size=again.sum())
        law[again] = COMEBACK_LAW
        begun[row, column] = age[job]
        fitted_maker[row, column] = maker
        ended_by[row, column] = law
        fails[row, column] = age[job] + life
        late = 1.0 + 0.08 * rng.random(len(row))
        due[row, column] = age[job] + laws.planned_mi[column] * late
    return join(found) if found else _none()


def _none() -> Removals:
    empty = np.zeros(0, dtype=np.int64)
    return Removals(
        empty, empty, np.zeros(0), np.zeros(0), *(empty,) * 10, leads=np.zeros(0, dtype=bool)
    )
