"""Proportions, rates with their limits, and control of false discoveries."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np
import polars as pl
from numpy.typing import ArrayLike
from scipy.special import betainc, betaincinv, chdtrc, gammainc, gammaincc, gammaincinv

from fleetlog.errors import InvalidLives
from fleetlog.stats._arrays import Floats, normal_quantile, refuse

Limits: TypeAlias = tuple[Floats, Floats]
RateMethod: TypeAlias = Literal["exact", "mid-p"]


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
        tail = tail_chance(level)
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
    method: RateMethod = "exact",
    level: float = 0.95,
    spread: ArrayLike = 1.0,
) -> Limits:
    """Limits of a rate of chance events, of which ``k`` were seen in ``exposure``.

    Parameters
    ----------
    k : counts >= 0; exposure : > 0, in any unit; numbers or arrays that broadcast.
    method : "exact" (never below the level) or "mid-p" (counts half of the chance of k itself;
        shorter).
    spread : variance of the count as a multiple of that of chance, where events come in clusters,
        > 0; count and exposure are divided by it.

    Returns
    -------
    (lower, upper), events per unit of exposure.

    Source: Garwood 1936 (exact); Breslow and Day 1987 (mid-P); Rao and Scott 1999 (spread).
    """
    wide = _above_zero(spread, "spread")
    seen, lived = np.broadcast_arrays(
        _counts(k, "k") / wide, np.asarray(exposure, dtype=np.float64) / wide
    )
    if not np.all(np.isfinite(lived) & (lived > 0)):
        raise InvalidLives(
            f"{int(np.count_nonzero(~(np.isfinite(lived) & (lived > 0))))} of {lived.size} rates "
            f"have no finite exposure above 0: leave them out and count them."
        )
    low, high = _mean_limits(seen, method, tail_chance(level))
    return (low / lived)[()], (high / lived)[()]


def _mean_limits(seen: Floats, method: str, tail: float) -> Limits:
    """Limits of the mean of a Poisson count, for each count seen.

    They depend on the count alone, so each distinct count is solved once (n log n).
    """
    _check_method(method)
    k, place = np.unique(seen, return_inverse=True)
    lower = np.where(k == 0, 0.0, gammaincinv(_not_zero(k), tail))
    upper = np.asarray(gammaincinv(k + 1, 1 - tail), dtype=np.float64)
    if method == "mid-p":
        # The mid-P limits lie inside the exact ones, so those bracket them.
        low, high = lower, upper

        def rising(mean: Floats) -> Floats:
            return _as_many(k, mean, "mid-p")

        lower = np.where(k == 0, 0.0, _halve(rising, low, high, tail))
        upper = _halve(rising, low, high, 1 - tail)
    return lower[place].reshape(seen.shape), upper[place].reshape(seen.shape)


def _as_many(k: Floats, mean: Floats, method: str) -> Floats:
    """Chance of a Poisson count of ``k`` or more; by mid-P, with half the chance of k itself."""
    more = gammainc(k + 1, mean)
    as_many = np.where(k == 0, 1.0, gammainc(_not_zero(k), mean))
    return np.asarray(as_many if method == "exact" else (as_many + more) / 2)


def _as_few(k: Floats, mean: Floats, method: str) -> Floats:
    """Chance of a Poisson count of ``k`` or less; by mid-P, with half the chance of k itself."""
    as_few = gammaincc(k + 1, mean)
    fewer = np.where(k == 0, 0.0, gammaincc(_not_zero(k), mean))
    return np.asarray(as_few if method == "exact" else (as_few + fewer) / 2)


def _not_zero(k: Floats) -> Floats:
    """Put 1 for counts of 0, whose chance is known and which the incomplete functions refuse."""
    return np.where(k == 0, 1.0, k)


def _halve(rising: Callable[[Floats], Floats], low: Floats, high: Floats, target: float) -> Floats:
    """Where a rising function reaches ``target``, between ``low`` and ``high``."""
    for _ in range(60):
        middle = (low + high) / 2
        below = rising(middle) < target
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    return (low + high) / 2


@dataclass(frozen=True)
class StandardisedRatio:
    """Observed over expected events, with limits and p-values. See `standardised_ratio`.

    Attributes
    ----------
    observed, expected : as given, of the shape they broadcast to, like all that follows.
    ratio : observed / expected.
    lower, upper : limits of the ratio, at ``level``.
    p_value : two-sided, twice the smaller tail: below 1 - level just where the limits leave out 1.
    p_excess : one-sided, the chance of as many events or more where the ratio is 1.
    method, level : as given.
    """

    observed: Floats
    expected: Floats
    ratio: Floats
    lower: Floats
    upper: Floats
    p_value: Floats
    p_excess: Floats
    method: RateMethod
    level: float

    @property
    def table(self) -> pl.DataFrame:
        """One row per cell: observed, expected, ratio, lower, upper, p_value, p_excess."""
        names = ("observed", "expected", "ratio", "lower", "upper", "p_value", "p_excess")
        return pl.DataFrame({name: np.ravel(getattr(self, name)) for name in names})


def standardised_ratio(
    observed: ArrayLike,
    expected: ArrayLike,
    *,
    method: RateMethod = "mid-p",
    level: float = 0.95,
) -> StandardisedRatio:
    """Compare the events of each cell with those expected of it, as a Poisson count.

    Parameters
    ----------
    observed : counts >= 0. expected : events expected, > 0, taken as known; for instance the
        exposure of the cell at each age times the rates of the whole fleet. Numbers or arrays
        that broadcast.
    method : "exact" (never below the level) or "mid-p" (counts half of the chance of the count
        itself; shorter).
    level : confidence level of the limits.

    Notes
    -----
    Where the expected number is itself an estimate from few events, the limits are too short:
    compare the two by `rate_ratio`. Cost: n log n in cells.

    Source: Breslow and Day 1987, section 2.3.
    """
    seen, due = np.broadcast_arrays(_whole(observed, "observed"), _above_zero(expected, "expected"))
    low, high = _mean_limits(seen, method, tail_chance(level))
    excess = _as_many(seen, due, method)
    both = np.minimum(1.0, 2 * np.minimum(excess, _as_few(seen, due, method)))
    return StandardisedRatio(
        observed=seen[()],
        expected=due[()],
        ratio=(seen / due)[()],
        lower=(low / due)[()],
        upper=(high / due)[()],
        p_value=both[()],
        p_excess=excess[()],
        method=method,
        level=level,
    )


@dataclass(frozen=True)
class RateRatio:
    """One rate over another, with limits and p-value. See `rate_ratio`.

    Attributes
    ----------
    ratio : rate of the first over rate of the second; infinite where only the first has events,
        NaN where neither has.
    lower, upper : limits of the ratio at ``level``, 0 and infinity where the data do not tell.
    p_value : two-sided, of equal rates: twice the smaller tail, so that it agrees with the limits.
    method, level : as given.
    """

    ratio: Floats
    lower: Floats
    upper: Floats
    p_value: Floats
    method: RateMethod
    level: float


def rate_ratio(
    k: ArrayLike,
    exposure: ArrayLike,
    other_k: ArrayLike,
    other_exposure: ArrayLike,
    *,
    method: RateMethod = "exact",
    level: float = 0.95,
) -> RateRatio:
    """Compare two rates of chance events.

    Given the total of both counts, the first is binomial, with a chance that follows from the
    ratio and the exposures; limits of that chance give limits of the ratio.

    Parameters
    ----------
    k, other_k : counts >= 0, also fractions, as counts over a dispersion are. exposure,
        other_exposure : > 0, in one unit. Numbers or arrays that broadcast.
    method : "exact" (never below the level) or "mid-p" (counts half of the chance of the count
        itself; shorter).
    level : confidence level of the limits.

    Notes
    -----
    Source: Przyborowski and Wilenski 1940; Breslow and Day 1987, section 3.3 (limits); Lancaster
    1961 (mid-P).
    """
    _check_method(method)
    one, lived, two, other_lived = np.broadcast_arrays(
        _counts(k, "k"),
        _above_zero(exposure, "exposure"),
        _counts(other_k, "other_k"),
        _above_zero(other_exposure, "other_exposure"),
    )
    tail = tail_chance(level)
    low, high = share_limits(one, two, method, tail)
    relative = other_lived / lived
    share = lived / (lived + other_lived)
    many = share_as_many(one, two, share, method)
    few = share_as_many(two, one, 1 - share, method)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = one / two * relative
        lower = low / (1 - low) * relative
        upper = np.where(high == 1, np.inf, high / (1 - high) * relative)
    return RateRatio(
        ratio=ratio[()],
        lower=lower[()],
        upper=upper[()],
        p_value=np.minimum(1.0, 2 * np.minimum(many, few))[()],
        method=method,
        level=level,
    )


def share_limits(one: Floats, two: Floats, method: str, tail: float) -> Limits:
    """Limits of the chance that an event is one of the first count's; fractions are counts too.

    They depend on the two counts alone, so each distinct pair is solved once (n log n).
    """
    shape = one.shape
    pairs, place = np.unique(one + 1j * two, return_inverse=True)
    one, two = pairs.real, pairs.imag
    lower = np.where(one == 0, 0.0, betaincinv(_not_zero(one), two + 1, tail))
    upper = np.where(two == 0, 1.0, betaincinv(one + 1, _not_zero(two), 1 - tail))
    if method == "mid-p":
        # The mid-P limits lie inside the exact ones, so those bracket them.
        low, high = lower, upper

        def rising(share: Floats) -> Floats:
            return share_as_many(one, two, share, "mid-p")

        lower = np.where(one == 0, 0.0, _halve(rising, low, high, tail))
        upper = np.where(two == 0, 1.0, _halve(rising, low, high, 1 - tail))
    return lower[place].reshape(shape), upper[place].reshape(shape)


def share_as_many(one: Floats, two: Floats, share: Floats, method: str) -> Floats:
    """Chance of ``one`` or more of the total, each with chance ``share``; by mid-P, less half."""
    as_many = np.where(one == 0, 1.0, betainc(_not_zero(one), two + 1, share))
    if method == "exact":
        return np.asarray(as_many)
    more = np.where(two == 0, 0.0, betainc(one + 1, _not_zero(two), share))
    return np.asarray((as_many + more) / 2)


@dataclass(frozen=True)
class Overdispersion:
    """How much more cells differ than chance makes them. See `overdispersion`.

    Attributes
    ----------
    factor : mean square of the (winsorised) standard scores, the variance as a multiple of that
        of chance; about 1 where chance is all.
    between : standard deviation of the cells' true values, in the unit of the centre; 0 where the
        cells differ no more than by chance.
    centre : common proportion or ratio that the cells are compared with.
    statistic, df, p_value : Pearson's chi-squared of equal cells, not winsorised.
    cells : how many there are. winsorised : share pulled in at either end.
    """

    factor: float
    between: float
    centre: float
    statistic: float
    df: int
    p_value: float
    cells: int
    winsorised: float


def overdispersion(
    observed: ArrayLike,
    size: ArrayLike,
    *,
    kind: Literal["proportion", "rate"] = "rate",
    centre: float | None = None,
    winsorised: float = 0.1,
) -> Overdispersion:
    """Estimate how much more cells differ than chance makes them.

    Parameters
    ----------
    observed : (cells,) counts.
    size : (cells,) trials of each cell (``kind="proportion"``), or its expected events or exposure
        (``kind="rate"``); > 0.
    centre : value that all cells are compared with; by default that of all cells together.
    winsorised : share of the standard scores at either end that is pulled in to the next, so that
        the few cells which are truly out of line do not hide themselves.

    Notes
    -----
    Pulling in makes the factor of pure chance come out a little below 1 (about 0.7 for a tenth at
    either end). The variance between cells is by moments, of DerSimonian and Laird 1986.

    Source: Spiegelhalter 2005, section 2.4 and appendix.
    """
    counts, sizes = check_cells(observed, size, "size", kind)
    if not 0 <= winsorised < 0.5:
        raise ValueError(f"winsorised is {winsorised}: pass a share from 0 to below 0.5")
    if centre is None and counts.size < 2:
        raise InvalidLives(f"There is {counts.size} cell: pass at least two to compare.")
    middle = check_centre(
        float(counts.sum() / sizes.sum()) if centre is None else float(centre), kind
    )
    spread = middle * (1 - middle) if kind == "proportion" else middle
    score = (counts / sizes - middle) * np.sqrt(sizes / spread)
    lowest, highest = np.quantile(score, [winsorised, 1 - winsorised], method="closest_observation")
    pulled = np.clip(score, lowest, highest)
    weight = sizes / spread
    fitted = int(centre is None)
    df = counts.size - fitted
    statistic = float(score @ score)
    excess = float(pulled @ pulled) - df
    scale = float(weight.sum() - fitted * (weight @ weight) / weight.sum())
    return Overdispersion(
        factor=float(pulled @ pulled) / df,
        between=float(np.sqrt(max(excess, 0.0) / scale)),
        centre=middle,
        statistic=statistic,
        df=df,
        p_value=float(chdtrc(df, statistic)),
        cells=int(counts.size),
        winsorised=winsorised,
    )


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


def check_centre(centre: float, kind: str) -> float:
    """Refuse a common value that no proportion or rate can have."""
    if kind not in ("proportion", "rate"):
        raise ValueError(f"kind is {kind!r}: pass 'proportion' or 'rate'")
    if not (np.isfinite(centre) and centre > 0 and (kind == "rate" or centre < 1)):
        raise InvalidLives(
            f"The common {kind} is {centre:g}: with no events, or nothing but events, there is "
            f"no chance variation to compare with."
        )
    return centre


def check_cells(observed: ArrayLike, size: ArrayLike, name: str, kind: str) -> Limits:
    """Check counts and sizes of cells: one-dimensional, equally long, sizes above 0."""
    counts = np.atleast_1d(_whole(observed, "observed"))
    sizes = np.atleast_1d(_above_zero(size, name))
    if counts.ndim != 1 or counts.shape != sizes.shape:
        raise InvalidLives(
            f"observed has shape {counts.shape} and {name} {sizes.shape}: pass one of each per "
            f"cell."
        )
    if kind == "proportion":
        sizes = _whole(sizes, name)
        refuse(counts > sizes, "have more successes than trials", "count both again")
    return counts, sizes


def _check_method(method: str) -> None:
    if method not in ("exact", "mid-p"):
        raise ValueError(f"method is {method!r}: pass 'exact' or 'mid-p'")


def _whole(values: ArrayLike, name: str) -> Floats:
    array = _counts(values, name)
    refuse(
        np.ravel(array != np.rint(array)),
        f"have a fraction as {name}",
        "pass whole counts, which the chances of a count need",
    )
    return array


def _above_zero(values: ArrayLike, name: str) -> Floats:
    array = np.asarray(values, dtype=np.float64)
    refuse(
        np.ravel(~(np.isfinite(array) & (array > 0))),
        f"have no finite {name} above 0",
        "leave them out and count them",
    )
    return array


def _counts(values: ArrayLike, name: str) -> Floats:
    array = np.asarray(values, dtype=np.float64)
    if not np.all(np.isfinite(array) & (array >= 0)):
        raise InvalidLives(f"{name} is {values!r}: pass counts of 0 or more.")
    return array


def tail_chance(level: float) -> float:
    """Chance beyond either limit, of a confidence level."""
    if not 0 < level < 1:
        raise ValueError(f"level is {level}: pass a confidence level between 0 and 1, such as 0.95")
    return (1 - level) / 2
