"""Lives from records: what starts one, what ends it, who shares it, what is left out."""

import polars as pl
import pytest

from fleetlog.errors import InputError
from fleetlog.lives import risk_table, select_lives

ROCKER = "valvetrain.rocker-arm"
ALTERNATOR = "charging.alternator"


def lives_of(store, component, by=()):
    with store.read() as connection:
        return select_lives(connection, component, by=by).sort("generation", "exit_distance")


def test_a_part_that_nobody_touched_is_censored_at_the_last_reading(records):
    vin = records.vehicle()
    records.order(
        vin, 100, 5_000, {"component": ALTERNATOR, "action": "inspected", "reason": "planned"}
    )
    records.meter(vin, 400, 20_000)
    lives = lives_of(records.build(), ROCKER)
    assert lives.select(
        "entry_distance", "exit_distance", "exit_days", "weight", "ended_by"
    ).rows() == [(0, 20_000, 400, 32, "still fitted")]


def test_generations_follow_each_other_and_carry_their_maker(records):
    vin = records.vehicle()
    records.order(
        vin, 100, 40_000, {"component": ALTERNATOR, "part_maker": "Quillon", "failure_mode": "worn"}
    )
    records.order(
        vin, 200, 70_000, {"component": ALTERNATOR, "part_maker": "Tessaly", "reason": "planned"}
    )
    records.meter(vin, 300, 100_000)
    lives = lives_of(records.build(), ALTERNATOR)
    assert lives.select(
        "generation", "exit_distance", "exit_days", "ended_by", "failure_mode", "part_maker"
    ).rows() == [
        (1, 40_000, 100, "failed", "worn", None),
        (2, 30_000, 100, "planned", None, "Quillon"),
        (3, 30_000, 100, "still fitted", None, "Tessaly"),
    ]


@pytest.mark.parametrize(
    "reason", ["planned", "while-apart", "campaign", "broke-in-work", "unknown"]
)
def test_only_a_failure_is_a_failure(records, reason):
    vin = records.vehicle()
    records.order(vin, 100, 40_000, {"component": ALTERNATOR, "reason": reason})
    store = records.build()
    assert lives_of(store, ALTERNATOR)["ended_by"].to_list()[0] == reason
    with store.read() as connection:
        assert risk_table(connection, ALTERNATOR)["failed"].sum() == 0


def test_a_vehicle_watched_from_later_enters_late_and_its_parts_are_assumed(records):
    from datetime import date

    vin = records.vehicle(observed_from_on=date(2016, 1, 1), observed_from_odometer=30_000)
    records.order(vin, 730, 60_000, {"component": ALTERNATOR})
    records.meter(vin, 800, 65_000)
    first, second = lives_of(records.build(), ALTERNATOR).rows(named=True)
    assert (first["entry_distance"], first["exit_distance"]) == (30_000, 60_000)
    assert (first["entry_days"], first["exit_days"]) == (365, 730)
    assert (second["entry_distance"], second["exit_distance"]) == (0, 5_000)
    assert first["generation_assumed"]


def test_retirement_ends_the_watch(records):
    from datetime import date

    vin = records.vehicle(retired_on=date(2016, 1, 1), retired_odometer=30_000)
    records.order(vin, 500, 31_000, {"component": ALTERNATOR})
    store = records.build()
    assert lives_of(store, ALTERNATOR).select("exit_distance", "ended_by").rows() == [
        (30_000, "still fitted")
    ]
    assert store.frame("SELECT why FROM left_out_line").rows() == [
        ("dated after the vehicle was retired",)
    ]


def test_words_that_name_a_group_stand_for_all_of_it(records):
    vin = records.vehicle()
    records.order(vin, 100, 40_000, {"component": ROCKER, "bank": 2, "side": "exhaust"})
    records.meter(vin, 200, 60_000)
    store = records.build()
    lives = lives_of(store, ROCKER)
    assert lives.select(
        "generation", "weight", "exit_distance", "ended_by", "position_assumed"
    ).rows() == [
        (1, 8, 40_000, "failed", False),
        (1, 24, 60_000, "still fitted", False),
        (2, 8, 20_000, "still fitted", False),
    ]
    split = lives_of(store, ROCKER, by=("bank", "side"))
    failed = split.filter(pl.col("ended_by") == "failed")
    assert failed.select("bank", "side", "weight").rows() == [(2, "exhaust", 8)]


def test_a_line_without_a_position_takes_one_that_no_line_names(records):
    vin = records.vehicle()
    records.order(
        vin, 50, 20_000, {"component": ROCKER, "cylinder": 1, "side": "intake", "slot": 1}
    )
    records.order(vin, 100, 40_000, {"component": ROCKER, "qty": 1})
    records.order(vin, 150, 60_000, {"component": ROCKER, "qty": 1})
    records.meter(vin, 200, 80_000)
    store = records.build()
    events = store.frame(
        "SELECT done_on, positions, position_assumed FROM position_event ORDER BY done_on"
    )
    assert events["positions"].to_list() == [[1], [2], [3]]
    assert events["position_assumed"].to_list() == [False, True, True]


def test_a_line_takes_positions_only_among_those_its_words_allow(records):
    vin = records.vehicle()
    records.order(vin, 100, 40_000, {"component": ROCKER, "bank": 2, "side": "exhaust", "qty": 2})
    records.meter(vin, 200, 60_000)
    store = records.build()
    taken = store.frame(
        "SELECT p.bank, p.side, e.position_assumed FROM position_event AS e, component_position AS p"
        " WHERE p.component = e.component AND list_contains(e.positions, p.ordinal)"
    )
    assert taken.rows() == [(2, "exhaust", True), (2, "exhaust", True)]


def test_a_failure_found_by_an_inspection_is_bounded_by_the_last_good_one(records):
    vin = records.vehicle()
    good = {"component": ALTERNATOR, "action": "inspected", "reason": "planned"}
    bad = {
        "component": ALTERNATOR,
        "action": "inspected",
        "reason": "failed",
        "failure_mode": "worn",
    }
    records.order(vin, 50, 10_000, good)
    records.order(vin, 100, 20_000, good)
    records.order(vin, 150, 30_000, bad, {"component": ALTERNATOR, "failure_mode": "worn"})
    first = lives_of(records.build(), ALTERNATOR).row(0, named=True)
    assert (first["last_good_distance"], first["last_good_days"], first["exit_distance"]) == (
        20_000,
        100,
        30_000,
    )


def test_a_failure_that_announced_itself_has_no_bound(records):
    vin = records.vehicle()
    records.order(
        vin, 50, 10_000, {"component": ALTERNATOR, "action": "inspected", "reason": "planned"}
    )
    records.order(vin, 150, 30_000, {"component": ALTERNATOR, "failure_mode": "worn"})
    assert lives_of(records.build(), ALTERNATOR)["last_good_distance"].to_list()[0] is None


def test_a_repair_after_a_failure_ends_the_life_and_begins_another(records):
    vin = records.vehicle()
    records.order(vin, 100, 40_000, {"component": ALTERNATOR, "action": "repaired"})
    records.meter(vin, 200, 60_000)
    lives = lives_of(records.build(), ALTERNATOR)
    assert lives.select("begun_by", "ended_by").rows() == [
        ("factory", "failed"),
        ("repaired", "still fitted"),
    ]


def test_a_part_that_is_not_on_the_engine_is_left_out_and_counted(records):
    vin = records.vehicle()
    records.order(vin, 100, 40_000, {"component": "fuel.glow-plug"}, {"component": None})
    store = records.build()
    assert sorted(store.frame("SELECT why FROM left_out_line")["why"]) == [
        "no such part or position on this engine family",
        "part not recognised: kept as text",
    ]


def test_exposure_is_conserved_whatever_was_renewed(records):
    """Every position of every vehicle is watched for exactly as long as the vehicle is."""
    from datetime import date

    plain = records.vehicle("A" * 17)
    late = records.vehicle(
        "B" * 17, observed_from_on=date(2015, 4, 11), observed_from_odometer=9_000
    )
    for vin in (plain, late):
        records.order(vin, 150, 20_000, {"component": ROCKER, "bank": 2, "side": "exhaust"})
        records.order(
            vin, 250, 33_000, {"component": ROCKER, "qty": 3}, {"component": ROCKER, "cylinder": 7}
        )
        records.meter(vin, 400, 50_000)
    store = records.build()
    exposure = (
        lives_of(store, ROCKER)
        .select(((pl.col("exit_distance") - pl.col("entry_distance")) * pl.col("weight")).sum())
        .item()
    )
    assert exposure == 32 * 50_000 + 32 * 41_000
    split = lives_of(store, ROCKER, by=("bank", "cylinder", "side", "slot"))
    assert split["weight"].max() == 1
    assert (
        split.select(
            ((pl.col("exit_distance") - pl.col("entry_distance")) * pl.col("weight")).sum()
        ).item()
        == exposure
    )


def test_risk_tables_of_the_parts_add_up_to_the_whole(records):
    for number in range(4):
        vin = records.vehicle(f"{number:017d}", depot="east" if number % 2 else "west")
        records.order(
            vin, 100, 30_000 + number, {"component": ROCKER, "bank": 2, "failure_mode": "worn"}
        )
        records.meter(vin, 300, 80_000)
    store = records.build()
    with store.read() as connection:
        whole = risk_table(connection, ROCKER)
        parts = risk_table(connection, ROCKER, by=("depot", "bank", "side"))
    added = parts.group_by("time", "failure_mode").agg(pl.col("entered", "failed", "left").sum())
    keys = ["time", "failure_mode"]
    assert added.sort(keys).rows() == whole.sort(keys).rows()
    assert whole["entered"].sum() == whole["failed"].sum() + whole["left"].sum()


def test_an_unknown_split_is_refused(records):
    store = records.build()
    with store.read() as connection, pytest.raises(InputError, match="colour"):
        select_lives(connection, ROCKER, by=("colour",))


@pytest.mark.slow
def test_building_all_lives_anew_is_the_same_each_time(sample_store, tmp_path):
    """Only estimated distances may move: they borrow from the group as it is now."""
    import shutil

    from fleetlog.lives import rebuild_all
    from fleetlog.store import Store

    store = Store.open(shutil.copy(sample_store, tmp_path / "own.fleetlog"))
    tables = ("meter_reading", "vehicle_span", "position_event", "life", "order_distance")

    def state():
        return {table: store.frame(f"SELECT * FROM {table} ORDER BY ALL") for table in tables}

    loaded = state()
    assert rebuild_all(store) == store.frame("SELECT vin FROM vehicle").height
    once = state()
    assert once["meter_reading"].equals(loaded["meter_reading"])
    assert once["vehicle_span"].equals(loaded["vehicle_span"])
    read = pl.col("distance_estimated").not_()
    assert once["order_distance"].filter(read).equals(loaded["order_distance"].filter(read))
    rebuild_all(store)
    twice = state()
    assert all(twice[table].equals(once[table]) for table in tables)
