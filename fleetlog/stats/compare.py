"""Tests of whether groups of lives differ."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import polars as pl
from numpy.typing import ArrayLike
from scipy.special import chdtrc

from fleetlog.errors import InvalidLives
from fleetlog.stats._arrays import Bools, Floats, Ints, booleans, codes, count, same_length
from fleetlog.stats.risk import Lives, check_lives


@dataclass(frozen=True)
class TestResult:
    """A test of the hypothesis that nothing differs.

    Attributes
    ----------
    statistic : chi-squared statistic. df : its degrees of freedom.
    p_value : chance of a statistic at least as large where nothing differs.
    groups : Polars frame: ``group``, ``lives``, ``observed`` and ``expected`` failures.
    """

    __test__ = False  # Keeps test runners from collecting a class whose name begins with Test.

    statistic: float
    df: int
    p_value: float
    groups: pl.DataFrame


def log_rank(
    exit: ArrayLike,  # noqa: A002
    event: ArrayLike,
    group: ArrayLike,
    *,
    entry: ArrayLike | None = None,
    weight: ArrayLike | None = None,
    strata: ArrayLike | None = None,
    trend: bool = False,
) -> TestResult:
    """Compare the hazards of two or more groups.

    Failures of each group are set against those expected from its share of the lives at risk at
    each failure age; risk sets honour late entry.

    Parameters
    ----------
    exit, event, entry, weight : as in `kaplan_meier`.
    group : (n,) labels of at least two groups.
    strata : (n,) labels; lives are compared only with those of their own stratum.
    trend : test for a trend over the groups in ascending order of their labels, scored 1, 2, ...
        (1 degree of freedom).

    Notes
    -----
    Source: Mantel 1966; Klein and Moeschberger 2003, sections 7.3 to 7.5.
    """
    lives = check_lives(
        exit,
        booleans(event, "event"),
        entry=entry,
        weight=weight,
        cluster=None,
        from_age=None,
    )
    grouped, labels = _labelled(group, lives.rows)
    if len(labels) < 2:
        raise InvalidLives(f"There is {len(labels)} group: pass at least two groups to compare.")
    number = len(labels)
    stratum = np.zeros(lives.rows, dtype=np.intp) if strata is None else codes(strata, "strata")
    same_length(lives.rows, strata=stratum)
    observed, expected = np.zeros(number), np.zeros(number)
    covariance = np.zeros((number, number))
    order = np.argsort(stratum, kind="stable")
    edges = np.searchsorted(stratum[order], np.arange(int(stratum.max()) + 2))
    for rows in (order[a:b] for a, b in pairwise(edges) if b > a):
        seen, due, spread = _stratum(lives, grouped, number, rows)
        observed += seen
        expected += due
        covariance += spread
    difference = observed - expected
    if trend:
        scores = np.arange(1.0, number + 1)
        variance = float(scores @ covariance @ scores)
        statistic, df = _ratio(float(scores @ difference) ** 2, variance), 1
    else:
        # The differences add up to 0, so any one group says nothing new.
        df = int(np.linalg.matrix_rank(covariance, hermitian=True))
        statistic = float(difference @ np.linalg.pinv(covariance, hermitian=True) @ difference)
    ones = np.ones(lives.rows) if lives.weight is None else lives.weight
    return TestResult(
        statistic=statistic,
        df=df,
        p_value=float(chdtrc(df, statistic)) if df else 1.0,
        groups=pl.DataFrame(
            {
                "group": labels,
                "lives": np.bincount(grouped, weights=ones, minlength=number),
                "observed": observed,
                "expected": expected,
            }
        ),
    )


def _ratio(square: float, variance: float) -> float:
    return square / variance if variance > 0 else 0.0


def _labelled(group: ArrayLike, rows: int) -> tuple[Ints, pl.Series]:
    """Give groups numbers in ascending order of their labels."""
    series = group if isinstance(group, pl.Series) else pl.Series("group", np.asarray(group))
    if len(series) != rows:
        raise InvalidLives(
            f"group has {len(series)} values for {rows} rows: pass one label per row."
        )
    if series.null_count():
        raise InvalidLives(
            f"{series.null_count()} of {rows} rows have no group: give every row a label."
        )
    return series.rank("dense").to_numpy().astype(np.intp) - 1, series.unique().sort()


def _stratum(lives: Lives, grouped: Ints, number: int, rows: Ints) -> tuple[Floats, Floats, Floats]:
    """Observed and expected failures by group, and the covariance of their difference."""
    exits, failed = lives.exit[rows], lives.cause[rows] > 0
    times, place = np.unique(exits[failed], return_inverse=True)
    size = times.size
    mine = grouped[rows]
    weight = None if lives.weight is None else lives.weight[rows]

    def counted(at: Ints, places: int, chosen: Bools | slice) -> Floats:
        weighed = None if weight is None else weight[chosen]
        cells = count(at * number + mine[chosen], places * number, weighed)
        return cells.reshape(places, number)

    events = counted(place, size, failed)
    # At risk at a failure time: came before it and not yet gone. Both are counted by the number
    # of failure times that precede, so that no other time needs a place.
    gone = np.searchsorted(times, exits, side="right")
    left = counted(gone, size + 1, slice(None))
    at_risk = np.cumsum(left[::-1], axis=0)[::-1][1:]
    if lives.entry is not None:
        came = np.searchsorted(times, lives.entry[rows], side="right")
        late = counted(came, size + 1, slice(None))
        at_risk = at_risk - np.cumsum(late[::-1], axis=0)[::-1][1:]
    total, dead = at_risk.sum(axis=1), events.sum(axis=1)
    share = at_risk / total[:, None]
    with np.errstate(divide="ignore", invalid="ignore"):
        factor = np.where(total > 1, dead * (total - dead) / (total - 1), 0.0)
    covariance = np.diag(factor @ share) - (share * factor[:, None]).T @ share
    return events.sum(axis=0), dead @ share, covariance
