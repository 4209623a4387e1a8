"""Column maps proposed from headings and cells. The demo's own maps are the truth here."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import polars as pl
import pytest
from conftest import VINS
from hypothesis import given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner

from fleetlog import intake
from fleetlog.cli import app
from fleetlog.errors import InputError
from fleetlog.intake import ColumnMap, Proposal, propose_map
from fleetlog.store import Store

SAMPLE = Path(__file__).parents[2] / "sample_data"


def proposal_with(headings: list[str], shop: str) -> Proposal:
    names = ["vin", "unit_no", "plate", "engine_family"][: len(headings)]
    columns = dict(zip(names, headings, strict=True))
    fields = pl.DataFrame(
        {
            "field": names,
            "heading": headings,
            "confidence": [0.5] * len(names),
            "why": headings,
        },
        schema_overrides={"field": pl.String, "heading": pl.String, "why": pl.String},
    )
    column_map = ColumnMap(columns=columns, kind="vehicles", shop=shop, header_row=2)
    made = datetime(2026, 1, 5)
    return Proposal("a\nb.csv", made, "vehicles", column_map, fields, (), (shop,), (shop,))


@settings(max_examples=40)
@given(
    st.lists(st.text(st.characters(codec="utf-8")), max_size=4),
    st.text(st.characters(codec="utf-8")),
)
def test_any_heading_survives_being_written(
    tmp_path_factory: pytest.TempPathFactory, headings: list[str], shop: str
) -> None:
    proposal = proposal_with(headings, shop)
    path = tmp_path_factory.mktemp("maps") / "map.toml"
    path.write_bytes(proposal.to_toml().encode())
    assert ColumnMap.read(path) == proposal.column_map


def renamed(
    name: str, folder: Path, headings: dict[int, str] | None
) -> tuple[Path, dict[str, str]]:
    """Write a sample file with other headings; return it with new heading -> old heading."""
    frame = pl.read_csv(SAMPLE / name, infer_schema=False)
    new = {
        old: f"F{place + 1}" if headings is None else headings.get(place, old)
        for place, old in enumerate(frame.columns)
    }
    path = folder / name
    frame.rename(new).write_csv(path)
    return path, {heading: old for old, heading in new.items()}


def test_nothing_that_is_proposed_is_wrong_without_headings(tmp_path: Path) -> None:
    path, old = renamed("repairs_north_yard.csv", tmp_path, None)
    truth = {h: f for f, h in ColumnMap.read(SAMPLE / "north_yard.toml").columns.items()}
    proposal = propose_map(path)
    assert proposal.kind == "repairs"
    sure = proposal.fields.filter(pl.col("confidence") > 0.8)
    assert {"vin"} <= set(sure["field"])
    for row in proposal.fields.to_dicts():
        assert truth[old[row["heading"]]] == row["field"]
    assert {"ro_no", "unit_no", "odometer"} <= set(proposal.fields["field"])
    # Which of two columns of days is the opening one is left to a person, and said.
    assert not proposal.can_load
    assert any("opened_on" in question.about for question in proposal.questions)


def test_misspelt_fuel_readings_load_the_rows_of_the_true_map(tmp_path: Path) -> None:
    path, _ = renamed("fuel_readings.csv", tmp_path, {2: "Odomtr"})
    proposal = propose_map(path, distance_unit="mi")
    assert proposal.can_load
    written = tmp_path / "map.toml"
    written.write_text(proposal.to_toml(), encoding="utf-8")
    frames = []
    for file, columns in ((path, written), (SAMPLE / path.name, SAMPLE / "fuel_readings.toml")):
        store = Store.create(tmp_path / f"{len(frames)}.fleetlog", distance_unit="mi")
        intake.load(store, SAMPLE / "engine_families.csv", kind="engine-families")
        fleet = SAMPLE / "fleet_list.csv"
        intake.load(store, fleet, kind="vehicles", columns=SAMPLE / "fleet_list.toml")
        intake.load(store, file, kind="meters", columns=columns)
        query = "SELECT vin, read_on, odometer, source FROM meter_reading ORDER BY ALL"
        frames.append(store.frame(query))
    assert frames[0].height > 0
    assert frames[0].equals(frames[1])


def meters_file(folder: Path, days: list[str]) -> Path:
    rows = [f"{vin},{day},{10_000 + at}" for vin in VINS for at, day in enumerate(days)]
    path = folder / "readings.csv"
    path.write_text("Serial,Date,Odometer\n" + "\n".join(rows) + "\n")
    return path


def test_dates_that_read_both_ways_are_a_question(tmp_path: Path) -> None:
    path = meters_file(tmp_path, ["03/04/2024", "05/06/2024"])
    proposal = propose_map(path, kind="meters")
    assert {question.about for question in proposal.questions} == {"date_order", "distance_unit"}
    assert proposal.column_map.columns["vin"] == "Serial"
    answered = propose_map(path, kind="meters", date_order="dmy", distance_unit="km")
    assert answered.can_load
    assert answered.column_map.date_order == "dmy"


def test_one_clear_date_settles_the_order(tmp_path: Path) -> None:
    path = meters_file(tmp_path, ["03/04/2024", "05/26/2024"])
    assert propose_map(path, kind="meters").column_map.date_order == "mdy"


def test_an_open_question_ends_the_command_with_1_and_a_sentence(tmp_path: Path) -> None:
    path = meters_file(tmp_path, ["03/04/2024"])
    out = tmp_path / "map.toml"
    arguments = ["map-columns", str(path), "--kind", "meters", "--out", str(out)]
    run = CliRunner().invoke(app, arguments)
    assert run.exit_code == 1
    assert "not complete" in run.stderr
    assert '# date_order = ""' in out.read_text()
    answered = [*arguments, "--date-order", "mdy", "--distance-unit", "mi"]
    run = CliRunner().invoke(app, answered)
    assert isinstance(run.exception, InputError)
    assert "is there already" in str(run.exception)
    run = CliRunner().invoke(app, [*answered, "--force"])
    assert run.exit_code == 0
    assert ColumnMap.read(out).distance_unit == "mi"
