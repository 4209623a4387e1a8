"""Survival curves of one component with limits, fitted curve and numbers at risk."""

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
    count_at,
    empty_figure,
    figure_with_rows,
    plain,
    step_band,
    ticks,
    visible_steps,
    with_caption,
)
from dashboards.theme import SYMBOLS, Mode, series_colour
from dashboards.wording import counted, whole
from fleetlog.analyses.results import PartLife

TITLE = "Share of parts still good, by age"


def survival_figure(result: PartLife, mode: Mode = "light") -> go.Figure:
    """Draw the product-limit curves as steps, one line per group.

    Groups beyond the eight with most failures are left to the table, and the caption says so.
    """
    if result.curves.is_empty():
        return empty_figure(TITLE, f"No failure of {result.title} to draw a curve from.", mode)
    curves = {
        str(key[0]): _from_new(part.sort("time")) for key, part in result.curves.group_by("group")
    }
    drawable = result.groups.filter(pl.col("group").is_in(list(curves)))
    shown = drawable.sort("failures", descending=True, maintain_order=True).head(MOST_LINES)
    names = [name for name in drawable["group"] if name in set(shown["group"])]
    top = float(result.curves.filter(pl.col("group").is_in(names))["time"].max())  # type: ignore[arg-type]
    x_ticks = ticks(top)
    rows = tuple(
        Row(_label(name), index, _numbers(curves[name], x_ticks))
        for index, name in enumerate(names)
    )
    figure = figure_with_rows(
        title=TITLE, x_title=f"Age of the part, {UNIT_WORDS[result.unit]}",
        y_title="Still good", x_ticks=x_ticks, x_top=top, heading="Parts at risk",
        rows=rows, mode=mode,
    )  # fmt: skip
    for index, name in enumerate(names):
        colour = series_colour(index, mode)
        if len(names) <= MOST_BANDS:
            figure.add_trace(_limits(curves[name], colour))
        figure.add_trace(_steps(curves[name], name, index, result, mode))
        fit = result.fitted.filter(pl.col("group") == name).sort("time")
        if not fit.is_empty():
            figure.add_scatter(
                x=fit["time"].to_numpy(), y=100 * fit["survival"].to_numpy(), mode="lines",
                line={"color": colour, "width": 1.5, "dash": "dash"}, opacity=0.9,
                hoverinfo="skip", name=f"Weibull: {plain(name)}",
            )  # fmt: skip
    base = _base(curves, names)
    figure.update_layout(yaxis={"range": [base, 100 + 0.03 * (100 - base)], "nticks": 6})
    caption = _caption(result, len(names), len(drawable))
    return with_caption(
        figure, caption if base == 0 else f"{caption} The upright axis starts at {base} %."
    )


def _base(curves: dict[str, pl.DataFrame], names: list[str]) -> int:
    """Start the axis where rare failures can still be seen, and at 0 for common ones."""
    lowest = min(
        100 * float(np.nanmin(curves[name].select("lower", "estimate").cast(pl.Float64).to_numpy()))
        for name in names
    )
    return next(base for base in (90, 75, 50, 0) if lowest > base or base == 0)


def _label(name: str) -> str:
    return "All" if name == "all" else name


def _from_new(curve: pl.DataFrame) -> pl.DataFrame:
    """Put before the first ending the age 0 at which, by definition, every part is good."""
    first = curve.head(1).with_columns(
        *(pl.lit(0.0).alias(name) for name in ("time", "events")),
        *(pl.lit(1.0).alias(name) for name in ("estimate", "lower", "upper")),
    )
    return pl.concat([first, curve.with_columns(pl.col("time", "events").cast(pl.Float64))])


def _numbers(curve: pl.DataFrame, x_ticks: Floats) -> tuple[str, ...]:
    counts = count_at(
        curve["time"].to_numpy().astype(float), curve["at_risk"].to_numpy().astype(float), x_ticks
    )
    return tuple(whole(float(count)) for count in counts)


def _limits(curve: pl.DataFrame, colour: str) -> go.Scatter:
    time, lower, upper = (
        curve[name].cast(pl.Float64).fill_null(np.nan).to_numpy()
        for name in ("time", "lower", "upper")
    )
    kept = visible_steps(time, lower)
    return band(*step_band(time[kept], 100 * lower[kept], 100 * upper[kept]), colour)


def _steps(curve: pl.DataFrame, name: str, index: int, result: PartLife, mode: Mode) -> go.Scatter:
    curve = curve[
        visible_steps(curve["time"].to_numpy().astype(float), curve["estimate"].to_numpy())
    ]
    limits = 100 * curve.select("lower", "upper").to_numpy()
    return go.Scatter(
        x=curve["time"].to_numpy(), y=100 * curve["estimate"].to_numpy(), mode="lines+markers",
        line={"shape": "hv", "color": series_colour(index, mode), "width": 2.2},
        marker={"symbol": SYMBOLS[index % len(SYMBOLS)], "size": 7, "maxdisplayed": 7},
        customdata=np.column_stack([limits, curve["at_risk"].to_numpy()]),
        name=plain(name),
        hovertemplate=(
            f"<b>{plain(_label(name))}</b><br>at %{{x:,.0f}} {UNIT_WORDS[result.unit]}: "
            "%{y:.1f} % still good<br>limits %{customdata[0]:.1f} to %{customdata[1]:.1f} %<br>"
            "%{customdata[2]:,.0f} at risk<extra></extra>"
        ),
    )  # fmt: skip


def _caption(result: PartLife, drawn: int, of: int) -> str:
    totals = result.groups.select(pl.col("lives", "vehicles", "failures").sum()).row(0, named=True)
    said = [
        f"{counted(totals['lives'], 'part life', 'part lives')}, of which "
        f"{whole(totals['failures'])} ended in failure."
    ]
    if drawn < of:
        said.append(f"Drawn: the {drawn} groups of {of} with most failures; the table has all.")
    if drawn <= MOST_BANDS:
        said.append(f"Shaded: {100 * result.level:.0f} % limits, clustered by vehicle.")
    else:
        said.append(f"The {100 * result.level:.0f} % limits are in the table.")
    if not result.fitted.is_empty():
        said.append("Dashed: fitted Weibull.")
    return " ".join(said)
