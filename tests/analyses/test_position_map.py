"""The position map by hand on a few engines: who counts, what is expected, where it is drawn."""

import json

import numpy as np
import polars as pl
import pytest
from scipy.stats import chisquare
from typer.testing import CliRunner

from fleetlog import analyses
from fleetlog.analyses.engine_drawing import drawing_grid, view_in_words
from fleetlog.catalogue import EngineFamily, load_catalogue, position_frame
from fleetlog.cli import app
from fleetlog.errors import InputError

ROCKER = "valvetrain.rocker-arm"
COIL = "ignition.coil"


def fleet(records, failures, vehicles=8, last=100_000, component=COIL):
    """Engines of eight coils, all seen to ``last``; ``failures``: (vehicle, miles, place)."""
    for number in range(vehicles):
        vin = records.vehicle(f"{number:017d}", unit_no=f"U{number}")
        for index, miles, place in failures:
            if index == number:
                records.order(vin, miles // 100, miles, {"component": component} | place)
        records.meter(vin, last // 100, last)
    return records.build()


def test_expected_failures_are_those_of_equal_ages(records):
    """First failure: 64 coils as built at risk, 8 at each place. Second: cylinder 5 has 7 left."""
    store = fleet(records, [(0, 40_000, {"cylinder": 5}), (1, 60_000, {"cylinder": 5}),
                            (2, 60_000, {"cylinder": 1})])  # fmt: skip
    result = analyses.position_map(store, COIL)
    by_hand = [8 / 64 + 2 * 8 / 63] * 4 + [8 / 64 + 2 * 7 / 63] + [8 / 64 + 2 * 8 / 63] * 3
    assert result.positions["expected"].to_list() == pytest.approx(by_hand)
    assert result.positions["failures"].to_list() == [1, 0, 0, 0, 2, 0, 0, 0]
    # Renewed coils are watched too: no miles are lost.
    assert result.positions["exposure"].to_list() == pytest.approx([800_000] * 8)
    assert result.positions["rate"][4] == pytest.approx(2 / 8)
    assert result.failures == 3
    assert result.failed_vehicles == 3


def test_pearsons_test_is_the_special_case_of_failures_one_by_one(records):
    """Pearson 1900, by SciPy: exposures are equal, and one age at failure leaves them so."""
    places = [1, 1, 1, 1, 2, 3, 5]
    store = fleet(records, [(i, 50_000, {"cylinder": place}) for i, place in enumerate(places)])
    test = analyses.position_map(store, COIL).tests.row(-1, named=True)
    observed = np.bincount(places, minlength=9)[1:]
    theirs = chisquare(observed, np.full(8, len(places) / 8))
    assert test["factor"] == "all places"
    assert test["chi_squared"] == pytest.approx(theirs.statistic)
    assert test["p_value_one_by_one"] == pytest.approx(theirs.pvalue)


def test_failures_of_one_engine_do_not_make_a_bad_bank(records):
    """One engine loses the four coils of bank 2: by Pearson a bad bank, by vehicles no evidence."""
    store = fleet(records, [(0, 50_000, {"cylinder": c}) for c in (5, 6, 7, 8)] +
                  [(1, 70_000, {"cylinder": 5})])  # fmt: skip
    result = analyses.position_map(store, COIL)
    bank = result.tests.filter(pl.col("factor") == "bank").row(0, named=True)
    assert bank["p_value_one_by_one"] < 0.05 < bank["p_value"]
    assert (result.positions["finding"] == "no clear difference").all()
    assert result.summary[0].startswith("No sign that the places differ")


def test_a_failure_without_a_place_is_kept_off_the_map_and_told(records):
    store = fleet(
        records, [(0, 50_000, {"cylinder": 5}), (1, 60_000, {}), (2, 60_000, {"cylinder": 5})]
    )
    result = analyses.position_map(store, COIL)
    assert (result.failures, result.failures_assumed) == (2, 1)
    assert result.positions["failures"].sum() == 2
    assert result.positions["failures_assumed"].sum() == 1
    assert any("33 % of all) named no place" in line for line in result.summary)
    assert result.evidence["position_assumed"].sum() == 1
    assert result.left_out["count"][0] == 1


def test_the_orders_stand_behind_the_map(records):
    store = fleet(records, [(0, 40_000, {"cylinder": 5, "failure_mode": "open-circuit"})])
    row = analyses.position_map(store, COIL).evidence.row(0, named=True)
    command = ["position-map", COIL, "--store", str(store.path)]
    printed = CliRunner().invoke(app, command).stdout
    for words in ("1 failure at told places", "Do they fail alike?", "cylinder 5"):
        assert words in printed
    assert json.loads(CliRunner().invoke(app, [*command, "--json"]).stdout)["rows"] == 2
    assert row["unit_no"] == "U0"
    assert (row["shop"], row["ro_no"]) == ("North Yard", "1")
    assert row["age"] == 40_000
    assert row["position"] == "bank 2, cylinder 5"


def test_no_failure_says_so(records):
    result = analyses.position_map(fleet(records, []), COIL)
    assert "nothing can be said" in result.summary[0]
    assert (result.positions["rate_upper"] > 0).all()


def test_what_cannot_be_asked_is_said(records):
    store = fleet(records, [])
    for component, options, says in (
        ("charging.alternator", {}, "one place"),
        (COIL, {"engine_family": "d6"}, "'d6' does not carry it"),
        (COIL, {"clock": "hours"}, "not known"),
        ("ignition.coyl", {}, "did you mean"),
        (COIL, {"generation": "later"}, "no life is left"),
    ):
        with pytest.raises(InputError, match=says):
            analyses.position_map(store, component, **options)


def family(code, banks, intake=2, exhaust=2, camshafts=2):
    return EngineFamily(
        code=code, title=code, cylinders=len(banks), banks=max(banks), cylinder_banks=banks,
        intake_valves=intake, exhaust_valves=exhaust, camshafts_per_bank=camshafts,
        camshaft_location="head" if camshafts else "block", fuel="petrol", displacement_l=None,
    )  # fmt: skip


FAMILIES = (
    family("v8", (1, 1, 1, 1, 2, 2, 2, 2)),
    family("v6-block", (1, 2, 1, 2, 1, 2), 1, 1, 0),
    family("i4-three-valves", (1, 1, 1, 1), 2, 1, 1),
    family("i5-five-valves", (1,) * 5, 3, 2),
    family("v2", (1, 2), 1, 1, 1),
)


@pytest.mark.parametrize("engine", FAMILIES, ids=lambda engine: engine.code)
def test_every_place_of_every_part_has_a_cell_of_its_own(engine):
    places = position_frame(load_catalogue(), [engine])
    for (_,), own in places.group_by("component"):
        grid = drawing_grid(own, engine.cylinder_banks)
        cells = [
            (row, column)
            for row, first, span in grid.select("row", "column", "column_span").rows()
            for column in range(first, first + span)
        ]
        assert len(cells) == len(set(cells))
        assert grid["row"].min() == grid["column"].min() == 1
        assert grid.select("row_title", "label").is_duplicated().any() is False
        assert view_in_words(own)


def test_a_v_engine_is_drawn_with_the_intake_sides_in_the_middle():
    places = position_frame(load_catalogue(), [FAMILIES[0]]).filter(component=ROCKER)
    grid = drawing_grid(places, FAMILIES[0].cylinder_banks).join(places, on="ordinal")
    titles = grid.select("row", "row_title").unique().sort("row")["row_title"].to_list()
    assert titles == [
        "bank 1, exhaust", "bank 1, intake", "bank 2, intake", "bank 2, exhaust",
    ]  # fmt: skip
    last = grid.filter(cylinder=8, side="exhaust", slot=2).row(0, named=True)
    assert (last["row"], last["column"], last["label"]) == (4, 8, "cylinder 8, no. 2")


def test_cylinders_of_both_banks_are_numbered_from_the_front():
    engine = FAMILIES[1]
    places = position_frame(load_catalogue(), [engine]).filter(component=COIL)
    grid = drawing_grid(places, engine.cylinder_banks)
    assert grid["row"].to_list() == [1, 2, 1, 2, 1, 2]
    assert grid["column"].to_list() == [1, 1, 2, 2, 3, 3]
