"""Files of every common layout give the same rows; what is not a table is refused with a reason."""

import codecs
from pathlib import Path

import polars as pl
import pytest
import xlsxwriter

from fleetlog import intake
from fleetlog.errors import InputError, StoreError, StoreVersionError
from fleetlog.store import Store

HEADINGS = ["Shop", "RO No.", "VIN", "Opened", "Part", "Action", "Cause", "Line cost"]


def rows_of(vins):
    return [
        ["Hof Süd", "A1", vins[0], "2021-03-04", "Lifter", "replaced", "été, 5 €", "10.50"],
        ["Hof Süd", "A2", vins[1], "2021-03-05", "Spark plug", "replaced", "naïve", "1200.00"],
    ]


def text_of(rows, delimiter=",", newline="\n"):
    lines = [HEADINGS, *rows]
    return newline.join(delimiter.join(f'"{cell}"' for cell in line) for line in lines) + newline


def kept(store):
    return store.frame(
        "SELECT o.shop, o.ro_no, o.vin, o.opened_on, o.cause, l.description, l.cost"
        " FROM repair_order o JOIN repair_line l USING (ro_id) ORDER BY o.ro_no"
    )


def expected(vins):
    rows = rows_of(vins)
    return pl.DataFrame(
        {
            "shop": [row[0] for row in rows],
            "ro_no": [row[1] for row in rows],
            "vin": [row[2] for row in rows],
            "opened_on": pl.Series([row[3] for row in rows]).str.to_date(),
            "cause": [row[6] for row in rows],
            "description": [row[4] for row in rows],
            "cost": pl.Series(["10.50", "1200.00"]).cast(pl.Decimal(12, 2)),
        }
    )


@pytest.mark.parametrize(
    ("encoding", "delimiter", "newline"),
    [
        ("utf-8", ",", "\n"),
        ("utf-8", ";", "\r\n"),
        ("utf-8", "\t", "\r"),
        ("utf-8-sig", "|", "\n"),
        ("cp1252", ";", "\r\n"),
        ("utf-16", "\t", "\r\n"),
    ],
)
def test_layouts_of_text_files(store, tmp_path, vins, encoding, delimiter, newline):
    path = tmp_path / "lines.csv"
    path.write_bytes(text_of(rows_of(vins), delimiter, newline).encode(encoding))
    result = intake.load(store, path, kind="repairs")
    assert (result.rows_read, result.rows_kept, result.rows_held) == (2, 2, 0)
    assert kept(store).equals(expected(vins))


def test_mixed_newlines_and_blank_lines(store, tmp_path, vins):
    lines = text_of(rows_of(vins)).splitlines()
    path = tmp_path / "lines.csv"
    path.write_bytes(f"{lines[0]}\r\n\n{lines[1]}\n\r\n{lines[2]}\r\n".encode())
    assert intake.load(store, path, kind="repairs").rows_kept == 2
    assert kept(store).equals(expected(vins))
    assert store.frame(
        "SELECT file_row FROM source_row JOIN load USING (load_id)"
        " WHERE kind = 'repairs' ORDER BY ALL"
    )["file_row"].to_list() == [3, 5]


def test_rows_are_numbered_as_a_spreadsheet_shows_them(store, tmp_path, vins):
    """Line breaks in cells do not count, lines that cannot be split do, and are held."""
    rows = rows_of(vins)
    path = tmp_path / "lines.csv"
    good = [",".join(f'"{cell}"' for cell in row) for row in rows]
    broken = good[0].replace("naïve", "x").replace("été", "first\nsecond").replace("A1", "A3")
    path.write_text("\n".join([",".join(HEADINGS), broken, "only,three,cells", good[1]]) + "\n")
    result = intake.load(store, path, kind="repairs")
    assert (result.rows_read, result.rows_kept, result.rows_held) == (3, 2, 1)
    held = intake.held_rows(store, result.load_id)
    assert held["file_row"].to_list() == [3]
    assert held["problem"].to_list() == ["the row has fewer cells than there are headings"]
    assert held["cells"].to_list() == ["only,three,cells"]
    numbers = store.frame("SELECT ro_no, file_row FROM repair_order ORDER BY file_row")
    assert numbers.rows() == [("A3", 2), ("A2", 4)]


def test_workbook_with_a_title_above_its_headings(store, tmp_path, vins):
    path = tmp_path / "lines.xlsx"
    book = xlsxwriter.Workbook(path)
    book.add_worksheet("About").write(0, 0, "nothing here")
    sheet = book.add_worksheet("Lines")
    sheet.write(0, 0, "Repairs of the year")
    for number, line in enumerate([HEADINGS, *rows_of(vins)], start=2):
        for place, cell in enumerate(line):
            sheet.write_string(number, place, cell)
    book.close()
    result = intake.load(store, path, kind="repairs", columns=intake.ColumnMap(sheet="Lines"))
    assert (result.rows_read, result.rows_kept) == (2, 2)
    assert kept(store).equals(expected(vins))
    assert store.frame("SELECT min(file_row) FROM repair_order").item() == 4
    with pytest.raises(InputError, match=r"no sheet 'Rows': it has About, Lines"):
        intake.load(store, path, kind="repairs", columns=intake.ColumnMap(sheet="Rows"))


def test_parquet(store, tmp_path, vins):
    path = tmp_path / "lines.parquet"
    frame = pl.DataFrame(rows_of(vins), schema=HEADINGS, orient="row")
    frame.with_columns(pl.col("Opened").str.to_date()).write_parquet(path)
    assert intake.load(store, path, kind="repairs").rows_kept == 2
    assert kept(store).equals(expected(vins))


REFUSED = {
    "empty": (b"", r"lines\.csv is empty"),
    "headings only": (b"Shop,RO,VIN,Date\n", r"lines\.csv has headings in row 1 and no rows"),
    "NUL bytes": (b"Shop,RO,VIN,Date\na,b\0,c,d\n", r"lines\.csv: line 2 holds a NUL byte"),
    "picture": (b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 40, r"lines\.csv: line \d+ holds a NUL"),
    "wrong separator": (
        b"Shop~RO~VIN~Date\nN~1~x~2021-01-01\n",
        r"lines\.csv: no column for ro_no, opened_on; its headings are Shop~RO~VIN~Date",
    ),
    "no required column": (
        b"Shop,RO,Colour\nN,1,red\n",
        r"lines\.csv: no column for opened_on; its headings are Shop, RO, Colour",
    ),
    "quotation mark left open": (
        b'Shop,RO,VIN,Date\nN,1,"x,2021-01-01\nN,2,y,2021-01-01\nN,3,z,2021-01-01\n',
        r"lines\.csv: in row 2 a quotation mark is opened and never closed",
    ),
    "not a workbook": (
        b"PK\x03\x04 this is no workbook",
        r"lines\.csv cannot be read as a workbook",
    ),
    "not Parquet": (b"PAR1 this is no parquet", r"lines\.csv cannot be read as Parquet"),
}


@pytest.mark.parametrize("what", REFUSED)
def test_what_is_not_a_table_is_refused(store, tmp_path, state, differing, what):
    content, message = REFUSED[what]
    before = state(store)
    path = tmp_path / "lines.csv"
    path.write_bytes(content)
    with pytest.raises(InputError, match=message):
        intake.load(store, path, kind="repairs")
    assert differing(before, state(store)) == []
    assert sorted(p.name for p in tmp_path.iterdir()) == ["lines.csv", "own.fleetlog"]


def test_missing_file_and_folder(store, tmp_path):
    with pytest.raises(InputError, match=r"none\.csv does not exist: check the path"):
        intake.load(store, tmp_path / "none.csv", kind="repairs")
    with pytest.raises(InputError, match="is a folder: name one file in it"):
        intake.load(store, tmp_path, kind="repairs")
    with pytest.raises(InputError, match="kind 'tyres': choose one of engine-families"):
        intake.load(store, tmp_path, kind="tyres")


@pytest.mark.parametrize("ending", [b"", b"\n"])
def test_endless_line_is_refused_early(store, tmp_path, ending):
    """2 GiB without a line break, as holes in the file, so that it takes no room on the disk."""
    path = tmp_path / "lines.csv"
    with path.open("wb") as stream:
        stream.write(b"Shop,RO,VIN,Date\n" + b"x" * 5_000_000)
        stream.truncate(2**31)
        stream.seek(2**31)
        stream.write(ending)
    with pytest.raises(InputError, match=r"lines\.csv: line 2 is longer than 2 MiB"):
        intake.load(store, path, kind="repairs")


def test_encoding_that_does_not_fit(store, tmp_path, vins):
    path = tmp_path / "lines.csv"
    path.write_bytes(text_of(rows_of(vins)).encode("cp1252"))
    with pytest.raises(InputError, match=r"lines\.csv is not in utf-8: .*say encoding"):
        intake.load(store, path, kind="repairs", columns=intake.ColumnMap(encoding="utf-8"))
    with pytest.raises(InputError, match="encoding 'klingon' is not known"):
        intake.load(store, path, kind="repairs", columns=intake.ColumnMap(encoding="klingon"))


def test_wide_text_without_a_mark_needs_to_be_named(store, tmp_path, vins):
    path = tmp_path / "lines.csv"
    path.write_bytes(text_of(rows_of(vins)).encode("utf-16-le"))
    assert not path.read_bytes().startswith(codecs.BOM_UTF16_LE)
    named = intake.ColumnMap(encoding="utf-16-le")
    assert intake.load(store, path, kind="repairs", columns=named).rows_kept == 2


def test_paths_that_are_no_store(tmp_path):
    (tmp_path / "text.fleetlog").write_text("no store")
    with pytest.raises(StoreError, match="is not a fleetlog store"):
        Store.open(tmp_path / "text.fleetlog")


def test_store_of_a_newer_version(store):
    with store.write() as connection:
        connection.execute(
            "INSERT INTO schema_migration VALUES (99999, 'later', TIMESTAMP '2030-01-01')"
        ).fetchall()
    with pytest.raises(StoreVersionError, match="upgrade fleetlog"):
        Store.open(store.path)


def test_path_with_quotes_and_stars(fleet_file, tmp_path, vins):
    folder = tmp_path / "o'brien [*]"
    folder.mkdir()
    path = folder / "li'nes[1]*.csv"
    path.write_text(text_of(rows_of(vins)))
    own = folder / "st'ore.fleetlog"
    own.write_bytes(Path(fleet_file).read_bytes())
    assert intake.load(Store.open(own), path, kind="repairs").rows_kept == 2
    assert len(list(folder.iterdir())) == 2
