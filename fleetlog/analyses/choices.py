"""What a store has to ask about: engine families, components, splits, vehicles."""

from __future__ import annotations

import polars as pl

from fleetlog.sql import read_sql
from fleetlog.store import Store
from fleetlog.vin import near_vins

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
    """Return the vehicles that a VIN, its end, a unit number or a plate may mean.

    Columns ``vin``, ``unit_no``, ``plate``, ``engine_family``, ``model_year``, ``depot``; capitals
    and small letters are alike; at most :data:`MOST_VEHICLES` rows, exact matches first.
    """
    return store.frame(
        read_sql("analyses", "find_vehicles"),
        {"key": key.strip().upper(), "most": MOST_VEHICLES},
    )


def near_vehicles(store: Store, key: str) -> pl.DataFrame:
    """Return the vehicles whose VIN ``key`` may have been meant for.

    Columns ``vin`` and ``what``, as in "'B' for '8' in position 7"; the likeliest slip first.
    """
    fleet = store.frame(read_sql("analyses", "fleet_vins"))["vin"]
    return near_vins(pl.Series([key], dtype=pl.String), fleet).select("vin", "what")
