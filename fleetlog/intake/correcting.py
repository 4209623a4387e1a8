"""Held rows out into a spreadsheet, and back in when somebody has corrected them."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import duckdb
import fastexcel
import polars as pl
import xlsxwriter

from fleetlog.errors import InputError
from fleetlog.intake.columns import ColumnMap, MatchedColumns
from fleetlog.intake.frames import keep_frame
from fleetlog.intake.loading import LoadResult, Progress, bring_in
from fleetlog.intake.raw_table import RawTable, digest, keep_cells
from fleetlog.intake.staging import Staging
from fleetlog.intake.workbook import MOST_ROWS, load_text, shown_cells, text_workbook
from fleetlog.sql import read_sql
from fleetlog.store import Store

HOW_TO = (
    "Correct the cells beside each remark and save. Leave the first four columns and the hidden "
    "first row as they are; a row that you delete stays held. Then: fleetlog load --corrections "
    "and the name of this file."
)
FIXED = {"load": "load", "row": "row", "place": "where", "other": "what is wrong"}
KEY_ROW, HEADING_ROW, FIRST_ROW = 0, 2, 3
# Of a map as it was used, what tells how the cells are read; the rest is of the file itself.
_CONVENTIONS = ("shop", "distance_unit", "date_order", "decimal_mark", "list_mark")


@dataclass(frozen=True)
class _Load:
    """What is known of the load whose rows are held."""

    load_id: int
    kind: str
    file_name: str
    headings: tuple[str, ...]
    column_map: ColumnMap
    places: dict[str, int]


def export_held(store: Store, path: str | Path, *, load_id: int | None = None) -> int:
    """Write the rows that are held into a workbook, a sheet for each load; return their number.

    What is wrong with a cell stands in the column beside it. No cell is ever a formula, whatever
    it begins with. Where the store does not show who did a job, the column of the technician is
    left out, and comes back in as it was written; a line that could not be split stands whole.
    Linear in the rows.

    Parameters
    ----------
    path : the workbook; one that is there is replaced.
    load_id : of one load; None: all.

    Raises
    ------
    InputError : no row is held, or a load holds more rows than a sheet has.
    """
    held = store.frame(read_sql("intake", "held_cells"), {"load_id": load_id})
    if held.is_empty():
        raise InputError("no row is held: there is nothing to correct")
    loads = _loads(store, held["load_id"].unique().sort().to_list())
    too_long = held.group_by("load_id").len().filter(pl.col("len") > MOST_ROWS)
    if too_long.height:
        number, rows = too_long.row(0)
        raise InputError(
            f"load {number} holds {rows} rows, more than a sheet can have: undo the load, correct "
            "the map or the file, and load it again"
        )
    named = store.technicians_named()
    with text_workbook(path) as book:
        for load in loads:
            own = held.filter(pl.col("load_id") == load.load_id)
            _write_sheet(book, load, own, without=None if named else load.places.get("technician"))
    return held.height


def load_corrections(
    store: Store,
    path: str | Path,
    *,
    corrected_by: str | None = None,
    progress: Progress | None = None,
) -> tuple[LoadResult, ...]:
    """Bring the rows of an exported workbook back in, one load for each load they came from.

    Each row is read as its file was: by the same map, the same order of dates, the same units.
    What is still wrong is held anew under the new load. Every changed cell is kept with what it
    was and who changed it; see :func:`corrections`. A row that was not changed is tried again.

    Raises
    ------
    InputError : the file is no such workbook, or names a row that is not held.
    """
    path = Path(path)
    sheets = [_read_sheet(path, name) for name in _sheet_names(path)]
    numbers = pl.concat([sheet["load"] for sheet in sheets]).unique().sort()
    results = []
    for load in _loads(store, numbers.to_list()):
        rows = pl.concat(
            [sheet.filter(pl.col("load") == load.load_id) for sheet in sheets], how="diagonal"
        )
        results.append(
            _bring_in_again(store, load, rows, path, corrected_by=corrected_by, progress=progress)
        )
    return tuple(results)


def retry_held(
    store: Store, load_id: int, *, loaded_by: str | None = None, progress: Progress | None = None
) -> LoadResult:
    """Try the held rows of a load again as they are, now that the store may know more.

    Raises
    ------
    InputError : there is no such load, or it holds no row.
    """
    load = _loads(store, [load_id])[0]
    held = store.frame(read_sql("intake", "held_cells"), {"load_id": load_id})
    if held.is_empty():
        raise InputError(f"load {load_id} holds no row: there is nothing to try again")
    rows = held.select(
        pl.col("load_id").alias("load"), pl.col("file_row").alias("row"), *_cells_of(load, held)
    )
    return _bring_in_again(store, load, rows, None, corrected_by=loaded_by, progress=progress)


def corrections(store: Store) -> pl.DataFrame:
    """Return every cell that was corrected, the latest first.

    Columns: load_id, of_load, file_name, file_row, column, was, became, corrected_by,
    corrected_at (UTC).
    """
    return store.frame(read_sql("intake", "corrections"))


def _loads(store: Store, numbers: Sequence[int]) -> list[_Load]:
    found = store.frame(read_sql("intake", "loads_as_read"), {"numbers": list(numbers)})
    if missing := sorted(set(numbers) - set(found["load_id"])):
        raise InputError(f"there is no load {missing[0]}: list the loads to find its number")
    return [_load(row) for row in found.to_dicts()]


def _load(row: dict[str, Any]) -> _Load:
    used = json.loads(row["column_map"])
    headings = tuple(row["headings"])
    places = used.get("places") or {
        name: headings.index(heading) for name, heading in used["columns"].items()
    }
    column_map = ColumnMap(**{name: used.get(name) for name in _CONVENTIONS})
    return _Load(row["load_id"], row["kind"], row["file_name"], headings, column_map, places)


def _cells_of(load: _Load, held: pl.DataFrame) -> list[pl.Expr]:
    """Return a text column c0, c1, ... for each heading.

    A line that could not be split into cells has none: it stands as written under ``where``.
    """
    whole = held["cells"].list.len() == len(load.headings)
    return [
        pl.when(pl.lit(whole))
        .then(pl.col("cells").list.get(place, null_on_oob=True))
        .alias(f"c{place}")
        for place in range(len(load.headings))
    ]


def _write_sheet(
    book: xlsxwriter.Workbook, load: _Load, held: pl.DataFrame, *, without: int | None
) -> None:
    """Write the held rows of one load: what is wrong with a cell in the column beside it.

    The column ``without`` (its place) is left out.
    """
    said = (
        held.select("file_row", "problems")
        .explode("problems")
        .unnest("problems")
        .with_columns(text=pl.col("problem") + ": " + pl.col("remedy"))
    )
    of_heading = {load.headings[place]: place for place in reversed(load.places.values())}
    of_heading = {h: p for p, h in reversed(list(enumerate(load.headings)))} | of_heading
    said = said.with_columns(
        key=pl.concat_str(
            pl.lit("p"),
            pl.col("column").replace_strict(of_heading, default=None, return_dtype=pl.String),
        ).fill_null("other"),
    )
    said = said.with_columns(
        text=pl.when(pl.col("key") == "other")
        .then(pl.concat_str("column", "text", separator=" ", ignore_nulls=True))
        .otherwise("text")
    )
    beside = (
        said.group_by("file_row", "key", maintain_order=True)
        .agg(pl.col("text").unique(maintain_order=True).str.join("; "))
        .pivot("key", index="file_row", values="text")
    )
    if "other" not in beside.columns:
        beside = beside.with_columns(other=pl.lit(None, dtype=pl.String))
    unsplit = pl.col("cells").list.len() != len(load.headings)
    rows = held.select(
        "file_row",
        pl.col("load_id").cast(pl.String).alias("load"),
        pl.col("file_row").cast(pl.String).alias("row"),
        pl.concat_str(
            pl.lit(f"{load.file_name}, "),
            pl.concat_str(pl.lit("sheet "), "sheet", pl.lit(", ")).fill_null(""),
            pl.lit("row "),
            pl.col("sheet_row"),
            pl.when(unsplit)
            .then(pl.lit(": ") + pl.col("cells").list.first())
            .otherwise(pl.lit("")),
        ).alias("place"),
        *_cells_of(load, held),
    ).join(beside, on="file_row", how="left", maintain_order="left")
    keys = list(FIXED)
    headings = list(FIXED.values())
    for place, heading in enumerate(load.headings):
        if place != without:
            keys.append(f"c{place}")
            headings.append(heading)
        if f"p{place}" in rows.columns:
            keys.append(f"p{place}")
            headings.append(f"what is wrong with {heading}")
    sheet = book.add_worksheet(f"load {load.load_id}")
    # A leading apostrophe, as a spreadsheet calls it: a cell stays text when it is edited.
    text = book.add_format({"num_format": "@", "quote_prefix": True})
    fixed = book.add_format({"font_color": "#555555"})
    wrong = book.add_format({"bg_color": "#FCE8C8", "italic": True, "text_wrap": True})
    bold = book.add_format({"bold": True, "bottom": 1, "text_wrap": True})
    rows.select(keys).write_excel(
        book,
        sheet,
        position=(FIRST_ROW, 0),
        include_header=False,
        autofit=False,
        dtype_formats={pl.String: "@"},
    )
    for column, (key, heading) in enumerate(zip(keys, headings, strict=True)):
        sheet.write_string(KEY_ROW, column, key)
        sheet.write_string(HEADING_ROW, column, heading, bold)
        form = text if key.startswith("c") else wrong if key not in FIXED else fixed
        sheet.set_column(column, column, 34 if key[0] == "p" or key == "other" else 14, form)
    sheet.write_string(1, 0, HOW_TO)
    sheet.set_row(KEY_ROW, None, None, {"hidden": True})
    sheet.freeze_panes(FIRST_ROW, 2)


def _sheet_names(path: Path) -> list[str]:
    if not path.exists():
        raise InputError(f"{path} does not exist: check the path")
    try:
        return list(fastexcel.read_excel(path).sheet_names)
    except (fastexcel.FastExcelError, OSError) as error:
        raise InputError(
            f"{path.name} cannot be read as a workbook: {str(error).splitlines()[0]}: give the "
            "one that fleetlog held --export wrote"
        ) from error


def _read_sheet(path: Path, name: str) -> pl.DataFrame:
    """Read one sheet: load, row, and the text columns c0, c1, ..."""
    cells = shown_cells(load_text(fastexcel.read_excel(path), name))
    keys = ["" if key is None else str(key) for key in cells.row(KEY_ROW)] if cells.height else []
    if not {"load", "row"} <= set(keys):
        raise InputError(
            f"{path.name}, sheet {name!r}: its first row does not say which cell is which: give "
            "the workbook that fleetlog held --export wrote, with its hidden first row"
        )
    kept = {old: key for old, key in zip(cells.columns, keys, strict=True) if _is_cell(key)}
    rows = cells.slice(FIRST_ROW).select(*kept).rename(kept)
    numbers = rows.with_columns(
        pl.col("load", "row")
        .str.strip_chars()
        .str.replace(r"\.0+$", "")
        .cast(pl.Int64, strict=False)
    )
    if (
        (bad := numbers.select(pl.any_horizontal(pl.col("load", "row").is_null())))
        .to_series()
        .any()
    ):
        first = bad.to_series().arg_true()[0] + FIRST_ROW + 1
        raise InputError(
            f"{path.name}, sheet {name!r}, row {first}: the load and row numbers are not there: "
            "put them back, or delete the row"
        )
    return numbers


def _is_cell(key: str) -> bool:
    return key in ("load", "row") or (key.startswith("c") and key[1:].isdecimal())


def _bring_in_again(
    store: Store,
    load: _Load,
    rows: pl.DataFrame,
    path: Path | None,
    *,
    corrected_by: str | None,
    progress: Progress | None,
) -> LoadResult:
    """Load rows of an earlier load, as they are now, by the map of that load."""
    as_written = store.frame(read_sql("intake", "held_at_any_time"), {"load_id": load.load_id})
    rows = _with_technician(load, rows, as_written)
    places = [f"c{place}" for place in range(len(load.headings))]
    if missing := [key for key in places if key not in rows.columns]:
        heading = load.headings[int(missing[0][1:])]
        raise InputError(
            f"the column of {heading!r} is missing from the corrections of load {load.load_id}: "
            "export the held rows again"
        )
    strange = rows.join(as_written, left_on="row", right_on="file_row", how="anti")
    twice = rows.filter(pl.col("row").is_duplicated())
    if strange.height or twice.height:
        number = (strange if strange.height else twice)["row"][0]
        why = "was never held" if strange.height else "is there twice"
        raise InputError(
            f"row {number} of load {load.load_id} {why}: export the held rows again and correct "
            "those"
        )
    body = rows.sort("row").select(
        pl.col("row").alias("file_row"),
        *(pl.col(key).replace("", None) for key in places),
    )
    changed = _changed(load, body, as_written)

    def read(
        scratch: duckdb.DuckDBPyConnection, _staging: Staging
    ) -> tuple[RawTable, MatchedColumns]:
        keep_cells(scratch, body)
        keep_frame(scratch, "corrected", changed)
        sha256 = digest(path) if path else f"{body.hash_rows().sum():064x}"
        used = set(load.places.values())
        raw = RawTable(load.headings, None, body.height, 0, sha256)
        unmatched = tuple(h for place, h in enumerate(load.headings) if place not in used and h)
        return raw, MatchedColumns(load.places, load.headings, unmatched)

    source = path.name if path else "again"
    return bring_in(
        store,
        read,
        name=f"{load.file_name} ({source})",
        kind=load.kind,
        column_map=load.column_map,
        progress=progress,
        loaded_by=corrected_by,
        corrects=load.load_id,
    )


def _with_technician(load: _Load, rows: pl.DataFrame, as_written: pl.DataFrame) -> pl.DataFrame:
    """Take the technician as written where the workbook was written without that column."""
    place = load.places.get("technician")
    if place is None or f"c{place}" in rows.columns:
        return rows
    kept = as_written.select(pl.col("file_row").alias("row"), _cells_of(load, as_written)[place])
    return rows.join(kept, on="row", how="left", maintain_order="left")


def _changed(load: _Load, body: pl.DataFrame, as_written: pl.DataFrame) -> pl.DataFrame:
    """Return the cells that differ from what was held: file_row, column, was, became."""
    before = as_written.select("file_row", *_cells_of(load, as_written))
    names = {f"c{place}": heading for place, heading in enumerate(load.headings)}
    long = [
        frame.unpivot(index="file_row", variable_name="key", value_name=value)
        for frame, value in ((body, "became"), (before, "was"))
    ]
    return (
        long[0]
        .join(long[1], on=["file_row", "key"], how="left", maintain_order="left")
        .filter(pl.col("became").fill_null("") != pl.col("was").fill_null(""))
        .select("file_row", pl.col("key").replace_strict(names).alias("column"), "was", "became")
    )
