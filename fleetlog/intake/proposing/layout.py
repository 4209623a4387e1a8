"""Find delimiter, encoding, sheet and header row of a file without knowing any heading."""

from __future__ import annotations

import codecs
import csv
import io
from dataclasses import replace
from pathlib import Path

import fastexcel

from fleetlog.errors import InputError
from fleetlog.intake.columns import ColumnMap
from fleetlog.intake.reading import CHUNK, DELIMITERS, SAMPLE
from fleetlog.intake.workbook import HEADER_ROWS, load_text


def find_layout(path: Path, given: ColumnMap) -> ColumnMap:
    """Return ``given`` with what the bytes of the file settle; a missing file settles nothing."""
    if not path.is_file():
        return given
    with path.open("rb") as stream:
        start = stream.read(SAMPLE)
    if start.startswith(b"PK\x03\x04"):
        return _workbook_layout(path, given)
    if not start or start.startswith(b"PAR1"):
        return given
    encoding = _encoding(path, start)
    # Delimiters and line ends are ASCII, which every other encoding here writes as such.
    text = start.decode(encoding or "latin-1", errors="ignore").removeprefix("\ufeff")
    best = (0, 0, ",", 1)
    for delimiter in DELIMITERS:
        try:
            rows = list(csv.reader(io.StringIO(text, newline=""), delimiter=delimiter))
        except csv.Error:
            continue
        widths = [len(row) for row in rows[:-1] or rows]
        width = max(set(widths), key=lambda wide: (widths.count(wide), wide))
        header = 1 + widths.index(width)
        if width > 1 and (entry := (widths.count(width), width, delimiter, header))[:2] > best[:2]:
            best = entry
    if best[0] == 0 or best[3] > HEADER_ROWS:
        return replace(given, encoding=encoding)
    return replace(given, delimiter=best[2], header_row=best[3], encoding=encoding)


def _encoding(path: Path, start: bytes) -> str | None:
    """Return the encoding that the whole file is in, where the bytes settle it."""
    if start.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return "utf-16"
    decoder = codecs.getincrementaldecoder("utf-8")()
    try:
        with path.open("rb") as stream:
            while chunk := stream.read(CHUNK):
                decoder.decode(chunk)
            decoder.decode(b"", final=True)
    except UnicodeDecodeError:
        return None
    return "utf-8-sig" if start.startswith(codecs.BOM_UTF8) else "utf-8"


def _workbook_layout(path: Path, given: ColumnMap) -> ColumnMap:
    """Take the sheet with most cells, and its first row that is as full as any near the top."""
    try:
        book = fastexcel.read_excel(path)
        sheets = {name: load_text(book, name).to_polars() for name in book.sheet_names}
    except fastexcel.FastExcelError as error:
        raise InputError(
            f"{path.name} cannot be read as a workbook: {str(error).splitlines()[0]}"
        ) from error
    if not sheets:
        raise InputError(f"{path.name} has no sheet: export it again")
    name = max(sheets, key=lambda sheet: sheets[sheet].height * sheets[sheet].width)
    top = sheets[name].head(HEADER_ROWS)
    full = [sum(cell is not None for cell in row) for row in top.rows()]
    return replace(given, sheet=name, header_row=1 + full.index(max(full)) if full else None)
