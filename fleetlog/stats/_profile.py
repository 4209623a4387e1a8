"""Limits from the profile likelihood, for any number of parameters."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq

from fleetlog.errors import NoInteriorMaximum
from fleetlog.stats._arrays import Floats
from fleetlog.stats._families import Data, Family
from fleetlog.stats._maximise import Derivatives, finite, maximise

# Limits farther out than this on the free scale are no limits: the end of the range is given.
FARTHEST_LIMIT = 30.0
# Root of the fall of twice the log-likelihood, beyond which only its being large matters.
GREATEST_FALL = 1e3
SMALLEST_STEP = 1e-9
# From this many free places on, a profile is followed in short steps.
SEVERAL = 2
# A profile that leaves its limit by more than this on both sides has jumped over it.
JUMP = 1e-6
# Log-likelihoods that differ by less are the same place, reached from two sides.
HIGHER = 1e-4


@dataclass(frozen=True)
class Held:
    """A point that moves with the free places while the quantity of interest is held.

    ``point`` (p,), and its first (p, m) and second (m, m, p) derivatives by the m free places.
    """

    point: Floats
    first: Floats
    second: Floats


Hold = Callable[[float, Floats], Held]


@dataclass(frozen=True)
class Quantity:
    """What limits are asked of: how it is held, and its estimate and error on its free scale.

    ``free`` (m,) is where the free places lie at the maximum.
    """

    hold: Hold
    centre: float
    std_err: float
    free: Floats


def parameter_quantity(index: int, point: Floats, std_err: float) -> Quantity:
    """One parameter, on its free scale; the other places of the point are free."""
    others = np.delete(np.arange(point.size), index)
    first = np.eye(point.size)[:, others]
    second = np.zeros((others.size, others.size, point.size))

    def hold(value: float, free: Floats) -> Held:
        held = np.empty(point.size)
        held[others], held[index] = free, value
        return Held(held, first, second)

    return Quantity(hold, float(point[index]), std_err, point[others])


def quantile_quantity(family: Family, hazard: float, point: Floats, covariance: Floats) -> Quantity:
    """Log of the age at which the cumulative hazard reaches ``hazard``.

    A change of scale moves every quantile alike. So one of the places that move with the scale is
    given up: whatever the others are, the scale is the one that puts the quantile where it is held.
    """
    centre, slope, _ = family.log_quantile_derivatives(hazard, point)
    pivot = family.moving[0]
    others = np.delete(np.arange(point.size), pivot)
    along = np.zeros(point.size)
    along[list(family.moving)] = 1.0
    spread, pairs = np.eye(point.size)[:, others], np.ix_(others, others)

    def hold(value: float, free: Floats) -> Held:
        unscaled = np.zeros(point.size)
        unscaled[others] = free
        log_age, gradient, hessian = family.log_quantile_derivatives(hazard, unscaled)
        return Held(
            unscaled + (value - log_age) * along,
            spread - along[:, None] * gradient[others][None, :],
            -hessian[pairs][:, :, None] * along,
        )

    free = (point - point[pivot] * along)[others]
    return Quantity(hold, centre, float(np.sqrt(slope @ covariance @ slope)), free)


class Profile:
    """Log-likelihood maximised over the rest while one quantity is held.

    Each maximum starts from the one before, and where that is out of reach, as when a threshold
    would pass a failure, the quantity is moved there in smaller steps.
    """

    def __init__(self, family: Family, data: Data, quantity: Quantity, top: float) -> None:
        self._family, self._data, self._quantity, self._top = family, data, quantity, top
        self._at, self._free = quantity.centre, quantity.free

    def limit(self, z: float) -> float:
        """Value where the profile has fallen by z**2 / 2, on the side that z points to."""
        self._at, self._free = self._quantity.centre, self._quantity.free
        inner = centre = self._quantity.centre
        # Ends of a bracket are not asked for again: the search would begin elsewhere then.
        known = {centre: -abs(z)}

        def excess(value: float) -> float:
            if value not in known:
                # The root of the deviance is nearly straight in the value, so few steps find it.
                fallen = np.sqrt(max(2 * (self._top - self.level(value)), 0.0))
                known[value] = float(min(fallen, GREATEST_FALL)) - abs(z)
            return known[value]

        reach = z * self._quantity.std_err
        # With much left free a long step could end beside another maximum.
        outer = centre + (reach if self._free.size < SEVERAL else reach / 4)
        while excess(outer) < 0:
            if abs(outer - centre) > FARTHEST_LIMIT:
                return float(np.copysign(np.inf, z))
            inner, outer = outer, outer + max(outer - centre, reach, key=abs) / 2
        root = float(brentq(excess, inner, outer, xtol=1e-10, rtol=1e-13))
        unattained = GREATEST_FALL - abs(z) in known.values()
        if abs(excess(root)) > JUMP and not unattained:
            raise NoInteriorMaximum(
                "The profile of the likelihood jumps between several maxima and sets no limit: "
                "pass method='wald', or fit a simpler model."
            )
        return root

    def level(self, value: float) -> float:
        """Profile log-likelihood at ``value``; minus infinity where no point attains it."""
        target = value
        while True:
            if not finite(self._along(target, self._free)):
                target = (self._at + target) / 2
                if abs(target - self._at) < SMALLEST_STEP:
                    return -np.inf
                continue
            level = self._highest(target)
            if target == value:
                return level
            target = value

    def _highest(self, value: float) -> float:
        if self._free.size == 0:
            return self._along(value, self._free)[0]
        try:
            found = maximise(lambda free: self._along(value, free), self._free, flat=True)
        except NoInteriorMaximum as refusal:
            raise NoInteriorMaximum(
                "The profile of the likelihood cannot be followed to a limit: pass method='wald', "
                "or fit a simpler model."
            ) from refusal
        if found.value > self._top + HIGHER:
            raise NoInteriorMaximum(
                "The likelihood has a higher place than its maximum, so a fall from there is no "
                "limit: pass method='wald', or fit a simpler model."
            )
        self._at, self._free = value, found.point
        return found.value

    def _along(self, value: float, free: Floats) -> Derivatives:
        with np.errstate(all="ignore"):
            held = self._quantity.hold(value, free)
        level, gradient, hessian = self._family.log_likelihood(self._data, held.point)
        with np.errstate(invalid="ignore", over="ignore"):
            slope = gradient @ held.first
            bend = held.first.T @ hessian @ held.first + held.second @ gradient
        return level, slope, bend
