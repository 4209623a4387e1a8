"""How often to look for a failure that does not show itself."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from scipy.optimize import brentq

from fleetlog.stats._arrays import Floats
from fleetlog.stats._lived import LivedTime
from fleetlog.stats._policies import (
    check_discount,
    last_shown,
    mean_of_each,
    order_limits,
    too_thin,
)
from fleetlog.stats.distributions import Life
from fleetlog.stats.life_models import LifeFit
from fleetlog.stats.rates import tail_chance

FLAT = 0.05
DRAWS = 1000
# Inspections that are added up one by one; the later ones are summed as an integral.
TERMS = 64
# The scan runs from this share of a first guess, or of the mean life, to this many times both.
LEAST_SHARE = 1e-3
GREATEST_SHARE = 30.0
SCAN_POINTS = 121
SCAN_POINTS_OF_DRAWS = 41
# Steps of the golden section: to a relative 1e-9 of a scanned interval, and of draws to 1e-5.
NARROWINGS = 43
NARROWINGS_OF_DRAWS = 24
GOLDEN = (np.sqrt(5) - 1) / 2

NO_MEAN = (
    "the mean age at failure is infinite, so that inspections go on without end at any interval: "
    "none is the cheapest"
)
NOT_WORTH = (
    "no inspection costs less than leaving failures undetected: to look for them, and to renew the "
    "part, costs as much as they do harm"
)


@dataclass(frozen=True)
class InspectionPolicy:
    """The interval of inspection at which hidden failures cost least. See `inspection_policy`.

    Attributes
    ----------
    interval : best interval, in the unit of the life; None where there is none.
    reason : why there is none, else None.
    cost : at the best interval, per failure until it is found or, with a cost of renewal, per
        unit of age in the long run; that of never inspecting where no inspection pays. With
        discounting, worth at the beginning, or with a cost of renewal the level payment per unit
        of age that is worth as much as all the costs to come. None where the mean age at failure
        is infinite and nothing is discounted.
    inspections : mean number of inspections until the failure is found. None without an interval,
        and where the mean age at failure is infinite.
    undetected : mean time from a failure to the inspection that finds it. None likewise.
    saving : share that the best interval saves against never inspecting; None where never
        inspecting costs without end (without a cost of renewal or a discount), and without a cost.
    flat_range : intervals around the best one at which the cost is within 5 % of the least; the
        upper end is infinite where never inspecting is, too. None without an interval.
    cost_inspection, cost_undetected_per_unit, cost_renewal, discount_rate : as given.
    curve : Polars frame for charts: ``interval``, ``cost``, ``undetected_share`` (of the time,
        null where the mean age at failure is infinite); no rows where there is no cost.
    interval_limits : limits from parameters drawn from the fit, at ``level``; an interval that a
        draw does not have counts as infinite. None for a life with known parameters.
    no_optimum_share : share of the draws without a best interval.
    level, draws : confidence level and number of draws.
    caution : where the draws disagree on whether inspection pays at all, a sentence that says so.
    """

    interval: float | None
    reason: str | None
    cost: float | None
    inspections: float | None
    undetected: float | None
    saving: float | None
    flat_range: tuple[float, float] | None
    cost_inspection: float
    cost_undetected_per_unit: float
    cost_renewal: float | None
    discount_rate: float
    curve: pl.DataFrame
    interval_limits: tuple[float, float] | None
    no_optimum_share: float | None
    level: float
    draws: int
    caution: str | None


@dataclass(frozen=True)
class _Costs:
    inspection: float
    undetected: float
    renewal: float | None
    discount: float

    def of(self, interval: Floats, visits: Floats, lived: Floats) -> Floats:
        """Cost per failure found or, with renewal, per unit of age.

        ``visits`` and ``lived`` are the sum and the integral of the discounted survival.
        """
        if self.discount == 0:
            kept = interval * visits
            found = self.inspection * visits + self.undetected * (kept - lived)
            return found if self.renewal is None else (found + self.renewal) / kept
        # What a payment at the inspection that finds the failure is worth now, less than one.
        less = -np.expm1(-self.discount * interval) * visits
        looked = self.inspection * np.exp(-self.discount * interval) * visits
        found = looked + self.undetected * (less / self.discount - lived)
        if self.renewal is None:
            return found
        return np.asarray(self.discount * (found + self.renewal * (1 - less)) / less)

    def never(self, lived: Floats) -> Floats:
        """Cost of never inspecting: per unit of age with renewal, else of one failure."""
        if self.discount == 0:
            return np.full_like(lived, np.inf if self.renewal is None else self.undetected)
        level = self.undetected * (1 - self.discount * lived)
        return level / self.discount if self.renewal is None else level


class _Inspected:
    """One or several lives that are looked at: sums over the inspections, discounted or not."""

    def __init__(self, life: Life, discount: float) -> None:
        self.life, self.discount = life, discount
        self.time = LivedTime(life, discount) if discount else None
        #: (lives,) integral of the discounted survival: the mean age at failure without discount.
        self.lived = self.time.lived[-1] if self.time else mean_of_each(life)

    def visits(self, interval: Floats) -> Floats:
        """Sum of the discounted survival at 0, T, 2 T, ..., for intervals (k, lives)."""
        total = np.ones(np.shape(interval))
        for term in range(1, TERMS):
            left = self._left(term * interval)
            if not np.any(left):
                return total
            total += left
        start = TERMS * interval
        left = self._left(start)
        # Euler and Maclaurin: the integral of what is left, half of its first term, a twelfth of
        # its slope.
        rest = np.maximum(self.lived - self._lived_to(start), 0.0) / interval
        slope = interval * (np.asarray(self.life.hazard(start)) + self.discount) * left
        slope = np.where(left > 0, slope, 0.0)
        return np.asarray(total + np.where(left > 0, rest + left / 2 + slope / 12, 0.0))

    def _left(self, age: Floats) -> Floats:
        return np.asarray(self.life.survival(age) * np.exp(-self.discount * age))

    def _lived_to(self, age: Floats) -> Floats:
        return self.time.at(age) if self.time else np.asarray(self.life.mean_up_to(age))


def inspection_policy(
    life: Life | LifeFit,
    *,
    cost_inspection: float,
    cost_undetected_per_unit: float,
    cost_renewal: float | None = None,
    discount_rate: float = 0.0,
    level: float = 0.95,
    draws: int = DRAWS,
    seed: int = 0,
) -> InspectionPolicy:
    """Find the interval of inspections for a failure that shows only when looked for.

    The part is inspected at T, 2 T, 3 T, ... from new until an inspection finds it failed. An
    inspection always finds a failure, takes no time and does not wear the part. Without a cost of
    renewal, the cost until the failure is found is the least possible; with one, the part is then
    renewed, all begins again, and the cost per unit of age in the long run is the least.

    Parameters
    ----------
    life : a fit, whose uncertainty is then carried through, or a life with known parameters.
    cost_inspection : > 0, money per inspection.
    cost_undetected_per_unit : > 0, money per unit of age that a failure lies undetected.
    cost_renewal : >= 0, money to renew the part when its failure has been found.
    discount_rate : >= 0, per unit of age, continuous: a cost at age t counts ``exp(-rate t)``.
    level : confidence level of the limits.
    draws, seed : number of parameter draws from the fit, and the seed that repeats them.

    Notes
    -----
    The mean number of inspections is the sum of the survival at 0, T, 2 T, ...; after 64 terms
    the rest is summed by the rule of Euler and Maclaurin, to a relative 1e-8 or better. The
    interval is found to a relative 1e-6. With discounting, sums and integrals are of the
    discounted survival: with v = exp(-rate T), V their sum and A their integral, an inspection
    costs v V times, a failure lies undetected for (1 - v) V / rate - A, and a payment at its
    finding is worth 1 - (1 - v) V.

    Source: Barlow, Hunter and Proschan 1963; Barlow and Proschan 1965, section 4.3.
    """
    for name, cost in (
        ("cost_inspection", cost_inspection),
        ("cost_undetected_per_unit", cost_undetected_per_unit),
    ):
        if not (np.isfinite(cost) and cost > 0):
            raise ValueError(f"{name} is {cost}: pass a cost above 0")
    if cost_renewal is not None and not (np.isfinite(cost_renewal) and cost_renewal >= 0):
        raise ValueError(f"cost_renewal is {cost_renewal}: pass a cost of 0 or more, or None")
    check_discount(discount_rate)
    costs = _Costs(
        float(cost_inspection), float(cost_undetected_per_unit), cost_renewal, float(discount_rate)
    )
    known = life.life if isinstance(life, LifeFit) else life
    policy = _known(known, costs, level)
    if not isinstance(life, LifeFit):
        return policy
    drawn = _Inspected(life.draws(draws, seed=seed), costs.discount)
    intervals = _best_intervals(drawn, costs, SCAN_POINTS_OF_DRAWS, NARROWINGS_OF_DRAWS)
    tail = tail_chance(level)
    without = float(np.mean(np.isinf(intervals)))
    found = policy.interval is not None
    return replace(
        policy,
        interval_limits=order_limits(intervals, tail),
        no_optimum_share=without,
        draws=int(intervals.size),
        caution=too_thin(without, tail, found=found, action="inspection"),
    )


def _known(life: Life, costs: _Costs, level: float) -> InspectionPolicy:
    """Policy for a life with known parameters."""
    looked_at = _Inspected(life, costs.discount)
    # Numbers and times of inspections are never discounted.
    plain = _Inspected(life, 0.0) if costs.discount else looked_at
    best = float(_best_intervals(looked_at, costs, SCAN_POINTS, NARROWINGS)[0])
    finite, found = bool(np.isfinite(looked_at.lived[0])), bool(np.isfinite(best))
    never = float(costs.never(looked_at.lived)[0]) if finite else np.inf
    mean = np.asarray(life.mean, dtype=np.float64)
    least = visits = None
    if found:
        at = np.array([[best]])
        least = float(costs.of(at, looked_at.visits(at), looked_at.lived)[0, 0])
        if np.isfinite(mean):
            visits = float(plain.visits(at)[0, 0])
    elif finite:
        least = never
    last = 4 * best if found else last_shown(life)
    intervals = np.linspace(last / 200, last, 200)[:, None]
    intervals = intervals if finite else intervals[:0]
    seen = looked_at.visits(intervals)
    share = (
        1 - mean / (intervals * (plain.visits(intervals) if costs.discount else seen))[:, 0]
        if np.isfinite(mean)
        else np.full(len(intervals), np.nan)
    )
    curve = pl.DataFrame(
        {
            "interval": intervals[:, 0],
            "cost": costs.of(intervals, seen, looked_at.lived)[:, 0],
            "undetected_share": pl.Series(share, nan_to_null=True),
        }
    )
    return InspectionPolicy(
        interval=best if found else None,
        reason=None if found else (NOT_WORTH if finite else NO_MEAN),
        cost=least,
        inspections=visits,
        undetected=None if visits is None else best * visits - float(mean),
        saving=None if least is None or np.isinf(never) else 1 - least / never,
        flat_range=None if not found else _flat_range(looked_at, costs, best, never),
        cost_inspection=costs.inspection,
        cost_undetected_per_unit=costs.undetected,
        cost_renewal=costs.renewal,
        discount_rate=costs.discount,
        curve=curve,
        interval_limits=None,
        no_optimum_share=None,
        level=level,
        draws=0,
        caution=None,
    )


def _scanned(lived: Floats, costs: _Costs, points: int) -> Floats:
    """Intervals to look at, (points, lives)."""
    # To first order an inspection costs once per interval and a failure waits half of one.
    guess = np.sqrt(2 * costs.inspection * lived / costs.undetected)
    low = LEAST_SHARE * np.minimum(guess, lived)
    return np.geomspace(low, GREATEST_SHARE * np.maximum(guess, lived), points)


def _best_intervals(looked_at: _Inspected, costs: _Costs, points: int, narrowings: int) -> Floats:
    """Best interval of each of several lives, infinite where there is none."""
    finite = np.isfinite(looked_at.lived) & (looked_at.lived > 0)
    if not finite.any():
        return np.full(finite.size, np.inf)
    usual = np.where(finite, looked_at.lived, 1.0)
    intervals = _scanned(usual, costs, points)

    def cost(interval: Floats) -> Floats:
        with np.errstate(all="ignore"):
            value = costs.of(interval, looked_at.visits(interval), usual)
        return np.where(np.isnan(value), np.inf, value)

    lowest = np.argmin(cost(intervals), axis=0)
    column = np.arange(finite.size)
    inside = finite & (lowest > 0) & (lowest < points - 1)
    low = np.log(intervals[np.maximum(lowest - 1, 0), column])[None, :]
    high = np.log(intervals[np.minimum(lowest + 1, points - 1), column])[None, :]
    for _ in range(narrowings):
        left, right = high - GOLDEN * (high - low), low + GOLDEN * (high - low)
        keep_left = cost(np.exp(left)) < cost(np.exp(right))
        low, high = np.where(keep_left, low, left), np.where(keep_left, right, high)
    best = np.exp((low + high) / 2)
    inside &= (cost(best) < costs.never(usual))[0]
    return np.where(inside, best[0], np.inf)


def _flat_range(
    looked_at: _Inspected, costs: _Costs, best: float, never: float
) -> tuple[float, float]:
    """Intervals around the best one where the cost is within 5 % of the least."""

    def cost(interval: float) -> float:
        at = np.array([[interval]])
        return float(costs.of(at, looked_at.visits(at), looked_at.lived)[0, 0])

    limit = (1 + FLAT) * cost(best)

    def excess(interval: float) -> float:
        return cost(interval) - limit

    low = best / 1.2
    while excess(low) < 0:
        low /= 1.2
    lower = float(brentq(excess, low, best, rtol=1e-10))
    if never <= limit:
        return lower, float("inf")
    high = 1.2 * best
    while excess(high) < 0:
        high *= 1.2
    return lower, float(brentq(excess, best, high, rtol=1e-10))
