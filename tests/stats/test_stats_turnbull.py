from fractions import Fraction

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from fleetlog import stats
from fleetlog.errors import InvalidLives

quick = settings(max_examples=40)


@st.composite
def intervals(draw, least=1, most=30):
    rows = draw(st.integers(least, most))
    column = lambda strategy: np.array(  # noqa: E731
        draw(st.lists(strategy, min_size=rows, max_size=rows))
    )
    lower = column(st.integers(1, 12)).astype(float)
    upper = lower + column(st.integers(0, 9))
    kind = column(st.integers(0, 3))
    lower = np.where(kind == 0, 0.0, lower)
    upper = np.where(kind == 1, np.inf, upper)
    return {"lower": lower, "upper": upper, "weight": column(st.integers(1, 3))}


def probabilities(curve, rows):
    """Chance of each row's interval under the curve, from the masses in its table."""
    begin, end = curve.table["from"].to_numpy(), curve.table["to"].to_numpy()
    share = curve.table["events"].to_numpy() / curve.lives
    tail = 1 - share.sum()
    exact = rows["lower"] == rows["upper"]
    lower, upper = rows["lower"][:, None], rows["upper"][:, None]
    inside = np.where(
        exact[:, None],
        (begin == lower) & (end == lower),
        (begin >= lower) & (end <= upper) & ~((begin == end) & (begin == lower)),
    )
    return inside @ share + np.where(np.isinf(rows["upper"]), tail, 0.0)


@quick
@given(intervals())
def test_no_other_distribution_is_more_probable(rows):
    curve = stats.turnbull(**rows)
    chance, weight = probabilities(curve, rows), rows["weight"]
    assert curve.log_likelihood == pytest.approx(weight @ np.log(chance), rel=1e-9, abs=1e-9)
    # Gentleman and Geyer 1994: moving mass to any point gains nothing. Points between all ends,
    # at all ends, and beyond the last.
    ends = np.unique(np.concatenate([rows["lower"], rows["upper"][np.isfinite(rows["upper"])]]))
    points = np.concatenate([ends, (ends[1:] + ends[:-1]) / 2, [ends[-1] + 1]])
    exact = rows["lower"] == rows["upper"]
    holds = np.where(
        exact,
        points[:, None] == rows["lower"],
        (points[:, None] > rows["lower"]) & (points[:, None] <= rows["upper"]),
    )
    gain = holds @ (weight / chance) / weight.sum()
    assert gain.max() <= 1 + 1e-8
    assert curve.optimality <= 1e-9


@quick
@given(intervals())
def test_exact_and_censored_lives_have_the_product_limit(rows):
    seen = np.isfinite(rows["upper"])
    lower = np.maximum(rows["lower"], 1.0)
    curve = stats.turnbull(lower, np.where(seen, lower, np.inf), weight=rows["weight"])
    peer = stats.kaplan_meier(lower, seen, weight=rows["weight"])
    times = np.concatenate([np.arange(0, lower.max() + 0.5, 0.5)])
    # Where the last age is a failure's, the curve says no more; nor does the product limit.
    assert_allclose(curve.at(times), peer.at(times), atol=1e-9)


@quick
@given(intervals(), st.sampled_from([1e-3, 1.609344]), st.randoms(use_true_random=False))
def test_units_order_and_copies_do_not_matter(rows, factor, random):
    one = stats.turnbull(**rows)
    order = list(range(rows["lower"].size))
    random.shuffle(order)
    mixed = {name: column[order] for name, column in rows.items()}
    scaled = mixed | {name: mixed[name] * factor for name in ("lower", "upper")}
    copies = {name: np.repeat(rows[name], rows["weight"]) for name in ("lower", "upper")}
    for two, unit in (
        (stats.turnbull(**mixed), 1.0),
        (stats.turnbull(**scaled), factor),
        (stats.turnbull(**copies), 1.0),
    ):
        assert two.table.height == one.table.height
        assert_allclose(two.table["from"], one.table["from"].to_numpy() * unit, rtol=1e-9)
        assert_allclose(two.table["estimate"], one.table["estimate"], atol=1e-7)


def test_by_hand():
    # Four pads. Innermost are (1, 2] and (3, 4]: p and 1 - p. Rows: (0, 2], (1, 4], (3, 4],
    # (3, inf]; only the first wants p. Likelihood p (1 - p)^2: p = 1/3.
    curve = stats.turnbull([0, 1, 3, 3], [2, 4, 4, np.inf])
    assert curve.table["from"].to_list() == [1, 3]
    assert curve.table["to"].to_list() == [2, 4]
    assert_allclose(curve.table["estimate"], [float(Fraction(2, 3)), 0], atol=1e-9)
    assert curve.log_likelihood == pytest.approx(np.log(4 / 27))
    assert_allclose(curve.table["events"], [4 / 3, 8 / 3])
    assert_allclose(curve.table["at_risk"], [4, 8 / 3])
    assert (curve.lives, curve.events) == (4, 3)


def test_ends_that_meet():
    # Good at 5 and failed at 5 do not overlap: (3, 5] and (5, 9] share no age.
    curve = stats.turnbull([3, 5], [5, 9])
    assert curve.table.select("from", "to").rows() == [(3, 5), (5, 9)]
    # An exact failure at 5 lies in (3, 5] and not in (5, 9].
    curve = stats.turnbull([3, 5, 5], [5, 5, 9])
    assert curve.table.select("from", "to").rows() == [(5, 5), (5, 9)]
    assert_allclose(curve.table["estimate"], [1 / 3, 0], atol=1e-12)


def test_it_says_where_it_does_not_know():
    curve = stats.turnbull([1, 3, 4, 6], [2, 4, 8, np.inf], weight=[2, 1, 1, 4])
    # (6, inf] leaves half surviving beyond 6, and (4, 8] and (6, inf] meet in (6, 8].
    assert np.isnan(curve.at([1.5]))[0]
    assert np.isnan(curve.at([100.0]))[0]
    assert_allclose(curve.at([0, 1, 2, 3, 4]), [1, 1, 0.75, 0.75, 0.625])
    assert curve.quantile_range(0.2) == (1, 2)
    assert curve.quantile(0.2) == 2
    for name in ("std_err", "lower", "upper"):
        assert curve.table[name].is_null().all()
    assert curve.variance == "none"


def test_lives_that_never_fail_survive():
    curve = stats.turnbull([3, 5], [np.inf, np.inf])
    assert_allclose(curve.at([0, 4, 5]), 1)
    assert np.isnan(curve.at([5.1]))[0]
    assert curve.quantile(0.5) is None
    assert curve.quantile_range(0.5) is None
    assert curve.events == 0
    later = stats.turnbull([2, 2, 7], [2, 2, np.inf])
    assert_allclose(later.at([1, 2, 7]), [1, 1 / 3, 1 / 3])
    assert np.isnan(later.at([7.5]))[0]


def test_one_life():
    curve = stats.turnbull([2], [5])
    assert curve.table.select("from", "to", "estimate").rows() == [(2, 5, 0)]


@pytest.mark.parametrize("exact_share", [0.0, 0.5])
def test_large_samples_reach_their_maximum(exact_share):
    rng = np.random.default_rng(17)
    size = 5000
    age = 100 * rng.weibull(2, size)
    first, gap = rng.uniform(0, 80, size), rng.uniform(5, 60, size)
    lower = np.where(age <= first, 0, np.where(age <= first + gap, first, first + gap))
    upper = np.where(age <= first, first, np.where(age <= first + gap, first + gap, np.inf))
    exact = rng.random(size) < exact_share
    rows = {
        "lower": np.where(exact, age, lower),
        "upper": np.where(exact, age, upper),
        "weight": np.ones(size),
    }
    curve = stats.turnbull(**rows)
    assert curve.optimality <= 1e-9
    chance = probabilities(curve, rows)
    assert curve.log_likelihood == pytest.approx(np.log(chance).sum(), rel=1e-9)
    at = np.array([30.0, 60.0, 90.0, 120.0])
    assert_allclose(
        stats.turnbull(rows["lower"], rows["upper"]).table["estimate"], curve.table["estimate"]
    )
    steps = np.searchsorted(curve.table["to"].to_numpy(), at)
    assert_allclose(curve.table["estimate"].to_numpy()[steps], np.exp(-((at / 100) ** 2)), atol=0.1)


@pytest.mark.parametrize(
    ("rows", "says"),
    [
        (([], []), "no lives"),
        (([1, 2], [3]), "upper has 1 values"),
        (([4, 1], [3, 2]), "1 of 2 rows have lower > upper"),
        (([0], [0]), "have an upper of 0"),
        (([0, 1], [np.inf, 2]), "reach from 0 to infinity"),
        (([np.nan], [2]), "have no lower"),
        (([1], [np.nan]), "have no upper"),
        (([np.inf], [np.inf]), "infinite lower"),
        (([-1], [2]), "negative lower"),
        (([1], ["later"]), "are no numbers"),
        (([1.0, 0.3], [2.0, 0.1 + 0.2]), "within rounding"),
        (([[1]], [[2]]), "dimensions"),
    ],
)
def test_intervals_that_cannot_be_are_refused(rows, says):
    with pytest.raises(InvalidLives, match=says):
        stats.turnbull(*rows)


def test_a_weight_of_0_is_refused():
    with pytest.raises(InvalidLives, match="weight of 0"):
        stats.turnbull([1, 2], [2, 3], weight=[1, 0])


def test_series_lists_and_arrays_are_alike():
    lower, upper = [0, 1, 3], [2, 4, 4]
    one = stats.turnbull(lower, upper).table
    assert one.equals(stats.turnbull(pl.Series(lower), pl.Series(upper)).table)
    assert one.equals(stats.turnbull(np.array(lower), np.array(upper, dtype=float)).table)
