"""Read JSON lines, or an array of JSON objects, into the scratch database as a table of text."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import duckdb

from fleetlog.errors import InputError
from fleetlog.intake.frames import run, set_variables
from fleetlog.intake.raw_table import RawTable, refuse_wide
from fleetlog.intake.staging import glob_safe
from fleetlog.sql import read_sql

LIST_MARK = "\x1f"
DEEPEST = 4


@dataclass(frozen=True)
class _Column:
    """Where the values of a column stand: a JSON pointer, and within a list of objects another.

    ``within`` is None for a plain value and "" for a list of plain values.
    """

    heading: str
    pointer: str
    within: str | None = None


def read_json(
    connection: duckdb.DuckDBPyConnection,
    source: Path,
    file_name: str,
    *,
    newline: str,
    longest_line: int,
    array: bool,
    sha256: str,
) -> RawTable:
    """Read a file of JSON objects, one a line or in one array, into ``raw``.

    Every key is a column; the keys of an object within are headed ``outer.inner``, and the values
    of a list stand in one cell, parted by the unit separator. Rows are numbered by line, or by
    their place in the array. A line that is no object is rejected. Linear in the file.

    Raises
    ------
    InputError : the array is broken, or no line is an object.
    """
    try:
        if array:
            connection.execute(
                read_sql("intake", "read_json_array"), {"path": glob_safe(str(source))}
            ).fetchall()
        else:
            connection.execute(
                read_sql("intake", "read_json_lines"),
                {
                    "path": glob_safe(str(source)),
                    "newline": newline,
                    "longest_line": longest_line,
                },
            ).fetchall()
    except duckdb.Error as error:
        raise InputError(
            f"{file_name} cannot be read as JSON: {str(error).splitlines()[0]}: export it again, "
            "one object a line"
        ) from error
    columns = _columns(connection, "", "")
    if not columns:
        raise InputError(f"{file_name} holds no JSON object with a value: export it again")
    refuse_wide(len(columns), file_name)
    plain = [column.pointer for column in columns if column.within is None]
    lists = [column for column in columns if column.within is not None]
    set_variables(connection, {"unit_separator": LIST_MARK})
    connection.execute("SET VARIABLE pointers = $p", {"p": plain or [""]}).fetchall()
    connection.execute(
        "SET VARIABLE lists = $p", {"p": [column.pointer for column in lists] or [""]}
    ).fetchall()
    connection.execute(
        "SET VARIABLE withins = $p", {"p": [column.within for column in lists] or [""]}
    ).fetchall()
    places = {id(column): nth for group in (
        [column for column in columns if column.within is None], lists
    ) for nth, column in enumerate(group, 1)}  # fmt: skip
    run(
        connection,
        "json_cells",
        cells=", ".join(
            f"plain[{places[id(column)]}] AS c{nth}"
            if column.within is None
            else f"joined(object, {places[id(column)]}) AS c{nth}"
            for nth, column in enumerate(columns)
        ),
    )
    rows, rejected, whole = connection.execute(read_sql("intake", "count_json")).fetchall()[0]
    return RawTable(
        tuple(column.heading for column in columns),
        1 if whole else None,
        rows,
        rejected,
        sha256,
    )


def _columns(
    connection: duckdb.DuckDBPyConnection, pointer: str, heading: str, depth: int = 1
) -> list[_Column]:
    """Return the columns of the objects at a pointer, in the order of their first appearance."""
    found = connection.execute(read_sql("intake", "json_keys"), {"pointer": pointer}).fetchall()
    columns: list[_Column] = []
    for key, types in found:
        name = f"{heading}.{key}" if heading else key
        below = f"{pointer}/{_escaped(key)}"
        if types == ["OBJECT"] and depth < DEEPEST:
            columns += _columns(connection, below, name, depth + 1)
        elif types == ["ARRAY"]:
            # Only a list of nothing but objects can be taken apart without losing anything.
            inner = connection.execute(
                read_sql("intake", "json_list_keys"), {"pointer": below}
            ).fetchall()
            columns += [
                _Column(f"{name}.{within}", below, f"/{_escaped(within)}") for (within,) in inner
            ] or [_Column(name, below, "")]
        elif types:
            columns.append(_Column(name, below))
    return columns


def _escaped(key: str) -> str:
    """Return a key as RFC 6901 writes it in a pointer."""
    return key.replace("~", "~0").replace("/", "~1")


def looks_like_json(start: str) -> bool:
    """Say whether text begins like an object, or like an array of objects."""
    bare = start.lstrip("\ufeff \t\r\n")
    return bare.startswith("{") or is_array(start)


def is_array(start: str) -> bool:
    """Say whether text begins like an array of objects."""
    bare = start.lstrip("\ufeff \t\r\n")
    return bare.startswith("[") and bare[1:].lstrip().startswith("{")
