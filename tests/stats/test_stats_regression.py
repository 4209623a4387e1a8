"""Life regression: what it must keep under change of units, order and layout, and what it refuses."""

from decimal import Decimal, localcontext

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy import stats as reference

from fleetlog import stats
from fleetlog.errors import InvalidLives, NoInteriorMaximum
from fleetlog.stats._standard import Normal, SmallestExtreme

MODELS = ["weibull", "lognormal"]
FEW = settings(max_examples=5)
SEEDS = st.integers(0, 10_000)
DUTIES = np.array(["city", "haul", "mixed"])


def fleet(seed, *, n=80, model="weibull", shape=2.0, inspected=False):
    """Made lives: late entry, right censoring, two covariates, some failures between inspections."""
    rng = np.random.default_rng(seed)
    duty = DUTIES[rng.permutation(np.arange(n) % 3)]
    load = rng.normal(20.0, 4.0, n)
    error = rng.weibull(1.0, n) ** (1 / shape)
    if model == "lognormal":
        error = np.exp(rng.normal(0.0, 1 / shape, n))
    age = 100 * np.exp(0.4 * (duty == "haul") - 0.03 * (load - 20)) * error
    entry = rng.uniform(-40, 40, n).clip(0)
    age = np.where(age <= entry, entry + age, age)
    seen = entry + rng.uniform(30, 200, n)
    lives = {"exit": np.minimum(age, seen), "event": age <= seen, "entry": entry}
    if inspected:
        between = lives["event"] & (rng.uniform(size=n) < 0.5)
        last = np.maximum(np.floor(age / 15) * 15, entry)
        lives["lower"] = np.where(between, last, np.nan)
        lives["exit"] = np.where(between, np.ceil(age / 15) * 15, lives["exit"])
    return lives | {"covariates": pl.DataFrame({"duty": duty, "load": load})}


def rows_of(lives, rows):
    return {
        name: values[rows] if isinstance(values, np.ndarray | pl.DataFrame) else values
        for name, values in lives.items()
    }


def check_same(one, other, *, rtol=1e-7):
    assert_allclose(one.coefficients, other.coefficients, rtol=rtol, atol=rtol)
    assert_allclose(one.covariance, other.covariance, rtol=10 * rtol, atol=rtol * 1e-3)
    assert one.sigma == pytest.approx(other.sigma, rel=rtol)
    assert one.log_likelihood == pytest.approx(other.log_likelihood, rel=1e-9)


def log_likelihood(lives, x, model, point):
    """Written out with scipy's distributions, one term per kind of life."""
    location, sigma = x @ point[:-1], np.exp(point[-1])
    if model == "weibull":
        life = reference.weibull_min(1 / sigma, scale=np.exp(location))
    else:
        life = reference.lognorm(sigma, scale=np.exp(location))
    lower = np.where(np.isnan(lives["lower"]), lives["exit"], lives["lower"])
    between = lower < lives["exit"]
    ends = np.where(
        between,
        np.log(np.where(between, life.cdf(lives["exit"]) - life.cdf(lower), 1.0)),
        np.where(lives["event"], life.logpdf(lives["exit"]), life.logsf(lives["exit"])),
    )
    return float(np.sum(lives["weight"] * (ends - life.logsf(lives["entry"]))))


@pytest.mark.parametrize("model", MODELS)
def test_the_fit_is_at_the_maximum_of_the_likelihood_written_out_by_scipy(model):
    lives = fleet(5, n=200, inspected=True, model=model)
    lives["weight"] = 1.0 + np.arange(200) % 3
    fit = stats.fit_life_regression(**lives, model=model)
    frame = lives["covariates"]
    x = np.column_stack(
        [np.ones(200), frame["duty"] == "haul", frame["duty"] == "mixed", frame["load"]]
    )
    point = np.append(fit.coefficients, np.log(fit.sigma))
    assert fit.log_likelihood == pytest.approx(log_likelihood(lives, x, model, point), rel=1e-10)
    # Central differences in units of the standard errors.
    step = 1e-3 * np.diag(np.sqrt(np.diag(fit.covariance)))

    def at(move):
        return log_likelihood(lives, x, model, point + move)

    slope = [(at(one) - at(-one)) / 2e-3 for one in step]
    assert_allclose(slope, 0, atol=1e-5)
    information = -np.array(
        [[(at(a + b) - at(a - b) - at(b - a) + at(-a - b)) / 4e-6 for a in step] for b in step]
    )
    scale = np.sqrt(np.diag(fit.covariance))
    assert_allclose(
        np.linalg.inv(information), fit.covariance / np.outer(scale, scale), rtol=1e-3, atol=1e-4
    )


# What must not change


@pytest.mark.parametrize("model", MODELS)
@FEW
@given(seed=SEEDS, factor=st.floats(1e-4, 1e5))
def test_a_change_of_the_unit_of_time_moves_the_intercept_only(model, seed, factor):
    lives = fleet(seed, inspected=True)
    fit = stats.fit_life_regression(**lives, model=model)
    scaled = {
        name: values if name in {"event", "covariates"} else values * factor
        for name, values in lives.items()
    }
    other = stats.fit_life_regression(**scaled, model=model)
    moved = np.zeros(fit.coefficients.size)
    moved[0] = np.log(factor)
    assert_allclose(other.coefficients, fit.coefficients + moved, rtol=1e-6, atol=1e-7)
    assert_allclose(other.covariance, fit.covariance, rtol=1e-5, atol=1e-9)
    assert other.sigma == pytest.approx(fit.sigma, rel=1e-6)


@pytest.mark.parametrize("model", MODELS)
@FEW
@given(seed=SEEDS)
def test_the_order_of_rows_does_not_matter(model, seed):
    lives = fleet(seed, inspected=True) | {"cluster": np.arange(80) % 25}
    shuffled = rows_of(lives, np.random.default_rng(seed).permutation(80))
    check_same(
        stats.fit_life_regression(**lives, model=model),
        stats.fit_life_regression(**shuffled, model=model),
    )


@pytest.mark.parametrize("cluster", [False, True])
@pytest.mark.parametrize("model", MODELS)
@FEW
@given(seed=SEEDS)
def test_a_weight_of_3_is_the_row_three_times(model, cluster, seed):
    lives = fleet(seed, inspected=True)
    if cluster:
        lives["cluster"] = np.arange(80) % 25
    copies = 1 + np.arange(80) % 3
    weighted = stats.fit_life_regression(**lives, weight=copies, model=model)
    repeated = stats.fit_life_regression(
        **rows_of(lives, np.repeat(np.arange(80), copies)), model=model
    )
    check_same(weighted, repeated)
    assert (weighted.n, weighted.events) == (repeated.n, repeated.events)
    assert weighted.aicc == pytest.approx(repeated.aicc, rel=1e-9)


@pytest.mark.parametrize("model", MODELS)
@FEW
@given(seed=SEEDS)
def test_entry_at_0_and_no_interval_are_the_defaults(model, seed):
    lives = fleet(seed) | {"entry": None}
    bare = stats.fit_life_regression(**lives, model=model)
    given_out = lives | {"entry": np.zeros(80), "lower": np.full(80, np.nan)}
    check_same(bare, stats.fit_life_regression(**given_out, model=model), rtol=1e-12)
    check_same(
        bare, stats.fit_life_regression(**lives, lower=lives["exit"], model=model), rtol=1e-12
    )


@pytest.mark.parametrize("cluster", [False, True])
@pytest.mark.parametrize("model", MODELS)
@FEW
@given(seed=SEEDS, share=st.floats(0.05, 0.95))
def test_a_life_cut_in_two_says_the_same(model, cluster, seed, share):
    lives = fleet(seed)
    if cluster:
        lives["cluster"] = np.arange(80) % 25
    cut = lives["entry"] + share * (lives["exit"] - lives["entry"])
    early = lives | {"exit": cut, "event": np.zeros(80, dtype=bool)}
    late = lives | {"entry": cut}
    both = {
        name: np.concatenate([early[name], late[name]]) for name in lives if name != "covariates"
    }
    both["covariates"] = pl.concat([lives["covariates"]] * 2)
    check_same(
        stats.fit_life_regression(**lives, model=model),
        stats.fit_life_regression(**both, model=model),
    )


@pytest.mark.parametrize("model", MODELS)
@FEW
@given(seed=SEEDS, shift=st.floats(-1e5, 1e5), factor=st.floats(1e-4, 1e4))
def test_predictions_do_not_depend_on_the_unit_of_a_covariate(model, seed, shift, factor):
    lives = fleet(seed)
    frame = lives["covariates"]
    fit = stats.fit_life_regression(**lives, model=model)
    moved = frame.with_columns(pl.col("load") * factor + shift)
    other = stats.fit_life_regression(**(lives | {"covariates": moved}), model=model)
    # The caller's own numbers have lost digits where the shift is large beside the spread.
    lost = 1e-14 * (abs(shift) / factor + 1)
    assert other.coefficients[-1] * factor == pytest.approx(
        fit.coefficients[-1], rel=1e-6, abs=1e-7 + lost
    )
    ours, theirs = fit.predict_quantile(0.1, frame), other.predict_quantile(0.1, moved)
    for column in ("quantile", "lower", "upper"):
        assert_allclose(theirs[column], ours[column], rtol=1e-6 + 100 * lost)


@pytest.mark.parametrize("model", MODELS)
@FEW
@given(seed=SEEDS)
def test_predictions_do_not_depend_on_the_names_of_levels(model, seed):
    lives = fleet(seed)
    frame = lives["covariates"]
    fit = stats.fit_life_regression(**lives, model=model)
    names = pl.Series("duty", ["z", "y", "x"])[np.searchsorted(DUTIES, frame["duty"])]
    renamed = frame.with_columns(names)
    other = stats.fit_life_regression(**(lives | {"covariates": renamed}), model=model)
    assert (fit.reference, other.reference) == ({"duty": "city"}, {"duty": "x"})
    for column in ("estimate", "lower", "upper"):
        assert_allclose(
            other.survival([20, 90], renamed)[column],
            fit.survival([20, 90], frame)[column],
            rtol=1e-6,
        )
    assert other.wald_test("duty").statistic == pytest.approx(fit.wald_test("duty").statistic)


@pytest.mark.parametrize("model", MODELS)
def test_a_fleet_copied_four_times_halves_the_clustered_errors(model):
    lives = fleet(3) | {"cluster": np.arange(80) % 25}
    copied = rows_of(lives, np.tile(np.arange(80), 4))
    copied["cluster"] = np.arange(320) // 80 * 25 + np.tile(lives["cluster"], 4)
    one = stats.fit_life_regression(**lives, model=model)
    four = stats.fit_life_regression(**copied, model=model)
    assert_allclose(four.table["std_err"], one.table["std_err"] / 2, rtol=1e-7)
    assert (one.clusters, four.clusters) == (25, 100)
    # And copies in the same cluster say nothing new.
    same = stats.fit_life_regression(
        **(copied | {"cluster": np.tile(lives["cluster"], 4)}), model=model
    )
    assert_allclose(same.table["std_err"], one.table["std_err"], rtol=1e-7)


@pytest.mark.parametrize("width", [1e-3, 1e-6, 1e-9])
@pytest.mark.parametrize("model", MODELS)
def test_a_short_interval_is_a_known_age(model, width):
    lives = fleet(11)
    exact = stats.fit_life_regression(**lives, model=model)
    half = np.where(lives["event"], lives["exit"] * width / 2, 0.0)
    short = stats.fit_life_regression(
        **(lives | {"exit": lives["exit"] + half}), lower=lives["exit"] - half, model=model
    )
    close = 10 * width + 1e-7
    assert_allclose(short.coefficients, exact.coefficients, rtol=close, atol=close)
    assert_allclose(short.covariance, exact.covariance, rtol=10 * close, atol=close * 1e-3)


@pytest.mark.parametrize(
    "change", [lambda frame: frame, lambda frame: frame.to_dict(as_series=False), dict]
)
def test_covariates_come_as_frame_lists_or_arrays(change):
    lives = fleet(2)
    frame = lives["covariates"].with_columns(
        axles=pl.Series(np.arange(80) % 4), tarped=pl.Series(np.arange(80) % 5 == 0)
    )
    expected = stats.fit_life_regression(**(lives | {"covariates": frame}))
    given_as = change(frame.to_dict() if change is dict else frame)
    fit = stats.fit_life_regression(
        lives["exit"].tolist(),
        pl.Series(lives["event"]),
        given_as,
        entry=pl.Series(lives["entry"]),
        weight=[1] * 80,
    )
    check_same(fit, expected, rtol=1e-12)
    assert fit.reference == {"duty": "city", "tarped": "false"}
    assert fit.table["level"].to_list() == [None, "haul", "mixed", None, None, "true"]


def test_the_first_of_an_enum_is_the_reference():
    lives = fleet(2)
    frame = lives["covariates"].with_columns(pl.col("duty").cast(pl.Enum(["none", *DUTIES[::-1]])))
    fit = stats.fit_life_regression(**(lives | {"covariates": frame}))
    assert fit.reference == {"duty": "mixed"}
    assert fit.table["level"].to_list() == [None, "haul", "city", None]


# What the answers say


def test_life_ratios_are_the_exponentials_of_coefficients():
    table = stats.fit_life_regression(**fleet(4)).table
    assert table["life_ratio"][0] is None
    effects = table[1:]
    assert_allclose(effects["life_ratio"], np.exp(effects["coefficient"]))
    assert_allclose(effects["life_ratio_lower"], np.exp(effects["lower"]))
    assert_allclose(effects["life_ratio_upper"], np.exp(effects["upper"]))
    assert_allclose(table["p_value"], 2 * reference.norm.sf(np.abs(table["z"])))
    inside = table["p_value"] > 0.05
    assert inside.to_list() == (table["lower"] * table["upper"] < 0).to_list()


def test_wider_levels_are_wider():
    fit = stats.fit_life_regression(**fleet(4))
    assert fit.coefficient_table(level=0.95).equals(fit.table)
    wide = fit.coefficient_table(level=0.99)
    ratio = (wide["upper"] - wide["lower"]) / (fit.table["upper"] - fit.table["lower"])
    assert_allclose(ratio, reference.norm.ppf(0.995) / reference.norm.ppf(0.975))
    lower, upper = fit.shape_interval()
    assert lower < fit.shape < upper
    assert (1 / upper, 1 / lower) == pytest.approx(fit.sigma_interval())


@pytest.mark.parametrize("model", MODELS)
def test_a_life_of_a_row_agrees_with_the_predictions(model):
    fit = stats.fit_life_regression(**fleet(4), model=model)
    asked = {"duty": "haul", "load": 25}
    life = fit.life(asked)
    table = fit.predict_quantile([0.1, 0.5], asked)
    assert_allclose(life.quantile([0.1, 0.5]), table["quantile"])
    surviving = fit.survival([0, 50, 150], asked)
    assert_allclose(life.survival([0, 50, 150]), surviving["estimate"])
    assert surviving.row(0) == (0, 0.0, 1.0, 1.0, 1.0)
    assert (surviving["lower"][1:] < surviving["estimate"][1:]).all()
    assert (surviving["estimate"][1:] < surviving["upper"][1:]).all()
    assert (table["lower"] < table["quantile"]).all()
    assert (table["quantile"] < table["upper"]).all()


@pytest.mark.parametrize(
    ("model", "law"), [("weibull", reference.gumbel_l), ("lognormal", reference.norm)]
)
def test_limits_of_survival_are_those_of_the_quantile_there(model, law):
    # At the estimated quantile of p, z is the law's own quantile, and its error is that of the
    # log of the quantile over sigma.
    fit = stats.fit_life_regression(**fleet(4), model=model)
    asked = {"duty": "haul", "load": 25}
    quantile = fit.predict_quantile(0.3, asked, level=0.9).row(0, named=True)
    surviving = fit.survival(quantile["quantile"], asked, level=0.9).row(0, named=True)
    half = np.log(quantile["upper"] / quantile["quantile"]) / fit.sigma
    assert surviving["lower"] == pytest.approx(law.sf(law.ppf(0.3) + half))
    assert surviving["upper"] == pytest.approx(law.sf(law.ppf(0.3) - half))


@pytest.mark.parametrize("model", MODELS)
def test_rows_and_times_are_crossed(model):
    fit = stats.fit_life_regression(**fleet(4), model=model)
    asked = pl.DataFrame({"load": [18.0, 25.0], "duty": ["haul", "city"]})
    table = fit.survival([10, 20, 30], asked)
    assert table["row"].to_list() == [0, 0, 0, 1, 1, 1]
    assert table["time"].to_list() == [10, 20, 30] * 2
    single = fit.survival(20, asked[1])
    assert single["estimate"][0] == pytest.approx(table["estimate"][4])
    quantiles = fit.predict_quantile([0.2, 0.4], asked)
    assert quantiles["p"].to_list() == [0.2, 0.4] * 2
    back = fit.survival(quantiles["quantile"][0], asked[0])
    assert back["estimate"][0] == pytest.approx(0.8)


@pytest.mark.parametrize("model", MODELS)
def test_tests_of_one_coefficient_agree_with_its_row_and_with_each_other(model):
    fit = stats.fit_life_regression(**fleet(8, n=2000), model=model)
    wald, ratio = fit.wald_test("load"), fit.likelihood_ratio_test("load")
    row = fit.table.filter(pl.col("term") == "load")
    assert wald.statistic == pytest.approx(row["z"][0] ** 2)
    assert wald.p_value == pytest.approx(row["p_value"][0])
    assert ratio.statistic == pytest.approx(wald.statistic, rel=0.1)
    without = fleet(8, n=2000)
    without["covariates"] = without["covariates"].drop("load")
    smaller = stats.fit_life_regression(**without, model=model)
    assert ratio.statistic == pytest.approx(
        2 * (fit.log_likelihood - smaller.log_likelihood), rel=1e-7
    )
    assert (ratio.df, fit.likelihood_ratio_test().df, fit.wald_test("duty").df) == (1, 3, 2)


def test_without_covariates_that_matter_the_null_model_is_the_plain_fit():
    lives = fleet(8, inspected=True)
    fit = stats.fit_life_regression(**lives)
    plain = stats.fit_life(**{name: lives[name] for name in lives if name != "covariates"})
    assert fit.likelihood_ratio_test().statistic == pytest.approx(
        2 * (fit.log_likelihood - plain.log_likelihood), rel=1e-7
    )


def test_a_weibull_model_expects_as_many_failures_as_there_were_in_every_level():
    # The likelihood equations of an indicator: observed less expected is 0.
    fit = stats.fit_life_regression(**fleet(8))
    groups = fit.wald_test("duty").groups
    assert groups["group"].to_list() == list(DUTIES)
    assert_allclose(groups["expected"], groups["observed"], rtol=1e-7)
    assert groups["lives"].sum() == fit.n
    assert groups["observed"].sum() == fit.events
    null = fit.likelihood_ratio_test("duty").groups
    assert null["expected"].sum() == pytest.approx(fit.events)
    # Haulage lives longer, so without duty more of it is expected to fail.
    haul = null.row(by_predicate=pl.col("group") == "haul", named=True)
    assert haul["expected"] > haul["observed"]


@pytest.mark.parametrize("model", MODELS)
def test_equal_shapes_pass_and_unequal_ones_do_not(model):
    same = stats.fit_life_regression(**fleet(21, n=600, model=model), model=model)
    assert same.shape_check("duty").test.p_value > 0.05
    long, short = (fleet(s, n=300, model=model, shape=k) for s, k in ((22, 4.0), (23, 1.2)))
    both = {name: np.concatenate([long[name], short[name]]) for name in ("exit", "event", "entry")}
    frame = pl.concat([long["covariates"], short["covariates"]]).with_columns(
        make=pl.Series(["long"] * 300 + ["short"] * 300)
    )
    fit = stats.fit_life_regression(**both, covariates=frame, model=model)
    check = fit.shape_check("make")
    assert (check.test.variance, check.test.df) == ("none: likelihood ratio", 1)
    assert check.test.p_value < 1e-6
    table = check.table
    assert table["level"].to_list() == ["long", "short"]
    assert table["lower"][0] < 4.0 < table["upper"][0]
    assert table["lower"][1] < 1.2 < table["upper"][1]
    # Every life a cluster of its own: the same question asked without the likelihood.
    alone = stats.fit_life_regression(
        **both, covariates=frame, model=model, cluster=np.arange(600)
    ).shape_check("make")
    assert alone.test.variance == "score influences grouped by cluster"
    assert alone.test.clusters == 600
    assert alone.test.p_value < 1e-6


@pytest.mark.parametrize("model", MODELS)
def test_residuals_of_late_entered_lives_follow_the_diagonal(model):
    fit = stats.fit_life_regression(**fleet(31, n=3000, model=model), model=model)
    points = fit.cox_snell_points(level=0.999)
    table = points.filter(pl.col("events") > 0, pl.col("at_risk") > 100)
    assert table.height > 500
    assert (table["lower"] <= table["residual"]).all()
    assert (table["residual"] <= table["upper"]).all()
    # Left out, the late entry shows.
    late = fleet(31, n=3000, model=model)
    wrong = stats.nelson_aalen(fit.residuals()["cox_snell"], late["event"]).table
    assert (wrong["upper"] < wrong["time"]).any()


def test_residual_points_are_the_nelson_aalen_estimate_of_the_residuals():
    lives = fleet(31)
    fit = stats.fit_life_regression(**lives)
    left = fit.residuals()
    curve = stats.nelson_aalen(left["cox_snell"], lives["event"], entry=left["cox_snell_entry"])
    points = fit.cox_snell_points()
    assert_allclose(points["residual"], curve.table["time"], rtol=1e-12)
    assert_allclose(points["estimate"], curve.table["estimate"], rtol=1e-12)


def test_residuals_of_one_life_by_hand():
    lives = fleet(31)
    fit = stats.fit_life_regression(**lives)
    left = fit.residuals()
    row = int(np.flatnonzero(lives["event"] & (lives["entry"] > 0))[0])
    life = fit.life(lives["covariates"][row])
    hazard, began = (float(life.cumulative_hazard(lives[at][row])) for at in ("exit", "entry"))
    assert left["cox_snell"][row] == pytest.approx(hazard)
    assert left["cox_snell_entry"][row] == pytest.approx(began)
    assert np.exp(left["standardised"][row]) == pytest.approx(hazard)
    assert left["predicted"][row] == pytest.approx(float(life.quantile(0.5)))
    excess = 1 - (hazard - began)
    deviance = np.sign(excess) * np.sqrt(-2 * (excess + np.log(hazard - began)))
    assert left["deviance"][row] == pytest.approx(deviance)
    assert left["failed"].to_list() == lives["event"].tolist()


@pytest.mark.parametrize("model", MODELS)
def test_a_failure_between_inspections_is_put_at_its_expected_hazard(model):
    lives = fleet(31, inspected=True)
    fit = stats.fit_life_regression(**lives, model=model)
    left = fit.residuals()
    row = int(np.flatnonzero(lives["lower"] < lives["exit"])[0])
    ends = [lives["lower"][row], lives["exit"][row]]
    low, high = -np.log(fit.survival(ends, lives["covariates"][row])["estimate"])
    mean = reference.truncexpon(high - low, loc=low).mean()
    assert left["cox_snell"][row] == pytest.approx(mean, rel=1e-6)


# The error laws, far out


def decimal_normal_hazard(z):
    """Laplace's continued fraction of the normal hazard, to 50 digits."""
    with localcontext() as context:
        context.prec = 50
        tail = Decimal(z)
        for k in range(3000, 0, -1):
            tail = Decimal(z) + Decimal(k) / tail
        return tail, tail * (tail - Decimal(z))


@pytest.mark.parametrize("z", [3, 10, 30, 99, 101, 1000, 10**6])
def test_the_normal_tail_keeps_its_digits(z):
    hazard, bend = decimal_normal_hazard(z)
    curve = Normal().log_survival(np.array([float(z)]))
    assert -curve.first[0] == pytest.approx(float(hazard), rel=1e-13)
    assert -curve.second[0] == pytest.approx(float(bend), rel=1e-11)
    log_survival = -0.5 * z * z - 0.5 * np.log(2 * np.pi) - float(hazard.ln())
    assert curve.value[0] == pytest.approx(log_survival, rel=1e-13)


@pytest.mark.parametrize(
    ("low", "high"), [(-30, -20), (-0.5, 0.5), (0, 3), (3, 3.5), (4, 5), (-600, -1)]
)
def test_the_chance_between_two_points_keeps_its_digits(low, high):
    with localcontext() as context:
        context.prec = 700
        survival = [(-Decimal(z).exp()).exp() for z in (low, high)]
        expected = float((survival[0] - survival[1]).ln())
    found = SmallestExtreme().log_between(np.array([float(low)]), np.array([float(high)]))
    assert found[0] == pytest.approx(expected, rel=1e-13)


@pytest.mark.parametrize(("low", "high"), [(5, 6), (20, 30), (100, 101)])
def test_the_normal_chance_is_the_same_in_both_tails(low, high):
    tails = []
    for z in (low, high):
        hazard, _ = decimal_normal_hazard(z)
        tails.append(-0.5 * z * z - 0.5 * np.log(2 * np.pi) - float(hazard.ln()))
    expected = tails[0] + np.log1p(-np.exp(tails[1] - tails[0]))
    law = Normal()
    upper = law.log_between(np.array([float(low)]), np.array([float(high)]))
    lower = law.log_between(np.array([-float(high)]), np.array([-float(low)]))
    assert upper[0] == pytest.approx(expected, rel=1e-13)
    assert lower[0] == pytest.approx(expected, rel=1e-13)


@pytest.mark.parametrize("law", [SmallestExtreme(), Normal()])
def test_cumulative_hazards_invert(law):
    z = np.array([-5.0, -1.0, 0.0, 2.0, 6.0])
    assert_allclose(law.at_cumulative_hazard(law.cumulative_hazard(z)), z, rtol=1e-9, atol=1e-12)
    assert law.cumulative_hazard(np.array([-np.inf]))[0] == 0


# What is refused

GOOD = {
    "exit": [3.0, 5.0, 6.0, 8.0, 9.0, 4.0, 7.0, 2.5],
    "event": [True, True, False, True, True, True, True, False],
    "covariates": {"duty": list("ababbaab"), "load": [1.0, 2, 3, 4, 2, 5, 1, 2]},
}


def spoiled(**changes):
    return GOOD | {"covariates": GOOD["covariates"] | changes}


@pytest.mark.parametrize(
    ("lives", "says"),
    [
        (GOOD | {"exit": [3.0, np.nan, 6, 8, 9, 4, 7, 2]}, r"1 of 8 rows have no exit.*rows 1"),
        (GOOD | {"exit": [3.0, np.inf, 6, 8, 9, 4, 7, 2]}, r"1 of 8 rows have an infinite exit"),
        (GOOD | {"exit": [3.0, -5.0, 6, 8, 9, 4, 7, 2]}, r"1 of 8 rows have a negative exit"),
        (GOOD | {"entry": [3.0, 0, 0, 0, 9, 0, 0, 0]}, r"2 of 8 rows have entry >= exit"),
        (GOOD | {"weight": [0, 1, 1, 1, 1, 1, 1, 1]}, r"1 of 8 rows have a weight of 0"),
        (GOOD | {"weight": [-1, 1, 1, 1, 1, 1, 1, 1]}, r"1 of 8 rows have a negative weight"),
        (GOOD | {"event": [True, False]}, r"has 2 values for 8 rows"),
        (GOOD | {"cluster": [1, 2]}, r"cluster has 2 values for 8 rows"),
        (GOOD | {"cluster": [1] * 8}, r"1 clusters for 4 parameters"),
        (GOOD | {"lower": [4.0] + [np.nan] * 7}, r"1 of 8 rows have lower > exit"),
        (GOOD | {"lower": [np.nan] * 2 + [1.0] + [np.nan] * 5}, r"an interval but no failure"),
        (GOOD | {"lower": [1.0] * 8, "entry": [2.0] * 8}, r"8 of 8 rows have lower < entry"),
        (GOOD | {"exit": [], "event": []}, r"no lives"),
        (GOOD | {"covariates": {}}, r"no covariates"),
        (GOOD | {"covariates": [1, 2]}, r"no covariates"),
        (spoiled(load=[1.0, None, 3, None, 2, 5, 1, 2]), r"2 of 8 rows have no 'load' \(rows 1, 3"),
        (spoiled(load=[1, np.nan, 3, 4, 2, 5, 1, 2]), r"1 of 8 rows have no 'load' \(rows 1"),
        (spoiled(load=[1, np.inf, 3, 4, 2, 5, 1, 2]), r"1 of 8 rows have an infinite 'load'"),
        (spoiled(duty=["a", None, *"abbaab"]), r"1 of 8 rows have no 'duty' \(rows 1"),
        (spoiled(load=[1, 2, 3]), r"different numbers of values \('duty' 8, 'load' 3\)"),
        (GOOD | {"covariates": {"load": [1, 2, 3]}}, r"'load' has 3 values for 8 rows"),
        (spoiled(load=np.ones((8, 2))), r"'load' has 2 dimensions"),
        (
            spoiled(load=[1e200, 2, 3, 4, 2, 5, 1, 2]),
            r"'load' reaches 1e\+200, too near the limits",
        ),
        (spoiled(load=[4.0] * 8), r"'load' has the same value \(4.0\) in all 8 rows"),
        (spoiled(duty=["a"] * 8), r"'duty' has the same value \(a\) in all 8 rows"),
        (spoiled(duty=[{}] * 8), r"'duty' holds"),
        (spoiled(on=np.array(["2026-01-01"] * 8, dtype="datetime64[D]")), r"'on' holds Date"),
        (spoiled(intercept=range(8)), r"named 'intercept'"),
        (
            spoiled(half=[0.5, 1, 1.5, 2, 1, 2.5, 0.5, 1]),
            r"covariate 'half' is fixed by covariate 'load'",
        ),
        (
            spoiled(shop=list("xyxyyxxy")),
            r"level 'y' of covariate 'shop' is fixed by level 'b' of covariate 'duty'",
        ),
    ],
)
def test_unusable_input_is_refused_by_name_and_row(lives, says):
    with pytest.raises(InvalidLives, match=says):
        stats.fit_life_regression(**lives)


def with_failures(*rows, **changes):
    failed = np.isin(np.arange(8), rows)
    return (GOOD | changes) | {"event": failed}


@pytest.mark.parametrize("model", MODELS)
@pytest.mark.parametrize(
    ("lives", "says"),
    [
        (with_failures(), r"None of 8 lives failed"),
        (with_failures(3), r"No life failed with covariate 'duty' at 'a'"),
        (with_failures(0, 3), r"2 failures for 4 parameters"),
        (with_failures(0, 1, 2, 3), r"4 failures for 4 parameters"),
        (GOOD | {"exit": [5.0] * 8}, r"All failures are at one age \(5\)"),
        (
            GOOD | {"exit": np.exp(GOOD["covariates"]["load"])},
            r"fit the failures exactly",
        ),
    ],
)
def test_failures_that_do_not_determine_the_model_are_refused(model, lives, says):
    with pytest.raises(NoInteriorMaximum, match=says):
        stats.fit_life_regression(**lives, model=model)


@pytest.mark.parametrize("model", MODELS)
def test_perfect_separation_is_named(model):
    # A covariate that all failures share and that only lives that did not fail exceed.
    lives = fleet(9)
    heat = np.where(lives["event"], 1.0, 1.0 + np.arange(80) % 5)
    frame = lives["covariates"].with_columns(heat=heat)
    with pytest.raises(NoInteriorMaximum, match="Perfect separation: covariate 'heat' tells"):
        stats.fit_life_regression(**(lives | {"covariates": frame}), model=model)
    # Lives on both sides of what the failures share leave a maximum.
    both = np.where(lives["event"], 1.0, np.arange(80) % 5)
    frame = lives["covariates"].with_columns(heat=both)
    fit = stats.fit_life_regression(**(lives | {"covariates": frame}), model=model)
    assert fit.table["std_err"].is_finite().all()


@pytest.mark.parametrize("model", MODELS)
def test_separation_between_levels_of_two_covariates_is_named(model):
    # Every failure is in (a, x) or (b, y) or (a, y): lives with b and x never failed.
    lives = fleet(9)
    failed = lives["event"]
    shop = np.where(failed & (np.arange(80) % 3 > 0), "a", "b")
    site = np.where(failed & (shop == "b"), "y", np.where(np.arange(80) % 2, "x", "y"))
    cell = np.char.add(shop, site)
    assert not failed[cell == "bx"].any()
    frame = pl.DataFrame({"cell": cell})
    with pytest.raises(NoInteriorMaximum, match="No life failed with covariate 'cell' at 'bx'"):
        stats.fit_life_regression(**(lives | {"covariates": frame}), model=model)


@pytest.mark.parametrize("model", MODELS)
def test_inspections_that_tell_all_are_named(model):
    # Each life was looked at once: whoever was loaded above 20 had failed, nobody else had.
    rng = np.random.default_rng(1)
    load, seen = rng.uniform(10, 30, 60), rng.uniform(50, 150, 60)
    with pytest.raises(NoInteriorMaximum, match="Perfect separation: covariate 'load'"):
        stats.fit_life_regression(
            seen, load > 20, {"load": load}, lower=np.where(load > 20, 0.0, np.nan), model=model
        )


@pytest.mark.parametrize("model", MODELS)
@pytest.mark.parametrize("between", [(0, 100), (100, 200)])
def test_inspections_that_all_say_the_same_are_not_blamed_on_covariates(model, between):
    lives = {"exit": [between[1]] * 60, "event": [True] * 60, "lower": [between[0]] * 60}
    load = np.random.default_rng(1).uniform(10, 30, 60)
    with pytest.raises(NoInteriorMaximum, match="whatever the covariates"):
        stats.fit_life_regression(**lives, covariates={"load": load}, model=model)


@pytest.mark.parametrize("scale", [1e-90, 1e90])
def test_covariates_of_extreme_size_are_nothing_special(scale):
    lives = fleet(9)
    frame = lives["covariates"]
    fit = stats.fit_life_regression(**lives)
    scaled = frame.with_columns(pl.col("load") * scale)
    other = stats.fit_life_regression(**(lives | {"covariates": scaled}))
    assert other.coefficients[-1] * scale == pytest.approx(fit.coefficients[-1], rel=1e-7)
    ours, theirs = fit.survival(50, frame), other.survival(50, scaled)
    assert_allclose(theirs["lower"], ours["lower"], rtol=1e-7)


def test_a_level_with_one_failure_has_no_shape_of_its_own():
    lives = fleet(9)
    rare = np.array(["common"] * 80)
    rare[np.flatnonzero(lives["event"])[0]] = "rare"
    rare[np.flatnonzero(~lives["event"])[0]] = "rare"
    frame = lives["covariates"].with_columns(kind=pl.Series(rare))
    fit = stats.fit_life_regression(**(lives | {"covariates": frame}))
    with pytest.raises(NoInteriorMaximum, match="1 failures of level 'rare' of covariate 'kind'"):
        fit.shape_check("kind")


def test_questions_that_have_no_answer_are_refused():
    fit = stats.fit_life_regression(**fleet(9))
    asked = {"duty": "haul", "load": 20.0}
    with pytest.raises(ValueError, match="model is 'cox'"):
        stats.fit_life_regression(**fleet(9), model="cox")
    with pytest.raises(ValueError, match="p is 1"):
        fit.predict_quantile(1.0, asked)
    with pytest.raises(ValueError, match="times is"):
        fit.survival([-1.0], asked)
    with pytest.raises(ValueError, match="confidence level"):
        fit.survival(1.0, asked, level=95)
    with pytest.raises(ValueError, match=r"'duty' that the model was not fitted to \('space'"):
        fit.survival(1.0, asked | {"duty": "space"})
    with pytest.raises(ValueError, match="lack 'load'"):
        fit.survival(1.0, {"duty": "haul"})
    with pytest.raises(ValueError, match="have 'colour' in excess"):
        fit.survival(1.0, asked | {"colour": "red"})
    with pytest.raises(ValueError, match=r"'load' holds String.*pass numbers"):
        fit.survival(1.0, asked | {"load": "20"})
    with pytest.raises(ValueError, match="1 of 2 rows have no 'load'"):
        fit.survival(1.0, {"duty": "haul", "load": [20.0, np.nan]})
    with pytest.raises(ValueError, match="2 rows of covariates"):
        fit.life({"duty": ["haul", "city"], "load": 20})
    with pytest.raises(ValueError, match=r"'colour' is no covariate.*'duty', 'load'"):
        fit.wald_test("colour")
    with pytest.raises(ValueError, match="'load' is continuous"):
        fit.shape_check("load")
    with pytest.raises(ValueError, match="lognormal model has no shape"):
        _ = stats.fit_life_regression(**fleet(9), model="lognormal").shape
    few = stats.fit_life_regression(**fleet(9), cluster=np.arange(80) % 6)
    with pytest.raises(InvalidLives, match="6 clusters for 7 parameters"):
        few.shape_check("duty")
    clustered = stats.fit_life_regression(**fleet(9), cluster=np.arange(80) % 25)
    with pytest.raises(ValueError, match="clusters: ask for wald_test"):
        clustered.likelihood_ratio_test()


# How often limits hold the truth


@pytest.mark.slow
@pytest.mark.parametrize("model", MODELS)
def test_limits_of_a_coefficient_hold_the_truth_at_50_failures(model):
    samples, n, slope, effect, sigma = 1000, 100, 0.05, 0.4, 0.5
    rng = np.random.default_rng(2027)
    held = dict.fromkeys(["load", "duty", "b10"], 0)
    failures = []
    law = reference.gumbel_l if model == "weibull" else reference.norm
    truth = np.exp(4 + effect + slope * 2 + sigma * law.ppf(0.1))
    for _ in range(samples):
        load, haul = rng.normal(0, 4, n), rng.uniform(size=n) < 0.5
        log_age = 4 + effect * haul + slope * load + sigma * law.rvs(size=n, random_state=rng)
        seen = np.quantile(np.exp(log_age), 0.5) * rng.uniform(0.4, 1.7, n)
        age = np.exp(log_age)
        fit = stats.fit_life_regression(
            np.minimum(age, seen), age <= seen, {"haul": haul, "load": load}, model=model
        )
        failures.append(fit.events)
        table = fit.table
        held["duty"] += table["lower"][1] <= effect <= table["upper"][1]
        held["load"] += table["lower"][2] <= slope <= table["upper"][2]
        low = fit.predict_quantile(0.1, {"haul": True, "load": 2.0})
        held["b10"] += low["lower"][0] <= truth <= low["upper"][0]
    assert np.mean(failures) == pytest.approx(50, abs=3)
    for name, count in held.items():
        assert count / samples == pytest.approx(0.95, abs=0.03), (name, count / samples)


@pytest.mark.slow
def test_clustered_limits_hold_the_truth_where_plain_ones_do_not():
    # Four parts of each of 60 vehicles share its pace and its load.
    samples, vehicles, parts, slope = 1000, 60, 4, 0.05
    rng = np.random.default_rng(2028)
    cluster = np.repeat(np.arange(vehicles), parts)
    held = {"plain": 0, "clustered": 0}
    for _ in range(samples):
        load = rng.normal(0, 4, vehicles)[cluster]
        pace = rng.normal(0, 0.5, vehicles)[cluster]
        age = np.exp(4 + slope * load + pace + rng.normal(0, 0.4, cluster.size))
        seen = rng.uniform(20, 80, cluster.size)
        lives = (np.minimum(age, seen), age <= seen, {"load": load})
        for name, options in (("plain", {}), ("clustered", {"cluster": cluster})):
            row = stats.fit_life_regression(*lives, model="lognormal", **options).table.row(
                1, named=True
            )
            held[name] += row["lower"] <= slope <= row["upper"]
    assert held["plain"] / samples < 0.85
    assert held["clustered"] / samples == pytest.approx(0.95, abs=0.03)
