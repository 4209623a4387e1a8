"""Proportions and rates against the worked figures of authors and against other libraries."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.stats import binomtest, poisson, poisson_means_test
from statsmodels.stats.proportion import proportion_confint
from statsmodels.stats.rates import confint_poisson, confint_poisson_2indep
from statsmodels.stats.rates import test_poisson_2indep as compare_rates

from fleetlog import stats
from fleetlog.stats import proportion_difference


@pytest.mark.parametrize(
    ("counts", "limits"),
    [((56, 70, 48, 80), (0.0524, 0.3339)), ((9, 10, 3, 10), (0.1705, 0.8090))],
)
def test_newcombe_1998_method_10(counts, limits):
    """Newcombe 1998, Statistics in Medicine 17, 873-890, table II, method 10.

    The figures were found again in a public R package's own check that cites the table; the paper
    itself was not at hand. They are given to four places.
    """
    assert proportion_difference(*counts) == pytest.approx(limits, abs=5e-5)


def test_a_standardised_ratio_of_1_212():
    """Sullivan 2006, standardised-ratio module of a public teaching course in epidemiology.

    The text prints the ratio 1.212 and its mid-P two-sided chance, 0.6571. The counts behind
    them, 4 observed and 3.3 expected, are from memory.
    """
    found = stats.standardised_ratio(4, 3.3)
    assert found.ratio == pytest.approx(1.212, abs=5e-4)
    assert found.p_value == pytest.approx(0.6571, abs=5e-5)


@pytest.mark.parametrize(
    ("k", "limits"),
    [(1, (0.0253, 5.57)), (2, (0.121, 3.61)), (5, (0.324, 2.33)), (10, (0.480, 1.84)), (20, (0.611, 1.54))],
)  # fmt: skip
def test_factors_of_exact_limits_of_breslow_and_day(k, limits):
    """Breslow and Day 1987, table 2.10: exact 95 % limits of a count, as factors of it.

    From memory.
    """
    found = stats.standardised_ratio(k, float(k), method="exact")
    assert (found.lower, found.upper) == pytest.approx(limits, rel=4e-3)


@pytest.mark.parametrize("level", [0.9, 0.95])
def test_rates_of_statsmodels(level):
    k, exposure = np.array([0, 1, 3, 12, 150]), np.array([4.0, 2.5, 10.0, 9.0, 70.0])
    theirs = confint_poisson(k, exposure, method="exact-c", alpha=1 - level)
    assert_allclose(stats.rate_interval(k, exposure, level=level), np.nan_to_num(theirs), rtol=1e-9)


@pytest.mark.parametrize("method", ["wilson", "exact"])
def test_proportions_of_statsmodels(method):
    k, n = np.array([0, 1, 5, 30, 40]), 40
    theirs = proportion_confint(k, n, method={"wilson": "wilson", "exact": "beta"}[method])
    assert_allclose(stats.proportion_interval(k, n, method=method), theirs, rtol=1e-9, atol=1e-12)


@pytest.mark.parametrize(("k", "other_k"), [(60, 30), (7, 2), (41, 15), (3, 9)])
def test_rate_ratios_of_scipy_and_statsmodels(k, other_k):
    exposure, other_exposure = 51477.5, 54308.7
    found = stats.rate_ratio(k, exposure, other_k, other_exposure)
    # The limits follow from those of a proportion, which SciPy has.
    low, high = binomtest(k, k + other_k).proportion_ci(method="exact")
    odds = np.array([low / (1 - low), high / (1 - high)])
    assert_allclose([found.lower, found.upper], odds * other_exposure / exposure, rtol=1e-9)
    # Chances one-sided, where all agree on what is as extreme; ours is twice the smaller.
    side = "larger" if found.ratio > 1 else "smaller"
    for method, theirs in (("exact", "exact-cond"), ("mid-p", "cond-midp")):
        p_value = compare_rates(
            k, exposure, other_k, other_exposure, method=theirs, alternative=side
        ).pvalue
        ours = stats.rate_ratio(k, exposure, other_k, other_exposure, method=method).p_value
        assert ours == pytest.approx(2 * p_value, rel=1e-6)


def test_rate_ratios_of_many_events_by_other_methods():
    """Breast-cancer cases and woman-years of Ng and Tang 2005, as SciPy and statsmodels cite them.

    Score limits and the test of Krishnamoorthy and Thomson 2004 do not condition on the total, so
    they agree only roughly, and only where there are many events.
    """
    cells = (60, 51477.5, 30, 54308.7)
    found = stats.rate_ratio(*cells, method="mid-p")
    assert_allclose([found.lower, found.upper], confint_poisson_2indep(*cells), rtol=0.02)
    assert found.p_value == pytest.approx(poisson_means_test(*cells).pvalue, abs=1e-4)


@pytest.mark.parametrize(("counts", "limits"), [((60, 30), (1.339735722, 3.388365574)), ((7, 2), (0.703058344, 36.4294489)), ((3, 9), (0.06123743873, 1.409136767)), ((0, 4), (0, 1.598182697))])  # fmt: skip
def test_rate_ratios_of_r(counts, limits):
    """R 4.2.2, poisson.test(counts, c(51477.5, 54308.7))$conf.int."""
    found = stats.rate_ratio(counts[0], 51477.5, counts[1], 54308.7)
    assert_allclose([found.lower, found.upper], limits, rtol=1e-8)


@pytest.mark.parametrize(
    ("mean", "head_start", "length"),
    [(1.88, 0, 37.2), (1.88, 3, 29.19), (3.2, 0, 5.49), (3.2, 3, 3.33)],
)
def test_run_lengths_of_a_chart_of_lucas(mean, head_start, length):
    """Counts on a chart with k = 2 and h = 6, after Lucas 1985.

    The figures are those that the example of an R package for Lucas's charts prints (function
    ``arl`` of IAcsSPCR 1.2.1, with ``h=6, k=2, lambda=1.88`` and ``shift`` 0 and 0.9627).
    """
    shifted = 1.88 + (0.9627 * np.sqrt(1.88) if mean > 2 else 0)
    found = stats.poisson_cusum_run_length(shifted, reference=2, limit=6, head_start=head_start)
    assert found == pytest.approx(length, abs=0.006 if length < 30 else 0.05)


def test_fifteen_endpoints_of_benjamini_and_hochberg():
    """Benjamini and Hochberg 1995, section 4: 15 endpoints of a trial of treatments of the heart.

    At q = 0.05 the paper rejects the first four. The values are from memory.
    """
    p = [0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262,
         0.5719, 0.6528, 0.7590, 1.0]  # fmt: skip
    assert (stats.benjamini_hochberg(p) <= 0.05).sum() == 4


def test_indirect_standardisation_of_skin_cancer_deaths_by_age():
    """Deaths from skin cancer in Florida and in the United States in 2000, ten age groups.

    Data: Florida Department of Health 2000 and Minino et al. 2002, as printed in the SAS/STAT
    user's guide, procedure STDRATE, getting started. The expected deaths by age are those printed
    in its output, to three places; the state is held here against the country as one other group.
    """
    died = [0, 0, 4, 14, 43, 72, 70, 126, 136, 73]
    lived = [
        953_785, 1_997_935, 1_885_014, 1_957_573, 2_356_649, 2_088_000, 1_548_371, 1_447_432,
        1_087_524, 335_944,
    ]  # fmt: skip
    country_died = [0, 1, 41, 186, 626, 1_199, 1_303, 1_637, 1_624, 803]
    country_lived = [
        19_175_798, 41_077_577, 39_183_891, 39_892_024, 45_148_527, 37_677_952, 24_274_684,
        18_390_986, 12_361_180, 4_239_587,
    ]  # fmt: skip
    printed = [0, 0.049, 1.972, 9.127, 32.676, 66.445, 83.112, 128.837, 142.878, 63.630]
    ages = list(range(10))
    for age in ages[1:]:
        one = stats.compare_with_others(
            [died[age], country_died[age]], [lived[age], country_lived[age]], [0, 1], [0, 0]
        ).table.row(0, named=True)
        assert one["expected"] == pytest.approx(printed[age], abs=5e-4)
    state = stats.compare_with_others(
        died + country_died, lived + country_lived, [0] * 10 + [1] * 10, ages * 2
    ).table.row(0, named=True)
    assert state["observed"] == 538
    assert state["expected"] == pytest.approx(sum(printed), abs=5e-3)


@pytest.mark.parametrize(
    ("least", "most", "step", "below", "above"),
    [
        (1, 50, 0.01, (0.0186, 0, 0.0250), (0.0201, 0.0052, 0.0250)),
        (50, 100, 0.01, (0.0215, 0.0172, 0.0250), None),
        (100, 500, 0.02, (0.0233, 0.0194, 0.0250), None),
        (500, 1000, 0.05, (0.0239, 0.0224, 0.0250), None),
    ],
)
def test_chance_beyond_funnel_limits_of_seaton_and_manktelow(least, most, step, below, above):
    """Seaton and Manktelow 2012, BMC Medical Research Methodology 12:98, prediction limits.

    Median, least and greatest chance that a ratio of observed to expected events lies beyond the
    95 % funnel where nothing is wrong, by expected events, as their table prints it to four
    places. (The step of the expected numbers is ours. The
    part of the table on the upper limit was at hand for the first row only.)
    """
    expected = np.arange(least + (step if least > 1 else 0), most + step / 2, step)
    limits = stats.funnel_limits(expected, 1.0, kind="rate")
    lowest = np.ceil(limits.lower * expected - 1e-9)
    highest = np.floor(limits.upper * expected + 1e-9)
    for chance, printed in (
        (poisson.cdf(lowest - 1, expected), below),
        (poisson.sf(highest, expected), above),
    ):
        if printed is not None:
            found = (np.median(chance), chance.min(), chance.max())
            assert found == pytest.approx(printed, abs=6e-5)
