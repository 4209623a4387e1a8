"""Whatever a shop can export: sheets, JSON, encodings, folders."""

import json
import os
from datetime import date, datetime

import polars as pl
import pytest
import xlsxwriter
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fleetlog import intake
from fleetlog.errors import InputError
from fleetlog.intake.columns import ColumnMap
from fleetlog.intake.reading import read_file
from fleetlog.intake.staging import staging_beside


def raw_of(path, kind="repairs", column_map=None):
    """Read a file and return its headings and its cells as they are checked."""
    with (
        staging_beside(path.with_name("none.fleetlog"), file_name=path.name) as staging,
        staging.connect() as scratch,
    ):
        raw = read_file(scratch, staging, path, kind=kind, column_map=column_map or ColumnMap())
        rows = scratch.sql(f"SELECT {raw.file_row} AS file_row, raw.* FROM {raw.source}".replace(
            "getvariable('first_row')", str(raw.first_row or 0)
        )).pl()  # fmt: skip
        rejected = scratch.sql("FROM rejected").pl()
    return raw, rows.sort("file_row"), rejected


HEADINGS = ["shop", "ro_no", "vin", "opened_on", "component"]


def write_book(path, sheets):
    """Write a workbook: sheet name -> rows of cells."""
    with xlsxwriter.Workbook(path, {"default_date_format": "dd/mm/yyyy"}) as book:
        for name, rows in sheets.items():
            sheet = book.add_worksheet(name)
            for place, row in enumerate(rows):
                sheet.write_row(place, 0, row)
    return path


def repair(vin, number, component="Lifter", day="2021-03-04"):
    return ["North Yard", number, vin, day, component]


def test_sheets_with_the_same_headings_are_one_load(store, tmp_path, vins):
    book = write_book(
        tmp_path / "year.xlsx",
        {
            "May": [["Repairs of May"], [], HEADINGS, repair(vins[0], "1"), repair(vins[0], "2")],
            "Notes": [["ask Ann about these"]],
            "June": [HEADINGS, repair(vins[1], "3"), repair(vins[1], "4", day="no day")],
            "Empty": [],
        },
    )
    result = intake.load(store, book, kind="repairs")
    assert (result.rows_read, result.rows_kept, result.rows_held) == (4, 3, 1)
    assert any("'Notes' was not read" in remark for remark in result.remarks)
    assert any("'Empty' was not read: it is empty" in remark for remark in result.remarks)
    (held,) = intake.held_rows(store).to_dicts()
    assert (held["sheet"], held["file_row"]) == ("June", 3)
    assert intake.held_reasons(store)["first_row"].to_list() == ["year.xlsx, sheet June, row 3"]
    out = tmp_path / "held.xlsx"
    intake.export_held(store, out)
    (again,) = intake.load_corrections(store, out)
    assert again.already_loaded


def test_a_hidden_sheet_is_read_and_said(tmp_path, vins):
    path = tmp_path / "year.xlsx"
    with xlsxwriter.Workbook(path) as book:
        for name, number in (("May", "1"), ("Old", "2")):
            sheet = book.add_worksheet(name)
            sheet.write_row(0, 0, HEADINGS)
            sheet.write_row(1, 0, repair(vins[0], number))
            if name == "Old":
                sheet.hide()
    read, rows, _ = raw_of(path)
    assert rows["file_row"].to_list() == [2, 4]
    assert ["'Old' is hidden" in remark for remark in read.remarks] == [True]
    named, _, _ = raw_of(path, column_map=ColumnMap(sheet=["May", "Old"]))
    assert named.remarks == ()


def test_the_map_may_name_sheets(store, tmp_path, vins):
    book = write_book(
        tmp_path / "year.xlsx",
        {
            "May": [HEADINGS, repair(vins[0], "1")],
            "June": [HEADINGS, repair(vins[0], "2")],
            "Other": [["x"], ["y"]],
        },
    )
    one = intake.load(store, book, kind="repairs", columns=ColumnMap(sheet="June"))
    assert one.rows_read == 1
    both = intake.load(store, book, kind="repairs", columns=ColumnMap(sheet=["May", "June"]))
    assert (both.rows_read, both.rows_kept, both.rows_identical) == (2, 1, 1)
    with pytest.raises(InputError, match="'Other' has other headings than sheet 'May'"):
        intake.load(store, book, kind="repairs", columns=ColumnMap(sheet=["May", "Other"]))
    with pytest.raises(InputError, match="has no sheet 'July': it has May, June, Other"):
        intake.load(store, book, kind="repairs", columns=ColumnMap(sheet="July"))
    path = tmp_path / "map.toml"
    path.write_text('sheet = ["May", "June"]\n')
    assert ColumnMap.read(path).sheets == ("May", "June")
    path.write_text("sheet = []\n")
    with pytest.raises(InputError, match="sheet must be a name or a list"):
        ColumnMap.read(path)


def test_cells_of_a_workbook_come_out_as_a_person_sees_them(tmp_path):
    path = tmp_path / "cells.xlsx"
    with xlsxwriter.Workbook(path) as book:
        sheet = book.add_worksheet()
        day = book.add_format({"num_format": "dd/mm/yyyy"})
        moment = book.add_format({"num_format": "dd/mm/yyyy hh:mm"})
        hour = book.add_format({"num_format": "hh:mm"})
        sheet.merge_range(0, 0, 0, 3, "Title over several cells")
        sheet.write_row(1, 0, ["shop", "ro_no", "vin", "opened_on", "odometer", "component"])
        sheet.write_row(2, 0, [12, 84120.0, 1234567890123456, 12.5, 0.1 + 0.2, True])
        sheet.write_datetime(3, 0, datetime(2021, 3, 4), day)
        sheet.write_datetime(3, 1, datetime(2021, 3, 4, 13, 5), moment)
        sheet.write_datetime(3, 2, datetime(2021, 3, 4, 13, 5).time(), hour)
        sheet.write_string(3, 3, "0012")
        sheet.write_formula(3, 4, "=1/0", None, "#DIV/0!")
        sheet.write_formula(3, 5, "=1+1", None, 2)
    _, rows, _ = raw_of(path)
    assert rows["file_row"].to_list() == [3, 4]
    cells = rows.drop("file_row").rows()
    assert cells[0] == ("12", "84120", "1234567890123456", "12.5", "0.3", "true")
    assert cells[1] == ("2021-03-04", "2021-03-04 13:05:00", "13:05:00", "0012", "#DIV/0!", "2")


def test_date_cells_and_numbers_stored_as_text_load(store, tmp_path, vins):
    path = tmp_path / "dates.xlsx"
    with xlsxwriter.Workbook(path) as book:
        sheet = book.add_worksheet()
        day = book.add_format({"num_format": "d mmm yy"})
        sheet.write_row(0, 0, [*HEADINGS, "odometer"])
        sheet.write_row(1, 0, ["N", 17, vins[0]])
        sheet.write_datetime(1, 3, datetime(2021, 3, 4), day)
        sheet.write_string(1, 4, "Lifter")
        sheet.write_string(1, 5, "84,120")
    assert intake.load(store, path, kind="repairs").rows_kept == 1
    order = store.frame("SELECT ro_no, opened_on, odometer FROM repair_order").row(0)
    assert order == ("17", date(2021, 3, 4), 84_120)


def test_json_lines(store, tmp_path, vins):
    path = tmp_path / "repairs.jsonl"
    objects = [
        {"shop": "N", "ro_no": "001", "vehicle": {"vin": vins[0]}, "opened_on": "2021-03-04",
         "odometer": 84120, "road_tested": True,
         "lines": [{"part": "Lifter", "pn": "A1", "cost": 1.5}, {"part": "Camshaft", "cost": 2}]},
        {"shop": "N", "ro_no": "002", "vehicle": {"vin": vins[1]}, "opened_on": "2021-03-05",
         "odometer": None, "lines": [{"part": "Rocker arm", "pn": "B1"}]},
    ]  # fmt: skip
    path.write_text(
        json.dumps(objects[0]) + "\n\n" + "{broken\n" + "[1, 2]\n" + json.dumps(objects[1]) + "\n"
    )
    column_map = ColumnMap(
        columns={
            "shop": "shop", "ro_no": "ro_no", "vin": "vehicle.vin", "opened_on": "opened_on",
            "odometer": "odometer", "road_tested": "road_tested", "component": "lines.part",
            "part_no": "lines.pn", "line_cost": "lines.cost",
        }
    )  # fmt: skip
    result = intake.load(store, path, kind="repairs", columns=column_map)
    assert (result.rows_read, result.rows_kept, result.rows_held) == (4, 2, 2)
    lines = store.frame(
        "SELECT ro_no, road_tested, component, part_no, cost, l.file_row FROM repair_line l"
        " JOIN repair_order USING (ro_id) ORDER BY ro_no, line_no"
    )
    assert lines["ro_no"].to_list() == ["001", "001", "002"]
    assert lines["part_no"].to_list() == ["A1", None, "B1"]
    assert [float(cost) if cost else None for cost in lines["cost"]] == [1.5, 2.0, None]
    assert lines["road_tested"].to_list() == [True, True, None]
    assert lines["file_row"].to_list() == [1, 1, 5]
    held = intake.held_rows(store)
    assert held["file_row"].to_list() == [3, 4]
    assert held["problem"].to_list() == [
        "the row is not JSON",
        "the row is JSON, but no object",
    ]


def test_an_array_of_objects(store, tmp_path, vins):
    path = tmp_path / "repairs.json"
    rows = [dict(zip(HEADINGS, repair(vins[0], str(n)), strict=True)) for n in range(3)]
    path.write_text(json.dumps(rows, indent=2))
    assert intake.load(store, path, kind="repairs").rows_kept == 3
    path.write_text(json.dumps(rows, indent=2)[:-20])
    with pytest.raises(InputError, match="cannot be read as JSON"):
        intake.load(store, path, kind="repairs")
    path.write_text("{}\n{}\n")
    with pytest.raises(InputError, match="holds no JSON object with a value"):
        intake.load(store, path, kind="repairs")


PLAIN = st.text(st.characters(codec="utf-8", exclude_categories=["Cc", "Cs", "Cn"]), max_size=8)
TABLES = st.integers(1, 4).flatmap(
    lambda width: st.lists(st.lists(PLAIN, min_size=width, max_size=width), min_size=1, max_size=5)
)


@settings(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(table=TABLES)
def test_any_table_of_text_survives_every_form(tmp_path, table):
    """CSV, XLSX and JSON lines give the cells that went in; empty ones are empty."""
    headings = [f"h{place}" for place in range(len(table[0]))]
    frame = pl.DataFrame(table, schema=dict.fromkeys(headings, pl.String), orient="row")
    wanted = [tuple(cell or None for cell in row) for row in table]
    filled = [row for row in wanted if any(cell and cell.strip() for cell in row)]

    path = tmp_path / "table.xlsx"
    with xlsxwriter.Workbook(path) as book:
        sheet = book.add_worksheet()
        for place, row in enumerate([headings, *table]):
            for column, cell in enumerate(row):
                sheet.write_string(place, column, cell)
    if filled:
        _, rows, _ = raw_of(path, column_map=ColumnMap(header_row=1))
        cells = [tuple(cell or None for cell in row) for row in rows.drop("file_row").rows()]
        assert cells == filled

    path = tmp_path / "table.jsonl"
    path.write_text("\n".join(json.dumps(row) for row in frame.to_dicts()), encoding="utf-8")
    _, rows, rejected = raw_of(path, column_map=ColumnMap(header_row=1))
    assert rejected.is_empty()
    assert [tuple(c or None for c in row) for row in rows.drop("file_row").rows()] == wanted

    path = tmp_path / "table.csv"
    frame.write_csv(path, quote_style="always")
    _, rows, rejected = raw_of(path, column_map=ColumnMap(header_row=1))
    assert rejected.is_empty()
    assert [tuple(c or None for c in row) for row in rows.drop("file_row").rows()] == wanted


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp1252", "utf-16", "utf-16-be-bom"])
def test_encodings_and_delimiters_are_found(tmp_path, encoding, delimiter):
    text = "\r\n".join(
        delimiter.join(row)
        for row in [
            HEADINGS,
            ["Garage Müller", "1", "V1", "2021-03-04", "joint usé, fuité"],
            ["Garage Müller", "2", "V2", "2021-03-05", "soupape grillée d'échappement"],
            ["Garage Müller", "3", "V3", "2021-03-06", "moteur réparé, vidangé"],
        ]
    )
    if delimiter == ",":
        text = text.replace("joint usé, fuité", "joint usé").replace("réparé, vidangé", "réparé")
    data = (
        b"\xfe\xff" + text.encode("utf-16-be")
        if encoding == "utf-16-be-bom"
        else text.encode(encoding)
    )
    path = tmp_path / "odd.csv"
    path.write_bytes(data)
    raw, rows, rejected = raw_of(path)
    assert rejected.is_empty()
    assert raw.headings == tuple(HEADINGS)
    assert rows["c0"].unique().to_list() == ["Garage Müller"]
    assert rows["c4"][1] == "soupape grillée d'échappement"


def test_gathering_takes_tables_in_natural_order(tmp_path):
    for name in ["r10.csv", "r2.csv", "~$r2.xlsx", ".hidden.csv", "map.toml", "readme.pdf"]:
        (tmp_path / name).write_text("x")
    (tmp_path / "inner").mkdir()
    files, skipped = intake.gather([tmp_path])
    assert [path.name for path in files] == ["r2.csv", "r10.csv"]
    assert skipped == ("readme.pdf",)
    files, _ = intake.gather([tmp_path / "r1*.csv"])
    assert [path.name for path in files] == ["r10.csv"]
    files, _ = intake.gather([tmp_path / "readme.pdf", tmp_path])
    assert [path.name for path in files] == ["readme.pdf", "r2.csv", "r10.csv"]
    with pytest.raises(InputError, match="does not exist"):
        intake.gather([tmp_path / "none*.csv"])
    with pytest.raises(InputError, match="no file to load"):
        intake.gather([tmp_path / "inner"])


def test_a_list_of_objects_and_words_loses_neither(tmp_path):
    path = tmp_path / "odd.jsonl"
    path.write_text('{"ro_no": "1", "lines": [{"part": "Lifter"}, "Camshaft"]}\n')
    raw, rows, _ = raw_of(path)
    assert raw.headings == ("ro_no", "lines")
    assert rows["c1"].to_list() == ['{"part":"Lifter"}\x1fCamshaft']


def test_a_map_is_taken_by_whole_words_of_its_name_and_an_unknown_kind_is_refused(
    store, tmp_path, vins
):
    (tmp_path / "a.toml").write_text("this is no TOML")
    path = tmp_path / "march.csv"
    path.write_text(",".join(HEADINGS) + "\n" + ",".join(repair(vins[0], "1")) + "\n")
    loaded = intake.load_all(store, [path])
    assert loaded.refused == ()
    assert loaded.results[0].rows_kept == 1
    with pytest.raises(InputError, match="kind 'lines': choose one of"):
        intake.load_all(store, [path], kind="lines")


def test_patterns_are_taken_from_the_present_folder(tmp_path, monkeypatch):
    (tmp_path / "a.csv").write_text("x")
    monkeypatch.chdir(tmp_path)
    files, _ = intake.gather(["*.csv"])
    assert [os.fspath(path) for path in files] == ["a.csv"]


def test_kinds_are_told_by_their_headings(tmp_path):
    kinds = {
        "vehicles": "vin,unit,engine family,in service",
        "repairs": "shop,RO,vin,opened,odometer,part,action",
        "orders": "shop,RO,vin,opened,odometer,technician",
        "order-lines": "shop,RO,part,position,action,part no",
        "meters": "unit,date,odometer",
        "torques": "shop,RO,bolt,torque",
        "service-rules": "engine family,task,every miles,set by",
    }
    for kind, headings in kinds.items():
        path = tmp_path / f"{kind}.csv"
        path.write_text(headings + "\n" + "x," * headings.count(",") + "x\n")
        assert intake.guess_kind(path) == kind
    (tmp_path / "none.csv").write_text("a,b\n1,2\n")
    with pytest.raises(InputError, match="its headings are a, b: say --kind"):
        intake.guess_kind(tmp_path / "none.csv")


def test_a_folder_is_loaded_in_the_order_in_which_keys_are_found(tmp_path, vins, fleet_file):
    from fleetlog.store import Store

    source = fleet_file.parent
    folder = tmp_path / "exports"
    folder.mkdir()
    # By name the lines would come first and the families last.
    for name, to in [("families.csv", "z_families.csv"), ("vehicles.csv", "y_vehicles.csv")]:
        (folder / to).write_text((source / name).read_text())
    (folder / "a_lines.csv").write_text(
        "shop,ro_no,component,action,part_no\nN,1,Lifter,replaced,A\nN,1,Camshaft,replaced,B\n"
    )
    (folder / "b_orders.csv").write_text(
        f"Garage,Auftrag,vin,opened_on,odometer\nN,1,{vins[0]},2021-03-04,100\n"
    )
    (folder / "b_orders.toml").write_text(
        'kind = "orders"\n[columns]\nshop = "Garage"\nro_no = "Auftrag"\nvin = "vin"\n'
        'opened_on = "opened_on"\nodometer = "odometer"\n'
    )
    (folder / "c_odd.csv").write_text("nothing,known\n1,2\n")
    store = Store.create(tmp_path / "new.fleetlog")
    loaded = intake.load_all(store, [folder])
    assert [result.kind for result in loaded.results] == [
        "engine-families", "vehicles", "orders", "order-lines",
    ]  # fmt: skip
    assert all(result.rows_held == 0 for result in loaded.results)
    assert [refusal.file_name for refusal in loaded.refused] == ["c_odd.csv"]
    assert "read by the map b_orders.toml beside it" in loaded.results[2].remarks
    assert store.frame("SELECT count(*) FROM repair_line").item() == 2


def test_a_workbook_of_several_kinds_is_a_load_for_each(tmp_path, vins):
    from fleetlog.store import Store

    book = write_book(
        tmp_path / "all.xlsx",
        {
            "Repairs": [["All repairs"], HEADINGS, repair(vins[0], "1")],
            "Vehicles": [
                ["vin", "unit_no", "engine_family", "in_service_on"],
                [vins[0], "U1", "V8", "2015-03-01"],
            ],
            "Notes": [["ask Ann"]],
            "Engines": [
                ["code", "title", "cylinders", "banks", "cylinder_banks", "intake_valves",
                 "exhaust_valves", "camshafts_per_bank", "camshaft_location", "fuel"],
                ["V8", "V8 petrol", 8, 2, "1 1 1 1 2 2 2 2", 2, 2, 2, "head", "petrol"],
            ],
        },
    )  # fmt: skip
    store = Store.create(tmp_path / "new.fleetlog")
    loaded = intake.load_all(store, [book])
    assert loaded.refused == ()
    assert [(result.kind, result.rows_kept) for result in loaded.results] == [
        ("engine-families", 1), ("vehicles", 1), ("repairs", 1),
    ]  # fmt: skip
    assert "were not read: Notes" in loaded.results[0].remarks[0]


def test_a_table_of_thousands_of_columns_is_refused(tmp_path, store):
    path = tmp_path / "wide.csv"
    path.write_text("shop,ro_no" + ",a" * 70_000 + "\n" + "North Yard,1\n")
    with pytest.raises(
        InputError, match=r"^wide\.csv has 70,002 columns.*damaged line of headings"
    ):
        intake.load(store, path, kind="repairs")


def wide_sheet(columns):
    sound = ["North Yard", "N1", "V1", "2021-03-04", "Lifter"]
    return [
        HEADINGS + [f"more {place}" for place in range(columns - len(HEADINGS))],
        sound + ["x"] * (columns - len(sound)),
    ]


def test_a_sheet_of_thousands_of_columns_is_refused_like_any_other_table(tmp_path, store):
    path = tmp_path / "wide.xlsx"
    write_book(path, {"Lines": wide_sheet(2_001)})
    refused = r"^wide\.xlsx, sheet 'Lines', has 2,001 columns.*damaged line of headings"
    with pytest.raises(InputError, match=refused):
        intake.load(store, path, kind="repairs")
    with pytest.raises(InputError, match=refused):
        intake.propose_map(path, kind="repairs")
    # Without a kind the headings of every sheet are looked at first.
    assert "has 2,001 columns" in intake.load_all(store, [path]).refused[0].problem


def test_a_sheet_as_wide_as_a_table_may_be_is_read_and_one_not_named_is_passed_over(tmp_path):
    path = tmp_path / "wide.xlsx"
    write_book(path, {"Lines": wide_sheet(2_000), "Damaged": wide_sheet(2_001)})
    raw, rows, _ = raw_of(path, column_map=ColumnMap(sheet="Lines"))
    assert (len(raw.headings), rows.height) == (2_000, 1)


def test_a_few_bytes_of_no_encoding_are_refused_and_not_guessed_at(tmp_path, store):
    """Two damaged bytes tell no encoding: read as a Korean one they would swallow letters."""
    path = tmp_path / "damaged.csv"
    sound = b"shop,ro_no,technician\nNorth Yard,1,T. Amber\n" * 40
    path.write_bytes(sound + b"North Yard,2,T. \x81mber\nNorth Yard,3,T. \x88mber\n")
    with pytest.raises(InputError, match=r"^damaged\.csv: row 81 holds a byte that is neither"):
        intake.load(store, path, kind="repairs")
