"""Distance of a model from its lives, and the points and line of a probability plot."""

import numpy as np
import pytest
import scipy.stats as outside
from numpy.testing import assert_allclose
from scipy.integrate import quad

from fleetlog import stats
from fleetlog.errors import InvalidLives, NoInteriorMaximum

LINEAR = ["weibull", "exponential", "lognormal", "loglogistic", "gamma"]


def weibull_lives(size=60, seed=3):
    rng = np.random.default_rng(seed)
    return {"exit": 100 * rng.weibull(2.0, size), "event": np.ones(size, dtype=bool)}


def watched_late(size=70, seed=4):
    """Censored lives of which none was watched before age 6, and some much later."""
    rng = np.random.default_rng(seed)
    life, seen = 100 * rng.weibull(2.0, size), rng.uniform(30, 200, size)
    entry = np.where(rng.random(size) < 0.5, 6.0, rng.uniform(6, 50, size))
    end = np.minimum(life, seen)
    kept = entry < end
    return {"exit": end[kept], "event": (life <= seen)[kept], "entry": entry[kept]}


def statistic(lives, model="weibull"):
    return stats.anderson_darling(**lives, model=model, draws=1).statistic


@pytest.mark.parametrize(
    ("model", "peer", "change"),
    [("weibull", "gumbel_l", np.log), ("exponential", "expon", np.asarray)],
)
def test_without_censoring_it_is_the_statistic_and_p_value_of_scipy(model, peer, change):
    # SciPy's p values come from Stephens' tables (D'Agostino and Stephens 1986, chapter 4).
    lives = {
        "weibull": {"exit": np.random.default_rng(8).lognormal(3, 0.6, 60), "event": [True] * 60},
        "exponential": {
            "exit": 50 * np.random.default_rng(8).weibull(1.25, 60),
            "event": [True] * 60,
        },
    }[model]
    theirs = outside.anderson(change(lives["exit"]), peer, method="interpolate")
    ours = stats.anderson_darling(**lives, model=model, draws=499, seed=1)
    assert ours.statistic == pytest.approx(theirs.statistic, rel=1e-9)
    assert 0.01 < theirs.pvalue < 0.15  # the ends of the tables
    # Four standard errors of a share in 499 draws.
    assert ours.p_value == pytest.approx(theirs.pvalue, abs=4 * np.sqrt(theirs.pvalue / 499))
    assert ours.refused == 0


def test_lives_stopped_at_the_rth_failure_have_the_statistic_of_pettitt_and_stephens():
    # Pettitt and Stephens 1976, for the first r of n failures; the formula is from memory.
    ages = np.sort(weibull_lives(40)["exit"])
    n, r = ages.size, 25
    lives = {"exit": np.minimum(ages, ages[r - 1]), "event": np.arange(n) < r}
    fit = stats.fit_life(**lives)
    z, i = fit.failed(ages[:r]), np.arange(1, r + 1)
    expected = (
        -np.sum((2 * i - 1) * (np.log(z) - np.log(1 - z))) / n
        - 2 * np.sum(np.log(1 - z))
        - ((r - n) ** 2 * np.log(1 - z[-1]) - r**2 * np.log(z[-1]) + n**2 * z[-1]) / n
    )
    assert statistic(lives) == pytest.approx(expected, rel=1e-10)


@pytest.mark.parametrize("model", LINEAR)
def test_with_late_entry_it_is_the_integral_that_defines_it(model):
    lives = watched_late()
    fit = stats.fit_life(**lives, model=model)
    curve = stats.kaplan_meier(**lives).table
    first, last = lives["entry"].min(), lives["exit"].max()
    left = float(fit.survival(first))

    def given(age):
        return 1 - fit.survival(age) / left

    knots = np.concatenate([[first], curve.filter(curve["events"] > 0)["time"], [last]])
    steps = np.concatenate([[0.0], 1 - curve.filter(curve["events"] > 0)["estimate"].to_numpy()])
    total = 0.0
    for low, high, level in zip(given(knots[:-1]), given(knots[1:]), steps, strict=True):
        total += quad(lambda u, g=level: (g - u) ** 2 / (u * (1 - u)), low, high, epsabs=1e-13)[0]
    assert statistic(lives, model) == pytest.approx(lives["exit"].size * total, rel=1e-8)


def test_right_models_pass_and_wrong_ones_fail():
    lives = watched_late(200)
    right = stats.anderson_darling(**lives, draws=199)
    wrong = stats.anderson_darling(**lives, model="exponential", draws=199)
    assert right.p_value > 0.1
    assert wrong.p_value == pytest.approx(1 / 200)
    assert right.fit.parameters == pytest.approx(stats.fit_life(**lives).parameters)


def test_samples_repeat_with_their_seed():
    lives = weibull_lives(30)
    one, two, other = (stats.anderson_darling(**lives, draws=99, seed=s) for s in (1, 1, 2))
    assert one.p_value == two.p_value
    assert one.p_value != other.p_value
    assert one.statistic == other.statistic


def test_alike_lives_may_be_weighted():
    lives = watched_late(30)
    weight = np.arange(lives["exit"].size) % 3 + 1
    copies = {name: np.repeat(column, weight) for name, column in lives.items()}
    one = stats.anderson_darling(**lives, weight=weight, draws=20)
    two = stats.anderson_darling(**copies, draws=20)
    assert one.statistic == pytest.approx(two.statistic, rel=1e-9)
    assert one.p_value == two.p_value


def test_samples_that_cannot_be_fitted_are_counted():
    # Two failures in forty: many samples have one or none.
    lives = {"exit": [30, 40] + [45] * 38, "event": [True, True] + [False] * 38}
    found = stats.anderson_darling(**lives, draws=200)
    assert 20 < found.refused < 180
    assert 0 < found.p_value <= 1


@pytest.mark.slow
@pytest.mark.parametrize("late", [False, True])
def test_p_values_of_the_right_model_are_even(late):
    # Under the model p values are even on (0, 1): with 400 samples four standard errors of the
    # share below 0.1 are 0.06, and below 0.5, 0.1.
    values = []
    for seed in range(400):
        lives = watched_late(40, seed) if late else weibull_lives(40, seed)
        values.append(stats.anderson_darling(**lives, draws=49, seed=seed).p_value)
    values = np.array(values)
    assert np.mean(values <= 0.1) == pytest.approx(0.1, abs=0.06)
    assert np.mean(values <= 0.5) == pytest.approx(0.5, abs=0.1)


@pytest.mark.parametrize(
    ("spoiled", "says"),
    [
        ({"exit": [3.0, np.nan, 5.0]}, "no exit"),
        ({"weight": [1, 0.5, 2]}, "no whole number of lives"),
        ({"weight": [1, 2]}, "weight has 2 values"),
        ({"event": [True, False]}, "has 2 values for 3 rows"),
        ({"entry": [0, 4, 0]}, "entry >= exit"),
        ({"event": [1, 0, 1]}, "one true or false"),
    ],
)
def test_unusable_lives_are_refused(spoiled, says):
    given = {"exit": [3.0, 4.0, 5.0], "event": [True, True, False]} | spoiled
    with pytest.raises(InvalidLives, match=says):
        stats.anderson_darling(**given)


def test_other_refusals():
    with pytest.raises(ValueError, match="draws is 0"):
        stats.anderson_darling([1, 2, 3], [True] * 3, draws=0)
    with pytest.raises(NoInteriorMaximum, match="one distinct age"):
        stats.anderson_darling([2, 2, 3], [True, True, False])
    with pytest.raises(ValueError, match="confidence level"):
        stats.probability_plot([1, 2, 3], [True] * 3, level=95)
    with pytest.raises(ValueError, match="pass one of weibull"):
        stats.probability_plot([1, 2, 3], [True] * 3, model="normal")


class TestPlot:
    def test_positions_of_complete_lives_are_midpoints(self):
        # (i - 1/2) / n: Meeker and Escobar 1998, section 6.4.
        plot = stats.probability_plot([20, 10, 40, 30], [True] * 4)
        assert plot.points["age"].to_list() == [10, 20, 30, 40]
        assert_allclose(plot.points["failed"], [0.125, 0.375, 0.625, 0.875])
        assert plot.left_out == 0

    def test_late_entry_takes_the_product_limit_and_the_fit_before_it(self):
        lives = watched_late()
        plot = stats.probability_plot(**lives)
        curve = stats.kaplan_meier(**lives).table
        curve = curve.filter(curve["events"] > 0)
        after = curve["estimate"].to_numpy()
        middle = (np.concatenate([[1.0], after[:-1]]) + after) / 2
        before = float(plot.fit.survival(lives["entry"].min()))
        assert before < 1
        assert_allclose(plot.points["failed"], 1 - before * middle, rtol=1e-12)
        assert plot.points["events"].sum() == lives["event"].sum()

    @pytest.mark.parametrize("model", LINEAR)
    def test_the_fit_is_straight_on_its_scales_and_limits_hold_it(self, model):
        lives = watched_late()
        plot = stats.probability_plot(**lives, model=model, level=0.9)
        assert plot.straight
        line = plot.line
        slope = np.diff(line["linear_failed"]) / np.diff(line["linear_age"])
        assert_allclose(slope, slope[0], rtol=1e-6)
        assert_allclose(line["failed"], plot.fit.failed(line["age"]), rtol=1e-9)
        assert (line["lower"] < line["age"]).all()
        assert (line["age"] < line["upper"]).all()
        middle = line.row(line.height // 2, named=True)
        limits = plot.fit.quantile_interval(middle["failed"], method="wald", level=0.9)
        assert (middle["lower"], middle["upper"]) == pytest.approx(limits)
        assert line["failed"].min() < plot.points["failed"].min()
        assert line["failed"].max() > plot.points["failed"].max()

    def test_points_of_the_model_lie_along_the_line(self):
        plot = stats.probability_plot(**weibull_lives(2000))
        gap = plot.points["linear_failed"] - np.interp(
            plot.points["linear_age"], plot.line["linear_age"], plot.line["linear_failed"]
        )
        # The log of the hazard at the 100th failure has a standard error of 0.1.
        assert np.abs(gap.to_numpy()[100:-50]).max() < 0.35

    def test_a_threshold_is_taken_off_and_kinds_are_a_curve(self):
        rng = np.random.default_rng(1)
        late = stats.probability_plot(
            30 + 90 * rng.weibull(1.6, 150), np.ones(150, dtype=bool), model="weibull-threshold"
        )
        slope = np.diff(late.line["linear_failed"]) / np.diff(late.line["linear_age"])
        assert late.straight
        assert_allclose(slope, slope[0], rtol=1e-6)
        able, seen = rng.random(300) < 0.4, rng.uniform(50, 400, 300)
        life = np.where(able, 60 * rng.weibull(2, 300), np.inf)
        some = stats.probability_plot(
            np.minimum(life, seen), life <= seen, model="weibull-susceptible"
        )
        assert not some.straight
        assert some.line["failed"].max() < some.fit.parameters["share"]
        assert some.line["upper"].is_finite().all()

    def test_failures_beyond_an_empty_risk_set_are_counted(self):
        # The only life watched at age 5 fails; the others come later.
        plot = stats.probability_plot([5, 20, 30, 40], [True] * 4, entry=[0, 10, 10, 10])
        assert plot.points["age"].to_list() == [5]
        assert plot.left_out == 3

    def test_weights_are_copies(self):
        one = stats.probability_plot([10, 20, 30], [True, True, False], weight=[2, 1, 3])
        two = stats.probability_plot(
            [10, 10, 20, 30, 30, 30], [True, True, True, False, False, False]
        )
        assert_allclose(one.points.to_numpy(), two.points.to_numpy())
        assert_allclose(one.line.to_numpy(), two.line.to_numpy(), rtol=1e-6)
