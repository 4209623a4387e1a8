"""Part life by hand on a few vehicles: who counts, who is left out, what is said."""

import pytest

from fleetlog import analyses
from fleetlog.errors import InputError

ROCKER = "valvetrain.rocker-arm"
ALTERNATOR = "charging.alternator"


def small_fleet(records, failures=(30_000, 50_000, 70_000), last=100_000):
    """One alternator a vehicle; those of ``failures`` fail at that mileage, five more do not."""
    for number, miles in enumerate((*failures, *[None] * 5)):
        vin = records.vehicle(
            f"{number:017d}", unit_no=f"U{number}", depot="east" if number % 2 else "west"
        )
        if miles:
            records.order(vin, miles // 100, miles, {"component": ALTERNATOR, "failure_mode": "worn"},
                          labour_cost=100, parts_cost=300, downtime_h=5)  # fmt: skip
        records.meter(vin, last // 100, last)
    return records.build()


def test_the_curve_is_the_product_limit_done_by_hand(records):
    result = analyses.part_life(small_fleet(records), ALTERNATOR, generation="first")
    falls = result.curves.filter(result.curves["events"] > 0)
    assert falls.select("time", "at_risk").rows() == [(30_000, 8), (50_000, 7), (70_000, 6)]
    assert falls["estimate"].to_list() == pytest.approx([7 / 8, 6 / 8, 5 / 8])
    assert result.groups.select("lives", "failures", "still_fitted", "b10").rows() == [
        (8, 3, 5, 30_000)
    ]


def test_replacements_are_lives_of_their_own(records):
    result = analyses.part_life(small_fleet(records), ALTERNATOR, by=("generation",))
    assert result.groups.select("group", "lives", "failures").rows() == [
        ("generation 1", 8, 3),
        ("generation 2", 3, 0),
    ]


def test_what_was_left_out_is_counted(records):
    store = small_fleet(records, last=70_000)
    result = analyses.part_life(store, ALTERNATOR, generation="later")
    counts = dict(result.left_out.rows())
    assert counts["not of the generation asked for (later)"] == 8
    assert counts["no follow-up: fitted and last seen at the same age"] == 1
    assert result.groups["lives"].sum() == 2


def test_a_thin_sample_says_so(records):
    result = analyses.part_life(small_fleet(records), ALTERNATOR)
    assert "thin: only 3 failures" in result.groups["note"][0]


def test_one_vehicle_has_an_estimate_and_no_limits(records):
    vin = records.vehicle()
    records.order(vin, 300, 30_000, {"component": ALTERNATOR, "failure_mode": "worn"})
    records.meter(vin, 1000, 100_000)
    result = analyses.part_life(records.build(), ALTERNATOR)
    assert result.groups.select("vehicles", "failures").rows() == [(1, 1)]
    assert result.curves["estimate"].to_list()[0] == 0.5
    assert result.curves["lower"].null_count() == result.curves.height
    assert "one vehicle only" in result.groups["note"][0]


def test_no_failure_is_an_answer(records):
    result = analyses.part_life(small_fleet(records, failures=()), ALTERNATOR)
    assert "None has failed yet" in " ".join(result.summary)
    assert result.groups.select("b10", "shape").rows() == [(None, None)]


def test_the_evidence_names_the_orders(records):
    result = analyses.part_life(small_fleet(records), ALTERNATOR)
    assert sorted(result.evidence.select("unit_no", "ro_no", "age").rows()) == [
        ("U0", "1", 30_000), ("U1", "2", 50_000), ("U2", "3", 70_000),
    ]  # fmt: skip


def test_conditions_narrow_the_lives(records):
    store = small_fleet(records)
    east = analyses.part_life(store, ALTERNATOR, where={"depot": "east"})
    assert east.groups["vehicles"].to_list() == [4]
    with pytest.raises(InputError, match="east and west"):
        analyses.part_life(store, ALTERNATOR, where={"depot": "north"})


def test_position_splits_and_conditions_agree(records):
    vin = records.vehicle()
    records.order(vin, 100, 40_000, {"component": ROCKER, "bank": 2, "side": "exhaust", "qty": 3})
    records.meter(vin, 300, 90_000)
    store = records.build()
    split = analyses.part_life(store, ROCKER, by=("bank", "side")).groups
    one = analyses.part_life(store, ROCKER, where={"bank": 2, "side": "exhaust"}).groups
    worn = split.filter(split["group"] == "bank 2 / exhaust")
    assert (
        worn.select("lives", "failures").rows()
        == one.select("lives", "failures").rows()
        == [(11, 3)]
    )
    assert worn["position_assumed_share"].to_list() == [1.0]


@pytest.mark.parametrize(
    ("question", "words"),
    [
        ({"component": "valvetrain.rocker-arms"}, "did you mean valvetrain.rocker-arm"),
        ({"by": ("colour",)}, "colour"),
        ({"clock": "moons"}, "moons"),
        ({"generation": "third"}, "third"),
        ({"engine_family": "no-such"}, "no-such"),
    ],
)
def test_a_question_that_makes_no_sense_is_refused_with_a_hint(records, question, words):
    store = small_fleet(records)
    with pytest.raises(InputError, match=words):
        analyses.part_life(store, **({"component": ALTERNATOR} | question))


def test_costs_come_from_the_orders(records):
    result = analyses.best_interval(small_fleet(records), ALTERNATOR, downtime_cost_per_hour=10)
    assert (result.cost_failure, result.cost_planned) == (450, 400)
    assert "median of 3 orders" in result.cost_basis


def test_a_cost_of_nothing_is_refused(records):
    with pytest.raises(InputError, match="above nought"):
        analyses.best_interval(small_fleet(records), ALTERNATOR, cost_planned=0)


def test_a_safety_critical_part_is_never_run_to_failure(records):
    for number in range(6):
        vin = records.vehicle(f"{number:017d}")
        records.order(vin, 100 + number, 20_000 + 7 * number, {"component": "brakes.pads", "side": "left", "slot": 1},
                      labour_cost=50, parts_cost=50)  # fmt: skip
        records.meter(vin, 400, 60_000)
    store = records.build()
    with store.write() as connection:
        connection.execute(
            "INSERT INTO loaded_service_rule VALUES"
            " (1, 1, NULL, 'v8', 'pads', 'brakes.pads', 15000, NULL, NULL, 'maker', true)"
        ).fetchall()
    result = analyses.best_interval(store, "brakes.pads", cost_planned=1_000, cost_failure=1_001)
    assert result.safety_critical
    assert result.age is None or result.age > 15_000
    assert result.advised == 15_000
    assert "never run to failure" in " ".join(result.summary)
