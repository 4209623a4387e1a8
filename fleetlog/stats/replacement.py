"""At which age to renew a part on purpose."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from scipy.optimize import brentq

from fleetlog.stats._arrays import Floats
from fleetlog.stats._lived import DISCOUNTED_AWAY, NEVER, LivedTime, scanned_ages
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
from fleetlog.stats.renewal import renewals_up_to

FLAT = 0.05
DRAWS = 1000
CURVE_POINTS = 400
GREATEST_RATIO = 1e12
# Block replacement: ages looked at, in mean lives, and steps of the renewal equation.
BLOCK_LIVES = 4.0
BLOCK_STEPS = 1000
BLOCK_STEPS_OF_DRAWS = 200
ZOOMS = 12

NO_DEARER = "a planned renewal costs no less than a failure, so no interval pays: run to failure"
NO_RISE = (
    "the hazard does not rise with age, so a renewed part is no better than the old one: "
    "run to failure"
)
NO_MEAN = (
    "the mean age at failure is infinite, because some parts never fail or the oldest fail ever "
    "more rarely, so that keeping a part costs less per unit of age the longer it is kept: run to "
    "failure"
)
NOT_CHEAPER = (
    "the hazard rises and falls again, and even the best planned age costs more than leaving the "
    "parts alone: run to failure"
)
TOO_LITTLE = (
    f"the hazard rises too little for these costs: the best age is one that fewer than "
    f"{NEVER:.0e} of the parts reach, which is to run to failure"
)


@dataclass(frozen=True)
class ReplacementPolicy:
    """The age or interval at which planned renewal costs least.

    See `age_replacement` and `block_replacement`.

    Attributes
    ----------
    age : best age, in the unit of the life; None where there is no finite best age.
    reason : why there is none, else None.
    cost_rate : cost per unit of age at the best age, or of running to failure. With discounting,
        the level payment per unit of age that is worth as much as all the costs to come.
    run_to_failure_cost_rate : cost per unit of age without planned renewal.
    saving : share of the run-to-failure cost that the best age saves; 0 where there is none.
    flat_range : ages around the best one at which the cost is within 5 % of the least; the upper
        end is infinite where every greater age and running to failure are, too. None without a
        best age.
    cost_planned, cost_failure : as given.
    curve : Polars frame for charts: ``age``, ``cost_rate``.
    age_interval, saving_interval : limits from parameters drawn from the fit, at ``level``; an
        age that a draw does not have counts as infinite. None for a life with known parameters.
    no_optimum_share : share of the draws without a finite best age.
    level, draws : confidence level and number of draws.
    discount_rate : as given.
    caution : where the draws disagree on whether a planned age pays at all (in a share of them
        that the confidence level does not let pass), a sentence that says so; else None.
    """

    age: float | None
    reason: str | None
    cost_rate: float
    run_to_failure_cost_rate: float
    saving: float
    flat_range: tuple[float, float] | None
    cost_planned: float
    cost_failure: float
    curve: pl.DataFrame
    age_interval: tuple[float, float] | None
    saving_interval: tuple[float, float] | None
    no_optimum_share: float | None
    level: float
    draws: int
    discount_rate: float
    caution: str | None


def age_replacement(
    life: Life | LifeFit,
    *,
    cost_planned: float,
    cost_failure: float,
    discount_rate: float = 0.0,
    level: float = 0.95,
    draws: int = DRAWS,
    seed: int = 0,
) -> ReplacementPolicy:
    """Find the age of planned renewal with the least cost per unit of age in the long run.

    A part is renewed at failure (cost ``cost_failure``) or at the planned age T (cost
    ``cost_planned``), whichever comes first; the cost rate is
    ``[c_p S(T) + c_f F(T)] / integral of S over 0..T``. Where the hazard does not rise, or where
    the best age is one that hardly any part reaches, there is no finite best age.

    Parameters
    ----------
    life : a fit, whose uncertainty is then carried through, or a life with known parameters.
    cost_planned, cost_failure : > 0, money per renewal.
    discount_rate : >= 0, per unit of age, continuous: a cost at age t counts ``exp(-rate t)``.
        The first part is there already, so that only renewals cost.
    level : confidence level of the limits of age and saving.
    draws, seed : number of parameter draws from the fit, and the seed that repeats them.

    Notes
    -----
    The whole course of the cost is scanned, so that a hazard may rise and fall as it likes; the
    least cost of all is taken. Integrals without closed form are summed by Gauss's rule, to a
    relative 1e-9 or better where the hazard is smooth.

    Source: Barlow and Hunter 1960; Barlow and Proschan 1965, section 4.2; Fox 1966 (discounting).
    """
    ratio = _cost_ratio(cost_planned, cost_failure)
    check_discount(discount_rate)
    known = life.life if isinstance(life, LifeFit) else life
    scan = _Scan(known, ratio, discount_rate)
    best, reason = _best_age(scan)
    forever = float(scan.forever[0])
    least = forever if best is None else float(scan.rate(np.array([best]))[0])

    def rate(age: float) -> float:
        return float(scan.rate(np.array([age]))[0])

    last = _last_shown(known, best)
    ages = np.linspace(last / CURVE_POINTS, last, CURVE_POINTS)
    policy = ReplacementPolicy(
        age=best,
        reason=reason,
        cost_rate=cost_planned * least,
        run_to_failure_cost_rate=cost_planned * forever,
        saving=0.0 if best is None else 1 - least / forever,
        flat_range=None if best is None else _flat_range(scan, rate, best, least),
        cost_planned=float(cost_planned),
        cost_failure=float(cost_failure),
        curve=pl.DataFrame({"age": ages, "cost_rate": cost_planned * scan.rate(ages)}),
        age_interval=None,
        saving_interval=None,
        no_optimum_share=None,
        level=level,
        draws=0,
        discount_rate=float(discount_rate),
        caution=None,
    )
    if not isinstance(life, LifeFit):
        return policy
    drawn = _Scan(life.draws(draws, seed=seed), ratio, discount_rate)
    return _with_draws(policy, *_best_ages(drawn), drawn.forever)


def block_replacement(
    life: Life | LifeFit,
    *,
    cost_planned: float,
    cost_failure: float,
    discount_rate: float = 0.0,
    level: float = 0.95,
    draws: int = DRAWS,
    seed: int = 0,
) -> ReplacementPolicy:
    """Find the interval of planned renewal at fixed times, whatever the age of the part.

    A part is renewed at every failure (cost ``cost_failure``) and at every multiple of T (cost
    ``cost_planned``), however new it is then; the cost rate is ``[c_p + c_f M(T)] / T``, with M
    the mean number of failures of a part that is renewed at failure only.

    Parameters
    ----------
    life : a fit, whose uncertainty is then carried through, or a life with known parameters.
    cost_planned, cost_failure : > 0, money per renewal.
    discount_rate : >= 0, per unit of age, continuous, as in `age_replacement`; the cost rate is
        then the level payment ``rate [c_p exp(-rate T) + c_f D(T)] / [1 - exp(-rate T)]``, with D
        the mean discounted number of failures.
    level : confidence level of the limits of interval and saving.
    draws, seed : number of parameter draws from the fit, and the seed that repeats them.

    Returns
    -------
    ReplacementPolicy, whose ages are intervals between planned renewals.

    Notes
    -----
    Intervals of up to four mean lives are looked at (where that is infinite, discounting sets
    an end): beyond, the cost comes ever closer to that
    of running to failure. M solves the renewal equation on a grid (see `renewal_function`), which
    gives cost rates to a relative 1e-4 or better, and those of the draws to 1e-2.

    Source: Barlow and Proschan 1965, section 4.3; Fox 1966 (discounting).
    """
    ratio = _cost_ratio(cost_planned, cost_failure)
    check_discount(discount_rate)
    known = life.life if isinstance(life, LifeFit) else life
    blocks = _best_blocks(known, ratio, discount_rate, BLOCK_STEPS)
    forever = float(blocks.forever[0])
    best = float(blocks.best[0]) if np.isfinite(blocks.best[0]) else None
    reason = _no_block(known, ratio, discount_rate) if best is None else None
    least = forever if best is None else float(blocks.least[0])
    last = _last_shown(known, best)
    times, rates = _block_rates_of_one(known, last, ratio, discount_rate)
    policy = ReplacementPolicy(
        age=best,
        reason=reason,
        cost_rate=cost_planned * least,
        run_to_failure_cost_rate=cost_planned * forever,
        saving=0.0 if best is None else 1 - least / forever,
        flat_range=None
        if best is None
        else _flat_blocks(known, ratio, discount_rate, best, least, forever),
        cost_planned=float(cost_planned),
        cost_failure=float(cost_failure),
        curve=pl.DataFrame({"age": times, "cost_rate": cost_planned * rates}),
        age_interval=None,
        saving_interval=None,
        no_optimum_share=None,
        level=level,
        draws=0,
        discount_rate=float(discount_rate),
        caution=None,
    )
    if not isinstance(life, LifeFit):
        return policy
    drawn = _best_blocks(life.draws(draws, seed=seed), ratio, discount_rate, BLOCK_STEPS_OF_DRAWS)
    return _with_draws(policy, drawn.best, drawn.least, drawn.forever)


def _cost_ratio(cost_planned: float, cost_failure: float) -> float:
    for name, cost in (("cost_planned", cost_planned), ("cost_failure", cost_failure)):
        if not (np.isfinite(cost) and cost > 0):
            raise ValueError(f"{name} is {cost}: pass a cost above 0")
    ratio = cost_failure / cost_planned
    if ratio > GREATEST_RATIO:
        raise ValueError(f"a failure costs {ratio:g} times a planned renewal: check the two costs")
    return ratio


def _last_shown(life: Life, best: float | None) -> float:
    """Age at which a chart of the cost ends."""
    return max(last_shown(life), 0.0 if best is None else 2.5 * best)


class _Scan:
    """The cost of planned renewal at many ages, of one or several lives.

    Costs are in those of a planned renewal. Ages run down the rows, lives across.

    Attributes
    ----------
    ages : (points, lives), ascending, from where hardly any part has failed to where hardly any
        is left.
    lived : (points, lives), integral of the discounted survival up to each age.
    rates : (points, lives), cost rate of renewal at each age.
    forever : (lives,) cost rate of running to failure.
    """

    def __init__(self, life: Life, ratio: float, discount: float) -> None:
        self.life, self.ratio, self.discount = life, ratio, discount
        # Drawn lives of very small shape spread over more powers of ten than numbers hold. Their
        # hazard falls, so an age that cannot be computed is never the best.
        with np.errstate(all="ignore"):
            self.time = LivedTime(life, discount)
            self.ages, self.lived = self.time.ages, self.time.lived
            self.rates = self._rate_at(self.ages, self.lived)
            if discount:
                everything = self.lived[-1]
                self.forever = ratio * (1 - discount * everything) / everything
            else:
                mean = mean_of_each(life)
                self.forever = np.where(np.isfinite(mean), ratio / mean, 0.0)

    def rate(self, ages: Floats) -> Floats:
        """Cost rate at any ages (k,) of a single life."""
        return np.asarray(self._rate_at(ages, self.time.at(ages[:, None])[:, 0]))

    def gain(self, ages: Floats, lived: Floats) -> Floats:
        """Sign of the slope of the cost rate: below 0 where waiting longer still pays."""
        with np.errstate(all="ignore"):
            gained = (self.life.hazard(ages) + self.discount) * lived - self._lost(ages)
        return np.asarray((self.ratio - 1) * np.where(np.isnan(gained), -np.inf, gained) - 1)

    def _lost(self, ages: Floats) -> Floats:
        """One less the discounted survival, accurate where it is small."""
        return -np.expm1(-self.life.cumulative_hazard(ages) - self.discount * ages)

    def _rate_at(self, ages: Floats, lived: Floats) -> Floats:
        with np.errstate(all="ignore"):
            paid = 1 + (self.ratio - 1) * self._lost(ages) - self.ratio * self.discount * lived
            rate = paid / lived
        return np.where(np.isnan(rate), np.inf, rate)


def _best_ages(scan: _Scan) -> tuple[Floats, Floats]:
    """Best age of each of several lives, infinite where there is none; and its cost rate.

    The scan finds the least cost, whatever the form of the hazard; halving where the slope
    changes sign then finds the age itself.
    """
    points, lives = scan.ages.shape
    column = np.arange(lives)
    lowest = np.argmin(scan.rates, axis=0)
    row = np.maximum(lowest - 1, 0)
    low = scan.ages[row, column]
    after = np.minimum(lowest + 1, points - 1)
    high = scan.ages[after, column]
    with np.errstate(all="ignore"):
        within = scan.gain(high, scan.lived[after, column]) > 0
        for _ in range(60):
            middle = (low + high) / 2
            past = scan.gain(middle, scan.time.at_after(middle, row, column)) > 0
            low, high = np.where(past, low, middle), np.where(past, middle, high)
        best = (low + high) / 2
        least = scan._rate_at(best, scan.time.at_after(best, row, column))
    found = np.asarray(within & (scan.ratio > 1) & (least < scan.forever))
    return np.where(found, best, np.inf), np.where(found, least, scan.forever)


def _best_age(scan: _Scan) -> tuple[float | None, str | None]:
    if scan.ratio <= 1:
        return None, NO_DEARER
    if scan.discount == 0 and scan.forever[0] == 0:
        return None, NO_MEAN
    if _never_rises(scan.life):
        return None, NO_RISE
    best = float(_best_ages(scan)[0][0])
    if np.isfinite(best):
        return best, None
    # Where the slope turns upward, there is a least cost, but running to failure costs less still.
    slope = scan.gain(scan.ages, scan.lived)[:, 0]
    turns = np.any((slope[:-1] < 0) & (slope[1:] > 0))
    return None, NOT_CHEAPER if turns else TOO_LITTLE


def _never_rises(life: Life) -> bool:
    ages = scanned_ages(life, 0.0)[:, 0]
    hazards = np.asarray(life.hazard(np.unique(ages[ages > 0])))
    # Ages that were found by iteration carry rounding of their own.
    return bool(np.all(np.diff(hazards) <= 1e-12 * hazards[:-1]))


def _with_draws(
    policy: ReplacementPolicy, ages: Floats, rates: Floats, forever: Floats
) -> ReplacementPolicy:
    """Add what drawn lives say: their best ages (infinite where none) and cost rates."""
    tail = tail_chance(policy.level)
    finite = np.isfinite(ages)
    savings = np.zeros(ages.size)
    savings[finite] = 1 - rates[finite] / forever[finite]
    without = float(np.mean(~finite))
    return replace(
        policy,
        age_interval=order_limits(ages, tail),
        saving_interval=order_limits(savings, tail),
        no_optimum_share=without,
        draws=int(ages.size),
        caution=too_thin(without, tail, found=policy.age is not None, action="a planned age"),
    )


def _flat_range(
    scan: _Scan, rate: Callable[[float], float], best: float, least: float
) -> tuple[float, float]:
    """Ages around the best one where the cost rate is within 5 % of the least."""
    limit = (1 + FLAT) * least

    def excess(age: float) -> float:
        return rate(age) - limit

    ages, dear = scan.ages[:, 0], scan.rates[:, 0] > limit
    below = ages[dear & (ages < best)].max()
    nearest = ages[(ages > below) & (ages < best)]
    lower = float(brentq(excess, below, nearest.min() if nearest.size else best, rtol=1e-12))
    above = ages[dear & (ages > best)]
    if above.size == 0:
        return lower, float("inf")
    nearest = ages[(ages < above.min()) & (ages > best)]
    start = nearest.max() if nearest.size else best
    return lower, float(brentq(excess, start, above.min(), rtol=1e-12))


@dataclass(frozen=True)
class _Blocks:
    """Best interval (infinite where none) of each of several lives, and its cost rate."""

    best: Floats
    least: Floats
    forever: Floats


def _best_blocks(life: Life, ratio: float, discount: float, steps: int) -> _Blocks:
    mean = mean_of_each(life)
    reach = np.where(mean > 0, BLOCK_LIVES * mean, np.inf)
    if discount:
        reach = np.minimum(reach, DISCOUNTED_AWAY / discount)
    known = np.isfinite(reach)
    farthest = np.where(known, reach, 1.0)
    if discount:
        forever = np.asarray(_Scan(life, ratio, discount).forever)
    else:
        forever = np.where(known, ratio * BLOCK_LIVES / farthest, 0.0)
    horizon = farthest
    column = np.arange(mean.size)
    for _ in range(ZOOMS):
        times, counts, _ = renewals_up_to(life, horizon, steps)
        rates = _block_rates(times, counts, ratio, discount)
        lowest = np.argmin(rates, axis=0)
        # The nearer the horizon is to the best interval, the finer the steps around it.
        closer = np.minimum(farthest, 2.5 * times[lowest + 1, column])
        if np.all(closer > 0.5 * horizon):
            break
        horizon = np.where(closer > 0.5 * horizon, horizon, closer)
    middle = np.clip(lowest, 1, steps - 2)
    before, at, after = (rates[middle + shift, column] for shift in (-1, 0, 1))
    bend = before - 2 * at + after
    # A parabola through the least cost and its neighbours finds the age between the steps.
    shift = np.where(bend > 0, (before - after) / np.where(bend > 0, 2 * bend, 1.0), 0.0)
    best = times[1, column] * (middle + 1 + np.clip(shift, -1, 1))
    least = at - (before - after) * np.clip(shift, -1, 1) / 4
    found = known & (ratio > 1) & (lowest == middle) & (least < forever * (1 - 1e-6))
    return _Blocks(np.where(found, best, np.inf), np.where(found, least, forever), forever)


def _no_block(life: Life, ratio: float, discount: float) -> str:
    """Say why no interval costs less than running to failure."""
    if ratio <= 1:
        return NO_DEARER
    if not discount and not np.isfinite(life.mean):
        return NO_MEAN
    if _never_rises(life):
        return NO_RISE
    return (
        "renewing at fixed times, however new the part is then, costs more at every interval than "
        "running to failure"
    )


def _block_rates(times: Floats, counts: Floats, ratio: float, discount: float) -> Floats:
    """Cost rate of each interval but the one of length 0, from the mean numbers of failures."""
    if not discount:
        return np.asarray((1 + ratio * counts[1:]) / times[1:])
    middle = (times[1:] + times[:-1]) / 2
    failures = np.cumsum(np.exp(-discount * middle) * np.diff(counts, axis=0), axis=0)
    planned = np.exp(-discount * times[1:])
    return np.asarray(discount * (planned + ratio * failures) / -np.expm1(-discount * times[1:]))


def _block_rates_of_one(
    life: Life, last: float, ratio: float, discount: float
) -> tuple[Floats, Floats]:
    times, counts, _ = renewals_up_to(life, np.array([last]), BLOCK_STEPS)
    return times[1:, 0], _block_rates(times, counts, ratio, discount)[:, 0]


def _flat_blocks(
    life: Life, ratio: float, discount: float, best: float, least: float, forever: float
) -> tuple[float, float]:
    """Intervals around the best one where the cost rate is within 5 % of the least."""
    limit = (1 + FLAT) * least
    lower = 0.0
    mean = float(np.asarray(life.mean))
    farthest = min(BLOCK_LIVES * mean, DISCOUNTED_AWAY / discount if discount else np.inf)
    for last in (2.5 * best, farthest):
        times, rates = _block_rates_of_one(life, last, ratio, discount)
        excess = rates - limit
        if not lower:
            first = int(np.flatnonzero((excess > 0) & (times < best))[-1])
            lower = _crossing(times, excess, first)
        above = np.flatnonzero((excess > 0) & (times > best))
        if above.size:
            return lower, _crossing(times, excess, int(above[0]) - 1)
    return lower, float("inf") if forever <= limit else float(times[-1])


def _crossing(times: Floats, excess: Floats, before: int) -> float:
    """Where a line between two steps passes 0."""
    share = excess[before] / (excess[before] - excess[before + 1])
    return float(times[before] + share * (times[before + 1] - times[before]))
