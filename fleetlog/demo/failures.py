"""How parts wear out: renewal of every part at every position, in rounds over the whole fleet.

A group holds parts that one teardown lays open. In each round every vehicle that still has a
removal ahead of it takes its earliest one; the parts renewed at it start new lives. The number
of rounds is the largest number of jobs of any one vehicle, so the work grows linearly with the
number of removals.
"""

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from fleetlog.demo.fleet import Fleet, Floats, Ints, shop_of, year_of
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
        """Return the removals for which `keep` is true."""
        return Removals(**{field.name: getattr(self, field.name)[keep] for field in fields(self)})


def join(parts: Sequence[Removals]) -> Removals:
    """Put several sets of removals one after the other."""
    return Removals(
        **{
            field.name: np.concatenate([getattr(part, field.name) for part in parts])
            for field in fields(Removals)
        }
    )


def once_a_day(removals: Removals) -> Removals:
    """Keep the first of several removals at one position on one day: nobody writes two."""
    key = removals.vehicle
    for field, size in (
        ("day", 100_000),
        ("part", 64),
        ("bank", 4),
        ("cylinder", 32),
        ("side", 8),
        ("slot", 8),
    ):
        key = key * size + getattr(removals, field)
    order = np.lexsort((removals.age, key))
    first = np.append(True, key[order][1:] != key[order][:-1])
    keep = np.zeros(removals.count, dtype=bool)
    keep[order[first]] = True
    return removals.where(keep)


def positions_of(part: Part, family: EngineFamily) -> list[tuple[int, int, int, int]]:
    """Return (bank, cylinder, side, slot) of every position that a part has on an engine family.

    Slots count from 1 within the valves of one side of a cylinder; on wheels the slot is the
    axle, counted from the front.
    """
    if family.fuel not in part.fuels:
        return []
    banks = range(1, family.banks + 1)
    cylinders = list(enumerate(family.cylinder_banks, start=1))
    valves = ((INTAKE, family.intake_valves), (EXHAUST, family.exhaust_valves))
    cam_sides = (INTAKE, EXHAUST) if family.camshafts_per_bank == 2 else (0,)
    once = [(0, 0, 0, 0)]
    by_rule = {
        "per-valve": [
            (bank, cylinder, side, slot)
            for cylinder, bank in cylinders
            for side, valve_count in valves
            for slot in range(1, valve_count + 1)
        ],
        "per-cylinder": [(bank, cylinder, 0, 0) for cylinder, bank in cylinders],
        "per-bank": [(bank, 0, 0, 0) for bank in banks],
        "per-camshaft": [(bank, 0, side, 0) for bank in banks for side in cam_sides]
        if family.camshaft_location == "head"
        else once,
        "per-axle-end": [(0, 0, side, axle) for axle in (1, 2) for side in (LEFT, RIGHT)],
        "per-engine": once,
        "per-vehicle": once,
    }
    return by_rule[part.rule]


def lay_out(parts: Sequence[Part], family: EngineFamily) -> Positions:
    """List every position of the given parts on an engine family."""
    rows = [
        (PART_INDEX[part.code], *position)
        for part in parts
        for position in positions_of(part, family)
    ]
    table = np.array(rows, dtype=np.int64).reshape(-1, 5)
    return Positions(*(table[:, column] for column in range(5)))


def positive_stable(rng: np.random.Generator, index: float, count: int) -> Floats:
    """Draw positive stable numbers with Laplace transform exp(-s**index), 0 < index <= 1.

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
class _Group:
    """Parts laid open by one teardown on one engine family, and how they wear.

    The Weibull laws are (2, K) over K positions: where there is no second law its scale is
    infinite. ``index`` is that of the frailty that the positions marked in ``shares`` have in
    common.
    """

    at: Positions
    shape: Floats
    scale: Floats
    planned_mi: Floats
    shares: NDArray[np.bool_]
    index: float
    is_worn_family: bool
    valve_gear: bool
    planted: Planted

    def has(self, *codes: str) -> NDArray[np.bool_]:
        """Return which positions hold one of the components, (K,)."""
        return np.isin(self.at.part, [PART_INDEX[code] for code in codes])


def _group(
    parts: Sequence[Part], family: EngineFamily, planted: Planted, *, valve_gear: bool
) -> _Group:
    at = lay_out(parts, family)
    shape = np.ones((2, at.count))
    scale = np.full((2, at.count), np.inf)
    planned = np.full(at.count, np.inf)
    for part in parts:
        here = at.part == PART_INDEX[part.code]
        for law, values in enumerate(part.laws):
            shape[law, here], scale[law, here] = values.shape, values.scale_mi
        if part.planned_mi:
            planned[here] = part.planned_mi
    plain = _Group(
        at,
        shape,
        scale,
        planned,
        np.zeros(at.count, dtype=bool),
        1.0,
        family.code == planted.worn_family,
        valve_gear,
        planted,
    )
    return _worn(plain) if valve_gear and plain.is_worn_family else plain


def _worn(group: _Group) -> _Group:
    """Plant the early wear of one side of one bank, and what the engine's parts share."""
    at, planted = group.at, group.planted
    shape, scale = group.shape.copy(), group.scale.copy()
    where = (at.bank == planted.worn_bank) & (at.side == EXHAUST)
    worn = where & group.has(*planted.worn_components)
    shape[0, worn], scale[0, worn] = planted.worn_shape, planted.worn_scale_mi
    scale[0, worn & (at.cylinder == planted.worst_cylinder)] = planted.worst_cylinder_scale_mi
    if planted.lobe_component:
        lobes = where & group.has(planted.lobe_component)
        shape[0, lobes], scale[0, lobes] = planted.lobe_shape, planted.lobe_scale_mi
    return replace(
        group,
        shape=shape,
        scale=scale,
        shares=group.has(ROCKER, LIFTER, CAMSHAFT),
        index=planted.frailty_index,
    )


def _draw(
    rng: np.random.Generator, group: _Group, column: Ints, frailty: Floats, factor: Floats
) -> tuple[Floats, Ints]:
    """Draw new lives (miles) and the law that ends each, for parts that no bad lot touches."""
    shares = group.shares[column]
    multiplier = np.where(shares, frailty, 1.0)
    stretch = np.where(shares, group.index, 1.0)
    lives = [
        group.scale[law, column]
        * factor
        * (rng.standard_exponential(len(column)) / multiplier)
        ** (stretch / group.shape[law, column])
        for law in (0, 1)
    ]
    return np.minimum(lives[0], lives[1]), (lives[1] < lives[0]).astype(np.int64)


def _valve_gear_plan(
    rng: np.random.Generator, group: _Group, first: Ints, fails: Floats, renew_side: Floats
) -> NDArray[np.int8]:
    """Say what a valve-gear job renews: a reason by vehicle and position, -1 where left alone.

    ``renew_side`` is the chance, by vehicle, that the whole side is renewed.
    """
    at, planted = group.at, group.planted
    jobs, columns = fails.shape
    plan = np.full((jobs, columns), -1, dtype=np.int8)
    bank, side = at.bank[first][:, None], at.side[first][:, None]
    covered = (at.bank[None, :] == bank) | (bank == 0) | (at.bank[None, :] == 0)
    is_gear, is_gasket = group.has(ROCKER, LIFTER, CAMSHAFT), group.has(COVER_GASKET)
    gear = is_gear[first][:, None]
    opened = gear | is_gasket[first][:, None]

    whole_side = (rng.random(jobs) < renew_side)[:, None]
    alike = group.has(ROCKER, LIFTER)[None, :] & (at.side[None, :] == side)
    plan[gear & whole_side & alike & covered] = WHILE_APART
    plan[gear & is_gasket[None, :] & covered] = WHILE_APART
    age = fails[np.arange(jobs), first]
    together = fails <= age[:, None] + planted.found_together_within_mi
    plan[gear & covered & together] = FAILED
    if group.is_worn_family and planted.connector_break_share > 0:
        # One lock breaks, at a cylinder of that bank drawn at random.
        candidates = covered & group.has(COIL_CONNECTOR)[None, :]
        chosen = np.where(candidates, rng.random((jobs, columns)), -1.0).argmax(axis=1)
        breaks = (rng.random(jobs) < planted.connector_break_share) & opened[:, 0]
        row = np.flatnonzero(breaks & (plan[np.arange(jobs), chosen] == -1))
        plan[row, chosen[row]] = BROKE
    plan[np.arange(jobs), first] = FAILED
    return plan


def _plain_plan(
    group: _Group, first: Ints, fails: Floats, due: Floats, age: Floats
) -> NDArray[np.int8]:
    """Say what any other job renews: planned sets together, wheels of one axle in pairs."""
    row = np.arange(len(first))
    plan = np.full(fails.shape, -1, dtype=np.int8)
    planned = due[row, first] < fails[row, first]
    if np.isfinite(group.planned_mi).any():
        same_axle = group.at.slot[None, :] == group.at.slot[first][:, None]
        plan[~planned[:, None] & same_axle] = WHILE_APART
        close = due <= age[:, None] + 0.15 * group.planned_mi[None, :]
        plan[planned[:, None] & (same_axle | close)] = PLANNED
    plan[row, first] = np.where(planned, PLANNED, FAILED)
    return plan


def _spoil_lives(
    rng: np.random.Generator,
    planted: Planted,
    done: Removals,
    shop: Ints,
    drawn: tuple[Floats, Ints],
) -> tuple[Floats, Ints]:
    """Shorten the lives of parts from the bad lot and of gaskets fitted badly."""
    life, law = drawn[0].copy(), drawn[1].copy()
    maker = [name for name, _ in MAKERS].index(planted.bad_lot_maker)
    bad = (
        (done.part == PART_INDEX.get(planted.bad_lot_component, -1))
        & (done.maker == maker)
        & (done.year == int(planted.bad_lot[-4:]))
    )
    life[bad] = planted.bad_lot_scale_mi * rng.weibull(planted.bad_lot_shape, bad.sum())
    law[bad] = BAD_LOT_LAW
    share = np.array(
        [
            planted.comeback_shop_share
            if place.name == planted.comeback_shop
            else planted.comeback_share
            for place in SHOPS
        ]
    )
    again = (done.part == PART_INDEX[COVER_GASKET]) & (rng.random(done.count) < share[shop])
    life[again] = rng.uniform(*planted.comeback_within_mi, size=again.sum())
    law[again] = COMEBACK_LAW
    return life, law


def run_group(
    rng: np.random.Generator,
    fleet: Fleet,
    who: Ints,
    *,
    family: EngineFamily,
    parts: Sequence[Part],
    planted: Planted,
    seed: int,
    shops: int,
    valve_gear: bool,
) -> Removals:
    """Find every removal in the life of the given vehicles, watched or not, for one group.

    Parameters
    ----------
    who : (n,) indices into `fleet`, all of one engine `family`.
    parts : the group.
    seed, shops : as for `shop_of`, which tells whose work may come back.
    valve_gear : whether the group is the one under the valve covers.
    """
    group = _group(parts, family, planted, valve_gear=valve_gear)
    at, count = group.at, len(who)
    frailty = positive_stable(rng, group.index, count)
    depots = np.array([depot.name for depot in DEPOTS])
    oil = np.where(
        depots[fleet.depot[who]] == planted.stretched_oil_depot,
        planted.stretched_oil_life_factor,
        1.0,
    )
    oily = group.has(ROCKER, LIFTER, CAMSHAFT)
    end = fleet.age_end[who]

    def draw(row: Ints, column: Ints) -> tuple[Floats, Ints, Floats]:
        factor = np.where(oily[column], oil[row], 1.0)
        life, law = _draw(rng, group, column, frailty[row], factor)
        # Planned work is done on time or up to 8 % late, the same for all parts of one job.
        return life, law, group.planned_mi[column] * (1.0 + 0.08 * rng.random(count))[row]

    row, column = (grid.ravel() for grid in np.indices((count, at.count)))
    fails, ended_by, due = (drawn.reshape(count, at.count) for drawn in draw(row, column))
    begun = np.zeros((count, at.count))
    fitted_maker = np.full((count, at.count), FACTORY, dtype=np.int64)
    # A shop that opens the same engine again stops mending it piece by piece.
    opened_before = np.zeros(count, dtype=np.int64)
    usual, often = planted.side_renewed_share_elsewhere, np.iinfo(np.int64).max
    if group.is_worn_family:
        usual, often = planted.side_renewed_share, planted.side_renewed_after_jobs
    found: list[Removals] = []
    active = np.arange(count)
    while True:
        upcoming = np.minimum(fails[active], due[active])
        first = upcoming.argmin(axis=1)
        age = upcoming[np.arange(len(active)), first]
        ahead = age < end[active]
        active, first, age = active[ahead], first[ahead], age[ahead]
        if len(active) == 0:
            return join(found) if found else _none()
        renew_side = np.where(opened_before[active] >= often, 1.0, usual)
        opened_before[active] += oily[first]
        plan = (
            _valve_gear_plan(rng, group, first, fails[active], renew_side)
            if valve_gear
            else _plain_plan(group, first, fails[active], due[active], age)
        )
        job, column = np.nonzero(plan >= 0)
        row = active[job]
        day = fleet.day_at(who[row], age[job])
        done = Removals(
            vehicle=who[row],
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
            maker=rng.choice(len(MAKERS), size=len(row), p=MAKER_SHARES),
            year=year_of(day),
            old_maker=fitted_maker[row, column],
            leads=column == first[job],
        )
        found.append(done)
        life, law, planned_life = draw(row, column)
        shop = shop_of(fleet, done.vehicle, day, seed=seed, shops=shops)
        life, law = _spoil_lives(rng, planted, done, shop, (life, law))
        begun[row, column] = done.age
        fitted_maker[row, column] = done.maker
        ended_by[row, column] = law
        fails[row, column] = done.age + life
        due[row, column] = done.age + planned_life


def _none() -> Removals:
    empty = np.zeros(0, dtype=np.int64)
    return Removals(
        empty, empty, np.zeros(0), np.zeros(0), *(empty,) * 10, leads=np.zeros(0, dtype=bool)
    )
