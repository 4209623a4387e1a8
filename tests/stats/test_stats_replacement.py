import numpy as np
import pytest
from numpy.testing import assert_allclose

from fleetlog import stats

LIFE = stats.Weibull(shape=2.5, scale=100_000.0)


def test_the_best_age_costs_least():
    policy = stats.age_replacement(LIFE, cost_planned=300, cost_failure=1500)
    assert policy.reason is None
    assert policy.curve["cost_rate"].min() >= policy.cost_rate
    assert policy.cost_rate < policy.run_to_failure_cost_rate
    assert policy.saving == pytest.approx(1 - policy.cost_rate / policy.run_to_failure_cost_rate)
    assert policy.run_to_failure_cost_rate == pytest.approx(1500 / LIFE.mean)


def test_the_flat_range_ends_where_the_cost_is_5_percent_up():
    policy = stats.age_replacement(LIFE, cost_planned=300, cost_failure=1500)
    low, high = policy.flat_range
    assert low < policy.age < high
    for age in (low, high):
        rate = (300 + 1200 * LIFE.failed(age)) / LIFE.mean_up_to(age)
        assert rate == pytest.approx(1.05 * policy.cost_rate)


def test_a_small_saving_leaves_the_flat_range_open():
    policy = stats.age_replacement(stats.Weibull(1.2, 1.0), cost_planned=1, cost_failure=4)
    assert 0 < policy.saving < 0.05
    assert policy.flat_range[1] == np.inf


@pytest.mark.parametrize("factor", [0.001, 1.609344, 1e6])
def test_a_change_of_unit_or_money_changes_nothing_else(factor):
    one = stats.age_replacement(LIFE, cost_planned=300, cost_failure=1500)
    unit = stats.age_replacement(
        stats.Weibull(2.5, 100_000 * factor), cost_planned=300, cost_failure=1500
    )
    assert unit.age == pytest.approx(one.age * factor, rel=1e-9)
    money = stats.age_replacement(LIFE, cost_planned=300 * factor, cost_failure=1500 * factor)
    assert money.age == pytest.approx(one.age, rel=1e-9)
    assert money.saving == pytest.approx(one.saving, rel=1e-9)


@pytest.mark.parametrize(
    ("life", "costs", "says"),
    [
        (stats.Weibull(0.8, 10.0), (1, 5), "does not rise"),
        (stats.Weibull(1.0, 10.0), (1, 5), "does not rise"),
        (stats.Exponential(10.0), (1, 5), "does not rise"),
        (stats.Weibull(1.01, 10.0), (1, 2), "rises too little"),
        (stats.Weibull(3.0, 10.0), (5, 5), "costs no less than a failure"),
    ],
)
def test_where_nothing_beats_running_to_failure_the_reason_is_given(life, costs, says):
    policy = stats.age_replacement(life, cost_planned=costs[0], cost_failure=costs[1])
    assert policy.age is None
    assert says in policy.reason
    assert policy.saving == 0
    assert policy.flat_range is None
    assert policy.cost_rate == policy.run_to_failure_cost_rate


@pytest.mark.parametrize("costs", [(0, 5), (1, -1), (1, np.nan), (1, np.inf), (1, 1e13)])
def test_impossible_costs_are_refused(costs):
    with pytest.raises(ValueError, match="cost"):
        stats.age_replacement(LIFE, cost_planned=costs[0], cost_failure=costs[1])


def fit(size, seed=3):
    rng = np.random.default_rng(seed)
    return stats.fit_life(100 * rng.weibull(2.2, size), np.ones(size, dtype=bool))


def test_a_fit_carries_its_uncertainty():
    few, many = (
        stats.age_replacement(fit(size), cost_planned=1, cost_failure=5) for size in (15, 3000)
    )
    for policy in (few, many):
        assert policy.age_interval[0] < policy.age < policy.age_interval[1]
        assert policy.saving_interval[0] < policy.saving < policy.saving_interval[1]
        assert policy.draws == 1000
    assert few.age_interval[1] / few.age_interval[0] > many.age_interval[1] / many.age_interval[0]
    assert many.no_optimum_share == 0


def test_draws_repeat_with_their_seed():
    one, two, other = (
        stats.age_replacement(fit(20), cost_planned=1, cost_failure=5, seed=seed)
        for seed in (7, 7, 8)
    )
    assert one.age_interval == two.age_interval
    assert one.age_interval != other.age_interval


def test_a_doubtful_wear_out_has_draws_without_a_best_age():
    # Six failures that might as well be chance.
    doubtful = stats.fit_life([12, 30, 41, 77, 95, 160], [True] * 6)
    policy = stats.age_replacement(doubtful, cost_planned=1, cost_failure=5)
    assert 0 < policy.no_optimum_share < 1
    if policy.no_optimum_share > 0.025:
        assert policy.age_interval[1] == np.inf
        assert policy.saving_interval[0] == 0


def test_draws_of_extreme_shapes_count_as_running_to_failure():
    # Two failures in 502 lives: drawn shapes reach down to where ages underflow.
    thin = stats.fit_life([10, 5000] + [6000] * 500, [True, True] + [False] * 500)
    policy = stats.age_replacement(thin, cost_planned=1, cost_failure=10)
    assert policy.age is None
    assert policy.no_optimum_share > 0.9
    assert policy.saving_interval[0] == 0


def test_drawn_lives_are_solved_as_single_ones():
    drawn = fit(25).draws(5, seed=2)
    singles = [
        stats.age_replacement(stats.Weibull(float(a), float(b)), cost_planned=1, cost_failure=6)
        for a, b in zip(drawn.shape, drawn.scale, strict=True)
    ]
    policy = stats.age_replacement(fit(25), cost_planned=1, cost_failure=6, draws=5, seed=2)
    ages = sorted(single.age for single in singles)
    assert_allclose(policy.age_interval, (ages[0], ages[-1]), rtol=1e-9)
