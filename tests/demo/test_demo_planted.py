"""What was planted can be found again in the simulator's own events.

The reference for every check is the value in `Planted` or `PARTS`, which the simulator only
draws from; the estimators here are written out on their own with SciPy.
"""

from dataclasses import replace

import numpy as np
import pytest
from scipy import optimize, stats

from fleetlog.demo.failures import (
    BAD_LOT_LAW,
    BROKE,
    COMEBACK_LAW,
    EXHAUST,
    FAILED,
    PLANNED,
    join,
    positive_stable,
    run_group,
)
from fleetlog.demo.fleet import make_fleet, shop_of
from fleetlog.demo.parameters import (
    CAMSHAFT,
    COIL_CONNECTOR,
    COVER_GASKET,
    DEPOTS,
    FAMILIES,
    LIFTER,
    MAKERS,
    NOTHING_PLANTED,
    OIL_INTERVAL_MI,
    PART_INDEX,
    PARTS,
    ROCKER,
    SHOPS,
    VALVE_GEAR,
    Planted,
)
from fleetlog.demo.shop_work import service_lines, warning_lines

SEED = 5
PLANTED = Planted()
V8 = FAMILIES[0]
# Only the part that failed is renewed: then nothing but the end of watch censors a life.
ONE_BY_ONE = replace(
    PLANTED, side_renewed_share=0.0, side_renewed_after_jobs=10**6, found_together_within_mi=0.0
)


def simulate_group(family, parts, planted, *, vehicles, valve_gear):
    rng = np.random.default_rng(SEED)
    fleet = make_fleet(rng, 0, vehicles)
    who = np.flatnonzero(fleet.family == FAMILIES.index(family))
    removals = run_group(
        rng,
        fleet,
        who,
        family=family,
        parts=parts,
        planted=planted,
        seed=SEED,
        shops=3,
        valve_gear=valve_gear,
    )
    return fleet, who, removals


def weibull_fit(exit_mi, failed):
    """Maximum likelihood for right-censored Weibull lives: (shape, scale)."""

    def loss(parameters):
        shape, scale = np.exp(parameters)
        z = exit_mi / scale
        return -np.sum(failed * (np.log(shape / scale) + (shape - 1) * np.log(z)) - z**shape)

    start = np.log([1.5, exit_mi.mean()])
    found = optimize.minimize(loss, start, method="Nelder-Mead", options={"xatol": 1e-5})
    assert found.success
    return np.exp(found.x)


def first_lives(fleet, who, removals, chosen):
    """First life of one position on every vehicle: (exit, failed)."""
    first = np.full(fleet.size, -1)
    at = np.flatnonzero(chosen & (removals.begun == 0))
    first[removals.vehicle[at]] = at
    mine = first[who]
    exit_mi = np.where(mine >= 0, removals.age[mine], fleet.age_end[who])
    return exit_mi, (mine >= 0) & (removals.reason[mine] == FAILED)


@pytest.fixture(scope="module")
def one_by_one():
    return simulate_group(V8, VALVE_GEAR, ONE_BY_ONE, vehicles=9_000, valve_gear=True)


@pytest.fixture(scope="module")
def as_planted():
    return simulate_group(V8, VALVE_GEAR, PLANTED, vehicles=12_000, valve_gear=True)


@pytest.mark.parametrize(
    ("part", "bank", "cylinder", "side", "slot", "shape", "scale"),
    [
        (ROCKER, 2, 6, EXHAUST, 1, PLANTED.worn_shape, PLANTED.worn_scale_mi),
        (LIFTER, 2, 5, EXHAUST, 2, PLANTED.worn_shape, PLANTED.worn_scale_mi),
        (ROCKER, 2, 8, EXHAUST, 1, PLANTED.worn_shape, PLANTED.worst_cylinder_scale_mi),
        (CAMSHAFT, 2, 0, EXHAUST, 0, PLANTED.lobe_shape, PLANTED.lobe_scale_mi),
    ],
)
def test_worn_positions_have_the_planted_weibull_life(
    one_by_one, part, bank, cylinder, side, slot, shape, scale
):
    fleet, who, removals = one_by_one
    chosen = (
        (removals.part == PART_INDEX[part])
        & (removals.bank == bank)
        & (removals.cylinder == cylinder)
        & (removals.side == side)
        & (removals.slot == slot)
    )
    usual_oil = np.array([d.name != PLANTED.stretched_oil_depot for d in DEPOTS])
    keep = usual_oil[fleet.depot[who]]
    exit_mi, failed = first_lives(fleet, who, removals, chosen)
    found_shape, found_scale = weibull_fit(exit_mi[keep], failed[keep])
    # Four standard errors: that of a Weibull shape is about 0.78 shape / sqrt(failures), that
    # of the scale about 1.05 scale / (shape sqrt(failures)), more under censoring
    # (Meeker and Escobar 1998, ch. 8), so half as much again.
    failures = failed[keep].sum()
    assert failures > 150
    assert found_shape == pytest.approx(shape, abs=6 * 0.78 * shape / np.sqrt(failures))
    assert found_scale == pytest.approx(scale, abs=8 * 1.05 * scale / shape / np.sqrt(failures))


def test_stretched_oil_shortens_life(one_by_one):
    fleet, who, removals = one_by_one
    chosen = (
        (removals.part == PART_INDEX[ROCKER])
        & (removals.cylinder == 6)
        & (removals.side == EXHAUST)
        & (removals.slot == 1)
    )
    stretched = np.array([d.name == PLANTED.stretched_oil_depot for d in DEPOTS])[fleet.depot[who]]
    exit_mi, failed = first_lives(fleet, who, removals, chosen)
    scale = [weibull_fit(exit_mi[group], failed[group])[1] for group in (stretched, ~stretched)]
    assert scale[0] / scale[1] == pytest.approx(PLANTED.stretched_oil_life_factor, abs=0.08)


def test_neighbours_fail_together(one_by_one):
    """Kendall's tau of two lives under a positive stable frailty is 1 - index (Hougaard 1986)."""
    rng = np.random.default_rng(SEED)
    index = PLANTED.frailty_index
    shared = positive_stable(rng, index, 4_000)
    lives = (rng.standard_exponential((2, 4_000)) / shared) ** (index / PLANTED.worn_shape)
    assert stats.kendalltau(lives[0], lives[1]).statistic == pytest.approx(1 - index, abs=0.04)

    fleet, who, removals = one_by_one
    ends = []
    for cylinder in (5, 6):
        chosen = (
            (removals.part == PART_INDEX[ROCKER])
            & (removals.cylinder == cylinder)
            & (removals.side == EXHAUST)
            & (removals.slot == 1)
        )
        exit_mi, failed = first_lives(fleet, who, removals, chosen)
        ends.append(failed & (exit_mi < 60_000))
    driven = fleet.age_end[who] > 60_000
    a, b = ends[0][driven], ends[1][driven]
    assert (a & b).mean() > 2 * a.mean() * b.mean()


@pytest.mark.parametrize("index", [0.5, 0.8, 1.0])
def test_positive_stable_has_its_laplace_transform(index):
    """E exp(-s Z) = exp(-s**index): the definition (Hougaard 1986)."""
    drawn = positive_stable(np.random.default_rng(SEED), index, 200_000)
    for s in (0.3, 1.0, 4.0):
        assert np.exp(-s * drawn).mean() == pytest.approx(np.exp(-(s**index)), abs=0.004)


def test_bad_lot_dies_young(as_planted):
    fleet, _, removals = as_planted
    maker = [name for name, _ in MAKERS].index(PLANTED.bad_lot_maker)
    year = int(PLANTED.bad_lot[-4:])
    order = np.lexsort(
        (
            removals.age,
            removals.slot,
            removals.side,
            removals.cylinder,
            removals.part,
            removals.vehicle,
        )
    )
    place = np.stack(
        [removals.vehicle, removals.part, removals.cylinder, removals.side, removals.slot]
    )[:, order]
    same = np.append((place[:, 1:] == place[:, :-1]).all(axis=0), False)
    following = np.append(order[1:], order[-1])
    fitted = (
        (removals.part == PART_INDEX[ROCKER]) & (removals.maker == maker) & (removals.year == year)
    )[order]
    end = np.where(same, removals.age[following], fleet.age_end[removals.vehicle[order]])
    lives = (end - removals.age[order])[fitted]
    failed = (same & (removals.reason[following] == FAILED))[fitted]
    assert (removals.law[following][fitted & same] == BAD_LOT_LAW).all()
    shape, scale = weibull_fit(lives[lives > 0], failed[lives > 0])
    assert failed.sum() > 300
    assert shape == pytest.approx(PLANTED.bad_lot_shape, abs=0.1)
    assert scale == pytest.approx(PLANTED.bad_lot_scale_mi, rel=0.2)


def test_one_shops_gasket_jobs_come_back(as_planted):
    fleet, _, removals = as_planted
    gasket = removals.part == PART_INDEX[COVER_GASKET]
    back = gasket & (removals.law == COMEBACK_LAW)
    # A life begins at the age of the job that fitted it: find that job's shop by its day.
    fitted_day = fleet.day_at(removals.vehicle, removals.begun)
    shop = shop_of(fleet, removals.vehicle, removals.day, seed=SEED, shops=3)
    fitting_shop = shop_of(fleet, removals.vehicle, fitted_day, seed=SEED, shops=3)
    for index, place in enumerate(SHOPS):
        jobs, returns = (gasket & (shop == index)).sum(), (back & (fitting_shop == index)).sum()
        share = (
            PLANTED.comeback_shop_share
            if place.name == PLANTED.comeback_shop
            else PLANTED.comeback_share
        )
        assert jobs > 1_000
        # 4 standard errors; a few gaskets fitted at the end have had no time to come back.
        assert returns / jobs == pytest.approx(
            share, abs=4 * np.sqrt(share * (1 - share) / jobs) + 0.02 * share
        )
    assert ((removals.age - removals.begun)[back] <= PLANTED.comeback_within_mi[1]).all()


def test_connector_locks_break_in_three_of_ten_cover_removals(as_planted):
    _, _, removals = as_planted
    covers = [PART_INDEX[code] for code in (ROCKER, LIFTER, CAMSHAFT, COVER_GASKET)]
    opened = removals.leads & np.isin(removals.part, covers) & (removals.reason == FAILED)
    broke = (removals.reason == BROKE).sum()
    assert set(removals.part[removals.reason == BROKE]) == {PART_INDEX[COIL_CONNECTOR]}
    jobs = opened.sum()
    share = PLANTED.connector_break_share
    assert broke / jobs == pytest.approx(share, abs=4 * np.sqrt(share * (1 - share) / jobs))


@pytest.mark.parametrize("code", ["body.wiper-motor", "cooling.water-pump", "charging.battery"])
def test_other_parts_have_their_own_weibull_life(code):
    part = next(part for part in PARTS if part.code == code)
    fleet, who, removals = simulate_group(V8, (part,), PLANTED, vehicles=9_000, valve_gear=False)
    exit_mi, failed = first_lives(fleet, who, removals, np.ones(removals.count, dtype=bool))
    shape, scale = weibull_fit(exit_mi, failed)
    law = part.laws[0]
    assert failed.sum() > 500
    assert shape == pytest.approx(law.shape, rel=0.12)
    assert scale == pytest.approx(law.scale_mi, rel=0.1)


def test_alternator_has_two_competing_modes():
    """Each cause-specific Weibull law is recovered when the other mode censors."""
    part = next(part for part in PARTS if part.code == PLANTED.competing_component)
    fleet, who, removals = simulate_group(V8, (part,), PLANTED, vehicles=20_000, valve_gear=False)
    for mode, law in enumerate(part.laws):
        exit_mi, failed = first_lives(fleet, who, removals, np.ones(removals.count, dtype=bool))
        first = np.full(fleet.size, -1)
        at = np.flatnonzero(removals.begun == 0)
        first[removals.vehicle[at]] = removals.law[at]
        shape, scale = weibull_fit(exit_mi, failed & (first[who] == mode))
        assert shape == pytest.approx(law.shape, rel=0.12)
        assert scale == pytest.approx(law.scale_mi, rel=0.15)


def test_pads_are_renewed_by_rule_and_in_pairs():
    part = next(part for part in PARTS if part.code == "brakes.pads")
    _, _, removals = simulate_group(V8, (part,), PLANTED, vehicles=500, valve_gear=False)
    planned = removals.reason == PLANNED
    age = (removals.age - removals.begun)[planned & removals.leads]
    assert planned.sum() > 100
    assert age.min() >= part.planned_mi
    assert age.max() <= 1.08 * part.planned_mi
    job = np.stack([removals.vehicle, removals.day, removals.slot], axis=1)
    assert (np.unique(job, axis=0, return_counts=True)[1] % 2 == 0).all()


def test_oil_is_changed_later_at_the_stretching_depot():
    rng = np.random.default_rng(SEED)
    fleet = make_fleet(rng, 0, 3_000)
    lines = service_lines(rng, fleet, PLANTED)
    oil = lines.filter(lines["part"] == PART_INDEX["lubrication.engine-oil"])
    changes = np.bincount(oil["vehicle"].to_numpy(), minlength=fleet.size)
    stretched = np.array([d.name == PLANTED.stretched_oil_depot for d in DEPOTS])[fleet.depot]
    v8 = fleet.family == 0
    rate = [changes[v8 & g].sum() / fleet.age_end[v8 & g].sum() for g in (stretched, ~stretched)]
    assert rate[1] / rate[0] == pytest.approx(PLANTED.stretched_oil_factor, rel=0.08)
    assert 1 / rate[1] == pytest.approx(OIL_INTERVAL_MI[V8.code], rel=0.1)


def test_warnings_come_weeks_before(as_planted):
    fleet, _, removals = as_planted
    rng = np.random.default_rng(SEED)
    planted = replace(PLANTED, false_warnings_per_vehicle_year=0.0)
    lines = warning_lines(rng, fleet, removals, planted)
    gear = [PART_INDEX[code] for code in (ROCKER, LIFTER, CAMSHAFT)]
    led = removals.where(
        removals.leads & (removals.reason == FAILED) & np.isin(removals.part, gear)
    )
    assert lines.height / led.count == pytest.approx(PLANTED.warning_share, abs=0.03)
    low, high = PLANTED.warning_lead_days
    vehicle, day = lines["vehicle"].to_numpy(), lines["day"].to_numpy()
    pairs = np.isin(
        (vehicle * 10**6 + day)[:, None] + np.arange(low - 2, high + 3),
        led.vehicle * 10**6 + led.day,
    )
    assert pairs.any(axis=1).all()


def test_nothing_planted_is_ordinary_wear():
    _, _, removals = simulate_group(
        V8, VALVE_GEAR, NOTHING_PLANTED, vehicles=6_000, valve_gear=True
    )
    rocker = removals.where((removals.part == PART_INDEX[ROCKER]) & (removals.reason == FAILED))
    in_corner = ((rocker.bank == 2) & (rocker.side == EXHAUST)).mean()
    assert in_corner == pytest.approx(0.25, abs=4 * np.sqrt(0.25 * 0.75 / rocker.count))
    assert not (removals.reason == BROKE).any()
    assert not (removals.law == BAD_LOT_LAW).any()
    assert join([removals, removals]).count == 2 * removals.count
