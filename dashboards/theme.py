"""Colours, marks and the figure templates for light and dark screens."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import plotly.graph_objects as go

Mode = Literal["light", "dark"]

#: Colours that stay apart for colour-blind eyes. Source: Okabe and Ito (2008), "Color Universal
#: Design". Ordered so that neighbours differ most; yellow, weak on white, is left for last.
OKABE_ITO = (
    "#0072B2", "#D55E00", "#009E73", "#CC79A7", "#E69F00", "#56B4E9", "#000000", "#F0E442",
)  # fmt: skip

#: The second signal beside the colour: a mark on the line and the same mark in words.
SYMBOLS = (
    "circle", "square", "diamond", "triangle-up", "triangle-down", "star", "cross", "x",
)  # fmt: skip
GLYPHS = ("●", "■", "◆", "▲", "▼", "★", "✚", "✖")

#: Our accent, from pale to deep; the shape that the component library wants: ten shades.
ACCENT_SHADES = (
    "#e9f4f3", "#d2e6e4", "#a6cdca", "#77b3ae", "#4f9c96", "#348c86", "#1f7f79", "#136c67",
    "#0f5a56", "#0a4643",
)  # fmt: skip

FONT = "system-ui, 'Segoe UI', Roboto, 'Helvetica Neue', 'Liberation Sans', Arial, sans-serif"

#: For every chart. The chart library would otherwise offer to upload the figure to its vendor.
GRAPH_CONFIG: Any = {
    "showSendToCloud": False,
    "plotlyServerURL": "",
    "displaylogo": False,
    "displayModeBar": "hover",
    "responsive": True,
    "scrollZoom": False,
    "modeBarButtonsToRemove": ["select2d", "lasso2d", "autoScale2d"],
    "toImageButtonOptions": {"format": "png", "scale": 2},
}


@dataclass(frozen=True)
class Palette:
    """The inks of one mode."""

    ink: str
    quiet: str
    grid: str
    paper: str
    accent: str


PALETTES: dict[Mode, Palette] = {
    "light": Palette("#1f2528", "#566066", "#e4e7e6", "#ffffff", "#136c67"),
    "dark": Palette("#e6e9e8", "#a3adb0", "#333b3d", "#1b2022", "#77b3ae"),
}


#: On a dark page black becomes the ink, and the two blues change places.
DARK_SWAPS = {"#0072B2": "#56B4E9", "#56B4E9": "#0072B2"}


def series_colour(index: int, mode: Mode) -> str:
    """Return the colour of the index-th series."""
    colour = OKABE_ITO[index % len(OKABE_ITO)]
    if colour == "#000000":
        return PALETTES[mode].ink
    return DARK_SWAPS.get(colour, colour) if mode == "dark" else colour


def faded(colour: str, opacity: float) -> str:
    """Return a ``#rrggbb`` colour as ``rgba`` with the given opacity."""
    red, green, blue = (int(colour[i : i + 2], 16) for i in (1, 3, 5))
    return f"rgba({red}, {green}, {blue}, {opacity})"


def template(mode: Mode) -> go.layout.Template:
    """Return the figure template of one mode."""
    palette = PALETTES[mode]
    axis = {
        "gridcolor": palette.grid,
        "linecolor": palette.quiet,
        "tickcolor": palette.quiet,
        "tickfont": {"color": palette.quiet, "size": 12},
        "title": {"font": {"color": palette.quiet, "size": 12}, "standoff": 8},
        "zeroline": False,
        "ticks": "outside",
        "ticklen": 4,
        "automargin": True,
    }
    return go.layout.Template(
        layout={
            "font": {"family": FONT, "color": palette.ink, "size": 13},
            "paper_bgcolor": palette.paper,
            "plot_bgcolor": palette.paper,
            "colorway": [series_colour(index, mode) for index in range(len(OKABE_ITO))],
            "hoverlabel": {
                "bgcolor": palette.paper,
                "bordercolor": palette.quiet,
                "font": {"color": palette.ink, "family": FONT, "size": 12},
                "align": "left",
            },
            "hovermode": "closest",
            "margin": {"l": 8, "r": 14, "t": 52, "b": 8},
            "showlegend": False,
            "title": {
                "x": 0, "xref": "container", "xanchor": "left", "pad": {"l": 4, "t": 8},
                "y": 1, "yref": "container", "yanchor": "top",
                "font": {"size": 15, "color": palette.ink, "weight": 600},
            },
            "xaxis": axis,
            "yaxis": axis,
            "modebar": {
                "bgcolor": "rgba(0,0,0,0)", "color": palette.quiet, "activecolor": palette.accent,
            },
            "dragmode": False,
        }
    )  # fmt: skip
