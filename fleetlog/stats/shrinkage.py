"""Rates and proportions of many small cells, each drawn towards what all cells share.

The cells' true values are taken to come from one distribution (a gamma for rates, a beta for
proportions), which is fitted to the cells themselves by the greatest marginal likelihood. Its
spread is measured by ``kappa``: the squared coefficient of variation of a gamma, and one over the
sum of the two parameters of a beta. At ``kappa = 0`` all cells are alike; the likelihoods below are
written so that they pass smoothly into that case.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import ArrayLike
from scipy.special import betainc, betaincinv, chdtrc, expit, gammaincc, gammaincinv, logit

from fleetlog.errors import InvalidLives, NoInteriorMaximum
from fleetlog.stats._arrays import Floats
from fleetlog.stats._maximise import Derivatives, maximise
from fleetlog.stats.rates import (
    Limits,
    check_cells,
    proportion_interval,
    rate_interval,
    tail_chance,
)

# The likelihood adds up over the successive events of a cell, so it needs an array this long.
GREATEST_COUNT = 20_000_000
# The coarse search for the spread, before Newton's method: this many values, up to this one.
SEARCHED = 15
GREATEST_KAPPA = 1e3
# Below this, differences of logarithms lose their digits and a series takes over.
SMALL = 1e-2
ALIKE = "the cells differ no more than by chance, so every one of them is given the common value"


@dataclass(frozen=True)
class Shrunk:
    """Cells drawn towards what they share. See `shrink_rates` and `shrink_proportions`.

    Attributes
    ----------
    table : Polars frame, one row per cell in the order given: ``observed``, ``size`` (expected
        events or trials), ``raw`` (observed / size), ``own_share`` (weight of the raw value in the
        estimate, 0 to 1), ``estimate``, ``lower``, ``upper``, and ``chance_above`` (that the
        cell's true value lies above the common one; null where all cells are alike).
    mean : mean of the distribution of true values: the common value.
    between : its standard deviation; 0 where the cells differ no more than by chance.
    prior : parameters of that distribution: ``shape`` and ``rate`` of the gamma, ``alpha`` and
        ``beta`` of the beta; all infinite where the cells are alike.
    reason : why nothing sets the cells apart, else None. The estimates are then the common value
        and the limits those of all events together, for a cell of its own has no say.
    p_value : of alike cells, by the likelihood ratio; half of the usual chance, because a spread
        cannot be negative.
    level : chance that the limits of a cell are said to hold.
    """

    table: pl.DataFrame
    mean: float
    between: float
    prior: dict[str, float]
    reason: str | None
    p_value: float
    level: float


def shrink_rates(observed: ArrayLike, expected: ArrayLike, level: float = 0.95) -> Shrunk:
    """Draw each cell's ratio of observed to expected events towards what all cells share.

    Events of a cell are a Poisson count with mean ratio * expected; the ratios come from a gamma
    distribution, fitted to all cells.

    Parameters
    ----------
    observed : (cells,) counts >= 0, not all 0.
    expected : (cells,) events expected, or exposure, > 0.
    level : chance that the limits of a cell hold its ratio.

    Returns
    -------
    Shrunk, with ratios (or rates) as values.

    Raises
    ------
    NoInteriorMaximum : there are no events, so there is no common ratio.

    Notes
    -----
    The limits take the fitted gamma as known, and are too short with few cells (below about 20).
    Cost: linear in cells and in the largest count.

    Source: Clayton and Kaldor 1987; DuMouchel 1999.
    """
    counts, sizes = check_cells(observed, expected, "expected", "rate")
    _enough(counts)
    if not counts.any():
        raise NoInteriorMaximum(
            "No cell has an event: there is no common ratio to draw them to, so give the limits of "
            "the ratio of all cells together."
        )
    after = _reached(counts)
    events, whole = float(counts.sum()), float(sizes.sum())

    def at(point: Floats) -> Derivatives:
        return _gamma_poisson(counts, sizes, after, point)

    common = events / whole
    alike = _gamma_poisson_alike(counts, sizes, common)
    spread = _fitted(at, float(np.log(common)), alike, common * float(sizes.max()))
    if spread is None:
        return _all_alike(
            counts, sizes, common, rate_interval(events, whole, level=level),
            {"shape": np.inf, "rate": np.inf}, level,
        )  # fmt: skip
    mean, kappa, gained = float(np.exp(spread[0])), float(np.exp(spread[1])), spread[2]
    shape, rate = 1 / kappa, 1 / (kappa * mean)
    tail = tail_chance(level)
    lower, upper = (
        gammaincinv(shape + counts, chance) / (rate + sizes) for chance in (tail, 1 - tail)
    )
    above = gammaincc(shape + counts, mean * (rate + sizes))
    return Shrunk(
        table=_table(counts, sizes, sizes / (rate + sizes), mean, (lower, upper), above),
        mean=mean,
        between=mean * float(np.sqrt(kappa)),
        prior={"shape": shape, "rate": rate},
        reason=None,
        p_value=float(chdtrc(1, 2 * gained)) / 2,
        level=level,
    )


def shrink_proportions(k: ArrayLike, n: ArrayLike, level: float = 0.95) -> Shrunk:
    """Draw each cell's proportion towards what all cells share.

    Successes of a cell are binomial; the true proportions come from a beta distribution, fitted
    to all cells.

    Parameters
    ----------
    k, n : (cells,) successes and trials, 0 <= k <= n and n > 0; not all 0 and not all n.
    level : chance that the limits of a cell hold its proportion.

    Raises
    ------
    NoInteriorMaximum : there are no successes or no failures at all; or every cell is all or
        nothing, so that no beta distribution fits best.

    Notes
    -----
    The limits take the fitted beta as known, and are too short with few cells (below about 20).
    Cost: linear in cells and in the largest number of trials.

    Source: Griffiths 1973 (beta-binomial likelihood); Efron and Morris 1975 (shrinkage).
    """
    counts, sizes = check_cells(k, n, "n", "proportion")
    _enough(counts)
    trials, seen = float(sizes.sum()), float(counts.sum())
    if seen in (0.0, trials):
        raise NoInteriorMaximum(
            "All trials ended alike: there is nothing to set cells apart by, so give the limits of "
            "the proportion of all cells together."
        )
    if np.all((counts == 0) | (counts == sizes)) and sizes.max() > 1:
        raise NoInteriorMaximum(
            "Every cell is all or nothing: no distribution of proportions fits best, so gather "
            "more trials or join cells."
        )
    reached = _reached(counts), _reached(sizes - counts), _reached(sizes)

    def at(point: Floats) -> Derivatives:
        return _beta_binomial(*reached, point)

    common = seen / trials
    alike = _beta_binomial_alike(*reached, common)
    spread = _fitted(at, float(logit(common)), alike, float(sizes.max()))
    if spread is None:
        return _all_alike(
            counts, sizes, common, proportion_interval(seen, trials, level=level),
            {"alpha": np.inf, "beta": np.inf}, level,
        )  # fmt: skip
    mean, kappa, gained = float(expit(spread[0])), float(np.exp(spread[1])), spread[2]
    alpha, beta = mean / kappa, (1 - mean) / kappa
    tail = tail_chance(level)
    a, b = alpha + counts, beta + sizes - counts
    lower, upper = (
        np.asarray(betaincinv(a, b, chance), dtype=np.float64) for chance in (tail, 1 - tail)
    )
    above = np.asarray(betainc(b, a, 1 - mean), dtype=np.float64)
    return Shrunk(
        table=_table(counts, sizes, sizes / (1 / kappa + sizes), mean, (lower, upper), above),
        mean=mean,
        between=float(np.sqrt(mean * (1 - mean) * kappa / (1 + kappa))),
        prior={"alpha": alpha, "beta": beta},
        reason=None,
        p_value=float(chdtrc(1, 2 * gained)) / 2,
        level=level,
    )


def _fitted(
    at: Callable[[Floats], Derivatives],
    centre: float,
    alike: tuple[float, float],
    largest: float,
) -> tuple[float, float, float] | None:
    """Centre and log spread of greatest likelihood, and what they gain over alike cells.

    ``alike`` is the log-likelihood of alike cells and its slope by the spread; ``largest`` the
    size of the largest cell, which tells how small a spread could show. None where no spread does
    better; where the slope is not upward there may still be a better one farther out, so that a
    coarse search decides.
    """
    value, slope = alike
    kappas = np.geomspace(0.01 / max(largest, 1.0), GREATEST_KAPPA, SEARCHED)
    values = [at(np.array([centre, np.log(kappa)]))[0] for kappa in kappas]
    best = int(np.argmax(values))
    # Where a spread changes nothing, as with one trial per cell, sums differ by rounding alone.
    slack = 1e-12 * abs(value)
    if values[best] <= value + slack and slope <= 0:
        return None
    top = maximise(at, np.array([centre, np.log(kappas[best])]))
    if top.value <= value + slack:
        return None
    return float(top.point[0]), float(top.point[1]), top.value - value


def _reached(counts: Floats) -> Floats:
    """How many cells have more than j events, for j = 0, 1, ... up to the largest count."""
    if counts.max() > GREATEST_COUNT:
        raise InvalidLives(
            f"The largest count is {counts.max():g}: a cell of more than {GREATEST_COUNT} events "
            f"needs no other to support it, so leave it out."
        )
    cells = np.bincount(counts.astype(np.intp))
    return (counts.size - np.cumsum(cells))[:-1].astype(np.float64)


def _gamma_poisson_alike(counts: Floats, sizes: Floats, common: float) -> tuple[float, float]:
    """Log-likelihood of alike cells, less what depends on the counts alone, and its slope."""
    mean = common * sizes
    value = float(counts @ np.log(mean) - mean.sum())
    return value, float(((counts - mean) ** 2 - counts).sum()) / 2


def _gamma_poisson(counts: Floats, sizes: Floats, after: Floats, point: Floats) -> Derivatives:
    """Marginal log-likelihood by the log of the mean ratio and the log of kappa.

    With M = mean * size and O events, it is the sum over cells of
    ``O log M - (1 / kappa + O) log(1 + kappa M) + sum over j < O of log(1 + kappa j)``.
    """
    kappa = np.exp(point[1])
    mean = np.exp(point[0]) * sizes
    x = kappa * mean
    log1p = np.log1p(x)
    relative = 1 / (1 + x)
    j = np.arange(after.size)
    grown = 1 / (1 + kappa * j)
    value = counts @ np.log(mean) - (log1p / kappa + counts * log1p).sum()
    value += after @ np.log1p(kappa * j)
    first, second = _log_remainders(x)
    residual = (counts - mean) * relative
    by_kappa = (mean**2 * first - counts * mean * relative).sum() + after @ (j * grown)
    twice = (mean**3 * second + counts * (mean * relative) ** 2).sum() - after @ (j * grown) ** 2
    gradient = np.array([residual.sum(), kappa * by_kappa])
    mixed = -kappa * (residual * mean * relative).sum()
    bend = -(mean * (1 + kappa * counts) * relative**2).sum()
    hessian = np.array([[bend, mixed], [mixed, kappa * by_kappa + kappa**2 * twice]])
    return float(value), gradient, hessian


def _log_remainders(x: Floats) -> tuple[Floats, Floats]:
    """``(log(1+x) - r) / x^2`` and ``(-2 log(1+x) + 2 r + r^2) / x^3`` with r = x / (1 + x).

    Both cancel for small x, where their series is summed instead (to a relative 1e-13).
    """
    small = x < SMALL
    first, second = np.empty_like(x), np.empty_like(x)
    # The term of x^n is (-1)^n (n - 1) / n in the first, (-1)^n (2 / n - 2 + n - 1) in the second.
    n = np.arange(10, 1, -1)
    first[small] = np.polyval((-1.0) ** n * (n - 1) / n, x[small])
    n = np.arange(11, 2, -1)
    second[small] = np.polyval((-1.0) ** n * (2 / n + n - 3), x[small])
    large = x[~small]
    r = large / (1 + large)
    log1p = np.log1p(large)
    first[~small] = (log1p - r) / large**2
    second[~small] = (-2 * log1p + 2 * r + r**2) / large**3
    return first, second


def _beta_binomial_alike(
    hits: Floats, misses: Floats, trials: Floats, mean: float
) -> tuple[float, float]:
    """Log-likelihood of alike cells and its slope by kappa."""
    value = float(hits.sum() * np.log(mean) + misses.sum() * np.log1p(-mean))
    slope = _by_order(hits) / mean + _by_order(misses) / (1 - mean) - _by_order(trials)
    return value, slope


def _by_order(reached: Floats) -> float:
    return float(reached @ np.arange(reached.size))


def _beta_binomial(hits: Floats, misses: Floats, trials: Floats, point: Floats) -> Derivatives:
    """Marginal log-likelihood by the logit of the mean and the log of kappa.

    It is the sum over j of the cells with more than j successes times ``log(mean + j kappa)``,
    likewise for the failures with ``1 - mean``, less that of the trials with ``log(1 + j kappa)``.
    """
    mean, kappa = float(expit(point[0])), float(np.exp(point[1]))
    value, by_mean, by_kappa = 0.0, 0.0, 0.0
    mean_twice, mixed, kappa_twice = 0.0, 0.0, 0.0
    for reached, base, sign, turn in (
        (hits, mean, 1.0, 1.0),
        (misses, 1 - mean, 1.0, -1.0),
        (trials, 1.0, -1.0, 0.0),
    ):
        j = np.arange(reached.size)
        level = base + j * kappa
        value += sign * float(reached @ np.log(level))
        by_mean += turn * float(reached @ (1 / level))
        by_kappa += sign * float(reached @ (j / level))
        mean_twice -= abs(turn) * float(reached @ level**-2)
        mixed -= turn * float(reached @ (j / level**2))
        kappa_twice -= sign * float(reached @ (j / level) ** 2)
    step = mean * (1 - mean)
    gradient = np.array([step * by_mean, kappa * by_kappa])
    across = step * kappa * mixed
    bend = step**2 * mean_twice + step * (1 - 2 * mean) * by_mean
    return (
        value,
        gradient,
        np.array([[bend, across], [across, kappa * by_kappa + kappa**2 * kappa_twice]]),
    )


def _enough(counts: Floats) -> None:
    if counts.size < 2:
        raise InvalidLives(f"There is {counts.size} cell: pass at least two, that share something.")


def _all_alike(
    counts: Floats,
    sizes: Floats,
    common: float,
    limits: Limits,
    prior: dict[str, float],
    level: float,
) -> Shrunk:
    none, low, high = np.zeros(counts.size), limits[0] + 0 * counts, limits[1] + 0 * counts
    unknown = np.full(counts.size, np.nan)
    return Shrunk(
        table=_table(counts, sizes, none, common, (low, high), unknown),
        mean=common,
        between=0.0,
        prior=prior,
        reason=ALIKE,
        p_value=1.0,
        level=level,
    )


def _table(
    counts: Floats, sizes: Floats, own: Floats, mean: float, limits: Limits, above: Floats
) -> pl.DataFrame:
    raw = counts / sizes
    return pl.DataFrame(
        {
            "observed": counts,
            "size": sizes,
            "raw": raw,
            "own_share": own,
            "estimate": own * raw + (1 - own) * mean,
            "lower": limits[0],
            "upper": limits[1],
            "chance_above": pl.Series(above).fill_nan(None),
        }
    )
