"""The sample data loads as its maps say; what is held back is what the truth calls spoilt.

The reference is ``truth_rows.parquet``, written beside the files by the simulator.
"""

from pathlib import Path

import polars as pl
import pytest

from fleetlog.intake import ColumnMap, held_rows, load
from fleetlog.store import Store

SAMPLE = Path(__file__).parents[2] / "sample_data"
FILES = (
    ("engine_families.csv", "engine-families", None),
    ("fleet_list.csv", "vehicles", "fleet_list.toml"),
    ("service_rules.csv", "service-rules", None),
    ("fuel_readings.csv", "meters", "fuel_readings.toml"),
    ("repairs_north_yard.csv", "repairs", "north_yard.toml"),
    ("repairs_river_shop.xlsx", "repairs", "river_shop.toml"),
)
FILES_OF_SHOPS = [name for name, kind, _ in FILES if kind == "repairs"]


@pytest.fixture(scope="module")
def loaded(tmp_path_factory):
    path = tmp_path_factory.mktemp("store") / "sample.fleetlog"
    with Store.create(path, distance_unit="mi", currency="USD") as store:
        results = {
            name: load(
                store,
                SAMPLE / name,
                kind=kind,
                columns=ColumnMap.read(SAMPLE / told) if told else None,
            )
            for name, kind, told in FILES
        }
        return results, held_rows(store)


def test_every_row_is_read(loaded):
    results, _ = loaded
    truth = pl.read_json(SAMPLE / "truth.json")
    lines = truth["lines_by_file"].struct.unnest()
    for name in FILES_OF_SHOPS:
        assert results[name].rows_read == lines[name].item()
        assert not results[name].unmatched_columns
    assert results["fleet_list.csv"].rows_kept == truth["vehicles"].item()
    assert results["fuel_readings.csv"].rows_read == truth["meter_readings"].item()
    for name in ("engine_families.csv", "service_rules.csv", "fleet_list.csv"):
        assert results[name].rows_held == 0


def test_only_spoilt_rows_are_held(loaded):
    _, held = loaded
    spoilt = pl.read_parquet(SAMPLE / "truth_rows.parquet")
    reasons = spoilt.filter(
        pl.col("kind").is_in(["unknown_vin", "negative_odometer", "vin_slip"])
    ).select(file_name="file", file_row="file_row")
    never = spoilt.filter(pl.col("kind").is_in(["unknown_vin", "negative_odometer"])).select(
        file_name="file", file_row="file_row"
    )
    rows = held.select("file_name", pl.col("file_row").cast(pl.Int64)).unique()
    assert rows.join(reasons, on=["file_name", "file_row"], how="anti").height == 0
    assert never.join(rows, on=["file_name", "file_row"], how="anti").height == 0


def test_almost_every_line_is_coded(loaded):
    results, _ = loaded
    coded = [results[name].lines_coded for name in FILES_OF_SHOPS]
    lines = sum(sum(counts.values()) for counts in coded)
    assert lines > 300
    assert sum(counts["nothing"] for counts in coded) <= 0.01 * lines
