"""What the records leave unsaid is counted, and what to mend first is named."""

from datetime import date

import polars as pl
import pytest

from fleetlog import analyses
from fleetlog.analyses.quality import MISSING
from fleetlog.store import Store

LIFTER = {"component": "valvetrain.lifter", "bank": 1, "cylinder": 1, "side": "intake", "slot": 1}


def uncoded(**facts):
    return {
        "component": None, "coded_from": "nothing", "coding_confidence": 0.0,
        "description": "some thing", "reason": "unknown", "action": "replaced",
    } | facts  # fmt: skip


@pytest.fixture
def shop(records):
    """Ten known renewals of which four failed; three lines nobody could tell; one unsaid reason."""
    vin = records.vehicle()
    for place in range(10):
        reason = "failed" if place < 4 else "planned"
        mode = "worn" if reason == "failed" else None
        records.order(
            vin, 100 * (place + 1), 5_000 * (place + 1),
            {**LIFTER, "cylinder": 1 + place % 4, "reason": reason, "failure_mode": mode},
        )  # fmt: skip
    records.order(vin, 1_100, 55_000, uncoded(), uncoded(), uncoded())
    records.order(vin, 1_200, 60_000, {**LIFTER, "reason": "unknown"})
    records.order(vin, 1_300, None, {**LIFTER, "action": None, "reason": "unknown"})
    return records.build()


def test_lines_nobody_could_tell_hide_failures_at_the_rate_of_the_others(shop):
    found = analyses.quality(shop).fix_first
    told = found.row(
        by_predicate=pl.col("what") == "lines whose part nobody could tell", named=True
    )
    assert told["rows"] == 3
    assert told["gain"] == MISSING
    assert told["failures"] == pytest.approx(3 * 4 / 10)
    # Wilson limits of 4 in 10 by the textbook formula, z = 1.959964.
    assert told["lower"] == pytest.approx(3 * 0.16818, abs=1e-4)
    assert told["upper"] == pytest.approx(3 * 0.68733, abs=1e-4)
    assert told["examples"] == "11"
    assert "review" in told["do"]


def test_reasons_and_actions_left_unsaid_are_counted(shop):
    found = analyses.quality(shop).fix_first
    counts = dict(found.select("what", "rows").rows())
    assert counts["renewals without a reason"] == 1
    assert counts["lines that do not say what was done"] == 1
    order = found["gain"].to_list()
    assert order == sorted(order, key=lambda gain: gain != MISSING)


def test_completeness_counts_each_field_of_each_shop(shop):
    found = analyses.quality(shop).completeness
    by_field = {row["field"]: row for row in found.to_dicts()}
    assert (by_field["odometer"]["filled"], by_field["odometer"]["rows"]) == (12, 13)
    assert (by_field["component"]["filled"], by_field["component"]["rows"]) == (12, 15)
    assert (by_field["failure_mode"]["filled"], by_field["failure_mode"]["rows"]) == (4, 4)
    assert (by_field["reason"]["filled"], by_field["reason"]["rows"]) == (10, 15)
    assert (found["lower"] <= found["share"] + 1e-12).all()
    assert (found["share"] <= found["upper"] + 1e-12).all()


def test_coding_by_shop(shop):
    (row,) = analyses.quality(shop).coding.to_dicts()
    assert (row["lines"], row["from_columns"], row["kept_as_text"]) == (15, 12, 3)
    assert row["share"] == pytest.approx(12 / 15)


def test_an_empty_store_says_so(tmp_path):
    result = analyses.quality(Store.create(tmp_path / "empty.fleetlog"))
    assert result.summary == ("There are no repair lines yet: load some first.",)
    assert result.fix_first.is_empty()


def test_a_shop_that_stops_writing_odometers_is_told_and_a_steady_one_is_not(records):
    vins = [records.vehicle(f"{place:017d}") for place in range(4)]
    for place in range(400):
        day = 4 * place
        lately = day > 1_450
        records.order(
            vins[place % 4], day, None if lately and place % 2 else 40 * day + 100, dict(LIFTER),
            shop="Careless",
        )  # fmt: skip
        records.order(
            vins[place % 4], day + 1, 40 * day + 150, {**LIFTER, "cylinder": 2}, shop="Steady"
        )
    result = analyses.quality(records.build())
    notes = {(row["shop"], row["measure"]): row["note"] for row in result.drift.to_dicts()}
    assert notes["Careless", "orders with an odometer"] == "worse lately"
    assert notes["Steady", "orders with an odometer"] == "no change beyond chance"
    assert any("Worse lately: Careless" in sentence for sentence in result.summary)


def test_few_orders_are_no_trend(records):
    vin = records.vehicle()
    for place in range(8):
        records.order(vin, 200 * place, 1_000 * place + 10, dict(LIFTER))
    notes = analyses.quality(records.build()).drift["note"].unique().to_list()
    assert notes == ["too few orders to tell"]


def test_planted_dirt_is_counted(demo):
    """By the demo fleet's own record of what it spoilt."""
    result = analyses.quality(demo.store)
    told = result.vehicles.filter(pl.col("how") == "VIN mended")["rows"].sum()
    mended = demo.store.frame(
        "SELECT l.file_name AS file, n.file_row, n.became FROM row_note n JOIN load l USING (load_id)"
        " WHERE starts_with(n.why, 'mended')"
    )
    assert told == mended.height > 100
    rows = pl.read_parquet(demo.folder / "truth_rows.parquet").unique(["file", "file_row"])
    known = mended.join(rows, on=["file", "file_row"])
    assert known.height == mended.height
    assert (known["became"] == known["true_vin"]).all()
    assert (known["vin"] != known["true_vin"]).all()
    odometer = result.completeness.filter(pl.col("field") == "odometer")
    assert (odometer["rows"] - odometer["filled"]).sum() > 50
    assert result.failures["position_assumed"].sum() > 0
    assert result.quarters["quarter"].min() >= date(2010, 1, 1)
