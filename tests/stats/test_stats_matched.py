"""Matched odds ratios, clustered shares and quantiles: identities and invariances."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy import stats as scipy_stats

from fleetlog.errors import InvalidLives
from fleetlog.stats import (
    clustered_mean_difference,
    clustered_proportion,
    mantel_haenszel,
    sample_quantile,
)
from fleetlog.stats.rates import proportion_interval

COUNTS = arrays(np.int64, st.tuples(st.just(4), st.integers(2, 12)), elements=st.integers(0, 9))


def fields(odds):
    return np.array([odds.odds_ratio, odds.lower, odds.upper, odds.p_value, odds.p_excess])


def test_pairs_give_the_ratio_of_those_that_differ():
    """One case and one control a pair: 12 pairs speak for, 5 against. By hand."""
    had = np.array([1] * 12 + [0] * 5 + [1] * 3 + [0] * 9)
    control = np.array([0] * 12 + [1] * 5 + [1] * 3 + [0] * 9)
    odds = mantel_haenszel(had, 1 - had, control, 1 - control)
    assert odds.odds_ratio == pytest.approx(12 / 5)
    assert odds.log_variance == pytest.approx(1 / 12 + 1 / 5)
    assert odds.informative == 17
    assert odds.p_value == pytest.approx(scipy_stats.chi2.sf((12 - 5) ** 2 / 17, 1))
    # Sets in which nothing differs add to no variance, but the tail counts them as trials.
    assert odds.p_excess >= scipy_stats.binom.sf(11, 17, 0.5)


@settings(max_examples=60)
@given(COUNTS)
def test_turning_cases_and_controls_round_turns_the_ratio_round(table):
    a, c, b, d = table
    one, other = mantel_haenszel(a, c, b, d), mantel_haenszel(b, d, a, c)
    if np.isfinite(one.log_variance):
        assert one.odds_ratio * other.odds_ratio == pytest.approx(1)
        assert one.lower * other.upper == pytest.approx(1)
        assert one.log_variance == pytest.approx(float(other.log_variance))
    assert one.p_value == pytest.approx(float(other.p_value))


@settings(max_examples=60)
@given(COUNTS, st.randoms(use_true_random=False))
def test_order_and_uninformative_strata_change_nothing(table, random):
    order = list(range(table.shape[1]))
    random.shuffle(order)
    none = np.array([[0], [3], [0], [5]])
    padded = np.concatenate([table[:, order], none], axis=1)
    for cluster in (None, np.arange(table.shape[1])):
        more = None if cluster is None else np.append(cluster[order], 99)
        one = mantel_haenszel(*table, cluster=cluster)
        other = mantel_haenszel(*padded, cluster=more)
        np.testing.assert_allclose(fields(one)[:4], fields(other)[:4], rtol=1e-9, equal_nan=True)


@settings(max_examples=60)
@given(COUNTS)
def test_many_tables_at_once_are_each_as_alone(table):
    many = np.stack([table, table[:, ::-1], table * 2], axis=1)
    together = mantel_haenszel(*many)
    for row in range(3):
        np.testing.assert_allclose(
            fields(together)[:, row], fields(mantel_haenszel(*many[:, row])), equal_nan=True
        )


@settings(max_examples=40)
@given(st.lists(st.floats(0.001, 0.9), min_size=1, max_size=14))
def test_the_tail_is_never_too_small(shares):
    """Against the exact distribution of the number of exposed cases, by convolution."""
    size = 1000
    exposed = np.round(np.array(shares) * size)
    exact = np.ones(1)
    for share in exposed / size:
        exact = np.convolve(exact, [1 - share, share])
    upper = np.cumsum(exact[::-1])[::-1]
    for seen in range(len(shares) + 1):
        had = (np.arange(len(shares)) < seen).astype(float)
        odds = mantel_haenszel(had, 1 - had, exposed - had, size - 1 - (exposed - had))
        assert odds.p_excess >= upper[seen] - 1e-9


def test_clusters_that_agree_widen_the_limits():
    had = np.array([1.0] * 8 + [0.0] * 8)
    strata = [np.tile(x, 3) for x in (had, 1 - had, 1 - had + 0.0, 3 + had)]
    alone = mantel_haenszel(*strata)
    grouped = mantel_haenszel(*strata, cluster=np.tile(np.arange(16), 3))
    assert grouped.odds_ratio == alone.odds_ratio
    assert grouped.log_variance > 1.5 * alone.log_variance


def test_what_is_no_count_is_refused():
    with pytest.raises(InvalidLives, match="exposed_controls"):
        mantel_haenszel([1], [0], [-1], [3])
    with pytest.raises(InvalidLives, match="one per stratum"):
        mantel_haenszel([1, 0], [0, 1], [1, 1], [3, 3], cluster=[1])


def test_one_trial_a_cluster_is_wilson_and_copies_say_nothing_new():
    seen = np.array([True] * 9 + [False] * 21)
    alone = clustered_proportion(seen, np.arange(30))
    copied = clustered_proportion(np.repeat(seen, 5), np.repeat(np.arange(30), 5))
    assert (alone.lower, alone.upper) == pytest.approx(proportion_interval(9 * 29 / 30, 29))
    # Five copies of a cluster are one trial: limits as before.
    assert (copied.lower, copied.upper) == pytest.approx((alone.lower, alone.upper))
    assert copied.design_effect == pytest.approx(5 * 30 / 29)


def test_trials_that_all_agree_count_once_a_cluster():
    none = clustered_proportion(np.zeros(40, dtype=bool), np.repeat(np.arange(8), 5))
    assert (none.lower, none.upper) == pytest.approx(proportion_interval(0, 8))
    one = clustered_proportion(np.array([True, False]), np.array(["a", "a"]))
    assert (one.lower, one.upper) == (0, 1)


@settings(max_examples=60)
@given(
    st.lists(st.floats(0, 1e6), min_size=1, max_size=60),
    st.sampled_from([0.1, 0.5, 0.9]),
)
def test_limits_of_a_quantile_are_order_statistics_as_scipy_has_them(values, p):
    found = sample_quantile(values, p, level=0.9)
    expected = scipy_stats.quantile_test(values, p=p).confidence_interval(0.9)
    assert found.value == pytest.approx(float(np.quantile(values, p)))
    for ours, theirs in ((found.lower, expected.low), (found.upper, expected.high)):
        assert ours is None if np.isnan(theirs) else ours == theirs


def test_a_small_sample_has_no_limits():
    assert sample_quantile([1, 2, 3, 4, 5], 0.5).lower is None
    # Six values hold the median between least and greatest with 1 - 2 / 2**6 = 96.9 %.
    six = sample_quantile([1, 2, 3, 4, 5, 6], 0.5)
    assert (six.lower, six.upper) == (1, 6)


def test_two_means_of_one_kind_or_one_cluster():
    with pytest.raises(InvalidLives, match="nothing to compare"):
        clustered_mean_difference([1.0, 2.0], [True, True], [1, 2])
    alone = clustered_mean_difference([1.0, 2.0, 6.0], [True, False, False], [7, 7, 7])
    assert (alone.difference, alone.lower) == (1 - 4, None)
