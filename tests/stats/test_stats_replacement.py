from dataclasses import dataclass

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy.integrate import cumulative_simpson, quad
from scipy.optimize import minimize_scalar

from fleetlog import stats

LIFE = stats.Weibull(shape=2.5, scale=100_000.0)


@dataclass(frozen=True)
class EarlyAndLate(stats.Life):
    """A share of early failures and, for the rest, wear-out: a bathtub. No closed forms."""

    share: float
    early_scale: float
    late_shape: float
    late_scale: float

    def _parts(self):
        return (
            (self.share, stats.Weibull(0.7, self.early_scale)),
            (1 - self.share, stats.Weibull(self.late_shape, self.late_scale)),
        )

    def cumulative_hazard(self, age):
        return -np.log(np.maximum(sum(w * part.survival(age) for w, part in self._parts()), 1e-300))

    def hazard(self, age):
        density = sum(w * part.survival(age) * part.hazard(age) for w, part in self._parts())
        return density / np.exp(-self.cumulative_hazard(age))

    def age_at(self, cumulative_hazard):
        low = np.zeros(np.shape(cumulative_hazard))
        high = low + 60 * max(self.late_scale, 10 * self.early_scale)
        for _ in range(100):
            middle = (low + high) / 2
            past = self.cumulative_hazard(middle) > cumulative_hazard
            low, high = np.where(past, low, middle), np.where(past, middle, high)
        return (low + high) / 2

    @property
    def mean(self):
        return sum(w * part.mean for w, part in self._parts())


@dataclass(frozen=True)
class SomeNeverFail(stats.Life):
    """A share of the parts wears out; the others never fail."""

    share: float
    shape: float
    scale: float

    mean = np.inf

    def cumulative_hazard(self, age):
        return -np.log1p(-self.share * stats.Weibull(self.shape, self.scale).failed(age))

    def hazard(self, age):
        part = stats.Weibull(self.shape, self.scale)
        density = self.share * part.survival(age) * part.hazard(age)
        return density / np.exp(-self.cumulative_hazard(age))

    def age_at(self, cumulative_hazard):
        failed = -np.expm1(-np.asarray(cumulative_hazard)) / self.share
        reached = failed < 1
        age = stats.Weibull(self.shape, self.scale).quantile(np.where(reached, failed, 0.0))
        return np.where(reached, age, np.inf)


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


def rate_by_hand(life, ratio, discount=0.0):
    """Cost rate at an age, by SciPy's adaptive quadrature."""

    def rate(age):
        marks = np.append(age * np.geomspace(1e-9, 1, 13)[:-1], age)
        lived = sum(
            quad(
                lambda t: float(np.exp(-discount * t) * life.survival(t)),
                a,
                b,
                epsabs=0,
                epsrel=1e-11,
            )[0]
            for a, b in zip(np.append(0.0, marks[:-1]), marks, strict=True)
        )
        kept = float(np.exp(-discount * age) * life.survival(age))
        return (ratio * (1 - discount * lived) - (ratio - 1) * kept) / lived

    return rate


@pytest.mark.parametrize(
    "life",
    [
        EarlyAndLate(0.05, 1.0, 4.0, 1000.0),
        EarlyAndLate(0.3, 100.0, 6.0, 900.0),
        EarlyAndLate(0.02, 0.001, 3.0, 1.0),
    ],
)
@pytest.mark.parametrize("ratio", [4.0, 30.0])
def test_a_bathtub_hazard_has_its_least_cost_found_among_all_ages(life, ratio):
    policy = stats.age_replacement(life, cost_planned=1.0, cost_failure=ratio)
    rate = rate_by_hand(life, ratio)
    # Where to look: Simpson's rule on a fine grid of ages of all sizes.
    ages = np.geomspace(1e-9, 2, 200_001) * life.late_scale
    lived = ages[0] + cumulative_simpson(life.survival(ages), x=ages, initial=0)
    start = ages[int(np.argmin((1 + (ratio - 1) * life.failed(ages)) / lived))]
    best = minimize_scalar(
        rate, bounds=(start / 1.01, start * 1.01), method="bounded", options={"xatol": 1e-7 * start}
    )
    assert policy.cost_rate == pytest.approx(best.fun, rel=1e-8)
    assert policy.age == pytest.approx(best.x, rel=1e-4)  # a search by values alone is that blunt
    assert policy.run_to_failure_cost_rate == pytest.approx(ratio / life.mean)
    for age in policy.flat_range:
        assert np.isinf(age) or rate(age) == pytest.approx(1.05 * policy.cost_rate, rel=1e-6)


def test_a_hazard_that_rises_and_falls_again_may_be_best_left_alone():
    # A few parts wear out around age 1; those that do not last a hundred times longer.
    life = EarlyAndLate(0.7, 100.0, 6.0, 1.0)
    policy = stats.age_replacement(life, cost_planned=1.0, cost_failure=10.0)
    assert policy.age is None
    assert "rises and falls again" in policy.reason
    rates = [rate_by_hand(life, 10.0)(age) for age in (0.3, 0.45, 0.6, 0.8, 1.2)]
    assert rates[0] > rates[2] < rates[4]  # there is a least cost near 0.6
    assert min(rates) > policy.cost_rate == pytest.approx(10.0 / life.mean)


def test_parts_that_may_never_fail_are_run_to_failure():
    life = SomeNeverFail(0.4, 3.0, 100.0)
    policy = stats.age_replacement(life, cost_planned=1.0, cost_failure=50.0)
    assert policy.age is None
    assert "never fail" in policy.reason
    assert policy.run_to_failure_cost_rate == 0
    # Discounted, the far future of the parts that last counts little, and wear-out may pay.
    discounted = stats.age_replacement(
        life, cost_planned=1.0, cost_failure=50.0, discount_rate=0.02
    )
    rate = rate_by_hand(life, 50.0, 0.02)
    ages = np.linspace(5, 200, 40)
    assert discounted.cost_rate <= min(rate(age) for age in ages) * (1 + 1e-9)
    assert discounted.cost_rate == pytest.approx(rate(discounted.age), rel=1e-9)


@pytest.mark.parametrize("discount", [1e-4, 0.3, 3.0])
@pytest.mark.parametrize(("shape", "ratio"), [(1.5, 20.0), (3.0, 5.0)])
def test_discounted_costs_by_direct_integration(discount, shape, ratio):
    life = stats.Weibull(shape, 1.0)
    policy = stats.age_replacement(
        life, cost_planned=1.0, cost_failure=ratio, discount_rate=discount
    )
    rate = rate_by_hand(life, ratio, discount)
    assert policy.run_to_failure_cost_rate == pytest.approx(rate(40.0), rel=1e-8)
    if policy.age is None:
        assert min(rate(age) for age in np.linspace(0.05, 4, 60)) >= policy.cost_rate * (1 - 1e-9)
        return
    found = minimize_scalar(rate, bounds=(policy.age / 2, policy.age * 2), method="bounded")
    assert policy.cost_rate == pytest.approx(found.fun, rel=1e-8)


def test_discounting_little_changes_little_and_more_waits_longer():
    ages = [
        stats.age_replacement(
            LIFE, cost_planned=300, cost_failure=1500, discount_rate=rate / 100_000
        ).age
        for rate in (0, 1e-9, 0.2, 0.5)
    ]
    assert ages[1] == pytest.approx(ages[0], rel=1e-6)
    assert ages[0] < ages[2] < ages[3]


@settings(max_examples=10)
@given(st.floats(1.3, 6.0), st.floats(2.5, 200.0))
def test_dearer_failures_bring_renewal_forward_and_save_more(shape, ratio):
    life = stats.Weibull(shape, 50.0)
    one, two = (
        stats.age_replacement(life, cost_planned=1, cost_failure=cost)
        for cost in (ratio, 1.5 * ratio)
    )
    if one.age is not None:
        assert two.age < one.age
        assert two.saving > one.saving
        block = stats.block_replacement(life, cost_planned=1, cost_failure=ratio)
        # Renewing parts however new they are never costs less than by age.
        assert block.cost_rate >= one.cost_rate * (1 - 1e-6)


@pytest.mark.parametrize("factor", [0.001, 1000.0])
def test_blocks_change_with_their_unit_and_nothing_else(factor):
    one = stats.block_replacement(LIFE, cost_planned=300, cost_failure=1500)
    other = stats.block_replacement(
        stats.Weibull(2.5, 100_000 * factor), cost_planned=300, cost_failure=1500
    )
    assert other.age == pytest.approx(one.age * factor, rel=1e-9)
    assert other.saving == pytest.approx(one.saving, rel=1e-9)
    assert_allclose(other.flat_range, np.multiply(one.flat_range, factor), rtol=1e-9)


def test_blocks_cost_what_they_say():
    policy = stats.block_replacement(LIFE, cost_planned=300, cost_failure=1500)
    for age, factor in (
        (policy.age, 1.0),
        (policy.flat_range[0], 1.05),
        (policy.flat_range[1], 1.05),
    ):
        renewals = stats.renewal_function(LIFE, age).renewals[-1]
        assert (300 + 1500 * renewals) / age == pytest.approx(factor * policy.cost_rate, rel=2e-4)
    assert policy.curve["cost_rate"].min() >= policy.cost_rate * (1 - 1e-5)


@pytest.mark.parametrize(
    ("life", "costs", "says"),
    [
        (stats.Exponential(10.0), (1, 5), "does not rise"),
        (stats.Weibull(0.7, 10.0), (1, 5), "does not rise"),
        (stats.Weibull(3.0, 10.0), (5, 5), "costs no less than a failure"),
        (stats.Weibull(1.3, 10.0), (1, 2), "at every interval"),
        (SomeNeverFail(0.4, 3.0, 100.0), (1, 5), "never fail"),
    ],
)
def test_where_no_block_beats_running_to_failure_the_reason_is_given(life, costs, says):
    policy = stats.block_replacement(life, cost_planned=costs[0], cost_failure=costs[1])
    assert policy.age is None
    assert says in policy.reason
    assert policy.saving == 0
    assert policy.cost_rate == policy.run_to_failure_cost_rate


def test_a_fit_carries_its_uncertainty_to_blocks():
    policy = stats.block_replacement(fit(25), cost_planned=1, cost_failure=6)
    assert policy.age_interval[0] < policy.age < policy.age_interval[1]
    assert policy.saving_interval[0] < policy.saving < policy.saving_interval[1]
    drawn = fit(25).draws(4, seed=2)
    singles = sorted(
        stats.block_replacement(
            stats.Weibull(float(a), float(b)), cost_planned=1, cost_failure=6
        ).age
        for a, b in zip(drawn.shape, drawn.scale, strict=True)
    )
    four = stats.block_replacement(fit(25), cost_planned=1, cost_failure=6, draws=4, seed=2)
    assert_allclose(four.age_interval, (singles[0], singles[-1]), rtol=1e-2)


def test_draws_that_disagree_are_called_too_thin_to_say():
    doubtful = stats.fit_life([12, 30, 41, 77, 95, 160], [True] * 6)
    for policy in (
        stats.age_replacement(doubtful, cost_planned=1, cost_failure=5),
        stats.block_replacement(doubtful, cost_planned=1, cost_failure=5),
    ):
        assert 0.025 < policy.no_optimum_share < 0.975
        assert "too thin to say" in policy.caution
        share = policy.no_optimum_share if policy.age is not None else 1 - policy.no_optimum_share
        assert f"{share:.0%}" in policy.caution
    assert stats.age_replacement(fit(3000), cost_planned=1, cost_failure=5).caution is None
    assert stats.age_replacement(LIFE, cost_planned=1, cost_failure=5).caution is None


@pytest.mark.parametrize("rate", [-0.1, np.nan, np.inf])
def test_impossible_discounts_are_refused(rate):
    with pytest.raises(ValueError, match="discount_rate"):
        stats.age_replacement(LIFE, cost_planned=1, cost_failure=5, discount_rate=rate)


@pytest.mark.parametrize(
    ("last", "steps", "says"), [(0, 10, "last"), (np.inf, 10, "last"), (1, 7, "even")]
)
def test_impossible_renewal_grids_are_refused(last, steps, says):
    with pytest.raises(ValueError, match=says):
        stats.renewal_function(LIFE, last, steps=steps)


@pytest.mark.parametrize("policy", [stats.age_replacement, stats.block_replacement])
def test_impossible_levels_are_refused(policy):
    with pytest.raises(ValueError, match="confidence level"):
        policy(fit(20), cost_planned=1, cost_failure=5, level=95)


@pytest.mark.parametrize(
    "life",
    [
        stats.Lognormal(mu=4.0, sigma=0.5),
        stats.Loglogistic(shape=3.0, scale=50.0),
        stats.Gamma(shape=3.0, scale=20.0),
        stats.ThresholdWeibull(shape=1.8, scale=60.0, threshold=20.0),
        stats.WeibullMixture(share=0.1, shape=0.8, scale=5.0, late_shape=4.0, late_scale=60.0),
    ],
)
@pytest.mark.parametrize("discount", [0.0, 0.01])
def test_every_life_model_has_its_least_cost_found(life, discount):
    policy = stats.age_replacement(life, cost_planned=1.0, cost_failure=8.0, discount_rate=discount)
    rate = rate_by_hand(life, 8.0, discount)
    best = minimize_scalar(rate, bounds=(policy.age / 2, policy.age * 2), method="bounded")
    assert policy.cost_rate == pytest.approx(best.fun, rel=1e-8)
    assert policy.age == pytest.approx(best.x, rel=1e-3)  # a search by values alone is that blunt
    assert all(rate(age) >= policy.cost_rate for age in np.geomspace(1.0, 1e4, 30))
    block = stats.block_replacement(life, cost_planned=1.0, cost_failure=8.0)
    if not discount:
        assert block.cost_rate >= policy.cost_rate
        assert block.age == pytest.approx(policy.age, rel=0.15)


def test_a_hazard_that_rises_and_falls_may_not_pay():
    # The hazard of a wide lognormal falls over most of its life.
    policy = stats.age_replacement(stats.Lognormal(0.0, 1.8), cost_planned=1, cost_failure=3)
    assert policy.age is None
    assert policy.reason.endswith("run to failure")
    endless = stats.age_replacement(stats.Loglogistic(0.8, 50.0), cost_planned=1, cost_failure=3)
    assert "mean age at failure is infinite" in endless.reason
    assert endless.run_to_failure_cost_rate == 0


def test_a_mixture_and_a_life_without_closed_forms_agree():
    ours = stats.age_replacement(
        EarlyAndLate(0.3, 100.0, 6.0, 900.0), cost_planned=1, cost_failure=9
    )
    mixture = stats.WeibullMixture(0.3, 0.7, 100.0, 6.0, 900.0)
    theirs = stats.age_replacement(mixture, cost_planned=1, cost_failure=9)
    assert ours.age == pytest.approx(theirs.age, rel=1e-7)
    assert ours.cost_rate == pytest.approx(theirs.cost_rate, rel=1e-9)


def test_a_fit_with_parts_that_never_fail_is_run_to_failure_in_every_draw():
    rng = np.random.default_rng(41)
    failed = np.where(rng.random(500) < 0.4, 100 * rng.weibull(3.0, 500), 1e9)
    part = stats.fit_life(np.minimum(failed, 250.0), failed < 250, model="weibull-susceptible")
    for policy in (stats.age_replacement, stats.block_replacement):
        found = policy(part, cost_planned=1, cost_failure=50, draws=50)
        assert found.age is None
        assert (found.no_optimum_share, found.draws, found.caution) == (1.0, 50, None)


def test_discounted_blocks_cost_what_they_say():
    """Against made histories: failures and planned renewals, each paid at its own age."""
    rate, best = (
        2e-5,
        stats.block_replacement(LIFE, cost_planned=300, cost_failure=1500, discount_rate=2e-5),
    )
    rng = np.random.default_rng(5)
    blocks, histories = int(20 / (rate * best.age)) + 1, 3000
    paid = np.zeros(histories)
    for block in range(blocks):
        age = LIFE.quantile(rng.random(histories))
        while (inside := age < best.age).any():
            paid += np.where(inside, 1500 * np.exp(-rate * (block * best.age + age)), 0.0)
            age = age + np.where(inside, LIFE.quantile(rng.random(histories)), 0.0)
        paid += 300 * np.exp(-rate * (block + 1) * best.age)
    level_payment = rate * paid
    error = level_payment.std() / np.sqrt(histories)
    assert abs(level_payment.mean() - best.cost_rate) < 4 * error
    assert error < 0.02 * best.cost_rate


def test_little_discounting_is_none():
    plain = stats.block_replacement(LIFE, cost_planned=300, cost_failure=1500)
    little = stats.block_replacement(LIFE, cost_planned=300, cost_failure=1500, discount_rate=1e-11)
    assert little.age == pytest.approx(plain.age, rel=1e-3)
    assert little.cost_rate == pytest.approx(plain.cost_rate, rel=1e-4)
    assert little.run_to_failure_cost_rate == pytest.approx(
        plain.run_to_failure_cost_rate, rel=1e-4
    )


def test_discounting_puts_a_block_off():
    ages = [
        stats.block_replacement(LIFE, cost_planned=300, cost_failure=1500, discount_rate=rate).age
        for rate in (0.0, 1e-6, 5e-6)
    ]
    assert ages == sorted(ages)
    assert ages[0] < ages[-1]
