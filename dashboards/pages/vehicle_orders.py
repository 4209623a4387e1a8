"""Repair orders of one vehicle as the record shows them: the latest first, older ones on demand."""

from __future__ import annotations

from typing import Any

import dash_mantine_components as dmc
import polars as pl
from dash import Patch, html

from dashboards.widgets import table
from dashboards.wording import counted, day, places, whole, words
from fleetlog.analyses.vehicle_record import VehicleRecord

TOTAL, ORDERS = "vehicle-orders-total", "vehicle-orders"
OLDER, SHOWN = "vehicle-older", "vehicle-orders-shown"

#: What the section shows, as identifiers and properties: the first answer fills all of it.
FIRST_PARTS = (
    (TOTAL, "children"), (ORDERS, "children"), (OLDER, "children"), (OLDER, "display"),
    (SHOWN, "children"), (OLDER, "n_clicks"),
)  # fmt: skip

#: What asking for older ones changes.
OLDER_PARTS = FIRST_PARTS[1:5]

#: Orders that the first answer brings. A browser takes seconds to lay out a thousand rows of
#: tables, and a technician asks of the last few jobs first.
LATEST_ORDERS = 6

#: Orders that each further asking brings.
MORE_ORDERS = 20

#: Lines of one order that are alike in these are one row, their positions listed.
ALIKE_LINES = ("part", "action", "reason", "failure_mode", "part_no", "part_maker", "part_lot")


def order_section() -> list[Any]:
    """Return the place of the orders and the button that brings older ones."""
    return [
        html.H2(id=TOTAL),
        html.Div(id=ORDERS),
        html.Div(
            [
                dmc.Button(id=OLDER, variant="default", n_clicks=0, className="fl-noprint"),
                html.P(id=SHOWN, role="status", className="fl-lead"),
            ],
            className="fl-more",
        ),
    ]


def latest_orders(record: VehicleRecord) -> tuple[Any, ...]:
    """Return what fills the section at first: heading, orders, and the state of the button.

    The parts are in the order of :data:`FIRST_PARTS`; the button begins to count anew.
    """
    total = record.orders.height
    return (
        f"Repair orders, latest first ({total})",
        orders_from(record, 0, LATEST_ORDERS),
        *_button(total, LATEST_ORDERS),
        0,
    )


def older_orders(record: VehicleRecord, clicks: int) -> tuple[Any, ...]:
    """Return what the ``clicks``-th asking changes: orders to append, the state of the button."""
    start = LATEST_ORDERS + (clicks - 1) * MORE_ORDERS
    stop = start + MORE_ORDERS
    more = Patch()
    more.extend(orders_from(record, start, stop))
    return more, *_button(record.orders.height, stop)


def _button(total: int, shown: int) -> tuple[str, str | None, str]:
    """Return label and display of the button, and how many orders are in sight."""
    left = max(total - shown, 0)
    label = (
        f"Show {MORE_ORDERS} of {left} older orders"
        if left > MORE_ORDERS
        else f"Show {counted(left, 'older order')}"
    )
    if left:
        said = f"The latest {shown} of {total} orders are shown; printing takes what is shown."
    else:
        said = f"All {total} orders are shown." if total > LATEST_ORDERS else ""
    return label, None if left else "none", said


def orders_from(record: VehicleRecord, start: int, stop: int) -> list[html.Article]:
    """Return the orders from ``start`` up to ``stop``, counted from the latest."""
    asked = record.orders[start:stop]
    lines = record.lines.join(asked.select("shop", "ro_no"), on=["shop", "ro_no"], how="semi")
    by_order = lines.partition_by("shop", "ro_no", as_dict=True)
    return [
        _order(order, by_order.get((order["shop"], order["ro_no"])), record.unit)
        for order in asked.iter_rows(named=True)
    ]


def _order(order: dict[str, Any], lines: pl.DataFrame | None, unit: str) -> html.Article:
    told = [
        ("Complaint", order["complaint"]),
        ("Cause", order["cause"]),
        ("Correction", order["correction"]),
        ("Fault codes", order["fault_codes"]),
        ("Technician", order["technician"]),
        ("Afterwards", _afterwards(order)),
    ]
    estimated = " (worked out from other readings)" if order["distance_estimated"] else ""
    return html.Article(
        [
            html.H3(f"{order['ro_no']}, {order['shop']}"),
            html.Div(
                f"{day(order['opened_on'])} at {whole(order['distance'])} {unit}{estimated}",
                className="fl-when",
            ),
            html.Dl([part for name, text in told if text for part in _pair(name, text)]),
            None if lines is None else _lines(lines),
        ],
        className="fl-order",
    )


def _pair(name: str, text: str) -> tuple[html.Dt, html.Dd]:
    return html.Dt(name), html.Dd(text)


def _afterwards(order: dict[str, Any]) -> str:
    said = [
        words
        for known, words in (
            (order["road_tested"], "road-tested"),
            (order["codes_cleared"], "codes cleared"),
        )
        if known
    ]
    return ", ".join(said)


def _lines(lines: pl.DataFrame) -> html.Div:
    """List the lines of one order; those that differ in their position only are one row."""
    alike = (
        lines.sort("line_no")
        .with_columns(part=pl.coalesce("title", "description", pl.lit("not coded")))
        .group_by(*ALIKE_LINES, maintain_order=True)
        .agg(pl.col("position").drop_nulls(), pl.len().alias("lines"))
    )
    return table(
        ("Part", "Position", "Lines", "Action", "Reason", "Failure", "Part no., maker, lot"),
        [
            (
                line["part"], on_one_line(line["position"]), whole(line["lines"]),
                line["action"] or "", words(line["reason"]),
                words(line["failure_mode"]) if line["failure_mode"] else "",
                stated(line["part_no"], line["part_maker"], line["part_lot"]),
            )
            for line in alike.iter_rows(named=True)
        ],
        label=f"Lines of this order: {counted(lines.height, 'line')}", numbers=(2,),
    )  # fmt: skip


def on_one_line(positions: list[str]) -> str:
    """Write several positions as one text in which no number stands at the head of a line."""
    # A number at the head of the next line would read as a number on its own.
    return places(positions).replace("no. ", "no.\N{NO-BREAK SPACE}")


def stated(*names: str | None) -> str:
    """Return those of the names that are known, as one text."""
    return ", ".join(name for name in names if name)
