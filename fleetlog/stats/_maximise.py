"""Newton's method with its convergence checked, for likelihoods of a few parameters."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import isfinite

import numpy as np

from fleetlog.errors import NoInteriorMaximum
from fleetlog.stats._arrays import Floats

Derivatives = tuple[float, Floats, Floats]

LONGEST_STEP = 2.0
NEWTON_STEPS = 200
# Newton's decrement: twice the distance in log-likelihood that the last step still promised.
DECREMENT = 1e-11


@dataclass(frozen=True)
class Maximum:
    """Where the function is largest, and its value and second derivatives there."""

    point: Floats
    value: float
    hessian: Floats


def maximise(
    function: Callable[[Floats], Derivatives],
    start: Floats,
    *,
    flat: bool = False,
    steps: int = NEWTON_STEPS,
    within: Callable[[Floats], bool] | None = None,
) -> Maximum:
    """Climb to a maximum from ``start``.

    Parameters
    ----------
    function : gives the value, gradient (p,) and Hessian (p, p) at a point.
    start : (p,) point, on log scales, so that a step of 2 is a long one.
    flat : also take a top that is level in some direction, as where a profile reaches the end of
        a parameter's range.
    steps : how many steps to take at most.
    within : says whether a point is worth climbing on from; all are where not given.

    Raises
    ------
    NoInteriorMaximum : the function still rises when the steps run out, or has no curvature at
        the top.
    """
    point = start
    value, gradient, hessian = found = function(point)
    if not finite(found):
        raise NoInteriorMaximum(
            "The likelihood cannot be computed where the search begins: check the ages for values "
            "far from the rest, or choose a simpler model."
        )
    for _ in range(steps):
        step, concave, level = _uphill(gradient, hessian)
        promised = float(gradient @ step)
        # The promise is in units of log-likelihood; a large sum carries rounding of its own.
        if (concave or (flat and level)) and promised <= DECREMENT + 1e-15 * abs(value):
            # One last full step squares the error that is left.
            last = function(point + step)
            if finite(last):
                return Maximum(point + step, last[0], last[2])
            return Maximum(point, value, hessian)
        longest = float(np.max(np.abs(step)))
        if longest > LONGEST_STEP:
            step = step * (LONGEST_STEP / longest)
        fraction = 1.0
        while True:
            trial = function(point + fraction * step)
            gain = trial[0] - value
            if finite(trial) and gain >= 1e-4 * fraction * min(promised, 0.0):
                break
            fraction /= 2
            if fraction < 1e-10:
                if concave and promised < 1e-6:
                    return Maximum(point, value, hessian)
                raise NoInteriorMaximum(
                    "The likelihood could not be raised further although it is not at a maximum: "
                    "the data do not determine the parameters, so gather more failures."
                )
        point = point + fraction * step
        value, gradient, hessian = trial
        if np.max(np.abs(point - start)) > 200 or (within is not None and not within(point)):
            break
    raise NoInteriorMaximum(
        "The likelihood keeps rising towards an extreme parameter: the data do not determine the "
        "model, so gather more failures or choose a simpler model."
    )


def finite(found: Derivatives) -> bool:
    """Whether a value and its derivatives can all be used."""
    value, gradient, hessian = found
    with np.errstate(invalid="ignore"):
        # A sum is finite where all its terms are.
        return isfinite(value) and isfinite(gradient.sum() + hessian.sum())


def _uphill(gradient: Floats, hessian: Floats) -> tuple[Floats, bool, bool]:
    """Newton step, with curvature of the wrong sign turned round.

    Also whether the function curves down in every direction, and whether it at least does not
    curve up in any, but for rounding.
    """
    curvature, axes = np.linalg.eigh(-hessian)
    largest = float(np.max(np.abs(curvature)))
    concave = bool(curvature[0] > 1e-14 * largest)
    usable = np.maximum(np.abs(curvature), 1e-8 * largest + 1e-300)
    step = axes @ ((axes.T @ gradient) / (curvature if concave else usable))
    return step, concave, bool(curvature[0] > -1e-8 * largest)


def aicc_of(log_likelihood: float, parameters: int, n: float) -> float:
    """Akaike's criterion corrected for small samples; infinite where lives are too few.

    Source: Burnham and Anderson 2002.
    """
    spare = n - parameters - 1
    if spare <= 0:
        return float("inf")
    return 2 * parameters - 2 * log_likelihood + 2 * parameters * (parameters + 1) / spare
