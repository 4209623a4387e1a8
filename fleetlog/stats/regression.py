"""What shortens life: accelerated-failure-time regression with censoring and late entry.

The log of an age at failure is a linear function of the covariates plus sigma times an error of
a standard law. A life's part in the likelihood is a function of its own linear predictor and
log sigma alone, so five derivatives per life (`_Terms`) give the gradient, the Hessian and the
scores that a covariance grouped by cluster needs.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Literal, NamedTuple, TypeAlias

import numpy as np
import polars as pl
from numpy.typing import ArrayLike
from scipy.optimize import linprog
from scipy.special import chdtrc, ndtr, xlogy

from fleetlog.errors import InvalidLives, NoInteriorMaximum
from fleetlog.stats._arrays import (
    NEARLY_EQUAL,
    Floats,
    Ints,
    booleans,
    codes,
    count,
    distinct,
    normal_quantile,
    refuse,
    same_length,
)
from fleetlog.stats._design import (
    INTERCEPT,
    Covariates,
    Design,
    code,
    labelled,
    listed,
    read_covariates,
    refuse_collinear,
)
from fleetlog.stats._maximise import Derivatives, Maximum, maximise
from fleetlog.stats._standard import Curve, Normal, SmallestExtreme, StandardLaw
from fleetlog.stats.compare import TestResult
from fleetlog.stats.curves import nelson_aalen
from fleetlog.stats.distributions import Life, Lognormal, Weibull
from fleetlog.stats.risk import check_times

RegressionModel: TypeAlias = Literal["weibull", "lognormal"]

LEAST_SIGMA, GREATEST_SIGMA = 1e-4, 1e2
# How the variance behind a test is formed.
RATIO = "none: likelihood ratio"
INFORMATION = "inverse information"
GROUPED = "score influences grouped by cluster"
# A covariate of spread 1 whose standard error exceeds this many sigmas may have none: whether the
# likelihood runs away is then settled exactly.
DOUBTFUL = 50.0
# Intervals over which the log density changes by less than this are integrated numerically: the
# difference of two chances would lose the digits that its derivatives need.
NARROW = 1.0
NODES, NODE_WEIGHTS = np.polynomial.legendre.leggauss(12)


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
class _Data:
    """Checked lives, on the log of age.

    Attributes
    ----------
    log_exit, weight : (n,).
    exact, censored, between, late : rows that failed at a known age, that did not fail, that
        failed within an interval, and that were first seen after age 0.
    log_lower : (i,) lower ends of the intervals, minus infinity for 0.
    log_entry : (l,) of the late rows.
    cluster : (n,) codes, or None where lives are independent.
    """

    log_exit: Floats
    weight: Floats
    exact: Ints
    censored: Ints
    between: Ints
    late: Ints
    log_lower: Floats
    log_entry: Floats
    cluster: Ints | None

    @property
    def rows(self) -> int:
        """How many rows there are."""
        return int(self.log_exit.size)

    @property
    def events(self) -> float:
        """Weight of the failures."""
        return float(self.weight[self.exact].sum() + self.weight[self.between].sum())

    @property
    def failed(self) -> Floats:
        """1 where a row failed, else 0, (n,)."""
        out = np.ones(self.rows)
        out[self.censored] = 0.0
        return out


class _Terms(NamedTuple):
    """Parts of a log-likelihood, (n,), and their derivatives.

    By the linear predictor, by log sigma, and twice by each and by both.
    """

    value: Floats
    predictor: Floats
    log_sigma: Floats
    predictor_twice: Floats
    mixed: Floats
    log_sigma_twice: Floats


def _chain(curve: Curve, z: Floats, sigma: Floats) -> _Terms:
    """Take a function of ``z = (log age - predictor) / sigma`` to its parameters."""
    value, first, second = curve
    return _Terms(
        value,
        -first / sigma,
        -z * first,
        second / sigma**2,
        (first + z * second) / sigma,
        z * (first + z * second),
    )


def _failure_terms(law: StandardLaw, z: Floats, sigma: Floats) -> _Terms:
    """Log density of the log of age."""
    terms = _chain(law.log_density(z), z, sigma)
    return terms._replace(value=terms.value - np.log(sigma), log_sigma=terms.log_sigma - 1)


def _interval_terms(law: StandardLaw, low: Floats, high: Floats, sigma: Floats) -> _Terms:
    """Log chance of an age whose z lies between ``low`` and ``high``."""
    with np.errstate(invalid="ignore"):
        steepest = np.maximum(
            np.abs(law.log_density(np.maximum(low, high - 1.0)).first),
            np.abs(law.log_density(high).first),
        )
        narrow = (high - low) * np.maximum(steepest, 1.0) < NARROW
    out = np.empty((len(_Terms._fields), low.size))
    wide = ~narrow
    out[:, narrow] = _narrow_terms(law, low[narrow], high[narrow], sigma[narrow])
    out[:, wide] = _wide_terms(law, low[wide], high[wide], sigma[wide])
    return _Terms(*out)


def _wide_terms(law: StandardLaw, low: Floats, high: Floats, sigma: Floats) -> Floats:
    """Terms of intervals by the chances and densities at their ends."""
    value = law.log_between(low, high)
    born = np.isneginf(low)
    finite = np.where(born, 0.0, low)
    below, above = law.log_density(finite), law.log_density(high)
    # An end at age 0 stays there whatever the parameters.
    at_low = np.where(born, 0.0, -np.exp(below.value - value))
    at_high = np.exp(above.value - value)
    low_twice = at_low * (below.first - at_low)
    # Far beyond the law's reach the density is 0 to the last digit and its log falls without bound.
    high_twice = at_high * (np.where(at_high > 0, above.first, 0.0) - at_high)
    both = -at_low * at_high
    shift = at_low + at_high
    stretch = finite * at_low + high * at_high
    bend = low_twice + 2 * both + high_twice
    tilt = finite * low_twice + (finite + high) * both + high * high_twice
    twice = finite**2 * low_twice + 2 * finite * high * both + high**2 * high_twice
    return np.stack(
        [value, -shift / sigma, -stretch, bend / sigma**2, (shift + tilt) / sigma, stretch + twice]
    )


def _narrow_terms(law: StandardLaw, low: Floats, high: Floats, sigma: Floats) -> Floats:
    """Terms of intervals as averages over exact failures inside them (Gauss and Legendre)."""
    half = (high - low) / 2
    z = (low + half) + half * NODES[:, None]
    inside = _failure_terms(law, z, np.broadcast_to(sigma, z.shape))
    top = inside.value.max(axis=0)
    share = NODE_WEIGHTS[:, None] * np.exp(inside.value - top)
    total = share.sum(axis=0)
    share /= total

    def mean(values: Floats) -> Floats:
        return np.asarray((share * values).sum(axis=0))

    predictor, log_sigma = mean(inside.predictor), mean(inside.log_sigma)
    by_predictor, by_sigma = inside.predictor - predictor, inside.log_sigma - log_sigma
    return np.stack(
        [
            top + np.log(total) + np.log(half * sigma),
            predictor,
            log_sigma,
            mean(inside.predictor_twice + by_predictor**2),
            mean(inside.mixed + by_predictor * by_sigma),
            mean(inside.log_sigma_twice + by_sigma**2),
        ]
    )


def _terms(law: StandardLaw, data: _Data, predictor: Floats, sigma: Floats) -> _Terms:
    """Log-likelihood of every life given survival to its entry, without weights."""
    z = (data.log_exit - predictor) / sigma
    out = np.empty((len(_Terms._fields), data.rows))
    rows = data.exact
    out[:, rows] = _failure_terms(law, z[rows], sigma[rows])
    out[0, rows] -= data.log_exit[rows]
    rows = data.censored
    out[:, rows] = _chain(law.log_survival(z[rows]), z[rows], sigma[rows])
    if data.between.size:
        rows = data.between
        low = (data.log_lower - predictor[rows]) / sigma[rows]
        out[:, rows] = _interval_terms(law, low, z[rows], sigma[rows])
    if data.late.size:
        rows = data.late
        began = (data.log_entry - predictor[rows]) / sigma[rows]
        out[:, rows] -= np.stack(_chain(law.log_survival(began), began, sigma[rows]))
    return _Terms(*out)


@dataclass(frozen=True)
class _Columns:
    """Columns of a linear model on scales of their own, and the way back.

    Attributes
    ----------
    x : (n, k) the intercept, and covariates of mean 0 and spread 1.
    back : (k, k) takes coefficients of these columns to those of the caller's.
    stratum : (n,) code of the sigma that a row has. strata : how many there are.
    """

    x: Floats
    back: Floats
    stratum: Ints
    strata: int

    @property
    def width(self) -> int:
        """How many coefficients there are."""
        return int(self.x.shape[1])

    def keep(self, places: list[int]) -> _Columns:
        """Only some of the columns."""
        return _Columns(
            self.x[:, places], self.back[np.ix_(places, places)], self.stratum, self.strata
        )

    def whole_back(self) -> Floats:
        """As ``back``, for the coefficients and log sigmas together."""
        size = self.width + self.strata
        out = np.eye(size)
        out[: self.width, : self.width] = self.back
        return out


def _standardise(matrix: Floats) -> _Columns:
    """Bring columns (n, k), the first of them ones, to mean 0 and spread 1."""
    centre, spread = matrix.mean(axis=0), matrix.std(axis=0)
    centre[0], spread[0] = 0.0, 1.0
    back = np.diag(1 / spread)
    back[0, 1:] = -centre[1:] / spread[1:]
    return _Columns((matrix - centre) / spread, back, np.zeros(matrix.shape[0], dtype=np.intp), 1)


def _spread_out(columns: _Columns, point: Floats) -> tuple[Floats, Floats]:
    """Predictor and sigma of every row at a point."""
    width = columns.width
    return columns.x @ point[:width], np.exp(point[width:])[columns.stratum]


def _log_likelihood(law: StandardLaw, data: _Data, columns: _Columns, point: Floats) -> Derivatives:
    """Value, gradient and Hessian; the point is the coefficients and then the log sigmas."""
    # Far from the maximum a hazard may overflow; the search then turns back.
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        parts = _terms(law, data, *_spread_out(columns, point))
        weighed = _Terms(*(part * data.weight for part in parts))
        x, width = columns.x, columns.width

        def by_stratum(values: Floats) -> Floats:
            return count(columns.stratum, columns.strata, values)

        gradient = np.concatenate([weighed.predictor @ x, by_stratum(weighed.log_sigma)])
        hessian = np.zeros((point.size, point.size))
        hessian[:width, :width] = (x * weighed.predictor_twice[:, None]).T @ x
        mixed = np.stack([by_stratum(weighed.mixed * column) for column in x.T])
        hessian[:width, width:], hessian[width:, :width] = mixed, mixed.T
        hessian[width:, width:] = np.diag(by_stratum(weighed.log_sigma_twice))
    return float(weighed.value.sum()), gradient, hessian


def _covariance(law: StandardLaw, data: _Data, columns: _Columns, top: Maximum) -> Floats:
    """Covariance of the point: inverse information, or the sandwich grouped by cluster."""
    inverse = np.linalg.inv(-top.hessian)
    inverse = (inverse + inverse.T) / 2
    if data.cluster is None:
        return inverse
    parts = _terms(law, data, *_spread_out(columns, top.point))
    by_predictor, by_sigma = parts.predictor * data.weight, parts.log_sigma * data.weight
    own = [np.where(columns.stratum == s, by_sigma, 0.0) for s in range(columns.strata)]
    scores = [by_predictor * column for column in columns.x.T] + own
    grouped = np.stack([np.bincount(data.cluster, weights=score) for score in scores])
    return np.asarray(inverse @ (grouped @ grouped.T) @ inverse)


def _start(data: _Data, columns: _Columns) -> Floats:
    """Least squares on the ends of the lives: near enough to start from."""
    root = np.sqrt(data.weight)
    found = np.linalg.lstsq(columns.x * root[:, None], data.log_exit * root, rcond=None)[0]
    left = data.log_exit - columns.x @ found
    spread = np.sqrt(np.average(left**2, weights=data.weight))
    return np.append(found, np.log(max(float(spread), 1e-3)))


def _fit(
    model: str, data: _Data, columns: _Columns, start: Floats, labels: list[tuple[str, str | None]]
) -> Maximum:
    """Maximise the likelihood; where it has no maximum, say what runs away."""
    law = _MODELS[model].law
    try:
        top = maximise(lambda point: _log_likelihood(law, data, columns, point), start)
    except NoInteriorMaximum:
        _explain(data, columns, labels)
        raise
    width = columns.width
    sigma = np.exp(top.point[width:])
    curvature = np.linalg.eigvalsh(-top.hessian)
    curved = bool(curvature[0] > 0)
    if not curved or np.any(
        np.diag(np.linalg.inv(-top.hessian))[:width] > (DOUBTFUL * sigma.max()) ** 2
    ):
        _explain(data, columns, labels)
    if not (curved and np.all((sigma > LEAST_SIGMA) & (sigma < GREATEST_SIGMA))):
        raise NoInteriorMaximum(
            f"The {model} likelihood keeps rising towards an extreme sigma "
            f"({', '.join(f'{value:g}' for value in sigma)}): the failures do not determine the "
            f"model, so gather more failures or leave covariates out."
        )
    return top


def _explain(data: _Data, columns: _Columns, labels: list[tuple[str, str | None]]) -> None:
    """Raise NoInteriorMaximum naming the terms along which the likelihood rises for ever.

    With ``z = rate * log age - predictor`` the likelihood of these laws is concave, so it has no
    maximum just where some direction keeps every exact failure in place and lets no censored
    life, nor either end of an interval, fall back (Silvapulle and Burridge 1986). A linear
    program finds such a direction. Late entry, which can only add others, is left aside.
    """
    age = data.log_exit - data.log_exit.mean()
    x = columns.x
    exact = np.unique(np.column_stack([-x[data.exact], age[data.exact]]), axis=0)
    lower = np.isfinite(data.log_lower)
    held = np.vstack(
        [
            np.column_stack([-x[data.censored], age[data.censored]]),
            np.column_stack(
                [-x[data.between[lower]], data.log_lower[lower] - data.log_exit.mean()]
            ),
            np.column_stack([x[data.between], -age[data.between]]),
        ]
    )
    held = np.unique(held, axis=0)
    size = columns.width + 1
    towards = held.sum(axis=0) - np.eye(size)[-1] * (exact.shape[0] > 0)

    def direction_with(reach: float) -> Floats | None:
        """Direction in which no coefficient but the intercept exceeds ``reach``."""
        answer = linprog(
            towards,
            A_ub=held,
            b_ub=np.zeros(held.shape[0]),
            A_eq=exact if exact.size else None,
            b_eq=np.zeros(exact.shape[0]) if exact.size else None,
            bounds=[(-1.0, 1.0), *[(-reach, reach)] * (columns.width - 1), (0.0, 1.0)],
            method="highs",
        )
        return None if answer.x is None or towards @ answer.x > -1e-6 else answer.x

    if direction_with(0.0) is not None:
        raise NoInteriorMaximum(
            "The ages at which lives ended leave the spread or the length of life open, whatever "
            "the covariates: gather failures, or inspections, at more ages."
        )
    found = direction_with(1.0)
    if found is None:
        return
    if found[-1] > 1e-6 and exact.size:
        raise NoInteriorMaximum(
            "The covariates fit the failures exactly, so their spread cannot be estimated: gather "
            "more failures or leave covariates out."
        )
    direction = columns.back @ found[: columns.width]
    moved = [
        labelled(*labels[place])
        for place in range(1, columns.width)
        if abs(direction[place]) > 1e-6 * np.max(np.abs(direction))
    ]
    raise NoInteriorMaximum(
        f"Perfect separation: {' with '.join(moved)} tells the lives that failed from those that "
        f"did not, so the likelihood keeps rising; leave that out, or join its lives with others."
    )


def _fits_exactly(x: Floats, log_age: Floats) -> bool:
    """Whether the columns reproduce the log ages, so that no spread is left to estimate."""
    found = np.linalg.lstsq(x, log_age, rcond=None)[0]
    return bool(np.max(np.abs(log_age - x @ found)) <= 1e-9 * max(1.0, float(np.ptp(log_age))))


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
    _data: _Data = field(repr=False)
    _columns: _Columns = field(repr=False)
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
        stretch = self.sigma * _MODELS[self.model].law.quantile(at)
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
        law = _MODELS[self.model].law

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
        top = _fit(self.model, self._data, columns, start, labels)
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
        """
        chosen = self._design.term(term)
        if chosen.levels is None:
            raise ValueError(
                f"covariate {term!r} is continuous: pass a categorical one, or fit it in classes"
            )
        stratum = self._level_of(term)
        columns = _Columns(self._columns.x, self._columns.back, stratum, len(chosen.levels))
        for place, name in enumerate(chosen.levels):
            exact = self._data.exact[stratum[self._data.exact] == place]
            between = np.any(stratum[self._data.between] == place)
            if not between and _fits_exactly(columns.x[exact], self._data.log_exit[exact]):
                raise NoInteriorMaximum(
                    f"The {exact.size} failures of level {name!r} of covariate {term!r} are too "
                    f"few for a sigma of their own: join that level with another."
                )
        width = columns.width
        start = np.append(self._top.point[:width], np.full(columns.strata, self._top.point[width]))
        top = _fit(self.model, self._data, columns, start, self._design.labels)
        law = _MODELS[self.model].law
        own = _covariance(law, self._data, columns, top)[width:, width:]
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
        data, law = self._data, _MODELS[self.model].law
        z, began, hazard, hazard_began = _hazards(law, data, *self._fitted())
        del began
        failed = data.failed
        z[data.between] = law.at_cumulative_hazard(hazard[data.between])
        gained = hazard - hazard_began
        martingale = failed - gained
        deviance = np.sign(martingale) * np.sqrt(
            np.maximum(-2 * (martingale + xlogy(failed, gained)), 0.0)
        )
        median = self._fitted()[0] + self.sigma * law.quantile(np.array(0.5))
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
        data, law = self._data, _MODELS[self.model].law
        z, began, hazard, _ = _hazards(law, data, *self._fitted())
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

    def _groups(self, term: str | None, columns: _Columns, point: Floats) -> pl.DataFrame:
        """Lives, failures and failures expected, by level where there are levels."""
        data = self._data
        levels = None if term is None else self._design.term(term).levels
        names = ("all",) if levels is None else levels
        group = np.zeros(data.rows, dtype=np.intp)
        if term is not None and levels is not None:
            group = self._level_of(term)
        hazards = _hazards(_MODELS[self.model].law, data, *_spread_out(columns, point))
        return pl.DataFrame(
            {
                "group": names,
                "lives": np.bincount(group, weights=data.weight),
                "observed": np.bincount(group, weights=data.weight * data.failed),
                "expected": np.bincount(group, weights=data.weight * (hazards[2] - hazards[3])),
            }
        )


def _hazards(
    law: StandardLaw, data: _Data, predictor: Floats, sigma: Floats
) -> tuple[Floats, Floats, Floats, Floats]:
    """Standardised log ages at exit and entry, and the cumulative hazards there, (n,) each."""
    z = (data.log_exit - predictor) / sigma
    began = np.full(data.rows, -np.inf)
    began[data.late] = (data.log_entry - predictor[data.late]) / sigma[data.late]
    hazard, hazard_began = law.cumulative_hazard(z), law.cumulative_hazard(began)
    if data.between.size:
        rows = data.between
        low = (data.log_lower - predictor[rows]) / sigma[rows]
        start = law.cumulative_hazard(low)
        # Mean of an exponential variable known to lie between the two cumulative hazards.
        gained = np.maximum(hazard[rows] - start, 1e-300)
        hazard[rows] = start + np.where(
            gained < 1e-4, gained / 2, 1 - gained / np.expm1(np.minimum(gained, 700.0))
        )
    return z, began, hazard, hazard_began


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
    columns = _standardise(design.matrix(given))
    refuse_collinear(design, columns.x)
    _refuse_few(design, given, data, columns)
    labels = design.labels
    top = _fit(model, data, columns, _start(data, columns), labels)
    inner, back = _covariance(_MODELS[model].law, data, columns, top), columns.whole_back()
    covariance = back @ inner @ back.T
    point = back @ top.point
    n = float(data.weight.sum())
    spare = n - point.size - 1
    correction = 2 * point.size * (point.size + 1) / spare if spare > 0 else float("inf")
    return LifeRegression(
        model=model,
        table=_coefficient_table(design, point[:-1], covariance, 0.95),
        reference=design.reference,
        sigma=float(np.exp(point[-1])),
        covariance=covariance,
        log_likelihood=top.value,
        aicc=2 * point.size - 2 * top.value + correction,
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
) -> _Data:
    exits, entries, weighted = check_times(exit, entry, weight)
    failed = booleans(event, "event")
    same_length(exits.size, event=failed)
    clustered = None if cluster is None else codes(cluster, "cluster")
    same_length(exits.size, cluster=clustered)
    began = np.zeros(exits.size) if entries is None else entries.astype(np.float64)
    ends = exits.astype(np.float64)
    lowers = ends
    if lower is not None:
        lowers = np.asarray(lower, dtype=np.float64)
        same_length(exits.size, lower=lowers)
        lowers = np.where(np.isnan(lowers), ends, lowers)
        refuse(lowers > ends, "have lower > exit", "swap swapped readings")
        refuse(lowers < began, "have lower < entry", "a failure before entry was never watched for")
        refuse(
            ~failed & (lowers < ends),
            "have an interval but no failure",
            "give no lower end for them",
        )
    within = failed & (lowers < ends)
    between, late = np.flatnonzero(within), np.flatnonzero(began > 0)
    with np.errstate(divide="ignore"):
        log_lower = np.log(lowers[between])
    return _Data(
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


def _refuse_few(
    design: Design, given: dict[str, pl.Series], data: _Data, columns: _Columns
) -> None:
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
    if data.between.size == 0 and _fits_exactly(columns.x[data.exact], ages):
        raise NoInteriorMaximum(
            "The covariates fit the failures exactly, so their spread cannot be estimated: gather "
            "more failures or leave covariates out."
        )
    if data.cluster is not None and (clusters := distinct(data.cluster)) <= parameters:
        raise InvalidLives(
            f"There are {clusters} clusters for {parameters} parameters: a covariance grouped by "
            f"cluster needs more clusters than parameters, so leave covariates or the clusters "
            f"out."
        )
