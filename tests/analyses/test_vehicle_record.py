"""The record of one vehicle, by any name a technician has for it."""

from datetime import date, timedelta

import polars as pl
import pytest

from fleetlog import analyses
from fleetlog.analyses.choices import MOST_VEHICLES, find_vehicles
from fleetlog.errors import InputError
from fleetlog.intake import rule_unrelated

START = date(2015, 1, 1)
VIN = "GZ7VAKE1XPF104729"
LIFTER = {"component": "valvetrain.lifter", "bank": 2, "side": "exhaust"}


def day(count):
    return START + timedelta(days=count)


def rules(store, *rows):
    """Put service rules into a store: the test's own, as a file would bring them."""
    names = ("task", "component", "every_distance", "every_days", "every_hours", "origin",
             "safety_critical")  # fmt: skip
    blank = {"load_id": 1, "engine_family": "v8", "safety_critical": False, "origin": "maker"} | (
        dict.fromkeys(("component", "every_distance", "every_days", "every_hours"))
    )
    filled = [blank | {"file_row": place} | row for place, row in enumerate(rows, 1)]
    incoming = pl.DataFrame(filled, infer_schema_length=None).select(
        "load_id", "file_row", "engine_family", *names
    )
    with store.write() as connection:
        connection.register("incoming", incoming)
        connection.execute("INSERT INTO loaded_service_rule BY NAME FROM incoming").fetchall()
        connection.unregister("incoming")
    return store


@pytest.fixture(scope="module")
def store(new_records):
    records = new_records()
    records.vehicle(VIN, unit_no="U1001", plate="AL 4729")
    records.vehicle("GZ7DCBE37JN716729", unit_no="U1002", plate="AM 2648")
    records.order(VIN, 100, 40_000, LIFTER | {"failure_mode": "collapsed"},
                  complaint="tick when cold")  # fmt: skip
    records.order(
        VIN,
        200,
        60_000,
        {"component": "valvetrain.lifter", "cylinder": 8, "side": "exhaust", "slot": 1},
    )
    records.order(
        VIN,
        210,
        3_000,
        {"component": None, "description": "customer says rattle", "reason": "unknown"},
    )
    records.meter(VIN, 300, 80_000)
    return records.build()


@pytest.mark.parametrize(
    "key",
    [VIN, VIN.lower(), "104729", "PF104729", "u1001", " U1001 ", "al4729", "AL 4729", "VAKE1X",
     "U1001", "4729", "l 47", "AL-4729"],
)  # fmt: skip
def test_a_vehicle_answers_to_all_its_names_and_parts_of_them(store, key):
    assert analyses.vehicle_record(store, key).vin == VIN


@pytest.mark.parametrize(
    ("key", "words"),
    [("", "no vehicle was named"), ("ZZZZZZ", "no vehicle answers"), ("29", "no vehicle answers"),
     ("%", "no vehicle answers"), ("AK_1X", "no vehicle answers")],
)  # fmt: skip
def test_a_key_for_none_is_refused_in_a_sentence(store, key, words):
    with pytest.raises(InputError, match=words):
        analyses.vehicle_record(store, key)


def test_an_end_that_two_vehicles_share_lists_both(records):
    records.vehicle("A" * 11 + "123456", unit_no="U1")
    records.vehicle("B" * 11 + "123456", unit_no="U2")
    with pytest.raises(InputError, match=r"U1.*U2"):
        analyses.vehicle_record(records.build(), "123456")


def test_whole_names_go_before_parts_and_ends_before_middles(records):
    records.vehicle("A" * 11 + "U10199", unit_no="U101")
    records.vehicle("B" * 11 + "123456", unit_no="U1012", plate="99 U101 X")
    records.vehicle("123456" + "C" * 11, unit_no="X1")
    records.order("B" * 11 + "123456", 10, 500, {"component": "charging.battery"}, ro_no="N7001")
    records.order("A" * 11 + "U10199", 10, 500, {"component": "charging.battery"}, ro_no="N70012")
    store = records.build()

    def found(key):
        return find_vehicles(store, key).select("vin", "matched").rows()

    assert found("u101") == [("A" * 11 + "U10199", "its unit number")]
    assert found("123456") == [("B" * 11 + "123456", "the end of its VIN")]
    assert found("n7001") == [("B" * 11 + "123456", "RO N7001 (North Yard)")]
    assert [vin[0] for vin, _ in found("N700")] == ["A", "B"]
    assert found("no such") == []


def test_a_part_that_many_share_gives_a_bounded_list(records):
    for count in range(MOST_VEHICLES + 5):
        records.vehicle("A" * 13 + f"{count:04d}", unit_no=f"UNIT{count}")
    assert find_vehicles(records.build(), "AAAA").height == MOST_VEHICLES


def test_untrusted_text_is_only_text(store):
    with pytest.raises(InputError, match="no vehicle answers"):
        analyses.vehicle_record(store, "'; DROP TABLE load; --")
    assert store.frame("SELECT count(*) AS n FROM load")["n"].to_list() == [0]


def test_the_parts_fitted_now_have_their_age_and_place(store):
    parts = analyses.vehicle_record(store, VIN).parts.filter("touched")
    assert parts.select("positions", "count", "generation", "age_distance").sort(
        "generation", "count"
    ).rows() == [
        (parts["positions"][0], 24, 1, 80_000),
        (parts["positions"][1], 7, 2, 40_000),
        ("bank 2, cylinder 8, exhaust, no. 1", 1, 3, 20_000),
    ]


def test_every_position_of_the_engine_has_one_part_touched_or_not(store):
    """32 lifters and all else that the catalogue puts on a V8: each position once."""
    parts = analyses.vehicle_record(store, VIN).parts
    each = parts.explode("ordinals").select("component", "ordinals")
    known = store.frame(
        "SELECT component, ordinal AS ordinals FROM component_position WHERE engine_family = 'v8'"
    )
    assert each.height == known.height == parts["count"].sum()
    assert each.join(known, on=["component", "ordinals"], how="anti").is_empty()
    rest = parts.filter(~pl.col("touched"))
    assert set(rest["age_distance"]) == {80_000}
    assert set(rest["begun_by"]) == {"factory"}
    assert "valvetrain.lifter" not in set(rest["component"])


def test_lines_orders_and_meters_are_all_there(store):
    record = analyses.vehicle_record(store, VIN)
    assert record.orders["complaint"].to_list()[-1] == "tick when cold"
    assert record.lines.height == 3
    assert record.lines["description"].to_list()[0] == "customer says rattle"
    assert record.meters.filter(record.meters["verdict"] == "set aside")["odometer"].to_list() == [
        3_000
    ]
    assert "1 odometer reading corrected or set aside" in " ".join(record.summary)


def test_orders_carry_what_a_timeline_needs(store):
    orders = analyses.vehicle_record(store, VIN).orders
    assert orders["kind"].to_list() == ["other", "failure", "failure"]
    assert orders["lines"].to_list() == [1, 1, 1]
    assert orders["distance"].to_list()[1:] == [60_000, 40_000]


def test_doubts_say_what_and_where_and_what_to_do(store):
    doubts = analyses.vehicle_record(store, VIN).doubts
    told = dict(doubts.select("what", "count").iter_rows())
    assert told["odometer readings set aside"] == 1
    assert told["lines whose part was not recognised"] == 1
    assert "RO 3 (North Yard)" in " ".join(doubts["where"])
    assert all(doubts["do"].str.len_chars() > 0)


def test_a_repair_may_come_back_for_30_days_or_1_000_miles(records):
    """By hand: ready on day 100 at 10,000 mi; 10 mi a day. Until day 130 and 11,000 mi: day 200."""
    records.vehicle(VIN)
    for count in range(0, 121, 20):
        records.meter(VIN, count, 10 * count + 9_000)
    records.order(VIN, 100, 10_000, {"component": "charging.alternator"})
    records.order(VIN, 110, 10_100, {"component": "air.filter", "reason": "planned"})
    store = records.build()
    windows = analyses.vehicle_record(store, VIN).windows
    assert windows.select("component", "until_on", "until_distance", "closes_on").rows() == [
        ("charging.alternator", day(130), 11_000, day(200))
    ]
    assert analyses.vehicle_record(store, VIN, on=day(200)).windows.height == 1
    assert analyses.vehicle_record(store, VIN, on=day(201)).windows.is_empty()
    # Short on both clocks: closed by the last reading, at 10,200 mi.
    assert analyses.vehicle_record(
        store, VIN, window_days=5, window_distance=100
    ).windows.is_empty()
    with pytest.raises(InputError, match="window must be longer"):
        analyses.vehicle_record(store, VIN, window_days=0)


def test_a_repair_that_came_back_says_on_which_order(records):
    records.vehicle(VIN)
    records.order(VIN, 100, 10_000, {"component": "charging.alternator"})
    records.order(VIN, 110, 10_100, {"component": "charging.alternator"})
    store = records.build()
    windows = analyses.vehicle_record(store, VIN).windows
    assert windows.select("ro_no", "back_ro_no", "back_on").rows() == [
        ("2", None, None),
        ("1", "2", day(110)),
    ]
    rule_unrelated(store, "North Yard:2", "North Yard:1", reason="another fault")
    windows = analyses.vehicle_record(store, VIN).windows
    assert windows.select("ro_no", "back_ro_no").rows() == [("2", None), ("1", None)]


@pytest.fixture(scope="module")
def serviced(new_records):
    """Oil at 10,000 mi on day 100, pads on one axle end at 5,000, 100 mi a day throughout."""
    records = new_records()
    records.vehicle(VIN)
    for count in range(0, 181, 15):
        records.meter(VIN, count, 100 * count)
    records.order(
        VIN, 50, 5_000, {"component": "brakes.pads", "side": "left", "slot": 1, "reason": "planned"}
    )
    records.order(VIN, 100, 10_000, {"component": "lubrication.engine-oil", "reason": "planned"})
    return rules(
        records.build(),
        {"task": "engine oil", "component": "lubrication.engine-oil", "every_distance": 10_000,
         "every_days": 365},
        {"task": "brake pads", "component": "brakes.pads", "every_distance": 15_000,
         "safety_critical": True},
        {"task": "brake fluid", "component": "brakes.fluid", "every_days": 1_000,
         "origin": "legal"},
        {"task": "wash", "every_days": 7},
        {"task": "coolant hours", "component": "cooling.coolant", "every_hours": 500},
    )  # fmt: skip


def test_what_is_due_by_hand(serviced):
    """18,000 mi on day 180. Oil: 2,000 mi left, 20 days at 100 mi a day. Pads: three ends never."""
    due = {row["task"]: row for row in analyses.vehicle_record(serviced, VIN).due.to_dicts()}
    oil = due["engine oil"]
    assert (oil["state"], oil["left_distance"], oil["left_days"]) == ("due", 2_000, 285)
    assert (oil["due_on"], oil["due_at_distance"], oil["ro_no"]) == (day(200), 20_000, "2")
    pads = due["brake pads"]
    assert (pads["state"], pads["left_distance"]) == ("overdue", -3_000)
    assert pads["safety_critical"]
    assert "not done at every position" in pads["note"]
    fluid = due["brake fluid"]
    # Safety-critical by the catalogue, though the rule does not say so.
    assert (fluid["state"], fluid["due_on"], fluid["safety_critical"]) == ("later", day(1000), True)
    assert "never done since the vehicle was new" in fluid["note"]
    assert due["wash"]["state"] == "not known"
    assert due["coolant hours"]["state"] == "not known"
    assert "engine hours not known" in due["coolant hours"]["note"]


def test_overdue_comes_first_and_the_summary_names_it(serviced):
    record = analyses.vehicle_record(serviced, VIN)
    assert record.due["state"].to_list() == ["overdue", "due", "later", "not known", "not known"]
    assert "brake pads (safety-critical)" in " ".join(record.summary)


def test_days_count_from_the_day_asked_for(serviced):
    later = analyses.vehicle_record(serviced, VIN, on=day(1_001)).due
    told = {row["task"]: row for row in later.to_dicts()}
    assert told["brake fluid"]["state"] == "overdue"
    assert told["brake fluid"]["due_on"] == day(1_000)
    with pytest.raises(InputError, match="entered service on"):
        analyses.vehicle_record(serviced, VIN, on=day(-1))


def test_nothing_is_due_on_a_retired_vehicle(records):
    records.vehicle(VIN, retired_on=day(500), retired_odometer=50_000)
    records.order(VIN, 100, 10_000, {"component": "charging.alternator"})
    store = rules(records.build(), {"task": "oil", "component": "lubrication.engine-oil",
                                    "every_days": 10})  # fmt: skip
    record = analyses.vehicle_record(store, VIN)
    assert record.due.is_empty()
    assert record.as_of == day(500)
    assert "Retired" in " ".join(record.summary)


def test_a_task_of_a_vehicle_bought_used_is_not_known_until_it_must_be_overdue(records):
    records.vehicle(VIN, observed_from_on=day(1_000), observed_from_odometer=100_000)
    for count in range(0, 101, 20):
        records.meter(VIN, 1_000 + count, 100_000 + 100 * count)
    store = rules(
        records.build(),
        {"task": "belt", "component": "engine.drive-belt", "every_distance": 60_000},
        {"task": "oil", "component": "lubrication.engine-oil", "every_distance": 8_000},
    )
    told = {row["task"]: row for row in analyses.vehicle_record(store, VIN).due.to_dicts()}
    assert told["belt"]["state"] == "not known"
    assert told["oil"]["state"] == "overdue"
    assert "before is not known" in told["oil"]["note"]


def test_engine_hours_set_the_day_where_they_run_out_first(records):
    """5 hours a day; 500 hours after the service on day 100: day 200."""
    records.vehicle(VIN)
    for count in range(0, 181, 20):
        records.meters.append(
            {"load_id": 1, "file_row": len(records.meters) + 1, "vin": VIN, "read_on": day(count),
             "odometer": 10 * count, "engine_hours": 5.0 * count, "source": "fuel"}
        )  # fmt: skip
    records.order(VIN, 100, 1_000, {"component": "lubrication.engine-oil", "reason": "planned"})
    store = rules(records.build(), {"task": "oil", "component": "lubrication.engine-oil",
                                    "every_distance": 10_000, "every_hours": 500})  # fmt: skip
    (task,) = analyses.vehicle_record(store, VIN).due.to_dicts()
    assert task["left_hours"] == pytest.approx(100)
    assert task["due_on"] == day(200)


def test_the_last_time_under_the_covers_is_the_latest_visit_that_renewed_something(records):
    records.vehicle(VIN)
    records.order(VIN, 100, 10_000, LIFTER, correction="renewed lifters, bank 2 exhaust")
    records.order(VIN, 200, 20_000, LIFTER | {"action": "inspected", "reason": "unknown"})
    records.meter(VIN, 300, 30_000)
    (last,) = analyses.vehicle_record(records.build(), VIN).last_open.to_dicts()
    assert (last["group"], last["ro_no"]) == ("Under the valve cover", "1")
    assert (last["since_distance"], last["since_days"]) == (20_000, 200)
    assert last["correction"] == "renewed lifters, bank 2 exhaust"


def test_the_order_in_which_rows_were_loaded_changes_nothing(new_records):
    def filled(into, turn):
        into.vehicle(VIN)
        jobs = [(100, 10_000, LIFTER), (150, 14_000, {"component": "charging.battery"})]
        for count, odometer, line in jobs[::turn]:
            into.order(VIN, count, odometer, line, ro_no=f"N{count}")
        for count in range(0, 301, 50)[::turn]:
            into.meter(VIN, count, 100 * count)
        return analyses.vehicle_record(into.build(), VIN)

    forth, back = filled(new_records(), 1), filled(new_records(), -1)
    assert forth.summary == back.summary
    for name in ("orders", "lines", "parts", "due", "windows", "last_open", "doubts"):
        assert getattr(forth, name).equals(getattr(back, name)), name
