"""What to renew together, on hand-made fleets: which parts, how old, at what cost, and what wins."""

import polars as pl
import pytest
from polars.testing import assert_series_equal

from fleetlog import analyses
from fleetlog.analyses.together_words import place_words_of
from fleetlog.errors import InputError

ROCKER, LIFTER, GASKET = (
    "valvetrain.rocker-arm", "valvetrain.lifter", "seals.valve-cover-gasket",
)  # fmt: skip
PADS = "brakes.pads"
EXHAUST_8 = {"bank": 2, "cylinder": 8, "side": "exhaust", "slot": 1}


def failure(component, labour_h=3.0, cost=40.0, **where):
    return {
        "component": component, "failure_mode": "worn", "labour_h": labour_h, "cost": cost, **where,
    }  # fmt: skip


def apart(component, **where):
    return failure(component, 0.3, **where) | {"reason": "while-apart", "failure_mode": None}


ORDER = {"labour_h": 3.3, "labour_cost": 330.0, "parts_cost": 70.0, "downtime_h": 10.0}


def fleet(records, component=ROCKER, cylinders=(5, 6, 7, 8), lives=(60, 75, 90, 105, 120, 135)):
    """Vehicles that each lose one part at their own mileage (thousands), and some that lose none."""
    for number in range(24):
        vin = records.vehicle(f"{number:017d}")
        age = lives[number % len(lives)] * 1_000 + 371 * number
        where = {"bank": 2, "cylinder": cylinders[number % len(cylinders)], "side": "exhaust"}
        records.order(
            vin, age // 100, age, failure(component, **where, slot=1),
            apart(GASKET, bank=2, cost=30.0), **ORDER,
        )  # fmt: skip
        records.meter(vin, 1_600, 160_000)
    for number in range(24, 30):
        records.meter(records.vehicle(f"{number:017d}"), 1_600, 160_000)


def opened(records):
    """Add the vehicle that is asked about: lifter renewed at 40,000, rocker fails at 100,000."""
    vin = records.vehicle("9" * 17, unit_no="U9")
    records.order(vin, 400, 40_000, apart(LIFTER, **EXHAUST_8), **ORDER)
    records.order(
        vin, 1_000, 100_000, failure(ROCKER, **EXHAUST_8), apart(GASKET, bank=2),
        ro_no="open", **ORDER,
    )  # fmt: skip
    records.meter(vin, 1_200, 120_000)
    return vin


def ask(store, **asked):
    return analyses.replace_together(store, **({"ro_no": "open", "horizon": 40_000} | asked))


def class_of(result, component, **where):
    rows = result.parts.filter(pl.col("component") == component)
    for column, value in where.items():
        rows = rows.filter(pl.col(column) == value)
    assert rows.height == 1, rows
    return rows.row(0, named=True)


@pytest.fixture(scope="module")
def store(shared_records):
    records = shared_records
    fleet(records)
    opened(records)
    # Some lifters and gaskets failed, so that they enter the choice too.
    other = records.vehicle("8" * 17)
    for day, cylinder in ((700, 6), (900, 7)):
        where = {"bank": 2, "cylinder": cylinder, "side": "exhaust", "slot": 2}
        records.order(other, day, 100 * day, failure(LIFTER, **where), **ORDER)
        records.order(
            other, day + 50, 100 * day + 5_000, failure(GASKET, 2.0, 30.0, bank=2), **ORDER
        )
    records.order(other, 1_300, 130_000, failure("charging.battery"), ro_no="charge", **ORDER)
    records.meter(other, 1_600, 160_000)
    return records.build()


def test_the_parts_are_those_of_this_vehicle_behind_these_covers(store):
    result = ask(store)
    assert (result.vin, result.unit_no, result.shop) == ("9" * 17, "U9", "North Yard")
    assert result.failed == (ROCKER,)
    assert result.distance == 100_000
    rockers = result.parts.filter(pl.col("component") == ROCKER)
    # Eight on the exhaust side of bank 2, the only one that has failed anywhere; the failed one is
    # new in every choice.
    assert rockers["count"].sum() == 8
    intake = result.left_out.filter(pl.col("component") == ROCKER).row(0, named=True)
    assert (intake["parts"], intake["why"]) == (8, "no failure seen yet at those places")
    new = class_of(result, ROCKER, verdict="renewed by this job")
    assert (new["count"], new["positions"]) == (1, "bank 2, cylinder 8, exhaust, no. 1")
    assert new["saving"] is None
    old = result.parts.filter((pl.col("component") == ROCKER) & (pl.col("age") == 100_000))
    assert old["count"].sum() == 7
    assert class_of(result, GASKET)["verdict"] == "renewed by this job"
    # The other bank keeps its covers.
    assert result.elsewhere["count"].sum() == 16
    assert result.elsewhere["positions"].str.starts_with("bank 1").all()


def test_a_part_that_was_renewed_before_has_its_own_age_and_generation(store):
    renewed = class_of(ask(store), LIFTER, generation=2)
    assert (renewed["age"], renewed["count"]) == (60_000, 1)
    assert renewed["positions"] == "bank 2, cylinder 8, exhaust, no. 1"
    others = class_of(ask(store), LIFTER, generation=1)
    assert (others["age"], others["count"]) == (100_000, 15)


def test_what_happened_after_the_job_is_not_known_to_it(records):
    fleet(records)
    vin = opened(records)
    records.order(vin, 1_150, 115_000, apart(ROCKER, bank=2, cylinder=5, side="exhaust", slot=1))
    result = ask(records.build())
    old = result.parts.filter((pl.col("component") == ROCKER) & (pl.col("age") == 100_000))
    assert old["count"].sum() == 7


def test_a_vehicle_is_asked_about_as_its_newest_order_opened_it(store):
    by_vehicle = analyses.replace_together(store, vehicle="U9", horizon=40_000)
    assert by_vehicle.ro_no == "open"
    assert by_vehicle.parts.equals(ask(store).parts)


def test_a_vehicle_as_last_seen_and_a_family_as_built(store):
    now = analyses.replace_together(
        store, vehicle="U9", failed=LIFTER, position={"bank": 2, "cylinder": 5}, horizon=40_000
    )
    assert (now.distance, now.ro_no) == (120_000, None)
    assert class_of(now, LIFTER, generation=2, age=80_000)["count"] == 1
    # Rocker 8 was renewed at 100,000.
    assert class_of(now, ROCKER, generation=2, age=20_000)["count"] == 1
    assert any("was not said" in sentence for sentence in now.summary)
    built = analyses.replace_together(
        store, engine_family="v8", failed=ROCKER, position=EXHAUST_8, odometer=90_000,
        horizon=40_000,
    )  # fmt: skip
    assert built.parts.filter(pl.col("verdict") != "renewed by this job")[
        "age"
    ].unique().to_list() == [90_000]
    assert built.vin is None


def test_months_are_driven_at_the_pace_of_the_vehicle(store):
    """100 miles a day: 12 months are 36,525."""
    result = ask(store, horizon=None, months=12)
    assert result.horizon == pytest.approx(36_525)
    assert "its own pace" in result.horizon_basis


def test_costs_come_from_the_lines_of_the_store(store):
    """Part 40, 0.3 h extra at 100 an hour: 70 now. Own repair 3 h, so opening 2.7 h and 10 h stopped."""
    rocker = ask(store, downtime_cost_per_hour=60).prices.row(
        by_predicate=pl.col("component") == ROCKER, named=True
    )
    # Nobody renewed a rocker beside another part, so all of its own labour counts as extra.
    assert rocker["part_cost"] == 40
    assert "never renewed beside another part" in rocker["basis"]
    gasket = ask(store).prices.row(by_predicate=pl.col("component") == GASKET, named=True)
    assert (gasket["part_cost"], gasket["cost_now"]) == (30, 60)
    given = ask(store, extra_labour={ROCKER: 0.3}, downtime_cost_per_hour=60).prices.row(
        by_predicate=pl.col("component") == ROCKER, named=True
    )
    assert given["cost_now"] == pytest.approx(70)
    assert given["opening"] == pytest.approx(270 + 600)


GIVEN = {
    "part_cost": {ROCKER: 40, LIFTER: 30, GASKET: 30},
    "extra_labour": {ROCKER: 0.3, LIFTER: 0.3, GASKET: 0.3},
    "opening_cost": 900,
    "labour_rate": 100,
    "damage": {ROCKER: 50},
}


def test_the_unit_of_money_changes_no_verdict(store):
    cents = {
        "part_cost": {code: 100 * cost for code, cost in GIVEN["part_cost"].items()},
        "opening_cost": 90_000, "labour_rate": 10_000, "damage": {ROCKER: 5_000},
    }  # fmt: skip
    one, other = ask(store, **GIVEN), ask(store, **(GIVEN | cents))
    assert other.parts["verdict"].to_list() == one.parts["verdict"].to_list()
    assert_series_equal(other.choices["saving"], 100 * one.choices["saving"])
    assert other.saving_interval == pytest.approx(tuple(100 * end for end in one.saving_interval))


def test_dear_openings_and_damage_speak_for_renewing_and_dear_parts_against(store):
    def saving(**changed):
        result = ask(store, **(GIVEN | changed))
        return result.choices.filter(pl.col("choice") == "all alike to what failed")[
            "saving"
        ].item()

    assert (
        saving(opening_cost=5_000)
        > saving()
        > saving(part_cost={**GIVEN["part_cost"], ROCKER: 400})
    )
    assert saving(damage={ROCKER: 800}) > saving()


def test_verdicts_follow_the_limits_and_the_chances_the_horizon(store):
    dear = ask(store, **(GIVEN | {"opening_cost": 50_000}))
    cheap = ask(store, **(GIVEN | {"opening_cost": 0, "damage": {}}))
    old = (pl.col("component") == ROCKER) & (pl.col("age") == 100_000)
    assert "replace now" in dear.parts.filter(old)["verdict"].to_list()
    assert dear.saving > 0
    # Without an opening to save, a part left costs at most what renewing it now does.
    assert set(cheap.parts.filter(old)["verdict"]) <= {"leave"}
    assert cheap.saving == 0
    assert "nothing more costs least" in cheap.summary[0]
    longer = ask(store, horizon=80_000, **GIVEN)
    assert longer.parts.filter(old)["chance"].max() > cheap.parts.filter(old)["chance"].max()
    for row in dear.parts.filter(pl.col("saving").is_not_null()).rows(named=True):
        assert row["lower"] <= row["chance"] <= row["upper"]
        assert row["saving_lower"] <= row["saving"] <= row["saving_upper"]


def test_what_is_renewed_later_is_followed_to_the_end_of_a_long_horizon(store):
    """Rockers of that store wear out within some 250,000 miles: kept for longer, they fail again."""
    kept = {horizon: ask(store, horizon=horizon, **GIVEN) for horizon in (40_000, 300_000, 600_000)}
    nothing = {horizon: result.choices.row(0, named=True) for horizon, result in kept.items()}
    assert nothing[40_000]["chance_again"] < nothing[40_000]["openings"] < 1
    assert nothing[600_000]["openings"] > nothing[300_000]["openings"] + 1 > 2
    assert nothing[600_000]["expected_later"] > 2 * nothing[300_000]["expected_later"]
    for result in kept.values():
        row = result.choices.row(1, named=True)
        assert row["expected_later"] >= 900 * row["openings"]
        whole = result.parts.filter("whole_later")
        words = "renewing what failed, and no more" if whole.is_empty() else "but all at once"
        assert any(words in sentence for sentence in result.summary)
    worn = kept[300_000].parts.filter(pl.col("component") == ROCKER, pl.col("age") == 100_000)
    assert worn["whole_later"].to_list() == [True]
    assert not kept[40_000].parts["whole_later"].any()


def test_thin_data_leave_the_neighbour_out_and_say_so(store):
    result = ask(store)
    assert not result.neighbours["used"].any()
    assert set(result.parts["given"]) == {"age"}
    assert result.parts["chance"].to_list() == pytest.approx(result.parts["plain_chance"].to_list())
    assert result.neighbours["reckoned_with"].to_list() == [1.0] * result.neighbours.height
    assert result.neighbours["why"].str.starts_with("thin").all()
    assert any("too few to tell what a neighbour" in sentence for sentence in result.summary)


def test_failures_after_one_of_a_neighbour_are_named_by_their_orders(store):
    lifter = analyses.replace_together(
        store, vehicle="8" * 17, failed=LIFTER, position={"bank": 2}, horizon=20_000
    )
    seen = lifter.evidence.filter(pl.col("component") == LIFTER).row(0, named=True)
    assert seen["vin"] == "8" * 17
    assert seen["first_ro_no"] != seen["ro_no"]
    assert seen["positions"] == "bank 2, cylinder 7, exhaust, no. 2"


def test_parts_without_a_failure_are_left_out_and_counted(store):
    left = ask(store).left_out
    springs = left.filter(pl.col("component") == "valvetrain.valve-spring").row(0, named=True)
    assert (springs["parts"], springs["why"]) == (16, "no line of the store touched one")


def brakes(records, age=40_000, rule=50_000):
    for number in range(20):
        vin = records.vehicle(f"{number:017d}")
        at = 45_000 + 1_000 * number
        records.order(vin, at // 100, at, failure(PADS, side="left", slot=1), **ORDER)
        records.meter(vin, 1_000, 100_000)
    vin = records.vehicle("9" * 17)
    records.order(
        vin, age // 100, age, failure("wheels.hub-bearing", side="left", slot=1), ro_no="open",
        **ORDER,
    )  # fmt: skip
    records.meter(vin, 900, 90_000)
    store = records.build()
    with store.write() as connection:
        connection.execute(
            "INSERT INTO loaded_service_rule BY NAME SELECT 1 AS load_id, 1 AS file_row, 'v8' AS"
            " engine_family, 'pads' AS task, 'brakes.pads' AS component, $every AS every_distance,"
            " 'maker' AS origin, true AS safety_critical",
            {"every": rule},
        ).fetchall()
    return store


@pytest.mark.parametrize("opening_cost", [0, 900])
def test_a_safety_critical_part_past_its_interval_is_never_left(records, opening_cost):
    result = ask(brakes(records, age=60_000), opening_cost=opening_cost, horizon=1_000)
    pads = class_of(result, PADS)
    assert pads["verdict"] == "replace now"
    assert "maker interval" in pads["note"]
    assert any("never left" in sentence for sentence in result.summary)


def test_a_safety_critical_part_within_its_interval_is_not_left_by_cost_either(records):
    pads = class_of(ask(brakes(records), opening_cost=0, horizon=1_000), PADS)
    assert pads["verdict"] == "by its interval"
    assert "safety-critical" in pads["note"]


@pytest.mark.parametrize(
    ("asked", "says"),
    [
        ({"horizon": None}, "how long"),
        ({"months": 3}, "not both"),
        ({"horizon": -1}, "more than nought"),
        ({"ro_no": "nowhere"}, "no repair order"),
        ({"ro_no": "charge"}, "no failure behind a cover"),
        ({"vehicle": "U9"}, "one of them only"),
        ({"failed": ROCKER}, "leave those out"),
        ({"ro_no": None}, "say which engine"),
        ({"ro_no": None, "engine_family": "v8"}, "which component failed"),
        ({"part_cost": {"brakes.pads": 3}}, "lies not behind this cover"),
        ({"labour_rate": -3}, "0 or more"),
        ({"one_opening_serves": 0}, "above nought"),
        (
            {"ro_no": None, "vehicle": "U9", "failed": ROCKER, "odometer": 90_000},
            "last seen at 120,000",
        ),
        (
            {"ro_no": None, "vehicle": "U9", "failed": ROCKER, "position": {"bank": 3}},
            "no position bank 3",
        ),
        ({"ro_no": None, "vehicle": "U9", "failed": "charging.battery"}, "no cover"),
    ],
)
def test_questions_that_name_no_engine_are_refused(store, asked, says):
    with pytest.raises(InputError, match=says):
        ask(store, **asked)


def test_places_are_said_as_short_as_may_be():
    places = pl.DataFrame(
        {
            "ordinal": range(16),
            "bank": [1] * 8 + [2] * 8,
            "cylinder": [cylinder for cylinder in range(1, 9) for _ in range(2)],
            "side": ["intake", "exhaust"] * 8,
            "slot": [1] * 16,
        }
    )
    assert place_words_of(list(range(16)), places) == "all 16"
    assert place_words_of([9, 11, 13, 15], places) == "bank 2, exhaust"
    assert place_words_of([9, 13], places) == "bank 2, cylinders 5 and 7, exhaust"
    assert place_words_of([9, 11, 13], places) == "bank 2, cylinders 5, 6 and 7, exhaust"
    assert (
        place_words_of([8, 9, 10, 11, 12, 13, 14], places) == "bank 2 but for cylinder 8, exhaust"
    )
    assert place_words_of([0], places.head(1)) == ""
