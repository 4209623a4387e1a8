"""What shortens life: accelerated-failure-time regression with censoring and late entry.

The log of an age at failure is a linear function of the covariates plus sigma times an error of
a standard law.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Literal, TypeAlias

import numpy as np
import polars as pl
from numpy.typing import ArrayLike
from scipy.special import chdtrc, ndtr, xlogy

from fleetlog.errors import InvalidLives, NoInteriorMaximum
from fleetlog.stats._arrays import (
    NEARLY_EQUAL,
    Floats,
    Ints,
    booleans,
    codes,
    distinct,
    normal_quantile,
    same_length,
)
from fleetlog.stats._design import (
    INTERCEPT,
    Covariates,
    Design,
    code,
    listed,
    read_covariates,
    refuse_collinear,
)
from fleetlog.stats._location_scale import (
    Columns,
    Data,
    covariance_of,
    fit_columns,
    fits_exactly,
    hazards_of,
    spread_out,
    standardise,
    start_from,
)
from fleetlog.stats._maximise import Maximum, aicc_of
from fleetlog.stats._standard import Normal, SmallestExtreme, StandardLaw
from fleetlog.stats.compare import TestResult
from fleetlog.stats.curves import nelson_aalen
from fleetlog.stats.distributions import Life, Lognormal, Weibull
from fleetlog.stats.risk import check_lower, check_times

RegressionModel: TypeAlias = Literal["weibull", "lognormal"]

# How the variance behind a test is formed.
RATIO = "none: likelihood ratio"
INFORMATION = "inverse information"
GROUPED = "score influences grouped by cluster"


@dataclass(frozen=True)
class _Model:
    """An error law, and the life that it gives an age whose log has a location and sigma."""

    law: StandardLaw
    life: Callable[[float, float], Life]


_MODELS: dict[str, _Model] = {
    "weibull": _Model(
        SmallestExtreme(), lambda location, sigma: Weibull(1 / sigma, float(np.exp(location)))
    ),
    "lognormal": _Model(Normal(), Lognormal),
}


@dataclass(frozen=True)
class ShapeCheck:
    """Whether groups of lives share one sigma, that is one shape. See `LifeRegression`.

    Attributes
    ----------
    term : the covariate whose levels were compared.
    test : of equal sigmas in all levels; likelihood ratio for independent lives, Wald with the
        covariance grouped by cluster where there are clusters, as its ``variance`` says.
        ``expected`` failures are those of the model with one sigma.
    table : Polars frame, a row per level: ``level``, ``lives``, ``failures``, ``sigma``,
        ``shape`` (1 / sigma) with Wald limits ``lower`` and ``upper`` of the shape.
    level : confidence level of the limits.
    """

    term: str
    test: TestResult
    table: pl.DataFrame
    level: float


@dataclass(frozen=True)
class LifeRegression:
    """Effects of covariates on life. See `fit_life_regression`.

    Attributes
    ----------
    model : "weibull" or "lognormal".
    table : Polars frame, a row per coefficient, with 95 % Wald limits: ``term``, ``level`` (null
        for a continuous covariate), ``coefficient`` of the log of age, ``std_err``, ``lower``,
        ``upper``, ``life_ratio`` (the factor on every age at failure: of a level against its
        reference level, or per unit of a continuous covariate) with ``life_ratio_lower`` and
        ``life_ratio_upper``, ``z``, ``p_value`` (two-sided). The intercept has no life ratio.
    reference : reference level of each categorical covariate.
    sigma : scale of the error of the log of age.
    covariance : (k + 1, k + 1) of the coefficients in the order of ``table`` and of the log of
        sigma; grouped by cluster where clusters were given, else the inverse information.
    log_likelihood : at the maximum, of ages in the caller's unit.
    aicc : Akaike's criterion corrected for small samples; infinite where the lives are too few.
    n, events : weight of the lives and of the failures.
    clusters : number of clusters, or None where lives were taken as independent.
    """

    model: str
    table: pl.DataFrame
    reference: dict[str, str]
    sigma: float
    covariance: Floats
    log_likelihood: float
    aicc: float
    n: float
    events: float
    clusters: int | None
    _design: Design = field(repr=False)
    _data: Data = field(repr=False)
    _columns: Columns = field(repr=False)
    _top: Maximum = field(repr=False)
    _inner_covariance: Floats = field(repr=False)

    @property
    def coefficients(self) -> Floats:
        """Coefficients (k,) of the log of age, in the order of ``table``."""
        return self.table["coefficient"].to_numpy()

    @property
    def shape(self) -> float:
        """Shape of a Weibull model, 1 / sigma; a lognormal has none but sigma itself."""
        if self.model != "weibull":
            raise ValueError(f"a {self.model} model has no shape: ask for its sigma")
        return 1 / self.sigma

    def sigma_interval(self, *, level: float = 0.95) -> tuple[float, float]:
        """Wald limits of sigma, on its log."""
        half = normal_quantile(level) * float(np.sqrt(self.covariance[-1, -1]))
        return self.sigma * float(np.exp(-half)), self.sigma * float(np.exp(half))

    def shape_interval(self, *, level: float = 0.95) -> tuple[float, float]:
        """Wald limits of the shape of a Weibull model, on its log."""
        lower, upper = self.sigma_interval(level=level)
        return self.shape * self.sigma / upper, self.shape * self.sigma / lower

    def coefficient_table(self, *, level: float) -> pl.DataFrame:
        """Give ``table`` with limits of another confidence level."""
        return _coefficient_table(self._design, self.coefficients, self.covariance, level)

    def predict_quantile(
        self, p: ArrayLike, covariates: Covariates, *, level: float = 0.95
    ) -> pl.DataFrame:
        """Ages by which fractions ``p`` have failed, for given covariates.

        Parameters
        ----------
        p : fraction failed or (m,) of them, between 0 and 1.
        covariates : as at the fit, just those names; single values stand for every row.
        level : confidence level of the Wald limits, on the log of age.

        Returns
        -------
        Polars frame: ``row`` (of the covariates, from 0), ``p``, ``quantile``, ``lower``,
        ``upper``; ordered by row, then as ``p``.
        """
        shares = np.atleast_1d(np.asarray(p, dtype=np.float64))
        if shares.ndim != 1 or not np.all((shares > 0) & (shares < 1)):
            raise ValueError(f"p is {p!r}: pass fractions failed, between 0 and 1")
        x = self._rows(covariates)
        row, at = _crossed(x.shape[0], shares)
        stretch = self.sigma * self._law.quantile(at)
        centre = self._predictor(x)[row] + stretch
        half = normal_quantile(level) * self._std_err(np.column_stack([x[row], stretch]))
        return pl.DataFrame(
            {
                "row": row,
                "p": at,
                "quantile": np.exp(centre),
                "lower": np.exp(centre - half),
                "upper": np.exp(centre + half),
            }
        )

    def survival(
        self, times: ArrayLike, covariates: Covariates, *, level: float = 0.95
    ) -> pl.DataFrame:
        """Shares that survive beyond ``times``, for given covariates.

        Parameters
        ----------
        times : age or (m,) of them, >= 0 and finite.
        covariates, level : as in `predict_quantile`; the limits are Wald limits of the
            standardised log of age, so they lie between 0 and 1 (Meeker and Escobar 1998,
            section 8.4.3).

        Returns
        -------
        Polars frame: ``row`` (of the covariates, from 0), ``time``, ``estimate``, ``lower``,
        ``upper``; ordered by row, then as ``times``.
        """
        ages = np.atleast_1d(np.asarray(times, dtype=np.float64))
        if ages.ndim != 1 or not np.all((ages >= 0) & np.isfinite(ages)):
            raise ValueError(f"times is {times!r}: pass finite ages of 0 or more")
        x = self._rows(covariates)
        row, at = _crossed(x.shape[0], ages)
        born = at == 0
        z = (np.log(np.where(born, 1.0, at)) - self._predictor(x)[row]) / self.sigma
        half = normal_quantile(level) * self._std_err(np.column_stack([x[row] / self.sigma, z]))
        law = self._law

        def surviving(points: Floats) -> Floats:
            return np.exp(-law.cumulative_hazard(np.where(born, -np.inf, points)))

        return pl.DataFrame(
            {
                "row": row,
                "time": at,
                "estimate": surviving(z),
                "lower": surviving(z + half),
                "upper": surviving(z - half),
            }
        )

    def life(self, covariates: Covariates) -> Life:
        """Life distribution of parts with the covariates given, one value each."""
        x = self._rows(covariates)
        if x.shape[0] != 1:
            raise ValueError(f"there are {x.shape[0]} rows of covariates: pass one value of each")
        return _MODELS[self.model].life(float(self._predictor(x)[0]), self.sigma)

    def likelihood_ratio_test(self, term: str | None = None) -> TestResult:
        """Test that a covariate, or with None that no covariate, matters.

        ``groups`` of the answer sets failures against those expected where it does not: by level
        of a categorical covariate, else of all lives together.

        Raises
        ------
        ValueError : the fit has clusters, to which the likelihood does not apply.
        """
        if self.clusters is not None:
            raise ValueError(
                "the likelihood ratio takes lives as independent, and this fit has clusters: ask "
                "for wald_test"
            )
        places = self._tested(term)
        kept = [place for place in range(self._columns.width) if place not in places]
        columns = self._columns.keep(kept)
        labels = [self._design.labels[place] for place in kept]
        start = np.append(self._top.point[kept], self._top.point[-1])
        top = fit_columns(self._law, self._data, columns, start, labels)
        statistic = max(2 * (self._top.value - top.value), 0.0)
        groups = self._groups(term, columns, top.point)
        return _test(statistic, len(places), groups, RATIO, None)

    def wald_test(self, term: str | None = None) -> TestResult:
        """Test that all coefficients of a covariate, or with None of all of them, are 0.

        It uses the covariance of the fit, so it holds for clustered lives too. ``groups`` of the
        answer sets failures against those expected by the fitted model: by level of a
        categorical covariate, else of all lives together.
        """
        places = self._tested(term)
        some = self.coefficients[places]
        statistic = float(some @ np.linalg.solve(self.covariance[np.ix_(places, places)], some))
        groups = self._groups(term, self._columns, self._top.point)
        return _test(statistic, len(places), groups, self._variance, self.clusters)

    def shape_check(self, term: str, *, level: float = 0.95) -> ShapeCheck:
        """Compare one sigma for all lives with one for each level of a categorical covariate.

        The coefficients are fitted again beside the sigmas. Equal sigmas are what makes a
        covariate stretch all ages alike, and in a Weibull model what makes hazards proportional.

        Raises
        ------
        ValueError : the covariate is not categorical.
        NoInteriorMaximum : a level whose failures are too few to have a sigma, by name.
        InvalidLives : clusters too few for a covariance of all those parameters.
        """
        chosen = self._design.term(term)
        if chosen.levels is None:
            raise ValueError(
                f"covariate {term!r} is continuous: pass a categorical one, or fit it in classes"
            )
        stratum = self._level_of(term)
        columns = Columns(self._columns.x, self._columns.back, stratum, len(chosen.levels))
        for place, name in enumerate(chosen.levels):
            exact = self._data.exact[stratum[self._data.exact] == place]
            between = np.any(stratum[self._data.between] == place)
            if not between and fits_exactly(columns.x[exact], self._data.log_exit[exact]):
                raise NoInteriorMaximum(
                    f"The {exact.size} failures of level {name!r} of covariate {term!r} are too "
                    f"few for a sigma of their own: join that level with another."
                )
        _refuse_few_clusters(self._data, columns)
        width = columns.width
        start = np.append(self._top.point[:width], np.full(columns.strata, self._top.point[width]))
        top = fit_columns(self._law, self._data, columns, start, self._design.labels)
        own = covariance_of(self._law, self._data, columns, top)[width:, width:]
        logs = top.point[width:]
        if self.clusters is None:
            variance, statistic = RATIO, max(2 * (top.value - self._top.value), 0.0)
        else:
            contrast = np.diff(np.eye(columns.strata), axis=0)
            apart = contrast @ logs
            variance = self._variance
            statistic = float(apart @ np.linalg.solve(contrast @ own @ contrast.T, apart))
        groups = self._groups(term, self._columns, self._top.point)
        half = normal_quantile(level) * np.sqrt(np.diag(own))
        return ShapeCheck(
            term=term,
            test=_test(statistic, columns.strata - 1, groups, variance, self.clusters),
            table=pl.DataFrame(
                {
                    "level": groups["group"],
                    "lives": groups["lives"],
                    "failures": groups["observed"],
                    "sigma": np.exp(logs),
                    "shape": np.exp(-logs),
                    "lower": np.exp(-logs - half),
                    "upper": np.exp(-logs + half),
                }
            ),
            level=level,
        )

    def residuals(self) -> pl.DataFrame:
        """How each life compares with what the model expects of it.

        Returns
        -------
        Polars frame, a row per life in the order given: ``failed``; ``predicted``, the fitted
        median age; ``standardised``, the error z of the log of age; ``cox_snell_entry`` and
        ``cox_snell``, the cumulative hazard at entry and at the end of the life, between which
        the life was watched; ``deviance``, signed, positive where the life failed sooner than
        expected. A failure within an interval is put at its expected cumulative hazard there.

        Notes
        -----
        Source: Cox and Snell 1968; deviance of the martingale residuals, which honour late
        entry: Therneau, Grambsch and Fleming 1990.
        """
        data, law = self._data, self._law
        predictor, sigma = self._fitted()
        z, _, hazard, hazard_began = hazards_of(law, data, predictor, sigma)
        failed = data.failed
        z[data.between] = law.at_cumulative_hazard(hazard[data.between])
        gained = hazard - hazard_began
        martingale = failed - gained
        deviance = np.sign(martingale) * np.sqrt(
            np.maximum(-2 * (martingale + xlogy(failed, gained)), 0.0)
        )
        median = predictor + sigma * law.quantile(np.array(0.5))
        return pl.DataFrame(
            {
                "failed": failed > 0,
                "predicted": np.exp(median),
                "standardised": z,
                "cox_snell_entry": hazard_began,
                "cox_snell": hazard,
                "deviance": deviance,
            }
        )

    def cox_snell_points(self, *, level: float = 0.95) -> pl.DataFrame:
        """Nelson-Aalen estimate of the Cox-Snell residuals, which honours late entry.

        Where the model holds, ``estimate`` follows ``residual`` along the diagonal, for the
        residuals are then lives of hazard 1.

        Returns
        -------
        Polars frame, ascending: ``residual``, ``at_risk``, ``events``, ``estimate``, ``lower``,
        ``upper`` (grouped by cluster where clusters were given).
        """
        data, law = self._data, self._law
        z, began, hazard, _ = hazards_of(law, data, *self._fitted())
        z[data.between] = law.at_cumulative_hazard(hazard[data.between])
        # Ranks keep the order of residuals that lie too close together, near 0, to be told
        # apart as times.
        both = np.concatenate([[-np.inf], z, began])
        rank = pl.Series(both).rank("dense").to_numpy().astype(np.int64) - 1
        exits, entries = rank[1 : data.rows + 1], rank[data.rows + 1 :]
        curve = nelson_aalen(
            exits,
            data.failed > 0,
            entry=entries if data.late.size else None,
            weight=data.weight,
            cluster=data.cluster,
            level=level,
        ).table
        ascending = np.unique(both)
        at = ascending[curve["time"].to_numpy().astype(np.int64)]
        return curve.select(
            pl.Series("residual", law.cumulative_hazard(at)),
            "at_risk",
            "events",
            "estimate",
            "lower",
            "upper",
        )

    def _rows(self, covariates: Covariates) -> Floats:
        """Columns (m, k) of covariates to predict for, on the scales of the fit.

        On those scales, no digits are lost where a covariate is far from 0 beside its spread.
        """
        return np.asarray(self._design.matrix(read_covariates(covariates)) @ self._columns.back)

    def _predictor(self, x: Floats) -> Floats:
        """Linear predictor (m,); equal rows give equal values to the last digit."""
        predictor = np.zeros(x.shape[0])
        for column, coefficient in zip(x.T, self._top.point[:-1], strict=True):
            predictor += column * coefficient
        return predictor

    def _std_err(self, gradients: Floats) -> Floats:
        """Give standard errors (m,) of functions with gradients (m, k + 1), on those scales."""
        variance = ((gradients @ self._inner_covariance) * gradients).sum(axis=1)
        return np.asarray(np.sqrt(variance))

    @property
    def _law(self) -> StandardLaw:
        return _MODELS[self.model].law

    @property
    def _variance(self) -> str:
        return INFORMATION if self.clusters is None else GROUPED

    def _tested(self, term: str | None) -> list[int]:
        if term is None:
            return list(range(1, self._columns.width))
        return self._design.place(term)

    def _fitted(self) -> tuple[Floats, Floats]:
        """Predictor and sigma of every row."""
        return self._predictor(self._columns.x), np.full(self._data.rows, self.sigma)

    def _level_of(self, term: str) -> Ints:
        """Level number of every row."""
        indicators = self._columns.x[:, self._design.place(term)] > 0
        return np.where(indicators.any(axis=1), indicators.argmax(axis=1) + 1, 0)

    def _groups(self, term: str | None, columns: Columns, point: Floats) -> pl.DataFrame:
        """Lives, failures and failures expected, by level where there are levels."""
        data = self._data
        levels = None if term is None else self._design.term(term).levels
        names = ("all",) if levels is None else levels
        group = np.zeros(data.rows, dtype=np.intp)
        if term is not None and levels is not None:
            group = self._level_of(term)
        hazards = hazards_of(self._law, data, *spread_out(columns, point))
        return pl.DataFrame(
            {
                "group": names,
                "lives": np.bincount(group, weights=data.weight),
                "observed": np.bincount(group, weights=data.weight * data.failed),
                "expected": np.bincount(group, weights=data.weight * (hazards[2] - hazards[3])),
            }
        )


def _crossed(rows: int, values: Floats) -> tuple[Ints, Floats]:
    """Every value for every row."""
    return np.repeat(np.arange(rows), values.size), np.tile(values, rows)


def _test(
    statistic: float, df: int, groups: pl.DataFrame, variance: str, clusters: int | None
) -> TestResult:
    return TestResult(
        statistic=statistic,
        df=df,
        p_value=float(chdtrc(df, statistic)),
        groups=groups,
        variance=variance,
        clusters=clusters,
    )


def _coefficient_table(
    design: Design, coefficients: Floats, covariance: Floats, level: float
) -> pl.DataFrame:
    std_err = np.sqrt(np.diag(covariance)[:-1])
    half = normal_quantile(level) * std_err
    z = coefficients / std_err
    effects = pl.col("term") != INTERCEPT
    return pl.DataFrame(
        {
            "term": [term for term, _ in design.labels],
            "level": pl.Series([level for _, level in design.labels], dtype=pl.String),
            "coefficient": coefficients,
            "std_err": std_err,
            "lower": coefficients - half,
            "upper": coefficients + half,
        }
    ).with_columns(
        pl.when(effects).then(pl.col("coefficient").exp()).alias("life_ratio"),
        pl.when(effects).then(pl.col("lower").exp()).alias("life_ratio_lower"),
        pl.when(effects).then(pl.col("upper").exp()).alias("life_ratio_upper"),
        pl.Series("z", z),
        pl.Series("p_value", 2 * ndtr(-np.abs(z))),
    )


def fit_life_regression(
    exit: ArrayLike,  # noqa: A002
    event: ArrayLike,
    covariates: Covariates,
    *,
    model: RegressionModel = "weibull",
    entry: ArrayLike | None = None,
    weight: ArrayLike | None = None,
    cluster: ArrayLike | None = None,
    lower: ArrayLike | None = None,
) -> LifeRegression:
    """Estimate by what factor covariates lengthen or shorten life.

    The log of the age at failure is an intercept, plus a coefficient times each covariate, plus
    sigma times an error: smallest extreme value (a Weibull life) or normal (a lognormal life).
    So a covariate multiplies every age at failure by one factor, its life ratio. Linear in lives
    times the square of the number of coefficients, some ten times over.

    Parameters
    ----------
    exit : (n,) ages at the end of each life, > entry and > 0, in any unit.
    event : (n,) bool, True where the life ended by failure.
    covariates : frame of n rows, or mapping of names to (n,) columns. Numbers are continuous.
        Text, categories and booleans are categorical: each level is compared with a reference
        level, the first in sorted order (of a Polars Enum, in its own order).
    model : "weibull" or "lognormal".
    entry : (n,) ages from which each life was watched; 0 where not given.
    weight : (n,) > 0, how many alike lives a row stands for.
    cluster : (n,) labels, for instance vehicles; makes the covariance robust to dependence
        within clusters. It wants many clusters: limits are too narrow where there are few.
    lower : (n,) age at which a failed life was last known good, entry <= lower <= exit; NaN or
        ``exit`` itself where the age at failure is known.

    Returns
    -------
    LifeRegression

    Raises
    ------
    InvalidLives : what cannot be used, with count, first rows and remedy; covariates that are
        constant, fixed by others or have gaps, by name.
    NoInteriorMaximum : failures that do not determine the model: none in some level, too few for
        the number of parameters, or a perfect separation, by name where it can be told.

    Notes
    -----
    Source: Lawless 2003, chapter 6; Meeker and Escobar 1998, chapter 17; clusters: Lin and Wei
    1989.
    """
    if model not in _MODELS:
        raise ValueError(f"model is {model!r}: pass one of {', '.join(_MODELS)}")
    data = _check(exit, event, entry, weight, cluster, lower)
    given = read_covariates(covariates)
    design = code(given, data.rows)
    columns = standardise(design.matrix(given))
    refuse_collinear(design, columns.x)
    _refuse_few(design, given, data, columns)
    labels = design.labels
    law = _MODELS[model].law
    top = fit_columns(law, data, columns, start_from(data, columns), labels)
    inner, back = covariance_of(law, data, columns, top), columns.whole_back()
    covariance = back @ inner @ back.T
    point = back @ top.point
    n = float(data.weight.sum())
    return LifeRegression(
        model=model,
        table=_coefficient_table(design, point[:-1], covariance, 0.95),
        reference=design.reference,
        sigma=float(np.exp(point[-1])),
        covariance=covariance,
        log_likelihood=top.value,
        aicc=aicc_of(float(top.value), point.size, n),
        n=n,
        events=data.events,
        clusters=None if data.cluster is None else distinct(data.cluster),
        _design=design,
        _data=data,
        _columns=columns,
        _top=top,
        _inner_covariance=inner,
    )


def _check(
    exit: ArrayLike,  # noqa: A002
    event: ArrayLike,
    entry: ArrayLike | None,
    weight: ArrayLike | None,
    cluster: ArrayLike | None,
    lower: ArrayLike | None,
) -> Data:
    exits, entries, weighted = check_times(exit, entry, weight)
    failed = booleans(event, "event")
    same_length(exits.size, event=failed)
    clustered = None if cluster is None else codes(cluster, "cluster")
    same_length(exits.size, cluster=clustered)
    began = np.zeros(exits.size) if entries is None else entries.astype(np.float64)
    ends = exits.astype(np.float64)
    lowers = ends
    if lower is not None:
        lowers = check_lower(lower, exits, failed, entries)
    within = failed & (lowers < ends)
    between, late = np.flatnonzero(within), np.flatnonzero(began > 0)
    with np.errstate(divide="ignore"):
        log_lower = np.log(lowers[between])
    return Data(
        log_exit=np.log(ends),
        weight=np.ones(exits.size) if weighted is None else weighted,
        exact=np.flatnonzero(failed & ~within),
        censored=np.flatnonzero(~failed),
        between=between,
        late=late,
        log_lower=log_lower,
        log_entry=np.log(began[late]),
        cluster=clustered,
    )


def _refuse_few(design: Design, given: dict[str, pl.Series], data: Data, columns: Columns) -> None:
    """Refuse failures or clusters too few for the parameters, and levels without a failure."""
    failed, parameters = data.failed > 0, columns.width + 1
    if not failed.any():
        raise NoInteriorMaximum(
            f"None of {data.rows} lives failed: what shortens life cannot be told without failures."
        )
    for term in design.terms:
        if term.levels is None:
            continue
        counts = np.bincount(
            term.codes(given[term.name]).to_numpy(), weights=failed, minlength=len(term.levels)
        )
        none = [level for level, seen in zip(term.levels, counts, strict=True) if seen == 0]
        if none:
            raise NoInteriorMaximum(
                f"No life failed with covariate {term.name!r} at {listed(none)}, so its life "
                f"has no upper bound: join the level with another, or leave its lives out and "
                f"count them."
            )
    if data.events < parameters + 1:
        raise NoInteriorMaximum(
            f"There are {data.events:g} failures for {parameters} parameters: gather at least "
            f"{parameters + 1}, or leave covariates out."
        )
    ages = data.log_exit[data.exact]
    if data.between.size == 0 and np.ptp(ages) <= NEARLY_EQUAL:
        raise NoInteriorMaximum(
            f"All failures are at one age ({np.exp(ages[0]):g}), so their spread cannot be "
            f"estimated: gather failures at more ages."
        )
    if data.between.size == 0 and fits_exactly(columns.x[data.exact], ages):
        raise NoInteriorMaximum(
            "The covariates fit the failures exactly, so their spread cannot be estimated: gather "
            "more failures or leave covariates out."
        )
    _refuse_few_clusters(data, columns)


def _refuse_few_clusters(data: Data, columns: Columns) -> None:
    """Refuse clusters so few that their covariance of all parameters would be singular."""
    parameters = columns.width + columns.strata
    if data.cluster is not None and (clusters := distinct(data.cluster)) <= parameters:
        raise InvalidLives(
            f"There are {clusters} clusters for {parameters} parameters: a covariance grouped by "
            f"cluster needs more clusters than parameters, so leave covariates or the clusters "
            f"out."
        )
