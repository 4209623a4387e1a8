"""Cost of a planned renewal against its age."""

from __future__ import annotations

import numpy as np
import plotly.graph_objects as go

from dashboards.figures.parts import UNIT_WORDS, ages, empty_figure, ticks, with_caption
from dashboards.theme import PALETTES, Mode, faded, template
from dashboards.wording import RATE_SPAN, counted, money, span, whole
from fleetlog.analyses.results import BestInterval

TITLE = "Cost of renewing at a planned age"

#: Ages up to this many times the best one are shown.
SHOWN = 4.0


def interval_figure(result: BestInterval, mode: Mode = "light") -> go.Figure:
    """Draw the cost rate against the planned age, its least point and its flat range.

    The level line is what running to failure costs. The curve rises without bound as the age
    goes to 0, so the axis ends at twice that level. Without a least point there is nothing to
    read off, and the reason stands in its place.
    """
    if result.age is None or result.run_to_failure_cost_rate is None:
        return empty_figure(
            TITLE, "No planned age is shown to pay, so there is no least cost to point at.", mode
        )
    palette = PALETTES[mode]
    per, unit = RATE_SPAN[result.unit], UNIT_WORDS[result.unit]
    age = result.curve["age"].to_numpy()
    cost = per * result.curve["cost_rate"].to_numpy()
    level = per * result.run_to_failure_cost_rate
    # The rest of the curve only creeps towards the level of running to failure.
    top = min(float(age[-1]), max(SHOWN * result.age, 1.1 * (result.rule_interval or 0.0)))
    x_ticks = ticks(top)
    figure = go.Figure(
        layout={
            "template": template(mode),
            "title": {"text": TITLE},
            "height": 370,
            "xaxis": {
                "title": {"text": f"Planned age of renewal, {unit}"}, "tickvals": x_ticks,
                "ticktext": ages(x_ticks), "range": [0, top],
                "showgrid": False, "tickangle": 0,
            },
            "yaxis": {
                "title": {"text": f"{result.currency} per {per:,} {unit}"},
                "range": [0, 2 * level], "tickformat": ",.4~g",
            },
        }
    )  # fmt: skip
    if result.flat_range is not None:
        figure.add_vrect(
            x0=max(result.flat_range[0], 0), x1=min(result.flat_range[1], top),
            fillcolor=faded(palette.accent, 0.12), line_width=0, layer="below",
        )  # fmt: skip
    figure.add_scatter(
        x=[0, top], y=[level, level], mode="lines", hoverinfo="skip", name="run to failure",
        line={"color": palette.quiet, "width": 1.5, "dash": "dash"},
    )  # fmt: skip
    figure.add_annotation(
        x=top / 2, y=level, text=f"run to failure: {level:,.2f}", showarrow=False,
        yanchor="bottom" if np.interp(top / 2, age, cost) <= level else "top",
        font={"size": 12, "color": palette.quiet},
    )  # fmt: skip
    figure.add_scatter(
        x=age, y=cost, mode="lines", line={"color": palette.accent, "width": 2.6},
        name="planned renewal",
        hovertemplate=(
            f"renewed at %{{x:,.0f}} {unit}:<br>%{{y:,.2f}} {result.currency} per {per:,} {unit}"
            "<extra></extra>"
        ),
    )  # fmt: skip
    if result.cost_rate is not None:
        _mark_optimum(figure, result, per * result.cost_rate, top, mode)
    if result.rule_interval is not None:
        figure.add_vline(x=result.rule_interval, line={"color": palette.ink, "dash": "dot"})
        left = result.rule_interval > top / 2
        figure.add_annotation(
            x=result.rule_interval, y=1, yref="paper", showarrow=False, yanchor="top",
            xanchor="right" if left else "left", xshift=-5 if left else 5,
            text=f"{result.rule_origin} interval: {whole(result.rule_interval)}",
            font={"size": 12, "color": palette.ink},
        )  # fmt: skip
    return with_caption(figure, _caption(result))


def _mark_optimum(
    figure: go.Figure, result: BestInterval, cost: float, top: float, mode: Mode
) -> None:
    assert result.age is not None
    palette = PALETTES[mode]
    whiskers = None
    if result.age_interval is not None:
        low, high = result.age_interval
        whiskers = {
            "type": "data", "symmetric": False, "array": [max(min(high, top) - result.age, 0)],
            "arrayminus": [result.age - low], "thickness": 1.5, "width": 5,
            "color": palette.ink,
        }  # fmt: skip
    figure.add_scatter(
        x=[result.age], y=[cost], mode="markers", name="least cost", error_x=whiskers,
        marker={"size": 11, "color": palette.accent, "line": {"color": palette.paper, "width": 2}},
        hovertemplate=f"least cost at {whole(result.age)} {UNIT_WORDS[result.unit]}<extra></extra>",
    )  # fmt: skip
    figure.add_annotation(
        x=result.age, y=cost, yshift=-12, showarrow=False, yanchor="top",
        xanchor="left" if result.age < 0.15 * top else "center", bgcolor=palette.paper,
        borderpad=2,
        text=f"<b>{whole(result.age)} {UNIT_WORDS[result.unit]}</b><br>{cost:,.2f}",
        font={"size": 13, "color": palette.accent},
    )  # fmt: skip


def _caption(result: BestInterval) -> str:
    said = [
        f"{counted(result.lives, 'part life', 'part lives')}, "
        f"{counted(result.failures, 'failure')}. "
        f"One part: planned renewal {money(result.cost_planned, result.currency)}, failure "
        f"{money(result.cost_failure, result.currency)}."
    ]
    if result.flat_range is not None:
        said.append(
            f"Shaded: {span(*result.flat_range)} {UNIT_WORDS[result.unit]}, where the cost is "
            "within 5 % of the least."
        )
    if result.age is not None and result.age_interval is not None:
        said.append("Whiskers: where the least point falls when the fit's own doubt is drawn.")
    return " ".join(said)
