"""What people say of two orders that may be one job: kept for good, over any score."""

from __future__ import annotations

import getpass
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Literal, get_args

import duckdb

from fleetlog.errors import InputError
from fleetlog.lives.build import rebuild
from fleetlog.sql import read_sql
from fleetlog.store import Store

Ruling = Literal["same", "different"]


@dataclass(frozen=True)
class RuledOrders:
    """Two orders and what was said of them; ``vin`` is the vehicle whose lives were rebuilt."""

    shop: str
    ro_no: str
    other_shop: str
    other_ro_no: str
    vin: str
    ruling: Ruling


@dataclass(frozen=True)
class Order:
    """An order that a person has named."""

    ro_id: int
    shop: str
    ro_no: str
    vin: str


def rule_on_orders(
    store: Store,
    first: str,
    second: str,
    ruling: Ruling,
    *,
    reason: str | None = None,
    said_by: str | None = None,
) -> RuledOrders:
    """Say that two orders are the same job, or that they are not; a later word replaces this one.

    The lives of the vehicle are rebuilt in the same transaction. The ruling is kept by shop and
    number, so that it holds again when the orders are undone and loaded anew.

    Parameters
    ----------
    first, second : ``"shop:number"``, or the ``ro_id`` that the list of double orders shows.
    ruling : ``"same"`` or ``"different"``.
    reason : why, in the words of who says it.
    said_by : who says it; by default the user of the computer.

    Raises
    ------
    InputError : an order is not in the store, both are one, they are of two vehicles, or the
        ruling is neither word.
    """
    if ruling not in get_args(Ruling):
        raise InputError(f"ruling {ruling!r}: say 'same' or 'different'")
    with store.write() as connection:
        one, other = find_two_orders(connection, first, second, never="one job")
        connection.execute(
            read_sql("intake", "keep_ruling"),
            {
                "shop": one.shop,
                "ro_no": one.ro_no,
                "other_shop": other.shop,
                "other_ro_no": other.ro_no,
                "ruling": ruling,
                "said_by": said_by or getpass.getuser(),
                "said_at": datetime.now(UTC).replace(tzinfo=None, microsecond=0),
                "reason": reason,
            },
        ).fetchall()
        connection.execute(
            "CREATE TEMP TABLE touched_vehicle AS SELECT $vin AS vin", {"vin": one.vin}
        ).fetchall()
        rebuild(connection, distance_unit=store.distance_unit)
    return RuledOrders(one.shop, one.ro_no, other.shop, other.ro_no, one.vin, ruling)


def find_two_orders(
    connection: duckdb.DuckDBPyConnection, first: str, second: str, *, never: str
) -> tuple[Order, Order]:
    """Return two orders of one vehicle, each named as for `find_order`.

    Raises
    ------
    InputError : an order is not in the store, both are one, or they are of two vehicles, which
        are ``never`` what is to be said of them.
    """
    one, other = (find_order(connection, named) for named in (first, second))
    if one.ro_id == other.ro_id:
        raise InputError(f"{first!r} and {second!r} are one order: name two")
    if one.vin != other.vin:
        raise InputError(
            f"{first!r} is an order of {one.vin} and {second!r} of {other.vin}: orders of two "
            f"vehicles are never {never}, so check the numbers"
        )
    return one, other


def find_order(connection: duckdb.DuckDBPyConnection, named: str) -> Order:
    """Return the order named as ``"shop:number"`` or by its ``ro_id``; refuse what names none."""
    shop, colon, ro_no = named.rpartition(":")
    # The list shows ids with commas between thousands.
    ro_id = named.strip().replace(",", "")
    if not colon and not ro_id.isdecimal():
        raise InputError(f"{named!r} names no order: write shop:number, or the id from the list")
    found = connection.execute(
        read_sql("intake", "find_order"),
        {
            "ro_id": None if colon else int(ro_id),
            "shop": shop.strip() if colon else None,
            "ro_no": ro_no.strip() if colon else None,
        },
    ).fetchall()
    if len(found) != 1:
        many = "several orders" if found else "no order"
        raise InputError(f"{named!r} names {many} of the store: use the id that the list shows")
    return Order(*found[0])
