"""Whether a life model describes its lives: a test for the whole, and a plot to see where."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import ArrayLike
from scipy.special import gammaincinv, logit, ndtri

from fleetlog.errors import NoInteriorMaximum
from fleetlog.stats._arrays import (
    Bools,
    Floats,
    booleans,
    normal_quantile,
    nullable,
    refuse,
    same_length,
)
from fleetlog.stats.distributions import Gamma, Life, SusceptibleWeibull, ThresholdWeibull
from fleetlog.stats.life_models import (
    LifeFit,
    ModelName,
    counted_lives,
    fit_counted,
    fit_life,
)
from fleetlog.stats.risk import check_lives, check_times, risk_table

DRAWS = 499
LINE_POINTS = 60


@dataclass(frozen=True)
class LifeModelTest:
    """Distance between a life model and its lives. See `anderson_darling`.

    Attributes
    ----------
    statistic : adjusted Anderson-Darling distance; 0 is perfect.
    p_value : share of the samples drawn from the fitted model that lie at least as far from
        their own fits, the lives themselves counted as one of them.
    draws : samples drawn. refused : those of them that no model could be fitted to; they are left
        out of the p value.
    fit : the fit that was tested.
    """

    statistic: float
    p_value: float
    draws: int
    refused: int
    fit: LifeFit


@dataclass(frozen=True)
class _Steps:
    """The product-limit as an empirical distribution of ages, given survival to ``start``.

    Attributes
    ----------
    start, end : ages between which lives were watched.
    time : (t,) ages at failure, ascending. events : (t,) weight of the failures there.
    survival : (t,) product-limit just after each.
    emptied : whether the last life watched failed, so that nothing is left beyond ``end``.
    n : weight of the lives.
    """

    start: float
    end: float
    time: Floats
    events: Floats
    survival: Floats
    emptied: bool
    n: float


def anderson_darling(
    exit: ArrayLike,  # noqa: A002
    event: ArrayLike,
    *,
    model: ModelName = "weibull",
    entry: ArrayLike | None = None,
    weight: ArrayLike | None = None,
    draws: int = DRAWS,
    seed: int = 0,
) -> LifeModelTest:
    """Test whether lives could come from a life model fitted to them.

    The distance is ``n`` times the integral of ``(G - F)**2 / (F (1 - F)) dF`` over the ages at
    which lives were watched, where F is the fitted distribution and G one minus the product-limit
    estimate, which takes the place of the empirical distribution under censoring and late entry;
    both are given survival to the first age watched. It weighs the tails, and without censoring
    it is the classical statistic.

    The p value is by parametric bootstrap. In each sample a life keeps its entry and gets an age
    at failure from the fitted model, given survival to that entry. Its age at censoring is its own
    where it was censored; where it failed, one is drawn from the product-limit of the ages at
    censoring, given that it is no earlier than the failure (and none where the last lives
    failed). The model is fitted anew to each sample.

    Parameters
    ----------
    exit, event, entry : as for `fit_life`.
    model : the model to fit and test.
    weight : (n,) whole numbers of alike lives; each of them is drawn by itself.
    draws, seed : number of samples, and the seed that repeats them. Each costs a fit.

    Returns
    -------
    LifeModelTest

    Raises
    ------
    InvalidLives : lives that cannot be used, or weights that are no whole numbers.
    NoInteriorMaximum : the model cannot be fitted to the lives, or to any sample.

    Notes
    -----
    Samples have ages to the last digit. Ages that were rounded to much fewer distinct ones lie
    farther from any model, and their p value is too small.

    Source: the statistic, Anderson and Darling 1954; its integral up to the end of watching,
    Pettitt and Stephens 1976; the product-limit in it, Koziol and Green 1976; the samples, Efron
    1981; fitting each of them anew, Stute, Gonzalez-Manteiga and Presedo-Quindimil 1993.
    """
    if draws < 1:
        raise ValueError(f"draws is {draws}: pass at least 1")
    ends, failed, begun = _single_lives(exit, event, entry, weight)
    fit = fit_life(ends, failed, entry=begun, model=model)
    statistic = _distance(_steps(ends, failed, begun), fit.life)
    generator = np.random.default_rng(seed)
    sample = _sampler(fit.life, ends, failed, begun, generator)
    farther = refused = 0
    for _ in range(draws):
        try:
            drawn_end, drawn_failed = sample()
            data, n = counted_lives(drawn_end, drawn_failed, begun, None, None)
            drawn = fit_counted(model, data, n)
        except NoInteriorMaximum:
            refused += 1
            continue
        farther += _distance(_steps(drawn_end, drawn_failed, begun), drawn.life) >= statistic
    if refused == draws:
        raise NoInteriorMaximum(
            f"The {model} model cannot be fitted to any of {draws} samples drawn from its own fit: "
            f"there are too few failures to test it."
        )
    return LifeModelTest(
        statistic=statistic,
        p_value=(1 + farther) / (1 + draws - refused),
        draws=draws,
        refused=refused,
        fit=fit,
    )


def _single_lives(
    exit: ArrayLike,  # noqa: A002
    event: ArrayLike,
    entry: ArrayLike | None,
    weight: ArrayLike | None,
) -> tuple[Floats, Bools, Floats | None]:
    """Check lives and write alike ones out."""
    failed = booleans(event, "event")
    checked, _, weighed = check_times(exit, entry, weight)
    same_length(checked.size, event=failed)
    ends = np.asarray(exit, dtype=np.float64)
    begun = None if entry is None else np.asarray(entry, dtype=np.float64)
    if weighed is None:
        return ends, failed, begun
    times = np.rint(weighed)
    refuse(
        times != weighed,
        "have a weight that is no whole number of lives",
        "pass whole weights, for samples are drawn life by life",
    )
    copies = times.astype(np.intp)
    return (
        np.repeat(ends, copies),
        np.repeat(failed, copies),
        None if begun is None else np.repeat(begun, copies),
    )


def _steps(
    ends: ArrayLike,
    event: Bools,
    entry: ArrayLike | None,
    weight: ArrayLike | None = None,
) -> _Steps:
    lives = check_lives(ends, event, entry=entry, weight=weight, cluster=None, from_age=None)
    table = risk_table(lives)
    happened = np.flatnonzero(table.all_events)
    time, events = table.time[happened], table.all_events[happened]
    return _Steps(
        start=0.0 if lives.entry is None else float(lives.scale.times[lives.entry.min()]),
        end=float(table.time[-1]),
        time=time,
        events=events,
        survival=np.asarray(np.cumprod(1 - events / table.at_risk[happened])),
        emptied=bool(table.all_events[-1] >= table.at_risk[-1]),
        n=float(lives.rows if lives.weight is None else lives.weight.sum()),
    )


def _distance(steps: _Steps, life: Life) -> float:
    """Add up the adjusted distance; between failures its integral has a closed form."""
    ages = np.append(steps.time, [] if steps.emptied else steps.end)
    hazard = life.cumulative_hazard(ages) - life.cumulative_hazard(steps.start)
    # Logs of the share failed and of the share that survives, at the ends of the pieces.
    with np.errstate(divide="ignore"):
        log_failed = np.log(-np.expm1(-hazard))
    knots_failed = np.concatenate([[-np.inf], log_failed, [0.0] if steps.emptied else []])
    knots_left = np.concatenate([[0.0], -hazard, [-np.inf] if steps.emptied else []])
    level = np.concatenate([[0.0], 1 - steps.survival])[: knots_failed.size - 1]
    with np.errstate(invalid="ignore"):
        below = np.where(level > 0, level**2 * np.diff(knots_failed), 0.0)
        above = np.where(level < 1, -((1 - level) ** 2) * np.diff(knots_left), 0.0)
    return float(steps.n * np.sum(below + above - np.diff(np.exp(knots_failed))))


def _sampler(
    life: Life,
    ends: Floats,
    event: Bools,
    entry: Floats | None,
    generator: np.random.Generator,
) -> Callable[[], tuple[Floats, Bools]]:
    """Draw samples of the lives with the entries and the censoring that they had."""
    lives = check_lives(ends, ~event, entry=entry, weight=None, cluster=None, from_age=None)
    table = risk_table(lives)
    # Failures come before censorings of the same age, so they are no longer at risk of those.
    censored, failed = table.all_events, table.censored
    kept = 1 - censored / np.maximum(table.at_risk - failed, 1e-300)
    watched = np.cumprod(np.where(censored > 0, kept, 1.0))
    before = np.concatenate([[1.0], watched])
    at_failure = before[np.searchsorted(table.time, ends[event])]
    ages = np.append(table.time, np.inf)
    hazard_at_entry = 0.0 if entry is None else life.cumulative_hazard(entry)
    floor = 0.0 if entry is None else entry

    def sample() -> tuple[Floats, Bools]:
        lived = generator.exponential(size=ends.size)
        # Rounding must not put a failure at the very entry.
        age = np.maximum(life.age_at(hazard_at_entry + lived), np.nextafter(floor, np.inf))
        stopped = ends.copy()
        level = generator.random(at_failure.size) * at_failure
        stopped[event] = ages[np.searchsorted(-watched, -level)]
        stopped = np.maximum(stopped, np.nextafter(floor, np.inf))
        return np.minimum(age, stopped), age <= stopped

    return sample


@dataclass(frozen=True)
class ProbabilityPlot:
    """Lives on the scales on which a life model is a straight line. See `probability_plot`.

    Attributes
    ----------
    points : Polars frame, a row per distinct age at failure: ``age``, ``events``, ``failed`` (the
        plotting position), ``linear_age`` and ``linear_failed``.
    line : Polars frame of the fitted model: ``failed``, ``age``, ``lower``, ``upper`` (Wald limits
        of the age), and ``linear_failed``, ``linear_age``, ``linear_lower``, ``linear_upper``.
    straight : whether the fitted line is straight on these scales; a model of several kinds of
        parts is a curve on the Weibull's.
    left_out : weight of the failures without a position, because the product-limit had come to 0
        before them.
    fit : the fitted model. level : confidence level.
    """

    points: pl.DataFrame
    line: pl.DataFrame
    straight: bool
    left_out: float
    fit: LifeFit
    level: float


def probability_plot(
    exit: ArrayLike,  # noqa: A002
    event: ArrayLike,
    *,
    model: ModelName = "weibull",
    entry: ArrayLike | None = None,
    weight: ArrayLike | None = None,
    level: float = 0.95,
) -> ProbabilityPlot:
    """Lay out points and fitted line of a probability plot.

    A failure is plotted at the middle of the step that the product-limit takes there. Where no
    life was watched from age 0 the product-limit is given survival to the first age watched, and
    the fitted survival to that age is put before it.

    Parameters
    ----------
    exit, event, entry, weight : as for `fit_life`.
    model : the model whose scales are used, and which is fitted.
    level : confidence level of the limits of the line.

    Returns
    -------
    ProbabilityPlot

    Notes
    -----
    Source: Meeker and Escobar 1998, sections 6.2 to 6.4; gamma with the fitted shape, section 6.6.
    """
    normal_quantile(level)
    fit = fit_life(exit, event, model=model, entry=entry, weight=weight)
    steps = _steps(exit, booleans(event, "event"), entry, weight)
    before = np.concatenate([[1.0], steps.survival[:-1]])
    failed = 1 - float(fit.survival(steps.start)) * (before + steps.survival) / 2
    placed = before > 0
    age_scale, share_scale, straight = _scales(model, fit.life)
    points = pl.DataFrame(
        {
            "age": steps.time[placed],
            "events": steps.events[placed],
            "failed": failed[placed],
            "linear_age": nullable(age_scale(steps.time[placed])),
            "linear_failed": share_scale(failed[placed]),
        }
    )
    return ProbabilityPlot(
        points=points,
        line=_line(fit, failed[placed], age_scale, share_scale, level),
        straight=straight,
        left_out=float(steps.events[~placed].sum()),
        fit=fit,
        level=level,
    )


_Scale = Callable[[Floats], Floats]


def _scales(model: str, life: Life) -> tuple[_Scale, _Scale, bool]:
    """Give the scale of the age, the scale of the share failed, and whether the fit is straight."""

    def log(age: Floats) -> Floats:
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.asarray(np.where(age > 0, np.log(age), np.nan))

    def log_hazard(share: Floats) -> Floats:
        return np.log(-np.log1p(-share))

    if isinstance(life, ThresholdWeibull):
        threshold = life.threshold
        return lambda age: log(age - threshold), log_hazard, True
    if isinstance(life, Gamma):
        shape = life.shape
        return np.asarray, lambda share: np.asarray(gammaincinv(shape, share)), True
    known: dict[str, tuple[_Scale, _Scale]] = {
        "weibull": (log, log_hazard),
        "exponential": (np.asarray, lambda share: -np.log1p(-share)),
        "lognormal": (log, ndtri),
        "loglogistic": (log, logit),
    }
    return (*known.get(model, known["weibull"]), model in known)


def _line(
    fit: LifeFit, failed: Floats, age_scale: _Scale, share_scale: _Scale, level: float
) -> pl.DataFrame:
    """Fitted ages over the shares of the points and a little beyond, evenly on the age's scale."""
    # A share that never fails has no age to plot.
    ceiling = float(fit.life.share) if isinstance(fit.life, SusceptibleWeibull) else 1.0
    high = ceiling - (ceiling - min(failed.max(), 0.99 * ceiling)) / 3
    first, last = fit.quantile(min(failed.min(), high / 2) / 3), fit.quantile(high)
    shares = fit.failed(np.geomspace(float(first), float(last), LINE_POINTS))
    limits = np.array([fit.quantile_interval(float(p), method="wald", level=level) for p in shares])
    ages = fit.quantile(shares)
    columns: dict[str, Any] = {
        "failed": shares,
        "age": ages,
        "lower": limits[:, 0],
        "upper": limits[:, 1],
        "linear_failed": share_scale(shares),
        "linear_age": nullable(age_scale(ages)),
        "linear_lower": nullable(age_scale(limits[:, 0])),
        "linear_upper": nullable(age_scale(limits[:, 1])),
    }
    return pl.DataFrame(columns)
