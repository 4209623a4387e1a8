"""What a file is once it is read: every cell as text in the scratch database, rows numbered."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path

import duckdb
import polars as pl

from fleetlog.errors import InputError
from fleetlog.sql import read_sql

MOST_COLUMNS = 2_000
"""A table of more columns than this is a damaged file: no export has a tenth of them."""


@dataclass(frozen=True)
class Sheet:
    """A sheet of a workbook: how many rows of other sheets stand before its own."""

    name: str
    rows_before: int


@dataclass(frozen=True)
class RawTable:
    """What was read.

    The scratch database then holds ``raw`` (columns c0, c1, ... of text) with the file row of
    each row in ``raw_row`` form: ``file_row = rowid + first_row`` where ``first_row`` is given,
    else in the table ``row_number(place, file_row)``; and ``rejected`` (file_row, cells,
    problem).

    headings : as the file has them.
    first_row : file row of the first row below the headings; None where rows are not evenly
        numbered and ``row_number`` is there.
    rows : rows in ``raw``.
    rejected : rows in ``rejected``.
    sha256 : of the file's bytes.
    sheets : those that were read, of a workbook. Their rows are counted on from sheet to sheet.
    remarks : sentences about what of the file was not read.
    """

    headings: tuple[str, ...]
    first_row: int | None
    rows: int
    rejected: int
    sha256: str
    sheets: tuple[Sheet, ...] = ()
    remarks: tuple[str, ...] = ()

    @property
    def source(self) -> str:
        """The relation in which each row of ``raw`` has its number."""
        if self.first_row is None:
            return "raw JOIN row_number ON row_number.place = raw.rowid"
        return "raw"

    @property
    def file_row(self) -> str:
        """The expression for the file row of a row of ``source``."""
        if self.first_row is None:
            return "row_number.file_row"
        return "raw.rowid + getvariable('first_row')"


def keep_cells(connection: duckdb.DuckDBPyConnection, body: pl.DataFrame) -> None:
    """Make ``raw`` and ``row_number`` of a frame: file_row and the text columns c0, c1, ..."""
    connection.register("body", body)
    connection.execute(read_sql("intake", "keep_frame")).fetchall()
    connection.unregister("body")
    connection.execute(read_sql("intake", "no_rejected")).fetchall()


def digest(path: Path) -> str:
    """Return the SHA-256 of a file's bytes."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def refuse_wide(columns: int, table: str) -> None:
    """Refuse a table of so many columns that it can be none."""
    if columns > MOST_COLUMNS:
        raise InputError(
            f"{table} has {columns:,} columns, and a table of records has at most "
            f"{MOST_COLUMNS:,}: look for a damaged line of headings or a cell far to the right, "
            "and export it again"
        )
