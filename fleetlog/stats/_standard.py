"""Standard error laws of a location-scale model: their logs and derivatives, safe in the tails.

The log of an age is ``location + sigma * z`` with z from one of these laws. What a likelihood
needs of a law is the log of its density and of its survival with two derivatives each, and the
log of the chance between two points; everything else follows by the chain rule.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from typing import NamedTuple

import numpy as np
from scipy.special import erfcx, log_ndtr, ndtri_exp

from fleetlog.stats._arrays import Floats

LOG_ROOT_TWO_PI = 0.5 * float(np.log(2 * np.pi))
ROOT_TWO_OVER_PI = float(np.sqrt(2 / np.pi))
# Beyond this point the normal hazard less z, about 1 / z, has lost half of its digits to
# subtraction, and four terms of its asymptotic series are exact to the last one.
SERIES_FROM = 100.0


class Curve(NamedTuple):
    """A function of z at some points: value, first and second derivative, each (n,)."""

    value: Floats
    first: Floats
    second: Floats


class StandardLaw(ABC):
    """A law of z; its cumulative hazard is minus the log of its survival."""

    @abstractmethod
    def log_density(self, z: Floats) -> Curve:
        """Log of the density at finite ``z``."""

    @abstractmethod
    def log_survival(self, z: Floats) -> Curve:
        """Log of the chance of more than ``z``, finite."""

    @abstractmethod
    def log_between(self, low: Floats, high: Floats) -> Floats:
        """Log of the chance of more than ``low`` but not of more than ``high``.

        ``low`` may be minus infinity. Not exact where the two are nearly equal.
        """

    @abstractmethod
    def at_cumulative_hazard(self, hazard: Floats) -> Floats:
        """Point at which the cumulative hazard reaches a value above 0."""

    def cumulative_hazard(self, z: Floats) -> Floats:
        """Cumulative hazard up to ``z``; 0 at minus infinity."""
        finite = np.where(np.isneginf(z), 0.0, z)
        return np.where(np.isneginf(z), 0.0, -self.log_survival(finite).value)

    def quantile(self, p: Floats) -> Floats:
        """Point below which lies a fraction ``p``, 0 < p < 1."""
        return self.at_cumulative_hazard(-np.log1p(-p))


class SmallestExtreme(StandardLaw):
    """Smallest extreme value: the log of a Weibull age."""

    def log_density(self, z: Floats) -> Curve:
        """Log of the density at finite ``z``."""
        hazard = np.exp(z)
        return Curve(z - hazard, 1 - hazard, -hazard)

    def log_survival(self, z: Floats) -> Curve:
        """Log of the chance of more than ``z``, finite."""
        minus = -np.exp(z)
        return Curve(minus, minus, minus)

    def log_between(self, low: Floats, high: Floats) -> Floats:
        """Log of the chance of more than ``low`` but not of more than ``high``."""
        # The hazard gained is taken on the log scale, where it cannot underflow.
        log_gained = high + np.log(-np.expm1(low - high))
        return -np.exp(low) + _log_one_minus_exp(log_gained)

    def at_cumulative_hazard(self, hazard: Floats) -> Floats:
        """Point at which the cumulative hazard reaches a value above 0."""
        return np.log(hazard)


class Normal(StandardLaw):
    """Standard normal: the log of a lognormal age."""

    def log_density(self, z: Floats) -> Curve:
        """Log of the density at finite ``z``."""
        return Curve(-0.5 * z * z - LOG_ROOT_TWO_PI, -z, np.full_like(z, -1.0))

    def log_survival(self, z: Floats) -> Curve:
        """Log of the chance of more than ``z``, finite."""
        # erfcx overflows below about -37; the hazard is 0 to the last digit long before that
        # matters, and dividing by infinity says so.
        with np.errstate(over="ignore"):
            hazard = ROOT_TWO_OVER_PI / erfcx(z / np.sqrt(2))
        far = 1 / np.maximum(z, SERIES_FROM)
        series = far * (1 + far**2 * (-2 + far**2 * (10 - 74 * far**2)))
        excess = np.where(z > SERIES_FROM, series, hazard - z)
        return Curve(log_ndtr(-z), -hazard, -hazard * excess)

    def log_between(self, low: Floats, high: Floats) -> Floats:
        """Log of the chance of more than ``low`` but not of more than ``high``."""
        # The law is symmetric: the chance is taken in the lower tail, where it keeps its digits.
        upper_half = low + high > 0
        a, b = np.where(upper_half, -high, low), np.where(upper_half, -low, high)
        below = log_ndtr(b)
        return np.asarray(below + np.log(-np.expm1(log_ndtr(a) - below)))

    def at_cumulative_hazard(self, hazard: Floats) -> Floats:
        """Point at which the cumulative hazard reaches a value above 0."""
        return np.asarray(-ndtri_exp(-hazard))


def _log_one_minus_exp(log_x: Floats) -> Floats:
    """Log of ``1 - exp(-x)`` from the log of x: ``log(x) - x / 2`` where x is tiny."""
    x = np.exp(log_x)
    tiny = x < 1e-8
    return np.where(tiny, log_x - x / 2, np.log(-np.expm1(-np.where(tiny, 1.0, x))))
