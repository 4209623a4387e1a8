"""Warning signs by hand: what counts as one, who it is compared with, and what is left out."""

import polars as pl
import pytest

from fleetlog import analyses
from fleetlog.analyses.warning_signs import find_sign
from fleetlog.errors import InputError

LIFTER = "valvetrain.lifter"
BROKEN = {"component": LIFTER, "bank": 2, "cylinder": 8, "side": "exhaust", "slot": 1}
LOOKED = {"component": "ignition.coil", "action": "inspected", "reason": "unknown"}
TICK = {"complaint": "tick at idle"}


def vin(number):
    return f"{number:017d}"


def fleet(records, vehicles, until=1000):
    for number in range(vehicles):
        records.vehicle(vin(number), unit_no=f"U{number}")
        records.meter(vin(number), until, 100 * until)


def warned_fleet(records):
    """Ten vehicles; four lifters fail on day 500, three of them 30 days after a tick.

    Of the six others one ticks on day 480, and one long before.
    """
    fleet(records, 10)
    for number in range(4):
        records.order(vin(number), 500, 50_000, BROKEN, complaint="loud tick")
    for number, day in ((0, 470), (1, 470), (2, 470), (4, 480), (5, 100)):
        records.order(vin(number), day, 100 * day, LOOKED, **TICK)


def row(result, sign="tick", component=LIFTER):
    rows = result.pairs.filter((pl.col("sign") == sign) & (pl.col("component") == component))
    return rows.row(0, named=True)


def left_out(result):
    return dict(result.left_out.rows())


def test_failures_are_held_against_vehicles_as_old(records):
    warned_fleet(records)
    result = analyses.warning_signs(records.build(), LIFTER)
    found = row(result)
    assert (found["failures"], found["warned"], found["visits"]) == (4, 3, 5)
    assert found["sensitivity"] == pytest.approx(3 / 4)
    # The six that did not fail are the controls of all four; one of them ticked.
    assert found["background"] == pytest.approx(1 / 6)
    assert found["odds_ratio"] == pytest.approx((3 * 5 / 7) / (1 * 1 / 7))
    assert found["chance"] == pytest.approx(3 / 5)
    assert (found["lead_days"], found["lead_distance"]) == (30, 3000)
    # Four failures while ten were at risk: of any vehicle aged 470 days, 1 - exp(-0.4); of those
    # that were 100 days old, none. Day 480 reaches day 500 too.
    assert found["usual_chance"] == pytest.approx(4 / 5 * (1 - 2.718281828459045**-0.4))
    assert result.evidence.select("ro_no", "failed_ro_no", "lead_days").sort("ro_no").rows() == [
        ("5", "1", 30), ("6", "2", 30), ("7", "3", 30),
    ]  # fmt: skip


def test_the_orders_of_the_failure_itself_are_no_warning(records):
    warned_fleet(records)
    counts = left_out(analyses.warning_signs(records.build(), LIFTER))
    assert counts["sign on a visit that found something failed: its occasion, no warning"] == 4


def test_both_directions_say_the_same(records):
    warned_fleet(records)
    store = records.build()
    one = row(analyses.warning_signs(store, LIFTER))
    other = row(analyses.warning_signs(store, sign="ticking", engine_family="v8"))
    assert {k: v for k, v in one.items() if k != "q_value"} == {
        k: v for k, v in other.items() if k != "q_value"
    }


def test_the_order_of_the_records_and_other_vehicles_of_other_ages_do_not_matter(records):
    fleet(records, 12)
    for number, day in ((5, 100), (4, 480), (2, 470), (1, 470), (0, 470)):
        records.order(vin(number), day, 100 * day, LOOKED, **TICK)
    for number in reversed(range(4)):
        records.order(vin(number), 500, 50_000, BROKEN)
    # Two that were not under watch on day 500 of their age.
    for number in (10, 11):
        records.vehicles[number]["retired_on"] = records.vehicles[0]["in_service_on"].replace(
            year=2016
        )
    found = row(analyses.warning_signs(records.build(), LIFTER))
    assert (found["warned"], found["background"]) == (3, pytest.approx(1 / 6))
    assert found["odds_ratio"] == pytest.approx(15)


def test_a_code_that_everybody_has_is_no_sign(records):
    fleet(records, 12)
    for number in range(12):
        for day in range(100, 1000, 40):
            records.order(vin(number), day, 100 * day, LOOKED, fault_codes=["P0420"])
    for number in range(6):
        records.order(vin(number), 405 + 40 * number, 40_500 + 4_000 * number, BROKEN)
    found = row(analyses.warning_signs(records.build(), LIFTER), "P0420")
    assert (found["sensitivity"], found["background"]) == (1, 1)
    assert not found["stands_out"]
    assert found["q_value"] == 1


def test_a_few_days_before_it_is_the_same_job_and_a_failure_ends_what_the_sign_meant(records):
    fleet(records, 6)
    records.order(vin(0), 495, 49_500, LOOKED, **TICK)
    for number in range(1, 6):
        records.order(vin(number), 470, 47_000, LOOKED, **TICK)
    records.order(vin(0), 500, 50_000, BROKEN)
    # The tick of day 470 belongs to the failure of day 480, not to that of day 510.
    records.order(vin(1), 480, 48_000, BROKEN)
    records.order(vin(1), 510, 51_000, BROKEN)
    result = analyses.warning_signs(records.build(), LIFTER)
    assert row(result)["warned"] == 1
    assert result.evidence["failed_ro_no"].to_list() == ["8"]
    assert left_out(result)["sign within 7 days of the failure: perhaps the same job"] == 1


def test_a_part_fitted_after_the_sign_is_none_that_it_warned_of(records):
    """A tick, then the lifter is renewed while apart, then the new one fails."""
    warned_fleet(records)
    for day, reason in ((585, "while-apart"), (600, "failed")):
        records.order(vin(4), day, 100 * day, BROKEN | {"reason": reason, "qty": 2, "slot": None})
    records.order(vin(4), 570, 57_000, LOOKED, **TICK)
    result = analyses.warning_signs(records.build(), LIFTER)
    found = row(result)
    assert (found["failures"], found["warned"], found["visits"]) == (5, 3, 6)
    # The part went out on day 585: no later than then was the tick followed.
    assert found["unfollowed"] == 2


def test_orders_linked_as_one_job_are_one_visit(records):
    warned_fleet(records)
    first = records.order(vin(6), 300, 30_000, LOOKED, **TICK)
    second = records.order(vin(6), 303, 30_300, {"component": "charging.starter"})
    store = records.build()
    assert row(analyses.warning_signs(store, LIFTER))["visits"] == 6
    with store.write() as connection:
        connection.execute(
            "INSERT INTO order_link VALUES (?, ?, ?, 'split order', 'linked', 1.0, 'test')",
            [vin(6), first, second],
        ).fetchall()
    # The job found the starter failed: its tick is answered.
    assert row(analyses.warning_signs(store, LIFTER))["visits"] == 5
    assert row(analyses.warning_signs(store, LIFTER, answered=True))["visits"] == 6


def test_a_failure_soon_after_the_watch_began_is_not_compared(records):
    warned_fleet(records)
    late = records.vehicle(vin(20), observed_from_on=records.vehicles[0]["in_service_on"].replace(
        year=2016, month=4), observed_from_odometer=45_000)  # fmt: skip
    records.order(late, 500, 50_000, BROKEN)
    records.meter(late, 1000, 100_000)
    result = analyses.warning_signs(records.build(), LIFTER)
    assert row(result)["failures"] == 4
    why = "failure of a vehicle that had not been watched for the horizon before"
    assert left_out(result)[why] == 1


def test_the_distance_clock_matches_by_distance(records):
    warned_fleet(records)
    found = row(analyses.warning_signs(records.build(), LIFTER, clock="distance", horizon=3_000))
    assert (found["warned"], found["lead_distance"]) == (3, 3000)
    assert found["odds_ratio"] == pytest.approx(15)


def test_a_sign_that_stands_is_told(records):
    warned_fleet(records)
    for number in range(3):
        records.order(vin(number), 600, 60_000, BROKEN)
        records.order(vin(number), 570, 57_000, LOOKED, **TICK)
    records.order(vin(7), 990, 99_000, LOOKED, **TICK)
    result = analyses.warning_signs(records.build(), LIFTER)
    assert row(result)["stands_out"]
    assert result.standing.select("unit_no", "since_days").rows() == [("U7", 10)]
    assert "1 vehicle has such a sign standing now" in " ".join(result.summary)


def test_a_component_that_never_failed_is_said_so(records):
    warned_fleet(records)
    result = analyses.warning_signs(records.build(), "charging.starter")
    assert row(result, component="charging.starter")["failures"] == 0
    assert "no failure that can be compared" in result.summary[0]


@pytest.mark.parametrize(
    ("words", "sign"),
    [("tick", "tick"), ("Ticking", "tick"), ("p0300", "P0300"), ("rough idle", "rough-running"),
     ("oil-leak", "oil-leak")],
)  # fmt: skip
def test_a_sign_is_found_by_what_people_call_it(words, sign):
    assert find_sign(words) == sign


def test_what_cannot_be_asked_is_refused(records):
    warned_fleet(records)
    store = records.build()
    with pytest.raises(InputError, match="a component, a sign"):
        analyses.warning_signs(store)
    with pytest.raises(InputError, match="did you mean knock"):
        analyses.warning_signs(store, sign="knocc")
    with pytest.raises(InputError, match="several signs"):
        analyses.warning_signs(store, sign="tick and misfire")
    with pytest.raises(InputError, match="longer than 7 days"):
        analyses.warning_signs(store, LIFTER, horizon=5)
    with pytest.raises(InputError, match="engine family 'moon'"):
        analyses.warning_signs(store, LIFTER, engine_family="moon")
    with pytest.raises(InputError, match="nothing to compare"):
        analyses.warning_signs(store, sign="P0999")
