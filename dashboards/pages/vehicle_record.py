"""Vehicle record: what was done to one vehicle, with which part, and what is in it now."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import dash
import dash_mantine_components as dmc
import polars as pl
from dash import Input, Output, dcc, html

from dashboards.access import Access
from dashboards.widgets import (
    aria,
    clientside,
    column,
    date_column,
    facts,
    grid,
    lead,
    message,
    number,
    rows,
    sentences,
)
from dashboards.wording import NOT_KNOWN, counted, day, decimals, places, whole, words
from fleetlog.analyses.choices import MOST_VEHICLES
from fleetlog.analyses.results import VehicleRecord
from fleetlog.errors import FleetlogError

KEY, ANSWER, NAMES, PRINT = "vehicle-key", "vehicle-answer", "vehicle-names", "vehicle-print"
METERS = "vehicle-meters"

#: Orders that are open at once; the older ones are one click away.
LATEST_ORDERS = 10

#: Lines of one order that are alike in these are one row, their positions listed.
ALIKE_LINES = ("part", "action", "reason", "failure_mode", "part_no", "part_maker", "part_lot")

#: Parts fitted now that are alike in these are one row.
ALIKE_PARTS = (
    "title", "origin", "age_distance", "age_days", "fitted_on", "part_maker", "part_lot",
)  # fmt: skip

METER_COLUMNS = [
    date_column("read_on", "Read", width=120),
    number("odometer", "Odometer", width=130),
    column("source", "Source", width=150),
    column("verdict", "Verdict", width=130),
    column("why", "Why", minWidth=240, flex=1, tooltipField="why"),
]


def layout(access: Access, query: Mapping[str, str]) -> list[Any]:
    """Lay the page out for the vehicle that the address names, if any."""
    del access
    return [
        *lead("Vehicle record", "What was done to this vehicle, when, where and with which part."),
        html.Div(
            [
                dmc.TextInput(
                    id=KEY, label="VIN, its last 6 or 8, unit number or plate",
                    value=query.get("find", ""), debounce=500, w="100%", maw=420,
                    autoComplete="off",
                ),
                dmc.Button("Print", id=PRINT, variant="default"),
            ],
            className="fl-bar fl-find fl-noprint",
        ),
        dcc.Store(id=NAMES, data=["find"]),
        html.Div(id=ANSWER),
    ]  # fmt: skip


def register(app: dash.Dash, access: Access) -> dict[str, Any]:
    """Wire the page; the callbacks are returned as plain functions by name."""

    @app.callback(Output(ANSWER, "children"), Input(KEY, "value"), Input("revision", "data"))
    def answer(key: str | None, _revision: int | None) -> Any:
        asked = (key or "").strip()
        if not asked:
            return message("Type a VIN, its last 6 or 8 characters, a unit number or a plate.")
        try:
            found = access.find_vehicles(asked)
            if found.height > 1:
                return _choices(found)
            return _record(access.vehicle_record(asked))
        except FleetlogError as error:
            return message(f"{error}.")

    clientside(
        app, "remember", [Output(NAMES, "data", allow_duplicate=True)],
        [Input(NAMES, "data"), Input(KEY, "value")], initially=False,
    )  # fmt: skip
    clientside(
        app, "print", [Output(PRINT, "n_clicks")], [Input(PRINT, "n_clicks")], initially=False
    )
    return {"answer": answer}


def _choices(found: pl.DataFrame) -> html.Div:
    """List the vehicles that the key may mean, each a link to its own record."""
    more = " The first of them:" if found.height == MOST_VEHICLES else ""
    return html.Div(
        [
            html.P(f"{found.height} vehicles answer to that.{more}"),
            html.Ul(
                [
                    html.Li(
                        [
                            html.A(vin, href=f"/vehicle?find={vin}"),
                            f" unit {unit or NOT_KNOWN}, plate {plate or NOT_KNOWN}",
                        ]
                    )
                    for vin, unit, plate in found.select("vin", "unit_no", "plate").iter_rows()
                ]
            ),
        ],
        className="fl-message",
    )


def _record(record: VehicleRecord) -> list[Any]:
    lines = record.lines.partition_by("shop", "ro_no", as_dict=True)
    orders = [
        _order(order, lines.get((order["shop"], order["ro_no"])), record.unit)
        for order in record.orders.iter_rows(named=True)
    ]
    older = orders[LATEST_ORDERS:]
    return [
        html.Div(sentences(record.summary), className="fl-answer"),
        facts(
            (
                ("Unit", record.unit_no or NOT_KNOWN, record.depot or ""),
                ("Plate", record.plate or NOT_KNOWN, ""),
                (
                    "Engine family", record.engine_family,
                    f"model year {record.model_year or NOT_KNOWN}",
                ),
                ("In service", day(record.in_service_on), record.duty or ""),
                (
                    f"Last seen, {record.unit}", whole(record.last_seen_distance),
                    day(record.last_seen_on),
                ),
            )
        ),
        html.H2("What is in it now"),
        html.P(
            "Components that some order has touched; all others are as the factory fitted them.",
            className="fl-lead",
        ),
        _parts(record.parts, record.unit),
        *_torques(record.torques),
        html.H2(f"Repair orders, latest first ({record.orders.height})"),
        *orders[:LATEST_ORDERS],
        html.Details(
            [html.Summary(counted(len(older), "older order")), *older], className="fl-older"
        )
        if older
        else None,
        html.Div(
            [
                html.H2("Odometer readings"),
                _filled(
                    grid(METERS, "Odometer readings", height="320px"), METER_COLUMNS,
                    record.meters.sort("read_on", descending=True),
                ),
            ],
            className="fl-noprint",
        ),
    ]  # fmt: skip


def _filled(place: html.Div, columns: list[dict[str, Any]], frame: pl.DataFrame) -> html.Div:
    place.children.columnDefs = columns
    place.children.rowData = rows(frame, columns)
    return place


def _parts(parts: pl.DataFrame, unit: str) -> html.Div:
    """List what is fitted now, in words where each part came from, the youngest first."""
    alike = (
        parts.sort("age_days")
        .with_columns(
            origin=pl.when(pl.col("generation") > 1)
            .then(pl.format("replacement {}", pl.col("generation") - 1))
            .when("generation_assumed")
            .then(pl.lit("assumed first part"))
            .otherwise(pl.lit("first part"))
        )
        .group_by(*ALIKE_PARTS, maintain_order=True)
        .agg(pl.col("positions").str.split("; ").list.explode(), pl.col("count").sum())
    )
    return _table(
        ("Component", "Position", "Parts", f"Age, {unit}", "Age, days", "Fitted", "Maker, lot"),
        [
            (
                part["title"], _places(part["positions"]), whole(part["count"]),
                whole(part["age_distance"]), whole(part["age_days"]),
                f"{day(part['fitted_on'])}, {part['origin']}" if part["fitted_on"]
                else part["origin"],
                _stated(part["part_maker"], part["part_lot"]),
            )
            for part in alike.iter_rows(named=True)
        ],
        label="Parts fitted now", numbers=(2, 3, 4),
    )  # fmt: skip


def _torques(torques: pl.DataFrame) -> list[Any]:
    """List what was written down on past jobs, where anything was."""
    if torques.is_empty():
        return []
    return [
        html.H2("Torques written down"),
        html.P(
            "What was noted on past jobs, which is no specification: the maker's figure comes "
            "first.",
            className="fl-lead",
        ),
        _table(
            ("Fastener", "As written", "N m", "Opened", "RO number, shop"),
            [
                (
                    note["fastener"],
                    f"{note['value']:g} {note['unit']}"
                    + (f", in doubt: {note['doubt']}" if note["doubt"] else ""),
                    decimals(note["newton_metres"], 1), day(note["opened_on"]),
                    f"{note['ro_no']}, {note['shop']}",
                )
                for note in torques.iter_rows(named=True)
            ],
            label="Torques written down on past jobs", numbers=(2,),
        ),
    ]  # fmt: skip


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
    return _table(
        ("Part", "Position", "Lines", "Action", "Reason", "Failure", "Part no., maker, lot"),
        [
            (
                line["part"], _places(line["position"]), whole(line["lines"]),
                line["action"] or "", words(line["reason"]),
                words(line["failure_mode"]) if line["failure_mode"] else "",
                _stated(line["part_no"], line["part_maker"], line["part_lot"]),
            )
            for line in alike.iter_rows(named=True)
        ],
        label=f"Lines of this order: {counted(lines.height, 'line')}", numbers=(2,),
    )  # fmt: skip


def _places(positions: list[str]) -> str:
    # A number at the head of the next line would read as a number on its own.
    return places(positions).replace("no. ", "no.\N{NO-BREAK SPACE}")


def _stated(*names: str | None) -> str:
    return ", ".join(name for name in names if name)


def _table(
    headings: Sequence[str], cells: Sequence[Sequence[str]], *, label: str, numbers: Sequence[int]
) -> html.Div:
    """Return a plain table, which a printer takes whole; ``numbers`` are set to the right."""
    kinds = ["fl-number" if place in numbers else None for place in range(len(headings))]
    return html.Div(
        html.Table(
            [
                html.Thead(
                    html.Tr(
                        [
                            html.Th(heading, scope="col", className=kind)
                            for heading, kind in zip(headings, kinds, strict=True)
                        ]
                    )
                ),
                html.Tbody(
                    [
                        html.Tr(
                            [
                                html.Td(text, className=kind)
                                for text, kind in zip(row, kinds, strict=True)
                            ]
                        )
                        for row in cells
                    ]
                ),
            ],
            className="fl-table",
        ),
        className="fl-scroll",
        tabIndex="0",
        role="region",
        **aria(label=label),
    )
