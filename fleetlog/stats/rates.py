"""Proportions, rates with their limits, and control of false discoveries."""

from __future__ import annotations

from typing import Literal, TypeAlias

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import betaincinv, gammaincinv, gammaln, pdtr, xlogy

from fleetlog.errors import InvalidLives
from fleetlog.stats._arrays import Floats, normal_quantile

Limits: TypeAlias = tuple[Floats, Floats]


def proportion_interval(
    k: ArrayLike,
    n: ArrayLike,
    *,
    method: Literal["wilson", "exact"] = "wilson",
    level: float = 0.95,
) -> Limits:
    """Limits of a proportion, of which ``k`` in ``n`` were seen.

    Parameters
    ----------
    k, n : counts, 0 <= k <= n and n > 0; numbers or arrays that broadcast.
    method : "wilson" (score limits; close to the level on average) or "exact" (never below the
        level).

    Returns
    -------
    (lower, upper), of the broadcast shape (NumPy scalars for numbers).

    Source: Wilson 1927; Clopper and Pearson 1934.
    """
    seen, total = np.broadcast_arrays(_counts(k, "k"), _counts(n, "n"))
    if np.any(total <= 0) or np.any(seen > total):
        raise InvalidLives(
            f"{int(np.count_nonzero((total <= 0) | (seen > total)))} of {seen.size} proportions "
            f"have no trials or more successes than trials: leave them out and count them."
        )
    if method == "wilson":
        z = normal_quantile(level)
        centre = (seen + z**2 / 2) / (total + z**2)
        half = z / (total + z**2) * np.sqrt(seen * (total - seen) / total + z**2 / 4)
        lower = np.where(seen == 0, 0.0, centre - half)
        upper = np.where(seen == total, 1.0, centre + half)
    elif method == "exact":
        tail = _tail(level)
        # Arguments that would be 0 are replaced where the limit is known to be 0 or 1.
        lower = np.where(seen == 0, 0.0, betaincinv(np.maximum(seen, 1.0), total - seen + 1, tail))
        upper = np.where(
            seen == total, 1.0, betaincinv(seen + 1, np.maximum(total - seen, 1.0), 1 - tail)
        )
    else:
        raise ValueError(f"method is {method!r}: pass 'wilson' or 'exact'")
    return lower[()], upper[()]


def proportion_difference(
    k: ArrayLike, n: ArrayLike, other_k: ArrayLike, other_n: ArrayLike, *, level: float = 0.95
) -> Limits:
    """Limits of the difference of two independent proportions, k / n - other_k / other_n.

    Parameters
    ----------
    k, n, other_k, other_n : counts, each k within its n; numbers or arrays that broadcast.

    Returns
    -------
    (lower, upper), of the broadcast shape.

    Source: Newcombe 1998, method 10: the Wilson limits of both, joined by squares.
    """
    one, total, two, other = (
        _counts(values, name)
        for values, name in ((k, "k"), (n, "n"), (other_k, "other_k"), (other_n, "other_n"))
    )
    low, high = proportion_interval(one, total, level=level)
    other_low, other_high = proportion_interval(two, other, level=level)
    share, other_share = one / total, two / other
    difference = share - other_share
    lower = difference - np.sqrt((share - low) ** 2 + (other_high - other_share) ** 2)
    upper = difference + np.sqrt((high - share) ** 2 + (other_share - other_low) ** 2)
    return lower[()], upper[()]


def rate_interval(
    k: ArrayLike,
    exposure: ArrayLike,
    *,
    method: Literal["exact", "mid-p"] = "exact",
    level: float = 0.95,
) -> Limits:
    """Limits of a rate of chance events, of which ``k`` were seen in ``exposure``.

    Parameters
    ----------
    k : counts >= 0; exposure : > 0, in any unit; numbers or arrays that broadcast.
    method : "exact" (never below the level) or "mid-p" (counts half of the chance of k itself;
        shorter).

    Returns
    -------
    (lower, upper), events per unit of exposure.

    Source: Garwood 1936 (exact); Breslow and Day 1987 (mid-P).
    """
    seen, lived = np.broadcast_arrays(_counts(k, "k"), np.asarray(exposure, dtype=np.float64))
    if not np.all(np.isfinite(lived) & (lived > 0)):
        raise InvalidLives(
            f"{int(np.count_nonzero(~(np.isfinite(lived) & (lived > 0))))} of {lived.size} rates "
            f"have no finite exposure above 0: leave them out and count them."
        )
    tail = _tail(level)
    lower = np.where(seen == 0, 0.0, gammaincinv(np.maximum(seen, 1.0), tail))
    upper = np.asarray(gammaincinv(seen + 1, 1 - tail), dtype=np.float64)
    if method == "mid-p":
        # The mid-P limits lie inside the exact ones, so those bracket them.
        middle = np.maximum(seen, 0.5).astype(np.float64)
        lower = np.where(seen == 0, 0.0, _halve(seen, lower.astype(np.float64), middle, 1 - tail))
        upper = _halve(seen, middle * (seen > 0), upper, tail)
    elif method != "exact":
        raise ValueError(f"method is {method!r}: pass 'exact' or 'mid-p'")
    return (lower / lived)[()], (upper / lived)[()]


def _halve(seen: Floats, low: Floats, high: Floats, target: float) -> Floats:
    """Mean at which the chance of fewer than seen, and half that of seen, is ``target``."""
    for _ in range(60):
        middle = (low + high) / 2
        at_seen = np.exp(xlogy(seen, middle) - middle - gammaln(seen + 1))
        fewer = pdtr(seen, middle) - at_seen / 2
        above = fewer > target
        low, high = np.where(above, middle, low), np.where(above, high, middle)
    return (low + high) / 2


def benjamini_hochberg(p: ArrayLike) -> Floats:
    """Adjust p-values so that those at or below q hold a share of at most q false discoveries.

    Parameters
    ----------
    p : (m,) p-values of everything that was looked at, found or not; independent or positively
        dependent.

    Returns
    -------
    (m,) adjusted p-values, in the order given.

    Source: Benjamini and Hochberg 1995.
    """
    values = np.asarray(p, dtype=np.float64)
    if values.ndim != 1:
        raise InvalidLives(f"p has {values.ndim} dimensions: pass one p-value per test.")
    wrong = ~((values >= 0) & (values <= 1))
    if wrong.any():
        raise InvalidLives(
            f"{int(np.count_nonzero(wrong))} of {values.size} p-values are not between 0 and 1: "
            f"leave out the tests that could not be made."
        )
    order = np.argsort(values)[::-1]
    ranks = np.arange(values.size, 0, -1)
    adjusted = np.empty_like(values)
    adjusted[order] = np.minimum.accumulate(np.minimum(values[order] * values.size / ranks, 1.0))
    return adjusted


def _counts(values: ArrayLike, name: str) -> Floats:
    array = np.asarray(values, dtype=np.float64)
    if not np.all(np.isfinite(array) & (array >= 0)):
        raise InvalidLives(f"{name} is {values!r}: pass counts of 0 or more.")
    return array


def _tail(level: float) -> float:
    if not 0 < level < 1:
        raise ValueError(f"level is {level}: pass a confidence level between 0 and 1, such as 0.95")
    return (1 - level) / 2
