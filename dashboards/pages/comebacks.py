"""Comebacks: which repairs come back, and whether the difference can be chance."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import dash
import dash_mantine_components as dmc
from dash import Input, Output, State, dcc, html

from dashboards.access import Access
from dashboards.export import csv_text
from dashboards.figures import comebacks_figure
from dashboards.theme import Mode
from dashboards.widgets import (
    PERCENT,
    aria,
    chosen,
    clientside,
    column,
    date_column,
    drawn,
    graph,
    grid,
    lead,
    left_out,
    message,
    number,
    option,
    rows,
    select,
    sentences,
)
from fleetlog.errors import FleetlogError

BY, ANSWER, RATES, AFTERWORD = "back-by", "back-answer", "back-rates", "back-afterword"
GROUPS, PAIRS, PAIRS_CSV, PAIRS_FILE = "back-groups", "back-pairs", "back-csv", "back-file"
BODY, NAMES = "back-body", "back-names"

GROUPINGS = {
    "shop": "Shop",
    "technician": "Technician",
    "component": "Component",
    "access_group": "Parts behind the same covers",
    "job": "Job",
    "part_maker": "Part maker",
    "part_lot": "Part lot",
    "road_tested": "Road-tested or not",
    "codes_cleared": "Codes cleared or not",
    "engine_family": "Engine family",
    "depot": "Depot",
}

GROUP_COLUMNS = [
    column("group", "Group", pinned="left", minWidth=150),
    number("repairs", "Repairs", width=115),
    number("comebacks", "Came back", width=125),
    number("followed_up", "Watched to the end", width=185),
    number("rate", "Rate", PERCENT, width=100),
    number("lower", "Lower limit", PERCENT, width=125),
    number("upper", "Upper limit", PERCENT, width=125),
    number("shrunk", "Drawn to the others", PERCENT, width=180),
    number("expected", "Expected of its jobs", width=180),
    number("ratio", "Times expected", width=155),
    column("verdict", "Against the others", width=175),
    column("note", "Remark", minWidth=200, flex=1, tooltipField="note"),
]

PAIR_COLUMNS = [
    column("unit_no", "Unit", width=100, pinned="left", cellRenderer="VehicleLink"),
    column("title", "Component", width=200),
    column("shop", "Repaired at", width=130),
    column("ro_no", "RO number", width=120),
    date_column("opened_on", "Repaired", width=120),
    column("back_shop", "Came back to", width=140),
    column("back_ro_no", "RO number then", width=150),
    date_column("back_on", "Came back", width=120),
    number("days", "Days", width=90),
    number("distance", "Distance", width=110),
    column("vin", "VIN", width=185),
    column("group", "Group", width=140),
]


def layout(access: Access, query: Mapping[str, str]) -> list[Any]:
    """Lay the page out with the grouping that the address names."""
    del access
    by = chosen(query.get("by"), list(GROUPINGS), "shop")
    return [
        *lead(
            "Comebacks",
            "Repairs after which the same component was at fault again, with limits that are "
            "fair to shops and parts with few repairs.",
        ),
        dmc.SimpleGrid(
            [select(BY, "Compare by", [option(*each) for each in GROUPINGS.items()], by)],
            cols={"base": 1, "xs": 2, "md": 4}, className="fl-filters fl-noprint",
        ),
        dcc.Store(id=NAMES, data=["by"]),
        html.Div(id=ANSWER, className="fl-answer", **aria(live="polite")),
        html.Div(
            [
                graph(RATES),
                html.Div(id=AFTERWORD),
                html.H2("Group by group"),
                grid(GROUPS, "Comeback rate of each group"),
                html.Div(
                    [
                        html.H2("The repairs that came back"),
                        dmc.Button(
                            "Download as CSV", id=PAIRS_CSV, variant="default", size="xs",
                            className="fl-noprint",
                        ),
                    ],
                    className="fl-bar",
                ),
                grid(PAIRS, "Repairs that came back", height="430px"),
                dcc.Download(id=PAIRS_FILE),
            ],
            id=BODY,
            className="fl-away",
        ),
    ]  # fmt: skip


def register(app: dash.Dash, access: Access) -> dict[str, Any]:
    """Wire the page; the callbacks are returned as plain functions by name."""

    @app.callback(
        Output(ANSWER, "children"), Output(BODY, "hidden"), Output(RATES, "figure"),
        Output(f"{RATES}-caption", "children"), Output(AFTERWORD, "children"),
        Output(GROUPS, "columnDefs"), Output(GROUPS, "rowData"),
        Output(PAIRS, "columnDefs"), Output(PAIRS, "rowData"),
        Input(BY, "value"), Input("mode", "data"), Input("revision", "data"),
    )  # fmt: skip
    def answer(by: str, mode: Mode, _revision: int | None) -> Any:
        try:
            result = access.comebacks(by)
        except FleetlogError as error:
            return message(f"{error}."), True, *(dash.no_update,) * 7
        return (
            sentences(result.summary),
            False,
            *drawn(comebacks_figure(result, mode)),
            left_out(result.left_out),
            GROUP_COLUMNS,
            rows(result.groups, GROUP_COLUMNS),
            PAIR_COLUMNS,
            rows(result.pairs, PAIR_COLUMNS),
        )

    @app.callback(
        Output(PAIRS_FILE, "data"), Input(PAIRS_CSV, "n_clicks"), State(BY, "value"),
        prevent_initial_call=True,
    )  # fmt: skip
    def export(clicks: int | None, by: str) -> Any:
        if not clicks:
            return dash.no_update
        return {"content": csv_text(access.comebacks(by).pairs), "filename": "comebacks.csv"}

    clientside(
        app, "remember", [Output(NAMES, "data", allow_duplicate=True)],
        [Input(NAMES, "data"), Input(BY, "value")], initially=False,
    )  # fmt: skip
    return {"answer": answer, "export": export}
