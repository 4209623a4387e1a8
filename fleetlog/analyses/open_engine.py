"""The engine that is open: what failed, what sits behind the same covers, and how old it is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import duckdb
import polars as pl

from fleetlog.analyses.components import find_component
from fleetlog.analyses.wording import listed
from fleetlog.errors import InputError
from fleetlog.sql import read_sql

POSITION = ("bank", "cylinder", "side", "slot")
NO_ORDER = -1


@dataclass(frozen=True)
class OpenEngine:
    """An open engine.

    Attributes
    ----------
    vin, shop, ro_no, on : of the vehicle and the order, where there is one.
    orders : ids of all the orders that tell of the job.
    distance : how far the engine has gone.
    failed : components that failed, those behind the covers only. failed_elsewhere : titles of
        others, which lie behind no cover or behind another one.
    parts : a row for each position of each component of ``access_group``: ``component``,
        ``title``, ``safety_critical``, ``position_rule``, ``ordinal``, ``bank``, ``cylinder``,
        ``side``, ``slot``, ``age``, ``age_days`` (null without a vehicle), ``generation``,
        ``age_assumed``, ``position_assumed``, ``renewed`` (by this job, or about to be because it
        failed), ``failed`` (in this job) and ``open`` (behind the covers that are off).
    position_assumed : whether nobody said where the failed part sat, so that a place was given.
    """

    vin: str | None
    shop: str | None
    ro_no: str | None
    on: date | None
    orders: tuple[int, ...]
    engine_family: str
    distance: float
    access_group: str
    failed: tuple[str, ...]
    failed_elsewhere: tuple[str, ...]
    parts: pl.DataFrame
    position_assumed: bool


def rows(connection: duckdb.DuckDBPyConnection, name: str, **parameters: object) -> pl.DataFrame:
    """Run one query of the analyses."""
    frame: pl.DataFrame = connection.sql(read_sql("analyses", name), params=parameters).pl()
    return frame


def of_order(connection: duckdb.DuckDBPyConnection, shop: str | None, ro_no: str) -> OpenEngine:
    """Return the engine that the order of that shop and number opened."""
    found = rows(connection, "together_order", shop=shop, ro_no=ro_no)
    if found.is_empty():
        at = f" of {shop}" if shop else ""
        raise InputError(f"no repair order {ro_no!r}{at} is in the store: check shop and number")
    if found.height > 1:
        raise InputError(f"RO {ro_no!r} is of {listed(found['shop'])}: say which shop")
    return _opened_by(connection, found.row(0, named=True))


def of_vehicle(connection: duckdb.DuckDBPyConnection, vin: str) -> OpenEngine:
    """Return the engine as the newest order with a failure behind some cover opened it."""
    found = rows(connection, "together_latest", vin=vin)
    if found.is_empty():
        raise InputError(
            f"no order of {vin} tells of a failure behind a cover: name the component that failed"
        )
    return _opened_by(connection, found.row(0, named=True))


def _opened_by(connection: duckdb.DuckDBPyConnection, order: dict[str, Any]) -> OpenEngine:
    name = f"RO {order['ro_no']} ({order['shop']})"
    if order["distance"] is None:
        raise InputError(
            f"how far the vehicle of {name} had gone is not known: mend the odometer, or ask by "
            "vehicle and component"
        )
    visit = rows(connection, "together_visit", vin=order["vin"], ro_id=order["ro_id"])
    failures = visit.filter(pl.col("failed"))
    behind = failures.filter(pl.col("access_group").is_not_null())
    if behind.is_empty():
        what = listed(failures["title"].unique(maintain_order=True)) or "nothing"
        raise InputError(
            f"{name} tells of no failure behind a cover (it says that {what} failed): name the "
            "component that failed, or another order"
        )
    group = (
        behind.group_by("access_group")
        .agg(parts=pl.len())
        .sort("parts", "access_group", descending=[True, False])["access_group"][0]
    )
    mine = behind.filter(pl.col("access_group") == group)
    return _laid_open(
        connection,
        vin=order["vin"],
        shop=order["shop"],
        ro_no=order["ro_no"],
        on=order["opened_on"],
        orders=tuple(visit["ro_id"].unique().sort().to_list()),
        distance=float(order["distance"]),
        group=group,
        failed=mine,
        elsewhere=tuple(
            failures.filter(pl.col("access_group").ne_missing(group))["title"].unique().sort()
        ),
    )


def of_vehicle_as_last_seen(
    connection: duckdb.DuckDBPyConnection,
    vin: str,
    component: str,
    position: dict[str, str | int],
    odometer: float | None,
) -> OpenEngine:
    """Return the engine of a vehicle as last seen, with a failed component that somebody names."""
    head = rows(connection, "vehicle_head", vin=vin)
    if head.is_empty():
        raise InputError(f"{vin} has no mileage that can be believed: load a reading first")
    facts = head.row(0, named=True)
    distance = float(facts["last_seen_distance"])
    if odometer is not None and odometer < distance:
        raise InputError(
            f"{vin} was last seen at {distance:,.0f}: give an odometer of that or more"
        )
    group, failed = _named(connection, facts["engine_family"], component, position)
    return _laid_open(
        connection,
        vin=vin,
        shop=None,
        ro_no=None,
        on=facts["last_seen_on"],
        orders=(),
        distance=distance if odometer is None else odometer,
        group=group,
        failed=failed.head(1).with_columns(position_assumed=pl.lit(failed.height > 1)),
        elsewhere=(),
    )


def of_family(
    connection: duckdb.DuckDBPyConnection,
    engine_family: str,
    component: str,
    position: dict[str, str | int],
    odometer: float,
) -> OpenEngine:
    """Return an engine of a family with the parts that it was built with."""
    if odometer < 0:
        raise InputError(f"the odometer is {odometer:,.0f}: give a distance of 0 or more")
    group, failed = _named(connection, engine_family, component, position)
    places = rows(
        connection, "together_places", access_group=group, engine_family=engine_family
    ).with_columns(
        age=pl.lit(float(odometer)),
        age_days=pl.lit(None, dtype=pl.Int64),
        generation=pl.lit(1, dtype=pl.Int16),
        age_assumed=pl.lit(value=False),
        position_assumed=pl.lit(value=False),
        renewed=pl.lit(value=False),
    )
    several = failed.height > 1
    failed = failed.head(1)
    return OpenEngine(
        vin=None, shop=None, ro_no=None, on=None, orders=(), engine_family=engine_family,
        distance=float(odometer), access_group=group, failed=(component,), failed_elsewhere=(),
        parts=_marked(places, failed), position_assumed=several,
    )  # fmt: skip


def _named(
    connection: duckdb.DuckDBPyConnection,
    engine_family: str,
    component: str,
    position: dict[str, str | int],
) -> tuple[str, pl.DataFrame]:
    """Return the access group of a component and the positions that may be meant."""
    part = find_component(component)
    if part.access_group is None:
        raise InputError(
            f"{component} lies behind no cover that other parts share: nothing to renew with it"
        )
    wrong = [name for name in position if name not in POSITION]
    if wrong:
        raise InputError(f"{wrong[0]!r} is no part of a position: give {listed(POSITION)}")
    places = rows(
        connection, "together_places", access_group=part.access_group, engine_family=engine_family
    )
    mine = places.filter(pl.col("component") == component)
    if mine.is_empty():
        raise InputError(
            f"the store has no {component} on engine family {engine_family!r}: check both codes"
        )
    for name, value in position.items():
        mine = mine.filter(pl.col(name).cast(pl.String) == str(value))
    if mine.is_empty():
        said = ", ".join(f"{name} {value}" for name, value in position.items())
        raise InputError(f"{component} has no position {said} on engine family {engine_family!r}")
    return part.access_group, mine


def _laid_open(
    connection: duckdb.DuckDBPyConnection,
    *,
    vin: str,
    shop: str | None,
    ro_no: str | None,
    on: date,
    orders: Sequence[int],
    distance: float,
    group: str,
    failed: pl.DataFrame,
    elsewhere: tuple[str, ...],
) -> OpenEngine:
    family = rows(connection, "vehicle_head", vin=vin)["engine_family"][0]
    places = rows(connection, "together_places", access_group=group, engine_family=family)
    fitted = rows(
        connection, "together_parts", vin=vin, on=on, distance=int(distance), access_group=group,
        orders=list(orders) or [NO_ORDER],
    )  # fmt: skip
    parts = places.join(
        fitted, on=["component", "ordinal"], how="left", maintain_order="left", validate="1:1"
    )
    return OpenEngine(
        vin=vin, shop=shop, ro_no=ro_no, on=on, orders=tuple(orders), engine_family=family,
        distance=distance, access_group=group,
        failed=tuple(failed["component"].unique().sort()), failed_elsewhere=elsewhere,
        parts=_marked(parts, failed),
        position_assumed=bool(failed["position_assumed"].any()),
    )  # fmt: skip


def _marked(parts: pl.DataFrame, failed: pl.DataFrame) -> pl.DataFrame:
    """Mark the failed positions, and those that lie behind the covers that are off.

    A cover is of a bank, a corner of an axle end; a part that has no bank lies behind all of them.
    """
    hit = failed.select("component", "ordinal", pl.lit(value=True).alias("failed")).unique()
    marked = parts.join(hit, on=["component", "ordinal"], how="left", maintain_order="left")
    banks = failed["bank"].unique().to_list()
    corners = failed.select("side", "slot").unique().rows()
    same_bank = (
        pl.lit(value=True)
        if None in banks
        else pl.col("bank").is_null() | pl.col("bank").is_in(banks)
    )
    at_corner = pl.any_horizontal(
        pl.col("side").eq_missing(pl.lit(side)) & pl.col("slot").eq_missing(pl.lit(slot))
        for side, slot in corners
    )
    return marked.with_columns(pl.col("failed").fill_null(value=False)).with_columns(
        renewed=pl.col("renewed") | pl.col("failed"),
        open=pl.when(pl.col("position_rule") == "per-axle-end")
        .then(at_corner)
        .otherwise(same_bank),
    )
