"""Comebacks by hand: what counts as one, and that recent repairs are not counted as good."""

import pytest

from fleetlog import analyses
from fleetlog.errors import InputError

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
