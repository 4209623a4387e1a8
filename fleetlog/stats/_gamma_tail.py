"""Upper tail of the gamma distribution and its derivatives by shape.

The incomplete gamma function has no closed form for its derivatives by shape. They are moments of
the log of an age beyond (or before) a point, which are smooth integrals on a short range: 40
Gauss-Legendre nodes, or a series near 0, give them to about 1e-13.
"""

from __future__ import annotations

import numpy as np
from scipy.special import digamma, gammaincc, gammaln, polygamma
from scipy.special import gammainc as lower_gamma

from fleetlog.stats._arrays import Floats

NODES, NODE_WEIGHTS = np.polynomial.legendre.leggauss(40)
# Integrands are cut off where they have fallen to exp(-44), below the rounding of their sum.
CUT = 44.0
CUT_STEPS = 6
SERIES_TERMS = 24
FRACTION_TERMS = 80
# Integrals are taken for this many ages at a time, which bounds the memory.
CHUNK = 50_000
UNDERFLOW = 1e-290


def log_upper(shape: Floats | float, x: Floats) -> Floats:
    """Log of the regularised upper incomplete gamma function, where it underflows too.

    Arguments broadcast. Beyond the range of doubles Legendre's continued fraction is used, which
    converges fast there (Abramowitz and Stegun 1964, 6.5.31).
    """
    shape, x = np.broadcast_arrays(np.asarray(shape, dtype=np.float64), x)
    upper = gammaincc(shape, x)
    with np.errstate(divide="ignore"):
        answer = np.where(upper < 0.5, np.log(upper), np.log1p(-lower_gamma(shape, x)))
    far = np.asarray((upper < UNDERFLOW) & np.isfinite(x))
    if far.any():
        answer = np.array(answer)
        k, at = shape[far], x[far]
        fraction = np.zeros_like(at)
        for term in range(FRACTION_TERMS, 0, -1):
            fraction = term * (term - k) / (at + 2 * term + 1 - k - fraction)
        answer[far] = k * np.log(at) - at - gammaln(k) - np.log(at + 1 - k - fraction)
    return np.asarray(answer)


def upper_derivatives(shape: float, x: Floats) -> tuple[Floats, Floats]:
    """First and second derivative by shape of the log of the upper tail at each ``x`` > 0.

    With T gamma distributed, the first is ``E[log T | T > x] - E[log T]`` and the second
    ``Var[log T | T > x] - Var[log T]``.

    Parameters
    ----------
    shape : > 0. x : (n,) float, > 0.
    """
    first, second = np.full(x.size, np.nan), np.full(x.size, np.nan)
    low, tail = x <= 1, x > max(shape, 1.0)
    sides = ((low, _series), (~low & ~tail & np.isfinite(x), _below), (tail, _above))
    for rows, moments in sides:
        places = np.flatnonzero(rows)
        for start in range(0, places.size, CHUNK):
            part = places[start : start + CHUNK]
            mean, variance = moments(shape, x[part])
            mean = mean - digamma(shape)
            spread = variance - polygamma(1, shape)
            if moments is not _above:
                # The moments below and above the point add up to those of the whole.
                odds = lower_gamma(shape, x[part]) / gammaincc(shape, x[part])
                spread = -odds * (spread + mean**2)
                mean = -odds * mean
                spread = spread - mean**2
            first[part], second[part] = mean, spread
    return first, second


def _series(shape: float, x: Floats) -> tuple[Floats, Floats]:
    """Mean and variance of log T given T <= x <= 1: exp(-t) written as a power series."""
    zero, one, two = np.zeros_like(x), np.zeros_like(x), np.zeros_like(x)
    term = np.ones_like(x)
    for n in range(SERIES_TERMS):
        zero += term / (shape + n)
        one += term / (shape + n) ** 2
        two += 2 * term / (shape + n) ** 3
        term = -term * x / (n + 1)
    fall = one / zero
    return np.log(x) - fall, two / zero - fall**2


def _below(shape: float, x: Floats) -> tuple[Floats, Floats]:
    """Mean and variance of log T given T <= x, for 1 < x <= shape."""
    with np.errstate(divide="ignore"):
        reach = np.minimum(CUT / (shape - x), (CUT + x) / shape)
    # Within a distance of 1 the exponent is at least a third of a parabola.
    near = np.sqrt(3 * CUT / x)
    reach = np.where(near < 1, np.minimum(reach, near), reach)
    for _ in range(CUT_STEPS):
        value = shape * reach + x * np.expm1(-reach) - CUT
        reach = reach - value / (shape - x * np.exp(-reach))
    at = (reach / 2)[:, None] * (NODES + 1)
    mean, variance = _moments(at, shape * at + x[:, None] * np.expm1(-at))
    return np.log(x) - mean, variance


def _above(shape: float, x: Floats) -> tuple[Floats, Floats]:
    """Mean and variance of log T given T > x, for x > shape and x > 1."""
    reach = np.minimum(np.sqrt(2 * CUT / x), CUT / (x - shape))
    # Beyond a distance of 1.26 the exponent is at least half an exponential.
    reach = np.minimum(reach, np.maximum(np.log1p(2 * CUT / x), 1.26))
    for _ in range(CUT_STEPS):
        value = x * np.expm1(reach) - shape * reach - CUT
        reach = reach - value / (x * np.exp(reach) - shape)
    at = (reach / 2)[:, None] * (NODES + 1)
    mean, variance = _moments(at, x[:, None] * np.expm1(at) - shape * at)
    return np.log(x) + mean, variance


def _moments(at: Floats, exponent: Floats) -> tuple[Floats, Floats]:
    """Mean and variance of a density ``exp(-exponent)`` given at the nodes (n, nodes)."""
    density = NODE_WEIGHTS * np.exp(-exponent)
    whole = density.sum(axis=1)
    mean = (density * at).sum(axis=1) / whole
    return mean, (density * (at - mean[:, None]) ** 2).sum(axis=1) / whole
