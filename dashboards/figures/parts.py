"""What the figures share: ticks, step lines, shaded limits, rows of numbers below an axis."""

from __future__ import annotations

import html
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import plotly.graph_objects as go

from dashboards.theme import GLYPHS, PALETTES, Mode, faded, series_colour, template

Floats = npt.NDArray[np.float64]

#: More steps than this cannot be told apart on a screen and only make the page heavy.
MOST_STEPS = 1_500

#: More lines than this cannot be told apart, so the rest is left to the table.
MOST_LINES = 8

#: Shaded limits of more lines than this hide each other.
MOST_BANDS = 4

LABEL_LENGTH = 16

UNIT_WORDS = {"mi": "mi", "km": "km", "days": "days"}

# The panel of numbers and the room around it, in pixels.
PLOT_HEIGHT = 300
TITLE_HEIGHT = 44
AXIS_HEIGHT = 82
ROW_HEIGHT = 21
FOOT_HEIGHT = 8


def plain(text: object, length: int | None = None) -> str:
    """Make text from the records safe for a figure, which reads some tags as markup."""
    written = str(text)
    if length is not None and len(written) > length:
        written = written[: length - 1].rstrip() + "…"
    return html.escape(written, quote=False).replace("%{", "%\u200b{")


def ticks(top: float, most: int = 5) -> Floats:
    """Return round tick positions from 0 up to at most ``top``, no more than ``most`` + 1."""
    if not np.isfinite(top) or top <= 0:
        return np.array([0.0])
    rough = top / most
    decade = 10.0 ** np.floor(np.log10(rough))
    step = next(factor * decade for factor in (1, 2, 2.5, 4, 5, 10) if factor * decade >= rough)
    return np.asarray(step * np.arange(int(np.floor(top / step * (1 + 1e-9))) + 1))


def ages(at: Floats) -> list[str]:
    """Write ages at ticks, whole thousands as 50k: on a phone longer words would touch."""
    if len(at) > 1 and not np.any(at % 1_000):
        return [f"{age / 1_000:,.0f}k" if age else "0" for age in at]
    return [f"{age:,.0f}" for age in at]


def value_at(time: Floats, value: Floats, at: Floats) -> Floats:
    """Read a step line that jumps at ``time`` (ascending, from 0) at the places ``at``."""
    read: Floats = value[np.searchsorted(time, at, side="right") - 1]
    return read


def count_at(time: Floats, at_risk: Floats, at: Floats) -> Floats:
    """Return the numbers at risk at the first age at or after each place at which a life ended.

    Nobody is left beyond the last such age. Between two such ages the number can differ from the
    one returned only by lives that enter late in that gap.
    """
    place = np.searchsorted(time, at, side="left")
    return np.append(at_risk, 0.0)[place]


def visible_steps(time: Floats, value: Floats) -> npt.NDArray[np.intp]:
    """Return the rows worth drawing: all of a short line, else the last of each even slice."""
    if len(time) <= MOST_STEPS:
        return np.arange(len(time))
    shift = np.concatenate([[0.0], np.cumsum(np.abs(np.diff(np.nan_to_num(value))))])
    way = shift / max(shift[-1], 1e-300) + (time - time[0]) / max(time[-1] - time[0], 1e-300)
    cell = np.floor(way / 2 * (MOST_STEPS - 2))
    return np.flatnonzero(np.append(np.diff(cell) > 0, True) | (np.arange(len(time)) == 0))


def step_band(time: Floats, lower: Floats, upper: Floats) -> tuple[Floats, Floats]:
    """Return the outline of the area between two step lines; rows without limits are left out."""
    known = np.isfinite(lower) & np.isfinite(upper)
    time, lower, upper = time[known], lower[known], upper[known]
    x = np.repeat(time, 2)[1:]
    up, low = np.repeat(upper, 2)[:-1], np.repeat(lower, 2)[:-1]
    return np.concatenate([x, x[::-1]]), np.concatenate([up, low[::-1]])


def band(x: Floats, y: Floats, colour: str, opacity: float = 0.16) -> go.Scatter:
    """Return a shaded area without outline that does not answer the pointer."""
    return go.Scatter(
        x=x, y=y, mode="lines", line={"width": 0}, fill="toself",
        fillcolor=faded(colour, opacity), hoverinfo="skip", name="limits",
    )  # fmt: skip


@dataclass(frozen=True)
class Row:
    """One row of the numbers below an axis, and the line that it belongs to."""

    label: str
    index: int
    numbers: tuple[str, ...]


def figure_with_rows(
    *, title: str, x_title: str, y_title: str, x_ticks: Floats, x_top: float, heading: str,
    rows: tuple[Row, ...], mode: Mode,
) -> go.Figure:  # fmt: skip
    """Return an empty figure with rows of numbers below the axis, each number at its tick.

    The row labels carry colour and mark of their lines and so serve as the legend.
    """
    palette = PALETTES[mode]
    panel = ROW_HEIGHT * len(rows)
    height = TITLE_HEIGHT + PLOT_HEIGHT + AXIS_HEIGHT + panel + FOOT_HEIGHT
    inner = height - TITLE_HEIGHT - FOOT_HEIGHT
    window = [-0.02 * x_top, 1.04 * x_top]
    labels = [
        f"{plain(row.label, LABEL_LENGTH)} "
        f'<span style="color:{series_colour(row.index, mode)}">'
        f"{GLYPHS[row.index % len(GLYPHS)]}</span>"
        for row in rows
    ]
    figure = go.Figure(
        layout={
            "template": template(mode),
            "title": {"text": title},
            "height": height,
            "margin": {"t": TITLE_HEIGHT, "b": FOOT_HEIGHT},
            "xaxis": {
                "title": {"text": x_title}, "range": window, "anchor": "y", "showgrid": False,
                "tickvals": x_ticks, "ticktext": ages(x_ticks),
                "tickangle": 0,
            },
            "yaxis": {
                "title": {"text": y_title}, "domain": [(panel + AXIS_HEIGHT) / inner, 1],
                "ticksuffix": " %", "rangemode": "tozero",
            },
            "xaxis2": {"matches": "x", "anchor": "y2", "visible": False},
            "yaxis2": {
                "domain": [0, panel / inner], "range": [len(rows) - 0.5, -0.5],
                "tickvals": list(range(len(rows))), "ticktext": labels, "showgrid": False,
                "ticks": "", "ticklabelstandoff": 18, "fixedrange": True, "showline": False,
                "tickfont": {"color": palette.ink, "size": 12},
            },
        }
    )  # fmt: skip
    for height_of_row, row in enumerate(rows):
        figure.add_scatter(
            x=x_ticks, y=[height_of_row] * len(x_ticks), text=list(row.numbers), mode="text",
            textfont={"size": 12, "color": palette.ink}, xaxis="x2", yaxis="y2",
            cliponaxis=False, hoverinfo="skip", name=f"numbers: {plain(row.label)}",
        )  # fmt: skip
    figure.add_annotation(
        text=heading, xref="paper", yref="paper", x=0, y=panel / inner, xanchor="left",
        yanchor="bottom", showarrow=False, xshift=-2,
        font={"size": 12, "color": palette.quiet},
    )  # fmt: skip
    return figure


def with_caption(figure: go.Figure, caption: str) -> go.Figure:
    """Attach the caption, which the page or report sets in text."""
    figure.update_layout(meta={"caption": caption})
    return figure


def caption_of(figure: go.Figure) -> str:
    """Return the caption of a figure made here."""
    meta: dict[str, Any] = figure.layout.meta
    return str(meta["caption"])


def empty_figure(title: str, sentence: str, mode: Mode = "light") -> go.Figure:
    """Return a figure that says in one sentence why there is nothing to draw."""
    figure = go.Figure(
        layout={
            "template": template(mode),
            "title": {"text": title},
            "height": 190,
            "xaxis": {"visible": False},
            "yaxis": {"visible": False},
        }
    )
    figure.add_annotation(
        text="<br>".join(_lines(plain(sentence))), x=0.5, y=0.5, xref="paper", yref="paper",
        showarrow=False, font={"size": 13, "color": PALETTES[mode].quiet},
    )  # fmt: skip
    return with_caption(figure, sentence)


def _lines(text: str, width: int = 44) -> list[str]:
    """Break a sentence into lines short enough for a phone."""
    lines: list[str] = [""]
    for word in text.split():
        if len(lines[-1]) + len(word) >= width:
            lines.append("")
        lines[-1] = f"{lines[-1]} {word}".strip()
    return lines
