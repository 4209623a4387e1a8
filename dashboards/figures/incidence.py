"""Share of parts failed by each failure mode, the other modes competing."""

from __future__ import annotations

import numpy as np
import plotly.graph_objects as go
import polars as pl

from dashboards.figures.parts import (
    MOST_BANDS,
    MOST_LINES,
    UNIT_WORDS,
    Floats,
    Row,
    band,
    empty_figure,
    figure_with_rows,
    plain,
    step_band,
    ticks,
    value_at,
    visible_steps,
    with_caption,
)
from dashboards.theme import SYMBOLS, Mode, series_colour
from dashboards.wording import counted, words
from fleetlog.analyses.results import PartLife

TITLE = "Share failed, by kind of failure"


def incidence_figure(result: PartLife, group: str = "all", mode: Mode = "light") -> go.Figure:
    """Draw the cumulative incidence of each failure mode in one group, commonest first."""
    incidence = result.incidence.filter(pl.col("group") == group).sort("failure_mode", "time")
    if incidence.is_empty():
        return empty_figure(TITLE, "No failures to tell apart by how the part failed.", mode)
    last = (
        incidence.group_by("failure_mode", maintain_order=True)
        .agg(pl.col("estimate").last())
        .sort("estimate", descending=True, maintain_order=True)
    )
    modes = last["failure_mode"].to_list()[:MOST_LINES]
    ends = result.curves.filter(pl.col("group") == group)["time"]
    top = float(ends.max())  # type: ignore[arg-type]
    curves = {name: _whole_line(incidence, name, top) for name in modes}
    x_ticks = ticks(top)
    rows = tuple(
        Row(words(name), index, _numbers(curves[name], x_ticks)) for index, name in enumerate(modes)
    )
    figure = figure_with_rows(
        title=TITLE, x_title=f"Age of the part, {UNIT_WORDS[result.unit]}", y_title="Failed",
        x_ticks=x_ticks, x_top=top, heading="Failed by that age, %", rows=rows, mode=mode,
    )  # fmt: skip
    for index, name in enumerate(modes):
        curve, colour = curves[name], series_colour(index, mode)
        time, estimate, lower, upper = (
            curve[column].cast(pl.Float64).fill_null(np.nan).to_numpy()
            for column in ("time", "estimate", "lower", "upper")
        )
        kept = visible_steps(time, estimate)
        if len(modes) <= MOST_BANDS:
            figure.add_trace(
                band(*step_band(time[kept], 100 * lower[kept], 100 * upper[kept]), colour, 0.12)
            )
        figure.add_scatter(
            x=time[kept], y=100 * estimate[kept], mode="lines+markers",
            line={"shape": "hv", "color": colour, "width": 2.2},
            marker={"symbol": SYMBOLS[index % len(SYMBOLS)], "size": 7, "maxdisplayed": 7},
            customdata=100 * np.column_stack([lower[kept], upper[kept]]), name=plain(words(name)),
            hovertemplate=(
                f"<b>{plain(words(name))}</b><br>by %{{x:,.0f}} {UNIT_WORDS[result.unit]}: "
                "%{y:.1f} % failed<br>limits %{customdata[0]:.1f} to %{customdata[1]:.1f} %"
                "<extra></extra>"
            ),
        )  # fmt: skip
    return with_caption(figure, _caption(result, group, len(modes), len(last)))


def _whole_line(incidence: pl.DataFrame, failure_mode: str | None, end: float) -> pl.DataFrame:
    """Return one mode's line from 0 to the end of watch; between its failures it is level."""
    columns = ("time", "estimate", "lower", "upper")
    line = incidence.filter(pl.col("failure_mode").eq_missing(pl.lit(failure_mode))).select(
        pl.col(columns).cast(pl.Float64)
    )
    start = pl.DataFrame({"time": [0.0], "estimate": [0.0], "lower": [0.0], "upper": [0.0]})
    return pl.concat([start, line, line.tail(1).with_columns(time=pl.lit(end))])


def _numbers(curve: pl.DataFrame, x_ticks: Floats) -> tuple[str, ...]:
    shares = value_at(curve["time"].to_numpy(), curve["estimate"].to_numpy(), x_ticks)
    return tuple(f"{100 * value:.1f}" for value in shares)


def _caption(result: PartLife, group: str, drawn: int, of: int) -> str:
    failures = int(result.groups.filter(pl.col("group") == group)["failures"].sum())
    said = [
        f"{counted(failures, 'failure')}"
        + ("" if group == "all" else f" of {group}")
        + ". A part that fails one way cannot fail another way later; the shares allow for that."
    ]
    if drawn < of:
        said.append(f"Drawn: the {drawn} commonest of {of} ways to fail.")
    return " ".join(said)
