"""Tests of whether groups of lives differ."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations, pairwise
from typing import Literal, TypeAlias

import numpy as np
import polars as pl
from numpy.typing import ArrayLike, NDArray
from scipy.special import chdtrc

from fleetlog.errors import InvalidLives
from fleetlog.stats._arrays import (
    Floats,
    Ints,
    booleans,
    codes,
    count,
    same_length,
    time_scale,
)
from fleetlog.stats.rates import benjamini_hochberg
from fleetlog.stats.risk import Lives, check_counts, check_lives

Emphasis: TypeAlias = Literal["at-risk", "survival"] | tuple[float, float] | None

# Places on the axis of strata and times that are worth keeping per life. Above this, only the ages
# of failures get a place, which costs a search per life.
PLACES_PER_LIFE = 4

# A direction whose variance is so much less than the greatest one is none: it is rounding.
NO_DIRECTION = 1e-10


@dataclass(frozen=True)
class TestResult:
    """A test of the hypothesis that nothing differs.

    Attributes
    ----------
    statistic : chi-squared statistic. df : its degrees of freedom.
    p_value : chance of a statistic at least as large where nothing differs.
    groups : Polars frame: ``group``, ``lives``, ``observed`` and ``expected`` failures.
    emphasis : which ages count most; None where all failures count alike.
    variance : how the variance is formed.
    clusters : number of clusters, or None where lives were taken as independent.
    """

    __test__ = False  # Keeps test runners from collecting a class whose name begins with Test.

    statistic: float
    df: int
    p_value: float
    groups: pl.DataFrame
    emphasis: Emphasis = None
    variance: str = "hypergeometric"
    clusters: int | None = None


def log_rank(
    exit: ArrayLike,  # noqa: A002
    event: ArrayLike,
    group: ArrayLike,
    *,
    entry: ArrayLike | None = None,
    weight: ArrayLike | None = None,
    strata: ArrayLike | None = None,
    trend: bool = False,
    emphasis: Emphasis = None,
    cluster: ArrayLike | None = None,
) -> TestResult:
    """Compare the hazards of two or more groups.

    Failures of each group are set against those expected from its share of the lives at risk at
    each failure age; risk sets honour late entry. Time and memory grow linearly with the lives for
    whole ages of moderate span, as n log n otherwise.

    Parameters
    ----------
    exit, event, entry, weight : as in `kaplan_meier`.
    group : (n,) labels of at least two groups.
    strata : (n,) labels; lives are compared only with those of their own stratum.
    trend : test for a trend over the groups in ascending order of their labels, scored 1, 2, ...
        (1 degree of freedom).
    emphasis : what a failure counts by its age.
        None: all alike, the log-rank test, best where hazards stay in proportion.
        "at-risk": the number at risk (Gehan 1965), so early ages; late entry and censoring sway it.
        "survival": pooled survival (Peto and Peto 1972, the product of 1 - d / (n + 1)), early.
        (p, q): pooled survival S just before to the power p, times (1 - S) to the power q
        (Fleming and Harrington 1991): (1, 0) is early, (0, 1) late, (1, 1) the middle.
    cluster : (n,) labels; lives of one cluster (one vehicle) may depend on each other. The
        variance is then the sum over clusters of the squared influence of each on the scores.

    Returns
    -------
    TestResult. ``observed`` and ``expected`` are plain counts whatever the emphasis.

    Raises
    ------
    InvalidLives : the count, first rows and remedy of what cannot be used; one group; one cluster.

    Notes
    -----
    Source: Mantel 1966; Klein and Moeschberger 2003, sections 7.3 to 7.5. Clusters: the robust
    variance of the score of Lin and Wei 1989 at no difference, its influences added up by cluster
    as in Lee, Wei and Amato 1992; the weights by age are taken as given.
    """
    _check_emphasis(emphasis)
    lives = check_lives(
        exit,
        booleans(event, "event"),
        entry=entry,
        weight=weight,
        cluster=cluster,
        from_age=None,
    )
    grouped, labels = _labelled(group, lives.rows)
    stratum = np.zeros(lives.rows, dtype=np.intp) if strata is None else codes(strata, "strata")
    same_length(lives.rows, strata=stratum)
    counts, keys = count_groups(lives, grouped, len(labels), stratum)
    sizes = count(grouped, len(labels), lives.weight)
    if lives.cluster is None:
        return _test(counts, labels, sizes, trend, emphasis)
    scores = cluster_scores(lives, grouped, counts, keys, _by_age(counts, emphasis))
    return _test(counts, labels, sizes, trend, emphasis, scores.T @ scores, lives.clusters)


def log_rank_from_table(
    time: ArrayLike,
    entered: ArrayLike,
    left: ArrayLike,
    events: ArrayLike,
    group: ArrayLike,
    *,
    strata: ArrayLike | None = None,
    trend: bool = False,
    emphasis: Emphasis = None,
) -> TestResult:
    """Compare groups from counts; the same answer as `log_rank` on the lives.

    Parameters
    ----------
    time, entered, left, events : (r,) as in `kaplan_meier_from_table`; rows may repeat.
    group : (r,) the group that a row counts. strata : (r,) its stratum.
    trend, emphasis : as in `log_rank`.
    """
    _check_emphasis(emphasis)
    times, came, went, failed = check_counts(time, entered, left, events)
    if failed.shape[1] != 1:
        raise InvalidLives(
            f"events has {failed.shape[1]} columns: pass the failures of one cause, or of all."
        )
    scale, (place,) = time_scale(times)
    grouped, labels = _labelled(group, times.size)
    number = len(labels)
    stratum = np.zeros(times.size, dtype=np.intp) if strata is None else codes(strata, "strata")
    same_length(times.size, strata=stratum)
    key = stratum * scale.size + place
    used, place = np.unique(key, return_inverse=True)
    cells = grouped * used.size + place

    def counted(values: Floats) -> Floats:
        return count(cells, number * used.size, values).reshape(number, used.size)

    came_at, went_at, failed_at = counted(came), counted(went), counted(failed[:, 0])
    net = np.cumsum(came_at - went_at, axis=1)
    # Lives that never leave stay in their own stratum.
    first = np.searchsorted(used, used // scale.size * scale.size)
    carried = np.where(first > 0, net[:, first - 1], 0.0)
    at_risk = net - carried - came_at + went_at
    slack = 1e-9 * max(1.0, float(came.sum()))
    if np.any(went_at > at_risk + slack) or np.any(failed_at > went_at + slack):
        raise InvalidLives(
            "In some group and stratum more lives leave than are at risk, or fail than leave: "
            "count every entry in the group and stratum of its exit, at time 0 too."
        )
    happened = np.flatnonzero(failed_at.any(axis=0))
    counts = Counts(
        np.maximum(at_risk[:, happened], failed_at[:, happened]),
        failed_at[:, happened],
        used[happened] // scale.size,
        used[happened] % scale.size,
    )
    return _test(counts, labels, count(grouped, number, came), trend, emphasis)


def compare_groups_pairwise(
    exit: ArrayLike,  # noqa: A002
    event: ArrayLike,
    group: ArrayLike,
    *,
    entry: ArrayLike | None = None,
    weight: ArrayLike | None = None,
    strata: ArrayLike | None = None,
    emphasis: Emphasis = None,
    cluster: ArrayLike | None = None,
) -> pl.DataFrame:
    """Compare every two groups with `log_rank`, given how many comparisons were made.

    Parameters
    ----------
    As in `log_rank`. Each pair is compared on its own lives only. Time grows with the lives times
    the groups.

    Returns
    -------
    Polars frame, one row per pair: ``group``, ``other``, ``lives`` and ``failures`` of both,
    ``statistic``, ``p_value``, and ``p_adjusted``, which holds the share of false alarms among the
    pairs called different at or below its level.

    Notes
    -----
    Source: Benjamini and Hochberg 1995.
    """
    exits, failed = np.asarray(exit), booleans(event, "event")
    grouped, labels = _labelled(group, failed.size)
    columns = [
        None if values is None else np.asarray(values)
        for values in (entry, weight, strata, cluster)
    ]
    names = ("entry", "weight", "strata", "cluster")
    same_length(failed.size, exit=exits, **dict(zip(names, columns, strict=True)))

    def taken(values: NDArray[np.generic] | None) -> NDArray[np.generic] | None:
        return None if values is None else values[rows]

    if len(labels) < 2:
        raise InvalidLives(f"There is {len(labels)} group: pass at least two groups to compare.")
    order = np.argsort(grouped, kind="stable")
    members = np.split(order, np.cumsum(np.bincount(grouped))[:-1])
    found = []
    for one, two in combinations(range(len(labels)), 2):
        rows = np.sort(np.concatenate([members[one], members[two]]))
        result = log_rank(
            exits[rows],
            failed[rows],
            grouped[rows],
            entry=taken(columns[0]),
            weight=taken(columns[1]),
            strata=taken(columns[2]),
            cluster=taken(columns[3]),
            emphasis=emphasis,
        )
        found.append(
            {
                "group": labels[one],
                "other": labels[two],
                "lives": result.groups["lives"].sum(),
                "failures": result.groups["observed"].sum(),
                "statistic": result.statistic,
                "p_value": result.p_value,
            }
        )
    table = pl.DataFrame(found)
    return table.with_columns(pl.Series("p_adjusted", benjamini_hochberg(table["p_value"])))


@dataclass(frozen=True)
class Counts:
    """Risk sets at the ages of failures, strata one after the other on one long axis.

    Attributes
    ----------
    at_risk, events : (groups, k) weight of the lives. stratum : (k,) ascending.
    time : (k,) place on the scale of times, ascending within a stratum.
    """

    at_risk: Floats
    events: Floats
    stratum: Ints
    time: Ints


@dataclass(frozen=True)
class Keys:
    """Where lives stand on the axis of failures: how many of its places precede.

    Attributes
    ----------
    came, gone : (n,) places of the axis before a life came under risk, and until it left.
    """

    came: Ints
    gone: Ints


def count_groups(lives: Lives, grouped: Ints, number: int, stratum: Ints) -> tuple[Counts, Keys]:
    """Count the risk sets of all strata in one pass.

    Strata follow one another on one axis of size strata x times; a life without an entry comes at
    the start of its stratum, so all of an earlier stratum has left before.
    """
    if number < 2:
        raise InvalidLives(f"There is {number} group: pass at least two groups to compare.")
    size = lives.scale.size
    strata = int(stratum.max()) + 1
    # The usual single stratum begins at 0: nothing to add to a million places.
    base = stratum * size if strata > 1 else 0
    exit_key = base + lives.exit if strata > 1 else lives.exit
    axis = strata * size
    failed = lives.cause > 0
    if axis <= PLACES_PER_LIFE * lives.rows + 1024:
        happened = np.flatnonzero(np.bincount(exit_key[failed], minlength=axis))
        before = np.zeros(axis + 1, dtype=np.intp)
        before[happened + 1] = 1
        np.cumsum(before, out=before)
        gone = before[1:][exit_key]
    else:
        before = None
        happened = np.unique(exit_key[failed])
        gone = np.searchsorted(happened, exit_key, side="right")
    if lives.entry is not None:
        key = base + lives.entry
        came = np.searchsorted(happened, key, side="right") if before is None else before[1:][key]
    elif strata > 1:
        came = np.searchsorted(happened, base) if before is None else before[base]
    else:
        came = np.zeros(lives.rows, dtype=np.intp)
    k = happened.size

    def counted(places: Ints, width: int, weight: Floats | None, groups: Ints) -> Floats:
        return count(groups * width + places, number * width, weight).reshape(number, width)

    weight = lives.weight
    events = counted(
        gone[failed] - 1, k, None if weight is None else weight[failed], grouped[failed]
    )
    left = counted(gone, k + 1, weight, grouped)
    if lives.entry is None and strata == 1:
        entered = np.zeros_like(left)
        entered[:, 0] = left.sum(axis=1)
    else:
        entered = counted(came, k + 1, weight, grouped)
    at_risk = np.cumsum(entered - left, axis=1)[:, :k]
    # Sums of fractional weights leave rounding where a risk set empties exactly.
    return (
        Counts(np.maximum(at_risk, events), events, happened // size, happened % size),
        Keys(came, gone),
    )


def _check_emphasis(emphasis: Emphasis) -> None:
    if emphasis is None or (isinstance(emphasis, str) and emphasis in ("at-risk", "survival")):
        return
    if isinstance(emphasis, tuple) and len(emphasis) == 2:
        powers = np.asarray(emphasis, dtype=np.float64)
        if np.all(np.isfinite(powers)) and np.all(powers >= 0):
            return
    raise ValueError(
        f"emphasis is {emphasis!r}: pass None, 'at-risk', 'survival' or two powers of at least 0, "
        "such as (1, 0)"
    )


def _by_age(counts: Counts, emphasis: Emphasis) -> Floats:
    """Weigh a failure at each place of the axis, (k,)."""
    total, dead = counts.at_risk.sum(axis=0), counts.events.sum(axis=0)
    if emphasis is None:
        return np.ones(total.size)
    if emphasis == "at-risk":
        return np.asarray(total, dtype=np.float64)
    weights = np.empty(total.size)
    for rows in _segments(counts.stratum):
        if emphasis == "survival":
            weights[rows] = np.cumprod(1 - dead[rows] / (total[rows] + 1))
        else:
            p, q = emphasis
            after = np.cumprod(1 - dead[rows] / total[rows])
            before = np.concatenate([[1.0], after[:-1]])
            weights[rows] = before**p * np.maximum(1 - before, 0.0) ** q
    return weights


def _segments(stratum: Ints) -> Iterator[slice]:
    """Stretches of one stratum on the axis."""
    edges = np.flatnonzero(np.diff(stratum, prepend=-1, append=-1))
    for start, stop in pairwise(edges):
        yield slice(int(start), int(stop))


def _test(
    counts: Counts,
    labels: pl.Series,
    sizes: Floats,
    trend: bool,
    emphasis: Emphasis,
    covariance: Floats | None = None,
    clusters: int | None = None,
) -> TestResult:
    if len(labels) < 2:
        raise InvalidLives(f"There is {len(labels)} group: pass at least two groups to compare.")
    at_risk, events = counts.at_risk, counts.events
    total, dead = at_risk.sum(axis=0), events.sum(axis=0)
    share = at_risk / total
    by_age = _by_age(counts, emphasis)
    difference = (events - dead * share) @ by_age
    if covariance is None:
        with np.errstate(divide="ignore", invalid="ignore"):
            factor = np.where(total > 1, dead * (total - dead) / (total - 1), 0.0) * by_age**2
        # A stratum's last life leaves a rounding below 0 where weights are fractions.
        factor = np.maximum(factor, 0.0)
        weighed = share * factor
        covariance = -weighed @ share.T
        # Not as a difference of sums: where one group is alone at risk, what is left of large terms
        # would pass for a variance.
        np.fill_diagonal(covariance, np.einsum("gk,gk->g", weighed, 1.0 - share))
    if trend:
        scores = np.arange(1.0, len(labels) + 1)
        variance = float(scores @ covariance @ scores)
        square = float(scores @ difference) ** 2
        statistic, df = (square / variance if variance > 0 else 0.0), 1
    else:
        # The differences add up to 0, so any one group says nothing new.
        df = int(np.linalg.matrix_rank(covariance, hermitian=True, rtol=NO_DIRECTION))
        inverse = np.linalg.pinv(covariance, hermitian=True, rtol=NO_DIRECTION)
        statistic = float(difference @ inverse @ difference)
    return TestResult(
        statistic=statistic,
        df=df,
        p_value=float(chdtrc(df, statistic)) if df else 1.0,
        groups=pl.DataFrame(
            {
                "group": labels,
                "lives": sizes,
                "observed": events.sum(axis=1),
                "expected": share @ dead,
            }
        ),
        emphasis=emphasis,
        variance="hypergeometric" if clusters is None else "score influences grouped by cluster",
        clusters=clusters,
    )


def cluster_scores(
    lives: Lives, grouped: Ints, counts: Counts, keys: Keys, by_age: Floats
) -> Floats:
    """Influence of each cluster on the score of each group, (clusters, groups).

    A life of group h adds to the score of group g, at each age while it is at risk, the by-age
    weight times ``(1{h = g} - share_g)(its failures - hazard)``.
    """
    assert lives.cluster is not None
    number, k = counts.events.shape
    total = counts.at_risk.sum(axis=0)
    hazard = counts.events.sum(axis=0) / total * by_age
    share = counts.at_risk / total
    failed = lives.cause > 0
    at = keys.gone[failed] - 1
    ones = np.ones(lives.rows) if lives.weight is None else lives.weight

    def lived(rises: Floats) -> Floats:
        running: Floats = np.concatenate([[0.0], np.cumsum(rises)])
        return running[keys.gone] - running[keys.came]

    own = -lived(hazard)
    own[failed] += by_age[at] if k else 0.0
    clusters = int(lives.cluster.max()) + 1
    scores = np.empty((clusters, number))
    for column in range(number):
        influence = lived(hazard * share[column])
        influence[failed] -= (by_age * share[column])[at]
        influence += np.where(grouped == column, own, 0.0)
        scores[:, column] = np.bincount(lives.cluster, weights=ones * influence, minlength=clusters)
    return scores


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
    if series.dtype.is_integer():
        # Numbers of moderate span are ranked by counting, which is several times faster.
        coded = codes(series, "group")
        used = np.bincount(coded) > 0
        if used.size and used.all():
            # Without gaps the codes are the ranks, whether they were shifted or ranked.
            return coded, _labels(series, used.size)
        return (np.cumsum(used) - 1)[coded], series.unique().sort()
    return series.rank("dense").to_numpy().astype(np.intp) - 1, series.unique().sort()


def _labels(series: pl.Series, number: int) -> pl.Series:
    """Distinct labels of whole numbers in ascending order, of which there are ``number``."""
    least, most = int(series.min()), int(series.max())  # type: ignore[arg-type]
    if most - least + 1 == number:
        return pl.Series(series.name, np.arange(number) + least).cast(series.dtype)
    return series.unique().sort()
