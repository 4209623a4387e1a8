"""What to renew together: by hand, by brute force in exact fractions, and what must not matter."""

from fractions import Fraction
from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fleetlog.stats import expected_cost, open_parts, renew_together
from fleetlog.stats.joint_renewal import MOST_ENUMERATED

NAMES = ("count", "chance_left", "chance_new", "cost_now", "cost_later", "opening")


def parts_of(rows):
    """Rows of count, chances by period left and new, and costs."""
    columns = dict(zip(NAMES, zip(*rows, strict=True), strict=True))
    return open_parts(
        **{
            name: np.array(values, dtype=float).T
            for name, values in columns.items()
            if name.startswith("chance")
        },
        **{
            name: [float(value) for value in values]
            for name, values in columns.items()
            if not name.startswith("chance")
        },
    )


def outcome_by_outcome(rows, renewed):
    """Expected cost as the sum over every outcome of every single part, in fractions.

    A part fails in some period, or in none (the last outcome).
    """
    single = [
        (j, (*shares, 1 - sum(shares)))
        for j, ((count, left, new, *_), chosen) in enumerate(zip(rows, renewed, strict=True))
        for shares in [new if chosen else left] * int(count)
    ]
    sunk = sum(
        count * now for (count, _, _, now, _, _), one in zip(rows, renewed, strict=True) if one
    )
    periods = len(rows[0][1])
    total = Fraction(0)
    for fails in product(range(periods + 1), repeat=len(single)):
        chance, cost, first = Fraction(1), Fraction(0), {}
        for (j, shares), period in zip(single, fails, strict=True):
            chance *= shares[period]
            if period < periods:
                cost += rows[j][4]
                first[j] = min(period, first.get(j, periods))
        if chance:
            for period in range(periods):
                opened = [rows[j][5] for j, when in first.items() if when == period]
                cost += max(opened, default=Fraction(0))
            total += chance * cost
    return sunk + total


def test_by_hand_one_opening_serves_all():
    """Two rockers at 1/10 each, one shaft at 1/4; opening 500, rocker 40, shaft 400.

    Leaving all: some part fails with chance 1 - (9/10)^2 (3/4) = 0.3925, so
    196.25 + 2 (1/10) 40 + (1/4) 400 = 304.25.
    """
    parts = open_parts(
        count=[2, 1], chance_left=[0.1, 0.25], cost_now=[40, 400], cost_later=[40, 400], opening=500
    )
    assert expected_cost(parts, [False, False]) == pytest.approx(304.25)
    assert expected_cost(parts, [True, False]) == pytest.approx(80 + 125 + 100)
    assert expected_cost(parts, [True, True]) == pytest.approx(480)
    assert renew_together(parts).renewed.tolist() == [False, False]


def test_by_hand_a_part_is_worth_renewing_only_with_its_neighbour():
    """Either of two parts alone saves less than its cost, because the other opens the cover again.

    Both certain to need opening 100 at chance 1/2: leaving both 75, one renewed at 30 costs
    30 + 50 = 80, both 60.
    """
    parts = open_parts(count=[1, 1], chance_left=0.5, cost_now=30, cost_later=0, opening=100)
    result = renew_together(parts)
    assert expected_cost(parts, [[0, 0], [1, 0], [1, 1]]).tolist() == [75, 80, 60]
    assert result.renewed.all()
    assert result.saving == pytest.approx(15)
    # The best set without either part renews neither, so each is worth the whole saving.
    assert result.class_saving == pytest.approx([15, 15])
    # With the other one renewed, only this part can open the cover: 100 q = 30.
    assert result.break_even == pytest.approx([0.3, 0.3])


def test_by_hand_a_later_opening_goes_as_deep_as_the_deepest_needs():
    """A coil (opening 10) and a rocker (opening 100), each failing with chance 1/2.

    The rocker fails half of the time: 100; only the coil a quarter of the time: 10.
    """
    parts = open_parts(count=1, chance_left=[0.5, 0.5], cost_now=1, cost_later=0, opening=[10, 100])
    assert expected_cost(parts, [False, False]) == pytest.approx(52.5)


def test_by_hand_failures_of_different_periods_need_an_opening_each():
    """Two parts of their own kind, each failing in either half of the time with chance 1/4.

    Each half is opened with chance 1 - (3/4)^2 = 7/16, so 2 (7/16) 160 = 140. Alike parts are seen
    to together, at the first failure of them: (1 - (1/2)^2) 160 = 120.
    """
    halves = np.full((2, 2), 0.25)
    apart = open_parts(count=1, chance_left=halves, cost_now=[1, 1], cost_later=0, opening=160)
    assert expected_cost(apart, [False, False]) == pytest.approx(140)
    alike = open_parts(count=[2], chance_left=halves[:, :1], cost_now=1, cost_later=0, opening=160)
    assert expected_cost(alike, [False]) == pytest.approx(120)


tenths = st.integers(0, 5).map(lambda k: Fraction(k, 10))
one_period = st.integers(0, 10).map(lambda k: (Fraction(k, 10),))
money = st.integers(0, 60).map(Fraction)


def row_of(chances):
    return st.tuples(st.integers(1, 2).map(Fraction), chances, chances, money, money, money)


rows = st.one_of(
    st.lists(row_of(one_period), min_size=1, max_size=4),
    st.lists(row_of(st.tuples(tenths, tenths)), min_size=1, max_size=3),
)


@given(rows)
@settings(max_examples=25, deadline=None)
def test_the_best_set_is_that_of_brute_force_in_fractions(given_rows):
    sets = list(product((False, True), repeat=len(given_rows)))
    costs = [outcome_by_outcome(given_rows, renewed) for renewed in sets]
    parts = parts_of(given_rows)
    assert expected_cost(parts, sets) == pytest.approx([float(cost) for cost in costs])
    result = renew_together(parts)
    assert result.cost == pytest.approx(float(min(costs)), abs=1e-9)
    assert result.method == "exhaustive"
    for j in range(len(given_rows)):
        best = {
            held: min(cost for cost, one in zip(costs, sets, strict=True) if one[j] is held)
            for held in (False, True)
        }
        assert result.class_saving[j] == pytest.approx(float(best[False] - best[True]), abs=1e-9)


@given(st.integers(2, 6), one_period, one_period, money, money, money)
@settings(max_examples=40, deadline=None)
def test_a_class_is_best_renewed_whole_or_not_at_all(count, left, new, now, later, opening):
    alike = [(Fraction(1), left, new, now, later, opening)] * count
    by_number = expected_cost(parts_of(alike), np.tri(count + 1, count, -1, dtype=bool))
    assert by_number.min() == pytest.approx(min(by_number[0], by_number[-1]))


@given(rows, st.integers(1, 1000))
@settings(max_examples=30, deadline=None)
def test_the_unit_of_money_does_not_matter(given_rows, factor):
    scaled = [(*row[:3], *(factor * cost for cost in row[3:])) for row in given_rows]
    one, other = renew_together(parts_of(given_rows)), renew_together(parts_of(scaled))
    assert other.cost == pytest.approx(factor * one.cost)
    assert other.class_saving == pytest.approx(factor * one.class_saving, abs=1e-6)
    np.testing.assert_allclose(other.break_even, one.break_even, atol=1e-9)


@given(rows, st.randoms(use_true_random=False))
@settings(max_examples=30, deadline=None)
def test_the_order_of_the_parts_does_not_matter(given_rows, random):
    order = list(range(len(given_rows)))
    random.shuffle(order)
    one = renew_together(parts_of(given_rows))
    other = renew_together(parts_of([given_rows[k] for k in order]))
    assert other.cost == pytest.approx(one.cost)
    assert other.class_saving == pytest.approx(one.class_saving[order], abs=1e-9)


@given(rows)
@settings(max_examples=30, deadline=None)
def test_a_part_that_never_fails_changes_nothing_for_the_others(given_rows):
    none = tuple(Fraction(0) for _ in given_rows[0][1])
    never = (Fraction(3), none, none, Fraction(9), Fraction(50), Fraction(60))
    one, more = renew_together(parts_of(given_rows)), renew_together(parts_of([*given_rows, never]))
    assert more.renewed.tolist() == [*one.renewed, False]
    assert more.cost == pytest.approx(one.cost)
    assert more.class_saving[:-1] == pytest.approx(one.class_saving, abs=1e-9)


@given(st.lists(row_of(one_period), min_size=1, max_size=4))
@settings(max_examples=30, deadline=None)
def test_at_the_break_even_chance_a_class_costs_the_same_renewed_or_left(given_rows):
    parts = parts_of(given_rows)
    result = renew_together(parts)
    for j, chance in enumerate(result.break_even):
        changed = [list(row) for row in given_rows]
        changed[j][1] = (chance if np.isfinite(chance) else 1.0,)
        other = result.renewed.copy()
        other[j] = ~other[j]
        left, renewed = expected_cost(
            parts_of(changed), sorted([result.renewed, other], key=lambda one: one[j])
        )
        if np.isfinite(chance):
            assert left == pytest.approx(renewed, abs=1e-6)
        else:
            assert left <= renewed + 1e-9


def test_what_must_be_renewed_is_and_the_others_are_chosen_beside_it():
    parts = open_parts(count=1, chance_left=[0.5, 0.0], cost_now=[30, 5], cost_later=0, opening=100)
    result = renew_together(parts, always=[False, True])
    assert result.renewed.tolist() == [True, True]
    assert result.cost_of_none == pytest.approx(50 + 5)
    assert result.saving == pytest.approx(20)


def test_many_classes_are_decided_without_weighing_all_sets_and_still_exactly():
    """Thirty classes, most of them clear: the rest is exhausted, and no single change improves."""
    rng = np.random.default_rng(5)
    size = 30
    parts = open_parts(
        count=rng.integers(1, 9, size), chance_left=rng.beta(1, 8, size),
        chance_new=rng.beta(1, 40, size), cost_now=rng.uniform(5, 400, size),
        cost_later=rng.uniform(5, 400, size), opening=rng.choice([80.0, 400.0, 700.0], size),
    )  # fmt: skip
    result = renew_together(parts)
    assert result.method == "exhaustive"
    changed = result.renewed ^ np.eye(size, dtype=bool)
    assert np.all(expected_cost(parts, changed) >= result.cost - 1e-9)


def test_where_too_many_classes_are_undecided_the_answer_says_that_it_is_greedy():
    """Alike classes, none of which pays alone and all of which pay together: the set of all."""
    size = MOST_ENUMERATED + 4
    parts = open_parts(count=[1] * size, chance_left=0.2, cost_now=8, cost_later=0, opening=200)
    result = renew_together(parts)
    assert result.method == "greedy"
    assert result.renewed.all()
    assert result.cost == pytest.approx(8 * size)


def test_draws_are_weighed_at_once():
    chances = np.array([[[0.1, 0.2], [0.3, 0.4]], [[0.3, 0.4], [0, 0]], [[1.0, 0.0], [0, 0.5]]])
    many = open_parts(count=[1, 2], chance_left=chances, cost_now=3, cost_later=5, opening=[7, 20])
    one_by_one = [
        float(
            expected_cost(
                open_parts(
                    count=[1, 2], chance_left=row, cost_now=3, cost_later=5, opening=[7, 20]
                ),
                [True, False],
            )
        )
        for row in chances
    ]
    assert expected_cost(many, [True, False]) == pytest.approx(one_by_one)


@pytest.mark.parametrize(
    ("wrong", "says"),
    [
        ({"chance_left": 1.2}, "chance_left"),
        ({"cost_now": -1.0}, "cost_now"),
        ({"count": 0}, "count"),
        ({"opening": np.nan}, "opening"),
    ],
)
def test_figures_that_cannot_be_are_refused(wrong, says):
    good = {"count": 1, "chance_left": 0.1, "cost_now": 1, "cost_later": 1, "opening": 1}
    with pytest.raises(ValueError, match=says):
        open_parts(**(good | wrong))


@pytest.mark.slow
def test_the_expected_cost_is_the_mean_of_simulated_lives():
    """Lives drawn from Weibull laws up to the horizon, in five periods; 400,000 engines a set."""
    rng = np.random.default_rng(11)
    ages, horizon, draws, periods = np.array([90_000.0, 60_000.0, 0.0]), 50_000.0, 400_000, 5
    shape, scale = np.array([3.0, 2.0, 1.5]), np.array([160_000.0, 300_000.0, 200_000.0])
    count, now, later = np.array([3, 2, 1]), np.array([40.0, 30, 400]), np.array([45.0, 30, 450])
    opening = np.array([400.0, 80, 700])
    edges = np.linspace(0, horizon, periods + 1)[:, None]

    def chances(begun):
        survival = np.exp((begun / scale) ** shape - ((begun + edges) / scale) ** shape)
        return -np.diff(survival, axis=0)

    parts = open_parts(
        count=count, cost_now=now, cost_later=later, opening=opening,
        chance_left=chances(ages), chance_new=chances(0 * ages),
    )  # fmt: skip
    for renewed in product((False, True), repeat=3):
        cost, deepest = np.zeros(draws), np.zeros((draws, periods))
        for j, chosen in enumerate(renewed):
            begun = 0.0 if chosen else ages[j]
            more = rng.standard_exponential((count[j], draws)) + (begun / scale[j]) ** shape[j]
            fails = scale[j] * more ** (1 / shape[j]) - begun
            cost += count[j] * now[j] * chosen + later[j] * (fails <= horizon).sum(axis=0)
            first = fails.min(axis=0)
            at = np.flatnonzero(first <= horizon)
            period = np.minimum((first[at] * periods / horizon).astype(int), periods - 1)
            deepest[at, period] = np.maximum(deepest[at, period], opening[j])
        total = cost + deepest.sum(axis=1)
        error = total.std() / np.sqrt(draws)
        assert expected_cost(parts, renewed) == pytest.approx(total.mean(), abs=4 * error)
