"""Whether events come faster than expected, told so that one may look as often as one likes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import chdtri, gammaln, xlogy

from fleetlog.errors import InvalidLives
from fleetlog.stats._arrays import Floats, same_length
from fleetlog.stats._gamma_tail import log_upper

HALVINGS = 100


def log_excess_evidence(
    observed: ArrayLike, expected: ArrayLike, *, mean_excess: float = 2.0
) -> Floats:
    """Log of the evidence that events come faster than expected, valid however often one looks.

    The evidence is the likelihood of ``observed`` events at a rate ratio above 1, averaged over
    ratios of 1 plus an exponential variable, over that at ratio 1. Where the ratio is 1 or less, it
    ever exceeds 1 / alpha with a chance of alpha at most, at whatever moments one looks.

    Parameters
    ----------
    observed : counts >= 0 so far. expected : events expected so far, >= 0, at ratio 1; both only
        grow from look to look. Numbers or arrays that broadcast.
    mean_excess : mean of the exponential variable, > 0: 2 suits ratios of about 3.

    Notes
    -----
    Source: Robbins 1970 (mixtures of likelihood ratios); Howard, Ramdas, McAuliffe and Sekhon 2021
    (gamma mixture of Poisson events); the bound is Ville's (1939).
    """
    if not (np.isfinite(mean_excess) and mean_excess > 0):
        raise ValueError(f"mean_excess is {mean_excess}: pass a number above 0")
    seen, due = np.broadcast_arrays(
        np.asarray(observed, dtype=np.float64), np.asarray(expected, dtype=np.float64)
    )
    for name, values in (("observed", seen), ("expected", due)):
        if not np.all(np.isfinite(values) & (values >= 0)):
            raise InvalidLives(
                f"{name} holds numbers that are negative or not finite: count again."
            )
    rate = 1 / mean_excess
    x = due + rate
    found = np.log(rate) + x + log_upper(seen + 1, x) + gammaln(seen + 1) - (seen + 1) * np.log(x)
    return np.asarray(found)[()]


def excess_boundary(observed: ArrayLike, evidence: float, *, mean_excess: float = 2.0) -> Floats:
    """Find the expected events up to which that many observed ones reach ``evidence``.

    Parameters
    ----------
    observed : (k,) counts of 1 or more. evidence : above 1.

    Returns
    -------
    (k,), rising with the count; 0 where so few events never do.
    """
    count = np.atleast_1d(np.asarray(observed, dtype=np.float64))
    if not np.all(count >= 1) or evidence <= 1:
        raise ValueError("pass counts of at least 1, and an evidence above 1")
    # With as many expected as observed no ratio above 1 is likelier than 1, so the evidence is
    # at most 1; it falls as more are expected.
    low, high = np.zeros(count.size), count.copy()
    target = np.log(evidence)
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        reached = log_excess_evidence(count, middle, mean_excess=mean_excess) >= target
        low, high = np.where(reached, middle, low), np.where(reached, high, middle)
    return low


def crossing_chance(boundary: ArrayLike, expected: float, *, ratio: float = 1.0) -> float:
    """Chance that a boundary is reached by the time that ``expected`` events were expected.

    Parameters
    ----------
    boundary : (k,) ascending: expected events up to which 1, 2, ... observed ones signal; its last
        must lie beyond ``expected``.
    expected : events expected at ratio 1 by the end of watching.
    ratio : of the true rate to that expected.

    Notes
    -----
    Exact, by carrying the chances of each count that has not signalled from one corner of the
    boundary to the next. Grows with the cube of the count that signals at the end.

    Source: Kulldorff, Davis, Kolczak, Lewis, Lieu and Platt 2011, section 3.
    """
    corners = np.asarray(boundary, dtype=np.float64)
    if corners.size == 0 or np.any(np.diff(corners) < 0) or corners[-1] < expected:
        raise InvalidLives(
            "boundary must ascend and reach beyond expected: work it out for more events."
        )
    if expected <= 0:
        return 0.0
    needed = int(np.searchsorted(corners, expected)) + 1
    chances, at = np.ones(1), 0.0
    for count, corner in enumerate([*corners[: needed - 1], expected], start=1):
        # Up to this corner, fewer events than ``count`` have not signalled.
        mean, more = ratio * (corner - at), np.arange(count)
        steps = np.exp(xlogy(more, mean) - mean - gammaln(more + 1))
        chances, at = np.convolve(chances, steps)[:count], corner
    return float(1 - chances.sum())


def expected_needed(
    chance: float, ratio: float, evidence: float, *, mean_excess: float = 2.0
) -> float:
    """Find how many are expected by when a rate ``ratio`` times as high is found with a chance.

    Raises
    ------
    ValueError : a chance outside 0 to 1, or a ratio that is not above 1.
    """
    if not 0 < chance < 1 or ratio <= 1:
        raise ValueError("pass a chance between 0 and 1, and a ratio above 1")
    events, low, high = 32, 0.0, 1.0
    boundary = excess_boundary(np.arange(1, events + 1), evidence, mean_excess=mean_excess)

    def reached(expected: float) -> bool:
        nonlocal boundary, events
        while boundary[-1] <= expected:
            events *= 2
            boundary = excess_boundary(np.arange(1, events + 1), evidence, mean_excess=mean_excess)
        return crossing_chance(boundary, expected, ratio=ratio) >= chance

    while not reached(high):
        low, high = high, 2 * high
    while high - low > 1e-4 * high:
        middle = (low + high) / 2
        low, high = (low, middle) if reached(middle) else (middle, high)
    return high


@dataclass(frozen=True)
class ExpectedEvents:
    """Events expected of a group at the rates of another. See `expected_at_rates`.

    Attributes
    ----------
    expected : sum of weight times events. upper : its upper limit.
    events : how many events of the other group it rests on.
    """

    expected: float
    upper: float
    events: float


def expected_at_rates(
    events: ArrayLike, weight: ArrayLike, *, greatest_weight: float, tail: float
) -> ExpectedEvents:
    """Events expected of a group at another group's age-specific rates, with an upper limit.

    Parameters
    ----------
    events : (k,) events of the other group at each age, >= 0.
    weight : (k,) group at risk over the others at risk at that age.
    greatest_weight : the greatest that the weight is at any age that the group was watched,
        with events there or not.
    tail : chance that the true number lies above the upper limit.

    Notes
    -----
    A weighted sum of Poisson counts, with the limit by the gamma distribution that would hold one
    event more at the greatest weight; exact (Garwood 1936) where all weights are one.

    Source: Fay and Feuer 1997.
    """
    seen, weighed = np.asarray(events, np.float64), np.asarray(weight, np.float64)
    same_length(seen.size, weight=weighed)
    if not 0 < tail < 1:
        raise ValueError(f"tail is {tail}: pass a chance between 0 and 1")
    mean, variance = float(weighed @ seen), float(weighed**2 @ seen)
    if greatest_weight <= 0:
        return ExpectedEvents(mean, mean, float(seen.sum()))
    more, wider = mean + greatest_weight, variance + greatest_weight**2
    upper = wider / (2 * more) * float(chdtri(2 * more**2 / wider, tail))
    return ExpectedEvents(mean, upper, float(seen.sum()))
