"""What every estimator refuses, and how it says so."""

import numpy as np
import polars as pl
import pytest

from fleetlog import stats
from fleetlog.errors import FleetlogError, InvalidLives

GOOD = {"exit": [3.0, 5.0, 5.0, 8.0, 9.0], "event": [True, True, False, True, False]}


def incidence(exit, event, **options):  # noqa: A002
    return stats.cumulative_incidence(exit, np.asarray(event, dtype=int), **options)


def log_rank(exit, event, **options):  # noqa: A002
    return stats.log_rank(exit, event, ["a", "b", "a", "b", "a"], **options)


ESTIMATORS = [stats.kaplan_meier, stats.nelson_aalen, stats.fit_life, incidence, log_rank]


@pytest.mark.parametrize("estimate", ESTIMATORS)
@pytest.mark.parametrize(
    ("spoiled", "says"),
    [
        ({"exit": [3.0, np.nan, 5.0, np.nan, 9.0]}, r"2 of 5 rows have no exit.*rows 1, 3"),
        ({"exit": [3.0, np.inf, 5.0, 8.0, 9.0]}, r"1 of 5 rows have an infinite exit.*rows 1"),
        ({"exit": [3.0, -5.0, 5.0, 8.0, 9.0]}, r"1 of 5 rows have a negative exit"),
        ({"exit": [3, 5, 5, 8, -9]}, r"1 of 5 rows have a negative exit"),
        ({"exit": [0.0, 5.0, 5.0, 8.0, 9.0]}, r"1 of 5 rows have an exit of 0"),
        ({"exit": ["3", "x", "5", "8", "9"]}, r"exit holds"),
        ({"exit": [[3.0, 5.0], [5.0, 8.0]]}, r"exit has 2 dimensions"),
        ({"exit": [], "event": []}, r"no lives"),
        ({"entry": [0, 5, 6, 0, 0]}, r"2 of 5 rows have entry >= exit \(rows 1, 2"),
        ({"entry": [0, np.nan, 0, 0, 0]}, r"1 of 5 rows have no entry"),
        ({"entry": [0, -1, 0, 0, 0]}, r"1 of 5 rows have a negative entry"),
        ({"entry": [0, 0, 0]}, r"entry has 3 values for 5 rows"),
        ({"weight": [1, 0, 1, 1, 1]}, r"1 of 5 rows have a weight of 0"),
        ({"weight": [1, -1, 1, 1, 1]}, r"1 of 5 rows have a negative weight"),
        ({"weight": [1, np.nan, 1, 1, 1]}, r"1 of 5 rows have no weight"),
        ({"weight": [1, np.inf, 1, 1, 1]}, r"1 of 5 rows have an infinite weight"),
        ({"weight": [1, 1]}, r"weight has 2 values for 5 rows"),
        ({"event": [True, False]}, r"has 2 values for 5 rows"),
    ],
)
def test_unusable_lives_are_refused_with_count_rows_and_remedy(estimate, spoiled, says):
    with pytest.raises(InvalidLives, match=says):
        estimate(**(GOOD | spoiled))


@pytest.mark.parametrize("estimate", [stats.kaplan_meier, stats.nelson_aalen, stats.fit_life])
@pytest.mark.parametrize("event", [[1, 1, 0, 1, 0], [1, 2, 0, 1, 0], ["y", "n", "y", "n", "n"]])
def test_events_must_be_true_or_false(estimate, event):
    with pytest.raises(InvalidLives, match="one true or false per row"):
        estimate(GOOD["exit"], event)


@pytest.mark.parametrize("cause", [[1.0, 0.0, 1.0, 0.0, 0.0], [-1, 0, 1, 0, 0]])
def test_causes_must_be_whole_and_not_negative(cause):
    with pytest.raises(InvalidLives, match="cause"):
        stats.cumulative_incidence(GOOD["exit"], cause)


def test_rows_shown_are_few():
    with pytest.raises(InvalidLives, match=r"9 of 9 .*rows 0, 1, 2, 3, 4, \.\.\."):
        stats.kaplan_meier([-1.0] * 9, [True] * 9)


def test_a_refusal_is_a_value_error_of_this_package():
    with pytest.raises(ValueError, match="no lives") as caught:
        stats.kaplan_meier([], [])
    assert isinstance(caught.value, FleetlogError)


def test_lives_without_a_cluster_are_refused():
    with pytest.raises(InvalidLives, match=r"1 of 5 rows have no cluster"):
        stats.kaplan_meier(**GOOD, cluster=["a", "b", None, "a", "a"])


@pytest.mark.parametrize("level", [0, 1, 95, -0.5])
def test_levels_outside_0_to_1_are_refused(level):
    with pytest.raises(ValueError, match="confidence level between 0 and 1"):
        stats.kaplan_meier(**GOOD, level=level)


@pytest.mark.parametrize(
    "change",
    [
        lambda column: column,
        tuple,
        np.asarray,
        lambda column: pl.Series("x", column),
        lambda column: (
            np.asarray(column).astype(np.float32)
            if not isinstance(column[0], bool)
            else np.asarray(column)
        ),
    ],
)
def test_lists_arrays_and_series_mean_the_same(change):
    given = {name: change(column) for name, column in GOOD.items()}
    assert stats.kaplan_meier(**given).table.equals(stats.kaplan_meier(**GOOD).table)


def test_cluster_labels_may_be_numbers_or_words():
    numbers = stats.kaplan_meier(**GOOD, cluster=[10**12, 5, 5, 10**12, 7])
    words = stats.kaplan_meier(**GOOD, cluster=["y", "x", "x", "y", "z"])
    series = stats.kaplan_meier(**GOOD, cluster=pl.Series(["y", "x", "x", "y", "z"]))
    assert numbers.table.equals(words.table)
    assert series.table.equals(words.table)
    assert numbers.clusters == 3
