"""What to renew together: by hand, by brute force in exact fractions, and what must not matter."""

from fractions import Fraction
from itertools import pairwise, product
from math import prod

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from fleetlog.stats import (
    Weibull,
    expected_cost,
    expected_openings,
    open_parts,
    renew_together,
)
from fleetlog.stats.joint_renewal import MOST_ENUMERATED, renewal_chances
from fleetlog.stats.renewal import renewal_function

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


def chains(first, again):
    """Every row of periods in which something renewed at each failure fails, with its chance.

    ``again`` is by age in periods; renewed in the middle of a period, it has failed by the end of
    the k-th after with the chance of k periods and a half, the mean of those of k and of k + 1.
    """
    periods = len(first)
    reached = [sum(again[: k + 1], Fraction(0)) for k in range(periods)]
    halfway = [Fraction(0), *((one + two) / 2 for one, two in pairwise(reached))]
    after = [later - earlier for earlier, later in pairwise(halfway)]

    def going_on(shares, begin):
        yield 1 - sum(shares), ()
        for lag, share in enumerate(shares):
            if share:
                when = begin + lag
                for chance, more in going_on(after[: periods - when - 1], when + 1):
                    yield share * chance, (when, *more)

    return list(going_on(list(first), 0))


def first_of(count, shares):
    """Chance that the first of so many alike parts fails in each period, in fractions."""
    alive = [(1 - sum(shares[:k], Fraction(0))) ** int(count) for k in range(len(shares) + 1)]
    return [before - after for before, after in pairwise(alive)]


def habits(row, first):
    """The two ways of meeting the failures of a class: chains, one of each thing, and its cost."""
    count, _, new, now, later, _ = row
    return (
        ([chains(first, new)] * int(count), later),
        ([chains(first_of(count, first), first_of(count, new))], later + (count - 1) * now),
    )


def alone(row, habit):
    """What a class costs that alone opens up."""
    (things, cost), periods = habit, range(len(row[1]))
    failing = [
        [sum(chance for chance, when in thing if period in when) for period in periods]
        for thing in things
    ]
    opened = sum(1 - prod(1 - thing[period] for thing in failing) for period in periods)
    return cost * sum(map(sum, failing)) + row[5] * opened


def outcome_by_outcome(rows, renewed):
    """Expected cost as the sum over every outcome of everything that may fail, in fractions."""
    single, sunk = [], Fraction(0)
    for j, (row, chosen) in enumerate(zip(rows, renewed, strict=True)):
        sunk += row[0] * row[3] if chosen else 0
        both = habits(row, row[2] if chosen else row[1])
        costs = [alone(row, habit) for habit in both]
        # Numbers may not tell which of two habits is cheaper by less than they resolve.
        assume(row[0] == 1 or abs(costs[0] - costs[1]) > 1e-9 or not any(costs))
        things, cost = both[costs[1] < costs[0]]
        single += [[(chance, j, when, cost * len(when)) for chance, when in one] for one in things]
    total = Fraction(0)
    for outcome in product(*single):
        opened = {}
        for _, j, when, _ in outcome:
            for period in when:
                opened[period] = max(rows[j][5], opened.get(period, Fraction(0)))
        cost = sum(one[3] for one in outcome) + sum(opened.values())
        total += prod(one[0] for one in outcome) * cost
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

    Each half is opened with chance 1 - (3/4)^2 = 7/16, so 2 (7/16) 160 = 140. Alike parts are all
    renewed at the first failure of them where that is cheaper: (1 - (1/2)^2) (160 + 1) = 120.75.
    """
    halves = np.full((2, 2), 0.25)
    apart = open_parts(count=1, chance_left=halves, cost_now=[1, 1], cost_later=0, opening=160)
    assert expected_cost(apart, [False, False]) == pytest.approx(140)
    assert expected_openings(apart, [False, False]) == pytest.approx(140 / 160)
    alike = open_parts(count=[2], chance_left=halves[:, :1], cost_now=1, cost_later=0, opening=160)
    assert alike.left.whole.all()
    assert expected_cost(alike, [False]) == pytest.approx(120.75)


def test_by_hand_what_is_renewed_later_may_fail_again():
    """A part fails in the halves of the time with chances 1/2 and 1/4, a new one with 1/2 and 1/2.

    Renewed in the middle of the first half, it has failed within a half and a half of that with the
    chance 3/4. So it fails in the second half with the chance 1/4 + (1/2) (3/4) = 5/8: in all 9/8
    times, each at 8 and an opening of 100.
    """
    parts = open_parts(
        count=1, chance_left=[[1 / 2], [1 / 4]], chance_new=[[1 / 2], [1 / 2]], cost_now=1,
        cost_later=8, opening=100,
    )  # fmt: skip
    assert expected_cost(parts, [False]) == pytest.approx(9 / 8 * 108)
    assert expected_openings(parts, [[False], [True]]) == pytest.approx([9 / 8, 1 / 2 + 7 / 8])


def test_by_hand_all_of_a_class_are_renewed_at_a_failure_or_only_what_failed():
    """Two alike parts that fail in either half with chance 1/10; new ones hold.

    Only what failed: 4/10 failures at 3, and each half opened with chance 19/100. All at the first
    failure, with chance 19/100 and 17/100: the failure at 3 and the other part at 2.
    """
    dear, cheap = (
        open_parts(
            count=[2], chance_left=np.full((2, 1), 0.1), cost_now=2, cost_later=3, opening=opening
        )
        for opening in (100, 10)
    )
    assert dear.left.whole.all()
    assert expected_cost(dear, [False]) == pytest.approx(0.36 * (100 + 3 + 2))
    assert not cheap.left.whole.any()
    assert expected_cost(cheap, [False]) == pytest.approx(0.4 * 3 + 2 * 0.19 * 10)


tenths = st.integers(0, 5).map(lambda k: Fraction(k, 10))
one_period = st.integers(0, 10).map(lambda k: (Fraction(k, 10),))
money = st.integers(0, 60).map(Fraction)


def row_of(chances):
    return st.tuples(st.integers(1, 2).map(Fraction), chances, chances, money, money, money)


thirds = st.integers(0, 3).map(lambda k: Fraction(k, 10))
rows = st.one_of(
    st.lists(row_of(one_period), min_size=1, max_size=4),
    st.lists(row_of(st.tuples(tenths, tenths)), min_size=1, max_size=3),
    st.lists(row_of(st.tuples(thirds, thirds, thirds)), min_size=1, max_size=2),
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


@given(st.integers(1, 4), st.integers(2, 6), st.integers(0, 1000))
@settings(max_examples=30, deadline=None)
def test_a_class_pays_just_above_its_break_even_chance_and_not_just_below(classes, periods, seed):
    rng = np.random.default_rng(seed)
    given_figures = {
        "count": rng.integers(1, 5, classes),
        "chance_new": rng.dirichlet(np.ones(periods + 1), classes)[:, :periods].T / 3,
        "cost_now": rng.uniform(1, 40, classes),
        "cost_later": rng.uniform(1, 60, classes),
        "opening": rng.uniform(1, 90, classes),
    }
    chance_left = rng.dirichlet(np.ones(periods + 1), classes)[:, :periods].T
    result = renew_together(open_parts(chance_left=chance_left, **given_figures))

    def saving(j, chance):
        changed = chance_left.copy()
        changed[:, j] *= chance / changed[:, j].sum()
        sets = np.tile(result.renewed, (2, 1))
        sets[:, j] = False, True
        left, renewed = expected_cost(open_parts(chance_left=changed, **given_figures), sets)
        return left - renewed

    for j, chance in enumerate(result.break_even):
        if np.isfinite(chance):
            assert saving(j, min(chance + 1e-9, 1.0)) > -1e-6
            assert saving(j, max(chance - 1e-9, 0.0)) < 1e-6
        else:
            assert saving(j, 1.0) < 1e-6


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


def followed_no_further(parts, renewed):
    """Expected cost where nothing that is renewed later fails, of parts by themselves."""
    chance = np.where(renewed, parts.chance_new, parts.chance_left)
    cost = parts.count * (renewed * parts.cost_now + chance.sum(axis=0) * parts.cost_later)
    opened = 1 - np.prod((1 - chance) ** parts.count, axis=1)
    return cost.sum() + parts.opening[0] * opened.sum()


@given(st.integers(1, 4), st.integers(1, 5), st.integers(0, 1000))
@settings(max_examples=40, deadline=None)
def test_where_no_second_failure_is_possible_only_first_ones_cost(classes, periods, seed):
    rng = np.random.default_rng(seed)
    left = rng.dirichlet(np.ones(periods + 1), classes)[:, :periods].T
    # Alike parts share a first failure or not, but in a single period that makes no difference.
    count = rng.integers(1, 5 if periods == 1 else 2, classes)
    price = rng.uniform(1, 9, classes)
    parts = open_parts(
        count=count, chance_left=left, cost_now=price, cost_later=price, opening=[20.0] * classes
    )
    for renewed in product((False, True), repeat=classes):
        chosen = np.array(renewed)
        assert expected_cost(parts, chosen) == pytest.approx(followed_no_further(parts, chosen))


@given(st.integers(1, 40), st.integers(1, 3), st.integers(0, 1000))
@settings(max_examples=40, deadline=None)
def test_the_chances_of_renewals_solve_their_equation_term_by_term(periods, series, seed):
    rng = np.random.default_rng(seed)
    first, again = rng.dirichlet(np.full(periods + 1, 0.3), (2, series))[..., :periods].swapaxes(
        1, 2
    )
    reached = np.vstack([np.cumsum(again, axis=0), np.zeros(series)])
    after = np.diff([np.zeros(series), *(reached[:-2] + reached[1:-1]) / 2], axis=0)
    expected = first.copy()
    for t in range(periods):
        for s in range(t):
            expected[t] += expected[s] * after[t - s - 1]
    np.testing.assert_allclose(renewal_chances(first, again), expected, rtol=0, atol=1e-11)


def weibull_chances(life, begun, horizon, periods):
    """Chance of failing in each period, of a part that is so old."""
    ages = begun + np.linspace(0, horizon, periods + 1)
    return -np.diff(life.survival(ages) / life.survival(begun))[:, None]


@pytest.mark.parametrize(
    ("shape", "count"), [(0.9, 1), (1.0, 1), (2.0, 1), (3.5, 1), (2.0, 6), (3.5, 6)]
)
@pytest.mark.parametrize("periods", [40, 160])
def test_as_periods_grow_fine_failures_are_those_of_the_renewal_function(shape, count, periods):
    """The first failure among alike Weibull parts is Weibull too, of a scale so much smaller.

    An opening, at 1, is all that costs. At a shape of 1, failures come at a constant rate: 1.5.
    """
    horizon, life = 150_000.0, Weibull(shape, 100_000.0)
    chances = weibull_chances(life, 0.0, horizon, periods)
    parts = open_parts(
        count=[count], chance_left=chances, chance_new=chances, cost_now=0, cost_later=0, opening=1
    )
    assert parts.left.whole == (count > 1)
    reference = renewal_function(Weibull(shape, life.scale / count ** (1 / shape)), horizon)
    off = expected_cost(parts, [False]) - reference.renewals[-1]
    # The error goes with the square of the period.
    assert abs(off) < 8 / periods**2


HORIZON = 80_000.0
AGES = np.array([90_000.0, 60_000.0, 20_000.0, 0.0])
LIVES = (Weibull(3, 130_000), Weibull(2, 300_000), Weibull(1.5, 60_000), Weibull(2.5, 90_000))
COUNT, NOW, LATER = (
    np.array([3, 2, 1, 2]),
    np.array([40.0, 30, 400, 9]),
    np.array([45.0, 30, 450, 9]),
)
OPENING = np.array([400.0, 80, 700, 400])


def simulated_failures(rng, life, begun, whole, count, draws):
    """When each of the parts fails, each renewed at its failure, or all of a class at the first.

    Rows of (draw, time, failures); nothing is reckoned with but lives.
    """
    things = 1 if whole else count
    alike = count if whole else 1
    draw = np.repeat(np.arange(draws), things)
    more = rng.standard_exponential((draw.size, alike)).min(axis=1)
    when = life.scale * (more + (begun / life.scale) ** life.shape) ** (1 / life.shape) - begun
    found = []
    while draw.size:
        kept = when <= HORIZON
        draw, when = draw[kept], when[kept]
        found.append((draw, when))
        more = rng.standard_exponential((draw.size, alike)).min(axis=1)
        when = when + life.scale * more ** (1 / life.shape)
    return (np.concatenate(column) for column in zip(*found, strict=True))


def simulated_engines(rng, parts, renewed, periods, draws):
    """Cost of each of so many simulated engines, and how often each is opened again."""
    cost, deepest = np.zeros(draws), np.zeros((draws, periods))
    for j, chosen in enumerate(renewed):
        whole = (parts.new if chosen else parts.left).whole[j]
        draw, when = simulated_failures(
            rng, LIVES[j], 0.0 if chosen else AGES[j], whole, COUNT[j], draws
        )
        each = LATER[j] + whole * (COUNT[j] - 1) * NOW[j]
        cost += COUNT[j] * NOW[j] * chosen + each * np.bincount(draw, minlength=draws)
        period = np.minimum((when * periods / HORIZON).astype(int), periods - 1)
        np.maximum.at(deepest, (draw, period), OPENING[j])
    return cost + deepest.sum(axis=1), (deepest > 0).sum(axis=1)


def weibull_parts(periods):
    return open_parts(
        count=COUNT, cost_now=NOW, cost_later=LATER, opening=OPENING,
        chance_left=np.hstack(
            [
                weibull_chances(life, age, HORIZON, periods)
                for life, age in zip(LIVES, AGES, strict=True)
            ]
        ),
        chance_new=np.hstack([weibull_chances(life, 0.0, HORIZON, periods) for life in LIVES]),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("periods", "draws"), [(16, 8_000), pytest.param(80, 200_000, marks=pytest.mark.slow)]
)
def test_the_expected_cost_is_the_mean_of_simulated_engines(periods, draws):
    """Lives drawn from Weibull laws, renewed up to the horizon whenever they fail."""
    rng = np.random.default_rng(11)
    parts = weibull_parts(periods)
    assert set(np.concatenate([parts.left.whole, parts.new.whole])) == {True, False}
    for renewed in product((False, True), repeat=len(LIVES)):
        simulated = simulated_engines(rng, parts, renewed, periods, draws)
        for mean, found in zip((expected_cost, expected_openings), simulated, strict=True):
            error = found.std() / np.sqrt(draws)
            assert mean(parts, renewed) == pytest.approx(found.mean(), abs=4 * error)
