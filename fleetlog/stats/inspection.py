"""How often to look for a failure that does not show itself."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from scipy.optimize import brentq

from fleetlog.stats._arrays import Floats
from fleetlog.stats._policies import last_shown, mean_of_each, order_limits, too_thin
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
    "no inspection costs less than leaving failures undetected: renewing the part costs as much "
    "as the failure does harm over a whole life"
)


@dataclass(frozen=True)
class InspectionPolicy:
    """The interval of inspection at which hidden failures cost least. See `inspection_policy`.

    Attributes
    ----------
    interval : best interval, in the unit of the life; None where there is none.
    reason : why there is none, else None.
    cost : at the best interval, per failure until it is found or, with a cost of renewal, per
        unit of age in the long run; that of never inspecting where no inspection pays. None where
        the mean age at failure is infinite.
    inspections : mean number of inspections until the failure is found. None without an interval.
    undetected : mean time from a failure to the inspection that finds it. None likewise.
    saving : share that the best interval saves against never inspecting; None without a cost of
        renewal, where never inspecting costs without end, and without a cost.
    flat_range : intervals around the best one at which the cost is within 5 % of the least; the
        upper end is infinite where never inspecting is, too. None without an interval.
    cost_inspection, cost_undetected_per_unit, cost_renewal : as given.
    curve : Polars frame for charts: ``interval``, ``cost``, ``undetected_share`` (of the time); no
        rows where the mean age at failure is infinite.
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

    def of(self, interval: Floats, visits: Floats, mean: Floats) -> Floats:
        """Cost per failure found or, with renewal, per unit of age."""
        kept = interval * visits
        found = self.inspection * visits + self.undetected * (kept - mean)
        return found if self.renewal is None else (found + self.renewal) / kept


def inspection_policy(
    life: Life | LifeFit,
    *,
    cost_inspection: float,
    cost_undetected_per_unit: float,
    cost_renewal: float | None = None,
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
    level : confidence level of the limits.
    draws, seed : number of parameter draws from the fit, and the seed that repeats them.

    Notes
    -----
    The mean number of inspections is the sum of the survival at 0, T, 2 T, ...; after 64 terms
    the rest is summed by the rule of Euler and Maclaurin, to a relative 1e-8 or better. The
    interval is found to a relative 1e-6.

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
    costs = _Costs(float(cost_inspection), float(cost_undetected_per_unit), cost_renewal)
    known = life.life if isinstance(life, LifeFit) else life
    policy = _known(known, costs, level)
    if not isinstance(life, LifeFit):
        return policy
    intervals = _best_intervals(
        life.draws(draws, seed=seed), costs, SCAN_POINTS_OF_DRAWS, NARROWINGS_OF_DRAWS
    )
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
    best = float(_best_intervals(life, costs, SCAN_POINTS, NARROWINGS)[0])
    mean = np.asarray(life.mean, dtype=np.float64)
    finite, found = bool(np.isfinite(mean)), bool(np.isfinite(best))
    least = visits = None
    if found:
        visits = float(_visits(life, np.array([best]))[0])
        least = float(costs.of(np.array(best), np.array(visits), mean))
    elif finite:
        least = costs.undetected
    last = 4 * best if found else last_shown(life)
    intervals = np.linspace(last / 200, last, 200)
    intervals = intervals if finite else intervals[:0]
    seen = _visits(life, intervals)
    curve = pl.DataFrame(
        {
            "interval": intervals,
            "cost": costs.of(intervals, seen, mean),
            "undetected_share": 1 - mean / (intervals * seen),
        }
    )
    return InspectionPolicy(
        interval=best if found else None,
        reason=None if found else (NOT_WORTH if finite else NO_MEAN),
        cost=least,
        inspections=visits,
        undetected=None if visits is None else best * visits - float(mean),
        saving=None if costs.renewal is None or least is None else 1 - least / costs.undetected,
        flat_range=None if not found else _flat_range(life, costs, best),
        cost_inspection=costs.inspection,
        cost_undetected_per_unit=costs.undetected,
        cost_renewal=costs.renewal,
        curve=curve,
        interval_limits=None,
        no_optimum_share=None,
        level=level,
        draws=0,
        caution=None,
    )


def _scanned(mean: Floats, costs: _Costs, points: int) -> Floats:
    """Intervals to look at, (points, lives)."""
    # To first order an inspection costs once per interval and a failure waits half of one.
    guess = np.sqrt(2 * costs.inspection * mean / costs.undetected)
    low = LEAST_SHARE * np.minimum(guess, mean)
    return np.geomspace(low, GREATEST_SHARE * np.maximum(guess, mean), points)


def _best_intervals(life: Life, costs: _Costs, points: int, narrowings: int) -> Floats:
    """Best interval of each of several lives, infinite where there is none."""
    mean = mean_of_each(life)
    finite = np.isfinite(mean) & (mean > 0)
    if not finite.any():
        return np.full(mean.size, np.inf)
    usual = np.where(finite, mean, 1.0)
    intervals = _scanned(usual, costs, points)

    def cost(interval: Floats) -> Floats:
        with np.errstate(all="ignore"):
            value = costs.of(interval, _visits(life, interval), usual)
        return np.where(np.isnan(value), np.inf, value)

    lowest = np.argmin(cost(intervals), axis=0)
    column = np.arange(mean.size)
    inside = finite & (lowest > 0) & (lowest < points - 1)
    low = np.log(intervals[np.maximum(lowest - 1, 0), column])
    high = np.log(intervals[np.minimum(lowest + 1, points - 1), column])
    for _ in range(narrowings):
        left, right = high - GOLDEN * (high - low), low + GOLDEN * (high - low)
        keep_left = cost(np.exp(left)) < cost(np.exp(right))
        low, high = np.where(keep_left, low, left), np.where(keep_left, right, high)
    best = np.exp((low + high) / 2)
    if costs.renewal is not None:
        inside &= cost(best) < costs.undetected
    return np.where(inside, best, np.inf)


def _visits(life: Life, interval: Floats) -> Floats:
    """Mean number of inspections until the failure is found."""
    total = np.ones(np.shape(interval))
    for term in range(1, TERMS):
        left = life.survival(term * interval)
        if not np.any(left):
            return total
        total += left
    start = TERMS * interval
    left = np.asarray(life.survival(start))
    # Euler and Maclaurin: the integral of what is left, half of its first term, a twelfth of its
    # slope.
    rest = np.maximum(life.mean - np.asarray(life.mean_up_to(start)), 0.0) / interval
    slope = np.where(left > 0, interval * np.asarray(life.hazard(start)) * left, 0.0)
    return np.asarray(total + np.where(left > 0, rest + left / 2 + slope / 12, 0.0))


def _flat_range(life: Life, costs: _Costs, best: float) -> tuple[float, float]:
    """Intervals around the best one where the cost is within 5 % of the least."""
    mean = np.asarray(life.mean, dtype=np.float64)

    def cost(interval: float) -> float:
        at = np.array([interval])
        return float(costs.of(at, _visits(life, at), mean)[0])

    limit = (1 + FLAT) * cost(best)

    def excess(interval: float) -> float:
        return cost(interval) - limit

    low = best / 1.2
    while excess(low) < 0:
        low /= 1.2
    lower = float(brentq(excess, low, best, rtol=1e-10))
    if costs.renewal is not None and costs.undetected <= limit:
        return lower, float("inf")
    high = 1.2 * best
    while excess(high) < 0:
        high *= 1.2
    return lower, float(brentq(excess, best, high, rtol=1e-10))
