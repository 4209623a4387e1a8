"""Vehicle record: what was done to one vehicle, with which part, and what is in it now."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import dash
import dash_mantine_components as dmc
import polars as pl
from dash import Input, Output, State, dcc, html
from dash.exceptions import PreventUpdate

from dashboards.access import Access
from dashboards.pages.vehicle_orders import (
    FIRST_PARTS,
    OLDER,
    OLDER_PARTS,
    latest_orders,
    older_orders,
    on_one_line,
    order_section,
    stated,
)
from dashboards.widgets import (
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
    table,
)
from dashboards.wording import NOT_KNOWN, day, decimals, whole
from fleetlog.analyses.choices import MOST_VEHICLES
from fleetlog.analyses.results import VehicleRecord
from fleetlog.errors import FleetlogError

KEY, ANSWER, NAMES, PRINT = "vehicle-key", "vehicle-answer", "vehicle-names", "vehicle-print"
METERS, BODY = "vehicle-meters", "vehicle-body"

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
        html.Div(
            [
                *order_section(),
                html.Div(
                    [
                        html.H2("Odometer readings"),
                        grid(METERS, "Odometer readings", height="320px"),
                    ],
                    className="fl-noprint",
                ),
            ],
            id=BODY,
            className="fl-away",
            hidden=True,
        ),
    ]  # fmt: skip


def register(app: dash.Dash, access: Access) -> dict[str, Any]:
    """Wire the page; the callbacks are returned as plain functions by name."""

    @app.callback(
        Output(ANSWER, "children"), Output(BODY, "hidden"),
        *(Output(*part) for part in FIRST_PARTS),
        Output(METERS, "columnDefs"), Output(METERS, "rowData"),
        Input(KEY, "value"), Input("revision", "data"),
    )  # fmt: skip
    def answer(key: str | None, _revision: int | None) -> Any:
        asked = (key or "").strip()
        nothing = (True, *(dash.no_update,) * (len(FIRST_PARTS) + 2))
        if not asked:
            text = "Type a VIN, its last 6 or 8 characters, a unit number or a plate."
            return message(text), *nothing
        try:
            found = access.find_vehicles(asked)
            if found.height > 1:
                return _choices(found), *nothing
            record = access.vehicle_record(asked)
        except FleetlogError as error:
            return message(f"{error}."), *nothing
        return (
            _record(record),
            False,
            *latest_orders(record),
            METER_COLUMNS,
            rows(record.meters.sort("read_on", descending=True), METER_COLUMNS),
        )

    @app.callback(
        *(Output(*part, allow_duplicate=True) for part in OLDER_PARTS),
        Input(OLDER, "n_clicks"), State(KEY, "value"), prevent_initial_call=True,
    )  # fmt: skip
    def older(clicks: int | None, key: str | None) -> Any:
        if not clicks or not key:
            # The answer sets the count back to nought, which is no click.
            raise PreventUpdate
        try:
            return older_orders(access.vehicle_record(key.strip()), clicks)
        except FleetlogError as error:
            return *(dash.no_update,) * (len(OLDER_PARTS) - 1), f"{error}."

    clientside(
        app, "remember", [Output(NAMES, "data", allow_duplicate=True)],
        [Input(NAMES, "data"), Input(KEY, "value")], initially=False,
    )  # fmt: skip
    clientside(
        app, "print", [Output(PRINT, "n_clicks")], [Input(PRINT, "n_clicks")], initially=False
    )
    return {"answer": answer, "older": older}


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
    ]  # fmt: skip


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
    return table(
        ("Component", "Position", "Parts", f"Age, {unit}", "Age, days", "Fitted", "Maker, lot"),
        [
            (
                part["title"], on_one_line(part["positions"]), whole(part["count"]),
                whole(part["age_distance"]), whole(part["age_days"]),
                f"{day(part['fitted_on'])}, {part['origin']}" if part["fitted_on"]
                else part["origin"],
                stated(part["part_maker"], part["part_lot"]),
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
        table(
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
