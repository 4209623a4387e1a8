"""The packaged catalogue in the store, so that its SQL can join on components and positions."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import duckdb
import polars as pl

from fleetlog.catalogue import Catalogue, EngineFamily, component_frame, position_frame
from fleetlog.sql import read_sql

TABLES = ("component", "component_position")


def engine_families(connection: duckdb.DuckDBPyConnection) -> tuple[EngineFamily, ...]:
    """Return the engine families that stand in the store, by code."""
    rows = connection.sql(read_sql("store", "engine_families")).pl()
    return tuple(family_from(row) for row in rows.to_dicts())


def family_from(row: Mapping[str, Any]) -> EngineFamily:
    """Build an engine family from a row with its fields; other fields are not looked at.

    Raises
    ------
    InputError : the numbers contradict each other.
    """
    return EngineFamily(
        code=row["code"],
        title=row["title"],
        cylinders=row["cylinders"],
        banks=row["banks"],
        cylinder_banks=tuple(row["cylinder_banks"]),
        intake_valves=row["intake_valves"],
        exhaust_valves=row["exhaust_valves"],
        camshafts_per_bank=row["camshafts_per_bank"],
        camshaft_location=row["camshaft_location"],
        fuel=row["fuel"],
        displacement_l=row["displacement_l"],
    )


def write_catalogue(connection: duckdb.DuckDBPyConnection, catalogue: Catalogue) -> None:
    """Bring ``component`` and ``component_position`` up to the catalogue and the engine families.

    Runs inside the caller's transaction and writes only what differs. The work grows with
    families times components times positions, whatever the size of the fleet.
    """
    frames = (
        component_frame(catalogue),
        position_frame(catalogue, engine_families(connection)),
    )
    for table, frame in zip(TABLES, frames, strict=True):
        _replace_if_different(connection, table, frame)


def _replace_if_different(
    connection: duckdb.DuckDBPyConnection, table: str, frame: pl.DataFrame
) -> None:
    stands = connection.sql(f"FROM {table}").pl()
    wanted = frame.cast(stands.schema)
    if stands.sort(stands.columns).equals(wanted.sort(wanted.columns)):
        return
    # Deleting and inserting one key in one transaction breaks on the index, so rows that stay stay.
    connection.register("wanted_rows", wanted)
    connection.execute(read_sql("store", f"renew_{table}")).fetchall()
    connection.unregister("wanted_rows")
