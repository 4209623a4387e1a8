"""Is it new, and who stands out: cumulative-sum charts of counts, and limits of funnel plots."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

import numpy as np
import polars as pl
from numpy.typing import ArrayLike
from scipy.sparse import csc_array, identity
from scipy.sparse.linalg import splu
from scipy.special import gammaln, xlogy

from fleetlog.errors import InvalidLives
from fleetlog.stats._arrays import Floats, normal_quantile
from fleetlog.stats.rates import Overdispersion, check_cells, check_centre

# The reference value is rounded to a fraction this close to its best, or closer where the two
# means are close; its denominator sets how many states the chart has.
REFERENCE_ROUNDING = 0.02
GREATEST_DENOMINATOR = 2000
GREATEST_STATES = 20_000
LEAST_CHANCE = 1e-300


@dataclass(frozen=True)
class CusumDesign:
    """A chart of counts that looks for a rise. See `design_poisson_cusum`.

    Attributes
    ----------
    mean, out_of_control_mean : events per period that are usual, and that are to be found.
    reference : events that are taken off each period (k), a fraction between the two means.
    limit : sum at which, or above which, the chart signals (h).
    head_start : sum that it starts from; 0, or about half of the limit for a fast initial
        response.
    run_length : mean number of periods to a signal (a false one) at ``mean``.
    out_of_control_run_length : the same at ``out_of_control_mean``, of a chart just started.
    """

    mean: float
    out_of_control_mean: float
    reference: float
    limit: float
    head_start: float
    run_length: float
    out_of_control_run_length: float


def design_poisson_cusum(
    mean: float,
    *,
    ratio: float | None = None,
    out_of_control_mean: float | None = None,
    in_control_run_length: float,
    fast_initial_response: bool = False,
) -> CusumDesign:
    """Design a chart that finds a rise of a Poisson count with few false alarms.

    The reference value is ``(m1 - m0) / log(m1 / m0)``, rounded to a fraction, so that the sum
    moves among a finite number of values; the limit is the least of them with at least the run
    length asked for.

    Parameters
    ----------
    mean : events per period when all is as usual, > 0.
    ratio, out_of_control_mean : the rise to find, as a multiple of ``mean`` above 1 or as a mean;
        one of the two.
    in_control_run_length : mean number of periods to a false alarm, > 1; for instance 120 for one
        in ten years of months.
    fast_initial_response : start half-way to the limit, so that a rise that is there from the
        beginning is found sooner; the run length asked for then holds with this start.

    Raises
    ------
    ValueError : a rise so small that the chart would have too many states.

    Source: Lucas 1985; Brook and Evans 1972 (run length); Lucas and Crosier 1982 (head start).
    """
    if (ratio is None) == (out_of_control_mean is None):
        raise ValueError("pass one of ratio and out_of_control_mean: what rise is to be found")
    _positive(mean, "mean")
    worse = mean * ratio if ratio is not None else out_of_control_mean
    assert worse is not None
    if not (np.isfinite(worse) and worse > mean):
        raise ValueError(
            f"the mean to be found is {worse:g} and the usual one {mean:g}: pass more, for "
            f"the chart looks for a rise"
        )
    if not (np.isfinite(in_control_run_length) and in_control_run_length > 1):
        raise ValueError(
            f"in_control_run_length is {in_control_run_length}: pass a number of periods above 1"
        )
    step, taken = _reference(mean, worse)
    states = _least_states(mean, step, taken, in_control_run_length, fast_initial_response)
    start = _head_start(states) if fast_initial_response else 0
    return CusumDesign(
        mean=float(mean),
        out_of_control_mean=float(worse),
        reference=taken / step,
        limit=states / step,
        head_start=start / step,
        run_length=_run_length(mean, step, taken, states, start),
        out_of_control_run_length=_run_length(worse, step, taken, states, start),
    )


def poisson_cusum_run_length(
    mean: float, *, reference: float, limit: float, head_start: float = 0.0
) -> float:
    """Mean number of periods until a chart signals.

    Parameters
    ----------
    mean : events per period, > 0.
    reference, limit, head_start : of the chart; multiples of one over a whole number up to 2000.
        It signals when the sum reaches the limit.

    Notes
    -----
    The sum is a Markov chain on the multiples of that fraction below the limit, and the mean
    numbers of periods from each solve linear equations exactly.

    Source: Brook and Evans 1972; Lucas 1985.
    """
    _positive(mean, "mean")
    _positive(reference, "reference")
    _positive(limit, "limit")
    if not 0 <= head_start < limit:
        raise ValueError(f"head_start is {head_start}: pass 0, or a sum below the limit of {limit}")
    parts = [
        Fraction(value).limit_denominator(GREATEST_DENOMINATOR)
        for value in (reference, limit, head_start)
    ]
    step = int(np.lcm.reduce([part.denominator for part in parts]))
    taken, states, start = (int(part * step) for part in parts)
    if any(
        abs(float(part) - value) > 1e-9 * limit
        for part, value in zip(parts, (reference, limit, head_start), strict=True)
    ):
        raise ValueError(
            f"reference {reference}, limit {limit} and head_start {head_start} are multiples of no "
            f"fraction from 1/{GREATEST_DENOMINATOR} up: round them"
        )
    if states > GREATEST_STATES:
        raise ValueError(
            f"reference {reference} and limit {limit} need {states} states: round them more"
        )
    return _run_length(mean, step, taken, states, start)


def _positive(value: float, name: str) -> None:
    if not (np.isfinite(value) and value > 0):
        raise ValueError(f"{name} is {value}: pass a number above 0")


def _reference(mean: float, worse: float) -> tuple[int, int]:
    """Denominator and numerator of a fraction near the best reference value."""
    best = (worse - mean) / np.log(worse / mean)
    closeness = min(REFERENCE_ROUNDING, (worse / mean - 1) / 10)
    steps = np.arange(1, GREATEST_DENOMINATOR + 1)
    taken = np.rint(best * steps)
    near = np.flatnonzero((taken > 0) & (np.abs(taken / steps / best - 1) <= closeness))
    if near.size == 0:
        raise ValueError(
            f"a rise from {mean:g} to {worse:g} events per period needs too fine a chart: count "
            f"over longer periods"
        )
    return int(steps[near[0]]), int(taken[near[0]])


def _head_start(states: int) -> int:
    return (states + 1) // 2 if states > 1 else 0


def _least_states(mean: float, step: int, taken: int, target: float, fast: bool) -> int:
    """Fewest states with at least the run length asked for, by doubling and halving."""

    def enough(states: int) -> bool:
        start = _head_start(states) if fast else 0
        return _run_length(mean, step, taken, states, start) >= target

    few, many = 0, 1
    while not enough(many):
        # Run lengths grow geometrically with the limit, so doubling far overshoots.
        few, many = many, max(many + 1, many * 5 // 4)
        if many > GREATEST_STATES:
            raise ValueError(
                f"a run length of {target:g} needs a chart of more than {GREATEST_STATES} states: "
                f"look for a greater rise or count over longer periods"
            )
    while many - few > 1:
        middle = (few + many) // 2
        few, many = (few, middle) if enough(middle) else (middle, many)
    return many


def _run_length(mean: float, step: int, taken: int, states: int, start: int) -> float:
    """Mean number of periods from a state to the limit; one event is ``step`` states."""
    here = np.arange(states)
    # A count x leads from state s to max(0, s + step x - taken), if that is below the limit.
    largest = (states - 1 + taken) // step
    counts = np.arange(largest + 1)
    chance = np.exp(xlogy(counts, mean) - mean - gammaln(counts + 1))
    counts, chance = counts[chance > LEAST_CHANCE], chance[chance > LEAST_CHANCE]
    there = here[:, None] + step * counts - taken
    kept = there < states
    rows = np.broadcast_to(here[:, None], there.shape)[kept]
    moved = csc_array(
        (np.broadcast_to(chance, there.shape)[kept], (rows, np.maximum(there[kept], 0))),
        shape=(states, states),
    )
    lengths = splu(csc_array(identity(states, format="csc") - moved)).solve(np.ones(states))
    # Beyond what numbers can tell from never, the equations lose all digits.
    return float(lengths[start]) if np.all(lengths > 0) else float("inf")


@dataclass(frozen=True)
class CusumChart:
    """Counts on a cumulative-sum chart. See `poisson_cusum`.

    Attributes
    ----------
    table : Polars frame, one row per period: ``period`` (from 0), ``observed``, ``expected``,
        ``reference``, ``cusum`` and ``signal`` (at or above the limit). The sum goes on after a
        signal, so the chart shows whether a rise lasts.
    first_signal : period of the first signal, None where there is none.
    onset : period from which the rise is estimated to have gone on: the first after the sum was
        last 0 before the signal. None without a signal.
    ratio_since_onset : observed over expected from the onset to the signal; above the truth on
        average, because these periods were picked for being high.
    design : as given.
    """

    table: pl.DataFrame
    first_signal: int | None
    onset: int | None
    ratio_since_onset: float | None
    design: CusumDesign


def poisson_cusum(observed: ArrayLike, expected: ArrayLike, design: CusumDesign) -> CusumChart:
    """Follow counts period by period, and signal when they have risen above what was expected.

    Parameters
    ----------
    observed : (periods,) counts, in order of time.
    expected : (periods,) events expected when all is as usual, > 0; or one number.
    design : by `design_poisson_cusum` with a mean like the expected numbers.

    Notes
    -----
    Where the expected number varies, the reference value varies in proportion, as
    ``reference * expected / mean``: each period then adds the logarithm of its likelihood ratio
    for the designed rise, in the unit of an event, and the limit stays. The designed run lengths
    hold exactly for a constant expected number equal to the design's mean, otherwise about.

    Source: Lucas 1985; Page 1954 (onset).
    """
    seen = np.asarray(observed, dtype=np.float64)
    due = np.asarray(expected, dtype=np.float64)
    if seen.ndim == 1 and due.ndim == 0:
        due = np.broadcast_to(due, seen.shape)
    counts, sizes = check_cells(seen, due, "expected", "rate")
    if counts.size == 0:
        raise InvalidLives("There are no periods: pass at least one.")
    reference = design.reference * sizes / design.mean
    moved = np.cumsum(counts - reference)
    # The sum that never falls below 0 is the plain one less the lowest it has been.
    lowest = np.minimum(np.minimum.accumulate(moved), -design.head_start)
    path = moved - lowest
    # Plain sums carry rounding of their own, which must not hide a sum that meets the limit.
    slack = 1e-9 * (design.limit + np.abs(moved))
    signal = path >= design.limit - slack
    first = int(np.argmax(signal)) if signal.any() else None
    onset = ratio = None
    if first is not None:
        empty = np.flatnonzero(path[:first] <= slack[:first])
        onset = int(empty[-1]) + 1 if empty.size else 0
        ratio = float(counts[onset : first + 1].sum() / sizes[onset : first + 1].sum())
    return CusumChart(
        table=pl.DataFrame(
            {
                "period": np.arange(counts.size),
                "observed": counts,
                "expected": sizes,
                "reference": reference,
                "cusum": path,
                "signal": signal,
            }
        ),
        first_signal=first,
        onset=onset,
        ratio_since_onset=ratio,
        design=design,
    )


@dataclass(frozen=True)
class FunnelLimits:
    """Limits within which cells lie that differ from the centre by chance. See `funnel_limits`.

    Attributes
    ----------
    size : trials or expected events, as given.
    lower, upper : limits of the proportion or ratio at each size.
    centre, kind, level, spread : as given; ``spread`` is None for exact limits.
    """

    size: Floats
    lower: Floats
    upper: Floats
    centre: float
    kind: Literal["proportion", "rate"]
    level: float
    spread: Literal["multiplicative", "additive"] | None


def funnel_limits(
    size: ArrayLike,
    centre: float,
    *,
    kind: Literal["proportion", "rate"] = "proportion",
    level: float = 0.95,
    overdispersion: Overdispersion | None = None,
    spread: Literal["multiplicative", "additive"] = "additive",
) -> FunnelLimits:
    """Limits for a funnel plot of proportions, or of ratios of observed to expected.

    Parameters
    ----------
    size : (k,) trials (``kind="proportion"``), or expected events or exposure (``kind="rate"``),
        > 0; also sizes that no cell has, for a smooth curve.
    centre : the common proportion or ratio.
    level : chance of a cell without difference to lie within; 0.95 and 0.998 are usual.
    overdispersion : of the cells, by `fleetlog.stats.overdispersion`; None for exact limits.
    spread : how it widens the limits. "multiplicative" takes the variance of chance ``factor``
        times (never less than once); "additive" adds the variance between cells, which widens the
        limits of large cells most.

    Notes
    -----
    Exact limits are interpolated between counts, each from its own tail, so that at most
    (1 - level) / 2 of the cells without difference lie beyond either. Limits with over-dispersion
    are normal ones, cut off at what a proportion or ratio can be.

    Source: Spiegelhalter 2005, sections 2.2 to 2.4 and appendix; there the upper limit is
    interpolated from the same side as the lower one, and is one count lower.
    """
    middle = check_centre(float(centre), kind)
    z = normal_quantile(level)
    _, sizes = check_cells(np.zeros(np.size(np.atleast_1d(np.asarray(size)))), size, "size", kind)
    chosen: Literal["multiplicative", "additive"] | None = None
    if overdispersion is None:
        # It takes as long to import as the rest of a command to run: only funnels pay for it.
        from scipy.stats import binom, poisson  # noqa: PLC0415

        tail = (1 - level) / 2
        chance = binom(sizes, middle) if kind == "proportion" else poisson(middle * sizes)
        # The least count with more than the tail at or below it; how far into it the tail reaches.
        least = chance.ppf(tail)
        into = (chance.cdf(least) - tail) / chance.pmf(least)
        # And the greatest with more than the tail at or above it.
        most = chance.ppf(1 - tail)
        out = (chance.sf(most - 1) - tail) / chance.pmf(most)
        lower, upper = (least - into) / sizes, (most + out) / sizes
    elif spread in ("multiplicative", "additive"):
        chosen = spread
        variance = (middle * (1 - middle) if kind == "proportion" else middle) / sizes
        wide = (
            variance * max(overdispersion.factor, 1.0)
            if spread == "multiplicative"
            else variance + overdispersion.between**2
        )
        lower, upper = middle - z * np.sqrt(wide), middle + z * np.sqrt(wide)
    else:
        raise ValueError(f"spread is {spread!r}: pass 'multiplicative' or 'additive'")
    return FunnelLimits(
        size=sizes,
        lower=np.maximum(lower, 0.0),
        upper=np.minimum(upper, 1.0) if kind == "proportion" else upper,
        centre=middle,
        kind=kind,
        level=level,
        spread=chosen,
    )
