"""Events of cells against those of the rest of their strata, by exact conditional chances."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import betainc, xlogy

from fleetlog.errors import InvalidLives
from fleetlog.stats._arrays import Floats
from fleetlog.stats.rates import Limits, tail_chance

HALVINGS = 60


@dataclass(frozen=True)
class StratifiedRatio:
    """The rate of each cell over that of the rest of its strata. See `stratified_ratio`.

    Attributes
    ----------
    observed, share, total, dispersion : (cells,) as given.
    expected : (cells,) events expected of the cell, had it failed at the rates of the rest, the
        cell itself left out; 0 where the rest has no events.
    ratio : observed / expected; infinite where nothing is expected.
    p_excess : chance of as many events or more in the cell, given the total, with half the chance
        of the count itself (mid-P).
    deviance : twice the log of the likelihood ratio against equal rates, with the sign of the
        excess and without the dispersion: how much the cell explains.
    """

    observed: Floats
    share: Floats
    total: Floats
    dispersion: Floats
    expected: Floats
    ratio: Floats
    p_excess: Floats
    deviance: Floats

    def limits(self, level: float = 0.95) -> Limits:
        """Mid-P limits of the ratio; 0 and infinity where the counts do not tell."""
        tail = tail_chance(level)
        one, two = self.observed / self.dispersion, (self.total - self.observed) / self.dispersion
        low, high = _where(one, two, tail), _where(one, two, 1 - tail)
        odds = (1 - self.share) / self.share
        lower = np.where(one == 0, 0.0, low / (1 - low) * odds)
        with np.errstate(divide="ignore", invalid="ignore"):
            upper = np.where(two == 0, np.inf, high / (1 - high) * odds)
        return lower, upper


def stratified_ratio(
    observed: ArrayLike, alike: ArrayLike, total: ArrayLike, *, dispersion: ArrayLike = 1.0
) -> StratifiedRatio:
    """Compare the rate of each cell with that of the rest of the same strata, such as age bands.

    Given the events of a stratum, and equal rates, each falls on the cell with the chance of the
    cell's share of the exposure. Their sum over the strata is taken as binomial with the mean
    chance, which has at least the variance of the sum.

    Parameters
    ----------
    observed : (cells,) events in the cell, in strata where cell and rest both have exposure.
    alike : (cells,) events that it would have if all were alike: the sum over those strata of
        the stratum's events times the cell's share of its exposure; above 0 and below ``total``.
    total : (cells,) events of those strata, cell and rest.
    dispersion : (cells,) or one number >= 1: variance of the counts as a multiple of that of
        single events, where events come in clusters (see `variance_to_mean`). All counts are
        divided by it.

    Notes
    -----
    With one stratum and no dispersion this is `rate_ratio` by mid-P. Because the rest's events
    are a part of the chance, a rest of few events is not taken for a known rate, as it is in
    `standardised_ratio`. Cost: linear in cells.

    Source: the conditional test of Mantel and Haenszel 1959 for rates, in Breslow and Day 1987;
    mid-P of Lancaster 1961; dispersion as in McCullagh and Nelder 1989, section 4.5.
    """
    seen, due, events, spread = (
        np.atleast_1d(values).astype(np.float64)
        for values in np.broadcast_arrays(observed, alike, total, dispersion)
    )
    good = (seen >= 0) & (seen <= events) & (due > 0) & (due < events) & (spread >= 1)
    if not np.all(good & np.isfinite(seen + due + events + spread)):
        raise InvalidLives(
            f"{int(np.count_nonzero(~good))} of {seen.size} cells have counts out of order: pass "
            f"0 <= observed <= total, 0 < alike < total and dispersion >= 1."
        )
    rest = events - seen
    one, two, share = seen / spread, rest / spread, due / events
    expected = due * rest / (events - due)
    with np.errstate(divide="ignore"):
        ratio = np.where(expected > 0, seen / expected, np.inf)
    likelihood = xlogy(seen, seen / due) + xlogy(rest, rest / (events - due))
    return StratifiedRatio(
        observed=seen,
        share=share,
        total=events,
        dispersion=spread,
        expected=expected,
        ratio=ratio,
        p_excess=_as_many(one, two, share),
        deviance=np.sign(seen - due) * 2 * np.maximum(likelihood, 0.0),
    )


def variance_to_mean(events: ArrayLike, squares: ArrayLike, units: ArrayLike) -> Floats:
    """Variance of the units' counts over their mean, and at least 1.

    Parameters
    ----------
    events : (cells,) events of the cell > 0. squares : (cells,) sum over its units of the square of
        their counts. units : (cells,) number of units, those without events too.

    Notes
    -----
    It holds what makes events of one unit come together (several parts on one order, wear that
    an engine shares), and also how unlike the units' exposures are, so that it errs to the high
    side. Too many units err to the high side as well.

    Source: index of dispersion, Cox and Lewis 1966.
    """
    counts, sums, whole = (
        np.asarray(value, dtype=np.float64) for value in (events, squares, units)
    )
    return np.maximum(1.0, sums / counts - counts / whole)


def share_dispersion(
    events: ArrayLike,
    total: ArrayLike,
    squares: ArrayLike,
    products: ArrayLike,
    total_squares: ArrayLike,
) -> Floats:
    """Variance of the units' events in a cell, given their events in all, over the binomial one.

    Parameters
    ----------
    events, squares : (cells,) sums over units of their events O in the cell, and of O squared.
    total, total_squares : (cells,) the same of their events n in cell and rest together.
    products : (cells,) sum over units of O n.

    Returns
    -------
    (cells,) at least 1: the sum over units of (O - p n) squared over the sum of n p (1 - p), with
    p the cell's own share of the events. Where all events are in the cell, that of the events.

    Notes
    -----
    What multiplies all events of a unit alike drops out, as it does from a comparison within units.

    Source: McCullagh and Nelder 1989, section 4.5 (Pearson's estimate of a dispersion).
    """
    seen, whole, own, cross, all_squares = (
        np.asarray(value, dtype=np.float64)
        for value in (events, total, squares, products, total_squares)
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        share = seen / whole
        within = (own - 2 * share * cross + share**2 * all_squares) / (seen * (1 - share))
        alone = own / seen
    found = np.where(seen == 0, 1.0, np.where(seen < whole, within, alone))
    return np.asarray(np.maximum(1.0, found))


def _as_many(one: Floats, two: Floats, share: Floats) -> Floats:
    """Chance of ``one`` or more of the total by mid-P, for counts that need not be whole."""
    as_many = np.where(one == 0, 1.0, betainc(np.where(one == 0, 1.0, one), two + 1, share))
    more = np.where(two == 0, 0.0, betainc(one + 1, np.where(two == 0, 1.0, two), share))
    return np.asarray((as_many + more) / 2)


def _where(one: Floats, two: Floats, target: float) -> Floats:
    """Share at which the chance of ``one`` or more reaches ``target``."""
    low, high = np.zeros_like(one), np.ones_like(one)
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        below = _as_many(one, two, middle) < target
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    return (low + high) / 2
