"""Repairs that come ever faster, or ever slower: a Poisson process whose rate is a power of age."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import brentq
from scipy.special import chdtri, gammainc, gammaincinv, gammaln, ive, xlogy

from fleetlog.errors import NoInteriorMaximum
from fleetlog.stats._arrays import Floats, Ints, count, distinct, normal_quantile
from fleetlog.stats.recurrence import (
    FollowUp,
    Truncation,
    Windows,
    check_recurrences,
    follow_up,
)

# Natural logs of the smallest and largest shape that a fit looks at.
LOG_SHAPES = (-9.0, 14.0)


@dataclass(frozen=True)
class Mtbf:
    """Mean time between failures at an age, with limits; ``method`` says how they are formed."""

    estimate: float
    lower: float
    upper: float
    method: str


@dataclass(frozen=True)
class GoodnessOfFit:
    """How well a power law fits. See `PowerLawFit.goodness_of_fit`.

    Attributes
    ----------
    statistic : Cramer-von Mises distance of the recurrences from the fitted law.
    p_value : share of made data sets at least as distant, this one counted in.
    recurrences : how many the statistic is formed from; truncating ones are not among them.
    draws, seed : of the made data sets.
    """

    statistic: float
    p_value: float
    recurrences: int
    draws: int
    seed: int


@dataclass(frozen=True)
class PowerLawFit:
    """A fitted power-law process. See `fit_power_law`.

    A unit has (t / scale) ** shape recurrences on average up to age t; the rate rises with age
    where the shape is above 1. In the letters of Crow (1974): beta = shape,
    lambda = scale ** -shape.

    Attributes
    ----------
    shape, scale : maximum-likelihood estimates; scale in the caller's unit of age.
    covariance : (2, 2) of shape and scale, from the observed information.
    log_likelihood : at the maximum.
    shape_unbiased : shape corrected for its bias (Crow 1974; MIL-HDBK-189C): times (n - 1) / n for
        time and (n - 2) / n for failure truncation; None where late entry, gaps or unequal ages
        leave no exact distribution.
    exact : whether the exact distributions of Crow hold: all watched from 0 to one age, or a
        single unit watched from 0 to its last recurrence.
    end : last age watched. units, recurrences : how many. truncation : as given.
    """

    shape: float
    scale: float
    covariance: Floats
    log_likelihood: float
    shape_unbiased: float | None
    exact: bool
    end: float
    units: int
    recurrences: int
    truncation: Truncation
    _log_age: Floats = field(repr=False)
    _net: Floats = field(repr=False)
    _log_sum: float = field(repr=False)
    _end_covariance: Floats = field(repr=False)
    _follow_up: FollowUp = field(repr=False)

    @property
    def parameters(self) -> dict[str, float]:
        """Parameters by name, in the order of the covariance."""
        return {"shape": self.shape, "scale": self.scale}

    def mean_count(self, age: ArrayLike) -> Floats:
        """Mean number of recurrences of a unit from age 0 to ``age``."""
        return (_ages(age) / self.scale) ** self.shape

    def intensity(self, age: ArrayLike) -> Floats:
        """Recurrences per unit of age at ``age`` > 0; one over the mean time between failures."""
        ages = _positive(age)
        return self.shape / ages * (ages / self.scale) ** self.shape

    def mean_count_interval(self, age: ArrayLike, *, level: float = 0.95) -> tuple[Floats, Floats]:
        """Limits of `mean_count` at ``age`` > 0: Wald, on the log."""
        ages = _positive(age)
        factor = self._factor(np.log(ages / self.end), level)
        return self.mean_count(ages) / factor, self.mean_count(ages) * factor

    def intensity_interval(self, age: ArrayLike, *, level: float = 0.95) -> tuple[Floats, Floats]:
        """Limits of `intensity`: Wald, on the log."""
        ages = _positive(age)
        factor = self._factor(1 / self.shape + np.log(ages / self.end), level)
        return self.intensity(ages) / factor, self.intensity(ages) * factor

    def shape_interval(self, *, level: float = 0.95) -> tuple[float, float]:
        """Limits of the shape: exact where ``exact``, else by profile likelihood.

        The exact ones are from a chi-squared distribution (Crow 1974). The lower limit is 0 where
        late entry leaves the likelihood flat towards 0.
        """
        z = normal_quantile(level)
        if self.exact:
            df = 2 * (self.recurrences - (self.truncation == "failure"))
            tail = (1 - level) / 2
            unit = self.shape / (2 * self.recurrences)
            return float(unit * chdtri(df, 1 - tail)), float(unit * chdtri(df, tail))

        def lack(log_shape: float) -> float:
            return 2 * (self._profile(self.shape) - self._profile(float(np.exp(log_shape)))) - z**2

        centre = float(np.log(self.shape))
        lower = 0.0 if lack(LOG_SHAPES[0]) < 0 else float(np.exp(_root(lack, centre, -1.0)))
        return lower, float(np.exp(_root(lack, centre, 1.0)))

    def mtbf(self, *, level: float = 0.95) -> Mtbf:
        """Mean time between failures of a unit at ``end``, the last age watched.

        Where ``exact``, limits are those of Crow (1977, 1982): for time truncation from the number
        of recurrences given the sum of their logs (cautious, as the number is whole), for failure
        truncation from a product of two gamma variables. Else Wald, on the log.
        """
        estimate = 1 / float(self.intensity(self.end))
        if not self.exact:
            low, high = self.intensity_interval(self.end, level=level)
            return Mtbf(estimate, 1 / float(high), 1 / float(low), "Wald, on the log")
        normal_quantile(level)
        tail, number = (1 - level) / 2, self.recurrences
        limits = _time_limits if self.truncation == "time" else _failure_limits
        low_factor, high_factor = limits(number, tail)
        return Mtbf(estimate, estimate * low_factor, estimate * high_factor, "exact (Crow)")

    def goodness_of_fit(self, *, draws: int = 999, seed: int = 0) -> GoodnessOfFit:
        """Cramer-von Mises test, its p-value from made data sets of the same numbers.

        Given the number of recurrences of each unit, their ages under a power law are a sample
        whose distribution depends on the shape only. So every unit may have a scale of its own:
        the test is of the shape of the law, not of units being alike. Its shape is fitted to the
        ages given those numbers and corrected by (m - 1) / m. Linear in draws times recurrences
        and windows.

        Parameters
        ----------
        draws : made data sets; each takes about 0.1 s in a fleet of 100,000 units.
        seed : of the random numbers; equal seeds give equal answers.

        Notes
        -----
        Source: Crow 1974; MIL-HDBK-189C, where units are watched from age 0.
        """
        if draws < 1:
            raise ValueError(f"draws is {draws}: pass at least 1")
        law = _Conditional.of(self._follow_up)
        number = law.age.size
        if number < 2:
            raise NoInteriorMaximum(
                f"There are {number} recurrences besides those that ended a watch: a test of fit "
                f"needs at least 2."
            )
        shape = law.fitted(float(np.log(law.age).mean())) * (number - 1) / number
        seen = law.distance(shape, law.age, law.window)
        rng = np.random.default_rng(seed)
        inverse = law.tabulated(shape)
        further = 0
        for _ in range(draws):
            age, window = law.made(shape, rng.random(number))
            again = inverse(float(np.log(age).mean())) * (number - 1) / number
            further += law.distance(again, age, window) >= seen
        return GoodnessOfFit(seen, (1 + further) / (1 + draws), number, draws, seed)

    def _factor(self, slope: Floats, level: float) -> Floats:
        """Factor of the limits of a quantity whose log has slopes 1 and ``slope``."""
        covariance = self._end_covariance
        variance = covariance[0, 0] + slope * (2 * covariance[0, 1] + slope * covariance[1, 1])
        return np.asarray(np.exp(normal_quantile(level) * np.sqrt(variance)))

    def _profile(self, shape: float) -> float:
        exposure = _moments(self._log_age, self._net, shape)[0]
        number = self.recurrences
        return float(number * np.log(shape) + shape * self._log_sum - number * np.log(exposure))


def fit_power_law(
    unit: ArrayLike, time: ArrayLike, windows: Windows, *, truncation: Truncation = "time"
) -> PowerLawFit:
    """Fit a power-law process to the recurrences of one or several units alike.

    The likelihood integrates the rate over the windows of every unit, so late entry, gaps and
    units without recurrences are all in. n log n.

    Parameters
    ----------
    unit, time, windows : as in `mean_cumulative_function`.
    truncation : "failure" where the watch of every unit ended at its last recurrence, because of
        it; the estimate is the same, but its bias and limits are not.

    Raises
    ------
    NoInteriorMaximum : for fewer than 2 recurrences (3 where failure-truncated), where all are at
        the last age watched, and where late entry leaves no shape above 0.

    Notes
    -----
    Source: Crow 1974; MIL-HDBK-189C; several windows: the likelihood of a Poisson process, Cook
    and Lawless 2007, section 2.2.
    """
    watched = check_recurrences(unit, time, windows)
    seen = follow_up(watched, truncation)
    number = int(watched.time.size)
    least = 3 if truncation == "failure" else 2
    if number < least:
        raise NoInteriorMaximum(
            f"There are {number} recurrences: a power law needs at least {least} for {truncation} "
            f"truncation."
        )
    net = count(watched.stop, watched.scale.size) - count(watched.start, watched.scale.size)
    turning = np.flatnonzero(net)
    age, net = watched.scale.times[turning], net[turning]
    end = float(age[-1])
    log_sum = float(np.log(watched.scale.times[watched.time] / end).sum())
    from_zero = age[0] == 0
    log_age, net = np.log(age[age > 0] / end), net[age > 0]
    shape = _shape(log_age, net, log_sum / number, from_zero=bool(from_zero))

    exposure, first, second = _moments(log_age, net, shape)
    at_end = number / exposure
    log_at_end = float(np.log(at_end))
    information = np.array(
        [[number, at_end * first], [at_end * first, number / shape**2 + at_end * second]]
    )
    end_covariance = np.linalg.inv(information)
    scale = end * float(np.exp(-log_at_end / shape))
    slopes = np.array([[0.0, 1.0], [-scale / shape, scale * log_at_end / shape**2]])
    exact = bool(from_zero and age.size == 2) and (
        truncation == "time" or distinct(watched.window_unit) == 1
    )
    lost = 1 if truncation == "time" else 2
    return PowerLawFit(
        shape=shape,
        scale=scale,
        covariance=slopes @ end_covariance @ slopes.T,
        log_likelihood=number * (log_at_end + np.log(shape) - np.log(end) - 1)
        + (shape - 1) * log_sum,
        shape_unbiased=shape * (number - lost) / number if exact else None,
        exact=exact,
        end=end,
        units=distinct(watched.window_unit),
        recurrences=number,
        truncation=truncation,
        _log_age=log_age,
        _net=net,
        _log_sum=log_sum,
        _end_covariance=end_covariance,
        _follow_up=seen,
    )


def _ages(age: ArrayLike) -> Floats:
    ages = np.asarray(age, dtype=np.float64)
    if not np.all(np.isfinite(ages) & (ages >= 0)):
        raise ValueError(f"age is {age!r}: pass finite ages of 0 or more")
    return ages


def _positive(age: ArrayLike) -> Floats:
    ages = _ages(age)
    if not np.all(ages > 0):
        raise ValueError(f"age is {age!r}: pass ages above 0")
    return ages


def _moments(log_age: Floats, net: Floats, shape: float) -> tuple[float, float, float]:
    """Sum over windows of stop ** shape - start ** shape, and its two derivatives by shape."""
    power = net * np.exp(shape * log_age)
    return float(power.sum()), float(power @ log_age), float(power @ log_age**2)


def _shape(log_age: Floats, net: Floats, mean_log: float, *, from_zero: bool) -> float:
    """Shape whose mean log of age under watch is that of the recurrences.

    The mean log rises with the shape, so there is one root or none.
    """
    if mean_log >= 0:
        raise NoInteriorMaximum(
            "All recurrences are at the last age watched: the shape has no finite estimate, so "
            "gather more recurrences or check their ages."
        )
    least = -np.inf if from_zero else float(net @ log_age**2) / (2 * float(net @ log_age))

    def surplus(log_shape: float) -> float:
        shape = float(np.exp(log_shape))
        exposure, first, _ = _moments(log_age, net, shape)
        return first / exposure - 1 / shape - mean_log

    if mean_log <= least or surplus(LOG_SHAPES[0]) >= 0 or surplus(LOG_SHAPES[1]) <= 0:
        raise NoInteriorMaximum(
            "The recurrences crowd so early or so late in the watched ages that no shape fits: "
            "the data do not determine a power law, so gather more recurrences."
        )
    return float(np.exp(brentq(surplus, *LOG_SHAPES, xtol=1e-13, rtol=1e-14)))


def _root(function: Callable[[float], float], inside: float, step: float) -> float:
    """Root of a function that is below 0 at ``inside`` and above 0 far on the side of ``step``."""
    beyond = inside + step
    while function(beyond) < 0:
        beyond += step
    return float(brentq(function, inside, beyond, xtol=1e-12))


def _time_limits(number: int, tail: float) -> tuple[float, float]:
    """Factors of the limits of the time between failures: the truth over its estimate.

    Given the sum S of log(end / age), the number N has chances proportional to
    x ** (2 N - 1) / (N! (N - 1)!), N >= 1, where x ** 2 is S times the rate at the end times the
    end; these add up to the Bessel function I1(2 x).
    """

    def at_most(most: int, x: float) -> float:
        j = np.arange(1, most + 1)
        log_chance = (2 * j - 1) * np.log(x) - gammaln(j + 1) - gammaln(j) - 2 * x
        return float(np.exp(log_chance).sum() / ive(1, 2 * x))

    reach = (1e-6, 2.0 * number + 20 * np.sqrt(number) + 50)
    high = brentq(lambda x: at_most(number, x) - tail, *reach, xtol=1e-12)
    low = brentq(lambda x: 1 - at_most(number - 1, x) - tail, *reach, xtol=1e-12)
    return (number / high) ** 2, (number / low) ** 2


def _failure_limits(number: int, tail: float) -> tuple[float, float]:
    """Give the same for failure truncation: n ** 2 over a product of gammas of n - 1 and n."""
    # The density of the log of a gamma variable is smooth and dies away on both sides, where the
    # trapezoid rule is good to rounding.
    reach = np.log(gammaincinv(number - 1, np.array([1e-16, 1 - 1e-15])))
    logs = np.linspace(reach[0], reach[1], 400)
    density = np.exp((number - 1) * logs - np.exp(logs) - gammaln(number - 1))
    density *= logs[1] - logs[0]

    def below(log_product: float) -> float:
        return float(density @ gammainc(number, np.exp(log_product - logs)))

    centre = 2 * np.log(number)
    span = 40 / np.sqrt(number) + 5
    low, high = (
        brentq(lambda y, p=p: below(y) - p, centre - span, centre + span, xtol=1e-11)
        for p in (tail, 1 - tail)
    )
    return number**2 * float(np.exp(-high)), number**2 * float(np.exp(-low))


@dataclass(frozen=True)
class _Conditional:
    """Ages under a power law given the number of recurrences of each unit.

    Ages are shares of the last age watched of their unit, so that no power underflows for all.
    """

    start: Floats
    stop: Floats
    opening: Ints
    unit: Ints
    age: Floats
    window: Ints

    @classmethod
    def of(cls, seen: FollowUp) -> _Conditional:
        """Keep the units that have recurrences."""
        used = np.zeros(seen.units, dtype=np.bool_)
        used[seen.unit] = True
        kept = used[seen.window_unit]
        number = np.cumsum(used) - 1
        owner = number[seen.window_unit[kept]]
        last = np.zeros(int(number[-1]) + 1)
        np.maximum.at(last, owner, seen.stop[kept])
        unit = number[seen.unit]
        return cls(
            start=seen.start[kept] / last[owner],
            stop=seen.stop[kept] / last[owner],
            opening=np.flatnonzero(np.diff(owner, prepend=-1)),
            unit=unit,
            age=seen.age / last[unit],
            window=(np.cumsum(kept) - 1)[seen.window],
        )

    def mean_log(self, shape: float) -> float:
        """Mean log of age that the shape makes of these numbers of recurrences."""
        low, high = self.start**shape, self.stop**shape
        exposure = np.add.reduceat(high - low, self.opening)
        logs = np.add.reduceat(xlogy(high, self.stop) - xlogy(low, self.start), self.opening)
        return float((logs / exposure)[self.unit].mean()) - 1 / shape

    def fitted(self, mean_log: float) -> float:
        """Shape that makes a mean log of age."""

        def surplus(log_shape: float) -> float:
            return self.mean_log(float(np.exp(log_shape))) - mean_log

        if surplus(LOG_SHAPES[0]) >= 0 or surplus(LOG_SHAPES[1]) <= 0:
            raise NoInteriorMaximum(
                "The recurrences crowd so early or so late in the watched ages of their units that "
                "no shape fits: the data do not determine a power law, so gather more recurrences."
            )
        return float(np.exp(brentq(surplus, *LOG_SHAPES, xtol=1e-13, rtol=1e-14)))

    def tabulated(self, shape: float) -> Callable[[float], float]:
        """Give `fitted` by a spline, good to about 1e-5; the nearest end beyond its reach.

        The log of the shape is nearly a straight line over the log of the mean log.
        """
        low, high = (np.clip(np.log(shape) + reach, *LOG_SHAPES) for reach in (-8.0, 8.0))
        nodes = np.linspace(low, high, 121)
        places = -np.log([-self.mean_log(float(np.exp(node))) for node in nodes])
        fresh = places > np.concatenate([[-np.inf], np.maximum.accumulate(places)[:-1]])
        places, nodes = places[fresh], nodes[fresh]
        # Only the draws of one statistic need it, and every command would wait for its import.
        from scipy.interpolate import CubicSpline  # noqa: PLC0415

        spline = CubicSpline(places, nodes)

        def shape_of(mean_log: float) -> float:
            place = np.clip(-np.log(max(-mean_log, np.finfo(float).tiny)), places[0], places[-1])
            return float(np.exp(spline(place)))

        return shape_of

    def made(self, shape: float, uniform: Floats) -> tuple[Floats, Ints]:
        """Ages and windows of as many recurrences of each unit, from numbers between 0 and 1."""
        low, upto, before, base, exposure = self._exposures(shape)
        target = base[self.unit] + uniform * exposure[self.unit]
        closing = np.append(self.opening[1:], self.start.size) - 1
        window = np.clip(np.searchsorted(upto, target), self.opening[self.unit], closing[self.unit])
        age = np.maximum(low[window] + target - before[window], 0.0) ** (1 / shape)
        return np.maximum(age, np.finfo(float).tiny), window

    def distance(self, shape: float, age: Floats, window: Ints) -> float:
        """Cramer-von Mises distance of ages from the law with ``shape``."""
        low, _, before, base, exposure = self._exposures(shape)
        passed = before[window] - base[self.unit] + age**shape - low[window]
        share = np.sort(passed / exposure[self.unit])
        middle = (np.arange(1, share.size + 1) - 0.5) / share.size
        return float(1 / (12 * share.size) + ((share - middle) ** 2).sum())

    def _exposures(self, shape: float) -> tuple[Floats, Floats, Floats, Floats, Floats]:
        low = self.start**shape
        part = self.stop**shape - low
        upto = np.cumsum(part)
        before = upto - part
        return low, upto, before, before[self.opening], np.add.reduceat(part, self.opening)
