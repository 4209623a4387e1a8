"""Read a file of any of the common layouts into the scratch database, every cell as text."""

from __future__ import annotations

import codecs
import csv
import hashlib
import io
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import compress, count, islice
from pathlib import Path

import charset_normalizer
import duckdb
import fastexcel
import polars as pl

from fleetlog.errors import InputError
from fleetlog.intake.columns import ColumnMap, likeness
from fleetlog.intake.staging import NO_ROOM, Staging, glob_safe
from fleetlog.sql import read_sql

CHUNK = 4 * 2**20
LONGEST_LINE = 2 * 2**20
SAMPLE = 256 * 2**10
HEADER_ROWS = 30
CLEARLY_BETTER = 0.1
DELIMITERS = (",", ";", "\t", "|")
_BYTE_ORDER_MARKS = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)
_NEWLINES = {"\n": "\\n", "\r\n": "\\r\\n", "\r": "\\r"}


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
    """

    headings: tuple[str, ...]
    first_row: int | None
    rows: int
    rejected: int
    sha256: str

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


@dataclass(frozen=True)
class _Scan:
    """What one pass over the bytes of a file tells."""

    sha256: str
    start: bytes
    is_utf8: bool
    lines: int
    newline: str | None


def read_file(
    connection: duckdb.DuckDBPyConnection,
    staging: Staging,
    path: Path,
    *,
    kind: str,
    column_map: ColumnMap,
) -> RawTable:
    """Read ``path`` into the scratch database.

    One pass over the bytes, then one through DuckDB; linear in the size of the file.

    Raises
    ------
    InputError : the file is missing, empty, not a table, or cannot be decoded.
    """
    if path.is_dir():
        raise InputError(f"{path} is a folder: name one file in it")
    if not path.exists():
        raise InputError(f"{path} does not exist: check the path")
    try:
        with path.open("rb") as stream:
            start = stream.read(8)
        if not start:
            raise InputError(f"{path.name} is empty: export it again")
        if start.startswith(b"PK\x03\x04"):
            return _read_workbook(connection, path, kind, column_map)
        if start.startswith(b"PAR1"):
            return _read_parquet(connection, path)
        return _read_text(connection, staging, path, kind, column_map)
    except OSError as error:
        if error.errno in NO_ROOM:
            raise
        raise InputError(f"{path.name} cannot be read: {error.strerror or error}") from error


def _read_text(
    connection: duckdb.DuckDBPyConnection,
    staging: Staging,
    path: Path,
    kind: str,
    column_map: ColumnMap,
) -> RawTable:
    scan = _scan(path, column_map.encoding)
    encoding = column_map.encoding or _encoding(scan, path.name)
    source, lines, newline = path, scan.lines, scan.newline
    if not scan.is_utf8 or encoding not in ("utf-8", "utf-8-sig") or newline is None:
        lines = _rewrite(path, staging.text, encoding)
        source, newline = staging.text, "\n"
    with source.open("r", encoding="utf-8-sig", newline="") as stream:
        sample = stream.read(SAMPLE)
    delimiter, header_row, headings = _header(sample, path.name, kind, column_map)
    columns = {f"c{place}": "VARCHAR" for place in range(len(headings))}
    # The separators are one character each and the column names are counted, so nothing of the
    # file gets into the statement.
    try:
        connection.execute(
            read_sql("intake", "read_text").replace("{columns}", str(columns)),
            {
                "path": glob_safe(str(source)),
                "delimiter": delimiter,
                "header_row": header_row,
                "newline": _NEWLINES[newline],
                "longest_line": LONGEST_LINE,
            },
        ).fetchall()
    except duckdb.InvalidInputException as error:
        raise InputError(
            f"{path.name} cannot be read as text cells parted by {delimiter!r}: "
            f"{str(error).splitlines()[0]}"
        ) from error
    connection.execute(read_sql("intake", "rejected")).fetchall()
    _refuse_open_quote(connection, path.name)
    return _numbered(connection, source, path.name, scan, lines, delimiter, header_row, headings)


def _scan(path: Path, encoding: str | None) -> _Scan:
    """Pass once over the bytes: digest, lines, newline style, UTF-8 or not, and no junk."""
    sha256 = hashlib.sha256()
    decoder = codecs.getincrementaldecoder("utf-8")()
    is_utf8, wide = True, False
    feeds = returns = pairs = size = 0
    start, last, unbroken = b"", b"", 0
    with path.open("rb") as stream:
        while chunk := stream.read(CHUNK):
            if not start:
                start = chunk[:SAMPLE]
                wide = start.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)) or bool(
                    encoding and encoding.lower().replace("_", "-").startswith("utf-16")
                )
            sha256.update(chunk)
            if b"\0" in chunk and not wide:
                row = feeds + chunk[: chunk.index(b"\0")].count(b"\n") + 1
                raise InputError(
                    f"{path.name}: line {row} holds a NUL byte, so this is not a text file: "
                    "export it as CSV, XLSX or Parquet"
                )
            if is_utf8 and not wide:
                is_utf8 = _decodes(decoder, chunk)
            if b"\n" in chunk or b"\r" in chunk:
                unbroken = len(chunk) - 1 - max(chunk.rfind(b"\n"), chunk.rfind(b"\r"))
            else:
                unbroken += len(chunk)
            if unbroken > LONGEST_LINE:
                row = max(feeds + chunk.count(b"\n"), returns + chunk.count(b"\r")) + 1
                raise InputError(
                    f"{path.name}: line {row} is longer than {LONGEST_LINE // 2**20} MiB, so this "
                    "is not a table of text cells: export it again"
                )
            feeds += chunk.count(b"\n")
            returns += chunk.count(b"\r")
            pairs += chunk.count(b"\r\n") + (last == b"\r" and chunk.startswith(b"\n"))
            last = chunk[-1:]
            size += len(chunk)
    if is_utf8 and not wide:
        is_utf8 = _decodes(decoder, b"", final=True)
    styles = {"\r\n": pairs, "\n": feeds - pairs, "\r": returns - pairs}
    used = [newline for newline, times in styles.items() if times] or ["\n"]
    lines = sum(styles.values()) + (last not in (b"\n", b"\r"))
    return _Scan(
        sha256.hexdigest(),
        start,
        is_utf8 and not wide,
        lines,
        used[0] if len(used) == 1 else None,
    )


def _decodes(decoder: codecs.IncrementalDecoder, chunk: bytes, *, final: bool = False) -> bool:
    try:
        decoder.decode(chunk, final)
    except UnicodeDecodeError:
        return False
    return True


def _encoding(scan: _Scan, file_name: str) -> str:
    for mark, name in _BYTE_ORDER_MARKS:
        if scan.start.startswith(mark):
            return name
    if scan.is_utf8:
        return "utf-8"
    matches = list(charset_normalizer.from_bytes(scan.start))
    if not matches:
        raise InputError(
            f'{file_name} is not text in an encoding that can be told: say encoding = "..." in a '
            "column map, or export it as CSV in UTF-8"
        )
    # Office exports are in Windows-1252 unless something else reads clearly better: of a few
    # accents in a page of numbers no detector can be sure.
    western = [match for match in matches if "cp1252" in match.could_be_from_charset]
    best = matches[0]
    if (
        western
        and western[0].chaos <= best.chaos + CLEARLY_BETTER
        and western[0].coherence >= best.coherence - CLEARLY_BETTER
    ):
        return "cp1252"
    return best.encoding


def _rewrite(path: Path, target: Path, encoding: str) -> int:
    """Write the file anew in UTF-8 with plain newlines, a piece at a time; count its lines."""
    lines, last = 0, "\n"
    try:
        with (
            path.open("r", encoding=encoding, newline=None) as stream,
            target.open("w", encoding="utf-8", newline="") as out,
        ):
            while piece := stream.read(CHUNK):
                if "\0" in piece:
                    row = lines + piece[: piece.index("\0")].count("\n") + 1
                    raise InputError(
                        f"{path.name}: line {row} holds a NUL character, so this is not a text "
                        "file: export it as CSV"
                    )
                out.write(piece)
                lines += piece.count("\n")
                last = piece[-1]
    except LookupError as error:
        raise InputError(
            f"column map for {path.name}: encoding {encoding!r} is not known: use for example "
            "'utf-8' or 'cp1252'"
        ) from error
    except UnicodeError as error:
        raise InputError(
            f"{path.name} is not in {encoding}: after line {lines + 1} the text cannot be decoded: "
            'say encoding = "..." in a column map'
        ) from error
    return lines + (last != "\n")


def _records(lines: Iterable[str], delimiter: str) -> Iterator[list[str]]:
    return csv.reader(lines, delimiter=delimiter)


def _header(
    sample: str, file_name: str, kind: str, column_map: ColumnMap
) -> tuple[str, int, tuple[str, ...]]:
    """Find the delimiter and the row of the headings: those that yield most known headings."""
    candidates = []
    for delimiter in (column_map.delimiter,) if column_map.delimiter else DELIMITERS:
        try:
            rows = list(islice(_records(io.StringIO(sample, newline=""), delimiter), HEADER_ROWS))
        except csv.Error as error:
            raise InputError(f"{file_name} is not a table of text cells: {error}") from error
        numbers = [column_map.header_row] if column_map.header_row else range(1, len(rows) + 1)
        for number in numbers:
            if number <= len(rows):
                cells = tuple(cell.strip() for cell in rows[number - 1])
                candidates.append(
                    (likeness(cells, kind, column_map), len(cells), -number, delimiter, cells)
                )
    if not candidates:
        raise InputError(
            f"{file_name} has no row {column_map.header_row or 1}: check header_row in the map"
        )
    _, _, number, delimiter, cells = max(candidates, key=lambda entry: entry[:3])
    return delimiter, -number, cells


def _refuse_open_quote(connection: duckdb.DuckDBPyConnection, file_name: str) -> None:
    """Refuse a file of which an unclosed quotation mark has swallowed more than its own row."""
    found = connection.execute(read_sql("intake", "open_quote")).fetchall()
    if found:
        raise InputError(
            f"{file_name}: in row {found[0][0]} a quotation mark is opened and never closed, so "
            "the rows after it cannot be told apart: close it in the file"
        )


def _numbered(
    connection: duckdb.DuckDBPyConnection,
    source: Path,
    file_name: str,
    scan: _Scan,
    lines: int,
    delimiter: str,
    header_row: int,
    headings: tuple[str, ...],
) -> RawTable:
    """Find the file row of every row that was read, and make sure that none was lost."""
    rows, rejected = connection.execute(read_sql("intake", "count_read")).fetchall()[0]
    if rows + rejected == 0:
        raise InputError(f"{file_name} has headings in row {header_row} and no rows below them")
    if rejected == 0 and rows + header_row == lines:
        return RawTable(headings, header_row + 1, rows, 0, scan.sha256)
    # Blank lines, line breaks inside cells or refused rows: count records as a spreadsheet does.
    csv.field_size_limit(LONGEST_LINE)
    try:
        with source.open("r", encoding="utf-8-sig", newline="") as stream:
            numbers = pl.Series(
                "file_row", compress(count(1), _records(stream, delimiter)), dtype=pl.Int64
            )
    except csv.Error as error:
        raise InputError(
            f"{file_name} holds a cell of more than {LONGEST_LINE // 2**20} MiB over several "
            "lines, so its rows cannot be told apart: look for a quotation mark that is not closed"
        ) from error
    refused = connection.sql("SELECT DISTINCT file_row FROM rejected").pl()["file_row"]
    below = numbers.filter((numbers > header_row) & ~numbers.is_in(refused.implode()))
    if len(below) != rows:
        raise InputError(
            f"{file_name}: {len(below)} rows were expected and {rows} could be read: look for "
            "quotation marks inside cells, or export it as XLSX"
        )
    row_number = below.to_frame().with_row_index("place")
    connection.register("numbered", row_number)
    connection.execute("CREATE TABLE row_number AS FROM numbered").fetchall()
    connection.unregister("numbered")
    return RawTable(headings, None, rows, rejected, scan.sha256)


def _read_workbook(
    connection: duckdb.DuckDBPyConnection, path: Path, kind: str, column_map: ColumnMap
) -> RawTable:
    try:
        book = fastexcel.read_excel(path)
        sheets = book.sheet_names
        name = column_map.sheet or (sheets[0] if sheets else "")
        if name not in sheets:
            raise InputError(
                f"{path.name} has no sheet {name!r}: it has {', '.join(sheets)}; correct the map"
            )
        # Text only: a reader that guesses types turns what it cannot read into nothing.
        cells = book.load_sheet(name, header_row=None, skip_rows=0, dtypes="string").to_polars()
    except fastexcel.FastExcelError as error:
        raise InputError(
            f"{path.name} cannot be read as a workbook: {str(error).splitlines()[0]}"
        ) from error
    if cells.height == 0 or cells.width == 0:
        raise InputError(f"{path.name}: sheet {name!r} is empty: name the right sheet in a map")
    top = [
        tuple("" if cell is None else str(cell).strip() for cell in row)
        for row in cells.head(HEADER_ROWS).rows()
    ]
    header_row = column_map.header_row or 1 + max(
        range(len(top)), key=lambda place: (likeness(top[place], kind, column_map), -place)
    )
    if header_row > len(top):
        raise InputError(
            f"{path.name}: row {header_row} of sheet {name!r} has no headings: check header_row"
        )
    body = (
        cells.rename({old: f"c{place}" for place, old in enumerate(cells.columns)})
        .with_row_index("file_row", offset=1)
        .slice(header_row)
        .filter(pl.any_horizontal(pl.exclude("file_row").is_not_null()))
    )
    if body.height == 0:
        raise InputError(f"{path.name} has headings in row {header_row} and no rows below them")
    keep_cells(connection, body)
    return RawTable(top[header_row - 1], None, body.height, 0, digest(path))


def _read_parquet(connection: duckdb.DuckDBPyConnection, path: Path) -> RawTable:
    try:
        cells = connection.sql("FROM read_parquet($path)", params={"path": glob_safe(str(path))})
        headings = tuple(cells.columns)
    except duckdb.Error as error:
        raise InputError(
            f"{path.name} cannot be read as Parquet: {str(error).splitlines()[0]}"
        ) from error
    names = ", ".join(f"c{place}" for place in range(len(headings)))
    connection.execute(
        read_sql("intake", "read_parquet").replace("{columns}", names),
        {"path": glob_safe(str(path))},
    ).fetchall()
    connection.execute(read_sql("intake", "no_rejected")).fetchall()
    rows = connection.execute("SELECT count(*) FROM raw").fetchall()[0][0]
    if rows == 0:
        raise InputError(f"{path.name} has no rows")
    return RawTable(headings, 1, rows, 0, digest(path))


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
