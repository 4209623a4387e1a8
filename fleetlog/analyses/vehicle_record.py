"""Everything that the store knows of one vehicle."""

from __future__ import annotations

from dataclasses import replace

import polars as pl

from fleetlog.analyses.choices import find_vehicles, near_vehicles
from fleetlog.analyses.results import VehicleRecord
from fleetlog.analyses.wording import counted, listed, number, position_words
from fleetlog.errors import InputError
from fleetlog.sql import read_sql
from fleetlog.store import Store

MOST_NAMED = 3
"""So many vehicles are named whose VIN is near a mistyped one."""


def vehicle_record(store: Store, key: str) -> VehicleRecord:
    """Return the record of the vehicle that ``key`` names.

    Parameters
    ----------
    key : a whole VIN, its last 4 to 16 characters (6 or 8 are usual), a unit number or a plate;
        capitals and small letters are alike.

    Raises
    ------
    InputError : no vehicle answers to the key, or several do; the sentence lists them.
    """
    if not key.strip():
        raise InputError("no vehicle was named: give a VIN, its last 6 or 8, a unit or a plate")
    vin = the_one_vehicle(store, key)
    with store.read() as connection:

        def rows(name: str, **parameters: str | None) -> pl.DataFrame:
            frame: pl.DataFrame = connection.sql(read_sql("analyses", name), params=parameters).pl()
            return frame

        head = rows("vehicle_head", vin=vin)
        orders = rows("vehicle_orders", vin=vin)
        lines = rows("vehicle_lines", vin=vin)
        parts = rows("vehicle_parts", vin=vin)
        meters = rows("vehicle_meters", vin=vin)
        torques = rows("vehicle_torques", vin=vin)
        names = rows("position_names", component=None)
    facts = head.row(0, named=True)
    record = VehicleRecord(
        **facts,
        unit=store.distance_unit,
        orders=orders,
        lines=_in_words(lines, names, assumed="position_assumed"),
        parts=_in_words(parts, names, assumed=None),
        meters=meters,
        torques=torques,
        summary=(),
    )
    return replace(record, summary=_summary(record))


def the_one_vehicle(store: Store, key: str) -> str:
    """Return the VIN of the one vehicle that ``key`` names, as for :func:`vehicle_record`."""
    found = find_vehicles(store, key)
    if found.is_empty():
        near = near_vehicles(store, key)
        if near.height:
            meant = " or ".join(f"{vin} ({what})" for vin, what in near.head(MOST_NAMED).rows())
            raise InputError(f"no vehicle answers to {key!r}: did you mean {meant}?")
        raise InputError(
            f"no vehicle answers to {key!r}: give a whole VIN, its last 6 or 8 characters, a "
            "unit number or a plate as the fleet list has them"
        )
    if found.height > 1:
        alike = listed(
            f"{vin} (unit {unit or 'not given'})" for vin, unit in found["vin", "unit_no"].rows()
        )
        raise InputError(f"{key!r} may mean {alike}: give more of the VIN")
    return str(found["vin"][0])


def _in_words(rows: pl.DataFrame, names: pl.DataFrame, assumed: str | None) -> pl.DataFrame:
    said = position_words(rows, names, assumed=assumed)
    renamed = said.alias("position" if assumed else "positions")
    dropped = ["engine_family"] + (["positions", assumed] if assumed else [])
    return rows.drop(dropped).with_columns(renamed)


def _summary(record: VehicleRecord) -> tuple[str, ...]:
    unit = f"unit {record.unit_no}, " if record.unit_no else ""
    said = [
        f"{record.vin} ({unit}{record.engine_title}"
        f"{f', {record.model_year}' if record.model_year else ''}): last seen "
        f"{record.last_seen_on:%Y-%m-%d} at {number(record.last_seen_distance, record.unit)}, "
        f"{counted(record.orders.height, 'repair order')}."
    ]
    if record.retired_on:
        said.append(f"Retired {record.retired_on:%Y-%m-%d}.")
    if record.watched_from_on > record.in_service_on:
        said.append(
            f"Watched only from {record.watched_from_on:%Y-%m-%d}: what was renewed before is "
            "unknown."
        )
    failed = record.lines.filter(pl.col("reason") == "failed")
    if failed.height:
        often = (
            failed.drop_nulls("title")
            .group_by("title")
            .agg(orders=pl.col("ro_no").n_unique())
            .filter(pl.col("orders") > 1)
            .sort("orders", "title", descending=[True, False])
        )
        if often.height:
            said.append(
                "Failed more than once: "
                + listed(f"{title.lower()} ({orders} orders)" for title, orders in often.rows())
                + "."
            )
    doubtful = record.meters.filter(pl.col("verdict") != "used").height
    if doubtful:
        said.append(f"{counted(doubtful, 'odometer reading')} corrected or set aside.")
    slips = record.torques.filter(pl.col("doubt").is_not_null()).height
    if slips:
        said.append(
            f"{counted(slips, 'torque')} about twelve times others of that fastener, or a twelfth: "
            "inch-pounds and foot-pounds may have been mixed up."
        )
    return tuple(said)
