from fractions import Fraction

import numpy as np
import pytest

from fleetlog import stats
from fleetlog.errors import InvalidLives

AGES = [1, 2, 3, 4, 5]
FAILED = [True, True, True, False, True]
GROUP = ["x", "y", "x", "y", "y"]


def test_by_hand():
    result = stats.log_rank(AGES, FAILED, GROUP)
    # x at risk of all: 2/5, 1/4, 1/3, 0 of 1.
    expected = Fraction(2, 5) + Fraction(1, 4) + Fraction(1, 3)
    variance = (
        Fraction(2, 5) * Fraction(3, 5)
        + Fraction(1, 4) * Fraction(3, 4)
        + Fraction(1, 3) * Fraction(2, 3)
    )
    assert result.groups["observed"].to_list() == [2, 2]
    assert result.groups["expected"][0] == pytest.approx(float(expected))
    assert result.statistic == pytest.approx(float((2 - expected) ** 2 / variance))
    assert result.df == 1
    assert 0 < result.p_value < 1


def test_two_groups_have_one_trend():
    plain, trend = (
        stats.log_rank(AGES, FAILED, GROUP),
        stats.log_rank(AGES, FAILED, GROUP, trend=True),
    )
    assert trend.statistic == pytest.approx(plain.statistic)


def test_observed_and_expected_add_up_alike():
    rng = np.random.default_rng(4)
    entry = rng.integers(0, 20, 200)
    result = stats.log_rank(
        entry + rng.integers(1, 40, 200),
        rng.random(200) < 0.5,
        rng.integers(0, 4, 200),
        entry=entry,
        weight=rng.integers(1, 4, 200),
        strata=rng.integers(0, 3, 200),
    )
    assert result.groups["observed"].sum() == pytest.approx(result.groups["expected"].sum())
    assert result.df == 3


def test_weights_are_copies():
    weight = [1, 3, 2, 2, 1]
    weighed = stats.log_rank(AGES, FAILED, GROUP, weight=weight)
    copies = [np.repeat(column, weight) for column in (AGES, FAILED, GROUP)]
    assert weighed.statistic == pytest.approx(stats.log_rank(*copies).statistic)


def test_a_stratum_of_one_group_says_nothing():
    more = stats.log_rank(
        [*AGES, 2, 3], [*FAILED, True, True], [*GROUP, "x", "x"], strata=[1] * 5 + [2] * 2
    )
    assert more.statistic == pytest.approx(stats.log_rank(AGES, FAILED, GROUP).statistic)


def test_no_failures_are_no_evidence():
    result = stats.log_rank([1, 2], [False, False], ["a", "b"])
    assert (result.statistic, result.df, result.p_value) == (0, 0, 1)


def test_one_group_is_refused():
    with pytest.raises(InvalidLives, match="There is 1 group"):
        stats.log_rank(AGES, FAILED, ["a"] * 5)
    with pytest.raises(InvalidLives, match="1 of 5 rows have no group"):
        stats.log_rank(AGES, FAILED, ["a", None, "b", "a", "b"])
