"""Numerics for lives with censoring: arrays in, frozen results out; no files, no screens."""

from fleetlog.stats.compare import (
    TestResult,
    compare_groups_pairwise,
    log_rank,
    log_rank_from_table,
)
from fleetlog.stats.curves import (
    HazardCurve,
    IncidenceCurves,
    SurvivalCurve,
    ThinStart,
    cumulative_incidence,
    cumulative_incidence_from_table,
    kaplan_meier,
    kaplan_meier_from_table,
    nelson_aalen,
    nelson_aalen_from_table,
)
from fleetlog.stats.distributions import Exponential, Gamma, Life, Loglogistic, Lognormal, Weibull
from fleetlog.stats.life_models import LifeFit, fit_life, fit_life_from_table
from fleetlog.stats.model_choice import LifeModelComparison, compare_life_models
from fleetlog.stats.rates import (
    Overdispersion,
    RateRatio,
    StandardisedRatio,
    benjamini_hochberg,
    overdispersion,
    proportion_difference,
    proportion_interval,
    rate_interval,
    rate_ratio,
    standardised_ratio,
)
from fleetlog.stats.recurrence import (
    MeanCumulative,
    MeanCumulativeDifference,
    compare_mean_cumulative,
    mean_cumulative_from_table,
    mean_cumulative_function,
    mean_cumulative_test,
)
from fleetlog.stats.regression import LifeRegression, ShapeCheck, fit_life_regression
from fleetlog.stats.renewal import RenewalFunction, renewal_function
from fleetlog.stats.replacement import ReplacementPolicy, age_replacement, block_replacement
from fleetlog.stats.shrinkage import Shrunk, shrink_proportions, shrink_rates

__all__ = [
    "Exponential",
    "Gamma",
    "HazardCurve",
    "IncidenceCurves",
    "Life",
    "LifeFit",
    "LifeModelComparison",
    "LifeRegression",
    "Loglogistic",
    "Lognormal",
    "MeanCumulative",
    "MeanCumulativeDifference",
    "Overdispersion",
    "RateRatio",
    "RenewalFunction",
    "ReplacementPolicy",
    "ShapeCheck",
    "Shrunk",
    "StandardisedRatio",
    "SurvivalCurve",
    "TestResult",
    "ThinStart",
    "Weibull",
    "age_replacement",
    "benjamini_hochberg",
    "block_replacement",
    "compare_groups_pairwise",
    "compare_life_models",
    "compare_mean_cumulative",
    "cumulative_incidence",
    "cumulative_incidence_from_table",
    "fit_life",
    "fit_life_from_table",
    "fit_life_regression",
    "kaplan_meier",
    "kaplan_meier_from_table",
    "log_rank",
    "log_rank_from_table",
    "mean_cumulative_from_table",
    "mean_cumulative_function",
    "mean_cumulative_test",
    "nelson_aalen",
    "nelson_aalen_from_table",
    "overdispersion",
    "proportion_difference",
    "proportion_interval",
    "rate_interval",
    "rate_ratio",
    "renewal_function",
    "shrink_proportions",
    "shrink_rates",
    "standardised_ratio",
]
