"""Life distributions fitted by maximum likelihood to censored lives.

A model is a `_Family`: how its log-likelihood and derivatives follow from the data, and how a
quantile or parameter can be held while the rest is maximised. The fit, its covariance and its
profile limits are then the same for every model. Parameters are handled on the log scale, where
they are free and their likelihood is closest to a parabola.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable
from dataclasses import dataclass, field, fields
from typing import Literal, TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq

from fleetlog.errors import NoInteriorMaximum
from fleetlog.stats._arrays import (
    Bools,
    Floats,
    Ints,
    booleans,
    codes,
    count,
    distinct,
    normal_quantile,
    refuse,
    same_length,
    time_scale,
)
from fleetlog.stats._maximise import Derivatives, Maximum, maximise
from fleetlog.stats.distributions import Exponential, Life, Weibull
from fleetlog.stats.risk import check_times

ModelName: TypeAlias = Literal["weibull", "exponential"]
IntervalMethod: TypeAlias = Literal["likelihood", "wald"]

# A shape this small spreads lives over hundreds of powers of ten: the likelihood has run away.
LEAST_SHAPE = 1e-2
GREATEST_SHAPE = 1e4
# Profile limits farther out than this on the log scale are no limits: 0 or infinity is given.
FARTHEST_LIMIT = 30.0


@dataclass(frozen=True)
class _Data:
    """Lives reduced to what a likelihood of distinct ages needs.

    Attributes
    ----------
    log_age, signed : (d,) log of the ages > 0 at which watching ended or began, and the weight
        that ended less the weight that began there: their sum with H is the hazard lived through.
    failed_log_age, failed : (f,) log ages of the failures seen exactly, and their weights.
    log_lower, log_upper, between : (i,) ends of the intervals that hold a failure each (-inf for
        a lower end of 0), and their weights.
    """

    log_age: Floats
    signed: Floats
    failed_log_age: Floats
    failed: Floats
    log_lower: Floats
    log_upper: Floats
    between: Floats

    @property
    def events(self) -> float:
        """Weight of all failures."""
        return float(self.failed.sum() + self.between.sum())


@dataclass(frozen=True)
class _Held:
    """A point in parameter space that moves with one nuisance, the quantity of interest held.

    ``point`` (p,), and its first and second derivatives by the nuisance; no derivatives where
    the quantity leaves nothing free.
    """

    point: Floats
    first: Floats | None
    second: Floats | None


class _Family(ABC):
    """One model: parameters on the log scale, in the order of the life's own parameters."""

    life: type[Life]
    needed: int

    @abstractmethod
    def start(self, data: _Data) -> Floats:
        """Give a point to start from, (p,)."""

    @abstractmethod
    def hazards(self, log_age: Floats, point: Floats) -> tuple[Floats, Floats, Floats]:
        """Cumulative hazard (n,), its gradient (p, n) and Hessian (p, p, n) at each age > 0."""

    @abstractmethod
    def log_hazards(self, log_age: Floats, point: Floats) -> tuple[Floats, Floats]:
        """Log of the hazard (n,) and its gradient (p, n) at each age."""

    @abstractmethod
    def exact(self, data: _Data, point: Floats) -> Derivatives:
        """Log-likelihood of all but the intervals, with gradient and Hessian."""

    @abstractmethod
    def hold_quantile(self, p: float, log_age: float, nuisance: float) -> _Held:
        """Parameters that put the quantile of ``p`` at ``log_age``."""

    @abstractmethod
    def log_quantile_gradient(self, p: float, point: Floats) -> Floats:
        """Gradient (p,) of the log of a quantile."""

    def names(self) -> tuple[str, ...]:
        """Names of the parameters."""
        return tuple(item.name for item in fields(self.life))  # type: ignore[arg-type]

    def log_likelihood(self, data: _Data, point: Floats) -> Derivatives:
        """Value, gradient (p,) and Hessian (p, p) of the log-likelihood."""
        # Far from the maximum a hazard may overflow; the search then turns back.
        with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
            value, gradient, hessian = self.exact(data, point)
            if data.between.size:
                terms, slopes, bends = _interval_terms(self, data, point)
                value += float(terms @ data.between)
                gradient = gradient + slopes @ data.between
                hessian = hessian + bends @ data.between
        return value, gradient, hessian

    def ran_away(self, point: Floats) -> bool:
        """Whether a maximum is no maximum but a likelihood that flattens as it runs away."""
        del point
        return False

    def hold_parameter(self, index: int, value: float, nuisance: float) -> _Held:
        """Parameters with the one at ``index`` held at ``value`` (log scale)."""
        size = len(self.names())
        if size == 1:
            return _Held(np.array([value]), None, None)
        point = np.full(size, nuisance)
        point[index] = value
        first = np.ones(size)
        first[index] = 0.0
        return _Held(point, first, np.zeros(size))


def _interval_terms(family: _Family, data: _Data, point: Floats) -> tuple[Floats, Floats, Floats]:
    """Log chance of failing inside each interval, with derivatives by parameter."""
    at_lower, slope_lower, bend_lower = family.hazards(data.log_lower, point)
    at_upper, slope_upper, bend_upper = family.hazards(data.log_upper, point)
    # At age 0 the hazard lived through is 0 whatever the parameters.
    born = np.isneginf(data.log_lower)
    at_lower = np.where(born, 0.0, at_lower)
    slope_lower = np.where(born, 0.0, slope_lower)
    bend_lower = np.where(born, 0.0, bend_lower)
    gained, slope, bend = at_upper - at_lower, slope_upper - slope_lower, bend_upper - bend_lower
    odds = 1.0 / np.expm1(gained)
    return (
        np.log(-np.expm1(-gained)) - at_lower,
        odds * slope - slope_lower,
        odds * bend - odds * (1 + odds) * slope[:, None] * slope[None, :] - bend_lower,
    )


class _WeibullFamily(_Family):
    """Point: log shape, log scale."""

    life = Weibull
    needed = 2

    def start(self, data: _Data) -> Floats:
        middle = _interval_middle(data)
        log_age = np.concatenate([data.failed_log_age, middle])
        weight = np.concatenate([data.failed, data.between])
        centre = np.average(log_age, weights=weight)
        width = np.sqrt(np.average((log_age - centre) ** 2, weights=weight))
        shape = float(np.clip(1.2 / max(width, 1e-3), 0.2, 20.0))
        ages = np.concatenate([data.log_age, middle])
        signed = np.concatenate([data.signed, data.between])
        top = float(ages.max())
        lived = float(np.exp(shape * (ages - top)) @ signed)
        return np.array([np.log(shape), top + np.log(max(lived, 1e-300) / data.events) / shape])

    def hazards(self, log_age: Floats, point: Floats) -> tuple[Floats, Floats, Floats]:
        shape = np.exp(point[0])
        z = shape * (log_age - point[1])
        hazard = np.exp(z)
        by_shape, by_scale = hazard * z, -shape * hazard
        mixed = -shape * hazard * (z + 1)
        return (
            hazard,
            np.stack([by_shape, by_scale]),
            np.array([[hazard * z * (z + 1), mixed], [mixed, shape**2 * hazard]]),
        )

    def log_hazards(self, log_age: Floats, point: Floats) -> tuple[Floats, Floats]:
        shape = np.exp(point[0])
        z = shape * (log_age - point[1])
        return point[0] + z - log_age, np.stack([1 + z, np.full_like(z, -shape)])

    def exact(self, data: _Data, point: Floats) -> Derivatives:
        shape = np.exp(point[0])
        z = shape * (data.log_age - point[1])
        lived = np.exp(z)
        lived *= data.signed
        zero = float(lived.sum())
        lived *= z
        one = float(lived.sum())
        two = float(lived @ z)
        failed = float(data.failed.sum())
        log_sum = float(data.failed @ data.failed_log_age)
        z_sum = shape * (log_sum - failed * point[1])
        value = failed * point[0] + z_sum - log_sum - zero
        gradient = np.array([failed + z_sum - one, shape * (zero - failed)])
        mixed = shape * (one + zero - failed)
        hessian = np.array([[z_sum - one - two, mixed], [mixed, -(shape**2) * zero]])
        return value, gradient, hessian

    def hold_quantile(self, p: float, log_age: float, nuisance: float) -> _Held:
        offset = np.log(-np.log1p(-p)) * np.exp(-nuisance)
        return _Held(
            np.array([nuisance, log_age - offset]),
            np.array([1.0, offset]),
            np.array([0.0, -offset]),
        )

    def ran_away(self, point: Floats) -> bool:
        return not LEAST_SHAPE < np.exp(point[0]) < GREATEST_SHAPE

    def log_quantile_gradient(self, p: float, point: Floats) -> Floats:
        return np.array([-np.log(-np.log1p(-p)) * np.exp(-point[0]), 1.0])


class _ExponentialFamily(_Family):
    """Point: log mean."""

    life = Exponential
    needed = 1

    def start(self, data: _Data) -> Floats:
        ages = np.exp(np.concatenate([data.log_age, _interval_middle(data)]))
        signed = np.concatenate([data.signed, data.between])
        return np.array([np.log(max(float(ages @ signed), 1e-300) / data.events)])

    def hazards(self, log_age: Floats, point: Floats) -> tuple[Floats, Floats, Floats]:
        hazard = np.exp(log_age - point[0])
        return hazard, -hazard[None, :], hazard[None, None, :]

    def log_hazards(self, log_age: Floats, point: Floats) -> tuple[Floats, Floats]:
        return np.full_like(log_age, -point[0]), np.full((1, log_age.size), -1.0)

    def exact(self, data: _Data, point: Floats) -> Derivatives:
        lived = float(np.exp(data.log_age - point[0]) @ data.signed)
        failed = float(data.failed.sum())
        return -failed * point[0] - lived, np.array([lived - failed]), np.array([[-lived]])

    def hold_quantile(self, p: float, log_age: float, nuisance: float) -> _Held:
        del nuisance  # A quantile determines the only parameter.
        return _Held(np.array([log_age - np.log(-np.log1p(-p))]), None, None)

    def log_quantile_gradient(self, p: float, point: Floats) -> Floats:
        del p, point  # All quantiles are multiples of the mean.
        return np.array([1.0])


_FAMILIES: dict[str, _Family] = {
    "weibull": _WeibullFamily(),
    "exponential": _ExponentialFamily(),
}


def _interval_middle(data: _Data) -> Floats:
    """Log of the middle of each interval: near enough to start from."""
    return np.log((np.exp(data.log_lower) + np.exp(data.log_upper)) / 2)


@dataclass(frozen=True)
class _Quantity:
    """What limits are asked of: how it is held, and on the log scale its estimate and error.

    ``nuisance`` is where the rest lies at the maximum.
    """

    hold: Callable[[float, float], _Held]
    centre: float
    std_err: float
    nuisance: float


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
    _family: _Family = field(repr=False)
    _data: _Data = field(repr=False)
    _point: Floats = field(repr=False)
    _log_covariance: Floats = field(repr=False)

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

        The logs of the parameters are drawn from their normal approximation; the parameters of
        the answer are arrays (size,).
        """
        generator = np.random.default_rng(seed)
        logs = generator.multivariate_normal(self._point, self._log_covariance, size=size)
        return self._family.life(**dict(zip(self.parameters, np.exp(logs).T, strict=True)))

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
        slope = self._family.log_quantile_gradient(p, self._point)
        std_err = float(np.sqrt(slope @ self._log_covariance @ slope))
        centre = float(np.log(self.life.quantile(p)))

        def hold(value: float, nuisance: float) -> _Held:
            return self._family.hold_quantile(p, value, nuisance)

        quantity = _Quantity(hold, centre, std_err, float(self._point[0]))
        return self._interval(quantity, method, level)

    def parameter_interval(
        self, name: str, *, method: IntervalMethod | None = None, level: float = 0.95
    ) -> tuple[float, float]:
        """Limits of a parameter; arguments and answer as in `quantile_interval`."""
        if name not in self.parameters:
            raise ValueError(f"{name!r} is no parameter: pass one of {', '.join(self.parameters)}")
        index = list(self.parameters).index(name)
        std_err = float(np.sqrt(self._log_covariance[index, index]))
        centre = float(self._point[index])
        other = float(self._point[1 - index]) if self._point.size > 1 else 0.0

        def hold(value: float, nuisance: float) -> _Held:
            return self._family.hold_parameter(index, value, nuisance)

        return self._interval(_Quantity(hold, centre, std_err, other), method, level)

    def _interval(
        self, quantity: _Quantity, method: IntervalMethod | None, level: float
    ) -> tuple[float, float]:
        chosen = method or ("likelihood" if self.clusters is None else "wald")
        z = normal_quantile(level)
        if chosen == "wald":
            half = z * quantity.std_err
            return float(np.exp(quantity.centre - half)), float(np.exp(quantity.centre + half))
        if chosen != "likelihood":
            raise ValueError(f"method is {method!r}: pass 'likelihood' or 'wald'")
        if self.clusters is not None:
            raise ValueError(
                "the profile likelihood takes lives as independent, and this fit has clusters: "
                "pass method='wald'"
            )
        profile = _Profile(self._family, self._data, quantity, self.log_likelihood)
        return float(np.exp(profile.limit(-z))), float(np.exp(profile.limit(z)))


@dataclass(frozen=True)
class _Profile:
    """Log-likelihood maximised over the rest while one quantity is held."""

    family: _Family
    data: _Data
    quantity: _Quantity
    top: float

    def best(self, value: float, nuisance: float) -> tuple[float, float]:
        """Profile log-likelihood at ``value``, and the nuisance that attains it."""
        fixed = self.quantity.hold(value, nuisance)
        if fixed.first is None:
            return self.family.log_likelihood(self.data, fixed.point)[0], nuisance

        def along(position: Floats) -> Derivatives:
            held = self.quantity.hold(value, float(position[0]))
            assert held.first is not None
            assert held.second is not None
            level, gradient, hessian = self.family.log_likelihood(self.data, held.point)
            slope = gradient @ held.first
            bend = held.first @ hessian @ held.first + gradient @ held.second
            return level, np.array([slope]), np.array([[bend]])

        found = maximise(along, np.array([nuisance]))
        return found.value, float(found.point[0])

    def limit(self, z: float) -> float:
        """Value where the profile has fallen by z**2 / 2, on the side that z points to."""
        nuisance = self.quantity.nuisance

        def excess(value: float) -> float:
            nonlocal nuisance
            level, nuisance = self.best(value, nuisance)
            # The root of the deviance is nearly straight in the value, so few steps find it.
            return float(np.sqrt(max(2 * (self.top - level), 0.0))) - abs(z)

        inner = centre = self.quantity.centre
        outer = centre + z * self.quantity.std_err
        while excess(outer) < 0:
            if abs(outer - centre) > FARTHEST_LIMIT:
                return float(np.copysign(np.inf, z))
            inner, outer = outer, centre + 1.5 * (outer - centre)
        return float(brentq(excess, inner, outer, xtol=1e-12, rtol=1e-13))


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
    model : "weibull" (parameters shape, scale) or "exponential" (parameter mean).
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
    NoInteriorMaximum : no failures, or for the Weibull fewer than 2 distinct ages at failure, or
        a likelihood without a maximum.

    Notes
    -----
    Source: Meeker and Escobar 1998, chapters 8 and 11; clusters: Lin and Wei 1989.
    """
    if model not in _FAMILIES:
        raise ValueError(f"model is {model!r}: pass one of {', '.join(_FAMILIES)}")
    family = _FAMILIES[model]
    exits, entries, weighted = check_times(exit, entry, weight)
    failed = booleans(event, "event")
    same_length(exits.size, event=failed)
    lowers = None if lower is None else _check_lower(lower, exits, failed, entries)
    _check_failures(family, model, exits, failed, lowers)
    data = _reduce(exits, failed, entries, weighted, lowers)
    top = maximise(lambda point: family.log_likelihood(data, point), family.start(data))
    if family.ran_away(top.point):
        raise NoInteriorMaximum(
            f"The {model} likelihood keeps rising towards an extreme shape: the failures do not "
            f"determine the model, so gather more failures or fit the exponential model."
        )
    rows = _Rows(exits, failed, entries, weighted, lowers)
    clustered = None if cluster is None else codes(cluster, "cluster")
    if clustered is not None:
        same_length(exits.size, cluster=clustered)
    return _result(model, data, top, rows, clustered)


@dataclass(frozen=True)
class _Rows:
    """The checked lives, row by row."""

    exit: NDArray[np.int64] | Floats
    event: Bools
    entry: NDArray[np.int64] | Floats | None
    weight: Floats | None
    lower: Floats | None


def _check_lower(
    lower: ArrayLike,
    exits: NDArray[np.int64] | Floats,
    failed: Bools,
    entries: NDArray[np.int64] | Floats | None,
) -> Floats:
    """Lower ends with NaN made the exit itself: the age at failure is known."""
    ends = np.asarray(lower, dtype=np.float64)
    same_length(exits.size, lower=ends)
    ends = np.where(np.isnan(ends), exits, ends)
    refuse(ends > exits, "have lower > exit", "swap swapped readings")
    began = 0.0 if entries is None else entries
    refuse(ends < began, "have lower < entry", "a failure before entry was never watched for")
    refuse(
        ~failed & (ends < exits), "have an interval but no failure", "give no lower end for them"
    )
    return ends


def _check_failures(
    family: _Family,
    model: str,
    exits: NDArray[np.int64] | Floats,
    failed: Bools,
    lowers: Floats | None,
) -> None:
    ends = exits[failed]
    if ends.size == 0:
        raise NoInteriorMaximum(
            f"None of {exits.size} lives failed: a {model} model needs at least {family.needed} "
            f"distinct ages at failure."
        )
    same_end = ends.min() == ends.max()
    same_start = lowers is None or np.ptp(lowers[failed]) == 0
    if family.needed > 1 and same_end and same_start:
        raise NoInteriorMaximum(
            f"There is one distinct age at failure ({float(ends[0]):g}): a {model} model "
            f"needs at least {family.needed} distinct ages at failure."
        )


def _reduce(
    exits: NDArray[np.int64] | Floats,
    failed: Bools,
    entries: NDArray[np.int64] | Floats | None,
    weighted: Floats | None,
    lowers: Floats | None,
) -> _Data:
    """Add up the lives by distinct age."""
    within = np.zeros(0, dtype=np.bool_) if lowers is None else lowers < exits
    scale, places = time_scale(*((exits,) if entries is None else (exits, entries)))
    size = scale.size

    def counted(place: Ints, rows: Bools | None) -> Floats:
        weight = weighted if weighted is None or rows is None else weighted[rows]
        return count(place if rows is None else place[rows], size, weight)

    if lowers is None:
        failures, ended = counted(places[0], failed), counted(places[0], None)
    else:
        failures, ended = counted(places[0], failed & ~within), counted(places[0], ~within)
    if entries is not None:
        ended = ended - counted(places[1], None)
    with np.errstate(divide="ignore"):
        log_time = np.log(scale.times)
    lived, dead = np.flatnonzero((ended != 0) & (scale.times > 0)), np.flatnonzero(failures)
    if lowers is None or not within.any():
        none = np.zeros(0)
        low, high, between = none, none, none
    else:
        with np.errstate(divide="ignore"):
            low, high = np.log(lowers[within]), np.log(exits[within].astype(np.float64))
        between = np.ones(low.size) if weighted is None else weighted[within]
    return _Data(log_time[lived], ended[lived], log_time[dead], failures[dead], low, high, between)


def _result(model: str, data: _Data, top: Maximum, rows: _Rows, clustered: Ints | None) -> LifeFit:
    family = _FAMILIES[model]
    inverse = np.linalg.inv(-top.hessian)
    log_covariance = (inverse + inverse.T) / 2
    if clustered is not None:
        scores = _scores(family, rows, top.point)
        grouped = np.stack([np.bincount(clustered, weights=score) for score in scores])
        log_covariance = log_covariance @ (grouped @ grouped.T) @ log_covariance
    values = np.exp(top.point)
    parameters = dict(zip(family.names(), map(float, values), strict=True))
    n = float(rows.exit.size if rows.weight is None else rows.weight.sum())
    size = values.size
    return LifeFit(
        model=model,
        life=family.life(**parameters),
        parameters=parameters,
        covariance=log_covariance * values[:, None] * values[None, :],
        log_likelihood=float(top.value),
        aicc=_aicc(float(top.value), size, n),
        n=n,
        events=data.events,
        clusters=None if clustered is None else distinct(clustered),
        _family=family,
        _data=data,
        _point=top.point,
        _log_covariance=log_covariance,
    )


def _aicc(log_likelihood: float, parameters: int, n: float) -> float:
    spare = n - parameters - 1
    if spare <= 0:
        return float("inf")
    return 2 * parameters - 2 * log_likelihood + 2 * parameters * (parameters + 1) / spare


def _scores(family: _Family, rows: _Rows, point: Floats) -> Floats:
    """Gradient (p, n) of each life's log-likelihood."""
    log_exit = np.log(rows.exit.astype(np.float64))
    scores = -family.hazards(log_exit, point)[1]
    scores[:, rows.event] += family.log_hazards(log_exit[rows.event], point)[1]
    if rows.lower is not None and np.any(within := rows.lower < rows.exit):
        with np.errstate(divide="ignore", invalid="ignore"):
            none = np.zeros(0)
            low, high = np.log(rows.lower[within]), log_exit[within]
            ones = np.ones(low.size)
            held = _Data(none, none, none, none, low, high, ones)
            scores[:, within] = _interval_terms(family, held, point)[1]
    if rows.entry is not None:
        late = rows.entry > 0
        log_entry = np.log(rows.entry[late].astype(np.float64))
        scores[:, late] += family.hazards(log_entry, point)[1]
    return scores if rows.weight is None else scores * rows.weight
