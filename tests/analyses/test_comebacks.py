"""Comebacks by hand: what counts as one, and that recent repairs are not counted as good."""

from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from polars.testing import assert_frame_equal

from fleetlog import analyses
from fleetlog.analyses.comeback_rates import rate_all, rate_groups
from fleetlog.analyses.comebacks import GROUPINGS
from fleetlog.errors import InputError
from fleetlog.stats import funnel_limits

START = date(2015, 1, 1)

GASKET = "seals.valve-cover-gasket"
JOB = {"component": GASKET, "bank": 1, "failure_mode": "leak"}


def rate(result, group="North Yard"):
    return result.groups.filter(result.groups["group"] == group).row(0, named=True)


def test_a_return_within_the_window_counts_once(records):
    vin = records.vehicle()
    records.order(vin, 100, 20_000, JOB)
    records.order(vin, 110, 20_400, JOB)
    records.meter(vin, 400, 80_000)
    result = analyses.comebacks(records.build())
    assert rate(result)["comebacks"] == 1
    assert rate(result)["repairs"] == 2
    assert result.pairs.select("ro_no", "back_ro_no", "days", "distance").rows() == [
        ("1", "2", 10, 400)
    ]
    assert rate(result)["rate"] == pytest.approx(1 / 2)


def test_the_window_is_open_while_either_limit_is(records):
    vin = records.vehicle()
    records.order(vin, 100, 10_000, JOB)
    records.order(vin, 160, 10_900, JOB)  # 60 days on, but only 900 miles
    records.order(vin, 400, 40_000, JOB)
    records.meter(vin, 900, 90_000)
    assert rate(analyses.comebacks(records.build()))["comebacks"] == 1


def test_another_component_or_vehicle_is_no_comeback(records):
    first, second = records.vehicle("0" * 17), records.vehicle("1" * 17)
    records.order(first, 100, 20_000, JOB)
    records.order(first, 105, 20_100, {"component": "charging.alternator"})
    records.order(second, 106, 20_100, JOB)
    for vin in (first, second):
        records.meter(vin, 400, 80_000)
    assert rate(analyses.comebacks(records.build()))["comebacks"] == 0


def test_a_planned_renewal_soon_after_is_no_comeback(records):
    vin = records.vehicle()
    records.order(vin, 100, 20_000, JOB)
    records.order(vin, 110, 20_400, JOB | {"reason": "planned", "failure_mode": None})
    records.meter(vin, 400, 80_000)
    result = analyses.comebacks(records.build())
    assert rate(result)["comebacks"] == 0
    assert dict(result.left_out.rows()) == {"planned service: not a repair": 1}


def test_a_repair_not_followed_to_the_end_counts_for_as_long_as_it_was(records):
    """Two repairs; one comes back on day 10, the other was watched for five days only.

    By day 10 one repair is at risk and it comes back: the product-limit rate is 1, not 1/2.
    """
    back, brief = records.vehicle("0" * 17), records.vehicle("1" * 17)
    records.order(back, 100, 20_000, JOB)
    records.order(back, 110, 20_400, JOB, shop="Other Yard")
    records.meter(back, 900, 200_000)
    records.order(brief, 100, 20_000, JOB)
    records.meter(brief, 105, 20_200)
    assert rate(analyses.comebacks(records.build()))["rate"] == pytest.approx(1.0)


def test_no_comeback_still_has_an_upper_limit(records):
    for number in range(5):
        vin = records.vehicle(f"{number:017d}")
        records.order(vin, 100, 20_000, JOB)
        records.meter(vin, 400, 80_000)
    row = rate(analyses.comebacks(records.build()))
    # Clopper and Pearson 1934 for 0 of 5: 1 - 0.025 ** (1 / 5).
    assert (row["rate"], row["lower"]) == (0, 0)
    assert row["upper"] == pytest.approx(1 - 0.025 ** (1 / 5))
    assert "thin: only 5 repairs" in row["note"]


def test_an_unknown_grouping_or_an_empty_store_is_refused(records):
    records.vehicle()
    store = records.build()
    with pytest.raises(InputError, match="moon"):
        analyses.comebacks(store, by="moon")
    with pytest.raises(InputError, match="no repair"):
        analyses.comebacks(store)


def test_a_slow_comeback_does_not_speak_for_repairs_whose_window_has_closed(records):
    """Back after 200 days, within the distance: one of three repairs, not all of them."""
    for number in range(2):
        vin = records.vehicle(f"{number:017d}")
        records.order(vin, 100, 20_000, JOB)
        records.meter(vin, 900, 200_000)
    parked = records.vehicle("9" * 17)
    records.order(parked, 100, 20_000, JOB)
    records.order(parked, 300, 20_500, {**JOB, "reason": "failed"}, shop="Other Yard")
    records.meter(parked, 900, 60_000)
    row = rate(analyses.comebacks(records.build()))
    assert (row["repairs"], row["comebacks"]) == (3, 1)
    assert row["rate"] == pytest.approx(1 / 3)


def test_a_retired_vehicle_cannot_come_back(records):
    """Day 5: one of two is retired. Day 10: the other is back. One in two, not one in one."""
    back, gone = records.vehicle("0" * 17), records.vehicle(
        "1" * 17, retired_on=START + timedelta(days=105), retired_odometer=20_200
    )  # fmt: skip
    records.order(back, 100, 20_000, JOB)
    records.order(back, 110, 20_400, JOB, shop="Other Yard")
    records.meter(back, 900, 200_000)
    records.order(gone, 100, 20_000, JOB)
    result = analyses.comebacks(records.build())
    row = rate(result)
    assert (row["retired"], row["followed_up"], row["followed"]) == (1, 2, 2)
    assert row["rate"] == pytest.approx(1 / 2)
    assert any("retired within the window" in sentence for sentence in result.summary)


ROCKER = {"component": "valvetrain.rocker-arm", "bank": 1, "cylinder": 1, "side": "intake"}


def test_a_part_behind_the_same_covers_may_count(records):
    vin = records.vehicle()
    records.order(vin, 100, 20_000, JOB, ROCKER)
    records.order(vin, 110, 20_400, {**JOB, "bank": 2})
    records.meter(vin, 400, 80_000)
    store = records.build()
    assert rate(analyses.comebacks(store))["repairs"] == 3
    covers = analyses.comebacks(store, same="access-group")
    # Two parts behind one cover are one repair of a shop, and one of each component.
    assert (rate(covers)["repairs"], rate(covers)["comebacks"]) == (2, 1)
    split = analyses.comebacks(store, same="access-group", by="component")
    assert dict(split.groups.select("group", "comebacks").rows()) == {
        "Rocker arm": 1, "Valve cover gasket": 1,
    }  # fmt: skip
    assert (split.repairs, split.came_back) == (2, 1)
    # Of the rocker arm alone, the gasket is still what it comes back with.
    assert analyses.comebacks(store, same="access-group", component=ROCKER["component"]).came_back


def test_the_same_complaint_may_count(records):
    vin = records.vehicle()
    starter = {"component": "starting.starter-motor"}
    records.order(vin, 100, 20_000, {**JOB, "action": "inspected"}, complaint="Oil leak, engine")
    records.order(vin, 110, 20_400, starter, complaint="engine leaking OIL - driver report")
    records.order(vin, 115, 20_500, {**JOB, "reason": "planned"}, complaint="engine leaks oil")
    records.order(vin, 120, 20_600, JOB, complaint="scheduled service")
    records.meter(vin, 400, 80_000)
    store = records.build()
    assert analyses.comebacks(store).pairs.is_empty()
    result = analyses.comebacks(store, same="complaint")
    assert result.pairs.select("ro_no", "back_ro_no").rows() == [("1", "2")]
    assert dict(result.left_out.rows()) == {
        "no complaint that says what the trouble was": 1,
        "planned service: not a repair": 1,
    }


def complained(records, *complaints):
    """One vehicle, an order every ten days, each with its complaint; nothing was found."""
    vin = records.vehicle()
    for number, complaint in enumerate(complaints):
        records.order(vin, 100 + 10 * number, 20_000 + 400 * number, complaint=complaint)
    records.meter(vin, 400, 80_000)
    return vin, records.build()


def matches(result):
    return result.pairs.sort("opened_on").select("ro_no", "back_ro_no", "matched_by").rows()


def test_the_same_sign_in_other_words_is_the_same_complaint(records):
    _, store = complained(records, "tick at idle", "noisy lifters, cold", "idle ticking")
    found = analyses.comebacks(store, same="complaint")
    # The first comes back in other words before it does in its own.
    assert matches(found) == [
        ("1", "2", "same sign: tick or tap"),
        ("2", "3", "same sign: tick or tap"),
    ]
    assert (found.repairs, found.came_back) == (3, 2)


def test_the_same_words_are_named_before_the_sign_that_they_tell(records):
    _, store = complained(records, "tick at idle", "idle ticks")
    assert matches(analyses.comebacks(store, same="complaint")) == [("1", "2", "same words")]


def test_another_sign_one_that_is_denied_and_a_lamp_alone_are_no_same_complaint(records):
    _, store = complained(
        records, "engine lamp on, tick at idle", "engine lamp on, low power",
        "check engine light, no tick", "wipers quit in rain",
    )  # fmt: skip
    assert analyses.comebacks(store, same="complaint").pairs.is_empty()


def test_a_sign_that_comes_after_anything_is_no_return(records):
    _, store = complained(records, "tick at idle", "belt squeal", "noisy lifters", "squeals, wet")
    assert analyses.comebacks(store, same="complaint").pairs.is_empty()


def test_the_same_sign_after_the_window_is_no_comeback(records):
    vin = records.vehicle()
    records.order(vin, 100, 20_000, complaint="tick at idle")
    records.order(vin, 300, 60_000, complaint="noisy lifters")
    records.meter(vin, 600, 120_000)
    result = analyses.comebacks(records.build(), same="complaint")
    assert result.pairs.is_empty()
    assert result.repairs == 2


def test_orders_of_one_job_and_pairs_called_unrelated_share_no_sign(records):
    vin, store = complained(records, "tick at idle", "noisy lifters", "valve noise")
    with store.write() as connection:
        connection.execute(
            "INSERT INTO order_link VALUES (?, 1, 2, 'split order', 'linked', 1.0, 'test')", [vin]
        ).fetchall()
    result = analyses.comebacks(store, same="complaint")
    assert matches(result) == [("1", "3", "same sign: tick or tap")]
    assert result.repairs == 2
    with store.write() as connection:
        connection.execute(
            "INSERT INTO comeback_ruling VALUES ('North Yard', '1', 'North Yard', '3', "
            "'another noise', 'test', TIMESTAMP '2020-01-01')"
        ).fetchall()
    assert analyses.comebacks(store, same="complaint").pairs.is_empty()


def test_technicians_are_numbered_by_their_first_repair_unless_the_store_names_them(records):
    vin = records.vehicle()
    records.order(vin, 200, 30_000, JOB, technician="Early Initials")
    records.order(vin, 300, 40_000, JOB, technician="AB")
    records.order(vin, 400, 50_000, JOB, technician="ab ")
    records.order(vin, 450, 55_000, JOB, technician="AB", shop="Other Yard")
    records.order(vin, 500, 60_000, JOB, technician=None)
    records.order(vin, 600, 70_000, {"component": "charging.alternator"}, technician="First Later")
    records.meter(vin, 900, 90_000)
    store = records.build()
    hidden = analyses.comebacks(store, by="technician", component=GASKET)
    assert dict(hidden.groups.select("group", "repairs").rows()) == {
        "technician 1": 1, "technician 2": 2, "technician 3": 1, "no technician given": 1,
    }  # fmt: skip
    told = repr(hidden) + str([frame.rows() for frame in (hidden.pairs, hidden.curves)])
    assert "Initials" not in told
    store.name_technicians(named=True)
    named = analyses.comebacks(store, by="technician")
    assert set(named.groups["group"]) == {
        "Early Initials, North Yard", "AB, North Yard", "AB, Other Yard", "First Later, North Yard",
        "no technician given",
    }  # fmt: skip


def test_every_grouping(records):
    vin = records.vehicle(depot="Lake depot")
    made = {**JOB, "part_maker": "Grennick", "part_lot": "L1"}
    other = {**JOB, "bank": 2, "part_maker": "Ostravane", "part_lot": "L1"}
    records.order(vin, 100, 20_000, made, road_tested=True, codes_cleared=True)
    records.order(vin, 200, 30_000, made, other, road_tested=False)
    records.order(vin, 300, 40_000, JOB)
    records.meter(vin, 400, 80_000)
    store = records.build()
    expected = {
        "shop": {"North Yard"},
        "technician": {"no technician given"},
        "component": {"Valve cover gasket"},
        "access_group": {"under-valve-cover"},
        "job": {"v8: Valve cover gasket"},
        "part_maker": {"Grennick", "several makers", "no part maker given"},
        "part_lot": {"Grennick L1", "several makers", "no part lot given"},
        "road_tested": {"road-tested", "not road-tested", "no road tested given"},
        "codes_cleared": {"codes cleared", "no codes cleared given"},
        "engine_family": {"v8"},
        "depot": {"Lake depot"},
    }
    assert set(expected) == set(GROUPINGS)
    for by, groups in expected.items():
        result = analyses.comebacks(store, by=by)
        assert set(result.groups["group"]) == groups
        assert result.groups["repairs"].sum() == 3


def gang(records, jobs, shop="North Yard"):
    """For each technician and component, so many repairs of which so many come back."""
    number = len(records.vehicles)
    for technician, component, repairs, back in jobs:
        line = {"component": component}
        for each in range(repairs):
            vin = records.vehicle(f"{number:017d}")
            number += 1
            records.order(vin, 100, 20_000, line, technician=technician, shop=shop)
            if each < back:
                records.order(vin, 110, 20_400, line, technician="Elsewhere", shop="Far Shop")
            records.meter(vin, 400, 80_000)


HARD, EASY = "engine.drive-belt", "charging.alternator"


def test_a_technician_is_not_blamed_for_hard_jobs_but_for_bad_work(records):
    """Hard jobs come back at 1 in 4 and easy ones at 1 in 40, but for one who does those badly."""
    gang(
        records,
        [
            ("Hard", HARD, 80, 20), ("Mixed", HARD, 80, 20),
            ("Mixed", EASY, 80, 2), ("Easy", EASY, 160, 4), ("Bad", EASY, 80, 20),
        ],
    )  # fmt: skip
    store = records.build()
    store.name_technicians(named=True)
    result = analyses.comebacks(store, by="technician")
    rows = {row["group"].partition(",")[0]: row for row in result.groups.to_dicts()}
    assert rows["Hard"]["rate"] == pytest.approx(rows["Bad"]["rate"])
    assert (rows["Hard"]["compared"], rows["Bad"]["compared"]) == (20, 20)
    # Of the belts done by others, Mixed's 80 and the 40 of Far Shop that were watched, 20 came
    # back in all: for 80 belts that makes 13.3. Of the alternators: 6 of 240 and 26 at Far Shop.
    assert rows["Hard"]["expected"] == pytest.approx(80 * 20 / 120)
    assert rows["Bad"]["expected"] == pytest.approx(80 * 6 / 266)
    assert rows["Hard"]["verdict"] in ("within chance", "too few to say")
    assert rows["Bad"]["verdict"] == "more than others"
    assert rows["Bad"]["ratio_lower"] > 3
    assert any(
        sentence.startswith("Bad, North Yard: 25 %") and "back as RO" in sentence
        for sentence in result.summary
    )
    assert rows["Bad"]["rate"] > rows["Bad"]["shrunk"] > rows["Mixed"]["shrunk"]


def test_where_no_other_has_a_comeback_many_still_stand_out(records):
    gang(records, [("Bad", EASY, 40, 12), ("Good", EASY, 60, 0)])
    with_none = records.build()
    with_none.name_technicians(named=True)
    rows = analyses.comebacks(with_none, by="technician")
    bad = rows.groups.filter(pl.col("group") == "Bad, North Yard").row(0, named=True)
    assert (bad["expected"], bad["ratio"]) == (0, None)
    assert bad["ratio_lower"] > 3
    assert bad["verdict"] == "more than others"
    assert any("where the others had none on the same jobs" in said for said in rows.summary)


def test_labels_of_shops_are_labels_only(records):
    gang(records, [("A", HARD, 12, 3), ("B", EASY, 20, 1)], shop="North Yard")
    gang(records, [("A", HARD, 7, 0), ("C", EASY, 15, 4)], shop="River Shop")
    store = records.build()
    other = {"North Yard": "Zebra Yard", "River Shop": "Aardvark Shop", "Far Shop": "Middle Shop"}
    before = {by: analyses.comebacks(store, by=by) for by in ("shop", "component", "technician")}
    with store.write() as connection:
        for old, new in other.items():
            connection.execute(
                "UPDATE loaded_repair_order SET shop = $new WHERE shop = $old",
                {"old": old, "new": new},
            ).fetchall()
    for by, was in before.items():
        now = analyses.comebacks(store, by=by).groups
        told = pl.col("group").replace(other) if by == "shop" else pl.col("group")
        assert_frame_equal(now.sort("group"), was.groups.with_columns(told).sort("group"))


def some_repairs(draws, *, retired):
    """Give random repairs in the form that the rates are reckoned from."""
    rng = np.random.default_rng(draws)
    n = int(rng.integers(2, 200))
    cause = rng.choice(3, n, p=(0.75, 0.2 + 0.05 * (not retired), 0.05 * retired))
    closed = (cause == 0) & (rng.random(n) < rng.choice([0.2, 0.6, 1.0]))
    time = np.where(closed, 40, rng.integers(1, 39, n))
    return pl.DataFrame(
        {
            "group": rng.choice(["a", "b", "c"], n), "kind": rng.choice(["x", "y"], n),
            "vehicle": rng.integers(0, 50, n), "time": time, "cause": cause, "closed": closed,
        }
    )  # fmt: skip


@given(st.integers(0, 10**6), st.booleans())
def test_comebacks_over_those_followed_is_the_rate_of_all(draws, retired):
    repairs = some_repairs(draws, retired=retired)
    groups = rate_groups(repairs, 0.95)[0]
    total, _, _ = rate_all(repairs, 0.95)
    if total > 0:
        # Who is lost from sight after others retired is counted as nothing at the least.
        assert groups["comebacks"].sum() / groups["followed"].sum() == pytest.approx(
            total, rel=0.1 if retired else 1e-9
        )
    assert (groups["followed"] <= groups["repairs"] + 1e-9).all()
    assert (groups["followed"] >= groups["followed_up"] - 1e-9).all()


@example(66780)  # a group whose like had no comeback elsewhere
@given(st.integers(0, 10**6))
def test_repairs_that_always_share_their_fate_are_no_more_evidence(draws):
    """Each repair twice on its vehicle: as many comebacks again, and the same verdicts."""
    once = some_repairs(draws, retired=False)
    once = once.with_columns(vehicle=pl.int_range(once.height))
    groups, _, _, between, clustering = rate_groups(once, 0.95)
    doubled, _, _, other_between, other_clustering = rate_groups(pl.concat([once, once]), 0.95)
    assert (between, other_between) == (None, None)
    assert clustering == pytest.approx(1.0)
    assert (doubled["comebacks"] == 2 * groups["comebacks"]).all()
    same = ("rate", "ratio", "precision", "verdict", "funnel_lower", "funnel_upper")
    if groups["upper"].is_not_null().all() and 0 < groups["comebacks"].sum() < once.height:
        assert other_clustering in (pytest.approx(2.0), 1.0)
    if other_clustering > 1:
        assert_frame_equal(doubled.select(same), groups.select(same))


@pytest.mark.slow
def test_technicians_alike_are_seldom_blamed():
    """300 fleets of 20 technicians alike, with mixed jobs and vehicles that share their fate.

    Beyond the outer limits a technician should lie once in a thousand on either side, beyond the
    inner ones once in forty; estimated spreads and expectations may make that a little more.
    """
    rng = np.random.default_rng(5)
    verdicts = []
    for _ in range(300):
        n = 4_000
        hard, vehicle = (
            rng.random(n) < rng.beta(1, 1, 20).repeat(n // 20),
            rng.integers(0, n // 3, n),
        )
        bad_vehicle = rng.gamma(1, 1, n // 3)[vehicle]
        back = rng.random(n) < np.minimum(np.where(hard, 0.12, 0.03) * bad_vehicle, 1)
        repairs = pl.DataFrame(
            {
                "group": np.arange(20).repeat(n // 20).astype(str), "vehicle": vehicle,
                "kind": np.where(hard, "hard", "easy"), "cause": back.astype(int),
                "time": np.where(back, 10, 40), "closed": ~back,
            }
        )  # fmt: skip
        verdicts.append(rate_groups(repairs, 0.95)[0]["verdict"])
    share = pl.concat(verdicts).value_counts(normalize=True)
    found = dict(share.rows())
    assert found.get("more than others", 0) <= 0.003
    assert 0.005 <= found["perhaps more"] <= 0.035


def test_groups_that_all_differ_a_little_blame_none():
    """Thirty shops whose rates spread by a half: the funnel is wider than chance alone."""
    rng = np.random.default_rng(11)
    rates = 0.1 * rng.gamma(4, 1 / 4, 30)
    back = rng.random((30, 800)) < rates[:, None]
    repairs = pl.DataFrame(
        {
            "group": np.repeat([f"shop {i:02d}" for i in range(30)], 800),
            "kind": "x", "vehicle": np.arange(24_000), "cause": back.ravel().astype(int),
            "time": np.where(back.ravel(), 10, 40), "closed": ~back.ravel(),
        }
    )  # fmt: skip
    groups, _, funnel, between, _ = rate_groups(repairs, 0.95)
    assert between == pytest.approx(1 / 2, rel=0.3)
    assert "more than others" not in groups["verdict"].to_list()
    by_chance = funnel_limits(groups["precision"].to_numpy(), 1.0, kind="rate", level=0.998)
    assert np.any(groups["ratio"].to_numpy() > by_chance.upper)
    assert (groups["funnel_upper"].to_numpy() > by_chance.upper - 0.2).all()
    assert (funnel["outer_upper"] > funnel["upper"]).all()


def test_repairs_that_nobody_watched_to_the_end_say_so(records):
    vin = records.vehicle()
    records.order(vin, 100, 20_000, JOB)
    records.meter(vin, 105, 20_200)
    row = rate(analyses.comebacks(records.build()))
    assert "none watched for the whole window" in row["note"]
    assert (row["lower"], row["upper"]) == (0, 1)
