import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy.optimize import brentq

from fleetlog import stats

LIFE = stats.Weibull(2.0, 100.0)


def visits(life, interval, terms=50_000):
    """Mean number of inspections until a failure is found, one by one."""
    return 1.0 + life.survival(np.arange(1, terms) * interval).sum()


@pytest.mark.parametrize(
    ("inspection", "undetected", "mean"), [(1, 1, 10.0), (1, 10, 1000.0), (5, 0.01, 30.0)]
)
def test_the_interval_of_an_exponential_life(inspection, undetected, mean):
    # Barlow, Hunter and Proschan 1963; Barlow and Proschan 1965, section 4.3: the best interval T
    # solves exp(x) - x = 1 + (c_i / c_u) / mean for x = T / mean.
    x = brentq(lambda x: np.expm1(x) - x - inspection / undetected / mean, 1e-9, 50, xtol=1e-15)
    policy = stats.inspection_policy(
        stats.Exponential(mean), cost_inspection=inspection, cost_undetected_per_unit=undetected
    )
    assert policy.interval == pytest.approx(x * mean, rel=1e-6)
    least = (inspection + undetected * x * mean) / -np.expm1(-x) - undetected * mean
    assert policy.cost == pytest.approx(least, rel=1e-8)
    assert policy.inspections == pytest.approx(1 / -np.expm1(-x), rel=1e-6)
    assert policy.saving is None


@pytest.mark.parametrize("shape", [0.6, 1.0, 2.0, 4.0])
@pytest.mark.parametrize("renewal", [None, 3.0])
def test_every_interval_costs_what_is_added_up_one_by_one(shape, renewal):
    life = stats.Weibull(shape, 50.0)
    policy = stats.inspection_policy(
        life, cost_inspection=0.2, cost_undetected_per_unit=0.3, cost_renewal=renewal
    )

    def cost(interval):
        found = visits(life, interval)
        kept = interval * found
        total = 0.2 * found + 0.3 * (kept - life.mean)
        return total if renewal is None else (total + renewal) / kept

    assert policy.cost == pytest.approx(cost(policy.interval), rel=1e-7)
    for age, shown in policy.curve.select("interval", "cost").gather_every(40).rows():
        assert shown == pytest.approx(cost(age), rel=1e-7)
    nearby = policy.interval * np.geomspace(0.2, 5, 41)
    assert min(cost(age) for age in nearby) >= policy.cost * (1 - 1e-8)
    for end in policy.flat_range:
        assert np.isinf(end) or cost(end) == pytest.approx(1.05 * policy.cost, rel=1e-6)
    assert policy.undetected == pytest.approx(
        policy.interval * visits(life, policy.interval) - life.mean, rel=1e-5
    )


def test_wear_out_then_a_falling_hazard_has_its_sum_right_for_short_intervals():
    life = stats.Lognormal(mu=4.0, sigma=1.0)
    policy = stats.inspection_policy(life, cost_inspection=1e-4, cost_undetected_per_unit=1.0)
    found = visits(life, policy.interval, terms=400_000)
    assert policy.interval < 0.01 * life.mean
    assert policy.inspections == pytest.approx(found, rel=1e-8)


@settings(max_examples=6)
@given(st.floats(0.7, 4.0), st.floats(0.01, 20.0), st.floats(1e-3, 1e3))
def test_units_do_not_matter_and_dearer_inspections_are_fewer(shape, inspection, factor):
    def ask(life, cost_inspection, cost_undetected):
        return stats.inspection_policy(
            life, cost_inspection=cost_inspection, cost_undetected_per_unit=cost_undetected
        )

    one = ask(stats.Weibull(shape, 100.0), inspection, 0.5)
    other = ask(stats.Weibull(shape, 100.0 * factor), inspection, 0.5 / factor)
    assert other.interval == pytest.approx(one.interval * factor, rel=1e-5)
    assert other.cost == pytest.approx(one.cost, rel=1e-6)
    assert ask(stats.Weibull(shape, 100.0), 1.5 * inspection, 0.5).interval > one.interval


def test_where_renewal_costs_more_than_the_harm_no_inspection_pays():
    policy = stats.inspection_policy(
        LIFE, cost_inspection=1, cost_undetected_per_unit=0.3, cost_renewal=100
    )
    assert policy.interval is None
    assert "leaving failures undetected" in policy.reason
    assert policy.cost == 0.3
    assert policy.saving == 0
    assert policy.flat_range is None
    cheaper = stats.inspection_policy(
        LIFE, cost_inspection=1, cost_undetected_per_unit=0.3, cost_renewal=10
    )
    assert cheaper.saving == pytest.approx(1 - cheaper.cost / 0.3)
    assert 0 < cheaper.saving < 1


@pytest.mark.parametrize(
    "life", [stats.Loglogistic(0.9, 100.0), stats.SusceptibleWeibull(0.4, 3.0, 100.0)]
)
@pytest.mark.parametrize("renewal", [None, 2.0])
def test_parts_that_last_for_ever_on_average_have_no_best_interval(life, renewal):
    policy = stats.inspection_policy(
        life, cost_inspection=1, cost_undetected_per_unit=0.3, cost_renewal=renewal
    )
    assert policy.interval is None
    assert "mean age at failure is infinite" in policy.reason
    assert (policy.cost, policy.saving, policy.flat_range) == (None, None, None)
    assert policy.curve.height == 0


@pytest.mark.parametrize("shape", [0.7, 1.0, 2.5])
@pytest.mark.parametrize("renewal", [None, 3.0])
def test_discounted_costs_are_those_of_every_failure_one_by_one(shape, renewal):
    """Summed over where the failure falls, by quadrature between one inspection and the next."""
    life, rate = stats.Weibull(shape, 50.0), 0.004
    policy = stats.inspection_policy(
        life, cost_inspection=0.2, cost_undetected_per_unit=0.3, cost_renewal=renewal,
        discount_rate=rate,
    )  # fmt: skip

    def cost(interval):
        nodes, weights = np.polynomial.legendre.leggauss(60)
        # Failures by their cumulative hazard, so that no density is unbounded at age 0.
        ends = np.arange(0, 4000.0, interval)
        hazards = (ends / 50.0) ** shape
        half = np.diff(hazards)[:, None] / 2
        hazard = hazards[:-1, None] + half * (1 + nodes)
        age = 50.0 * hazard ** (1 / shape)
        chance = half * weights * np.exp(-hazard)
        number = np.arange(1, len(ends))[:, None]
        found = np.exp(-rate * interval * number)
        looked = np.exp(-rate * interval) * (1 - found) / (1 - np.exp(-rate * interval))
        harm = (np.exp(-rate * age) - found) / rate
        total = (chance * (0.2 * looked + 0.3 * harm)).sum()
        worth = (chance * found).sum()
        return total if renewal is None else rate * (total + renewal * worth) / (1 - worth)

    assert policy.cost == pytest.approx(cost(policy.interval), rel=2e-4)
    nearby = policy.interval * np.geomspace(0.2, 5, 21)
    assert min(cost(interval) for interval in nearby) >= policy.cost * (1 - 5e-4)
    assert 0 < policy.saving < 1


def test_little_discounting_is_as_none_and_inspections_are_then_worth_more():
    costs = {"cost_inspection": 1, "cost_undetected_per_unit": 0.3, "cost_renewal": 4}
    plain, little, much = (
        stats.inspection_policy(LIFE, **costs, discount_rate=rate) for rate in (0, 1e-7, 0.05)
    )
    assert little.interval == pytest.approx(plain.interval, rel=1e-4)
    assert little.cost == pytest.approx(plain.cost, rel=1e-4)
    assert much.interval > plain.interval
    assert much.discount_rate == 0.05
    # Held to their first inspections, parts that last for ever on average have a best interval.
    rare = stats.inspection_policy(
        stats.Loglogistic(0.9, 100.0), cost_inspection=1, cost_undetected_per_unit=0.3,
        discount_rate=0.002,
    )  # fmt: skip
    assert rare.interval > 0
    assert rare.inspections is None
    assert rare.curve["undetected_share"].null_count() == rare.curve.height
    assert rare.flat_range[0] < rare.interval < rare.flat_range[1]


def test_discounting_can_make_every_inspection_too_dear():
    policy = stats.inspection_policy(
        LIFE, cost_inspection=50, cost_undetected_per_unit=0.1, discount_rate=0.01
    )
    assert policy.interval is None
    assert "leaving failures undetected" in policy.reason
    # Never looking: the harm from the failure on for ever, discounted.
    ages = np.linspace(0, 4000, 400_001)
    lived = np.trapezoid(LIFE.survival(ages) * np.exp(-0.01 * ages), ages)
    assert policy.cost == pytest.approx(0.1 * (1 - 0.01 * lived) / 0.01, rel=1e-6)
    assert policy.saving == 0


def test_a_fit_carries_its_uncertainty():
    rng = np.random.default_rng(31)
    few, many = (stats.fit_life(100 * rng.weibull(2.0, size), [True] * size) for size in (12, 1000))
    costs = {"cost_inspection": 1, "cost_undetected_per_unit": 0.1, "cost_renewal": 4}
    wide, narrow = (stats.inspection_policy(fit, **costs, draws=200) for fit in (few, many))
    for policy in (wide, narrow):
        assert policy.interval_limits[0] <= policy.interval <= policy.interval_limits[1]
        assert policy.draws == 200
    assert np.subtract(*wide.interval_limits[::-1]) > np.subtract(*narrow.interval_limits[::-1])
    assert narrow.no_optimum_share == 0
    assert narrow.caution is None
    drawn = few.draws(3, seed=5)
    singles = sorted(
        stats.inspection_policy(stats.Weibull(float(a), float(b)), **costs).interval
        for a, b in zip(drawn.shape, drawn.scale, strict=True)
    )
    three = stats.inspection_policy(few, **costs, draws=3, seed=5)
    assert_allclose(three.interval_limits, (singles[0], singles[-1]), rtol=1e-4)


def test_draws_that_disagree_are_called_too_thin_to_say():
    thin = stats.fit_life([12.0, 30, 41, 77, 160], [True] * 5)
    policy = stats.inspection_policy(
        thin,
        cost_inspection=0.5,
        cost_undetected_per_unit=0.1,
        cost_renewal=0.1 * thin.life.mean * 0.7,
        draws=300,
    )
    assert 0.025 < policy.no_optimum_share < 0.975
    assert "too thin to say" in policy.caution


@pytest.mark.parametrize(
    "costs",
    [
        {"cost_inspection": 0},
        {"cost_inspection": np.inf},
        {"cost_undetected_per_unit": -1},
        {"cost_renewal": -1},
        {"cost_renewal": np.nan},
        {"discount_rate": -0.1},
    ],
)
def test_impossible_costs_are_refused(costs):
    with pytest.raises(ValueError, match=next(iter(costs))):
        stats.inspection_policy(
            LIFE, **{"cost_inspection": 1, "cost_undetected_per_unit": 1, **costs}
        )


@pytest.mark.slow
def test_costs_of_simulated_parts():
    rng = np.random.default_rng(32)
    policy = stats.inspection_policy(
        LIFE, cost_inspection=1, cost_undetected_per_unit=0.3, cost_renewal=10
    )
    failed = 100 * rng.weibull(2.0, 400_000)
    seen = np.ceil(failed / policy.interval)
    ended = seen * policy.interval
    cost = seen + 0.3 * (ended - failed) + 10
    assert cost.sum() / ended.sum() == pytest.approx(policy.cost, rel=0.005)
