"""Odometer readings: believed, corrected or set aside, and distance that runs on through swaps."""

import pytest


def verdicts(store):
    return store.frame(
        "SELECT odometer, verdict, distance FROM meter_reading WHERE source <> 'fleet list' ORDER BY read_on"
    ).rows()


def test_plain_readings_are_all_used(records):
    vin = records.vehicle()
    for step in range(1, 9):
        records.meter(vin, 30 * step, 1_500 * step)
    assert {row[1] for row in verdicts(records.build())} == {"used"}


def test_a_reading_that_goes_back_is_set_aside_and_the_others_stand(records):
    vin = records.vehicle()
    for step in range(1, 9):
        records.meter(vin, 30 * step, 400 if step == 5 else 1_500 * step)
    found = verdicts(records.build())
    assert [row[1] for row in found] == ["used"] * 4 + ["set aside"] + ["used"] * 3
    assert found[4][2] is None


@pytest.mark.parametrize("step_with_slip", [4, 5, 9])
def test_kilometres_written_as_miles_are_corrected(records, step_with_slip):
    vin = records.vehicle()
    true = {step: 40_000 + 1_500 * step for step in range(1, 10)}
    records.vehicles[0] |= {"in_service_odometer": 40_000, "observed_from_odometer": 40_000}
    for step, miles in true.items():
        records.meter(vin, 30 * step, round(miles * 1.609344) if step == step_with_slip else miles)
    found = verdicts(records.build())
    assert found[step_with_slip - 1][1] == "corrected"
    assert found[step_with_slip - 1][2] == pytest.approx(true[step_with_slip], abs=1)


def test_distance_runs_on_through_a_swapped_cluster(records):
    vin = records.vehicle()
    for step in range(1, 6):
        records.meter(vin, 30 * step, 1_500 * step)
    records.order(
        vin, 160, 8_000, {"component": "electrical.instrument-cluster", "reason": "failed"}
    )
    for step in range(6, 10):
        records.meter(vin, 30 * step, 1_500 * step - 8_000)
    found = verdicts(records.build())
    assert {row[1] for row in found} == {"used"}
    assert [row[2] for row in found][-4:] == [9_000, 10_500, 12_000, 13_500]


def test_a_cluster_set_to_the_old_reading_changes_nothing(records):
    vin = records.vehicle()
    records.order(
        vin, 100, 8_000, {"component": "electrical.instrument-cluster", "reason": "failed"}
    )
    records.meter(vin, 130, 9_500)
    assert verdicts(records.build())[-1] == (9_500, "used", 9_500)


def test_an_order_without_an_odometer_is_dated_along_the_line(records):
    vin = records.vehicle()
    records.meter(vin, 100, 10_000)
    records.order(vin, 150, None, {"component": "charging.alternator"})
    records.meter(vin, 200, 20_000)
    store = records.build()
    assert store.frame("SELECT distance, distance_estimated FROM order_distance").rows() == [
        (15_000, True)
    ]
    assert store.frame(
        "SELECT exit_distance, distance_estimated FROM life WHERE ended_by = 'failed'"
    ).rows() == [(15_000, True)]
