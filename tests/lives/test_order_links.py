"""Orders that tell one job twice: found, shown, counted once; and what only looks like them.

Scores are worked by hand from the weights in ``order_links.sql``: a sum of n binary logarithms
stands for a probability of 1 / (1 + 2 ** -n).
"""

import pytest

from fleetlog import analyses, intake
from fleetlog.errors import InputError
from fleetlog.lives import rebuild

ALTERNATOR = {"component": "charging.alternator"}
ROCKER = {"component": "valvetrain.rocker-arm"}
FULL = {"complaint": "no charge", "cause": "diodes open", "correction": "new alternator",
        "technician": "QS", "labour_cost": 120.0, "parts_cost": 240.0}  # fmt: skip
OTHER = {"complaint": "lamp flickers at idle", "cause": "belt slips", "correction": "tensioned",
         "technician": "QS", "labour_cost": 40.0, "parts_cost": 12.0}  # fmt: skip


def links_of(store):
    return store.frame("SELECT kind, state FROM order_link ORDER BY ALL").rows()


def events_of(store):
    return store.frame("SELECT ro_id, line_no FROM position_event ORDER BY ALL").rows()


def test_one_job_in_two_exports_is_one_event(records):
    vin = records.vehicle()
    records.order(vin, 100, 40_000, ALTERNATOR, ro_no="RO-00123", shop="North Yard")
    records.order(vin, 100, 40_000, ALTERNATOR, ro_no="123", shop="NORTH YARD INC")
    records.meter(vin, 300, 70_000)
    store = records.build()
    link = store.frame("FROM order_link").row(0, named=True)
    assert (link["kind"], link["state"]) == ("same order", "linked")
    # -7, the day 3, the odometer 4, the number 9, the shop 1, the line 5.
    assert link["score"] == pytest.approx(1 / (1 + 2**-15))
    assert link["why"] == (
        "the same day, the same odometer, the same number, shop names alike, the same line"
    )
    assert events_of(store) == [(1, 1)]
    assert store.frame("SELECT ro_id, line_no, why FROM left_out_line").rows() == [
        (2, 1, "the same line as on RO RO-00123 of North Yard")
    ]
    assert store.frame("SELECT count(*) FROM meter_reading WHERE ro_id IS NOT NULL").item() == 2


def test_what_only_one_telling_has_still_counts(records):
    vin = records.vehicle()
    records.order(
        vin, 100, 40_000, ALTERNATOR, {**ROCKER, "cylinder": 3}, ro_no="77", **FULL
    )  # fmt: skip
    records.order(
        vin, 101, 40_004, {**ROCKER, "cylinder": 3}, {"component": "cooling.water-pump"}, ALTERNATOR,
        ro_no="N77", shop="North Yard Ltd", **FULL,
    )  # fmt: skip
    store = records.build()
    assert links_of(store) == [("same order", "linked")]
    assert events_of(store) == [(1, 1), (1, 2), (2, 2)]


def test_a_telling_without_places_repeats_the_one_with_them(records):
    vin = records.vehicle()
    records.order(vin, 100, 40_000, ROCKER, ro_no="77", **FULL)
    records.order(
        vin, 100, 40_000, {**ROCKER, "cylinder": 3}, {**ROCKER, "cylinder": 5}, ro_no="N77",
        shop="North Yard Ltd", **FULL,
    )  # fmt: skip
    assert events_of(records.build()) == [(2, 1), (2, 2)]


def test_the_same_line_twice_on_an_order_is_two_parts(records):
    vin = records.vehicle()
    records.order(vin, 100, 40_000, ROCKER, ro_no="77", **FULL)
    records.order(vin, 100, 40_000, ROCKER, ROCKER, ro_no="N77", shop="North Yard Ltd", **FULL)
    assert events_of(records.build()) == [(1, 1), (2, 2)]


def test_a_job_keyed_again_under_another_number(records):
    vin = records.vehicle()
    records.order(vin, 100, 40_000, ALTERNATOR, ro_no="5001", **FULL)
    records.order(vin, 101, 40_002, ALTERNATOR, ro_no="5190", **FULL)
    assert links_of(records.build()) == [("same order", "linked")]


def test_without_anything_else_alike_it_is_a_question(records):
    vin = records.vehicle()
    records.order(vin, 100, 40_000, ALTERNATOR, ro_no="5001")
    records.order(vin, 100, 40_000, ALTERNATOR, ro_no="5190")
    store = records.build()
    assert links_of(store) == [("same order", "ask")]
    assert len(events_of(store)) == 2


def test_half_the_lines_on_each_order(records):
    vin = records.vehicle()
    records.order(vin, 100, 40_000, ALTERNATOR, {"component": "cooling.water-pump"}, ro_no="61")
    second = records.order(vin, 100, 40_000, {**ROCKER, "line_no": 3}, ro_no="62")
    store = records.build()
    assert links_of(store) == [("split order", "linked")]
    assert len(events_of(store)) == 3
    assert second == 2


@pytest.mark.parametrize(
    ("day", "odometer", "lines", "facts"),
    [
        pytest.param(101, 40_080, (ALTERNATOR,), OTHER, id="comes back the next day"),
        pytest.param(101, 40_080, (ALTERNATOR,), {}, id="comes back, and nobody says why"),
        pytest.param(100, 40_000, (ROCKER,), OTHER, id="other work on the same day"),
        pytest.param(100, 40_000, ({"component": "brakes.pad", "reason": "campaign"},), {},
                     id="a campaign on the same day"),
        pytest.param(109, 40_000, (ALTERNATOR,), FULL, id="too many days later"),
        pytest.param(101, 40_004, ({**ROCKER, "cylinder": 5},), OTHER, id="another cylinder"),
    ],
)  # fmt: skip
def test_two_jobs_are_two_jobs(records, day, odometer, lines, facts):
    vin = records.vehicle()
    first = {**ROCKER, "cylinder": 3} if "cylinder" in lines[0] else ALTERNATOR
    records.order(vin, 100, 40_000, first, ro_no="5001", **FULL)
    records.order(vin, day, odometer, *lines, ro_no="5002", **facts)
    assert links_of(records.build()) == []


def test_a_campaign_over_many_vehicles_links_none(records):
    for number in range(20):
        vin = records.vehicle(f"{number:017d}")
        records.order(vin, 100, 40_000, {**ALTERNATOR, "reason": "campaign"}, ro_no=str(number),
                      **FULL)  # fmt: skip
    assert links_of(records.build()) == []


def twice_told(records):
    """A fault told twice within two days, and another eighteen days later."""
    vin = records.vehicle()
    records.order(vin, 100, 40_000, ALTERNATOR, ro_no="RO-00123", **FULL)
    records.order(vin, 102, 40_000, ALTERNATOR, ro_no="123", shop="NORTH YARD INC", **FULL)
    records.order(vin, 120, 40_900, ALTERNATOR, ro_no="150", **OTHER)
    records.meter(vin, 400, 70_000)
    return records.build()


def test_linked_orders_are_no_comebacks_of_each_other(records):
    store = twice_told(records)
    answer = analyses.comebacks(store)
    assert answer.pairs.select("ro_no", "back_ro_no", "days").rows() == [("RO-00123", "150", 18)]
    assert answer.groups["repairs"].sum() == 2
    assert answer.left_out.rows() == [("told again: linked with another order of the same job", 1)]


def test_a_ruling_overrides_the_score_and_can_be_taken_back(records):
    store = twice_told(records)
    assert len(events_of(store)) == 2
    revision = store.revision()
    intake.rule_on_orders(
        store, "north yard:RO-00123", "2", "different", reason="two alternators", said_by="QS"
    )
    assert store.revision() == revision + 1
    assert len(events_of(store)) == 3
    pairs = analyses.double_orders(store).pairs
    assert pairs.select("state", "ro_no", "other_ro_no", "why").rows() == [
        ("apart", "RO-00123", "123", "said by QS: two alternators")
    ]
    assert len(analyses.comebacks(store).pairs) == 2
    intake.rule_on_orders(store, "2", "1", "same", said_by="WY")
    assert len(events_of(store)) == 2
    pairs = analyses.double_orders(store).pairs
    assert pairs.select("state", "ro_id", "other_ro_id").rows() == [("linked", 1, 2)]
    assert pairs["why"].item().startswith("said by WY; ")


def test_a_ruling_links_what_was_no_candidate(records):
    vin = records.vehicle()
    records.order(vin, 100, 40_000, ALTERNATOR, ro_no="1")
    records.order(vin, 140, 44_000, ALTERNATOR, ro_no="2")
    store = records.build()
    intake.rule_on_orders(store, "1", "2", "same")
    assert links_of(store) == [("same order", "linked")]
    assert events_of(store) == [(1, 1)]


def test_rulings_that_cannot_be(records):
    vin = records.vehicle()
    records.order(vin, 100, 40_000, ALTERNATOR)
    records.order(records.vehicle("1" * 17), 100, 40_000, ALTERNATOR)
    store = records.build()
    for first, second, words in (
        ("1", "1", "are one order"), ("1", "2", "two vehicles"), ("1", "9", "no order"),
        ("1", "nine", "shop:number"),
    ):  # fmt: skip
        with pytest.raises(InputError, match=words):
            intake.rule_on_orders(store, first, second, "same")
    with pytest.raises(InputError, match="'same' or 'different'"):
        intake.rule_on_orders(store, "1", "2", "maybe")


def test_an_order_that_goes_takes_its_link_along(records):
    store = twice_told(records)
    intake.rule_on_orders(store, "1", "2", "same")
    with store.write() as connection:
        connection.execute("DELETE FROM loaded_repair_order WHERE ro_id = 2").fetchall()
        connection.execute("DELETE FROM loaded_repair_line WHERE ro_id = 2").fetchall()
        connection.execute(
            "CREATE TEMP TABLE touched_vehicle AS SELECT vin FROM vehicle"
        ).fetchall()
        rebuild(connection, distance_unit="mi")
    assert links_of(store) == []
    assert store.frame("SELECT count(*) FROM order_ruling").item() == 1
    assert analyses.double_orders(store).pairs.is_empty()
