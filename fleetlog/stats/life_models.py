"""Life distributions fitted by maximum likelihood to censored lives."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal, TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fleetlog.errors import InvalidLives, NoInteriorMaximum
from fleetlog.stats._arrays import (
    Bools,
    Floats,
    Ints,
    TimeScale,
    booleans,
    codes,
    count,
    distinct,
    normal_quantile,
    numbers,
    same_length,
    time_scale,
)
from fleetlog.stats._families import FAMILIES, Data, Family
from fleetlog.stats._maximise import Maximum, aicc_of
from fleetlog.stats._profile import Profile, Quantity, parameter_quantity, quantile_quantity
from fleetlog.stats.distributions import Life
from fleetlog.stats.risk import check_lower, check_times, refuse_one_cluster, risk_table_from_counts

ModelName: TypeAlias = Literal[
    "weibull",
    "exponential",
    "lognormal",
    "loglogistic",
    "gamma",
    "weibull-threshold",
    "weibull-mixture",
    "weibull-susceptible",
]
IntervalMethod: TypeAlias = Literal["likelihood", "wald"]


@dataclass(frozen=True)
class LifeFit:
    """A life distribution fitted to lives. See `fit_life`.

    Attributes
    ----------
    model : name of the model.
    life : the fitted distribution; it answers the same questions as one with known parameters.
    parameters : parameters by name, in the caller's unit.
    covariance : (p, p) of the parameters in that order, grouped by cluster where clusters were
        given, else the inverse of the observed information.
    log_likelihood : at the maximum.
    aicc : Akaike's criterion corrected for small samples (Burnham and Anderson 2002); infinite
        where the lives are too few for the correction.
    n, events : weight of the lives and of the failures.
    clusters : number of clusters, or None where lives were taken as independent.
    """

    model: str
    life: Life
    parameters: dict[str, float]
    covariance: Floats
    log_likelihood: float
    aicc: float
    n: float
    events: float
    clusters: int | None
    _family: Family = field(repr=False)
    _data: Data = field(repr=False)
    _point: Floats = field(repr=False)
    _free_covariance: Floats = field(repr=False)

    def survival(self, age: ArrayLike) -> Floats:
        """Share that survives beyond ``age``."""
        return self.life.survival(age)

    def failed(self, age: ArrayLike) -> Floats:
        """Share that has failed by ``age``."""
        return self.life.failed(age)

    def hazard(self, age: ArrayLike) -> Floats:
        """Failures per unit of age among those that survive to ``age``."""
        return self.life.hazard(age)

    def cumulative_hazard(self, age: ArrayLike) -> Floats:
        """Cumulative hazard at ``age``."""
        return self.life.cumulative_hazard(age)

    def conditional_failure(self, age: ArrayLike, horizon: ArrayLike) -> Floats:
        """Chance that a part now at ``age`` fails within a further ``horizon`` of use."""
        return self.life.conditional_failure(age, horizon)

    def quantile(self, p: ArrayLike) -> Floats:
        """Age by which a fraction ``p`` has failed."""
        return self.life.quantile(p)

    @property
    def mean(self) -> float:
        """Mean age at failure."""
        return float(self.life.mean)

    @property
    def std_err(self) -> dict[str, float]:
        """Standard error of each parameter."""
        errors = np.sqrt(np.diag(self.covariance))
        return dict(zip(self.parameters, map(float, errors), strict=True))

    def draws(self, size: int, *, seed: int) -> Life:
        """Distributions drawn from the uncertainty of the fit.

        The parameters, positive ones on the log scale, are drawn from their normal approximation;
        the parameters of the answer are arrays (size,).
        """
        generator = np.random.default_rng(seed)
        points = generator.multivariate_normal(self._point, self._free_covariance, size=size)
        return self._family.life_at(points.T)

    def quantile_interval(
        self, p: float, *, method: IntervalMethod | None = None, level: float = 0.95
    ) -> tuple[float, float]:
        """Limits of the age by which a fraction ``p`` has failed.

        Parameters
        ----------
        p : fraction failed, between 0 and 1.
        method : "likelihood" (profile likelihood; the default for independent lives) or "wald"
            (normal approximation on the log of the age; the default with clusters, to which the
            likelihood does not apply).
        level : confidence level.

        Returns
        -------
        (lower, upper); 0 or infinity where the data set no limit on that side.

        Source: Meeker and Escobar 1998, sections 8.3 and 8.4.
        """
        if not 0 < p < 1:
            raise ValueError(f"p is {p}: pass the fraction failed, between 0 and 1")
        if np.isinf(self.life.quantile(p)):
            raise ValueError(
                f"p is {p}, and by this fit a smaller share can ever fail: pass a smaller fraction"
            )
        hazard = -float(np.log1p(-p))
        quantity = quantile_quantity(self._family, hazard, self._point, self._free_covariance)
        lower, upper = self._interval(quantity, method, level)
        return float(np.exp(lower)), float(np.exp(upper))

    def parameter_interval(
        self, name: str, *, method: IntervalMethod | None = None, level: float = 0.95
    ) -> tuple[float, float]:
        """Limits of a parameter; arguments and answer as in `quantile_interval`.

        Wald limits are formed on the log of a positive parameter, on the log odds of a share, and
        on ``mu`` itself. A limit that the data do not set is the end of the parameter's range.
        """
        if name not in self.parameters:
            raise ValueError(f"{name!r} is no parameter: pass one of {', '.join(self.parameters)}")
        index = list(self.parameters).index(name)
        std_err = float(np.sqrt(self._free_covariance[index, index]))
        quantity = parameter_quantity(index, self._point, std_err)
        value = self._family.scales[index].value
        lower, upper = self._interval(quantity, method, level)
        return float(value(np.asarray(lower))), float(value(np.asarray(upper)))

    def _interval(
        self, quantity: Quantity, method: IntervalMethod | None, level: float
    ) -> tuple[float, float]:
        """Limits on the free scale of a quantity."""
        chosen = method or ("likelihood" if self.clusters is None else "wald")
        z = normal_quantile(level)
        if chosen == "wald":
            half = z * quantity.std_err
            return quantity.centre - half, quantity.centre + half
        if chosen != "likelihood":
            raise ValueError(f"method is {method!r}: pass 'likelihood' or 'wald'")
        if self.clusters is not None:
            raise ValueError(
                "the profile likelihood takes lives as independent, and this fit has clusters: "
                "pass method='wald'"
            )
        profile = Profile(self._family, self._data, quantity, self.log_likelihood)
        return profile.limit(-z), profile.limit(z)


def fit_life(
    exit: ArrayLike,  # noqa: A002
    event: ArrayLike,
    *,
    model: ModelName = "weibull",
    entry: ArrayLike | None = None,
    weight: ArrayLike | None = None,
    lower: ArrayLike | None = None,
    cluster: ArrayLike | None = None,
) -> LifeFit:
    """Fit a life distribution by maximum likelihood.

    Each life adds to the likelihood: a failure its density, a censored life its survival, a
    failure known only to lie in (lower, exit] the survival lost there; all of them given
    survival to ``entry``. Linear in the lives, and for whole ages the iterations work on distinct
    ages only.

    Parameters
    ----------
    exit : (n,) ages at the end of each life, > entry and > 0, in any unit.
    event : (n,) bool, True where the life ended by failure.
    model : "weibull", "loglogistic" or "gamma" (parameters shape, scale), "lognormal" (mu, sigma,
        of the log), "exponential" (mean), "weibull-threshold" (shape, scale, threshold),
        "weibull-susceptible" (share, shape, scale) or "weibull-mixture" (share, shape, scale,
        late_shape, late_scale; the kind of the lower median is the early one). What each
        parameter means is said by the distributions, `Weibull` and its fellows.
    entry : (n,) ages from which each life was watched; 0 where not given.
    weight : (n,) > 0, how many alike lives a row stands for.
    lower : (n,) age at which a failed life was last known good, entry <= lower <= exit; NaN or
        ``exit`` itself where the age at failure is known.
    cluster : (n,) labels; makes the covariance robust to dependence within clusters.

    Returns
    -------
    LifeFit

    Raises
    ------
    InvalidLives : the count, first rows and remedy of what cannot be used.
    NoInteriorMaximum : no failures, or fewer distinct ages at failure than the model needs, or a
        likelihood without a maximum; the message names a simpler model.

    Notes
    -----
    Source: Meeker and Escobar 1998, chapters 8 and 11; clusters: Lin and Wei 1989.
    """
    family = _family(model)
    rows = _check_rows(exit, event, entry, weight, lower)
    clustered = None if cluster is None else codes(cluster, "cluster")
    if clustered is not None:
        same_length(rows.exit.size, cluster=clustered)
        refuse_one_cluster(clustered)
    data = _reduce(rows)
    return _result(model, data, _climb(family, model, data), rows.weighed, rows, clustered)


def fit_life_from_table(
    time: ArrayLike,
    entered: ArrayLike,
    left: ArrayLike,
    events: ArrayLike,
    *,
    model: ModelName = "weibull",
) -> LifeFit:
    """Fit a life distribution to lives counted elsewhere; the same answer as `fit_life` on them.

    The likelihood of a life needs only the ages at which watching began and ended, so counts by
    age hold all of it, and the tables of two groups, one below the other, are the table of both.

    Parameters
    ----------
    time : (r,) ages; rows may repeat an age and come in any order.
    entered : (r,) lives that came under watch at that age (age 0 too).
    left : (r,) lives that ended at that age, failed or not; in all as many as entered.
    events : (r,) those of them that failed.
    model : as for `fit_life`.

    Raises
    ------
    InvalidLives : counts that no set of lives can have.
    NoInteriorMaximum : as for `fit_life`.
    """
    family = _family(model)
    risk_table_from_counts(time, entered, left, events)
    ages = numbers(time, "time")
    came, went, failed = (np.asarray(part, dtype=np.float64) for part in (entered, left, events))
    if failed.ndim != 1:
        raise InvalidLives("events has a column per cause: pass the failures of one cause or all.")
    n = float(came.sum())
    if abs(n - went.sum()) > 1e-9 * n:
        raise InvalidLives(
            f"{n:g} lives entered and {went.sum():g} left: count the lives that are still watched "
            f"as having left at the age at which they were last seen."
        )
    scale, (place,) = time_scale(ages)
    began, ended, died = (count(place, scale.size, part) for part in (came, went, failed))
    data = _count_ages(scale, ended - began, died, _NO_INTERVALS)
    return _result(model, data, _climb(family, model, data), n, None, None)


def fit_counted(model: str, data: Data, n: float) -> LifeFit:
    """Fit one model to lives that were checked and counted before."""
    return _result(model, data, _climb(_family(model), model, data), n, None, None)


def counted_lives(
    exit: ArrayLike,  # noqa: A002
    event: ArrayLike,
    entry: ArrayLike | None,
    weight: ArrayLike | None,
    lower: ArrayLike | None,
) -> tuple[Data, float]:
    """Check lives and count them by age, for fits of several models; and their weight in all."""
    rows = _check_rows(exit, event, entry, weight, lower)
    return _reduce(rows), rows.weighed


def _family(model: str) -> Family:
    if model not in FAMILIES:
        raise ValueError(f"model is {model!r}: pass one of {', '.join(FAMILIES)}")
    return FAMILIES[model]


@dataclass(frozen=True)
class _Rows:
    """The checked lives, row by row."""

    exit: NDArray[np.int64] | Floats
    event: Bools
    entry: NDArray[np.int64] | Floats | None
    weight: Floats | None
    lower: Floats | None

    @property
    def weighed(self) -> float:
        """Weight of all lives."""
        return float(self.exit.size if self.weight is None else self.weight.sum())


def _check_rows(
    exit: ArrayLike,  # noqa: A002
    event: ArrayLike,
    entry: ArrayLike | None,
    weight: ArrayLike | None,
    lower: ArrayLike | None,
) -> _Rows:
    exits, entries, weighted = check_times(exit, entry, weight)
    failed = booleans(event, "event")
    same_length(exits.size, event=failed)
    lowers = None if lower is None else check_lower(lower, exits, failed, entries)
    return _Rows(exits, failed, entries, weighted, lowers)


def _climb(family: Family, model: str, data: Data) -> Maximum:
    """Maximise the likelihood where there are failures enough to try."""
    needs = f"a {model} model needs at least {family.needed} distinct ages at failure"
    if data.events == 0:
        raise NoInteriorMaximum(f"No life failed: {needs}.")
    ages = data.distinct_failures
    if ages >= family.needed:
        return family.climb(data)
    if ages == 1:
        only = float(np.exp(data.failed_log_age[0] if data.failed.size else data.log_upper[0]))
        raise NoInteriorMaximum(f"There is one distinct age at failure ({only:g}): {needs}.")
    raise NoInteriorMaximum(
        f"There are {ages} distinct ages at failure: {needs}, so fit the {family.simpler} model."
    )


def _reduce(rows: _Rows) -> Data:
    """Add up the lives by distinct age."""
    within = None if rows.lower is None else rows.lower < rows.exit
    scale, places = time_scale(*((rows.exit,) if rows.entry is None else (rows.exit, rows.entry)))

    def counted(place: Ints, chosen: Bools | None) -> Floats:
        weight = rows.weight if rows.weight is None or chosen is None else rows.weight[chosen]
        return count(place if chosen is None else place[chosen], scale.size, weight)

    intervals = _NO_INTERVALS
    if rows.lower is None or within is None or not within.any():
        failures, ended = counted(places[0], rows.event), counted(places[0], None)
    else:
        failures, ended = counted(places[0], rows.event & ~within), counted(places[0], ~within)
        weight = None if rows.weight is None else rows.weight[within]
        intervals = _count_intervals(rows.lower[within], rows.exit[within], weight)
    if rows.entry is not None:
        ended = ended - counted(places[1], None)
    return _count_ages(scale, ended, failures, intervals)


_Intervals: TypeAlias = tuple[Floats, Floats, Floats]
_NO_INTERVALS: _Intervals = (np.zeros(0), np.zeros(0), np.zeros(0))


def _count_ages(scale: TimeScale, ended: Floats, failures: Floats, intervals: _Intervals) -> Data:
    """Keep the ages that count: weight ended less begun, and failed, at each time of a scale."""
    with np.errstate(divide="ignore"):
        log_time = np.log(scale.times)
    lived, dead = np.flatnonzero((ended != 0) & (scale.times > 0)), np.flatnonzero(failures)
    return Data(log_time[lived], ended[lived], log_time[dead], failures[dead], *intervals)


def _count_intervals(
    lower: Floats, upper: NDArray[np.int64] | Floats, weight: Floats | None
) -> _Intervals:
    """Log ends and weight of each different interval."""
    scale, (start, end) = time_scale(lower, upper)
    pairs, place = np.unique(start * scale.size + end, return_inverse=True)
    with np.errstate(divide="ignore"):
        logs = np.log(scale.times)
    return logs[pairs // scale.size], logs[pairs % scale.size], count(place, pairs.size, weight)


def _result(
    model: str, data: Data, top: Maximum, n: float, rows: _Rows | None, clustered: Ints | None
) -> LifeFit:
    family = FAMILIES[model]
    inverse = np.linalg.inv(-top.hessian)
    free_covariance = (inverse + inverse.T) / 2
    if clustered is not None and rows is not None:
        scores = _scores(family, rows, top.point)
        grouped = np.stack([np.bincount(clustered, weights=score) for score in scores])
        free_covariance = free_covariance @ (grouped @ grouped.T) @ free_covariance
    slopes = family.slopes(top.point)
    values = map(float, family.values(top.point))
    parameters = dict(zip(family.names(), values, strict=True))
    return LifeFit(
        model=model,
        life=family.life(**parameters),
        parameters=parameters,
        covariance=free_covariance * slopes[:, None] * slopes[None, :],
        log_likelihood=float(top.value),
        aicc=aicc_of(float(top.value), slopes.size, n),
        n=n,
        events=data.events,
        clusters=None if clustered is None else distinct(clustered),
        _family=family,
        _data=data,
        _point=top.point,
        _free_covariance=free_covariance,
    )


def _scores(family: Family, rows: _Rows, point: Floats) -> Floats:
    """Gradient (p, n) of each life's log-likelihood."""
    log_exit = np.log(rows.exit.astype(np.float64))
    scores = -family.hazards(log_exit, point)[1]
    scores[:, rows.event] += family.log_hazards(log_exit[rows.event], point)[1]
    if rows.lower is not None and np.any(within := rows.lower < rows.exit):
        with np.errstate(divide="ignore", invalid="ignore"):
            low, high = np.log(rows.lower[within]), log_exit[within]
            scores[:, within] = family.interval_terms(low, high, point)[1]
    if rows.entry is not None:
        late = rows.entry > 0
        log_entry = np.log(rows.entry[late].astype(np.float64))
        scores[:, late] += family.hazards(log_entry, point)[1]
    return scores if rows.weight is None else scores * rows.weight
