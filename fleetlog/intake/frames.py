"""Small frames on their way into the scratch database, and variables for its statements."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import TypeAlias

import duckdb
import polars as pl

from fleetlog.sql import read_sql

Value: TypeAlias = str | int | float | date | None


def keep_frame(connection: duckdb.DuckDBPyConnection, table: str, frame: pl.DataFrame) -> None:
    """Make ``table``, one of our own names, out of a frame."""
    connection.register("frame_in", frame)
    connection.execute(f"CREATE TABLE {table} AS FROM frame_in").fetchall()
    connection.unregister("frame_in")


def set_variables(connection: duckdb.DuckDBPyConnection, values: Mapping[str, Value]) -> None:
    """Set variables that statements read with ``getvariable``; the names are our own."""
    for name, value in values.items():
        connection.execute(f"SET VARIABLE {name} = $value", {"value": value}).fetchall()


def run(connection: duckdb.DuckDBPyConnection, name: str, **lists: str) -> None:
    """Run a script of this package, with lists of our own column names filled in."""
    connection.execute(filled(name, **lists)).fetchall()


def filled(name: str, **lists: str) -> str:
    """Return a script of this package with lists of our own column names filled in."""
    script = read_sql("intake", name)
    for place, text in lists.items():
        script = script.replace("{" + place + "}", text)
    return script
