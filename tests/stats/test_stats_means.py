from fractions import Fraction

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from fleetlog import stats
from fleetlog.errors import InvalidLives

quick = settings(max_examples=25)


@st.composite
def caused_lives(draw):
    rows = draw(st.integers(4, 30))
    column = lambda strategy: np.array(  # noqa: E731
        draw(st.lists(strategy, min_size=rows, max_size=rows))
    )
    entry, cluster = column(st.integers(0, 6)), column(st.integers(0, 5))
    cluster[:2] = (0, 1)
    lives = {
        "exit": entry + column(st.integers(1, 12)),
        "entry": entry,
        "weight": column(st.integers(1, 3)).astype(float),
        "cluster": cluster,
    }
    return lives, column(st.integers(0, 2)), float(draw(st.integers(1, int(lives["exit"].max()))))


def test_by_hand():
    # Failures at 2 and 5 of four lives, censored at 3 and 6; to 6: 2 + 3 * 3/4 + 1 * 3/8.
    mean = stats.restricted_mean([2, 3, 5, 6], [True, False, True, False], to_age=6)
    assert mean.estimate == pytest.approx(2 + 3 * 0.75 + 0.375)
    # Klein and Moeschberger 2003, section 4.5: sum of the area beyond squared times d / Y(Y - d).
    variance = Fraction(21, 8) ** 2 * Fraction(1, 12) + Fraction(3, 8) ** 2 * Fraction(1, 2)
    assert mean.std_err == pytest.approx(float(variance) ** 0.5)
    assert mean.upper - mean.estimate == pytest.approx(1.959963984540054 * mean.std_err)
    # Between two ages of the data, and before the first.
    assert stats.restricted_mean([2, 3], [True, True], to_age=2.5).estimate == pytest.approx(2.25)
    assert stats.restricted_mean([2, 3], [True, True], to_age=1).estimate == 1
    assert stats.restricted_mean([2, 3], [True, True], to_age=9).estimate == pytest.approx(2.5)


@quick
@given(caused_lives())
def test_time_survived_and_lost_share_out_all_time(drawn):
    lives, cause, to_age = drawn
    mean = stats.restricted_mean(event=cause > 0, to_age=to_age, **lives)
    lost = stats.time_lost_by_cause(cause=cause, to_age=to_age, **lives)
    assert mean.estimate + lost["estimate"].sum() == pytest.approx(to_age)


@quick
@given(caused_lives())
def test_the_area_is_that_under_the_curve(drawn):
    lives, cause, to_age = drawn
    curve = stats.kaplan_meier(event=cause > 0, **lives)
    shares = stats.cumulative_incidence(cause=cause, **lives)
    at = np.arange(0, to_age)  # Steps fall on whole ages, so left ends give the area.
    mean = stats.restricted_mean(event=cause > 0, to_age=to_age, **lives)
    assert mean.estimate == pytest.approx(curve.at(at).sum())
    lost = stats.time_lost_by_cause(cause=cause, to_age=to_age, **lives)
    assert lost["cause"].to_list() == list(shares.causes)
    for label, estimate in lost.select("cause", "estimate").rows():
        assert estimate == pytest.approx(shares.at(at, label).sum(), abs=1e-12)


@quick
@given(caused_lives())
def test_the_clustered_error_is_the_sum_of_squared_influences(drawn):
    lives, cause, to_age = drawn
    whole = stats.time_lost_by_cause(cause=cause, to_age=to_age, **lives)
    mean = stats.restricted_mean(event=cause > 0, to_age=to_age, **lives)
    squares = np.zeros(whole.height + 1)
    for cluster in np.unique(lives["cluster"]):
        moved = []
        for sign in (1, -1):
            tilt = np.where(lives["cluster"] == cluster, 1 + sign * 1e-5, 1.0)
            tilted = lives | {"weight": lives["weight"] * tilt}
            lost = stats.time_lost_by_cause(cause=cause, to_age=to_age, **tilted)
            survived = stats.restricted_mean(event=cause > 0, to_age=to_age, **tilted)
            moved.append([*lost["estimate"], survived.estimate])
        squares += ((np.array(moved[0]) - moved[1]) / 2e-5) ** 2
    assert_allclose([*whole["std_err"], mean.std_err], np.sqrt(squares), rtol=1e-5, atol=1e-6)


@quick
@given(caused_lives())
def test_one_cause_has_the_error_of_the_mean(drawn):
    lives, cause, to_age = drawn
    cause = np.minimum(cause, 1)
    if not cause.any():
        return
    for left_out in (("cluster",), ()):
        some = {k: v for k, v in lives.items() if k not in left_out}
        mean = stats.restricted_mean(event=cause > 0, to_age=to_age, **some)
        lost = stats.time_lost_by_cause(cause=cause, to_age=to_age, **some)
        assert lost["std_err"][0] == pytest.approx(mean.std_err, rel=1e-9, abs=1e-7)


@quick
@given(caused_lives())
def test_a_table_and_a_unit_change_nothing(drawn):
    lives, cause, to_age = drawn
    del lives["cluster"]
    weight, none = lives["weight"], 0 * lives["weight"]
    one = stats.restricted_mean(event=cause > 0, to_age=to_age, **lives)
    counted = stats.restricted_mean_from_table(
        np.concatenate([lives["entry"], lives["exit"]]),
        np.concatenate([weight, none]),
        np.concatenate([none, weight]),
        np.concatenate([none, weight * (cause > 0)]),
        to_age=to_age,
    )
    assert counted.estimate == pytest.approx(one.estimate, rel=1e-12)
    assert counted.std_err == pytest.approx(one.std_err, rel=1e-9, abs=1e-12)
    scaled = lives | {k: lives[k] * 1.609344 for k in ("exit", "entry")}
    km = stats.restricted_mean(event=cause > 0, to_age=to_age * 1.609344, **scaled)
    assert km.estimate == pytest.approx(one.estimate * 1.609344)
    assert km.std_err == pytest.approx(one.std_err * 1.609344, abs=1e-9)


def test_from_an_age_on():
    ages, event = [2, 5, 7, 9], [True, True, False, True]
    later = stats.restricted_mean(ages, event, to_age=9, from_age=3)
    assert later.estimate == pytest.approx(2 + 4 * 2 / 3)
    assert later.dropped == {"ended_by_from_age": 1}


@pytest.mark.parametrize("to_age", [0, -1, np.nan, np.inf])
def test_an_impossible_age_is_refused(to_age):
    with pytest.raises(ValueError, match="to_age is"):
        stats.restricted_mean([1, 2], [True, False], to_age=to_age)


def test_what_was_not_watched_is_refused():
    with pytest.raises(InvalidLives, match="watched to 2 only"):
        stats.restricted_mean([1, 2], [True, False], to_age=3)
    with pytest.raises(InvalidLives, match="one cluster"):
        stats.restricted_mean([1, 2], [True, True], to_age=2, cluster=[1, 1])
    with pytest.raises(InvalidLives, match="one cluster"):
        stats.time_lost_by_cause([1, 2], [1, 0], to_age=2, cluster=[1, 1])


def test_no_failures_lose_nothing():
    lost = stats.time_lost_by_cause([1, 2], [0, 0], to_age=2)
    assert lost.height == 0
    assert lost.schema["estimate"] == pl.Float64
