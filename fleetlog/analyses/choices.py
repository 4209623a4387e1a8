"""What a store has to ask about: engine families, components, splits, vehicles."""

from __future__ import annotations

import re
from dataclasses import dataclass

import duckdb
import polars as pl

from fleetlog.sql import read_sql
from fleetlog.store import Store
from fleetlog.vin import near_vins

SHORTEST_PART = 3
"""A part of a name that is shorter would answer for half the fleet."""

MOST_VEHICLES = 20
"""A key that more vehicles answer to than this is too short to choose by."""


@dataclass(frozen=True)
class _Stage:
    """One way to take a name, for names of so many characters."""

    shortest: int
    longest: int
    vehicle_by: str
    vehicle_test: str
    order_test: str
    query: str = "find_vehicles"


#: The plate without blanks and marks: plain replacing is far quicker than a regular expression.
_PLATE = "upper(replace(replace(replace(plate, ' ', ''), '-', ''), '.', ''))"

STAGES = (
    _Stage(17, 17, "", "", "", query="find_vehicle_by_vin"),
    # As it is mostly written: without a function over every row.
    _Stage(
        1, 64, "CASE WHEN unit_no = $key THEN 'its unit number' ELSE 'its plate' END",
        "unit_no = $key OR plate = $key", "ro_no = $key",
    ),
    _Stage(
        1, 64,
        "CASE WHEN upper(unit_no) = $key THEN 'its unit number' ELSE 'its plate' END",
        f"upper(unit_no) = $key OR ($bare <> '' AND {_PLATE} = $bare)",
        "upper(ro_no) = $key",
    ),
    _Stage(4, 16, "'the end of its VIN'", "ends_with(vin, $key)", "false"),
    _Stage(
        SHORTEST_PART, 64,
        "CASE WHEN contains(vin, $key) THEN 'a part of its VIN' "
        "WHEN contains(upper(unit_no), $key) THEN 'a part of its unit number' "
        "ELSE 'a part of its plate' END",
        "contains(vin, $key) OR contains(upper(unit_no), $key) "
        f"OR (length($bare) >= {SHORTEST_PART} AND contains({_PLATE}, $bare))",
        "contains(upper(ro_no), $key)",
    ),
)  # fmt: skip


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
        return vehicles_named(connection, key)


def vehicles_named(connection: duckdb.DuckDBPyConnection, key: str) -> pl.DataFrame:
    """Return what :func:`find_vehicles` does, on a connection that is open."""
    name = key.strip().upper()
    for stage in STAGES:
        if len(name) < stage.shortest or len(name) > stage.longest:
            continue
        query = read_sql("analyses", stage.query).format(
            vehicle_by=stage.vehicle_by,
            vehicle_test=stage.vehicle_test,
            order_test=stage.order_test,
        )
        words = {"key": name, "most": MOST_VEHICLES}
        if "$bare" in query:
            words["bare"] = re.sub("[^A-Z0-9]", "", name)
        found: pl.DataFrame = connection.sql(query, params=words).pl()
        if found.height:
            return found
    columns = ("vin", "unit_no", "plate", "engine_family", "model_year", "depot", "matched")
    return pl.DataFrame(schema=dict.fromkeys(columns, pl.String) | {"model_year": pl.Int16})


def near_vehicles(store: Store, key: str) -> pl.DataFrame:
    """Return the vehicles whose VIN ``key`` may have been meant for.

    Columns ``vin`` and ``what``, as in "'B' for '8' in position 7"; the likeliest slip first.
    """
    fleet = store.frame(read_sql("analyses", "fleet_vins"))["vin"]
    return near_vins(pl.Series([key], dtype=pl.String), fleet).select("vin", "what")
