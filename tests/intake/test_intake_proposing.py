"""Column maps proposed from headings and cells. The demo's own maps are the truth here."""

from __future__ import annotations

import json
import os
import pty
import subprocess
import sys
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
    # Of two columns of days, the one that is never after the other is the opening one.
    assert {"opened_on", "closed_on"} <= set(proposal.fields["field"])
    assert not proposal.can_load
    assert {q.about for q in proposal.questions if q.needed} >= {"distance_unit", "shop"}


@pytest.mark.slow
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


REPAIRS = (
    "shop,no,{one},{other},vin,odometer,part,action,reason\n"
    + "\n".join(
        f"North Yard,R{at},2024-0{1 + at % 9}-1{at % 5},2024-0{1 + at % 9}-1{at % 5 + at % 3},"
        f"{VINS[at % 4]},{20_000 + 50 * at},Rocker arm,replaced,failed"
        for at in range(40)
    )
    + "\n"
)


@pytest.mark.parametrize(("one", "other"), [("D1", "D2"), ("D2", "D1")])
def test_the_day_that_is_never_later_is_the_opening_one(
    tmp_path: Path, one: str, other: str
) -> None:
    path = tmp_path / "repairs.csv"
    path.write_text(REPAIRS.format(one=one, other=other))
    columns = propose_map(path, kind="repairs", distance_unit="mi").column_map.columns
    assert (columns["opened_on"], columns["closed_on"]) == (one, other)


def test_two_columns_that_fit_alike_are_a_question_with_their_cells(tmp_path: Path) -> None:
    path = tmp_path / "repairs.csv"
    rows = [line.split(",") for line in REPAIRS.format(one="opened_on", other="x").splitlines()]
    # A second column of parts, as good as the first, both under headings that say nothing.
    rows = [[*row[:6], "A" if at == 0 else row[6], *row[7:], "B" if at == 0 else "Camshaft"]
            for at, row in enumerate(rows)]  # fmt: skip
    path.write_text("\n".join(",".join(row) for row in rows) + "\n")
    proposal = propose_map(path, kind="repairs", distance_unit="mi")
    assert "component" not in proposal.column_map.columns
    question = next(q for q in proposal.questions if q.about == "column component")
    assert set(question.choices) == {"A", "B"}
    assert any("Rocker arm" in example for example in question.examples)
    assert any("Camshaft" in example for example in question.examples)
    assert "# component = " in proposal.to_toml()
    answered = proposal.answered(question, "B")
    assert answered.column_map.columns["component"] == "B"
    left_out = proposal.answered(question, "")
    assert "component" not in left_out.column_map.columns
    assert question not in left_out.questions


@pytest.mark.parametrize(("unit", "factor"), [("mi", 1.0), ("km", 1.609344)])
def test_the_readings_of_the_store_settle_the_unit(
    tmp_path: Path, store: Store, unit: str, factor: float
) -> None:
    days = [f"2024-{month:02d}-05" for month in range(1, 13)]
    known = tmp_path / "known.csv"
    rows = [f"{vin},{day},{30_000 + 900 * at}" for vin in VINS for at, day in enumerate(days)]
    known.write_text("vin,date,odometer\n" + "\n".join(rows) + "\n")
    intake.load(store, known, kind="meters", columns=ColumnMap(distance_unit="mi"))
    asked = tmp_path / "asked.csv"
    rows = [
        f"{vin},{day[:-2]}20,{(30_450 + 900 * at) * factor:.0f}"
        for vin in VINS
        for at, day in enumerate(days)
    ]
    asked.write_text("vin,date,odometer\n" + "\n".join(rows) + "\n")
    assert not propose_map(asked, kind="meters").can_load
    proposal = propose_map(asked, kind="meters", store=store)
    assert proposal.can_load
    assert proposal.column_map.distance_unit == unit


@pytest.mark.parametrize(
    ("name", "kind"),
    [
        ("engine_families.csv", "engine-families"),
        ("fleet_list.csv", "vehicles"),
        ("fuel_readings.csv", "meters"),
        ("service_rules.csv", "service-rules"),
    ],
)
def test_without_headings_the_kind_is_found_or_asked(tmp_path: Path, name: str, kind: str) -> None:
    path, _ = renamed(name, tmp_path, None)
    proposal = propose_map(path)
    asked = [q.choices for q in proposal.questions if q.about == "kind"]
    assert proposal.kind == kind
    assert proposal.column_map.kind == (None if asked else kind)
    assert all(kind in choices for choices in asked)


@pytest.mark.slow
def test_a_terminal_is_asked_until_the_map_is_whole(tmp_path: Path) -> None:
    path = meters_file(tmp_path, ["03/04/2024", "05/06/2024"])
    out = tmp_path / "map.toml"
    ours, theirs = pty.openpty()
    command = [sys.executable, "-m", "fleetlog", "map-columns", str(path), "--kind", "meters",
               "--out", str(out)]  # fmt: skip
    with subprocess.Popen(command, stdin=theirs, stdout=subprocess.PIPE, text=True) as running:
        os.write(ours, b"sometimes\ndmy\nkm\n")
        said, _ = running.communicate(timeout=120)
    os.close(ours)
    os.close(theirs)
    assert running.returncode == 0
    assert said.count("date_order") >= 2, said
    written = ColumnMap.read(out)
    assert (written.date_order, written.distance_unit) == ("dmy", "km")


def test_machines_get_the_proposal_as_json(tmp_path: Path) -> None:
    path = meters_file(tmp_path, ["2024-03-04", "2024-05-06"])
    run = CliRunner().invoke(app, ["map-columns", str(path), "--distance-unit", "mi", "--json"])
    assert run.exit_code == 0
    said = json.loads(run.stdout)
    assert said["kind"] == "meters"
    assert {row["field"] for row in said["fields"]} == {"vin", "read_on", "odometer"}


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "columns"),
    [
        ("engine_families.csv", None),
        ("fleet_list.csv", "fleet_list.toml"),
        ("fuel_readings.csv", "fuel_readings.toml"),
        ("service_rules.csv", None),
        ("repairs_north_yard.csv", "north_yard.toml"),
        ("repairs_river_shop.xlsx", "river_shop.toml"),
    ],
)
def test_nothing_that_is_proposed_for_the_samples_is_wrong(name: str, columns: str | None) -> None:
    proposal = propose_map(SAMPLE / name, distance_unit="mi", shop="The shop", date_order="dmy")
    given = ColumnMap() if columns is None else ColumnMap.read(SAMPLE / columns)
    truth = given.columns or {field: field for field in proposal.column_map.columns}
    for field, heading in proposal.column_map.columns.items():
        assert truth[field] == heading
    assert len(proposal.column_map.columns) >= 0.85 * len(truth)
    assert proposal.can_load
