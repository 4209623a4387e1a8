"""Life distributions with known parameters, and what every one of them can answer.

A new distribution is one frozen dataclass: its parameters, `cumulative_hazard`, `hazard` and
`age_at`, and the mean up to an age in closed form where there is one.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass, fields
from itertools import pairwise
from typing import TypeAlias

import numpy as np
from numpy.typing import ArrayLike
from scipy.integrate import quad
from scipy.special import gamma, gammainc

from fleetlog.stats._arrays import Floats

Parameter: TypeAlias = "float | Floats"


class Life(ABC):
    """A distribution of ages at failure, a frozen dataclass of its parameters.

    Parameters are positive numbers in the caller's unit; arrays of them stand for several lives
    at once and broadcast against the ages. Ages are numbers or arrays, >= 0; answers are arrays
    of the broadcast shape (a NumPy scalar for a number). ``mean`` is the mean age at failure.
    """

    mean: Parameter

    def __post_init__(self) -> None:
        for name, value in self.parameters.items():
            if not np.all(np.isfinite(value) & (np.asarray(value) > 0)):
                raise ValueError(f"{name} is {value}: pass a finite number above 0")

    @property
    def parameters(self) -> dict[str, Parameter]:
        """Parameters by name, in the order of their definition."""
        return {item.name: getattr(self, item.name) for item in fields(self)}  # type: ignore[arg-type]

    @abstractmethod
    def cumulative_hazard(self, age: ArrayLike) -> Floats:
        """Give the integral of the hazard up to ``age``."""

    @abstractmethod
    def hazard(self, age: ArrayLike) -> Floats:
        """Failures per unit of age among those that survive to ``age``."""

    @abstractmethod
    def age_at(self, cumulative_hazard: ArrayLike) -> Floats:
        """Age at which the cumulative hazard reaches a value; its inverse."""

    def survival(self, age: ArrayLike) -> Floats:
        """Share that survives beyond ``age``."""
        return np.exp(-self.cumulative_hazard(age))

    def failed(self, age: ArrayLike) -> Floats:
        """Share that has failed by ``age``, accurate where it is small."""
        return -np.expm1(-self.cumulative_hazard(age))

    def quantile(self, p: ArrayLike) -> Floats:
        """Age by which a fraction ``p`` has failed, 0 <= p < 1."""
        share = np.asarray(p, dtype=np.float64)
        if not np.all((share >= 0) & (share < 1)):
            raise ValueError(f"p is {p!r}: pass the fraction failed, at least 0 and below 1")
        return self.age_at(-np.log1p(-share))

    def conditional_failure(self, age: ArrayLike, horizon: ArrayLike) -> Floats:
        """Chance that a part now at ``age`` fails within a further ``horizon`` of use."""
        now = np.asarray(age, dtype=np.float64)
        gained = self.cumulative_hazard(now + np.asarray(horizon)) - self.cumulative_hazard(now)
        return -np.expm1(-gained)

    def mean_up_to(self, age: ArrayLike) -> Floats:
        """Mean of the smaller of the age at failure and ``age``: the integral of the survival.

        Adaptive quadrature to a relative 1e-10, for distributions with no closed form.
        """

        def one(limit: float) -> float:
            # Split at quantiles, so that quadrature cannot step over where survival falls.
            marks = [m for m in self.quantile(np.linspace(0.0, 0.99, 12)) if 0 < m < limit]
            edges = [0.0, *map(float, marks), limit]
            return sum(
                quad(lambda t: float(self.survival(t)), a, b, epsabs=0.0, epsrel=1e-10)[0]
                for a, b in pairwise(edges)
            )

        return np.asarray(np.vectorize(one, otypes=[np.float64])(age))


@dataclass(frozen=True)
class Weibull(Life):
    """Weibull life: survival ``exp(-(age / scale) ** shape)``.

    Attributes
    ----------
    shape : below 1 early failures, 1 chance, above 1 wear-out.
    scale : age by which 63.2 % have failed, in the caller's unit.

    Source: Meeker and Escobar 1998, section 4.8.
    """

    shape: Parameter
    scale: Parameter

    def cumulative_hazard(self, age: ArrayLike) -> Floats:
        """Give the integral of the hazard up to ``age``."""
        return np.asarray((np.asarray(age, dtype=np.float64) / self.scale) ** self.shape)

    def hazard(self, age: ArrayLike) -> Floats:
        """Failures per unit of age among those that survive to ``age``."""
        with np.errstate(divide="ignore"):
            relative = np.asarray(age, dtype=np.float64) / self.scale
            return np.asarray(self.shape / self.scale * relative ** (self.shape - 1))

    def age_at(self, cumulative_hazard: ArrayLike) -> Floats:
        """Age at which the cumulative hazard reaches a value; its inverse."""
        return np.asarray(
            self.scale * np.asarray(cumulative_hazard, dtype=np.float64) ** (1 / self.shape)
        )

    @property
    def mean(self) -> Parameter:  # type: ignore[override]
        """Mean age at failure."""
        return self.scale * gamma(1 + 1 / self.shape)

    def mean_up_to(self, age: ArrayLike) -> Floats:
        """Mean of the smaller of the age at failure and ``age``, in closed form.

        Substituting the cumulative hazard makes the integral an incomplete gamma function.
        """
        return np.asarray(self.mean * gammainc(1 / self.shape, self.cumulative_hazard(age)))


@dataclass(frozen=True)
class Exponential(Life):
    """Exponential life: failures by chance, at the same rate at every age.

    Attributes
    ----------
    mean : mean age at failure, in the caller's unit.

    Source: Meeker and Escobar 1998, section 4.4.
    """

    mean: Parameter

    def cumulative_hazard(self, age: ArrayLike) -> Floats:
        """Give the integral of the hazard up to ``age``."""
        return np.asarray(np.asarray(age, dtype=np.float64) / self.mean)

    def hazard(self, age: ArrayLike) -> Floats:
        """Failures per unit of age, the same at every age."""
        return np.asarray(1 / self.mean + 0 * np.asarray(age, dtype=np.float64))

    def age_at(self, cumulative_hazard: ArrayLike) -> Floats:
        """Age at which the cumulative hazard reaches a value; its inverse."""
        return np.asarray(np.asarray(cumulative_hazard, dtype=np.float64) * self.mean)

    def mean_up_to(self, age: ArrayLike) -> Floats:
        """Mean of the smaller of the age at failure and ``age``, in closed form."""
        return np.asarray(self.mean * self.failed(age))
