"""Read the sheets of a workbook as a person sees them, one under the other."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import duckdb
import fastexcel
import polars as pl
import xlsxwriter

from fleetlog.errors import InputError
from fleetlog.intake.columns import ColumnMap, likeness, plain
from fleetlog.intake.raw_table import RawTable, Sheet, digest, keep_cells, refuse_wide

HEADER_ROWS = 30
# A sheet has some more; what needs them is no work for a person.
MOST_ROWS = 1_000_000
# What a spreadsheet shows in a cell whose formula failed, by the reader's name for it.
_FAULTS = {
    "Div0": "#DIV/0!", "NA": "#N/A", "Name": "#NAME?", "Null": "#NULL!", "Num": "#NUM!",
    "Ref": "#REF!", "Value": "#VALUE!", "GettingData": "#GETTING_DATA",
}  # fmt: skip
# Days without a time come with midnight, and times without a day with the day before the first.
_MIDNIGHT = r"^(\d{4}-\d{2}-\d{2}) 00:00:00$"
_NO_DAY = r"^1899-12-3[01] (\d{2}:\d{2}:\d{2})$"


@dataclass(frozen=True)
class SheetCells:
    """The cells of one sheet as text, and where its headings stand.

    ``header_row`` counts from 1; it is 0 where the sheet is empty. ``known`` is the number of
    headings that were recognised. ``hidden`` sheets hold rows that nobody sees.
    """

    name: str
    cells: pl.DataFrame
    header_row: int
    headings: tuple[str, ...]
    known: int
    hidden: bool = False


def text_workbook(path: str | Path) -> xlsxwriter.Workbook:
    """Return a workbook to write in which text stays text.

    What looks like a formula, a link or a number is data from a file. Close it, or use it in a
    ``with`` statement.
    """
    options = dict.fromkeys(("strings_to_formulas", "strings_to_urls", "strings_to_numbers"), False)
    return xlsxwriter.Workbook(path, options)


def read_sheets(path: Path, kind: str, column_map: ColumnMap) -> tuple[SheetCells, ...]:
    """Read every sheet, or those that the map names, and find the headings of each.

    Raises
    ------
    InputError : the file is no workbook, has no sheet that the map names, or has one of more
        columns than a table of records has.
    """
    try:
        book = fastexcel.read_excel(path)
        there = list(book.sheet_names)
        wanted = column_map.sheets or there
        if missing := [name for name in wanted if name not in there]:
            raise InputError(
                f"{path.name} has no sheet {missing[0]!r}: it has {', '.join(there)}; "
                "correct the map"
            )
        return tuple(_read_sheet(path, book, name, kind, column_map) for name in wanted)
    except fastexcel.FastExcelError as error:
        raise InputError(
            f"{path.name} cannot be read as a workbook: {str(error).splitlines()[0]}"
        ) from error


def load_text(book: fastexcel.ExcelReader, name: str) -> fastexcel.ExcelSheet:
    """Load a sheet as text; a reader that guesses types loses what it cannot read."""
    return book.load_sheet(name, header_row=None, skip_rows=0, dtypes="string")


def shown_cells(sheet: fastexcel.ExcelSheet) -> pl.DataFrame:
    """Return every cell of a sheet loaded as text, as a person sees it."""
    batch, faults = sheet.to_arrow_with_errors()
    cells = pl.DataFrame(pl.from_arrow(batch))
    if faults is not None:
        found = pl.DataFrame(
            [(*error.offset_position, error.detail) for error in faults.errors],
            schema={"row": pl.UInt32, "column": pl.UInt32, "detail": pl.String},
            orient="row",
        ).with_columns(
            shown=pl.col("detail")
            .str.extract(r"Error\((\w+)\)")
            .replace_strict(_FAULTS, default="#ERROR!")
        )
        cells = cells.with_columns(
            cells.to_series(column).scatter(part["row"], part["shown"])
            for (column,), part in found.partition_by("column", as_dict=True).items()
        )
    return cells.with_columns(pl.all().str.replace(_MIDNIGHT, "$1").str.replace(_NO_DAY, "$1"))


def _read_sheet(
    path: Path, book: fastexcel.ExcelReader, name: str, kind: str, column_map: ColumnMap
) -> SheetCells:
    sheet = load_text(book, name)
    refuse_wide(sheet.width, f"{path.name}, sheet {name!r},")
    cells = shown_cells(sheet)
    if cells.height == 0 or cells.width == 0:
        return SheetCells(name, cells, 0, (), 0)
    top = [
        tuple("" if cell is None else str(cell).strip() for cell in row)
        for row in cells.head(HEADER_ROWS).rows()
    ]
    header_row = column_map.header_row or 1 + max(
        range(len(top)), key=lambda place: (likeness(top[place], kind, column_map), -place)
    )
    if header_row > len(top):
        return SheetCells(name, cells, 0, (), 0)
    headings = top[header_row - 1]
    known = likeness(headings, kind, column_map)
    return SheetCells(name, cells, header_row, headings, known, sheet.visible != "visible")


def read_workbook(
    connection: duckdb.DuckDBPyConnection, path: Path, kind: str, column_map: ColumnMap
) -> RawTable:
    """Read into ``raw`` the sheets that the map names, or all that look like the best one.

    A row is numbered within its sheet, plus all rows of the sheets before it.

    Raises
    ------
    InputError : the file is no workbook, a named sheet is missing or has other headings than the
        first, or no sheet has rows below its headings.
    """
    sheets = read_sheets(path, kind, column_map)
    filled = [sheet for sheet in sheets if sheet.header_row]
    if not filled:
        which = " and ".join(repr(sheet.name) for sheet in sheets)
        row = f"row {column_map.header_row} of " if column_map.header_row else ""
        raise InputError(
            f"{path.name}: {row}sheet {which} is empty: name the right sheet and its header_row "
            "in a column map"
        )
    best = max(filled, key=lambda sheet: sheet.known)
    alike = [sheet for sheet in filled if _same(sheet.headings, best.headings)]
    others = [sheet for sheet in sheets if sheet not in alike]
    if others and column_map.sheets:
        raise InputError(
            f"{path.name}: sheet {others[0].name!r} has other headings than sheet {best.name!r}: "
            "load them one by one, each with a map of its own"
        )
    bodies, numbered, before = [], [], 0
    for sheet in alike:
        bodies.append(_body(sheet, before))
        numbered.append(Sheet(sheet.name, before))
        before += sheet.cells.height
    body = pl.concat(bodies, how="diagonal")
    if body.height == 0:
        raise InputError(
            f"{path.name} has headings in row {best.header_row} and no rows below them"
        )
    keep_cells(connection, body)
    return RawTable(
        best.headings,
        None,
        body.height,
        0,
        digest(path),
        tuple(numbered),
        (
            *(_left(sheet, best) for sheet in others),
            *(
                f"sheet {sheet.name!r} is hidden in the workbook and was read like the others; "
                "name the sheets that count in a column map to leave it out"
                for sheet in alike
                if sheet.hidden and sheet.name not in column_map.sheets
            ),
        ),
    )


def _body(sheet: SheetCells, before: int) -> pl.DataFrame:
    """Return file_row, c0, c1, ... of the rows below the headings that hold anything."""
    cells = sheet.cells
    return (
        cells.rename({old: f"c{place}" for place, old in enumerate(cells.columns)})
        .with_row_index("file_row", offset=1 + before)
        .with_columns(pl.col("file_row").cast(pl.Int64))
        .slice(sheet.header_row)
        .filter(pl.any_horizontal(pl.exclude("file_row").str.strip_chars() != ""))
    )


def _same(headings: tuple[str, ...], others: tuple[str, ...]) -> bool:
    return [plain(heading) for heading in headings] == [plain(heading) for heading in others]


def _left(sheet: SheetCells, best: SheetCells) -> str:
    if not sheet.header_row:
        return f"sheet {sheet.name!r} was not read: it is empty"
    return (
        f"sheet {sheet.name!r} was not read: its headings are not those of sheet {best.name!r}; "
        "name it in a column map to load it"
    )
