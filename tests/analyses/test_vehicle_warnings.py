"""What the fleet's lives say of the parts of one vehicle, by hand on small fleets."""

from datetime import date

import pytest

from fleetlog import analyses

BELT = {"component": "engine.drive-belt"}
VIN = "Z" * 17


def vin(count):
    return f"V{count:016d}"


@pytest.fixture(scope="module")
def old_belts(new_records):
    """Twenty vehicles whose belts fail at 10,000, 11,000, ... mi; one that has gone 90,000 mi.

    One in ten of 21 has failed at the third failure, 12,000 mi.
    """
    records = new_records()
    for count in range(20):
        records.vehicle(vin(count))
        records.order(vin(count), 100, 10_000 + 1_000 * count, BELT)
        records.meter(vin(count), 110, 10_100 + 1_000 * count)
    records.vehicle(VIN, unit_no="OLD")
    for count in (1, 4, 9):
        records.meter(VIN, 100 * count, 10_000 * count)
    return records.build()


def test_a_part_past_the_age_of_one_failure_in_ten_is_named_with_its_sample(old_belts):
    result = analyses.vehicle_warnings(old_belts, "OLD")
    (row,) = result.warnings.to_dicts()
    assert row["kind"] == "past the age of one failure in ten"
    assert (row["value"], row["figure"]) == (90_000, 12_000)
    assert (row["failures"], row["lives"], row["vehicles"]) == (20, 21, 21)
    assert "12,000 mi" in row["said"]
    assert "20 failures" in row["said"]
    assert "no leave to run" in " ".join(result.summary)
    assert result.looked_at["component"].to_list() == ["engine.drive-belt"]
    assert result.not_looked_at > 100


def test_a_young_part_is_not_named_and_the_answer_says_what_was_looked_at(old_belts):
    result = analyses.vehicle_warnings(old_belts, vin(0))
    assert result.warnings.is_empty()
    assert "Nothing" in result.summary[0]
    assert "1 component" in " ".join(result.summary)


def test_few_failures_are_no_ground_for_a_warning(records):
    for count in range(9):
        records.vehicle(vin(count))
        records.order(vin(count), 100, 10_000, BELT)
    records.vehicle(VIN)
    records.meter(VIN, 900, 90_000)
    result = analyses.vehicle_warnings(records.build(), VIN)
    assert result.warnings.is_empty()
    assert result.looked_at.is_empty()


def test_a_part_of_assumed_age_is_warned_of_by_the_years_that_were_watched(records):
    """Bought at 80,000 mi, at 90,000 now: the belt may be new, so 10,000 mi is all that is sure."""
    for count in range(20):
        records.vehicle(vin(count))
        records.order(vin(count), 100, 20_000 + 1_000 * count, BELT)
    records.vehicle(VIN, observed_from_on=date(2016, 1, 1), observed_from_odometer=80_000)
    for count in (400, 450, 500):
        records.meter(VIN, count, 80_000 + 100 * (count - 400))
    result = analyses.vehicle_warnings(records.build(), VIN)
    assert result.warnings.is_empty()
    assert result.perhaps.select("component", "value").rows() == [("engine.drive-belt", 90_000)]


@pytest.mark.parametrize("together", [True, False])
def test_parts_of_a_lot_that_fail_together_on_one_vehicle_are_little_evidence(
    new_records, together
):
    """Of lot A's plugs 16 in 160 fail early: on 2 vehicles of 20 all 8, or one each on 16.

    Of lot B's 12 in 480 do. Both ways lot A has as many failures, four times those expected.
    """
    records = new_records()

    def plug(cylinder, lot):
        return {
            "component": "ignition.spark-plug", "bank": 1 if cylinder < 5 else 2,
            "cylinder": cylinder, "part_lot": lot, "part_maker": "Quellmar",
        }  # fmt: skip

    for count in range(80):
        lot = "A" if count < 20 else "B"
        records.vehicle(vin(count))
        every = [plug(cylinder, lot) | {"reason": "planned"} for cylinder in range(1, 9)]
        records.order(vin(count), 100, 10_000, *every)
        if lot == "A":
            last, early = (2, range(1, 9)) if together else (16, [1 + count % 8])
        else:
            last, early = 32, [1 + count % 8]
        if count < last:
            records.order(vin(count), 120, 12_000, *(plug(cylinder, "C") for cylinder in early))
        records.meter(vin(count), 500, 50_000)
    warned = analyses.vehicle_warnings(records.build(), vin(19)).warnings
    assert ("lot that fails young" in warned["kind"].to_list()) != together


def test_a_lot_that_fails_young_is_told_from_its_fellows(records):
    """Replacements at 10,000 mi: of lot A 12 of 14 fail 2,000 mi later, of B 12 of 40 at 30,000."""
    for count in range(54):
        bad = count < 14
        fails = count < 12 or 14 <= count < 26
        lot = {"part_lot": "A" if bad else "B", "part_maker": "Quellmar"}
        records.vehicle(vin(count))
        records.order(vin(count), 100, 10_000, BELT | lot | {"reason": "planned"})
        if fails:
            records.order(vin(count), 120 if bad else 400, 12_000 if bad else 40_000,
                          BELT | {"part_lot": "C", "part_maker": "Grennick"})  # fmt: skip
        records.meter(vin(count), 500, 50_000)
    result = analyses.vehicle_warnings(records.build(), vin(13))
    row = result.warnings.filter(result.warnings["kind"] == "lot that fails young").row(
        0, named=True
    )
    assert (row["value"], row["lives"], row["vehicles"]) == (12, 14, 14)
    assert row["lower"] > 1
    assert "Quellmar, lot A" in row["said"]
    assert "of its 14 on 14 vehicles of this family 12 have failed" in row["said"]
    # A part of the other lot on another vehicle is not.
    other = analyses.vehicle_warnings(records.store, vin(53)).warnings
    assert "lot that fails young" not in other["kind"].to_list()


def test_what_fails_again_and_again_is_named_with_how_many_vehicles_do(records):
    for count in range(40):
        records.vehicle(vin(count))
        records.order(vin(count), 100, 10_000, BELT)
        records.meter(vin(count), 900, 90_000)
    for day, odometer in ((300, 30_000), (500, 50_000)):
        records.order(vin(7), day, odometer, BELT)
    result = analyses.vehicle_warnings(records.build(), vin(7))
    row = result.warnings.filter(result.warnings["kind"] == "fails again and again").row(
        0, named=True
    )
    assert (row["value"], row["vehicles"]) == (3, 40)
    assert row["figure"] == pytest.approx(1 / 40)
    assert "3 visits" in row["said"]
    assert row["orders"].count("RO ") == 3
