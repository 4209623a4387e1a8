"""Ratio of hazards before and after something happened to a life."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fleetlog.errors import InvalidLives, NoInteriorMaximum
from fleetlog.stats import hazard_ratio, kaplan_meier, split_lives


def fleet(rng, rows=200):
    entry = rng.integers(0, 10, rows)
    return {
        "exit": entry + rng.integers(1, 50, rows),
        "entry": entry,
        "event": rng.random(rows) < 0.5,
        "exposed": rng.random(rows) < 0.4,
        "stratum": rng.integers(0, 3, rows),
        "cluster": rng.integers(0, 40, rows),
    }


def test_by_hand_two_failures_of_two_risk_sets():
    """At age 1 one of two others fails beside two exposed, at age 2 one of two exposed beside one.

    As many exposed failed as were due: 1 = 2r / (2r + 2) + 2r / (2r + 1), so 2 r^2 = 1.
    """
    result = hazard_ratio([1, 2, 3, 3], [True, True, False, False], [False, True, True, False])
    assert result.ratio == pytest.approx(np.sqrt(0.5))
    assert (result.events, result.other_events) == (1, 1)
    assert (result.exposure, result.other_exposure) == (5, 4)


def test_splitting_by_hand():
    pieces = split_lives(
        [10, 10, 10, 10], [True, True, False, True], [4.0, np.nan, 12.0, 10.0], entry=[0, 2, 5, 1]
    )
    assert pieces.row.tolist() == [0, 0, 1, 2, 3]
    assert pieces.entry.tolist() == [0, 4, 2, 5, 1]
    assert pieces.exit.tolist() == [4, 10, 10, 10, 10]
    # One that fails at the very age of the cut failed before it.
    assert pieces.event.tolist() == [False, True, True, False, True]
    assert pieces.after.tolist() == [False, True, False, False, False]


def test_a_cut_before_entry_leaves_one_piece_that_lies_after_it():
    pieces = split_lives([10], [True], [-3.0], entry=[2])
    assert (pieces.entry.tolist(), pieces.exit.tolist(), pieces.after.tolist()) == (
        [2], [10], [True],
    )  # fmt: skip


@given(st.integers(0, 10_000))
@settings(max_examples=15, deadline=None)
def test_splitting_lives_anywhere_changes_nothing_else(seed):
    rng = np.random.default_rng(seed)
    lives = fleet(rng)
    cut = np.where(rng.random(200) < 0.7, rng.integers(-5, 60, 200), np.nan)
    pieces = split_lives(lives["exit"], lives["event"], cut, entry=lives["entry"])
    row = pieces.row
    whole = kaplan_meier(lives["exit"], lives["event"], entry=lives["entry"]).table
    split = kaplan_meier(pieces.exit, pieces.event, entry=pieces.entry).table
    left = split.filter(split["events"] > 0)
    assert left["estimate"].to_list() == pytest.approx(
        whole.filter(whole["events"] > 0)["estimate"].to_list()
    )
    one = hazard_ratio(**lives)
    other = hazard_ratio(
        pieces.exit, pieces.event, lives["exposed"][row], entry=pieces.entry,
        stratum=lives["stratum"][row], cluster=lives["cluster"][row],
    )  # fmt: skip
    assert other.ratio == pytest.approx(one.ratio)
    assert other.log_std_err == pytest.approx(one.log_std_err)


@given(st.integers(0, 10_000), st.permutations(range(200)), st.floats(0.01, 1000))
@settings(max_examples=15, deadline=None)
def test_neither_the_order_of_rows_nor_the_unit_of_age_matters(seed, order, factor):
    lives = fleet(np.random.default_rng(seed))
    one = hazard_ratio(**lives)
    moved = {name: values[order] for name, values in lives.items()}
    moved["exit"], moved["entry"] = factor * moved["exit"], factor * moved["entry"]
    other = hazard_ratio(**moved)
    assert (other.ratio, other.log_std_err) == pytest.approx((one.ratio, one.log_std_err))
    assert other.exposure == pytest.approx(factor * one.exposure)


@given(st.integers(0, 10_000))
@settings(max_examples=15, deadline=None)
def test_a_life_that_stands_in_several_strata_is_so_many_lives(seed):
    rng = np.random.default_rng(seed)
    lives = fleet(rng)
    lives["stratum"] = rng.integers(-1, 3, 200)
    copies = np.where(lives["stratum"] < 0, 2, 1)
    row = np.repeat(np.arange(200), copies)
    second = np.append(False, row[1:] == row[:-1])
    written = {name: values[row] for name, values in lives.items()}
    written["stratum"] = np.where(
        written["stratum"] < 0, np.where(second, 2, 0), written["stratum"]
    )
    one, other = hazard_ratio(**lives, common=[0, 2]), hazard_ratio(**written)
    assert one.ratio == pytest.approx(other.ratio)
    assert one.log_std_err == pytest.approx(other.log_std_err)
    assert (one.events, one.exposure) == pytest.approx((other.events, other.exposure))


def test_a_weight_is_so_many_lives():
    lives = fleet(np.random.default_rng(3))
    weight = np.random.default_rng(4).integers(1, 4, 200)
    one = hazard_ratio(**lives, weight=weight)
    other = hazard_ratio(**{name: np.repeat(values, weight) for name, values in lives.items()})
    assert (one.ratio, one.log_std_err) == pytest.approx((other.ratio, other.log_std_err))


@pytest.mark.parametrize("exposed_fail", [True, False])
def test_failures_of_one_kind_only_set_no_ratio(exposed_fail):
    exposed = np.array([True, False, True, False])
    with pytest.raises(NoInteriorMaximum, match="exposed"):
        hazard_ratio([3, 4, 9, 9], (exposed == exposed_fail) & [True, True, False, False], exposed)


def test_what_cannot_be_is_refused():
    with pytest.raises(NoInteriorMaximum, match="No life failed"):
        hazard_ratio([1, 2], [False, False], [True, False])
    with pytest.raises(InvalidLives, match="common"):
        hazard_ratio([1, 2], [True, True], [True, False], stratum=[-1, 0])


@pytest.mark.slow
@pytest.mark.parametrize("ratio", [1.0, 2.0])
def test_the_limits_hold_a_known_ratio_of_lives_that_share_engines(ratio):
    """400 fleets of 150 engines of eight parts: a part's hazard rises by the ratio at the first
    failure of another one of the engine; engines differ by nothing else. Of 400 intervals at 95 %
    one expects 380, give or take 13 (three standard errors)."""
    held, logs = 0, []
    for seed in range(400):
        rng = np.random.default_rng(seed)
        engines, parts, shape, scale, end = 150, 8, 2.0, 300_000.0, 220_000.0
        first = scale * rng.standard_exponential((engines, parts)) ** (1 / shape)
        age = first.min(axis=1)
        who = first.argmin(axis=1)
        more = rng.standard_exponential((engines, parts)) / ratio
        after = scale * ((age[:, None] / scale) ** shape + more) ** (1 / shape)
        fails = np.where(np.arange(parts) == who[:, None], first, after)
        cut = np.where(np.arange(parts) == who[:, None], np.nan, age[:, None])
        lives = split_lives(np.minimum(fails, end).ravel(), (fails < end).ravel(), cut.ravel())
        found = hazard_ratio(
            lives.exit, lives.event, lives.after, entry=lives.entry, cluster=lives.row // parts
        )
        held += found.lower <= ratio <= found.upper
        logs.append(np.log(found.ratio))
    assert held >= 367
    assert np.mean(logs) == pytest.approx(np.log(ratio), abs=4 * np.std(logs) / 20)
