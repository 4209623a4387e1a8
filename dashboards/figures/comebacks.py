"""Comeback rates with their limits."""

from __future__ import annotations

import numpy as np
import plotly.graph_objects as go
import polars as pl

from dashboards.figures.parts import empty_figure, plain, with_caption
from dashboards.theme import PALETTES, Mode, template
from dashboards.wording import counted, whole
from fleetlog.analyses.results import Comebacks

TITLE = "Repairs that came back"

#: More rows than this do not fit on a screen; the table has them all.
MOST_ROWS = 24


def comebacks_figure(result: Comebacks, mode: Mode = "light") -> go.Figure:
    """Draw one dot per group with its limits; the order is that of the result."""
    rated = result.groups.filter(pl.col("rate").is_not_null())
    if rated.is_empty():
        return empty_figure(TITLE, "No repair has been watched long enough to count.", mode)
    shown = rated.sort("repairs", descending=True, maintain_order=True).head(MOST_ROWS)
    shown = shown.sort("rate", maintain_order=True)
    palette = PALETTES[mode]
    rate, lower, upper = (
        100 * shown[name].cast(pl.Float64).fill_null(np.nan).to_numpy()
        for name in ("rate", "lower", "upper")
    )
    places = np.arange(shown.height)
    top = float(np.nanmax(np.maximum(rate, np.nan_to_num(upper))))
    figure = go.Figure(
        layout={
            "template": template(mode),
            "title": {"text": TITLE},
            "height": 118 + 30 * shown.height,
            "xaxis": {
                "title": {"text": "Came back"}, "range": [-0.02 * top, 1.05 * top],
                "ticksuffix": " %", "nticks": 6,
            },
            "yaxis": {
                "tickvals": places, "range": [-0.6, shown.height - 0.4], "showgrid": False,
                "ticktext": [
                    f"{plain(name, 18)}  <span style='color:{palette.quiet}'>"
                    f"{repairs:,}</span>"
                    for name, repairs in zip(shown["group"], shown["repairs"], strict=True)
                ],
                "ticks": "", "ticklabelstandoff": 10, "tickfont": {"color": palette.ink},
            },
        }
    )  # fmt: skip
    figure.add_scatter(
        x=rate, y=places, mode="markers", name="rate",
        marker={"size": 10, "color": palette.accent},
        error_x={
            "type": "data", "symmetric": False, "array": upper - rate,
            "arrayminus": rate - lower, "thickness": 1.6, "width": 5, "color": palette.quiet,
        },
        customdata=np.column_stack([lower, upper, shown["comebacks"], shown["repairs"]]),
        text=[plain(name) for name in shown["group"]],
        hovertemplate=(
            "<b>%{text}</b><br>%{x:.1f} % came back<br>limits %{customdata[0]:.1f} to "
            "%{customdata[1]:.1f} %<br>%{customdata[2]:,.0f} of %{customdata[3]:,.0f} repairs"
            "<extra></extra>"
        ),
    )  # fmt: skip
    return with_caption(figure, _caption(result, shown.height, rated.height))


def _caption(result: Comebacks, drawn: int, of: int) -> str:
    totals = result.groups.select(pl.col("repairs", "comebacks").sum()).row(0, named=True)
    said = [
        f"{counted(totals['repairs'], 'repair')}, {whole(totals['comebacks'])} came back within "
        f"{result.window_days} days or {whole(result.window_distance)} {result.unit}. Beside "
        f"each name: its repairs. Whiskers: {100 * result.level:.0f} % limits; where they overlap "
        "widely, the difference may be chance."
    ]
    if drawn < of:
        said.append(f"Drawn: the {drawn} groups of {of} with most repairs; the table has all.")
    return " ".join(said)
