"""Weights, tables, differences and the test of groups of mean cumulative functions."""

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from fleetlog import stats
from fleetlog.errors import InvalidLives

FIGURES = ("time", "at_risk", "events", "estimate", "std_err")


def fleet(seed, units=8, *, gaps=True):
    """Units with late entry and, some, a gap; whole ages."""
    rng = np.random.default_rng(seed)
    unit, start, stop = [], [], []
    for one in range(units):
        edges = np.sort(rng.choice(60, 4, replace=False))
        if not rng.integers(2):
            edges[0] = 0
        cut = [(0, 1), (2, 3)] if gaps and rng.integers(2) else [(0, 3)]
        for a, b in cut:
            unit.append(one)
            start.append(edges[a])
            stop.append(edges[b])
    unit, start, stop = map(np.array, (unit, start, stop))
    chosen = rng.integers(0, unit.size, 3 * units)
    time = rng.integers(start[chosen] + 1, stop[chosen] + 1)
    return unit[chosen], time, (unit, start, stop)


def same(one, other, columns=FIGURES):
    assert one.height == other.height
    for name in columns:
        assert_allclose(one[name], other[name], rtol=1e-9, atol=1e-9, err_msg=name)


SEEDS = st.integers(0, 10**6)
FEW = settings(max_examples=25)


@FEW
@given(SEEDS, st.integers(-3, 6))
def test_ages_in_another_unit(seed, power):
    unit, time, (watched, start, stop) = fleet(seed)
    factor = 10.0**power
    one = stats.mean_cumulative_function(unit, time, (watched, start, stop)).table
    other = stats.mean_cumulative_function(
        unit, time * factor, (watched, start * factor, stop * factor)
    ).table
    same(one, other.with_columns(pl.col("time") / factor))


@FEW
@given(SEEDS)
def test_order_of_rows_does_not_matter(seed):
    unit, time, windows = fleet(seed)
    rng = np.random.default_rng(seed)
    events, rows = rng.permutation(unit.size), rng.permutation(windows[0].size)
    moved = tuple(column[rows] for column in windows)
    same(
        stats.mean_cumulative_function(unit, time, windows).table,
        stats.mean_cumulative_function(unit[events], time[events], moved).table,
    )


@FEW
@given(SEEDS)
def test_weights_are_units_given_again(seed):
    unit, time, windows = fleet(seed)
    times = np.random.default_rng(seed).integers(1, 4, 8)

    def repeated(labels, *columns):
        copy = [np.repeat(column, times[labels]) for column in (labels, *columns)]
        number = np.concatenate([np.arange(k) for k in times[labels]])
        return copy[0] * 10 + number, *copy[1:]

    weighted = stats.mean_cumulative_function(unit, time, windows, weight=times[windows[0]])
    again_unit, again_time = repeated(unit, time)
    again = stats.mean_cumulative_function(again_unit, again_time, repeated(*windows))
    same(weighted.table, again.table)
    assert (weighted.units, weighted.events) == (again.units, again.events)
    assert weighted.units == times.sum()


def test_fractional_weights_leave_no_rounding_where_nobody_is_watched():
    windows = ([1, 2, 3, 3], [0, 0, 0, 9], [3, 5, 5, 12])
    weight = [0.1, 0.2, 0.3, 0.3]
    table = stats.mean_cumulative_function([3], [10], windows, weight=weight).table
    assert table["at_risk"].to_list() == pytest.approx([0.6, 0.5, 0.3, 0.3], rel=1e-12)
    assert table["estimate"][-1] == pytest.approx(1, rel=1e-12)


@FEW
@given(SEEDS, st.integers(1, 59))
def test_a_window_cut_at_any_age_changes_nothing(seed, age):
    unit, time, (watched, start, stop) = fleet(seed)
    inside = np.flatnonzero((start < age) & (age < stop))
    cut_stop = stop.copy()
    cut_stop[inside] = age
    cut = (
        np.concatenate([watched, watched[inside]]),
        np.concatenate([start, np.full(inside.size, age)]),
        np.concatenate([cut_stop, stop[inside]]),
    )
    whole = stats.mean_cumulative_function(unit, time, (watched, start, stop)).table
    parts = stats.mean_cumulative_function(unit, time, cut).table
    parts = parts.filter(pl.col("time").is_in(whole["time"].to_list()))
    same(whole, parts)


@FEW
@given(SEEDS)
def test_a_unit_without_recurrences_lowers_the_mean_by_its_share(seed):
    unit, time, (watched, start, stop) = fleet(seed)
    wider = (np.append(watched, 99), np.append(start, 0), np.append(stop, 60))
    before = stats.mean_cumulative_function(unit, time, (watched, start, stop)).table
    after = stats.mean_cumulative_function(unit, time, wider).table
    with np.errstate(invalid="ignore"):
        steps = np.diff(before["estimate"], prepend=0) * before["at_risk"] / (before["at_risk"] + 1)
    assert_allclose(
        after.filter(pl.col("time").is_in(before["time"].to_list()))["estimate"],
        np.cumsum(steps),
        rtol=1e-9,
    )


def tally(unit, time, windows, cost=None, folds=None):
    """Rows as a store counts them: one per age and fold."""
    watched, start, stop = windows
    none = np.zeros
    frame = pl.DataFrame(
        {
            "unit": np.concatenate([watched, watched, unit]),
            "time": np.concatenate([start, stop, time]),
            "entered": np.concatenate([np.ones(start.size), none(start.size), none(time.size)]),
            "left": np.concatenate([none(start.size), np.ones(start.size), none(time.size)]),
            "events": np.concatenate([none(2 * start.size), np.ones(time.size)]),
            "cost": np.concatenate(
                [none(2 * start.size), np.ones(time.size) if cost is None else cost]
            ),
        }
    ).with_columns(fold=pl.col("unit") if folds is None else pl.col("unit") % folds)
    return frame.group_by("time", "fold").agg(pl.col("entered", "left", "events", "cost").sum())


@FEW
@given(SEEDS)
def test_a_table_gives_what_rows_give(seed):
    unit, time, windows = fleet(seed)
    cost = np.random.default_rng(seed).random(unit.size)
    rows = tally(unit, time, windows, cost)
    columns = [rows[name] for name in ("time", "entered", "left", "events")]
    from_rows = stats.mean_cumulative_function(unit, time, windows)
    same(from_rows.table, stats.mean_cumulative_from_table(*columns).table, FIGURES[:4])
    priced = stats.mean_cumulative_from_table(*columns, cost=rows["cost"])
    same(
        stats.mean_cumulative_function(unit, time, windows, cost=cost).table,
        priced.table,
        (*FIGURES[:4], "cost"),
    )
    assert priced.table["std_err"].null_count() == priced.table["lower"].null_count()
    assert priced.table["std_err"].null_count() == priced.table.height
    assert priced.variance == "not known: pass fold"


@FEW
@given(SEEDS)
def test_tables_of_two_halves_add_up(seed):
    unit, time, windows = fleet(seed)
    rows = tally(unit, time, windows)
    names = ("time", "entered", "left", "events")
    summed = rows.group_by("time").agg(pl.col("entered", "left", "events").sum())
    same(
        stats.mean_cumulative_from_table(*(rows[name] for name in names)).table,
        stats.mean_cumulative_from_table(*(summed[name] for name in names)).table,
    )


def test_poisson_variance_by_hand():
    # Two events among 4, one among 2: 2/16 + 1/4.
    curve = stats.mean_cumulative_from_table([0, 3, 5, 8], [4, 0, 0, 0], [0, 2, 0, 2], [0, 2, 1, 0])
    assert curve.table["std_err"].to_list() == pytest.approx(
        [(2 / 16) ** 0.5, (2 / 16 + 1 / 4) ** 0.5, (2 / 16 + 1 / 4) ** 0.5]
    )
    assert curve.variance.startswith("Poisson")
    assert curve.units is None


def test_jackknife_of_one_unit_a_fold_by_hand():
    # Three units watched to 10, with 0, 1 and 5 recurrences: the mean is 2, and the means of
    # pairs 3, 2.5 and 0.5, so the squares add up to (1 + 0.25 + 2.25) * 2/3, the variance of a
    # mean of three: (4 + 1 + 9) / (3 * 2).
    rows = {
        "time": [0, 0, 0, 4, 5, 10, 10, 10],
        "entered": [1, 1, 1, 0, 0, 0, 0, 0],
        "left": [0, 0, 0, 0, 0, 1, 1, 1],
        "events": [0, 0, 0, 1, 5, 0, 0, 0],
        "fold": ["a", "b", "c", "b", "c", "a", "b", "c"],
    }
    curve = stats.mean_cumulative_from_table(**rows)
    assert curve.table["std_err"][-1] == pytest.approx((14 / 6) ** 0.5)
    assert curve.variance == "jackknife over 3 folds"


def test_jackknife_over_many_folds_is_near_the_robust_variance():
    rng = np.random.default_rng(8)
    units = 4000
    stop = rng.integers(50, 400, units)
    number = rng.poisson(stop / 100 * rng.gamma(1, 1, units))
    unit = np.repeat(np.arange(units), number)
    time = rng.integers(1, stop[unit] + 1)
    windows = (np.arange(units), np.zeros(units, dtype=int), stop)
    robust = stats.mean_cumulative_function(unit, time, windows)
    rows = tally(unit, time, windows, folds=200)
    curve = stats.mean_cumulative_from_table(
        *(rows[name] for name in ("time", "entered", "left", "events")), fold=rows["fold"]
    )
    at = robust.table.filter(pl.col("time").is_in([100.0, 200.0, 300.0]))["std_err"]
    jack = curve.table.filter(pl.col("time").is_in([100.0, 200.0, 300.0]))["std_err"]
    # The standard error of a standard error from 200 folds is 5 %.
    assert_allclose(jack, at, rtol=0.2)
    poisson = stats.mean_cumulative_from_table(
        *(rows[name] for name in ("time", "entered", "left", "events"))
    ).table.filter(pl.col("time") == 300)["std_err"][0]
    assert poisson < 0.8 * at[2]


@pytest.mark.parametrize(
    ("rows", "says"),
    [
        (([], [], [], []), "table is empty"),
        (([0, 5], [1, 0], [0, 2], [0, 0]), "more windows closing than open"),
        (([0, 5, 6], [1, 0, 0], [0, 1, 0], [0, 0, 1]), "while no unit is under watch"),
        (([0, 5], [1, 0], [0, 1], [0, -1]), "negative events"),
        (([0, 5], [1, 0], [0, 1], [0]), "events has 1 values for 2 rows"),
        (([0, np.nan], [1, 0], [0, 1], [0, 0]), "no time"),
    ],
)
def test_impossible_tables_are_refused(rows, says):
    with pytest.raises(InvalidLives, match=says):
        stats.mean_cumulative_from_table(*rows)


def test_one_fold_is_refused():
    with pytest.raises(InvalidLives, match="There is 1 fold"):
        stats.mean_cumulative_from_table([0, 5], [2, 0], [0, 2], [0, 1], fold=["a", "a"])


def test_one_unit_has_no_variance():
    curve = stats.mean_cumulative_function(["A", "A"], [2, 5], (["A"], [0], [10]))
    assert curve.at([10]) == 2
    assert curve.table["std_err"].null_count() == curve.table.height
    assert curve.variance == "not known: one unit"


@pytest.mark.parametrize(
    ("weight", "says"),
    [
        ([1, 2, 1], r"\(windows\) have another weight.*rows 0"),
        ([0, 0, 1], "have a weight of 0"),
        ([-1, -1, 1], "negative weight"),
        ([1, 1], "weight has 2 values for 3 rows"),
        ([np.nan, 1, 1], "no weight"),
    ],
)
def test_impossible_weights_are_refused(weight, says):
    windows = (["A", "A", "B"], [0, 6, 0], [5, 9, 9])
    with pytest.raises(InvalidLives, match=says):
        stats.mean_cumulative_function(["A"], [1], windows, weight=weight)


def test_windows_within_rounding_of_no_length_are_refused():
    with pytest.raises(InvalidLives, match="within rounding"):
        stats.mean_cumulative_function([1], [0.5], ([1, 2], [0, 1], [1, 1 + 1e-12]))


def test_a_recurrence_just_after_the_start_of_its_window_is_seen():
    windows = (["A", "B"], [0, 0], [1e6, 2e6])
    curve = stats.mean_cumulative_function(["A", "B"], [1e-9, 1e6], windows)
    assert curve.at([1e-10, 1e-9, 1e6]).tolist() == [0, 0.5, 1]


# Differences


@FEW
@given(SEEDS, SEEDS)
def test_a_difference_turns_its_sign(one, other):
    a, b = (stats.mean_cumulative_function(*fleet(seed)) for seed in (one, other))
    there, back = stats.compare_mean_cumulative(a, b), stats.compare_mean_cumulative(b, a)
    assert_allclose(there.table["difference"], -back.table["difference"], atol=1e-12)
    assert_allclose(there.table["lower"], -back.table["upper"], atol=1e-12)
    times = there.table["time"].to_numpy()
    assert_allclose(there.table["difference"], a.at(times) - b.at(times), atol=1e-12)


def test_a_difference_at_one_age():
    a, b = (stats.mean_cumulative_function(*fleet(seed)) for seed in (1, 2))
    difference = stats.compare_mean_cumulative(a, b, level=0.9)
    last = difference.table["time"][-1]
    here = difference.at(last)
    assert here["difference"] == pytest.approx(a.at([last])[0] - b.at([last])[0])
    assert here["upper"] - here["difference"] == pytest.approx(1.6448536269514722 * here["std_err"])
    with pytest.raises(ValueError, match="both functions are known from 0"):
        difference.at(last + 1)


def test_a_difference_wants_variances():
    a = stats.mean_cumulative_function(*fleet(1))
    one = stats.mean_cumulative_function([1], [2], ([1], [0], [50]))
    with pytest.raises(InvalidLives, match=r"second function has no variance \(not known: one"):
        stats.compare_mean_cumulative(a, one)


# The test of groups


def test_groups_by_hand():
    # A and B watched to 10, A with one repair at 2, B with two at 4 and 6: each group expects
    # half of three. Influence of A: (1 - 1/2)(1 - 1/2) + 2 * (1/2)(1/2) on its own score.
    test = stats.mean_cumulative_test(
        ["A", "B", "B"], [2, 4, 6], (["A", "B"], [0, 0], [10, 10]), ["new", "old"]
    )
    assert test.groups["group"].to_list() == ["new", "old"]
    assert test.groups["observed"].to_list() == [1, 2]
    assert test.groups["expected"].to_list() == pytest.approx([1.5, 1.5])
    # Score of A: 1/2 - 3 * 1/4 = -1/4; of B: -(2 * 1/2 - 3 * 1/4) = -1/4.
    assert test.statistic == pytest.approx(0.5**2 / (2 * 0.25**2))
    assert test.df == 1


@FEW
@given(SEEDS)
def test_names_of_groups_do_not_matter(seed):
    unit, time, windows = fleet(seed, 12)
    group = windows[0] % 3
    one = stats.mean_cumulative_test(unit, time, windows, group)
    other = stats.mean_cumulative_test(unit, time, windows, np.array(["z", "b", "q"])[group])
    assert one.statistic == pytest.approx(other.statistic, rel=1e-7)
    assert one.df == other.df
    assert one.groups["observed"].sum() == pytest.approx(one.groups["expected"].sum())


@pytest.mark.parametrize(
    ("group", "says"),
    [
        (["x", "x", "x"], "There is 1 group"),
        (["x", "y", "x"], r"\(windows\) have another group.*rows"),
        (["x", "y"], "group has 2 values for 3 windows"),
        (["x", None, "x"], "have no group"),
    ],
)
def test_impossible_groups_are_refused(group, says):
    windows = (["A", "A", "B"], [0, 6, 0], [5, 9, 9])
    with pytest.raises(InvalidLives, match=says):
        stats.mean_cumulative_test(["A"], [1], windows, group)
