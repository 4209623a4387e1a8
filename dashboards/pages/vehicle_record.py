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
from dashboards.figures import timeline_figure
from dashboards.pages.vehicle_orders import (
    FIRST_PARTS,
    OLDER,
    OLDER_PARTS,
    latest_orders,
    older_orders,
    order_section,
)
from dashboards.pages.vehicle_parts import (
    FITTED_ALL,
    FITTED_FIRST,
    MORE,
    all_parts,
    parts_section,
    untouched_parts,
    youngest_parts,
)
from dashboards.pages.vehicle_state import (
    doubts_section,
    due_section,
    opened_section,
    torques_section,
    warnings_section,
    windows_section,
)
from dashboards.theme import Mode
from dashboards.widgets import (
    aria,
    clientside,
    column,
    date_column,
    drawn,
    facts,
    graph,
    grid,
    lead,
    message,
    number,
    rows,
    sentences,
)
from dashboards.wording import NOT_KNOWN, counted, day, whole
from fleetlog.analyses.choices import MOST_VEHICLES
from fleetlog.analyses.vehicle_record import VehicleRecord
from fleetlog.errors import FleetlogError

KEY, ANSWER, NAMES, PRINT = "vehicle-key", "vehicle-answer", "vehicle-names", "vehicle-print"
METERS, BODY, READINGS = "vehicle-meters", "vehicle-body", "vehicle-readings"
DUE, WARNINGS, PARTS, TIMELINE = (
    "vehicle-due", "vehicle-warnings", "vehicle-parts", "vehicle-timeline",
)  # fmt: skip

METER_COLUMNS = [
    date_column("read_on", "Read", width=120),
    number("odometer", "Odometer", width=130),
    number("engine_hours", "Engine hours", width=140),
    column("source", "Source", width=130),
    column("verdict", "Verdict", width=130),
    column("why", "Why", minWidth=240, flex=1, tooltipField="why"),
]

#: Readings that the page brings at most; those in doubt come first and never stay out.
MOST_READINGS = 500


def layout(access: Access, query: Mapping[str, str]) -> list[Any]:
    """Lay the page out for the vehicle that the address names, if any."""
    del access
    return [
        *lead("Vehicle record", "What was done to this vehicle, when, where and with which part."),
        html.Div(
            [
                dmc.TextInput(
                    id=KEY, label="VIN, unit number, plate or RO number, or a part of one",
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
                html.Div(id=DUE, className="fl-told"),
                html.Div(id=WARNINGS, className="fl-told", **aria(live="polite")),
                graph(TIMELINE),
                *parts_section(),
                html.Div(id=PARTS, className="fl-told"),
                *order_section(),
                html.Div(
                    [
                        html.H2("Readings of odometer and engine hours"),
                        html.P(id=READINGS, className="fl-lead"),
                        grid(METERS, "Readings of odometer and engine hours", height="320px"),
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
        Output(DUE, "children"), Output(PARTS, "children"),
        *(Output(*part) for part in FITTED_FIRST), *(Output(*part) for part in FIRST_PARTS),
        Output(READINGS, "children"), Output(METERS, "columnDefs"), Output(METERS, "rowData"),
        Input(KEY, "value"), Input("revision", "data"),
    )  # fmt: skip
    def answer(key: str | None, _revision: int | None) -> Any:
        asked = (key or "").strip()
        nothing = (True, *(dash.no_update,) * (len(FITTED_FIRST) + len(FIRST_PARTS) + 5))
        if not asked:
            text = "Type a VIN, a unit number, a plate or an RO number, or a part of one."
            return message(text), *nothing
        try:
            found = access.find_vehicles(asked)
            if found.height > 1:
                return _choices(found), *nothing
            record = access.vehicle_record(asked)
        except FleetlogError as error:
            return message(f"{error}."), *nothing
        return (
            _head(record),
            False,
            [*due_section(record), *windows_section(record)],
            [
                untouched_parts(record),
                *opened_section(record),
                *torques_section(record.torques),
                *doubts_section(record),
            ],
            *youngest_parts(record),
            *latest_orders(record),
            *_readings(record),
        )

    @app.callback(Output(WARNINGS, "children"), Input(KEY, "value"), Input("revision", "data"))
    def warn(key: str | None, _revision: int | None) -> Any:
        # A callback of its own: the record must not wait for the lives of the whole family.
        try:
            if not _names_one(access, key):
                return None
            return warnings_section(access.vehicle_warnings(str(key).strip()))
        except FleetlogError as error:
            return message(f"{error}.")

    @app.callback(
        Output(TIMELINE, "figure"), Output(f"{TIMELINE}-caption", "children"),
        Input(KEY, "value"), Input("mode", "data"), Input("revision", "data"),
    )  # fmt: skip
    def draw(key: str | None, mode: Mode, _revision: int | None) -> Any:
        try:
            if not _names_one(access, key):
                raise PreventUpdate
            return drawn(timeline_figure(access.vehicle_record(str(key).strip()), mode))
        except FleetlogError as error:
            # The answer above says what is wrong.
            raise PreventUpdate from error

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

    @app.callback(
        *(Output(*part, allow_duplicate=True) for part in FITTED_ALL),
        Input(MORE, "n_clicks"), State(KEY, "value"), prevent_initial_call=True,
    )  # fmt: skip
    def more(clicks: int | None, key: str | None) -> Any:
        if not clicks or not key:
            # The answer sets the count back to nought, which is no click.
            raise PreventUpdate
        try:
            return all_parts(access.vehicle_record(key.strip()))
        except FleetlogError as error:
            return *(dash.no_update,) * (len(FITTED_ALL) - 1), f"{error}."

    clientside(
        app, "remember", [Output(NAMES, "data", allow_duplicate=True)],
        [Input(NAMES, "data"), Input(KEY, "value")], initially=False,
    )  # fmt: skip
    clientside(
        app, "print", [Output(PRINT, "n_clicks")], [Input(PRINT, "n_clicks")], initially=False
    )
    return {"answer": answer, "older": older, "more": more, "warn": warn, "draw": draw}


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
                            f" unit {unit or NOT_KNOWN}, plate {plate or NOT_KNOWN}, found by {by}",
                        ]
                    )
                    for vin, unit, plate, by in found.select(
                        "vin", "unit_no", "plate", "matched"
                    ).iter_rows()
                ]
            ),
        ],
        className="fl-message",
    )


def _names_one(access: Access, key: str | None) -> bool:
    """Tell whether one vehicle answers to the key."""
    asked = (key or "").strip()
    return bool(asked) and access.find_vehicles(asked).height == 1


def _readings(record: VehicleRecord) -> tuple[Any, ...]:
    """Return the words, columns and rows of the readings: all in doubt, and the latest others."""
    doubtful = (pl.col("verdict") != "used") | pl.col("hours_verdict").is_in(
        ["corrected", "set aside"]
    )
    marked = record.meters.with_columns(
        why=pl.concat_str("why", "hours_why", separator="; ", ignore_nulls=True),
        doubtful=doubtful.fill_null(value=False),
    ).sort("read_on", descending=True)
    doubted = int(marked["doubtful"].sum())
    room = max(0, MOST_READINGS - doubted)
    shown = pl.concat(
        [marked.filter("doubtful"), marked.filter(~pl.col("doubtful")).head(room)]
    ).sort("read_on", descending=True)
    said = f"{counted(doubted, 'reading')} of {marked.height:,} corrected or set aside."
    if shown.height < marked.height:
        said += f" Shown: those, and the latest {shown.height - doubted:,} others."
    return said, METER_COLUMNS, rows(shown, METER_COLUMNS)


def _head(record: VehicleRecord) -> list[Any]:
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
    ]  # fmt: skip
