"""Groups held against the others, case for case."""

import numpy as np
import pytest

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
    spread = stats.compare_with_others([3, 0], [10, 10], [0, 1], [0, 0], dispersion=2).table
    assert spread["lower"][0] == pytest.approx(alone.lower / 2)
    assert spread["p_value"][0] > table["p_value"][0]


def test_clustered_events_count_as_fewer():
    plain = stats.compare_with_others(OBSERVED, SIZE, GROUP, KIND).table
    wide = stats.compare_with_others(OBSERVED, SIZE, GROUP, KIND, dispersion=4).table
    assert (wide["precision"] * 4).to_list() == pytest.approx(plain["precision"].to_list())
    assert wide["ratio"].equals(plain["ratio"])
    # Twice as far on the log scale.
    assert np.log(wide["upper"].to_numpy()) == pytest.approx(2 * np.log(plain["upper"].to_numpy()))
    assert np.log(wide["lower"].to_numpy()) == pytest.approx(2 * np.log(plain["lower"].to_numpy()))
    none = [[0, 9], [20, 90], [0, 1], [0, 0]]
    once, twice = (stats.compare_with_others(*none, dispersion=d).table for d in (1, 2))
    assert twice["upper"][0] == pytest.approx(2 * once["upper"][0])
    with pytest.raises(ValueError, match="1 or more"):
        stats.compare_with_others(*none, dispersion=0.5)


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
def test_where_the_others_had_none_events_in_pairs_are_no_more_evidence(method):
    """Three of ten against none of forty: one share of the cases to the power of three."""
    once = stats.compare_with_others([3, 0], [10.0, 40.0], [0, 1], [0, 0], method=method)
    pairs = stats.compare_with_others(
        [6, 0], [20.0, 80.0], [0, 1], [0, 0], method=method, dispersion=2.0
    )
    chance = (1 if method == "mid-p" else 2) * (10 / 50) ** 3
    assert once.table["p_value"][0] == pytest.approx(chance)
    assert pairs.table["p_value"][0] == pytest.approx(chance)
