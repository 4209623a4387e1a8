"""What was done to one vehicle, by date and odometer."""

from __future__ import annotations

import numpy as np
import plotly.graph_objects as go
import polars as pl

from dashboards.figures.parts import empty_figure, plain, with_caption
from dashboards.theme import GLYPHS, PALETTES, SYMBOLS, Mode, series_colour, template
from dashboards.wording import counted, whole
from fleetlog.analyses.vehicle_record import VehicleRecord

TITLE = "Orders by date and odometer"

#: What an order was for, and the colour and mark that tell it.
KINDS = (("failure", "a part failed", 1), ("planned", "planned service", 2), ("other", "other", 0))

#: More parts than this make the words at the pointer taller than the figure.
MOST_NAMED = 6

LABEL_LENGTH = 34


def timeline_figure(record: VehicleRecord, mode: Mode = "light") -> go.Figure:
    """Draw each order as a mark at its date and odometer, over the readings of the vehicle."""
    orders = record.orders.filter(pl.col("distance").is_not_null())
    if orders.is_empty():
        return empty_figure(TITLE, "No order of this vehicle has a known odometer.", mode)
    palette = PALETTES[mode]
    figure = go.Figure(
        layout={
            "template": template(mode),
            "title": {"text": TITLE},
            "height": 430,
            "xaxis": {"title": {"text": "Date"}, "showgrid": False, "nticks": 8},
            "yaxis": {
                "title": {"text": f"Distance, {record.unit}"}, "rangemode": "tozero",
                "tickformat": ",.0f",
            },
            "showlegend": True,
            "legend": {
                "orientation": "h", "x": 0, "xanchor": "left", "y": -0.2, "yanchor": "top",
                "font": {"size": 12}, "itemclick": False, "itemdoubleclick": False,
            },
        }
    )  # fmt: skip
    readings = record.meters.filter(
        (pl.col("verdict") != "set aside") & pl.col("distance").is_not_null()
    )
    figure.add_scatter(
        x=readings["read_on"].to_list(), y=readings["distance"].to_numpy(), mode="lines",
        line={"color": palette.quiet, "width": 1}, name="readings believed", hoverinfo="skip",
        showlegend=False,
    )  # fmt: skip
    _set_aside(figure, record, mode)
    said = _said(record)
    # What is drawn last lies on top: failures.
    for kind, word, index in reversed(KINDS):
        some = orders.filter(pl.col("kind") == kind)
        if some.is_empty():
            continue
        names = [
            said.get((shop, ro_no), "no line")
            for shop, ro_no in some.select("shop", "ro_no").iter_rows()
        ]
        figure.add_scatter(
            x=some["opened_on"].to_list(), y=some["distance"].to_numpy(), mode="markers",
            name=f"{word} ({some.height})",
            marker={
                "size": 8, "color": series_colour(index, mode), "symbol": SYMBOLS[index],
                "line": {"width": 1, "color": palette.paper},
            },
            text=names,
            customdata=np.column_stack(
                [[plain(name) for name in some["ro_no"]], [plain(name) for name in some["shop"]]]
            ),
            hovertemplate=(
                "<b>%{customdata[0]}</b>, %{customdata[1]}<br>%{x|%Y-%m-%d} at %{y:,.0f} "
                f"{record.unit}<br>%{{text}}<extra></extra>"
            ),
        )  # fmt: skip
    return with_caption(figure, _caption(record, orders))


def _set_aside(figure: go.Figure, record: VehicleRecord, mode: Mode) -> None:
    """Mark the readings that are not believed where they were written."""
    doubtful = record.meters.filter(
        (pl.col("verdict") == "set aside") & pl.col("odometer").is_not_null()
    )
    # A slip of a digit can lie a hundredfold off: it is told in the table and not drawn.
    top = 1.5 * max(record.last_seen_distance, 1)
    drawn = doubtful.filter(pl.col("odometer") <= top)
    if drawn.height:
        figure.add_scatter(
            x=drawn["read_on"].to_list(), y=drawn["odometer"].to_numpy(), mode="markers",
            name=f"reading set aside ({drawn.height})",
            marker={"size": 8, "color": PALETTES[mode].quiet, "symbol": "x-thin-open"},
            text=[plain(why or "") for why in drawn["why"]],
            hovertemplate="%{x|%Y-%m-%d}, written: %{y:,.0f}<br>%{text}<extra></extra>",
        )  # fmt: skip


def _said(record: VehicleRecord) -> dict[tuple[str, str], str]:
    """Return the parts of each order in a few words for the pointer."""
    parts = (
        record.lines.with_columns(
            part=pl.coalesce("title", "description", pl.lit("part not recognised"))
        )
        .group_by("shop", "ro_no", maintain_order=True)
        .agg(pl.col("part").unique(maintain_order=True))
    )
    told = {}
    for shop, ro_no, names in parts.iter_rows():
        shown = [plain(name, LABEL_LENGTH) for name in names[:MOST_NAMED]]
        more = len(names) - len(shown)
        told[(shop, ro_no)] = "<br>".join([*shown, *([f"and {more} more"] if more else [])])
    return told


def _caption(record: VehicleRecord, orders: pl.DataFrame) -> str:
    kinds = ", ".join(
        f"{GLYPHS[index]} {word} ({orders.filter(pl.col('kind') == kind).height})"
        for kind, word, index in KINDS
        if orders.filter(pl.col("kind") == kind).height
    )
    said = [
        f"{counted(orders.height, 'order')} up to {whole(record.last_seen_distance)} "
        f"{record.unit}: {kinds}. The line runs through the odometer readings that are believed."
    ]
    unplaced = record.orders.height - orders.height
    if unplaced:
        said.append(f"Not drawn, as no odometer is known: {counted(unplaced, 'order')}.")
    estimated = int(orders["distance_estimated"].sum())
    if estimated:
        said.append(f"Distance worked out from other readings: {counted(estimated, 'order')}.")
    return " ".join(said)
