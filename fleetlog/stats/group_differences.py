"""Failures of many groups against those expected at their ages, and whether the groups differ.

The groups may be the places of an engine. What is observed less what is expected of each group, and
its covariance by cluster, add up over groups: one count answers for every way of joining them.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import chdtrc, fdtrc

from fleetlog.errors import InvalidLives
from fleetlog.stats._arrays import Bools, Floats, Ints, booleans, count, same_length
from fleetlog.stats.compare import Counts, cluster_scores, count_groups
from fleetlog.stats.rates import share_as_many, tail_chance
from fleetlog.stats.risk import Lives, check_lives

# Expected failures and variances below this are rounding.
SMALL = 1e-9
TINY = 1e-300
# Shares change slowly from age to age: so many stretches of ages hold all that ratios need.
MOST_BLOCKS = 1_000
# Rate ratios are looked for within e to plus or minus this; 40 halvings leave an error of 4e-11.
GREATEST_LOG_RATIO = 20.0
HALVINGS = 40


@dataclass(frozen=True)
class RateRatios:
    """Rates of groups over those of all others at the same ages. See `GroupDifferences`.

    Attributes
    ----------
    ratio, lower, upper, p_value : (groups,); infinite or NaN where the data do not tell.
    level : of the limits.
    """

    ratio: Floats
    lower: Floats
    upper: Floats
    p_value: Floats
    level: float


@dataclass(frozen=True)
class GroupDifferences:
    """Failures of groups, and those expected if all failed alike. See `group_differences`.

    Attributes
    ----------
    observed, expected : (groups,) failures; both add up to all failures.
    covariance : (groups, groups) of observed less expected, by cluster.
    dead : (k,) failures at each age and stratum that has any.
    share : (groups, k) share of each group in the lives at risk there.
    clusters : how many clusters there are. failed_clusters : those with a failure.
    """

    observed: Floats
    expected: Floats
    covariance: Floats
    dead: Floats
    share: Floats
    clusters: int
    failed_clusters: int

    def joined(self, into: ArrayLike) -> GroupDifferences:
        """Join groups.

        Parameters
        ----------
        into : (groups,) whole numbers from 0: which new group each one goes into.
        """
        codes = np.asarray(into, dtype=np.intp)
        same_length(self.observed.size, into=codes)
        member = np.zeros((int(codes.max()) + 1, codes.size))
        member[codes, np.arange(codes.size)] = 1.0
        return replace(
            self,
            observed=member @ self.observed,
            expected=member @ self.expected,
            covariance=member @ self.covariance @ member.T,
            share=member @ self.share,
        )

    @property
    def chance_variance(self) -> Floats:
        """Variance of each difference if failures came one by one, (groups,)."""
        # A group that has all lives at risk leaves a rounding below 0.
        return np.maximum((self.share * (1 - self.share)) @ self.dead, 0.0)

    @property
    def spread(self) -> Floats:
        """Variance of each difference as a multiple of that of chance, never below 1, (groups,).

        The variance of chance is the greater of those at equal rates and at the group's own, so
        that many failures are not taken for much variance. A group with fewer failures than
        expected has too few to tell by: it is given the spread of all groups together where
        that is more.
        """
        own_rate = self._in_blocks().variance(self._log_ratio())
        chance = np.maximum(self.chance_variance, own_rate)
        found = np.diag(self.covariance)
        multiple = np.divide(found, chance, out=np.ones_like(chance), where=chance > SMALL)
        whole = float(chance.sum())
        common = float(found.sum()) / whole if whole > SMALL else 1.0
        few = self.observed < self.expected
        return np.maximum(multiple, np.where(few, max(common, 1.0), 1.0))

    @property
    def residual(self) -> Floats:
        """Differences in units of their standard deviation, (groups,); 0 where none is expected."""
        width = np.sqrt(self.chance_variance * self.spread)
        difference = self.observed - self.expected
        return np.divide(difference, width, out=np.zeros_like(difference), where=width > SMALL)

    def rate_ratios(self, level: float = 0.95) -> RateRatios:
        """Rate of each group over that of all others at the same ages, in proportion at all ages.

        The ratio is that at which as many failures are expected of the group as were observed
        (Cox 1972). Its limits are the ratios at which the observed number or one further out has a
        chance of half of 1 - level, by mid-P; the number is taken as a binomial of the mean and
        variance that it has at that ratio, its counts divided by the spread of the group (Rao and
        Scott 1999). Where a group, or all others, had nothing at risk at any failure, the ratio is
        NaN and its limits are open.
        """
        blocks = self._in_blocks()
        spread, seen = self.spread, self.observed - self._sure
        known = self.chance_variance > SMALL

        def tails(log_ratio: Floats) -> tuple[Floats, Floats]:
            mean, square = blocks.expected(log_ratio)
            chance = np.where(known, square / np.where(known, mean, 1.0), 0.5)
            trials = np.where(known, mean / chance, 1.0)
            one = np.where(known, seen / spread, 0.0)
            two = np.where(known, np.maximum(trials - seen, 0.0) / spread, 1.0)
            return (
                share_as_many(one, two, chance, "mid-p"),
                share_as_many(two, one, 1 - chance, "mid-p"),
            )

        tail = tail_chance(level)
        many, few = tails(np.zeros(self.observed.size))
        ratio, lower, upper = (
            _as_ratio(log_ratio)
            for log_ratio in (
                self._log_ratio(),
                _least(lambda at: tails(at)[0] >= tail, self.observed.size),
                _least(lambda at: tails(at)[1] <= tail, self.observed.size),
            )
        )
        return RateRatios(
            np.where(known, ratio, np.nan),
            np.where(known & (seen > SMALL), lower, 0.0),
            np.where(known, upper, np.inf),
            np.where(known, np.minimum(1.0, 2 * np.minimum(many, few)), 1.0),
            level,
        )

    def _log_ratio(self) -> Floats:
        """Log of the ratio at which as many failures are expected as were observed, (groups,)."""
        blocks = self._in_blocks()
        seen = self.observed - self._sure
        return _least(lambda at: blocks.expected(at)[0] >= seen, seen.size)

    @property
    def _sure(self) -> Floats:
        """Failures where no other group had lives at risk, which tell nothing of ratios."""
        return np.where(self.share > 1 - SMALL, 1.0, 0.0) @ self.dead

    def _in_blocks(self) -> _Blocks:
        """Failures by age, joined to at most as many ages as ratios need."""
        ages = self.dead.size
        share = np.where(self.share > 1 - SMALL, 0.0, self.share)
        if ages <= MOST_BLOCKS:
            return _Blocks(self.dead, share)
        starts = np.arange(0, ages, -(-ages // MOST_BLOCKS))
        dead = np.add.reduceat(self.dead, starts)
        return _Blocks(dead, np.add.reduceat(share * self.dead, starts, axis=1) / dead)


@dataclass(frozen=True)
class _Blocks:
    """Failures (k,) and the share of each group at risk there (groups, k)."""

    dead: Floats
    share: Floats

    def expected(self, log_ratio: Floats) -> tuple[Floats, Floats]:
        """Failures expected of each group at its rate ratio, and the sum of squared chances."""
        chance = self._chance(log_ratio)
        return chance @ self.dead, (chance**2) @ self.dead

    def variance(self, log_ratio: Floats) -> Floats:
        """Variance of the failures of each group at its rate ratio, if they come one by one."""
        chance = self._chance(log_ratio)
        return (chance * (1 - chance)) @ self.dead

    def _chance(self, log_ratio: Floats) -> Floats:
        times = np.exp(log_ratio)[:, None] * self.share
        return times / (times + np.maximum(1 - self.share, TINY))


def _least(reached: Callable[[Floats], Bools], size: int) -> Floats:
    """Log of the least ratio at which something is reached that stays so for greater ones."""
    low, high = np.full(size, -GREATEST_LOG_RATIO), np.full(size, GREATEST_LOG_RATIO)
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        there = reached(middle)
        low, high = np.where(there, low, middle), np.where(there, middle, high)
    return np.asarray((low + high) / 2)


def _as_ratio(log_ratio: Floats) -> Floats:
    """Ratio, 0 or infinite where it was not found within the bounds."""
    ratio = np.where(log_ratio > GREATEST_LOG_RATIO - SMALL, np.inf, np.exp(log_ratio))
    return np.where(log_ratio < SMALL - GREATEST_LOG_RATIO, 0.0, ratio)


def add_differences(parts: Sequence[GroupDifferences]) -> GroupDifferences:
    """Add up differences of the same groups, counted on clusters of which no two parts share one.

    Parameters
    ----------
    parts : at least one; all of the same groups.
    """
    return GroupDifferences(
        observed=np.sum([part.observed for part in parts], axis=0),
        expected=np.sum([part.expected for part in parts], axis=0),
        covariance=np.sum([part.covariance for part in parts], axis=0),
        dead=np.concatenate([part.dead for part in parts]),
        share=np.concatenate([part.share for part in parts], axis=1),
        clusters=sum(part.clusters for part in parts),
        failed_clusters=sum(part.failed_clusters for part in parts),
    )


@dataclass(frozen=True)
class EqualRates:
    """A test that all groups fail alike. See `equal_rates_test`.

    Attributes
    ----------
    pearson : sum of (observed - expected)^2 / expected. df : groups with expected failures, less 1.
    chance_p_value : its chance if failures came one by one.
    spread : mean variance of the differences as a multiple of that of chance.
    p_value : its chance given how failures of one cluster go together; 1 where fewer than two
        clusters have a failure.
    """

    pearson: float
    df: int
    chance_p_value: float
    spread: float
    p_value: float


def equal_rates_test(differences: GroupDifferences) -> EqualRates:
    """Test whether groups fail alike, when failures of one cluster go together.

    Notes
    -----
    Pearson's statistic is a weighted sum of squares of normal variables; the weights are the
    characteristic values of the covariance by cluster, scaled by the expected failures. Its chance
    is that of an F distribution with the same mean and variance, whose second degrees of freedom
    count the clusters that have a failure. Where failures come one by one all weights are 1 and
    the test is Pearson's; for two groups it is the clustered log-rank test, but for F in place of
    chi-squared.

    Source: Pearson 1900; Rao and Scott 1984; Thomas and Rao 1987 (F).
    """
    used = differences.expected > 0
    df = int(np.count_nonzero(used)) - 1
    if df < 1:
        return EqualRates(0.0, max(df, 0), 1.0, 1.0, 1.0)
    due = differences.expected[used]
    pearson = float(((differences.observed[used] - due) ** 2 / due).sum())
    scale = np.sqrt(due)
    weights = differences.covariance[np.ix_(used, used)] / np.outer(scale, scale)
    mean, square = float(np.trace(weights)), float((weights**2).sum())
    p_value = 1.0
    if differences.failed_clusters > 1 and mean > 0:
        freedom = mean**2 / square
        p_value = float(fdtrc(freedom, freedom * (differences.failed_clusters - 1), pearson / mean))
    return EqualRates(pearson, df, float(chdtrc(df, pearson)), mean / df, p_value)


def group_differences(
    exit: ArrayLike,  # noqa: A002
    event: ArrayLike,
    row: ArrayLike,
    group: ArrayLike,
    groups: int,
    *,
    cluster: ArrayLike,
    entry: ArrayLike | None = None,
    stratum: ArrayLike | None = None,
    everywhere: tuple[ArrayLike, ArrayLike] | None = None,
) -> GroupDifferences:
    """Set the failures of each group against its share of the lives at risk at each failure.

    A row stands for alike lives in several groups, so that the many parts of an engine that were
    never touched are one row. The answer is that of `log_rank` on the lives laid out one by one.

    Parameters
    ----------
    exit, event, entry : (n,) as in `kaplan_meier`, one row for alike lives.
    row, group : (m,) pairs: the row stands for one life in that group, numbered from 0. A row may
        be in several pairs, also with one group in several strata.
    groups : how many groups there are.
    cluster : (n,) labels; rows of one cluster (one vehicle) may depend on each other.
    stratum : (m,) whole numbers from 0; lives are compared only within their stratum.
    everywhere : groups and strata (c,) and (c,) of the lives for which a row stands that is in no
        pair: one in each.

    Returns
    -------
    GroupDifferences

    Raises
    ------
    InvalidLives : the count, first rows and remedy of what cannot be used; one cluster only.

    Notes
    -----
    Linear in rows times groups, and n log n in pairs. Source: as of `log_rank`.
    """
    lives = check_lives(
        exit, booleans(event, "event"), entry=entry, weight=None, cluster=cluster, from_age=None
    )
    rows, member = _whole(row, lives.rows, "row"), _whole(group, groups, "group")
    strata = np.zeros(rows.size, dtype=np.intp) if stratum is None else np.asarray(stratum, np.intp)
    same_length(rows.size, group=member, stratum=strata)
    named = np.zeros(lives.rows, dtype=np.bool_)
    named[rows] = True
    cells: tuple[Ints, Ints] | None = None
    if not named.all():
        if everywhere is None:
            raise InvalidLives(
                f"{int(np.count_nonzero(~named))} of {lives.rows} rows are in no pair: name their "
                f"groups, or say by everywhere which groups such rows stand for."
            )
        cells = (np.asarray(everywhere[0], np.intp), np.asarray(everywhere[1], np.intp))
        # Rows that failed, of which there are few, are laid out: the others only count at risk.
        laid = np.flatnonzero(~named & (lives.cause > 0))
        if laid.size:
            named[laid] = True
            rows = np.concatenate([rows, np.repeat(laid, cells[0].size)])
            member = np.concatenate([member, np.tile(cells[0], laid.size)])
            strata = np.concatenate([strata, np.tile(cells[1], laid.size)])
    assert lives.cluster is not None
    paired = Lives(
        scale=lives.scale,
        exit=lives.exit[rows],
        cause=lives.cause[rows],
        causes=1,
        entry=None if lives.entry is None else lives.entry[rows],
        weight=None,
        cluster=lives.cluster[rows],
        start=0.0,
        dropped={},
    )
    counts, keys = count_groups(paired, member, groups, strata) if rows.size else (None, None)
    failed = np.unique(lives.cluster[lives.cause > 0]).size
    distinct = np.unique(lives.cluster).size
    if counts is None or keys is None or counts.time.size == 0:
        none = np.zeros(groups)
        return GroupDifferences(
            none, none, np.zeros((groups, groups)), np.zeros(0), np.zeros((groups, 0)), distinct,
            failed,
        )  # fmt: skip
    alike = None if cells is None else _Alike(lives, ~named, *cells)
    if alike is not None:
        counts = alike.added_to(counts)
    total, dead = counts.at_risk.sum(axis=0), counts.events.sum(axis=0)
    scores = np.zeros((int(lives.cluster.max()) + 1, groups))
    part = cluster_scores(paired, member, counts, keys, np.ones(total.size))
    scores[: part.shape[0]] += part
    if alike is not None:
        scores += alike.scores(counts, scores.shape[0])
    return GroupDifferences(
        observed=counts.events.sum(axis=1),
        expected=counts.at_risk @ (dead / total),
        covariance=scores.T @ scores,
        dead=dead,
        share=counts.at_risk / total,
        clusters=distinct,
        failed_clusters=failed,
    )


@dataclass(frozen=True)
class _Alike:
    """Rows that did not fail and stand for a life in each of the same groups and strata."""

    lives: Lives
    rows: Bools
    group: Ints
    stratum: Ints

    def _sums(self, rises: Floats) -> Floats:
        """Sum over each row's time at risk of rises at the places of the scale, (rows,)."""
        running = np.cumsum(rises)
        total: Floats = running[self.lives.exit[self.rows]]
        if self.lives.entry is not None:
            total = total - running[self.lives.entry[self.rows]]
        return total

    def added_to(self, counts: Counts) -> Counts:
        """Add the lives to the risk sets."""
        size = self.lives.scale.size
        gone = np.bincount(self.lives.exit[self.rows], minlength=size)
        there = np.count_nonzero(self.rows) - (np.cumsum(gone) - gone)
        if self.lives.entry is not None:
            came = np.cumsum(np.bincount(self.lives.entry[self.rows], minlength=size))
            # Who enters at an age is at risk from the next age on.
            there = there - (np.count_nonzero(self.rows) - (came - np.diff(came, prepend=0)))
        at_risk = counts.at_risk.copy()
        for group, stratum in zip(self.group, self.stratum, strict=True):
            within = counts.stratum == stratum
            at_risk[group, within] += there[counts.time[within]]
        return replace(counts, at_risk=at_risk)

    def scores(self, counts: Counts, clusters: int) -> Floats:
        """Influence of the rows of each cluster on the score of each group, (clusters, groups)."""
        assert self.lives.cluster is not None
        size, groups = self.lives.scale.size, counts.events.shape[0]
        total = counts.at_risk.sum(axis=0)
        hazard = counts.events.sum(axis=0) / total
        share = counts.at_risk / total
        lives_in = np.bincount(self.stratum, minlength=int(counts.stratum.max()) + 1)
        cluster = self.lives.cluster[self.rows]
        scores = np.empty((clusters, groups))
        for column in range(groups):
            own = np.bincount(
                self.stratum[self.group == column], minlength=lives_in.size
            )[counts.stratum]  # fmt: skip
            rises = hazard * (lives_in[counts.stratum] * share[column] - own)
            sums = self._sums(count(counts.time, size, rises))
            scores[:, column] = np.bincount(cluster, weights=sums, minlength=clusters)
        return scores


def _whole(values: ArrayLike, below: int, name: str) -> Ints:
    """Check whole numbers from 0 to below a bound."""
    array = np.asarray(values, dtype=np.intp)
    if array.size and (array.min() < 0 or array.max() >= below):
        raise InvalidLives(f"{name} holds numbers outside 0 to {below - 1}: count from 0.")
    return array
