"""At which age to renew a part on purpose."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import polars as pl
from scipy.optimize import brentq

from fleetlog.stats._arrays import Floats
from fleetlog.stats.distributions import Life
from fleetlog.stats.life_models import LifeFit

FLAT = 0.05
DRAWS = 1000
CURVE_POINTS = 400
# A part that gets this unlikely to reach the planned age is run to failure in all but name.
NEVER = 1e-6
# The scan for the least cost runs over the cumulative hazard, from here to that of ``NEVER``.
LEAST_HAZARD = 1e-14
SCAN_POINTS = 200
GREATEST_RATIO = 1e12


@dataclass(frozen=True)
class ReplacementPolicy:
    """The age at which planned renewal costs least. See `age_replacement`.

    Attributes
    ----------
    age : best age, in the unit of the life; None where there is no finite best age.
    reason : why there is none, else None.
    cost_rate : cost per unit of age at the best age, or of running to failure.
    run_to_failure_cost_rate : cost per unit of age without planned renewal.
    saving : share of the run-to-failure cost that the best age saves; 0 where there is none.
    flat_range : ages at which the cost is within 5 % of the least; the upper end is infinite
        where running to failure is, too. None without a best age.
    cost_planned, cost_failure : as given.
    curve : Polars frame for charts: ``age``, ``cost_rate``.
    age_interval, saving_interval : limits from parameters drawn from the fit, at ``level``; an
        age that a draw does not have counts as infinite. None for a life with known parameters.
    no_optimum_share : share of the draws without a finite best age.
    level, draws : confidence level and number of draws.
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


def age_replacement(
    life: Life | LifeFit,
    *,
    cost_planned: float,
    cost_failure: float,
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
    level : confidence level of the limits of age and saving.
    draws, seed : number of parameter draws from the fit, and the seed that repeats them.

    Notes
    -----
    Source: Barlow and Hunter 1960; Barlow and Proschan 1965, section 4.2.
    """
    for name, cost in (("cost_planned", cost_planned), ("cost_failure", cost_failure)):
        if not (np.isfinite(cost) and cost > 0):
            raise ValueError(f"{name} is {cost}: pass a cost above 0")
    known = life.life if isinstance(life, LifeFit) else life
    ratio = cost_failure / cost_planned
    best, reason = _best_age(known, ratio)
    forever = cost_failure / float(known.mean)

    def rate(age: float) -> float:
        return cost_planned * float(_relative_rate(known, np.asarray(age), ratio))

    least = forever if best is None else rate(best)
    age_interval = saving_interval = no_optimum = None
    if isinstance(life, LifeFit):
        ages, savings = _drawn(life.draws(draws, seed=seed), ratio)
        tail = (1 - level) / 2
        no_optimum = float(np.mean(np.isinf(ages)))
        age_interval = _order_limits(ages, tail)
        saving_interval = _order_limits(savings, tail)
    return ReplacementPolicy(
        age=best,
        reason=reason,
        cost_rate=least,
        run_to_failure_cost_rate=forever,
        saving=0.0 if best is None else 1 - least / forever,
        flat_range=None if best is None else _flat_range(rate, best, least, forever),
        cost_planned=float(cost_planned),
        cost_failure=float(cost_failure),
        curve=_curve(known, best, ratio, cost_planned),
        age_interval=age_interval,
        saving_interval=saving_interval,
        no_optimum_share=no_optimum,
        level=level,
        draws=draws if isinstance(life, LifeFit) else 0,
    )


def _relative_rate(life: Life, age: Floats, ratio: float) -> Floats:
    """Cost rate for a planned renewal that costs 1 and a failure that costs ``ratio``."""
    # Drawn lives of very small shape spread over more powers of ten than numbers hold. Their
    # hazard falls, so an age that cannot be computed is never the best.
    with np.errstate(all="ignore"):
        rate = (1 + (ratio - 1) * life.failed(age)) / life.mean_up_to(age)
    return np.asarray(np.where(np.isnan(rate), np.inf, rate))


def _gain(life: Life, age: Floats, ratio: float) -> Floats:
    """Sign of the slope of the cost rate: below 0 where waiting longer still pays."""
    with np.errstate(all="ignore"):
        gained = life.hazard(age) * life.mean_up_to(age) - life.failed(age)
    return np.asarray((ratio - 1) * np.where(np.isnan(gained), -np.inf, gained) - 1)


def _best_ages(life: Life, ratio: float) -> tuple[Floats, Floats]:
    """Best age of each of several lives, infinite where there is none; and its relative rate.

    A scan over the share failed finds the least cost, whatever the form of the hazard; halving
    where the slope changes sign then finds the age itself.
    """
    hazards = np.geomspace(LEAST_HAZARD, -np.log(NEVER), SCAN_POINTS)[:, None]
    with np.errstate(all="ignore"):
        ages = life.age_at(hazards)
    rates = _relative_rate(life, ages, ratio)
    lowest = np.argmin(rates, axis=0)
    column = np.arange(rates.shape[1])
    low = hazards[np.maximum(lowest - 1, 0), 0]
    high = hazards[np.minimum(lowest + 1, SCAN_POINTS - 1), 0]
    within = _gain(life, life.age_at(high), ratio) > 0
    for _ in range(60):
        middle = np.sqrt(low * high)
        past = _gain(life, life.age_at(middle), ratio) > 0
        low, high = np.where(past, low, middle), np.where(past, middle, high)
    best = life.age_at(np.sqrt(low * high))
    found = np.asarray(within & (ratio > 1))
    return (
        np.where(found, best, np.inf),
        np.where(found, _relative_rate(life, best, ratio), rates[lowest, column]),
    )


def _best_age(life: Life, ratio: float) -> tuple[float | None, str | None]:
    if ratio <= 1:
        return None, (
            "a planned renewal costs no less than a failure, so no interval pays: run to failure"
        )
    if ratio > GREATEST_RATIO:
        raise ValueError(f"a failure costs {ratio:g} times a planned renewal: check the two costs")
    ages = life.age_at(np.geomspace(LEAST_HAZARD, -np.log(NEVER), SCAN_POINTS))
    hazards = life.hazard(ages)
    if np.all(np.diff(hazards) <= 1e-12 * hazards[:-1]):
        return None, (
            "the hazard does not rise with age, so a renewed part is no better than the old one: "
            "run to failure"
        )
    best = float(_best_ages(life, ratio)[0][0])
    if np.isinf(best):
        return None, (
            f"the hazard rises too little for these costs: the best age is one that fewer than "
            f"{NEVER:.0e} of the parts reach, which is to run to failure"
        )
    return best, None


def _drawn(lives: Life, ratio: float) -> tuple[Floats, Floats]:
    """Best age (infinite where none) and saving of each drawn life."""
    ages, rates = _best_ages(lives, ratio)
    finite = np.isfinite(ages)
    savings = np.zeros(ages.size)
    savings[finite] = 1 - rates[finite] * np.asarray(lives.mean)[finite] / ratio
    return ages, savings


def _order_limits(values: Floats, tail: float) -> tuple[float, float]:
    # Order statistics: infinite ages must not be averaged with finite ones.
    lower, upper = np.quantile(values, [tail, 1 - tail], method="inverted_cdf")
    return float(lower), float(upper)


def _flat_range(
    rate: Callable[[float], float], best: float, least: float, forever: float
) -> tuple[float, float]:
    """Ages around the best one where the cost rate is within 5 % of the least."""
    limit = (1 + FLAT) * least

    def excess(age: float) -> float:
        return rate(age) - limit

    low = best / 2
    while excess(low) < 0:
        low /= 2
    lower = float(brentq(excess, low, best, rtol=1e-12))
    if forever <= limit:
        return lower, float("inf")
    high = 2 * best
    while excess(high) < 0:
        high *= 2
    return lower, float(brentq(excess, best, high, rtol=1e-12))


def _curve(life: Life, best: float | None, ratio: float, cost_planned: float) -> pl.DataFrame:
    last = max(float(life.quantile(0.95)), 0.0 if best is None else 2.5 * best)
    ages = np.linspace(last / CURVE_POINTS, last, CURVE_POINTS)
    return pl.DataFrame(
        {"age": ages, "cost_rate": cost_planned * _relative_rate(life, ages, ratio)}
    )
