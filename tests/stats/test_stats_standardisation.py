"""Groups held against the others, case for case."""

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st
from polars.testing import assert_frame_equal

from fleetlog import stats
from fleetlog.errors import InvalidLives

# Technician 0 does 80 hard jobs and 20 easy ones, technician 1 the other way round; hard jobs
# come back at 1 in 5 and easy ones at 1 in 20, whoever does them.
OBSERVED, SIZE, GROUP, KIND = [16, 1, 4, 4], [80, 20, 20, 80], [0, 0, 1, 1], [0, 1, 0, 1]


def test_hard_cases_are_held_against_hard_cases():
    table = stats.compare_with_others(OBSERVED, SIZE, GROUP, KIND).table
    assert table["observed"].to_list() == [17, 8]
    # 80 * 4/20 + 20 * 4/80; 20 * 16/80 + 80 * 1/20.
    assert table["expected"].to_list() == pytest.approx([17, 8])
    assert table["ratio"].to_list() == pytest.approx([1, 1])
    # Variances (80/20)^2 * 4 + (20/80)^2 * 4 = 64.25 and (20/80)^2 * 16 + (80/20)^2 * 1 = 17.
    assert table["behind"].to_list() == pytest.approx([17**2 / 64.25, 8**2 / 17])
    assert table["precision"].to_list() == pytest.approx(
        [1 / (1 / 17 + 64.25 / 17**2), 1 / (1 / 8 + 17 / 8**2)]
    )


def test_rows_of_a_cell_add_up_and_their_order_is_nothing():
    rows = np.array([OBSERVED, SIZE, GROUP, KIND]).T
    whole = stats.compare_with_others(*rows.T).table
    halves = np.concatenate([rows, rows])
    halves[:4, 0], halves[4:, 0] = rows[:, 0], 0
    halves[:, 1] //= 2
    assert stats.compare_with_others(*halves[::-1].T).table.equals(whole)


def test_with_very_many_others_the_limits_are_those_of_a_known_expectation():
    found = stats.compare_with_others([9, 40_000_000], [100, 10**9], [0, 1], [0, 0]).table.row(
        0, named=True
    )
    known = stats.standardised_ratio(9, 4.0)
    assert found["expected"] == pytest.approx(4)
    assert (found["lower"], found["upper"]) == pytest.approx((known.lower, known.upper), rel=1e-3)
    assert found["p_value"] == pytest.approx(known.p_value, rel=1e-3)


def test_cases_that_nobody_else_has_are_left_out_and_counted():
    table = stats.compare_with_others([5, 2, 1], [50, 30, 40], [0, 0, 1], [0, 1, 1]).table
    assert table["size_alone"].to_list() == [50, 0]
    assert table["observed"].to_list() == [2, 1]
    assert table["expected"].to_list() == pytest.approx([30 * 1 / 40, 40 * 2 / 30])


def test_where_the_others_had_no_event_there_is_a_lower_limit_only():
    table = stats.compare_with_others([3, 0, 0], [10, 10, 20], [0, 1, 2], [0, 0, 1]).table
    assert table["expected"].to_list() == [0, pytest.approx(3), None]
    assert table["ratio"].to_list() == [None, 0, None]
    # One kind of case: the two counts are compared as they are.
    alone = stats.rate_ratio(3, 10, 0, 10, method="mid-p")
    assert table["lower"][0] == pytest.approx(alone.lower)
    assert table["p_value"][0] == pytest.approx(alone.p_value)
    assert (table["upper"][0], table["p_value"][2]) == (None, None)
    # Of two kinds, those of which the others have few weigh little.
    two = stats.compare_with_others(
        [3, 0, 0, 0], [5, 5, 10, 1000], [0, 0, 1, 1], [0, 1, 0, 1]
    ).table
    by_hand = stats.rate_ratio(3, 10, 0, 10**2 / (25 / 10 + 25 / 1000), method="mid-p")
    assert two["lower"][0] == pytest.approx(by_hand.lower)


def test_clustered_events_count_as_fewer():
    plain = stats.compare_with_others(OBSERVED, SIZE, GROUP, KIND).table
    wide = stats.compare_with_others(OBSERVED, SIZE, GROUP, KIND, dispersion=4).table
    assert (wide["precision"] * 4).to_list() == pytest.approx(plain["precision"].to_list())
    assert wide["ratio"].equals(plain["ratio"])
    # 17 events against 17, and 289 / 64.25 = 4.5 behind those, over 4.
    by_hand = stats.rate_ratio(17 / 4, 17 / 4, 1, 1, method="mid-p")
    assert (wide["lower"][0], wide["upper"][0]) == pytest.approx((by_hand.lower, by_hand.upper))
    assert wide["p_value"][0] == pytest.approx(by_hand.p_value)
    with pytest.raises(ValueError, match="1 or more"):
        stats.compare_with_others(OBSERVED, SIZE, GROUP, KIND, dispersion=0.5)


@pytest.mark.slow
def test_limits_hold_a_ratio_of_one_at_the_stated_rate():
    """2,000 draws of two shops alike, of 12 hard and 12 easy comebacks expected in each."""
    rng = np.random.default_rng(3)
    size, group, kind = [60, 240, 60, 240], [0, 0, 1, 1], [0, 1, 0, 1]
    held = 0
    for _ in range(2000):
        seen = rng.binomial(size, [0.2, 0.05, 0.2, 0.05])
        row = stats.compare_with_others(seen, size, group, kind).table.row(0, named=True)
        held += row["lower"] <= 1 <= row["upper"]
    assert 0.94 <= held / 2000 <= 0.985


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (([1.5], [2], [0], [0]), "no whole count"),
        (([1], [0], [0], [0]), "no size above 0"),
        (([1], [2], [-1], [0]), "group does not hold whole numbers"),
        (([1], [2], [0], ["a"]), "kind does not hold whole numbers"),
        (([1, 2], [2], [0], [0]), "differ in length"),
    ],
)
def test_what_cannot_be_is_refused(arguments, says):
    with pytest.raises(InvalidLives, match=says):
        stats.compare_with_others(*arguments)


@pytest.mark.parametrize("method", ["mid-p", "exact"])
@given(
    cells=st.lists(st.tuples(st.integers(0, 9), st.integers(10, 60)), min_size=6, max_size=6),
    times=st.sampled_from([2, 4, 8]),
    dispersion=st.floats(1, 5),
)
def test_cases_told_over_are_no_more_evidence(method, cells, times, dispersion):
    """Three groups of two kinds, each case told two, four or eight times."""
    observed, size = np.array(cells).T
    where = {"group": [0, 0, 1, 1, 2, 2], "kind": [0, 1] * 3, "method": method}
    once = stats.compare_with_others(observed, size, **where, dispersion=dispersion).table
    over = stats.compare_with_others(
        times * observed, times * size, **where, dispersion=times * dispersion
    ).table
    same = ["ratio", "lower", "upper", "p_value", "precision"]
    assert_frame_equal(over.select(same), once.select(same), rel_tol=1e-9)


@given(
    cells=st.lists(st.tuples(st.integers(0, 9), st.integers(10, 60)), min_size=6, max_size=6),
    dispersion=st.floats(1, 5),
)
def test_limits_leave_1_out_just_where_the_chance_is_small(cells, dispersion):
    observed, size = np.array(cells).T
    table = stats.compare_with_others(
        observed, size, [0, 0, 1, 1, 2, 2], [0, 1] * 3, dispersion=dispersion
    ).table.filter(pl.col("ratio").is_not_null() & ((pl.col("p_value") - 0.05).abs() > 1e-6))
    outside = (table["lower"] > 1) | (table["upper"] < 1)
    assert outside.to_list() == (table["p_value"] < 0.05).to_list()


def test_three_of_ten_against_none_of_forty_seen_from_either_side():
    """All three events on the smaller side: its share of the cases to the power of three."""
    whole = {"group": [0, 1], "kind": [0, 0]}
    pairs = stats.compare_with_others([6, 0], [20, 80], **whole, dispersion=2).table
    assert pairs["p_value"].to_list() == pytest.approx([(10 / 50) ** 3] * 2)
