import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy.integrate import quad
from scipy.stats import poisson

from fleetlog import stats
from fleetlog.errors import InvalidLives


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 60), st.floats(0, 60), st.floats(0.3, 5))
def test_the_evidence_is_the_average_of_likelihood_ratios(count, expected, mean):
    def at(excess):
        log = count * np.log1p(excess) - excess * expected - excess / mean
        return np.exp(log) / mean

    top = max((count / (expected + 1 / mean)) - 1, 0)
    average = quad(at, 0, top + 1e-9, limit=200)[0] + quad(at, top + 1e-9, np.inf, limit=200)[0]
    found = stats.log_excess_evidence(count, expected, mean_excess=mean)
    assert found == pytest.approx(np.log(average), abs=1e-6)


@pytest.mark.parametrize("expected", [0.0, 0.3, 2.0, 15.0])
@pytest.mark.parametrize("mean", [0.5, 2.0])
def test_its_mean_is_one_where_all_is_as_expected(expected, mean):
    """The identity behind Ville's bound: a likelihood ratio averages 1 under what it is over."""
    count = np.arange(3000)
    evidence = stats.log_excess_evidence(count, expected, mean_excess=mean)
    chance = np.exp(poisson.logpmf(count, expected) + evidence).sum()
    assert chance == pytest.approx(1.0, rel=1e-9)


def test_evidence_far_out_does_not_break():
    assert np.isfinite(
        stats.log_excess_evidence([0, 0, 5, 4000], [0.0, 5000.0, 9000.0, 20.0])
    ).all()
    with pytest.raises(InvalidLives, match="negative"):
        stats.log_excess_evidence(-1, 2)


def test_the_boundary_is_where_the_evidence_is_reached():
    boundary = stats.excess_boundary(np.arange(1, 41), 20.0)
    assert boundary[0] == 0
    assert (np.diff(boundary) >= 0).all()
    reachable = np.flatnonzero(boundary) + 1
    found = stats.log_excess_evidence(reachable, boundary[reachable - 1])
    assert_allclose(found, np.log(20), rtol=1e-9)


@pytest.mark.parametrize("expected", [1.0, 5.0, 30.0])
def test_false_alarms_stay_below_the_bound_exactly(expected):
    boundary = stats.excess_boundary(np.arange(1, 121), 20.0)
    chance = stats.crossing_chance(boundary, expected)
    assert 0.002 < chance < 0.05
    assert stats.crossing_chance(boundary, expected / 2) < chance
    assert stats.crossing_chance(boundary, expected, ratio=3) > chance
    assert stats.crossing_chance(boundary, expected, ratio=0.7) < chance


def test_a_crossing_by_hand():
    """Two events by 0.5, or three by 1: not crossed when at most 1 by 0.5 and at most 2 by 1."""
    none, one = np.exp(-0.5), 0.5 * np.exp(-0.5)
    two = 0.125 * np.exp(-0.5)
    safe = none * (none + one + two) + one * (none + one)
    found = stats.crossing_chance([0.0, 0.5, 1.0], 1.0)
    assert found == pytest.approx(1 - safe)
    with pytest.raises(InvalidLives, match="reach beyond"):
        stats.crossing_chance([0.0, 0.5], 1.0)


def test_what_is_needed_gives_the_chance_asked_for():
    needed = stats.expected_needed(0.8, 3.0, 40.0)
    boundary = stats.excess_boundary(np.arange(1, 201), 40.0)
    assert stats.crossing_chance(boundary, needed, ratio=3.0) == pytest.approx(0.8, abs=1e-3)
    assert stats.expected_needed(0.8, 5.0, 40.0) < needed < stats.expected_needed(0.9, 3.0, 40.0)


@given(st.integers(0, 50), st.floats(0.01, 3))
def test_expected_events_at_one_weight_have_the_exact_limit(count, weight):
    found = stats.expected_at_rates([count], [weight], greatest_weight=weight, tail=0.025)
    assert found.expected == pytest.approx(count * weight)
    assert found.upper == pytest.approx(weight * stats.rate_interval(count, 1.0)[1])


def test_a_rate_from_few_events_has_a_wide_limit():
    few = stats.expected_at_rates([1, 1, 1], [0.5, 1.0, 1.5], greatest_weight=1.5, tail=0.025)
    many = stats.expected_at_rates([30] * 3, [0.05, 0.1, 0.15], greatest_weight=0.15, tail=0.025)
    assert few.expected == pytest.approx(many.expected * 1 / 3)
    assert few.upper / few.expected > many.upper / many.expected > 1


@pytest.mark.slow
def test_the_upper_limit_holds_the_truth():
    """Weighted sums of Poisson counts, 20,000 draws: missed at most 2.5 %."""
    rng = np.random.default_rng(4)
    mean, weight = np.array([0.5, 2.0, 4.0, 1.0]), np.array([2.0, 1.0, 0.5, 0.25])
    draws = rng.poisson(mean, (20_000, 4))
    missed = sum(
        stats.expected_at_rates(draw, weight, greatest_weight=2.0, tail=0.025).upper < mean @ weight
        for draw in draws
    )
    assert missed / draws.shape[0] < 0.025 + 3 * (0.025 / draws.shape[0]) ** 0.5


@pytest.mark.slow
@pytest.mark.parametrize("ratio", [0.6, 1.0])
def test_simulated_lots_raise_no_more_false_alarms_than_stated(ratio):
    """20,000 lots looked at after every failure until 40 are expected: at most 5 % ever signal."""
    rng = np.random.default_rng(12)
    arrival = np.cumsum(rng.exponential(1 / ratio, (20_000, 90)), axis=1)
    count = np.arange(1, 91)
    evidence = stats.log_excess_evidence(count, arrival)
    ever = ((evidence >= np.log(20)) & (arrival <= 40)).any(axis=1).mean()
    exact = stats.crossing_chance(stats.excess_boundary(np.arange(1, 201), 20.0), 40.0, ratio=ratio)
    assert ever == pytest.approx(exact, abs=4 * (exact / 20_000) ** 0.5)
    assert ever < 0.05
