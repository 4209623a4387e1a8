"""Families of life distributions, as likelihoods of lives counted by distinct age.

A family says how its cumulative hazard and its hazard, with their first and second derivatives,
follow from a point: its parameters, each on a scale where it is free and its likelihood closest to
a parabola. Fit, covariance and limits are then the same for every model.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable
from dataclasses import dataclass, fields
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray
from scipy.special import (
    digamma,
    erfcx,
    expit,
    gammaln,
    log_expit,
    log_ndtr,
    logit,
    ndtri_exp,
    polygamma,
)

from fleetlog.errors import NoInteriorMaximum
from fleetlog.stats._arrays import Floats, count
from fleetlog.stats._gamma_tail import log_upper, upper_derivatives
from fleetlog.stats._maximise import Derivatives, Maximum, maximise
from fleetlog.stats.distributions import (
    Exponential,
    Gamma,
    Life,
    Loglogistic,
    Lognormal,
    SusceptibleWeibull,
    ThresholdWeibull,
    Weibull,
    WeibullMixture,
)

Terms = tuple[Floats, Floats, Floats]

# A shape this small spreads lives over hundreds of powers of ten: the likelihood has run away.
LEAST_SHAPE = 1e-2
GREATEST_SHAPE = 1e4
# Ages enough to find the neighbourhood of a maximum by.
FEW_AGES = 1000
# Logs of parameters beyond this leave the range of doubles.
FARTHEST = 700.0


@dataclass(frozen=True)
class Data:
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

    @property
    def distinct_failures(self) -> int:
        """Number of different ages, or intervals, at which lives failed."""
        if self.between.size == 0:
            return self.failed.size
        ends = np.stack([self.log_lower, self.log_upper])
        return int(self.failed.size + np.unique(ends, axis=1).shape[1])

    def middle(self) -> Floats:
        """Log of the middle of each interval: near enough to start from."""
        return np.log((np.exp(self.log_lower) + np.exp(self.log_upper)) / 2)

    def coarse(self) -> Data:
        """Give about the same lives at few ages, to search on before climbing the last steps."""
        if self.log_age.size <= FEW_AGES:
            return self
        low, high = float(self.log_age.min()), float(self.log_age.max())
        width = (high - low) / FEW_AGES

        def gathered(log_age: Floats, weight: Floats) -> tuple[Floats, Floats]:
            place = np.rint((log_age - low) / width).astype(np.intp)
            total = count(place, FEW_AGES + 1, weight)
            used = np.flatnonzero(total)
            return np.asarray(low + used * width, dtype=np.float64), total[used]

        return Data(
            *gathered(self.log_age, self.signed),
            *gathered(self.failed_log_age, self.failed),
            self.log_lower,
            self.log_upper,
            self.between,
        )


@dataclass(frozen=True)
class Scale:
    """A free scale for a parameter: the parameter at a place on it, and its slope there."""

    value: Callable[[Floats], Floats]
    slope: Callable[[Floats], Floats]


def _near(place: Floats) -> Floats:
    """Places within the range of doubles, except where a limit is infinite."""
    return np.where(np.isinf(place), place, np.clip(place, -FARTHEST, FARTHEST))


def _exp(place: Floats) -> Floats:
    return np.asarray(np.exp(_near(place)))


def _logistic(place: Floats) -> Floats:
    return np.asarray(expit(_near(place)))


def _logistic_slope(place: Floats) -> Floats:
    return np.asarray(expit(place) * expit(-place))


LOG = Scale(_exp, _exp)
PLAIN = Scale(np.asarray, np.ones_like)
LOGIT = Scale(_logistic, _logistic_slope)


class Family(ABC):
    """One model. Points hold its parameters on their free scales, in the order of the life's own.

    Attributes
    ----------
    life : the distribution.
    needed : least number of distinct ages at failure.
    scales : free scale of each parameter.
    moving : places in a point that all shift by log k when every age is multiplied by k.
    simpler : the model to fall back on.
    """

    life: ClassVar[type[Life]]
    needed: ClassVar[int]
    scales: ClassVar[tuple[Scale, ...]]
    moving: ClassVar[tuple[int, ...]]
    simpler: ClassVar[str]

    @abstractmethod
    def start(self, data: Data) -> Floats:
        """Give a point to start from, (p,)."""

    @abstractmethod
    def hazards(self, log_age: Floats, point: Floats) -> Terms:
        """Cumulative hazard (n,), its gradient (p, n) and Hessian (p, p, n) at each age > 0."""

    @abstractmethod
    def log_hazards(self, log_age: Floats, point: Floats) -> Terms:
        """Log of the hazard (n,), its gradient (p, n) and Hessian (p, p, n) at each age."""

    def exact(self, data: Data, point: Floats) -> Derivatives:
        """Log-likelihood of all but the intervals, with gradient and Hessian."""
        lived, lived_slope, lived_bend = self.hazards(data.log_age, point)
        rate, rate_slope, rate_bend = self.log_hazards(data.failed_log_age, point)
        return (
            float(rate @ data.failed - lived @ data.signed),
            rate_slope @ data.failed - lived_slope @ data.signed,
            rate_bend @ data.failed - lived_bend @ data.signed,
        )

    def log_likelihood(self, data: Data, point: Floats) -> Derivatives:
        """Value, gradient (p,) and Hessian (p, p) of the log-likelihood."""
        # Far from the maximum a hazard may overflow; the search then turns back.
        with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
            value, gradient, hessian = self.exact(data, point)
            if data.between.size:
                terms, slopes, bends = self.interval_terms(data.log_lower, data.log_upper, point)
                value += float(terms @ data.between)
                gradient = gradient + slopes @ data.between
                hessian = hessian + bends @ data.between
        return value, gradient, hessian

    def interval_terms(self, log_lower: Floats, log_upper: Floats, point: Floats) -> Terms:
        """Log chance of failing inside each interval, with derivatives by parameter."""
        at_lower, slope_lower, bend_lower = self.hazards(log_lower, point)
        at_upper, slope_upper, bend_upper = self.hazards(log_upper, point)
        # At age 0 the hazard lived through is 0 whatever the parameters.
        born = np.isneginf(log_lower)
        at_lower = np.where(born, 0.0, at_lower)
        slope_lower = np.where(born, 0.0, slope_lower)
        bend_lower = np.where(born, 0.0, bend_lower)
        gained, slope, bend = (
            at_upper - at_lower,
            slope_upper - slope_lower,
            bend_upper - bend_lower,
        )
        odds = 1.0 / np.expm1(gained)
        return (
            np.log(-np.expm1(-gained)) - at_lower,
            odds * slope - slope_lower,
            odds * bend - odds * (1 + odds) * slope[:, None] * slope[None, :] - bend_lower,
        )

    def climb(self, data: Data) -> Maximum:
        """Maximise the likelihood, or say why it has no interior maximum."""
        top = maximise(lambda point: self.log_likelihood(data, point), self.start(data))
        if self.ran_away(top.point):
            raise NoInteriorMaximum(
                f"The likelihood keeps rising towards an extreme shape: the failures do not "
                f"determine the model, so gather more failures or fit the {self.simpler} model."
            )
        return top

    def ran_away(self, point: Floats) -> bool:
        """Whether a maximum is no maximum but a likelihood that flattens as it runs away."""
        del point
        return False

    def names(self) -> tuple[str, ...]:
        """Names of the parameters."""
        return tuple(item.name for item in fields(self.life))  # type: ignore[arg-type]

    def values(self, point: Floats) -> Floats:
        """Parameters at a point, or (p, n) at several."""
        return np.stack(
            [scale.value(place) for scale, place in zip(self.scales, point, strict=True)]
        )

    def slopes(self, point: Floats) -> Floats:
        """Slope (p,) of each parameter by its place on its free scale."""
        return np.stack(
            [scale.slope(place) for scale, place in zip(self.scales, point, strict=True)]
        )

    def life_at(self, point: Floats) -> Life:
        """Give the distribution at a point, or the distributions at several (p, n)."""
        return self.life(**dict(zip(self.names(), self.values(point), strict=True)))

    def log_quantile(self, hazard: float, point: Floats) -> float:
        """Log of the age at which the cumulative hazard reaches ``hazard``."""
        with np.errstate(divide="ignore"):
            return float(np.log(self.life_at(point).age_at(hazard)))

    def log_quantile_derivatives(self, hazard: float, point: Floats) -> Derivatives:
        """Log of a quantile, its gradient (p,) and Hessian (p, p), by implicit differentiation.

        Moving every age by a factor moves the point along ``moving``, so derivatives by the log
        of the age are derivatives along it, turned round.
        """
        log_age = self.log_quantile(hazard, point)
        _, slope, bend = self.hazards(np.array([log_age]), point)
        slope, bend = slope[:, 0], bend[:, :, 0]
        along = np.zeros(point.size)
        along[list(self.moving)] = 1.0
        by_age = -float(slope @ along)
        by_both = -bend @ along
        gradient = -slope / by_age
        mixed = by_both[:, None] * gradient[None, :]
        twice = float(along @ bend @ along) * gradient[:, None] * gradient[None, :]
        return log_age, gradient, -(bend + mixed + mixed.T + twice) / by_age


def _chain(first: Floats, second: Floats, slope: Floats, bend: Floats) -> tuple[Floats, Floats]:
    """Gradient and Hessian of a function of z, from its derivatives by z and those of z."""
    return first * slope, second * slope[:, None] * slope[None, :] + first * bend


def _weibull_start(data: Data) -> Floats:
    """Log shape and log scale from the spread of the log ages and the hazard lived through."""
    middle = data.middle()
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


class _LogLocationScale(Family):
    """Families whose log age is a standard variable z, stretched and shifted.

    ``sign`` says how the log of dz/dlog age follows the place in the point that stretches.
    """

    needed = 2
    sign: ClassVar[float]

    @abstractmethod
    def standard(self, z: Floats) -> Terms:
        """Cumulative hazard of z and its first two derivatives."""

    @abstractmethod
    def log_standard(self, z: Floats) -> Terms:
        """Log of the derivative of the cumulative hazard, and its first two derivatives."""

    @abstractmethod
    def stretched(self, log_age: Floats, point: Floats) -> tuple[Floats, Floats, Floats, Floats]:
        """Give z, its gradient and Hessian by the point, and the gradient of log dz/dlog age."""

    def log_stretch(self, point: Floats) -> float:
        """Log of dz/dlog age."""
        return self.sign * float(point[1 - self.moving[0]])

    @abstractmethod
    def reached(self, hazard: float) -> float:
        """Give the z at which the cumulative hazard reaches a value."""

    def log_quantile_derivatives(self, hazard: float, point: Floats) -> Derivatives:
        # In closed form: profiles ask for this at every step.
        (moves,) = self.moving
        stretches = 1 - moves
        offset = self.reached(hazard) * float(np.exp(-self.log_stretch(point)))
        gradient, hessian = np.ones(2), np.zeros((2, 2))
        gradient[stretches] = -self.sign * offset
        hessian[stretches, stretches] = offset
        return float(point[moves]) + offset, gradient, hessian

    def hazards(self, log_age: Floats, point: Floats) -> Terms:
        z, slope, bend, _ = self.stretched(log_age, point)
        value, first, second = self.standard(z)
        return value, *_chain(first, second, slope, bend)

    def log_hazards(self, log_age: Floats, point: Floats) -> Terms:
        z, slope, bend, stretch = self.stretched(log_age, point)
        value, first, second = self.log_standard(z)
        gradient, hessian = _chain(first, second, slope, bend)
        return value + self.log_stretch(point) - log_age, gradient + stretch[:, None], hessian


class _ShapeScale(_LogLocationScale):
    """Point: log shape, log scale; z is the shape times the log of age over scale."""

    scales = (LOG, LOG)
    moving = (1,)
    sign = 1.0
    simpler = "exponential"

    def start(self, data: Data) -> Floats:
        return _weibull_start(data)

    def stretched(self, log_age: Floats, point: Floats) -> tuple[Floats, Floats, Floats, Floats]:
        shape = np.exp(point[0])
        z = shape * (log_age - point[1])
        down, zero = np.full_like(z, -shape), np.zeros_like(z)
        return z, np.stack([z, down]), np.array([[z, down], [down, zero]]), np.array([1.0, 0.0])

    def ran_away(self, point: Floats) -> bool:
        return not LEAST_SHAPE < np.exp(point[0]) < GREATEST_SHAPE


class WeibullFamily(_ShapeScale):
    """Weibull: the hazard of z is exp(z)."""

    life = Weibull

    def standard(self, z: Floats) -> Terms:
        hazard = np.exp(z)
        return hazard, hazard, hazard

    def reached(self, hazard: float) -> float:
        return float(np.log(hazard))

    def log_standard(self, z: Floats) -> Terms:
        return z, np.ones_like(z), np.zeros_like(z)

    def exact(self, data: Data, point: Floats) -> Derivatives:
        # The general sums written out, in three passes over the ages.
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


class LoglogisticFamily(_ShapeScale):
    """Loglogistic: the survival of z is that of a logistic variable."""

    life = Loglogistic
    simpler = "weibull"

    def start(self, data: Data) -> Floats:
        # The Weibull's median, and its spread about it.
        log_shape, log_scale = _weibull_start(data)
        return np.array([log_shape + 0.25, log_scale + np.log(np.log(2)) * np.exp(-log_shape)])

    def standard(self, z: Floats) -> Terms:
        share = expit(z)
        return np.logaddexp(0.0, z), share, share * expit(-z)

    def reached(self, hazard: float) -> float:
        return float(hazard + np.log(-np.expm1(-hazard)))

    def log_standard(self, z: Floats) -> Terms:
        share = expit(z)
        return np.asarray(log_expit(z)), 1 - share, -share * expit(-z)


class LognormalFamily(_LogLocationScale):
    """Point: mu, log sigma; z is a standard normal variable."""

    life = Lognormal
    scales = (PLAIN, LOG)
    moving = (0,)
    sign = -1.0
    simpler = "weibull"

    def start(self, data: Data) -> Floats:
        log_shape, log_scale = _weibull_start(data)
        spread = np.exp(-log_shape)
        return np.array([log_scale + np.log(np.log(2)) * spread, np.log(1.2 * spread)])

    def stretched(self, log_age: Floats, point: Floats) -> tuple[Floats, Floats, Floats, Floats]:
        rate = np.exp(-point[1])
        z = rate * (log_age - point[0])
        up, zero = np.full_like(z, rate), np.zeros_like(z)
        return z, np.stack([-up, -z]), np.array([[zero, up], [up, z]]), np.array([0.0, -1.0])

    def standard(self, z: Floats) -> Terms:
        hazard = _normal_hazard(z)
        return np.asarray(-log_ndtr(-z)), hazard, hazard * (hazard - z)

    def reached(self, hazard: float) -> float:
        return -float(ndtri_exp(-hazard))

    def log_standard(self, z: Floats) -> Terms:
        hazard = _normal_hazard(z)
        log_density = -0.5 * (z * z + np.log(2 * np.pi))
        return log_density - log_ndtr(-z), hazard - z, hazard * (hazard - z) - 1

    def ran_away(self, point: Floats) -> bool:
        return not LEAST_SHAPE < np.exp(-point[1]) < GREATEST_SHAPE


def _normal_hazard(z: Floats) -> Floats:
    """Hazard of the standard normal, accurate far in its tail too."""
    return np.asarray(np.sqrt(2 / np.pi) / erfcx(z / np.sqrt(2)))


class GammaFamily(Family):
    """Point: log shape, log scale."""

    life = Gamma
    needed = 2
    scales = (LOG, LOG)
    moving = (1,)
    simpler = "weibull"

    def start(self, data: Data) -> Floats:
        # The gamma with the Weibull's spread, roughly, and its mean.
        log_shape, log_scale = _weibull_start(data)
        spread = np.exp(-log_shape)
        mean = log_scale + gammaln(1 + spread)
        variance = np.expm1(gammaln(1 + 2 * spread) - 2 * gammaln(1 + spread))
        rough = np.array([-np.log(variance), mean + np.log(variance)])
        coarse = data.coarse()
        if coarse is data:
            return rough
        return maximise(lambda point: self.log_likelihood(coarse, point), rough).point

    def hazards(self, log_age: Floats, point: Floats) -> Terms:
        return self._terms(log_age, point)[0]

    def log_hazards(self, log_age: Floats, point: Floats) -> Terms:
        return self._terms(log_age, point)[1]

    def exact(self, data: Data, point: Floats) -> Derivatives:
        # One pass over all ages: the integrals are worth sharing.
        lived = data.log_age.size
        hazards, rates = self._terms(np.concatenate([data.log_age, data.failed_log_age]), point)
        value, gradient, hessian = (
            rate[..., lived:] @ data.failed - hazard[..., :lived] @ data.signed
            for hazard, rate in zip(hazards, rates, strict=True)
        )
        return float(value), np.asarray(gradient), np.asarray(hessian)

    def _terms(self, log_age: Floats, point: Floats) -> tuple[Terms, Terms]:
        shape = float(np.exp(point[0]))
        log_x = log_age - point[1]
        x = np.exp(log_x)
        hazard = -log_upper(shape, x)
        by_shape, twice_by_shape = (-part for part in upper_derivatives(shape, x))
        # The hazard per unit of log age.
        log_rate = shape * log_x - x - gammaln(shape) + hazard
        rate = np.exp(log_rate)
        centred = log_x - digamma(shape)
        by_log = shape * by_shape
        by_log_twice = by_log + shape**2 * twice_by_shape
        mixed = -shape * rate * (centred + by_shape)
        fall = rate * (shape - x + rate)
        steep = np.stack([by_log, -rate])
        curved = np.array([[by_log_twice, mixed], [mixed, fall]])
        density_slope = np.stack([shape * centred, x - shape])
        flat = np.full_like(x, -shape)
        across = shape * centred - shape**2 * float(polygamma(1, shape))
        density_bend = np.array([[across, flat], [flat, -x]])
        return (
            (hazard, steep, curved),
            (log_rate - log_age, density_slope + steep, density_bend + curved),
        )

    def ran_away(self, point: Floats) -> bool:
        return not LEAST_SHAPE < np.exp(point[0]) < GREATEST_SHAPE


class ExponentialFamily(Family):
    """Point: log mean."""

    life = Exponential
    needed = 1
    scales = (LOG,)
    moving = (0,)
    simpler = "exponential"

    def start(self, data: Data) -> Floats:
        ages = np.exp(np.concatenate([data.log_age, data.middle()]))
        signed = np.concatenate([data.signed, data.between])
        return np.array([np.log(max(float(ages @ signed), 1e-300) / data.events)])

    def hazards(self, log_age: Floats, point: Floats) -> Terms:
        hazard = np.exp(log_age - point[0])
        return hazard, -hazard[None, :], hazard[None, None, :]

    def log_hazards(self, log_age: Floats, point: Floats) -> Terms:
        ages = log_age.size
        return np.full(ages, -point[0]), np.full((1, ages), -1.0), np.zeros((1, 1, ages))

    def exact(self, data: Data, point: Floats) -> Derivatives:
        lived = float(np.exp(data.log_age - point[0]) @ data.signed)
        failed = float(data.failed.sum())
        return -failed * point[0] - lived, np.array([lived - failed]), np.array([[-lived]])


class ThresholdFamily(Family):
    """Point: log shape, log scale, log threshold.

    As the threshold nears the first failure, any shape below 1 makes the likelihood grow without
    limit. So the largest value is no guide: what is looked for is a local maximum between no
    threshold and the first failure (Meeker and Escobar 1998, section 11.7).
    """

    life = ThresholdWeibull
    needed = 3
    scales = (LOG, LOG, LOG)
    moving = (1, 2)
    simpler = "weibull"

    def hazards(self, log_age: Floats, point: Floats) -> Terms:
        after, z, slope, bend, _ = self._beyond(log_age, point)
        hazard = np.where(after, np.exp(z), 0.0)
        gradient, hessian = _chain(hazard, hazard, slope, bend)
        return hazard, np.where(after, gradient, 0.0), np.where(after, hessian, 0.0)

    def log_hazards(self, log_age: Floats, point: Floats) -> Terms:
        after, z, slope, bend, closer = self._beyond(log_age, point)
        gradient, hessian = slope.copy(), bend.copy()
        gradient[0] += 1.0
        gradient[2] -= closer
        hessian[2, 2] -= closer - closer**2
        shape = np.exp(point[0])
        return np.where(after, point[0] + z - z / shape - point[1], -np.inf), gradient, hessian

    def _beyond(
        self, log_age: Floats, point: Floats
    ) -> tuple[NDArray[np.bool_], Floats, Floats, Floats, Floats]:
        """Whether beyond the threshold; z and its derivatives; slope of the log of the gap."""
        shape, threshold = np.exp(point[0]), np.exp(point[2])
        gap = np.exp(log_age) - threshold
        after = gap > 0
        with np.errstate(divide="ignore", invalid="ignore"):
            z = shape * (np.log(gap) - point[1])
            closer = -threshold / gap
        down, zero, nearer = np.full_like(z, -shape), np.zeros_like(z), shape * closer
        slope = np.stack([z, down, nearer])
        bend = np.array(
            [[z, down, nearer], [down, zero, zero], [nearer, zero, shape * (closer - closer**2)]]
        )
        return after, z, slope, bend, closer

    def start(self, data: Data) -> Floats:
        """Best of a range of thresholds, if it lies inside the range."""
        first = np.exp(min(np.min(data.failed_log_age, initial=np.inf),
                           np.min(data.log_upper, initial=np.inf)))  # fmt: skip
        thresholds = first * THRESHOLD_SHARES
        points, values = [], []
        for threshold in thresholds:
            try:
                top = FAMILIES["weibull"].climb(_shifted(data, threshold))
            except NoInteriorMaximum:
                points.append(np.zeros(2))
                values.append(-np.inf)
            else:
                points.append(top.point)
                values.append(top.value)
        level = np.array(values)
        inside = np.flatnonzero((level[1:-1] > level[:-2]) & (level[1:-1] >= level[2:])) + 1
        inside = inside[level[inside] > level[0]]
        if inside.size == 0:
            if np.nanargmax(level) == 0:
                raise NoInteriorMaximum(
                    "The likelihood is largest without a threshold: fit the weibull model."
                )
            raise NoInteriorMaximum(
                f"The likelihood only rises as the threshold nears the first failure ({first:g}), "
                f"where it has no limit: fit the weibull model."
            )
        best = inside[np.argmax(level[inside])]
        return np.append(points[best], np.log(thresholds[best]))


# Thresholds tried, as shares of the age at the first failure: close together at both ends.
THRESHOLD_SHARES = np.concatenate(
    [[0.0], np.geomspace(1e-3, 0.5, 12), 1 - np.geomspace(0.4, 1e-3, 14)]
)


def _shifted(data: Data, threshold: float) -> Data:
    """Give the lives with ages counted from a threshold below all failures."""

    def logs(log_age: Floats) -> Floats:
        with np.errstate(divide="ignore"):
            return np.asarray(np.log(np.maximum(np.exp(log_age) - threshold, 0.0)))

    log_age = logs(data.log_age)
    kept = np.isfinite(log_age)
    return Data(
        log_age[kept],
        data.signed[kept],
        logs(data.failed_log_age),
        data.failed,
        logs(data.log_lower),
        logs(data.log_upper),
        data.between,
    )


class _MixedFamily(Family):
    """Families of parts of several kinds, of which nobody sees which is which.

    Place 0 is the logit of the share of the first kind. A Hessian is exact, not that of an
    expectation step, so Newton's method converges as fast as for a single kind.
    """

    kinds: ClassVar[tuple[tuple[int, int] | None, ...]]
    """Places of log shape and log scale of each kind; None for a kind that never fails."""

    def hazards(self, log_age: Floats, point: Floats) -> Terms:
        value, gradient, hessian = _sum_of_exponentials(self._survivals(log_age, point))
        failed = np.zeros_like(value)
        for log_share, places in zip(_log_shares(point[0]), self.kinds, strict=True):
            if places is not None:
                lived = _WEIBULL.hazards(_bounded(log_age, point, places), point[list(places)])[0]
                failed -= np.exp(log_share[0]) * np.expm1(-lived)
        # Where few have failed their share keeps digits that the survival has lost.
        small = failed < 0.5
        return (
            np.where(small, -np.log1p(-np.where(small, failed, 0.0)), -value),
            -gradient,
            -hessian,
        )

    def log_hazards(self, log_age: Floats, point: Floats) -> Terms:
        survivals = self._survivals(log_age, point)
        density = _sum_of_exponentials(self._densities(log_age, point, survivals))
        survival = _sum_of_exponentials(survivals)
        return tuple(up - down for up, down in zip(density, survival, strict=True))  # type: ignore[return-value]

    def exact(self, data: Data, point: Floats) -> Derivatives:
        # One pass over all ages: the kinds cost much more than their sums.
        lived = data.log_age.size
        survivals = self._survivals(np.concatenate([data.log_age, data.failed_log_age]), point)
        survival = _sum_of_exponentials(survivals)
        at_failure = [tuple(part[..., lived:] for part in terms) for terms in survivals]
        density = _sum_of_exponentials(self._densities(data.failed_log_age, point, at_failure))  # type: ignore[arg-type]
        weight = np.concatenate([data.signed, -data.failed])
        value, gradient, hessian = (
            up @ data.failed + down @ weight for up, down in zip(density, survival, strict=True)
        )
        return float(value), np.asarray(gradient), np.asarray(hessian)

    def _densities(self, log_age: Floats, point: Floats, survivals: list[Terms]) -> list[Terms]:
        """Log of share times density of each kind that can fail, with derivatives."""
        densities = []
        for (value, gradient, hessian), places in zip(survivals, self.kinds, strict=True):
            if places is not None:
                rows = list(places)
                rate, slope, bend = _WEIBULL.log_hazards(log_age, point[rows])
                slopes, bends = gradient.copy(), hessian.copy()
                slopes[rows] += slope
                bends[np.ix_(rows, rows)] += bend
                densities.append((value + rate, slopes, bends))
        return densities

    def _survivals(self, log_age: Floats, point: Floats) -> list[Terms]:
        """Log of share times survival of each kind, with derivatives."""
        ages, size = log_age.size, point.size
        terms: list[Terms] = []
        for (value, slope, bend), places in zip(_log_shares(point[0]), self.kinds, strict=True):
            gradient, hessian = np.zeros((size, ages)), np.zeros((size, size, ages))
            gradient[0], hessian[0, 0] = slope, bend
            lived = np.zeros(ages)
            if places is not None:
                rows = list(places)
                lived, down, curve = _WEIBULL.hazards(_bounded(log_age, point, places), point[rows])
                gradient[rows] -= down
                hessian[np.ix_(rows, rows)] -= curve
            terms.append((value - lived, gradient, hessian))
        return terms

    @abstractmethod
    def starts(self, data: Data) -> list[Floats]:
        """Points to start from."""

    @abstractmethod
    def proper(self, data: Data, point: Floats) -> bool:
        """Whether a maximum tells the kinds apart."""

    def start(self, data: Data) -> Floats:
        return self.starts(data)[0]

    def climb(self, data: Data) -> Maximum:
        """Best of the maxima that several starts lead to, if it beats a single kind."""
        single = FAMILIES[self.simpler].climb(data).value
        coarse = data.coarse()
        tops = [
            top for start in self.starts(coarse) if (top := self._top(coarse, start)) is not None
        ]
        for rough in sorted(tops, key=lambda top: -top.value):
            top = rough if coarse is data else self._top(data, rough.point)
            if top is not None and top.value > single + LEAST_GAIN and self.proper(data, top.point):
                return top
        raise NoInteriorMaximum(
            f"The likelihood has no maximum in which two kinds of parts are told apart: fit "
            f"the {self.simpler} model."
        )

    def _top(self, data: Data, start: Floats) -> Maximum | None:
        """Maximum that a start leads to, or None where it leads out of the range of shares."""
        try:
            return maximise(
                lambda point: self.log_likelihood(data, point),
                start,
                steps=MIXED_STEPS,
                within=lambda point: bool(abs(point[0]) < GREATEST_LOGIT),
            )
        except NoInteriorMaximum:
            return None


_WEIBULL = WeibullFamily()
# A kind must raise the log-likelihood by more than the search can err.
LEAST_GAIN = 1e-6
# Shares nearer to 0 or 1 than this are at the end of their range (logit 12: 6 in a million).
GREATEST_LOGIT = 12.0
# Cumulative hazards are cut off at exp(300): survival is 0 long before, and squares stay finite.
GREATEST_LOG_HAZARD = 300.0
# A kind that fewer failures than this speak for is chance: two failures that happen to be close
# give a likelihood a needle of a maximum (a choice of ours, no source).
LEAST_FAILURES = 3.0
# From a good start ten steps are enough; a search that takes many more is running away.
MIXED_STEPS = 50
SPLITS = (0.1, 0.25, 0.5, 0.75, 0.9)


def _log_shares(logit: float) -> list[tuple[float, float, float]]:
    """Log of the share of the first kind and of the rest, with derivatives by the logit."""
    share, rest = float(expit(logit)), float(expit(-logit))
    return [
        (float(log_expit(logit)), rest, -share * rest),
        (float(log_expit(-logit)), -share, -share * rest),
    ]


def _bounded(log_age: Floats, point: Floats, places: tuple[int, int]) -> Floats:
    shape, scale = places
    return np.asarray(
        np.minimum(log_age, point[scale] + GREATEST_LOG_HAZARD * np.exp(-point[shape]))
    )


def _sum_of_exponentials(terms: list[Terms]) -> Terms:
    """Log of a sum of exponentials of terms, with derivatives."""
    if len(terms) == 1:
        return terms[0]
    values = np.stack([value for value, _, _ in terms])
    total = np.logaddexp.reduce(values, axis=0)
    gradient, hessian = np.zeros_like(terms[0][1]), np.zeros_like(terms[0][2])
    for value, slope, bend in terms:
        part = np.exp(value - total)
        gradient += part * slope
        hessian += part * (bend + slope[:, None] * slope[None, :])
    return total, gradient, hessian - gradient[:, None] * gradient[None, :]


def _failures(data: Data) -> tuple[Floats, Floats]:
    """Log ages of all failures, intervals at their middle, in order; and their weights."""
    log_age = np.concatenate([data.failed_log_age, data.middle()])
    weight = np.concatenate([data.failed, data.between])
    order = np.argsort(log_age, kind="stable")
    return log_age[order], weight[order]


def _by_moments(log_age: Floats, weight: Floats) -> tuple[float, float]:
    """Log shape and log scale of a Weibull with the mean and spread of some log ages."""
    centre = np.average(log_age, weights=weight)
    width = np.sqrt(np.average((log_age - centre) ** 2, weights=weight))
    shape = float(np.clip(1.28 / max(width, 1e-3), 0.3, 15.0))
    return float(np.log(shape)), float(centre + np.euler_gamma / shape)


class SusceptibleFamily(_MixedFamily):
    """Point: logit share, log shape, log scale; the others never fail."""

    life = SusceptibleWeibull
    needed = 3
    scales = (LOGIT, LOG, LOG)
    moving = (2,)
    simpler = "weibull"
    kinds = ((1, 2), None)

    def starts(self, data: Data) -> list[Floats]:
        shape, scale = _by_moments(*_failures(data))
        lives = max(float(data.signed.sum() + data.between.sum()), data.events)
        seen = np.clip(data.events / lives, 0.01, 0.95)
        return [np.array([logit(share), shape, scale]) for share in (seen, (1 + seen) / 2, 0.98)]

    def proper(self, data: Data, point: Floats) -> bool:
        del data
        return bool(abs(point[0]) < GREATEST_LOGIT) and not _WEIBULL.ran_away(point[1:])

    def climb(self, data: Data) -> Maximum:
        try:
            return super().climb(data)
        except NoInteriorMaximum as refusal:
            raise NoInteriorMaximum(
                "The likelihood is largest where all parts can fail (a share of 1), or nothing "
                "shows the share: fit the weibull model."
            ) from refusal


class MixtureFamily(_MixedFamily):
    """Point: logit share, log shape and log scale of the early kind, then of the late kind."""

    life = WeibullMixture
    needed = 5
    scales = (LOGIT, LOG, LOG, LOG, LOG)
    moving = (2, 4)
    simpler = "weibull"
    kinds = ((1, 2), (3, 4))

    def starts(self, data: Data) -> list[Floats]:
        log_age, weight = _failures(data)
        lives = max(float(data.signed.sum() + data.between.sum()), data.events)
        behind = np.cumsum(weight) / weight.sum()
        points = []
        for split in SPLITS:
            cut = int(np.clip(np.searchsorted(behind, split) + 1, 1, log_age.size - 1))
            early = _by_moments(log_age[:cut], weight[:cut])
            late = _by_moments(log_age[cut:], weight[cut:])
            failed = float(weight[:cut].sum())
            share = logit(np.clip(failed / lives, 0.01, 0.99))
            points.append(np.array([share, *early, *late]))
        return points

    def proper(self, data: Data, point: Floats) -> bool:
        if abs(point[0]) > GREATEST_LOGIT or any(
            _WEIBULL.ran_away(point[list(places)]) for places in self.kinds if places
        ):
            return False
        log_age, weight = _failures(data)
        logs = [
            survival[0] + _WEIBULL.log_hazards(log_age, point[list(places)])[0]
            for survival, places in zip(self._survivals(log_age, point), self.kinds, strict=True)
            if places
        ]
        early = float(expit(logs[0] - logs[1]) @ weight)
        return LEAST_FAILURES <= early <= float(weight.sum()) - LEAST_FAILURES

    def climb(self, data: Data) -> Maximum:
        top = super().climb(data)
        medians = [
            top.point[scale] + np.log(np.log(2)) * np.exp(-top.point[shape])
            for shape, scale in ((1, 2), (3, 4))
        ]
        if medians[0] <= medians[1]:
            return top
        # The kinds are named by their medians: the early one first.
        point = np.array(top.point[[0, 3, 4, 1, 2]])
        point[0] = -point[0]
        value, _, hessian = self.log_likelihood(data, point)
        return Maximum(point, value, hessian)


FAMILIES: dict[str, Family] = {
    "weibull": WeibullFamily(),
    "exponential": ExponentialFamily(),
    "lognormal": LognormalFamily(),
    "loglogistic": LoglogisticFamily(),
    "gamma": GammaFamily(),
    "weibull-threshold": ThresholdFamily(),
    "weibull-mixture": MixtureFamily(),
    "weibull-susceptible": SusceptibleFamily(),
}
