"""Vehicles that no reading tells of lately make rates too high, and the answers say so."""

from datetime import date, timedelta

import numpy as np
import pytest

from fleetlog import analyses
from fleetlog.analyses.unseen import unseen

START = date(2015, 1, 1)

WIPER = {"component": "body.wiper-motor", "reason": "failed", "failure_mode": "worn"}
DAYS, MILES_A_DAY, MEAN_MILES = 2_000, 50, 60_000


def vin(number):
    return f"{number:017d}"


def counted(store, family=None):
    with store.read() as connection:
        return unseen(connection, family)


def fleet(records, *, read_at_the_end):
    """300 vehicles of all ages; wiper motors fail at a constant rate, and repairs bring readings."""
    rng = np.random.default_rng(11)
    for number in range(300):
        begun = int(rng.integers(0, DAYS - 100))
        name = records.vehicle(
            vin(number), unit_no=f"U{number}", in_service_on=day(begun), in_service_odometer=0
        )
        distance = rng.exponential(MEAN_MILES)
        while distance < (DAYS - begun) * MILES_A_DAY:
            records.order(name, begun + int(distance / MILES_A_DAY), int(distance), WIPER)
            distance += rng.exponential(MEAN_MILES)
        if read_at_the_end:
            records.meter(name, DAYS, (DAYS - begun) * MILES_A_DAY)
    return records.build()


def day(number):
    return START + timedelta(days=number)


def test_days_after_the_last_reading_are_counted(records):
    """Of 3 x 1,000 days one vehicle misses its last 400, another its last 50: 450 of 3,000."""
    for number, last in enumerate((1_000, 600, 950)):
        name = records.vehicle(vin(number), unit_no=f"U{number}")
        records.meter(name, 10, 500)
        records.order(
            name, last, 50 * last, WIPER if number == 1 else {**WIPER, "reason": "planned"}
        )
    found = counted(records.build())
    assert (found.vehicles, found.silent, found.silent_since_failure) == (3, 1, 1)
    assert found.share == pytest.approx(450 / 3_000)
    assert found.longest == ("U1",)
    assert found.most_times_too_high == pytest.approx(3_000 / 2_550)
    assert "3 running vehicles, 1 have had no reading" in found.words[0]


def test_a_vehicle_that_left_the_fleet_is_not_unseen(records):
    records.vehicle(vin(0), retired_on=day(500), retired_odometer=25_000)
    records.meter(vin(0), 10, 500)
    records.vehicle(vin(1))
    records.meter(vin(1), 1_000, 50_000)
    found = counted(records.build())
    assert (found.vehicles, found.share, found.words) == (1, 0.0, ())


def test_a_family_without_vehicles_has_nothing_unseen(records):
    records.vehicle(vin(0))
    records.meter(vin(0), 1_000, 50_000)
    found = counted(records.build(), "no such family")
    assert (found.vehicles, found.share, found.words) == (0, 0.0, ())


@pytest.fixture(scope="module")
def both(new_records):
    return (
        fleet(new_records(), read_at_the_end=True),
        fleet(new_records(), read_at_the_end=False),
    )


def test_where_only_repairs_bring_readings_parts_seem_to_fail_sooner_and_that_is_said(both):
    whole, partly = both
    truth = -np.log(0.9) * MEAN_MILES
    seen, missed = (analyses.part_life(store, "body.wiper-motor") for store in both)
    full, short = seen.groups.row(0, named=True), missed.groups.row(0, named=True)
    assert full["b10_lower"] < truth < full["b10_upper"]
    assert short["b10_upper"] < truth
    assert not any("times too high" in said for said in seen.summary)
    assert sum("times too high" in said for said in missed.summary) == 1
    # What is said of the whole is what was missed: the same failures over fewer days.
    days = "SELECT sum(exit_on - entry_on) FROM vehicle_span"
    ratio = float(whole.frame(days).item()) / float(partly.frame(days).item())
    assert counted(partly).most_times_too_high == pytest.approx(ratio, rel=0.02)


def test_every_answer_that_rests_on_rates_says_it(both):
    _, partly = both
    sentence = counted(partly).words[0]
    assert sentence in analyses.quality(partly).summary
    assert sentence in analyses.repeat_failures(partly).summary
    assert (
        sentence
        in analyses.best_interval(
            partly, "body.wiper-motor", cost_planned=100.0, cost_failure=400.0
        ).summary
    )


def test_what_to_mend_first_names_the_silent(both):
    _, partly = both
    mend = analyses.quality(partly).fix_first
    row = next(row for row in mend.to_dicts() if "without a reading" in row["what"])
    found = counted(partly)
    assert (row["rows"], row["failures"]) == (found.silent, None)
    assert row["examples"].split(", ") == list(found.longest)
    whole, _ = both
    assert not analyses.quality(whole).fix_first["what"].str.contains("without a reading").any()
