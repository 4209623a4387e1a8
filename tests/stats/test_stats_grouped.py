"""Incidence in many groups at once is that of each group by itself."""

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleetlog import stats
from fleetlog.errors import InvalidLives

lives = st.lists(
    st.tuples(st.integers(1, 9), st.integers(0, 3), st.integers(0, 3), st.integers(0, 6)),
    min_size=1,
    max_size=60,
)


def alone(time, cause, cluster):
    """The last point of cause 1 by `cumulative_incidence`, or None where cause 1 is absent."""
    table = stats.cumulative_incidence(time, cause, cluster=cluster).table
    own = table.filter(pl.col("cause") == 1)
    return None if own.is_empty() else own.row(-1, named=True)


@given(lives, st.booleans())
def test_each_group_is_as_it_is_by_itself(drawn, clustered):
    time, cause, group, vehicle = (np.array(column) for column in zip(*drawn, strict=True))
    found = stats.incidence_by_group(
        time, cause, group, cluster=vehicle if clustered else None
    ).table
    assert found["group"].to_list() == sorted(set(group.tolist()))
    for row in found.to_dicts():
        own = group == row["group"]
        assert row["lives"] == own.sum()
        assert row["events"] == np.sum(cause[own] == 1)
        several = row["clusters"] > 1
        if row["events"] == 0:
            assert row["estimate"] == 0
            continue
        # Lives that each stand for themselves are clusters of one.
        labels = vehicle[own] if clustered else np.arange(own.sum())
        one = alone(time[own], cause[own], labels if several else None)
        assert row["estimate"] == pytest.approx(one["estimate"])
        if not several:
            assert row["std_err"] is None
            continue
        assert row["std_err"] == pytest.approx(one["std_err"], abs=1e-9)
        if one["lower"] is not None and one["estimate"] < 1 - 1e-9:
            assert (row["lower"], row["upper"]) == pytest.approx((one["lower"], one["upper"]))


def test_shares_by_hand():
    """Five lives: one fails on day 1, one ends otherwise on day 2, one more fails on day 3.

    Shares failed: 1/5, then the 3/5 still there on day 3 times one failure among 3.
    """
    found = stats.incidence_by_group([1, 2, 3, 4, 4], [1, 2, 1, 0, 0], [0] * 5)
    assert found.curves["estimate"].to_list() == pytest.approx([1 / 5, 1 / 5, 2 / 5, 2 / 5])
    assert found.curves["competing_estimate"].to_list() == pytest.approx([0, 1 / 5, 1 / 5, 1 / 5])
    assert found.curves["at_risk"].to_list() == [5, 4, 3, 2]


def test_causes_beyond_the_first_compete_alike():
    time, group = [3, 5, 5, 7, 9, 9], [0, 0, 0, 0, 0, 0]
    two = stats.incidence_by_group(time, [1, 2, 0, 1, 2, 0], group)
    many = stats.incidence_by_group(time, [1, 7, 0, 1, 3, 0], group)
    assert two.table.equals(many.table)


@pytest.mark.parametrize(
    ("time", "cause", "group", "says"),
    [
        ([0, 2], [0, 1], [0, 0], "an exit of 0"),
        ([1, 2], [0.5, 1.0], [0, 0], "whole numbers"),
        ([1, 2], [0, 1], [0, -1], "number the groups"),
        ([1, 2], [0, 1], [0], "number the groups"),
    ],
)
def test_what_cannot_be_is_refused(time, cause, group, says):
    with pytest.raises(InvalidLives, match=says):
        stats.incidence_by_group(time, cause, group)
