"""The record of one vehicle, by any name a technician has for it."""

import pytest

from fleetlog import analyses
from fleetlog.errors import InputError

VIN = "GZ7VAKE1XPF104729"


@pytest.fixture
def store(records):
    records.vehicle(VIN, unit_no="U1001", plate="AL 4729")
    records.vehicle("GZ7DCBE37JN716729", unit_no="U1002", plate="AM 2648")
    records.order(VIN, 100, 40_000, {"component": "valvetrain.lifter", "bank": 2, "side": "exhaust", "failure_mode": "collapsed"},
                  complaint="tick when cold")  # fmt: skip
    records.order(
        VIN,
        200,
        60_000,
        {"component": "valvetrain.lifter", "cylinder": 8, "side": "exhaust", "slot": 1},
    )
    records.order(VIN, 210, 3_000, {"component": None, "description": "customer says rattle"})
    records.meter(VIN, 300, 80_000)
    return records.build()


@pytest.mark.parametrize(
    "key", [VIN, VIN.lower(), "104729", "PF104729", "u1001", " U1001 ", "al4729", "AL 4729"]
)
def test_a_vehicle_answers_to_all_its_names(store, key):
    assert analyses.vehicle_record(store, key).vin == VIN


@pytest.mark.parametrize(
    ("key", "words"),
    [("", "no vehicle was named"), ("ZZZZZZ", "no vehicle answers"), ("729", "no vehicle answers")],
)
def test_a_key_for_none_is_refused_in_a_sentence(store, key, words):
    with pytest.raises(InputError, match=words):
        analyses.vehicle_record(store, key)


def test_an_end_that_two_vehicles_share_lists_both(records):
    records.vehicle("A" * 11 + "123456", unit_no="U1")
    records.vehicle("B" * 11 + "123456", unit_no="U2")
    with pytest.raises(InputError, match=r"U1.*U2"):
        analyses.vehicle_record(records.build(), "123456")


def test_untrusted_text_is_only_text(store):
    with pytest.raises(InputError, match="no vehicle answers"):
        analyses.vehicle_record(store, "'; DROP TABLE load; --")
    assert store.frame("SELECT count(*) AS n FROM load")["n"].to_list() == [0]


def test_the_parts_fitted_now_have_their_age_and_place(store):
    parts = analyses.vehicle_record(store, VIN).parts
    assert parts.select("positions", "count", "generation", "age_distance").sort(
        "generation", "count"
    ).rows() == [
        (parts["positions"][0], 24, 1, 80_000),
        (parts["positions"][1], 7, 2, 40_000),
        ("bank 2, cylinder 8, exhaust, no. 1", 1, 3, 20_000),
    ]


def test_lines_orders_and_meters_are_all_there(store):
    record = analyses.vehicle_record(store, VIN)
    assert record.orders["complaint"].to_list()[-1] == "tick when cold"
    assert record.lines.height == 3
    assert record.lines["description"].to_list()[0] == "customer says rattle"
    assert record.meters.filter(record.meters["verdict"] == "set aside")["odometer"].to_list() == [
        3_000
    ]
    assert "1 odometer reading corrected or set aside" in " ".join(record.summary)
