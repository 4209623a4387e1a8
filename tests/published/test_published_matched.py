"""Matched odds ratios against published tables, R and statsmodels; shares against statsmodels."""

import numpy as np
import pytest

from fleetlog.stats import clustered_mean_difference, clustered_proportion, mantel_haenszel

# Breslow and Day 1980, Statistical Methods in Cancer Research 1, chapter 4: oesophageal cancer and
# 80 g or more of alcohol a day, Ille-et-Vilaine, six age groups; counts as in R's data set esoph:
# xtabs(cbind(ncases, ncontrols) ~ (as.integer(alcgp) >= 3) + agegp, esoph).
ESOPH = (
    [1, 4, 25, 42, 19, 5],
    [0, 5, 21, 34, 36, 8],
    [9, 26, 29, 27, 18, 0],
    [106, 164, 138, 139, 88, 31],
)
# Agresti 1990, pp. 231-237, penicillin and rabbits; in R's help of mantelhaen.test.
RABBITS = ([0, 3, 6, 5, 2], [0, 0, 2, 6, 5], [6, 3, 0, 1, 0], [5, 6, 4, 0, 0])


def test_alcohol_and_oesophageal_cancer():
    """R 4.2.2: mantelhaen.test(array of ESOPH) gave estimate, conf.int; odds ratio 5.158 in the book (from memory)."""
    odds = mantel_haenszel(*ESOPH)
    assert odds.odds_ratio == pytest.approx(5.158, abs=5e-4)
    assert odds.odds_ratio == pytest.approx(5.157623194, rel=1e-9)
    assert (odds.lower, odds.upper) == pytest.approx((3.562130537, 7.467743457), rel=1e-9)


def test_rabbits():
    """R 4.2.2: mantelhaen.test(Rabbits, correct = FALSE)."""
    odds = mantel_haenszel(*RABBITS)
    assert odds.odds_ratio == pytest.approx(7)
    assert (odds.lower, odds.upper) == pytest.approx((1.026712688, 47.725133380), rel=1e-8)
    assert odds.p_value == pytest.approx(0.01738442, abs=5e-9)


@pytest.mark.parametrize("seed", range(3))
def test_against_statsmodels(seed):
    from statsmodels.stats.contingency_tables import StratifiedTable

    rng = np.random.default_rng(seed)
    a, c, b, d = rng.poisson(4, size=(4, 25)).astype(float) + 1
    odds = mantel_haenszel(a, c, b, d)
    table = StratifiedTable(np.array([[a, c], [b, d]]))
    assert odds.odds_ratio == pytest.approx(table.oddsratio_pooled)
    assert (odds.lower, odds.upper) == pytest.approx(table.oddsratio_pooled_confint())
    assert odds.p_value == pytest.approx(table.test_null_odds().pvalue)


def test_the_clustered_variance_of_a_share():
    """statsmodels OLS on a constant with standard errors by cluster is the same estimator."""
    import statsmodels.api as sm

    rng = np.random.default_rng(5)
    cluster = np.repeat(np.arange(40), rng.integers(1, 9, 40))
    chance = rng.beta(1, 2, 40)[cluster]
    seen = rng.random(cluster.size) < chance
    fit = sm.OLS(seen.astype(float), np.ones(cluster.size)).fit(
        cov_type="cluster", cov_kwds={"groups": cluster}
    )
    found = clustered_proportion(seen, cluster)
    plain = found.share * (1 - found.share) / found.trials
    assert found.design_effect * plain == pytest.approx(fit.bse[0] ** 2)


def test_the_difference_of_two_means():
    """statsmodels OLS on an indicator, errors by cluster, t on clusters - 1 degrees of freedom."""
    import statsmodels.api as sm

    rng = np.random.default_rng(6)
    cluster = np.repeat(np.arange(25), rng.integers(1, 7, 25))
    having = rng.random(cluster.size) < 0.3
    hours = rng.exponential(10, cluster.size) + 2 * having + rng.gamma(2, 2, 25)[cluster]
    fit = sm.OLS(hours, sm.add_constant(having.astype(float))).fit(
        cov_type="cluster", cov_kwds={"groups": cluster}, use_t=True
    )
    found = clustered_mean_difference(hours, having, cluster)
    assert found.difference == pytest.approx(fit.params[1])
    assert (found.lower, found.upper) == pytest.approx(tuple(fit.conf_int()[1]))
