"""Turn raw text into typed, checked rows, in the scratch database and set by set.

The statement that reads the cells is joined from the closed list of fields in fields.toml and
the macros of macros.sql; nothing of the file itself gets into a statement.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from typing import Literal

import duckdb

from fleetlog.errors import InputError
from fleetlog.intake.columns import ColumnMap, Field, MatchedColumns, choices, fields_read, plain
from fleetlog.intake.dates import find_date_order
from fleetlog.intake.frames import filled, run, set_variables
from fleetlog.intake.listing import split_lists
from fleetlog.intake.raw_table import RawTable
from fleetlog.units import KM_PER_MILE

DateOrder = Literal["dmy", "mdy", "ymd", "each"]
_UNIT_WORDS = {
    "mi": {"mi", "mile", "miles", "mileage"},
    "km": {"km", "kms", "kilometre", "kilometres", "kilometer", "kilometers"},
}
_SQL_TYPES = {
    "text": "VARCHAR",
    "integer": "INTEGER",
    "number": "DOUBLE",
    "money": "DECIMAL(12, 2)",
    "distance": "INTEGER",
    "date": "DATE",
    "yes-no": "BOOLEAN",
    "codes": "VARCHAR[]",
}
_CANNOT_BE_MISREAD = ("text", "codes")
_NEVER_NEGATIVE = ("integer", "number", "distance")


@dataclass(frozen=True)
class Conventions:
    """How the cells of one file are to be read, from its map or found in the file itself."""

    decimal_mark: str
    distance_unit: str
    date_order: str
    shop: str | None
    list_mark: str | None


def check(
    connection: duckdb.DuckDBPyConnection,
    raw: RawTable,
    matched: MatchedColumns,
    *,
    kind: str,
    column_map: ColumnMap,
    store_unit: str,
    file_name: str,
    today: date,
) -> Conventions:
    """Build the view ``typed`` over ``raw``: each field read by its type, faults flagged.

    Expects nothing but ``raw``. Two passes over the columns that hold dates and numbers, to find
    how they are written; linear in the rows.

    Raises
    ------
    InputError : the dates can be read in two ways and nothing in the file decides.
    """
    entries = fields_read(kind)
    mapped = [entry for entry in entries if entry.name in matched.columns]
    run(connection, "macros")
    set_variables(connection, {"first_row": raw.first_row})
    run(
        connection,
        "cell",
        file_row=raw.file_row,
        source=raw.source,
        cells=_cells(matched, entries),
    )
    list_mark = split_lists(connection, matched, kind, column_map.list_mark)
    conventions = Conventions(
        decimal_mark=column_map.decimal_mark or _decimal_mark(connection, mapped),
        distance_unit=column_map.distance_unit or _heading_unit(matched, mapped) or store_unit,
        date_order="",
        shop=column_map.shop,
        list_mark=list_mark,
    )
    headings = {entry.name: matched.heading(entry.name) for entry in mapped}
    connection.execute(
        "SET VARIABLE heading = map_from_entries($pairs)",
        {"pairs": [{"k": name, "v": heading} for name, heading in headings.items()]},
    ).fetchall()
    set_variables(
        connection,
        {
            "today": today,
            "decimal_mark": conventions.decimal_mark,
            "file_unit": conventions.distance_unit,
            "store_unit": store_unit,
            "km_per_mile": KM_PER_MILE,
            "shop": conventions.shop,
        },
    )
    date_order = _read_dates(connection, matched, mapped, column_map, file_name)
    _make_typed(connection, entries, set(matched.columns))
    return replace(conventions, date_order=date_order)


def _cells(matched: MatchedColumns, entries: tuple[Field, ...]) -> str:
    return ", ".join(
        f"cell_text(c{matched.columns[entry.name]}) AS {entry.name}"
        if entry.name in matched.columns
        else f"NULL::VARCHAR AS {entry.name}"
        for entry in entries
    )


def _make_typed(
    connection: duckdb.DuckDBPyConnection, entries: tuple[Field, ...], there: set[str]
) -> None:
    """Join the statement that reads every field and flags what cannot be read."""
    values, readings, faults, problems, joins = [], [], [], [], []
    for place, entry in enumerate(entries):
        name = entry.name
        if entry.type == "distance":
            values.append(f"{name}_cell AS {name}_written")
        readings.append(f"cell.{name} AS {name}_cell")
        if name not in there:
            values.append(f"NULL::{_SQL_TYPES.get(entry.type, 'VARCHAR')} AS {name}")
            continue
        if entry.type == "text":
            values.append(f"{name}_cell AS {name}")
        else:
            readings.append(f"{_reading(entry)} AS {name}_value")
            values.append(f"{name}_value AS {name}")
        if entry.type == "date":
            readings.append(f"{name}_date.problem AS {name}_problem")
            joins.append(f"LEFT JOIN date_value {name}_date ON {name}_date.written = cell.{name}")
        conditions, sentences = _faults_of(entry)
        if conditions:
            faults.append(f"flag({' OR '.join(conditions)}, {place})")
            problems.append(f"CASE WHEN has(faults, {place}) THEN {sentences} END")
    run(
        connection,
        "typed",
        values=", ".join(values),
        readings=", ".join(readings),
        faults=" | ".join(faults),
        problems=", ".join(problems),
        joins=" ".join(joins),
    )


def _reading(entry: Field) -> str:
    if entry.type == "date":
        return f"{entry.name}_date.day"
    if entry.type in choices():
        allowed = ", ".join(f"'{choice}'" for choice in choices()[entry.type])
        return (
            f"CASE WHEN lower(cell.{entry.name}) IN ({allowed}) THEN lower(cell.{entry.name}) END"
        )
    return f"{entry.type.replace('-', '_')}_of(cell.{entry.name})"


def _faults_of(entry: Field) -> tuple[list[str], str]:
    """Return the conditions under which a field holds its row back, and the sentence for each."""
    cell, value = f"{entry.name}_cell", f"{entry.name}_value"
    conditions, cases = [], []

    def add(condition: str, what: str, cure: str) -> None:
        conditions.append(condition)
        cases.append(f"WHEN {condition} THEN trouble('{entry.name}', {cell}, {what}, '{cure}')")

    if entry.required:
        add(f"{cell} IS NULL", "'is empty'", "fill it in")
    if entry.type == "date":
        problem = f"{entry.name}_problem"
        add(f"{problem} IS NOT NULL", problem, "write it as year-month-day, as in 2024-03-04")
    elif entry.type in choices():
        allowed = ", ".join(choices()[entry.type])
        add(
            f"{cell} IS NOT NULL AND {value} IS NULL",
            f"'is not one of {allowed}'",
            "use one of these words",
        )
    elif entry.type == "yes-no":
        if not entry.soft:
            add(f"{cell} IS NOT NULL AND {value} IS NULL", "'is neither yes nor no'", "say which")
    elif entry.type not in _CANNOT_BE_MISREAD:
        whole = "whole number" if entry.type == "integer" else "number"
        add(
            f"{cell} IS NOT NULL AND {value} IS NULL",
            f"'is not a {whole} that can be read'",
            "correct it, or say decimal_mark in a column map",
        )
    if entry.type in _NEVER_NEGATIVE:
        add(f"{value} < 0", "'is negative'", "correct it")
    return conditions, f"CASE {' '.join(cases)} END"


def _decimal_mark(connection: duckdb.DuckDBPyConnection, mapped: list[Field]) -> str:
    """Find the decimal mark from the numbers that plain digits do not settle."""
    numbers = [entry.name for entry in mapped if entry.type in ("number", "money", "distance")]
    commas = [f"count(*) FILTER (shows_comma({name}))" for name in numbers] or ["0"]
    points = [f"count(*) FILTER (shows_point({name}))" for name in numbers] or ["0"]
    found = connection.execute(
        filled("decimal_mark", commas=" + ".join(commas), points=" + ".join(points))
    ).fetchall()[0]
    return "," if found[0] > found[1] else "."


def _heading_unit(matched: MatchedColumns, mapped: list[Field]) -> str | None:
    """Return the distance unit that the headings name, where they name just one."""
    words = {
        word
        for entry in mapped
        if entry.type == "distance"
        for word in plain(matched.heading(entry.name)).split()
    }
    named = [unit for unit, names in _UNIT_WORDS.items() if words & names]
    return named[0] if len(named) == 1 else None


def _read_dates(
    connection: duckdb.DuckDBPyConnection,
    matched: MatchedColumns,
    mapped: list[Field],
    column_map: ColumnMap,
    file_name: str,
) -> str:
    """Build ``date_value`` from the distinct texts of all date columns; return their order."""
    names = [entry.name for entry in mapped if entry.type == "date"]
    found = find_date_order(connection, names)
    order = column_map.date_order
    if order is None:
        order = "each" if found.mixed else found.settled
    if order is None:
        where = " and ".join(repr(matched.heading(name)) for name in names)
        raise InputError(
            f"{file_name}: the dates under {where}, such as {found.example!r}, can be read with "
            "the day first or the month first, and no date in the file decides: which is it? Say "
            'date_order = "dmy" or "mdy" in a column map'
        )
    set_variables(connection, {"date_order": order})
    run(connection, "date_values")
    return order
