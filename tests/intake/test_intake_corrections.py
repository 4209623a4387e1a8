"""Held rows go out to a workbook and come back corrected."""

import zipfile
from pathlib import Path

import fastexcel
import polars as pl
import pytest
import xlsxwriter
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fleetlog import intake
from fleetlog.errors import InputError


def sheet_of(path: Path, name: str | int = 0) -> pl.DataFrame:
    """Read an exported sheet: keys as column names, rows below the headings."""
    cells = (
        fastexcel.read_excel(path).load_sheet(name, header_row=None, dtypes="string").to_polars()
    )
    keys = cells.row(0)
    return cells.rename(dict(zip(cells.columns, keys, strict=True))).slice(3)


def write_back(path: Path, out: Path, changes: dict[tuple[str, str], str | None]) -> Path:
    """Write an exported workbook again with some cells changed: (row, key) -> text."""
    cells = fastexcel.read_excel(path).load_sheet(0, header_row=None, dtypes="string").to_polars()
    rows = [list(row) for row in cells.rows()]
    keys = list(rows[0])
    for row in rows[3:]:
        for (number, key), text in changes.items():
            if row[keys.index("row")] == number:
                row[keys.index(key)] = text
    with xlsxwriter.Workbook(out) as book:
        sheet = book.add_worksheet("any name")
        for place, row in enumerate(rows):
            for column, text in enumerate(row):
                if text is not None:
                    sheet.write_string(place, column, text)
    return out


@pytest.fixture
def held(store, load_rows, row, tmp_path):
    """Three rows, two of them held: a day that is none, and a reading that is no number."""
    result = load_rows(
        [
            row(),
            row(ro_no="N2", opened_on="2021-02-30"),
            row(ro_no="N3", odometer="=1+1", complaint='=HYPERLINK("http://x","y")'),
        ]
    )
    assert result.rows_held == 2
    out = tmp_path / "held.xlsx"
    assert intake.export_held(store, out) == 2
    return out


def test_what_is_wrong_stands_beside_the_cell(held):
    sheet = sheet_of(held)
    wrong = {key: sheet[key].to_list() for key in sheet.columns if key.startswith("p")}
    beside = {key: texts for key, texts in wrong.items() if key != "place"}
    assert len(beside) == 2
    texts = [text for column in beside.values() for text in column if text]
    assert any("not a day of the calendar" in text for text in texts)
    assert any("not a number" in text and "correct it" in text for text in texts)
    for key in beside:
        assert sheet.columns[sheet.columns.index(key) - 1] == "c" + key[1:]


def test_no_cell_of_the_export_is_a_formula_or_a_link(held):
    with zipfile.ZipFile(held) as book:
        sheets = [
            book.read(name).decode() for name in book.namelist() if "worksheets/sheet" in name
        ]
    assert sheets
    assert not any("<f>" in text or "<f " in text or "hyperlink" in text for text in sheets)
    assert "=1+1" in sheet_of(held)["c4"].to_list()


def test_corrected_rows_come_in_and_leave_their_history(store, held, tmp_path):
    fixed = write_back(held, tmp_path / "fixed.xlsx", {("3", "c3"): "2021-02-28"})
    (result,) = intake.load_corrections(store, fixed, corrected_by="Ann")
    assert (result.rows_read, result.rows_kept, result.rows_held) == (2, 1, 1)
    assert set(store.frame("SELECT ro_no FROM repair_order")["ro_no"]) == {"N1", "N2"}
    history = intake.corrections(store)
    assert history.select("file_row", "column", "was", "became", "corrected_by").rows() == [
        (3, "opened_on", "2021-02-30", "2021-02-28", "Ann")
    ]
    still = intake.held_rows(store)
    assert still["file_row"].to_list() == [4]
    assert still["load_id"].to_list() == [result.load_id]


def test_the_same_corrections_again_bring_nothing(store, held, tmp_path, state, differing):
    fixed = write_back(
        held, tmp_path / "fixed.xlsx", {("3", "c3"): "2021-02-28", ("4", "c4"): "90000"}
    )
    intake.load_corrections(store, fixed)
    before = state(store)
    (again,) = intake.load_corrections(store, fixed)
    assert again.already_loaded
    assert differing(before, state(store)) == []
    assert intake.held_rows(store).is_empty()


def test_unchanged_rows_are_tried_and_nothing_is_noted_when_they_fail(
    store, held, state, differing
):
    before = state(store)
    (result,) = intake.load_corrections(store, held)
    assert result.already_loaded
    assert result.rows_held == 2
    assert differing(before, state(store)) == []


def test_undoing_the_corrections_holds_the_rows_again(store, held, tmp_path, state, differing):
    before = state(store)
    fixed = write_back(held, tmp_path / "fixed.xlsx", {("3", "c3"): "2021-02-28"})
    (result,) = intake.load_corrections(store, fixed)
    intake.undo_load(store, result.load_id)
    assert differing(before, state(store)) == []


def test_rows_held_for_a_missing_vehicle_come_in_when_it_is_there(
    store, load_rows, row, tmp_path, vins
):
    from fleetlog.vin import check_digit

    stem = "GZ7VAPE10FF000777"
    late = stem[:8] + check_digit(stem) + stem[9:]
    result = load_rows([row(vin=late)])
    assert result.rows_held == 1
    fleet = tmp_path / "late.csv"
    fleet.write_text(f"vin,engine_family,in_service_on\n{late},V8,2015-03-01\n")
    intake.load(store, fleet, kind="vehicles")
    retried = intake.retry_held(store, result.load_id)
    assert (retried.rows_kept, retried.rows_held) == (1, 0)
    assert intake.held_rows(store).is_empty()
    assert intake.corrections(store).is_empty()


def test_a_line_that_could_not_be_split_can_be_filled_in(store, tmp_path, vins):
    path = tmp_path / "r.csv"
    path.write_text(
        "shop,ro_no,vin,opened_on,component\n"
        f"N,1,{vins[0]},2020-01-02,Lifter\n"
        f"N,2,{vins[0]},2020-01-03,Lifter,and more,\n"
    )
    intake.load(store, path, kind="repairs")
    out = tmp_path / "held.xlsx"
    intake.export_held(store, out)
    assert "and more" in sheet_of(out)["place"][0]
    filled = {"c0": "N", "c1": "2", "c2": vins[0], "c3": "2020-01-03", "c4": "Lifter"}
    fixed = write_back(
        out, tmp_path / "fixed.xlsx", {("3", key): text for key, text in filled.items()}
    )
    (result,) = intake.load_corrections(store, fixed)
    assert (result.rows_kept, result.rows_held) == (1, 0)


def test_files_that_are_no_export_are_refused(store, held, tmp_path):
    other = tmp_path / "other.xlsx"
    with xlsxwriter.Workbook(other) as book:
        book.add_worksheet().write_string(0, 0, "hello")
    with pytest.raises(InputError, match="does not say which cell is which"):
        intake.load_corrections(store, other)
    (tmp_path / "text.xlsx").write_text("no workbook")
    with pytest.raises(InputError, match="cannot be read as a workbook"):
        intake.load_corrections(store, tmp_path / "text.xlsx")
    with pytest.raises(InputError, match="does not exist"):
        intake.load_corrections(store, tmp_path / "none.xlsx")
    strange = write_back(held, tmp_path / "strange.xlsx", {("3", "row"): "99"})
    with pytest.raises(InputError, match="row 99 of load 3 was never held"):
        intake.load_corrections(store, strange)
    numberless = write_back(held, tmp_path / "numberless.xlsx", {("3", "row"): "x"})
    with pytest.raises(InputError, match="row 4: the load and row numbers"):
        intake.load_corrections(store, numberless)
    twice = write_back(held, tmp_path / "twice.xlsx", {("3", "row"): "4"})
    with pytest.raises(InputError, match="there twice"):
        intake.load_corrections(store, twice)


def test_nothing_held_is_said(store, tmp_path):
    with pytest.raises(InputError, match="no row is held"):
        intake.export_held(store, tmp_path / "held.xlsx")


@settings(max_examples=3, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    texts=st.lists(
        st.text(
            st.characters(codec="utf-8", exclude_categories=["Cc", "Cs", "Cn"]),
            min_size=1,
            max_size=30,
        ).filter(lambda text: text.strip()),
        min_size=20,
        max_size=20,
    )
)
def test_any_text_survives_the_way_out_and_back(store, load_rows, row, tmp_path, texts):
    """What is written into the workbook is what was in the file, whatever it looks like."""
    rows = [
        row(ro_no=f"N{at}", opened_on="no day", complaint=text) for at, text in enumerate(texts)
    ]
    result = load_rows(rows, name="any.csv")
    assert result.rows_held == len(texts)
    out = tmp_path / "held.xlsx"
    intake.export_held(store, out, load_id=result.load_id)
    (again,) = intake.load_corrections(store, out)
    assert again.already_loaded, "a cell came back changed"
    intake.undo_load(store, result.load_id)


def test_who_did_a_job_is_left_out_of_the_workbook_and_comes_back_as_it_was_written(
    store, load_rows, row, tmp_path
):
    first = load_rows(
        [
            row(),
            row(ro_no="N2", opened_on="2021-02-30", technician="Ozolbrand"),
            row(ro_no="N3", opened_on="2021-02-31", technician="Ozolbrand"),
        ]
    )
    out, back = tmp_path / "held.xlsx", tmp_path / "back.xlsx"
    intake.export_held(store, out)
    with zipfile.ZipFile(out) as book:
        assert not any(b"Ozolbrand" in book.read(name) for name in book.namelist())
    assert "Ozolbrand" not in str(intake.held_rows(store).to_dicts())
    opened_on = f"c{list(row()).index('opened_on')}"
    write_back(out, back, {("3", opened_on): "2021-02-28", ("4", opened_on): "2021-02-28"})
    (result,) = intake.load_corrections(store, back)
    assert (first.rows_held, result.rows_kept) == (2, 2)
    orders = store.frame("SELECT ro_no, technician FROM repair_order ORDER BY ro_no")
    assert orders.rows() == [("N1", None), ("N2", "Ozolbrand"), ("N3", "Ozolbrand")]
    assert set(intake.corrections(store)["column"]) == {"opened_on"}


def test_a_store_that_shows_who_did_a_job_hands_the_name_out_to_be_corrected(
    store, load_rows, row, tmp_path
):
    store.name_technicians(named=True)
    load_rows([row(ro_no="N2", opened_on="2021-02-30", technician="Ozolbrant")])
    out, back = tmp_path / "held.xlsx", tmp_path / "back.xlsx"
    intake.export_held(store, out)
    assert "Ozolbrant" in str(intake.held_rows(store).to_dicts())
    keys = list(row(technician=None))
    write_back(
        out, back,
        {("2", f"c{keys.index('opened_on')}"): "2021-02-28",
         ("2", f"c{keys.index('technician')}"): "Ozolbrand"},
    )  # fmt: skip
    intake.load_corrections(store, back)
    assert store.frame("SELECT technician FROM repair_order").item() == "Ozolbrand"
    told = intake.corrections(store).filter(column="technician").row(0, named=True)
    assert (told["was"], told["became"]) == ("Ozolbrant", "Ozolbrand")
    store.name_technicians(named=False)
    told = intake.corrections(store).filter(column="technician").row(0, named=True)
    assert (told["was"], told["became"]) == ("(not shown)", "(not shown)")
