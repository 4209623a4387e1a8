"""Parts that are in one vehicle now: the youngest first, all of them on demand."""

from __future__ import annotations

from typing import Any

import dash_mantine_components as dmc
import polars as pl
from dash import html

from dashboards.pages.vehicle_orders import on_one_line, stated
from dashboards.widgets import table
from dashboards.wording import counted, day, whole, words
from fleetlog.analyses.vehicle_record import VehicleRecord

FITTED, MORE, SHOWN = "vehicle-fitted", "vehicle-more-parts", "vehicle-parts-shown"

#: What the section shows, as identifiers and properties: the first answer fills all of it.
FITTED_FIRST = (
    (FITTED, "children"), (MORE, "display"), (SHOWN, "children"), (MORE, "children"),
    (MORE, "n_clicks"),
)  # fmt: skip

#: What asking for all of them changes.
FITTED_ALL = FITTED_FIRST[:3]

#: Rows that the first answer brings. An engine that was worked on often has a hundred, and on a
#: phone each is as high as a hand: what was renewed last is asked of first.
YOUNGEST_ROWS = 12

#: Parts fitted now that are alike in these are one row.
ALIKE_PARTS = (
    "title", "origin", "age_distance", "age_days", "fitted_on", "part_maker", "part_lot",
)  # fmt: skip


def parts_section() -> list[Any]:
    """Return the place of the parts and the button that brings all of them."""
    return [
        html.H2("What is in it now"),
        html.P(
            "Parts that some order has renewed, and those beside them. Generation 1 is the part "
            "the vehicle left the factory with.",
            className="fl-lead",
        ),
        html.Div(id=FITTED, className="fl-told"),
        html.Div(
            [
                dmc.Button(id=MORE, variant="default", n_clicks=0, className="fl-noprint"),
                html.P(id=SHOWN, role="status", className="fl-lead"),
            ],
            className="fl-more",
        ),
    ]


def youngest_parts(record: VehicleRecord) -> tuple[Any, ...]:
    """Return what fills the section at first, in the order of :data:`FITTED_FIRST`."""
    alike = _alike(record)
    left = alike.height - YOUNGEST_ROWS
    said = (
        f"The youngest {YOUNGEST_ROWS} of {alike.height} rows are shown; printing takes what is "
        "shown."
    )
    return (
        _table(alike.head(YOUNGEST_ROWS), record.unit),
        None if left > 0 else "none",
        said if left > 0 else "",
        f"Show {counted(left, 'older row')}",
        0,
    )


def all_parts(record: VehicleRecord) -> tuple[Any, ...]:
    """Return what asking for all parts changes, in the order of :data:`FITTED_ALL`."""
    alike = _alike(record)
    return _table(alike, record.unit), "none", f"All {alike.height} rows are shown."


def _alike(record: VehicleRecord) -> pl.DataFrame:
    """Return the parts that some order renewed, alike ones in one row, the youngest first."""
    return (
        record.parts.filter("touched")
        .sort("age_days")
        .with_columns(
            origin=pl.when(pl.col("begun_by") == "repaired")
            .then(pl.format("generation {}, repaired", pl.col("generation")))
            .when(pl.col("generation") > 1)
            .then(pl.format("generation {}", pl.col("generation")))
            .when("generation_assumed")
            .then(pl.lit("assumed first part"))
            .otherwise(pl.lit("first part"))
        )
        .group_by(*ALIKE_PARTS, maintain_order=True)
        .agg(pl.col("positions").str.split("; ").list.explode(), pl.col("count").sum())
    )


def _table(alike: pl.DataFrame, unit: str) -> html.Div | html.P:
    """List parts, in words where each came from."""
    if alike.is_empty():
        return html.P("No order has renewed a part.")
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
        label="Parts renewed so far, as fitted now", numbers=(2, 3, 4),
    )  # fmt: skip


def untouched_parts(record: VehicleRecord) -> html.Details | None:
    """List the components that no line renewed: all of the vehicle's own age."""
    rest = record.parts.filter(~pl.col("touched"))
    if rest.is_empty():
        return None
    first = rest.row(0, named=True)
    systems = (
        rest.with_columns(
            said=pl.when(pl.col("count") > 1)
            .then(pl.format("{} ({})", "title", "count"))
            .otherwise("title")
        )
        .group_by("system", maintain_order=True)
        .agg(pl.col("said").str.join(", "))
    )
    assumed = (
        " or renewed before the vehicle came under watch" if first["generation_assumed"] else ""
    )
    return html.Details(
        [
            html.Summary(
                f"As the factory fitted them{assumed}: "
                f"{counted(rest.height, 'other component')}, "
                f"{counted(int(rest['count'].sum()), 'part')}, "
                f"{whole(first['age_distance'])} {record.unit} and "
                f"{whole(first['age_days'])} days old"
            ),
            html.Ul(
                [
                    html.Li([html.Strong(f"{words(system)}: "), said])
                    for system, said in systems.iter_rows()
                ]
            ),
        ],
        className="fl-details",
    )
