"""Life distributions with known parameters, and what every one of them can answer.

A new distribution is one frozen dataclass: its parameters, which of them need not simply be
positive, `cumulative_hazard`, `hazard` and `age_at`, and the mean up to an age in closed form where
there is one.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields
from itertools import pairwise
from typing import ClassVar, TypeAlias

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import (
    erfcx,
    expit,
    gamma,
    gammainc,
    gammaincc,
    gammainccinv,
    gammaincinv,
    gammaln,
    hyp2f1,
    log_ndtr,
    ndtr,
    ndtri_exp,
    xlogy,
)

from fleetlog.stats._arrays import Bools, Floats
from fleetlog.stats._gamma_tail import log_upper

Parameter: TypeAlias = "float | Floats"

# Halving an interval of log ages this often leaves only rounding of it.
HALVINGS = 64


@dataclass(frozen=True)
class Domain:
    """Where a parameter may lie, in words and as a test."""

    words: str
    holds: Callable[[Floats], Bools]


POSITIVE = Domain("a finite number above 0", lambda v: np.isfinite(v) & (v > 0))
NOT_NEGATIVE = Domain("a finite number, 0 or above", lambda v: np.isfinite(v) & (v >= 0))
REAL = Domain("a finite number", np.isfinite)
SHARE = Domain("a share above 0 and at most 1", lambda v: (v > 0) & (v <= 1))


class Life(ABC):
    """A distribution of ages at failure, a frozen dataclass of its parameters.

    Parameters are numbers in the caller's unit, positive unless ``domains`` says otherwise;
    arrays of them stand for several lives at once and broadcast against the ages. Ages are
    numbers or arrays, >= 0; answers are arrays of the broadcast shape (a NumPy scalar for a
    number). ``mean`` is the mean age at failure.
    """

    mean: Parameter
    domains: ClassVar[Mapping[str, Domain]] = {}

    def __post_init__(self) -> None:
        for name, value in self.parameters.items():
            domain = self.domains.get(name, POSITIVE)
            if not np.all(domain.holds(np.asarray(value, dtype=np.float64))):
                raise ValueError(f"{name} is {value}: pass {domain.words}")

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
        # Few lives need it, and every command would wait for its import.
        from scipy.integrate import quad  # noqa: PLC0415

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
        with np.errstate(over="ignore"):
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


@dataclass(frozen=True)
class Lognormal(Life):
    """Lognormal life: the log of the age at failure is normal.

    Attributes
    ----------
    mu : mean of the log of the age, any number; ``exp(mu)`` is the median.
    sigma : standard deviation of the log of the age.

    Source: Meeker and Escobar 1998, section 4.6.
    """

    mu: Parameter
    sigma: Parameter
    domains: ClassVar[Mapping[str, Domain]] = {"mu": REAL}

    def cumulative_hazard(self, age: ArrayLike) -> Floats:
        """Give the integral of the hazard up to ``age``."""
        return np.asarray(-log_ndtr(-self._standard(age)))

    def hazard(self, age: ArrayLike) -> Floats:
        """Failures per unit of age among those that survive to ``age``; 0 at age 0."""
        at = np.asarray(age, dtype=np.float64)
        # The scaled error function keeps the hazard accurate far in the tail, where the density
        # and the survival both vanish; where it overflows the hazard is 0.
        with np.errstate(over="ignore", divide="ignore", invalid="ignore"):
            relative = np.sqrt(2 / np.pi) / erfcx(self._standard(at) / np.sqrt(2))
            return np.asarray(np.where(at > 0, relative / (self.sigma * at), 0.0))

    def age_at(self, cumulative_hazard: ArrayLike) -> Floats:
        """Age at which the cumulative hazard reaches a value; its inverse."""
        with np.errstate(divide="ignore"):
            z = -ndtri_exp(-np.asarray(cumulative_hazard, dtype=np.float64))
        return np.asarray(np.exp(self.mu + self.sigma * z))

    @property
    def mean(self) -> Parameter:  # type: ignore[override]
        """Mean age at failure."""
        return np.exp(self.mu + np.square(self.sigma) / 2)

    def mean_up_to(self, age: ArrayLike) -> Floats:
        """Mean of the smaller of the age at failure and ``age``, in closed form."""
        at, z = np.asarray(age, dtype=np.float64), self._standard(age)
        return np.asarray(at * ndtr(-z) + self.mean * ndtr(z - self.sigma))

    def _standard(self, age: ArrayLike) -> Floats:
        with np.errstate(divide="ignore"):
            return np.asarray((np.log(np.asarray(age, dtype=np.float64)) - self.mu) / self.sigma)


@dataclass(frozen=True)
class Loglogistic(Life):
    """Loglogistic life: survival ``1 / (1 + (age / scale) ** shape)``.

    Attributes
    ----------
    shape : above 1 the hazard rises and then falls; else it falls, and the mean is infinite.
    scale : median age at failure, in the caller's unit.

    Source: Meeker and Escobar 1998, section 4.10.
    """

    shape: Parameter
    scale: Parameter

    def cumulative_hazard(self, age: ArrayLike) -> Floats:
        """Give the integral of the hazard up to ``age``."""
        return np.asarray(np.logaddexp(0.0, self._log_odds(age)))

    def hazard(self, age: ArrayLike) -> Floats:
        """Failures per unit of age among those that survive to ``age``."""
        with np.errstate(divide="ignore"):
            relative = np.asarray(age, dtype=np.float64) / self.scale
            rise = self.shape / self.scale * relative ** (self.shape - 1)
            return np.asarray(rise * np.exp(-np.logaddexp(0.0, self._log_odds(age))))

    def age_at(self, cumulative_hazard: ArrayLike) -> Floats:
        """Age at which the cumulative hazard reaches a value; its inverse."""
        hazard = np.asarray(cumulative_hazard, dtype=np.float64)
        with np.errstate(divide="ignore"):
            log_odds = hazard + np.log(-np.expm1(-hazard))
        return np.asarray(self.scale * np.exp(log_odds / self.shape))

    @property
    def mean(self) -> Parameter:  # type: ignore[override]
        """Mean age at failure; infinite for a shape of 1 or less."""
        shape = np.asarray(self.shape, dtype=np.float64)
        angle = np.pi / np.maximum(shape, 1 + 1e-15)
        return np.asarray(np.where(shape > 1, self.scale * angle / np.sin(angle), np.inf))[()]

    def mean_up_to(self, age: ArrayLike) -> Floats:
        """Mean of the smaller of the age at failure and ``age``, a hypergeometric function."""
        at = np.asarray(age, dtype=np.float64)
        shape = np.asarray(self.shape, dtype=np.float64)
        with np.errstate(over="ignore", invalid="ignore"):
            odds = (at / self.scale) ** shape
            general = at * hyp2f1(1.0, 1 / shape, 1 + 1 / shape, -odds)
        return np.asarray(np.where(shape == 1, self.scale * np.log1p(odds), general))

    def _log_odds(self, age: ArrayLike) -> Floats:
        with np.errstate(divide="ignore"):
            relative = np.log(np.asarray(age, dtype=np.float64) / self.scale)
        return np.asarray(self.shape * relative)


@dataclass(frozen=True)
class Gamma(Life):
    """Gamma life: the sum of ``shape`` exponential lives of mean ``scale``, for whole shapes.

    Attributes
    ----------
    shape : below 1 early failures, 1 chance, above 1 wear-out that levels off.
    scale : mean of each of those, in the caller's unit.

    Source: Meeker and Escobar 1998, section 5.2.
    """

    shape: Parameter
    scale: Parameter

    def cumulative_hazard(self, age: ArrayLike) -> Floats:
        """Give the integral of the hazard up to ``age``."""
        return -log_upper(self.shape, np.asarray(age, dtype=np.float64) / self.scale)

    def hazard(self, age: ArrayLike) -> Floats:
        """Failures per unit of age among those that survive to ``age``."""
        x = np.asarray(age, dtype=np.float64) / self.scale
        # In logs, because far in the tail the density and the survival both vanish.
        log_density = xlogy(np.asarray(self.shape) - 1, x) - x - gammaln(self.shape)
        return np.asarray(np.exp(log_density - log_upper(self.shape, x)) / self.scale)

    def age_at(self, cumulative_hazard: ArrayLike) -> Floats:
        """Age at which the cumulative hazard reaches a value; infinite where above about 700."""
        hazard = np.asarray(cumulative_hazard, dtype=np.float64)
        low = gammaincinv(self.shape, -np.expm1(-hazard))
        high = gammainccinv(self.shape, np.exp(-hazard))
        return np.asarray(self.scale * np.where(hazard < 0.5, low, high))

    @property
    def mean(self) -> Parameter:  # type: ignore[override]
        """Mean age at failure."""
        return self.shape * self.scale

    def mean_up_to(self, age: ArrayLike) -> Floats:
        """Mean of the smaller of the age at failure and ``age``, in closed form."""
        at = np.asarray(age, dtype=np.float64)
        x = at / self.scale
        return np.asarray(at * gammaincc(self.shape, x) + self.mean * gammainc(self.shape + 1, x))


@dataclass(frozen=True)
class ThresholdWeibull(Life):
    """Weibull life that begins at a threshold age, before which nothing fails.

    Attributes
    ----------
    shape, scale : of the age beyond the threshold, as in `Weibull`.
    threshold : age before which nothing fails, 0 or above, in the caller's unit.

    Source: Meeker and Escobar 1998, section 4.12.
    """

    shape: Parameter
    scale: Parameter
    threshold: Parameter
    domains: ClassVar[Mapping[str, Domain]] = {"threshold": NOT_NEGATIVE}

    def cumulative_hazard(self, age: ArrayLike) -> Floats:
        """Give the integral of the hazard up to ``age``."""
        return self._beyond().cumulative_hazard(self._gap(age))

    def hazard(self, age: ArrayLike) -> Floats:
        """Failures per unit of age among those that survive to ``age``; 0 up to the threshold."""
        gap = self._gap(age)
        return np.asarray(np.where(gap > 0, self._beyond().hazard(gap), 0.0))

    def age_at(self, cumulative_hazard: ArrayLike) -> Floats:
        """Age at which the cumulative hazard reaches a value; its inverse."""
        return self.threshold + self._beyond().age_at(cumulative_hazard)

    @property
    def mean(self) -> Parameter:  # type: ignore[override]
        """Mean age at failure."""
        return self.threshold + self._beyond().mean

    def mean_up_to(self, age: ArrayLike) -> Floats:
        """Mean of the smaller of the age at failure and ``age``, in closed form."""
        sure = np.minimum(np.asarray(age, dtype=np.float64), self.threshold)
        return np.asarray(sure + self._beyond().mean_up_to(self._gap(age)))

    def _beyond(self) -> Weibull:
        return Weibull(self.shape, self.scale)

    def _gap(self, age: ArrayLike) -> Floats:
        return np.asarray(np.maximum(np.asarray(age, dtype=np.float64) - self.threshold, 0.0))


@dataclass(frozen=True)
class SusceptibleWeibull(Life):
    """Weibull life of a share of the parts; the others never fail.

    Attributes
    ----------
    share : share of the parts that can fail at all, above 0 and at most 1.
    shape, scale : of those, as in `Weibull`.

    Source: Meeker 1987; Meeker and Escobar 1998, section 11.5.
    """

    share: Parameter
    shape: Parameter
    scale: Parameter
    domains: ClassVar[Mapping[str, Domain]] = {"share": SHARE}

    def cumulative_hazard(self, age: ArrayLike) -> Floats:
        """Give the integral of the hazard up to ``age``; it levels off at ``-log(1 - share)``."""
        with np.errstate(divide="ignore"):
            return np.asarray(-np.log1p(-self.share * self._able().failed(age)))

    def hazard(self, age: ArrayLike) -> Floats:
        """Failures per unit of age among those that survive to ``age``."""
        able = self._able()
        with np.errstate(divide="ignore", invalid="ignore"):
            odds = np.log(self.share) - np.log1p(-np.asarray(self.share))
            # Of the survivors, the part that can still fail.
            part = expit(odds - able.cumulative_hazard(age))
            return np.asarray(np.where(part > 0, part * able.hazard(age), 0.0))

    def age_at(self, cumulative_hazard: ArrayLike) -> Floats:
        """Age at which the cumulative hazard reaches a value; infinite where it never does."""
        failed = -np.expm1(-np.asarray(cumulative_hazard, dtype=np.float64)) / self.share
        with np.errstate(divide="ignore", invalid="ignore"):
            age = self._able().age_at(-np.log1p(-np.minimum(failed, 1.0)))
        return np.asarray(np.where(failed < 1, age, np.inf))

    @property
    def mean(self) -> Parameter:  # type: ignore[override]
        """Mean age at failure; infinite where some never fail."""
        return np.asarray(np.where(np.asarray(self.share) < 1, np.inf, self._able().mean))[()]

    def mean_up_to(self, age: ArrayLike) -> Floats:
        """Mean of the smaller of the age at failure and ``age``, in closed form."""
        at = np.asarray(age, dtype=np.float64)
        return np.asarray((1 - self.share) * at + self.share * self._able().mean_up_to(at))

    def _able(self) -> Weibull:
        return Weibull(self.shape, self.scale)


@dataclass(frozen=True)
class WeibullMixture(Life):
    """Two kinds of parts, each with a Weibull life: some fail early, the others wear out.

    Attributes
    ----------
    share : share of the parts that fail early, above 0 and at most 1.
    shape, scale : of the early failures, as in `Weibull`.
    late_shape, late_scale : of the others.

    Source: Meeker and Escobar 1998, section 5.12.
    """

    share: Parameter
    shape: Parameter
    scale: Parameter
    late_shape: Parameter
    late_scale: Parameter
    domains: ClassVar[Mapping[str, Domain]] = {"share": SHARE}

    def cumulative_hazard(self, age: ArrayLike) -> Floats:
        """Give the integral of the hazard up to ``age``."""
        early, late = self._kinds()
        failed = self.share * early.failed(age) + (1 - self.share) * late.failed(age)
        with np.errstate(divide="ignore"):
            survived = np.logaddexp(
                np.log(self.share) - early.cumulative_hazard(age),
                np.log1p(-np.asarray(self.share)) - late.cumulative_hazard(age),
            )
            # Where few have failed their share keeps digits that the survival has lost.
            return np.asarray(np.where(failed < 0.5, -np.log1p(-failed), -survived))

    def hazard(self, age: ArrayLike) -> Floats:
        """Failures per unit of age among those that survive to ``age``."""
        early, late = self._kinds()
        with np.errstate(divide="ignore", over="ignore"):
            behind = np.asarray(late.cumulative_hazard(age) - early.cumulative_hazard(age))
            odds = np.log(self.share) - np.log1p(-np.asarray(self.share)) + behind
        part = expit(odds)
        return np.asarray(part * early.hazard(age) + expit(-odds) * late.hazard(age))

    def age_at(self, cumulative_hazard: ArrayLike) -> Floats:
        """Age at which the cumulative hazard reaches a value, by halving its log.

        It lies between the ages at which the two kinds reach that value.
        """
        hazard = np.asarray(cumulative_hazard, dtype=np.float64)
        with np.errstate(divide="ignore"):
            log_hazard = np.log(hazard)
        ends = [
            np.log(kind.scale) + np.where(hazard > 0, log_hazard, 0.0) / kind.shape
            for kind in self._kinds()
        ]
        low, high = np.minimum(*ends), np.maximum(*ends)
        for _ in range(HALVINGS):
            middle = (low + high) / 2
            past = self.cumulative_hazard(np.exp(middle)) >= hazard
            low, high = np.where(past, low, middle), np.where(past, middle, high)
        return np.asarray(np.where(hazard > 0, np.exp((low + high) / 2), 0.0))

    @property
    def mean(self) -> Parameter:  # type: ignore[override]
        """Mean age at failure."""
        early, late = self._kinds()
        return self.share * early.mean + (1 - self.share) * late.mean

    def mean_up_to(self, age: ArrayLike) -> Floats:
        """Mean of the smaller of the age at failure and ``age``, in closed form."""
        early, late = self._kinds()
        return np.asarray(
            self.share * early.mean_up_to(age) + (1 - self.share) * late.mean_up_to(age)
        )

    def _kinds(self) -> tuple[Weibull, Weibull]:
        return Weibull(self.shape, self.scale), Weibull(self.late_shape, self.late_scale)
