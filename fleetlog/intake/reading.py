"""Read a file of any of the common layouts into the scratch database, every cell as text."""

from __future__ import annotations

import codecs
import csv
import hashlib
import io
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from itertools import compress, count, islice
from pathlib import Path
from tempfile import TemporaryDirectory

import charset_normalizer
import duckdb
import polars as pl

from fleetlog.errors import InputError
from fleetlog.intake.columns import ColumnMap, likeness
from fleetlog.intake.json_lines import is_array, looks_like_json, read_json
from fleetlog.intake.raw_table import RawTable, digest, refuse_wide
from fleetlog.intake.staging import NO_ROOM, Staging, glob_safe
from fleetlog.intake.workbook import HEADER_ROWS, read_workbook
from fleetlog.sql import read_sql

CHUNK = 4 * 2**20
LONGEST_LINE = 2 * 2**20
SAMPLE = 256 * 2**10
CLEARLY_BETTER = 0.1
FEW_ACCENTS = 10
DELIMITERS = (",", ";", "\t", "|")
# A zip archive (XLSX, XLSB, ODS) and the compound file of older workbooks.
_WORKBOOKS = (b"PK\x03\x04", b"\xd0\xcf\x11\xe0")
_BYTE_ORDER_MARKS = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)
_NEWLINES = {"\n": "\\n", "\r\n": "\\r\\n", "\r": "\\r"}


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
    start = _start(path)
    try:
        if start.startswith(_WORKBOOKS):
            return read_workbook(connection, path, kind, column_map)
        if start.startswith(b"PAR1"):
            return _read_parquet(connection, path)
        return _read_text(connection, staging, path, kind, column_map)
    except OSError as error:
        if error.errno in NO_ROOM:
            raise
        raise InputError(f"{path.name} cannot be read: {error.strerror or error}") from error


def headings_as(path: Path, kind: str, column_map: ColumnMap) -> tuple[str, ...]:
    """Return the headings that a text or Parquet file has if it is of a kind; () if none.

    Only the beginning of the file is looked at, or of an array of JSON objects all of it.

    Raises
    ------
    InputError : the file is missing or empty, or is no such file.
    """
    start = _start(path)
    with duckdb.connect() as connection, TemporaryDirectory() as folder:
        if start.startswith(b"PAR1"):
            return _parquet_headings(connection, path)
        encoding = column_map.encoding or next(
            (name for mark, name in _BYTE_ORDER_MARKS if start.startswith(mark)), "utf-8"
        )
        with path.open("r", encoding=encoding, errors="replace", newline=None) as stream:
            sample = stream.read(SAMPLE)
            if is_array(sample):
                sample += stream.read()
        if not looks_like_json(sample):
            return _header(sample, path.name, kind, column_map)[2]
        copy = Path(folder) / "sample"
        whole = sample if is_array(sample) else sample[: sample.rfind("\n") + 1] or sample
        copy.write_text(whole, encoding="utf-8")
        return read_json(
            connection, copy, path.name, newline=_NEWLINES["\n"], longest_line=LONGEST_LINE,
            array=is_array(sample), sha256="",
        ).headings  # fmt: skip


def is_workbook(path: Path) -> bool:
    """Say whether a file is a workbook by its first bytes.

    Raises
    ------
    InputError : the file is missing or empty.
    """
    return _start(path).startswith(_WORKBOOKS)


def _start(path: Path) -> bytes:
    """Return the first bytes of a file that is there and holds something."""
    if path.is_dir():
        raise InputError(f"{path} is a folder: name one file in it")
    if not path.exists():
        raise InputError(f"{path} does not exist: check the path")
    try:
        with path.open("rb") as stream:
            start = stream.read(8)
    except OSError as error:
        raise InputError(f"{path.name} cannot be read: {error.strerror or error}") from error
    if not start:
        raise InputError(f"{path.name} is empty: export it again")
    return start


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
    if looks_like_json(sample):
        return read_json(
            connection,
            source,
            path.name,
            newline=_NEWLINES[newline],
            longest_line=LONGEST_LINE,
            array=is_array(sample),
            sha256=scan.sha256,
        )
    delimiter, header_row, headings = _header(sample, path.name, kind, column_map)
    refuse_wide(len(headings), path.name)
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
    raw = _numbered(connection, source, path.name, scan, lines, delimiter, header_row, headings)
    if column_map.encoding is None and not encoding.startswith("utf"):
        said = f'text was read as {encoding}: if letters look wrong, say encoding = "..." in a map'
        return replace(raw, remarks=(*raw.remarks, said))
    return raw


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
    # Office exports are in Windows-1252 unless something else reads clearly better: of a few
    # accents in a page of numbers no detector can be sure, and of a handful none can tell at all.
    strange = scan.start.translate(None, bytes(range(128)))
    if len(strange) < FEW_ACCENTS:
        if _is_western(strange):
            return "cp1252"
        raise InputError(
            f"{file_name}: row {_row_of_odd_byte(scan.start)} holds a byte that is neither UTF-8 "
            "nor Windows-1252, and there are too few such bytes to tell another encoding by: "
            "export the file as CSV in UTF-8, or, if nothing in it is damaged, say "
            'encoding = "..." in a column map'
        )
    matches = list(charset_normalizer.from_bytes(scan.start))
    if not matches:
        raise InputError(
            f'{file_name} is not text in an encoding that can be told: say encoding = "..." in a '
            "column map, or export it as CSV in UTF-8"
        )
    western = [match for match in matches if "cp1252" in match.could_be_from_charset]
    best = matches[0]
    if (
        western
        and western[0].chaos <= best.chaos + CLEARLY_BETTER
        and western[0].coherence >= best.coherence - CLEARLY_BETTER
    ):
        return "cp1252"
    return best.encoding


def _row_of_odd_byte(start: bytes) -> int:
    """Return the line of the first byte that Windows-1252 does not know."""
    try:
        start.decode("cp1252")
    except UnicodeDecodeError as error:
        return start[: error.start].count(b"\n") + 1
    raise ValueError("every byte is of Windows-1252")


def _is_western(data: bytes) -> bool:
    try:
        data.decode("cp1252")
    except UnicodeDecodeError:
        return False
    return True


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
    # The limit is one of the whole process: said here, so that it never depends on what ran before.
    csv.field_size_limit(LONGEST_LINE)
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


@contextmanager
def _reading_parquet(path: Path) -> Iterator[None]:
    """Say what is wrong with a damaged file; a full disk or memory is no fault of the file."""
    try:
        yield
    except duckdb.Error as error:
        of_the_file = path.name in str(error) or not isinstance(error, duckdb.OperationalError)
        if not of_the_file or isinstance(error, duckdb.OutOfMemoryException):
            raise
        raise InputError(
            f"{path.name} cannot be read as Parquet: {str(error).splitlines()[0]}: export it again"
        ) from error


def _parquet_headings(connection: duckdb.DuckDBPyConnection, path: Path) -> tuple[str, ...]:
    with _reading_parquet(path):
        table = connection.sql("FROM read_parquet($path)", params={"path": glob_safe(str(path))})
        return tuple(table.columns)


def _read_parquet(connection: duckdb.DuckDBPyConnection, path: Path) -> RawTable:
    headings = _parquet_headings(connection, path)
    refuse_wide(len(headings), path.name)
    names = ", ".join(f"c{place}" for place in range(len(headings)))
    with _reading_parquet(path):
        connection.execute(
            read_sql("intake", "read_parquet").replace("{columns}", names),
            {"path": glob_safe(str(path))},
        ).fetchall()
    connection.execute(read_sql("intake", "no_rejected")).fetchall()
    rows = connection.execute("SELECT count(*) FROM raw").fetchall()[0][0]
    if rows == 0:
        raise InputError(f"{path.name} has no rows")
    return RawTable(headings, 1, rows, 0, digest(path))
