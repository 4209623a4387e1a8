"""Survival where a failure is known only to lie between two inspections."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import ArrayLike
from scipy.linalg import LinAlgError, solve
from scipy.optimize import isotonic_regression
from scipy.sparse import coo_array
from scipy.sparse.linalg import splu

from fleetlog.errors import InvalidLives, NoInteriorMaximum
from fleetlog.stats._arrays import (
    Floats,
    Ints,
    TimeScale,
    count,
    nullable,
    numbers,
    refuse,
    same_length,
    time_scale,
    weights,
)
from fleetlog.stats.curves import SurvivalCurve

# The derivative by the mass of each interval, over the number of lives, is 1 where there is mass
# and at most 1 where there is none. The log-likelihood per life is then within this of its maximum.
OPTIMAL = 1e-9
ROUNDS = 200
FIRST_STEPS = 20
NEWTON_STEPS = 40
DENSE = 300


@dataclass(frozen=True, kw_only=True)
class IntervalSurvivalCurve(SurvivalCurve):
    """Survival curve of interval-censored lives. See `turnbull`.

    Attributes
    ----------
    log_likelihood : the largest that any distribution reaches.
    optimality : how far the derivatives by the masses are from their conditions at the maximum,
        relative to the number of lives; at most 1e-9.
    """

    log_likelihood: float
    optimality: float

    def at(self, times: ArrayLike) -> Floats:
        """Estimate at each of ``times``.

        NaN past the last time and inside the intervals ``from`` < t < ``to``, where the data tell
        how much fails but not when.
        """
        asked = np.asarray(times, dtype=np.float64)
        to = self.table["to"].to_numpy()
        row = np.minimum(np.searchsorted(to, asked, side="left"), to.size - 1)
        inside = (asked > self.table["from"].to_numpy()[row]) & (asked < to[row])
        return np.where(inside, np.nan, super().at(asked))

    def quantile_range(self, p: float) -> tuple[float, float] | None:
        """Ages between which a fraction ``p`` has failed, first reached; None where not reached.

        Both ends are one age where the curve steps at an age known exactly. `quantile` gives the
        upper end.
        """
        end = self.quantile(p)
        if end is None:
            return None
        return float(self.table.filter(pl.col("time") == end)["from"][0]), end


def turnbull(
    lower: ArrayLike, upper: ArrayLike, *, weight: ArrayLike | None = None
) -> IntervalSurvivalCurve:
    """Estimate the share surviving each age where failures lie in intervals (lower, upper].

    The distribution that makes the intervals most probable puts mass on the innermost intervals
    only: those that begin at a ``lower``, end at an ``upper`` and hold no other end (Peto 1973).
    One sort finds them. The masses are found by steps of self-consistency (Turnbull) and of the
    iterative convex minorant, finished by Newton's method on the intervals that keep mass, until
    the conditions of the maximum hold to 1e-9; the maximum is unique. Finding the intervals grows
    as n log n, each step linearly but for Newton's, which solves for the intervals that keep mass.

    Parameters
    ----------
    lower : (n,) ages at which each part was last known good; 0 where it was never seen good.
    upper : (n,) ages at which it was first known failed: infinite where it has not failed,
        ``lower`` itself where the age of failure is known exactly.
    weight : (n,) > 0, how many alike lives a row stands for.

    Returns
    -------
    IntervalSurvivalCurve. Its table has a row for each interval with mass, ``from`` < t <= ``to``
    (``from`` = ``to`` where exact), and ``time`` = ``to``; where lives outlast all failures, a last
    row without failures ends what is known. ``estimate`` is the survival at ``to``; ``events`` and
    ``at_risk`` are what the estimate expects of all the lives: those failing in the interval, and
    those surviving to it. ``std_err``, ``lower`` and ``upper`` are null: with intervals the
    estimate converges too slowly (the cube root of n) for the usual variance to hold.

    Raises
    ------
    InvalidLives : the count, first rows and remedy of what cannot be used.
    NoInteriorMaximum : the conditions of the maximum could not be met.

    Notes
    -----
    Late entry is not offered: under it the maximum may not exist or may be worthless.
    Source: Peto 1973; Turnbull 1976; Groeneboom and Wellner 1992 (convex minorant); Gentleman and
    Geyer 1994 (conditions of the maximum); Wellner and Zhan 1997 (the two kinds of step together).
    """
    low, high, weighted = _check(lower, upper, weight)
    scale, left, right = _ends(low, high)
    begin, end, first, last = _innermost(left, right)
    rows, total = _Rows.of(first, last, weighted, begin.size), float(weighted.sum())
    mass = _maximise(rows, begin.size, total)
    return _curve(scale, begin, end, mass, rows, total, float(weighted[np.isfinite(high)].sum()))


def _check(
    lower: ArrayLike, upper: ArrayLike, weight: ArrayLike | None
) -> tuple[Floats, Floats, Floats]:
    low = numbers(lower, "lower").astype(np.float64, copy=False)
    if low.size == 0:
        raise InvalidLives("There are no lives: pass at least one.")
    try:
        given = np.asarray(upper, dtype=np.float64)
    except (TypeError, ValueError) as error:
        raise InvalidLives(
            "upper holds values that are no numbers: pass infinity where a life has not failed."
        ) from error
    forever = np.isposinf(given) if given.ndim == 1 else np.zeros(0, dtype=np.bool_)
    if forever.any():
        given = np.where(forever, 0.0, given)
    high = numbers(given, "upper").astype(np.float64)
    same_length(low.size, upper=high)
    high[forever] = np.inf
    refuse(low > high, "have lower > upper", "swap swapped readings")
    refuse(high <= 0, "have an upper of 0", "leave lives with no follow-up out and count them")
    refuse(
        (low <= 0) & forever,
        "reach from 0 to infinity",
        "leave lives that were never looked at out and count them",
    )
    given_weight = weights(weight, low.size)
    return low, high, np.ones(low.size) if given_weight is None else given_weight


def _ends(low: Floats, high: Floats) -> tuple[TimeScale, Ints, Ints]:
    """Put both ends on one axis, three places to a time.

    An exact failure begins at the first, every interval that ends there ends at the second, and
    an interval that leaves its lower end out begins at the third.
    """
    finite = np.isfinite(high)
    scale, (low_at, high_at) = time_scale(low, high[finite])
    upper = np.full(low.size, scale.size, dtype=np.intp)
    upper[finite] = high_at
    exact = low == high
    refuse(
        (low_at >= upper) & ~exact,
        "have a lower within rounding of their upper",
        "make the two equal where the age is exact",
    )
    return scale, 3 * low_at + np.where(exact, 0, 2), 3 * upper + 1


def _innermost(left: Ints, right: Ints) -> tuple[Ints, Ints, Ints, Ints]:
    """Innermost intervals, and the first and last of them inside each row's interval."""
    begins, ends = np.unique(left), np.unique(right)
    # The last beginning before each end; several ends after one beginning: the first counts.
    before = np.searchsorted(begins, ends) - 1
    kept = np.flatnonzero(np.diff(before, prepend=-1) > 0)
    begin, end = begins[before[kept]], ends[kept]
    return (
        begin,
        end,
        np.searchsorted(begin, left),
        np.searchsorted(end, right, side="right") - 1,
    )


@dataclass(frozen=True)
class _Rows:
    """Intervals as stretches of innermost ones: mass between the cumulative ``start`` and ``stop``.

    Attributes
    ----------
    start, stop : (r,) places 0..m of the cumulative mass. weight : (r,).
    """

    start: Ints
    stop: Ints
    weight: Floats

    @classmethod
    def of(cls, first: Ints, last: Ints, weight: Floats, size: int) -> _Rows:
        """Join alike rows."""
        key, place = np.unique(first * size + last, return_inverse=True)
        return cls(key // size, key % size + 1, count(place, key.size, weight))

    def mass(self, mass: Floats) -> Floats:
        """Probability of each row, (r,)."""
        total = np.concatenate([[0.0], np.cumsum(mass)])
        return np.asarray(total[self.stop] - total[self.start])

    def value(self, mass: Floats) -> float:
        """Log-likelihood; minus infinity where a row has no mass."""
        probability = self.mass(mass)
        if np.any(probability <= 0):
            return -np.inf
        return float(self.weight @ np.log(probability))

    def derivative(self, mass: Floats) -> Floats:
        """Differentiate the log-likelihood by each mass, (m,)."""
        return np.cumsum(self._turns(self.weight / self.mass(mass), mass.size))[:-1]

    def _turns(self, values: Floats, size: int) -> Floats:
        return count(self.start, size + 1, values) - count(self.stop, size + 1, values)

    def convex_minorant(self, mass: Floats) -> Floats:
        """Step of the convex minorant: the cumulative masses best for a diagonal curvature."""
        probability, size = self.mass(mass), mass.size
        slope = -self._turns(self.weight / probability, size)[1:-1]
        squares = self.weight / probability**2
        curvature = count(self.start, size + 1, squares) + count(self.stop, size + 1, squares)
        curvature = curvature[1:-1]
        target = np.cumsum(mass)[:-1] + slope / curvature
        fitted = isotonic_regression(target, weights=curvature).x.clip(0.0, 1.0)
        return np.diff(fitted, prepend=0.0, append=1.0)

    def restricted(self, support: Ints) -> _Rows:
        """Keep the same rows on some of the intervals."""
        start, stop = np.searchsorted(support, self.start), np.searchsorted(support, self.stop)
        size = support.size + 1
        key, place = np.unique(start * size + stop, return_inverse=True)
        return _Rows(key // size, key % size, count(place, key.size, self.weight))

    def newton(self, mass: Floats) -> Floats:
        """Newton's step of the masses, which leaves their sum alone, (m,)."""
        probability, inner = self.mass(mass), mass.size - 1
        slope = -self._turns(self.weight / probability, mass.size)[1:-1]
        squares = self.weight / probability**2
        start, stop = self.start - 1, self.stop - 1
        begun, ended = start >= 0, stop < inner
        both = begun & ended
        across = np.concatenate([start[begun], stop[ended], start[both], stop[both]])
        down = np.concatenate([start[begun], stop[ended], stop[both], start[both]])
        values = np.concatenate([squares[begun], squares[ended], -squares[both], -squares[both]])
        # Scaled to a unit diagonal: masses differ by orders of magnitude.
        diagonal = down == across
        unit = 1 / np.sqrt(count(down[diagonal], inner, values[diagonal]))
        values = values * unit[down] * unit[across]
        curvature = coo_array((values, (down, across)), shape=(inner, inner)).tocsc()
        if inner <= DENSE:
            step = np.asarray(solve(curvature.toarray(), slope * unit, assume_a="pos"))
        else:
            step = splu(
                curvature, permc_spec="MMD_AT_PLUS_A", options={"SymmetricMode": True}
            ).solve(slope * unit)
        return np.diff(step * unit, prepend=0.0, append=0.0)


def _maximise(rows: _Rows, size: int, total: float) -> Floats:
    """Find the masses of the innermost intervals, (m,)."""
    mass = np.full(size, 1.0 / size)
    if size == 1:
        return mass
    for _ in range(FIRST_STEPS):
        mass = _self_consistent(rows, mass, total)
        mass = _climb(rows, mass, rows.convex_minorant(mass))
    for _ in range(ROUNDS):
        mass = _on_support(rows, mass, total)
        if _optimality(rows, mass, total) <= OPTIMAL:
            return mass
        # Intervals that lost their mass may regain it here.
        mass = _climb(rows, mass, rows.convex_minorant(mass))
        mass = _self_consistent(rows, mass, total)
    raise NoInteriorMaximum(
        f"The survival of {rows.weight.size} kinds of interval did not reach its maximum in "
        f"{ROUNDS} rounds: round the inspection ages to fewer distinct values."
    )


def _self_consistent(rows: _Rows, mass: Floats, total: float) -> Floats:
    grown: Floats = mass * rows.derivative(mass) / total
    return np.asarray(grown / grown.sum())


def _climb(rows: _Rows, mass: Floats, goal: Floats) -> Floats:
    """Go towards ``goal`` as far as the log-likelihood rises; stay where it does not."""
    start, fraction = rows.value(mass), 1.0
    while fraction > 1e-10:
        trial = (1 - fraction) * mass + fraction * goal
        if rows.value(trial) > start:
            return trial
        fraction /= 2
    return mass


def _on_support(rows: _Rows, mass: Floats, total: float) -> Floats:
    """Newton's method on the intervals that have mass; those that lose it are left out."""
    for _ in range(NEWTON_STEPS):
        support = np.flatnonzero(mass > 0)
        if support.size == 1:
            return mass
        some = mass[support]
        few = rows.restricted(support)
        if np.max(np.abs(few.derivative(some) / total - 1)) <= OPTIMAL / 10:
            return mass
        try:
            step = few.newton(some)
        except (LinAlgError, RuntimeError):
            # Masses about to vanish leave no curvature; the other steps go on.
            return mass
        trial = np.maximum(some + step, 0.0)
        trial = trial / trial.sum()
        if not few.value(trial) > few.value(some):
            falling = step < 0
            room = float(np.min(some[falling] / -step[falling])) if falling.any() else 1.0
            trial = _climb(few, some, np.maximum(some + min(room, 1.0) * step, 0.0))
            if np.array_equal(trial, some):
                return mass
        mass = np.zeros(mass.size)
        mass[support] = trial
    return mass


def _optimality(rows: _Rows, mass: Floats, total: float) -> float:
    """How far the conditions of the maximum are from holding, relative to the lives."""
    excess = rows.derivative(mass) / total - 1
    return float(max(excess.max(), np.abs(excess[mass > 0]).max()))


def _curve(
    scale: TimeScale,
    begin: Ints,
    end: Ints,
    mass: Floats,
    rows: _Rows,
    total: float,
    failures: float,
) -> IntervalSurvivalCurve:
    kept = np.flatnonzero(mass > 0)
    place_from, place_to, share = begin[kept] // 3, end[kept] // 3, mass[kept]
    after = np.maximum(1 - np.cumsum(share), 0.0)
    if place_to[-1] < scale.size:
        after[-1] = 0.0  # All mass is spent; a sum of shares may miss 1 by rounding.
    else:
        # What outlasts all failures: the curve is known up to where that begins, and no further.
        known = place_to[:-1].size == 0 or place_to[-2] < place_from[-1]
        place_to[-1] = place_from[-1]
        share[-1] = 0.0
        after[-1] = after[-2] if after.size > 1 else 1.0
        if not known:
            place_from, place_to = place_from[:-1], place_to[:-1]
            share, after = share[:-1], after[:-1]
    before = np.concatenate([[1.0], after[:-1]])
    undefined = nullable(np.full(share.size, np.nan))
    return IntervalSurvivalCurve(
        table=pl.DataFrame(
            {
                "time": scale.times[place_to],
                "from": scale.times[place_from],
                "to": scale.times[place_to],
                "at_risk": total * before,
                "events": total * share,
                "censored": undefined,
                "estimate": after,
                "std_err": undefined,
                "lower": undefined,
                "upper": undefined,
            }
        ),
        level=float("nan"),
        interval="none",
        variance="none",
        start=0.0,
        lives=total,
        events=failures,
        clusters=None,
        thin_start=None,
        log_likelihood=rows.value(mass),
        optimality=_optimality(rows, mass, total),
    )
