"""What the figures draw, against the frames of the results that they were given."""

from dataclasses import replace

import numpy as np
import plotly.graph_objects as go
import polars as pl
import pytest
from made_results import made_best_interval, made_comebacks, made_part_life

from dashboards.figures import (
    caption_of,
    comebacks_figure,
    incidence_figure,
    interval_figure,
    survival_figure,
)
from dashboards.figures.parts import (
    MOST_STEPS,
    count_at,
    plain,
    step_band,
    ticks,
    visible_steps,
)
from dashboards.theme import GRAPH_CONFIG, OKABE_ITO
from dashboards.wording import RATE_SPAN

BANKS = ("Bank 1", "Bank 2", "Bank 3")


def traces(figure: go.Figure, shape: str) -> list[go.Scatter]:
    return [trace for trace in figure.data if trace.line.shape == shape]


def rows_of_numbers(figure: go.Figure) -> list[go.Scatter]:
    return [trace for trace in figure.data if trace.mode == "text"]


def test_survival_curve_holds_the_estimates_as_steps() -> None:
    life = made_part_life(BANKS)
    drawn = traces(survival_figure(life), "hv")
    assert [trace.name for trace in drawn] == list(BANKS)
    for name, trace in zip(BANKS, drawn, strict=True):
        curve = life.curves.filter(pl.col("group") == name)
        np.testing.assert_array_equal(trace.x[1:], curve["time"].to_numpy())
        np.testing.assert_allclose(trace.y[1:], 100 * curve["estimate"].to_numpy(), rtol=1e-12)
        assert (trace.x[0], trace.y[0]) == (0.0, 100.0)


def test_numbers_at_risk_at_each_tick_equal_the_table() -> None:
    life = made_part_life(BANKS)
    figure = survival_figure(life)
    places = figure.layout.xaxis.tickvals
    assert len(places) >= 4
    for name, row in zip(BANKS, rows_of_numbers(figure), strict=True):
        np.testing.assert_array_equal(row.x, places)
        curve = life.curves.filter(pl.col("group") == name)
        for tick, text in zip(row.x, row.text, strict=True):
            later = curve.filter(pl.col("time") >= tick)
            at_risk = later["at_risk"][0] if later.height else 0
            assert text == f"{at_risk:,.0f}"


def test_numbers_at_risk_count_the_lives_that_reach_the_tick() -> None:
    # By hand: lives that end at 2, 4, 4, 7; at risk are those with exit >= t.
    ends = np.array([2.0, 4.0, 4.0, 7.0])
    time, at_risk = np.array([2.0, 4.0, 7.0]), np.array([4.0, 3.0, 1.0])
    places = np.array([0.0, 2.0, 3.0, 4.0, 5.0, 8.0])
    expected = [(ends >= place).sum() for place in places]
    assert count_at(time, at_risk, places).tolist() == expected


def test_limits_are_a_closed_area_through_the_tables_limits() -> None:
    x, y = step_band(
        np.array([1.0, 2.0, 3.0, 4.0]),
        np.array([0.7, 0.5, 0.4, np.nan]),
        np.array([0.9, 0.8, 0.6, np.nan]),
    )
    # By hand: along the upper steps to 3, back along the lower ones; the row without limits is out.
    assert x.tolist() == [1, 2, 2, 3, 3, 3, 3, 2, 2, 1]
    assert y.tolist() == [0.9, 0.9, 0.8, 0.8, 0.6, 0.4, 0.5, 0.5, 0.7, 0.7]


def test_limits_are_shaded_only_where_they_can_be_told_apart() -> None:
    def shaded(count: int) -> int:
        life = made_part_life(tuple(f"Cylinder {i}" for i in range(count)))
        return sum(trace.fill == "toself" for trace in survival_figure(life).data)

    assert (shaded(3), shaded(6)) == (3, 0)


def test_no_more_than_eight_groups_are_drawn_and_the_caption_counts_them() -> None:
    life = made_part_life(tuple(f"Depot {i:02}" for i in range(11)))
    figure = survival_figure(life)
    most = life.groups.sort("failures", descending=True, maintain_order=True).head(8)["group"]
    assert {trace.name for trace in traces(figure, "hv")} == set(most)
    assert "8 groups of 11" in caption_of(figure)


def test_every_series_differs_by_mark_as_well_as_by_colour() -> None:
    life = made_part_life(tuple(f"Cylinder {i}" for i in range(8)))
    drawn = traces(survival_figure(life), "hv")
    assert [trace.line.color for trace in drawn] == [
        colour if colour != "#000000" else drawn[6].line.color for colour in OKABE_ITO
    ]
    assert len({trace.marker.symbol for trace in drawn}) == 8


def test_captions_state_the_sample() -> None:
    life = made_part_life(BANKS)
    totals = life.groups.select(pl.col("lives", "failures").sum()).row(0)
    said = caption_of(survival_figure(life))
    assert all(f"{total:,}" in said for total in totals)
    assert "95 % limits" in said
    best = made_best_interval()
    assert f"{best.lives} part lives, {best.failures} failures" in caption_of(interval_figure(best))
    back = made_comebacks()
    assert f"{back.groups['repairs'].sum():,} repairs" in caption_of(comebacks_figure(back))


def test_axis_starts_above_nought_only_with_a_word_on_it() -> None:
    life = made_part_life()
    high = pl.col("estimate", "lower") * 0.02 + 0.98
    rare = replace(life, curves=life.curves.with_columns(high))
    assert survival_figure(rare).layout.yaxis.range[0] == 90
    assert "starts at 90 %" in caption_of(survival_figure(rare))
    assert survival_figure(life).layout.yaxis.range[0] == 0


def test_incidence_runs_from_nought_to_the_end_of_watch() -> None:
    life = made_part_life()
    figure = incidence_figure(life)
    end = life.curves["time"].max()
    for trace in traces(figure, "hv"):
        slug = {"flat lobe": "flat-lobe"}.get(trace.name, trace.name)
        table = life.incidence.filter(pl.col("failure_mode") == slug)
        np.testing.assert_allclose(trace.y[1:-1], 100 * table["estimate"].to_numpy(), rtol=1e-12)
        assert (trace.x[0], trace.y[0], trace.x[-1]) == (0, 0, end)
        assert trace.y[-1] == trace.y[-2]


def test_interval_marks_the_least_cost_its_flat_range_and_run_to_failure() -> None:
    best = made_best_interval(rule_interval=60_000.0, rule_origin="maker")
    figure = interval_figure(best)
    per = RATE_SPAN["mi"]
    marks = {trace.name: trace for trace in figure.data}
    np.testing.assert_allclose(marks["least cost"].x, [best.age])
    np.testing.assert_allclose(marks["least cost"].y, [per * best.cost_rate])
    np.testing.assert_allclose(marks["run to failure"].y, [per * best.run_to_failure_cost_rate] * 2)
    np.testing.assert_allclose(marks["planned renewal"].y, per * best.curve["cost_rate"].to_numpy())
    flat, rule = figure.layout.shapes
    assert (flat.x0, flat.x1) == pytest.approx(best.flat_range)
    assert rule.x0 == 60_000
    assert figure.layout.yaxis.title.text == "USD per 1,000 mi"


def test_interval_without_optimum_says_so() -> None:
    figure = interval_figure(made_best_interval(age=None))
    assert not figure.data
    assert "No planned age" in caption_of(figure)


def test_comebacks_show_each_rate_with_its_limits() -> None:
    back = made_comebacks()
    (dots,) = comebacks_figure(back).data
    by_name = {row["group"]: row for row in back.groups.to_dicts()}
    for place, name in enumerate(dots.text):
        row = by_name[name]
        assert dots.x[place] == pytest.approx(100 * row["rate"])
        assert dots.x[place] - dots.error_x.arrayminus[place] == pytest.approx(100 * row["lower"])
        assert dots.x[place] + dots.error_x.array[place] == pytest.approx(100 * row["upper"])
    assert len(dots.text) == back.groups.height


def test_empty_results_give_a_sentence_instead_of_axes() -> None:
    life, back = made_part_life(), made_comebacks()
    for figure in (
        survival_figure(replace(life, curves=life.curves.clear())),
        incidence_figure(replace(life, incidence=life.incidence.clear())),
        comebacks_figure(replace(back, groups=back.groups.clear())),
    ):
        assert not figure.data
        assert figure.layout.xaxis.visible is False
        assert caption_of(figure).endswith(".")


def test_names_from_the_records_cannot_be_markup() -> None:
    name = "<a href='x'>Acme</a>%{y}"
    figure = survival_figure(made_part_life((name,)))
    assert "<a" not in figure.to_json().replace("\\u003c", "<").replace("&lt;", "")
    assert "%{y}Acme" not in plain(name)
    assert plain("a" * 40, 16) == "a" * 15 + "…"


def test_ticks_are_round_and_few() -> None:
    for top in (3.0, 47.0, 999.0, 163_000.0, 2.4e6):
        places = ticks(top)
        assert places[0] == 0
        assert places[-1] <= top * (1 + 1e-9)
        assert 3 <= len(places) <= 6
    assert ticks(160_000).tolist() == [0, 40_000, 80_000, 120_000, 160_000]


def test_long_curves_are_thinned_by_less_than_the_eye_sees() -> None:
    time = np.arange(1.0, 200_001.0)
    value = np.exp(-((time / 80_000) ** 2))
    kept = visible_steps(time, value)
    assert len(kept) <= MOST_STEPS
    assert (kept[0], kept[-1]) == (0, len(time) - 1)
    drawn = value[kept][np.searchsorted(time[kept], time, side="right") - 1]
    assert np.abs(drawn - value).max() < 0.002


def test_charts_never_offer_to_upload() -> None:
    assert GRAPH_CONFIG["showSendToCloud"] is False
    assert GRAPH_CONFIG["plotlyServerURL"] == ""
