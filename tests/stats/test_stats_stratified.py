"""Rates within strata by hand, against binomial chances, and what clustering does to them."""

from fractions import Fraction
from math import comb

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binom

from fleetlog.errors import InvalidLives
from fleetlog.stats import (
    log_rank,
    rate_ratio,
    share_dispersion,
    stratified_ratio,
    variance_to_mean,
)


def test_by_hand():
    """9 of 10 events where the exposure is 75 of 190: an expected 1 * 75 / 115 of the rest."""
    share = Fraction(75, 190)
    found = stratified_ratio(9, float(10 * share), 10)
    mid_p = 10 * share**9 * (1 - share) / 2 + share**10
    assert found.expected[0] == pytest.approx(75 / 115)
    assert found.ratio[0] == pytest.approx(9 * 115 / 75)
    assert found.p_excess[0] == pytest.approx(float(mid_p), rel=1e-12)


@given(st.integers(0, 40), st.integers(0, 40), st.floats(0.02, 0.98), st.sampled_from([0.8, 0.95]))
def test_one_stratum_is_the_ratio_of_two_rates(k, other, share, level):
    """`rate_ratio` by mid-P is checked against published figures."""
    if k + other == 0:
        return
    ours = stratified_ratio(k, share * (k + other), k + other)
    theirs = rate_ratio(k, share, other, 1 - share, method="mid-p", level=level)
    lower, upper = ours.limits(level)
    assert lower[0] == pytest.approx(theirs.lower, rel=1e-6, abs=1e-12)
    assert upper[0] == pytest.approx(theirs.upper, rel=1e-6)
    chance = binom(k + other, share)
    assert ours.p_excess[0] == pytest.approx(chance.sf(k) + chance.pmf(k) / 2, abs=1e-12)


def test_chances_of_several_strata_are_no_smaller_than_exact_ones():
    """Two strata of shares 0.1 and 0.5: the sum of two binomials, worked out term by term."""
    events, shares, seen = (6, 4), (0.1, 0.5), 6
    exact = [
        sum(
            comb(6, a) * 0.1**a * 0.9 ** (6 - a) * comb(4, k - a) * 0.5**4
            for a in range(max(0, k - 4), min(6, k) + 1)
        )
        for k in range(11)
    ]
    alike = sum(n * share for n, share in zip(events, shares, strict=True))
    found = stratified_ratio(seen, alike, sum(events))
    assert found.p_excess[0] > sum(exact[seen + 1 :]) + exact[seen] / 2


def test_what_would_be_alike_is_the_expected_number_of_a_log_rank_test():
    """Each age of failure a stratum, the number at risk the exposure."""
    exits = np.array([3.0, 5.0, 5.0, 7.0, 8.0, 9.0])
    event = np.array([True, True, True, False, True, True])
    group = np.array([0, 1, 0, 1, 1, 0])
    alike, observed = 0.0, 0
    for age in np.unique(exits[event]):
        at_risk, failed = exits >= age, event & (exits == age)
        alike += failed.sum() * (at_risk & (group == 1)).sum() / at_risk.sum()
        observed += (failed & (group == 1)).sum()
    table = log_rank(exits, event, group).groups.sort("group")
    assert observed == table["observed"][1]
    assert alike == pytest.approx(table["expected"][1])


@given(st.integers(1, 30), st.integers(1, 30), st.floats(0.05, 0.95), st.integers(2, 6))
@settings(max_examples=40, deadline=None)
def test_events_that_come_in_equal_batches_count_as_batches(k, other, share, size):
    """Every event told `size` times, and a dispersion of `size`: the same chances and limits."""
    once = stratified_ratio(k, share * (k + other), k + other)
    batches = stratified_ratio(
        size * k, size * share * (k + other), size * (k + other), dispersion=size
    )
    assert batches.p_excess[0] == pytest.approx(once.p_excess[0], rel=1e-9)
    assert batches.limits()[0][0] == pytest.approx(once.limits()[0][0], rel=1e-9)


def test_dispersions_by_hand():
    # 4 vehicles with 3, 1, 0 and 0 failures: 10 / 4 less 4 / 4.
    assert variance_to_mean([4.0], [10.0], [4.0]).tolist() == [1.5]
    # Never below that of single failures.
    assert variance_to_mean([4.0], [4.0], [4.0]).tolist() == [1.0]
    # Vehicles with 2 of 2 and 0 of 2 in the cell: p = 1/2, ((2 - 1)^2 + (0 - 1)^2) / (4 / 4).
    assert share_dispersion([2.0], [4.0], [4.0], [4.0], [8.0]).tolist() == [2.0]
    # One of two in the cell on both: as alike as can be.
    assert share_dispersion([2.0], [4.0], [2.0], [4.0], [8.0]).tolist() == [1.0]
    # All in the cell: 3 and 1 failures, 10 / 4.
    assert share_dispersion([4.0], [4.0], [10.0], [10.0], [10.0]).tolist() == [2.5]


def test_a_rest_without_events_has_no_finite_ratio():
    found = stratified_ratio(5, 2.0, 5)
    assert (found.expected[0], found.ratio[0]) == (0.0, np.inf)
    lower, upper = found.limits()
    assert 0 < lower[0] < upper[0] == np.inf
    none = stratified_ratio(0, 2.0, 5)
    assert none.p_excess[0] == pytest.approx(1 - 0.6**5 / 2)
    assert none.limits()[0][0] == 0


@pytest.mark.parametrize(
    ("seen", "alike", "total", "spread"),
    [(6, 2, 5, 1), (1, 0, 5, 1), (1, 5, 5, 1), (1, 2, 5, 0.5), (-1, 2, 5, 1)],
)
def test_counts_out_of_order_are_refused(seen, alike, total, spread):
    with pytest.raises(InvalidLives, match="out of order"):
        stratified_ratio(seen, alike, total, dispersion=spread)
