"""What a store has to ask about: engine families, components, splits, vehicles."""

from __future__ import annotations

import re

import duckdb
import polars as pl

from fleetlog.sql import read_sql
from fleetlog.store import Store
from fleetlog.vin import near_vins

SHORTEST_PART = 3
"""A part of a name that is shorter would answer for half the fleet."""

MOST_VEHICLES = 20
"""A key that more vehicles answer to than this is too short to choose by."""


def engine_families(store: Store) -> pl.DataFrame:
    """Return ``code``, ``title`` and ``vehicles``, the largest fleet first."""
    return store.frame(read_sql("analyses", "engine_families"))


def components(store: Store, engine_family: str | None = None) -> pl.DataFrame:
    """Return ``code``, ``title``, ``failures`` (parts) and ``vehicles``, most failures first."""
    return store.frame(read_sql("analyses", "components"), {"engine_family": engine_family})


def splits(store: Store, component: str, engine_family: str | None = None) -> tuple[str, ...]:
    """Return the columns that split this component's lives into more than one group."""
    counts = store.frame(
        read_sql("analyses", "splits"), {"component": component, "engine_family": engine_family}
    )
    return tuple(name for name, count in counts.row(0, named=True).items() if count > 1)


def find_vehicles(store: Store, key: str) -> pl.DataFrame:
    """Return the vehicles that a name may mean.

    A name is a VIN, a unit number, a plate or a repair order number, or any part of one. Capitals
    and small letters are alike; of a plate only letters and figures count. Whole names come first:
    where one answers, parts of others do not; else the end of a VIN (four characters or more)
    goes before other parts (:data:`SHORTEST_PART` characters or more).

    Returns
    -------
    ``vin``, ``unit_no``, ``plate``, ``engine_family``, ``model_year``, ``depot`` and ``matched``
    (by what the vehicle answered, in words), by VIN, at most :data:`MOST_VEHICLES` rows.
    """
    with store.read() as connection:
        named = vins_named(connection, key)
        query, words = read_sql("analyses", "vehicles_of_vins"), {"vins": named["vin"].to_list()}
        vehicles: pl.DataFrame = connection.sql(query, params=words).pl()
    return named.join(vehicles, on="vin", maintain_order="left").select(
        "vin", "unit_no", "plate", "engine_family", "model_year", "depot", "matched"
    )


def vins_named(connection: duckdb.DuckDBPyConnection, key: str) -> pl.DataFrame:
    """Return ``vin`` and ``matched`` of :func:`find_vehicles`, on a connection that is open."""
    name = key.strip().upper()
    bare = re.sub("[^A-Z0-9]", "", name)
    found = _searched(connection, "whole_names", name, bare)
    if found.is_empty() and bare not in ("", name):
        # Apart from the others, for one number is looked up quicker than two.
        found = _searched(connection, "whole_plate", name, bare)
    if found.is_empty() and len(name) >= SHORTEST_PART:
        short = len(bare) < SHORTEST_PART
        found = _searched(connection, "names_with_part", name, None if short else bare)
    return found


def _searched(
    connection: duckdb.DuckDBPyConnection, names: str, key: str, bare: str | None
) -> pl.DataFrame:
    query = read_sql("analyses", "find_vehicles").format(names=read_sql("analyses", names))
    words = {"key": key, "bare": bare, "most": MOST_VEHICLES}
    found: pl.DataFrame = connection.sql(query, params=words).pl()
    return found


def near_vehicles(store: Store, key: str) -> pl.DataFrame:
    """Return the vehicles whose VIN ``key`` may have been meant for.

    Columns ``vin`` and ``what``, as in "'B' for '8' in position 7"; the likeliest slip first.
    """
    fleet = store.frame(read_sql("analyses", "fleet_vins"))["vin"]
    return near_vins(pl.Series([key], dtype=pl.String), fleet).select("vin", "what")
