"""Emphasis, clusters, tables and pairs of the log-rank test."""

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from fleetlog import stats
from fleetlog.errors import InvalidLives

EMPHASES = [None, "at-risk", "survival", (1, 0), (0.5, 1.5)]
quick = settings(max_examples=30)


@st.composite
def grouped_lives(draw, least=6, most=40):
    rows = draw(st.integers(least, most))
    column = lambda strategy: np.array(  # noqa: E731
        draw(st.lists(strategy, min_size=rows, max_size=rows))
    )
    entry = column(st.integers(0, 8))
    group = column(st.integers(0, 2))
    group[:2] = (0, 1)
    cluster = column(st.integers(0, 6))
    cluster[:2] = (0, 1)
    return {
        "exit": entry + column(st.integers(1, 12)),
        "event": column(st.booleans()),
        "group": group,
        "entry": entry,
        "weight": column(st.integers(1, 3)),
        "strata": column(st.integers(0, 1)),
    }, cluster


emphases = st.sampled_from(EMPHASES)


def by_brute_force(lives, emphasis):
    """Scores and covariance of the groups, age by age and stratum by stratum."""
    exits, event, group, entry = (lives[k] for k in ("exit", "event", "group", "entry"))
    weight = lives["weight"]
    labels = np.unique(group)
    score, covariance = np.zeros(labels.size), np.zeros((labels.size, labels.size))
    for stratum in np.unique(lives["strata"]):
        here = lives["strata"] == stratum
        survival, tilde = 1.0, 1.0
        for t in np.unique(exits[event & here]):
            at = here & (entry < t) & (t <= exits)
            dying = at & event & (exits == t)
            n = np.array([weight[at & (group == g)].sum() for g in labels], dtype=float)
            d = np.array([weight[dying & (group == g)].sum() for g in labels], dtype=float)
            N, D = n.sum(), d.sum()
            tilde *= 1 - D / (N + 1)
            if emphasis is None:
                w = 1.0
            elif emphasis == "at-risk":
                w = N
            elif emphasis == "survival":
                w = tilde
            else:
                w = survival ** emphasis[0] * (1 - survival) ** emphasis[1]
            survival *= 1 - D / N
            score += w * (d - D * n / N)
            if N > 1:
                share = n / N
                spread = np.diag(share) - np.outer(share, share)
                covariance += w**2 * D * (N - D) / (N - 1) * spread
    return score, covariance


@pytest.mark.parametrize("emphasis", EMPHASES[:3])
def test_many_failures_before_a_group_comes_leave_no_rounding_in_its_variance(emphasis):
    """At 1, group 0 is alone. At 3 one of group 1 and three of group 0 are left, which all fail:
    the score is 0 - 3/4, its variance 3 * 1/4 * 3/4 * (4 - 3) / (4 - 1), its square over that 3.
    """
    gone, event, entry = np.ones(21, dtype=int), np.zeros(21, dtype=bool), np.zeros(21, dtype=int)
    group, weight = entry.copy(), gone.copy()
    gone[[1, 9]], entry[[1, 9]], group[1], weight[9] = 3, 2, 1, 3
    event[[0, 9, 10, 20]] = True
    result = stats.log_rank(gone, event, group, entry=entry, weight=weight, emphasis=emphasis)
    assert result.df == 1
    assert result.statistic == pytest.approx(3, rel=1e-12)


@quick
@given(grouped_lives(), emphases)
def test_every_emphasis_is_what_its_formula_says(drawn, emphasis):
    lives, _ = drawn
    score, covariance = by_brute_force(lives, emphasis)
    result = stats.log_rank(**lives, emphasis=emphasis)
    expected = score @ np.linalg.pinv(covariance, hermitian=True, rcond=1e-10) @ score
    assert result.statistic == pytest.approx(expected, rel=1e-7, abs=1e-9)
    scores = np.arange(1, score.size + 1)
    variance = scores @ covariance @ scores
    trend = stats.log_rank(**lives, emphasis=emphasis, trend=True)
    if variance > 1e-9:
        assert trend.statistic == pytest.approx((scores @ score) ** 2 / variance, rel=1e-7)


def table_of(lives):
    """Rows of a table as a store would count them: one per entry and one per exit."""
    weight = lives["weight"]
    none = 0 * weight
    twice = lambda name: np.concatenate([lives[name], lives[name]])  # noqa: E731
    return {
        "time": np.concatenate([lives["entry"], lives["exit"]]),
        "entered": np.concatenate([weight, none]),
        "left": np.concatenate([none, weight]),
        "events": np.concatenate([none, weight * lives["event"]]),
        "group": twice("group"),
        "strata": twice("strata"),
    }


@quick
@given(grouped_lives(), emphases, st.booleans())
def test_a_table_gives_the_same_test_as_its_lives(drawn, emphasis, trend):
    lives, _ = drawn
    rows = table_of(lives)
    ours = stats.log_rank(**lives, emphasis=emphasis, trend=trend)
    summed = pl.DataFrame(rows).group_by("time", "group", "strata").sum()
    for table in (rows, {name: summed[name] for name in rows}):
        counted = stats.log_rank_from_table(**table, emphasis=emphasis, trend=trend)
        assert counted.statistic == pytest.approx(ours.statistic, rel=1e-9, abs=1e-12)
        assert counted.df == ours.df
        for name in ("lives", "observed", "expected"):
            assert_allclose(counted.groups[name], ours.groups[name], rtol=1e-9, atol=1e-12)


@quick
@given(grouped_lives(), emphases, st.sampled_from([1e-3, 1.609344]))
def test_units_and_order_do_not_matter(drawn, emphasis, factor):
    lives, cluster = drawn
    order = np.random.default_rng(0).permutation(cluster.size)
    for options in ({}, {"cluster": cluster}):
        one = stats.log_rank(**lives, emphasis=emphasis, **options)
        scaled = lives | {"exit": lives["exit"] * factor, "entry": lives["entry"] * factor}
        mixed = {k: v[order] for k, v in (scaled | options).items()}
        two = stats.log_rank(**mixed, emphasis=emphasis)
        assert two.statistic == pytest.approx(one.statistic, rel=1e-7, abs=1e-9)


@quick
@given(grouped_lives(), emphases)
def test_a_weight_is_that_many_alike_lives(drawn, emphasis):
    lives, cluster = drawn
    for options in ({}, {"cluster": cluster}):
        given_lives = lives | options
        copies = {k: np.repeat(v, lives["weight"]) for k, v in given_lives.items() if k != "weight"}
        one = stats.log_rank(**given_lives, emphasis=emphasis)
        two = stats.log_rank(**copies, emphasis=emphasis)
        assert two.statistic == pytest.approx(one.statistic, rel=1e-7, abs=1e-9)


@quick
@given(grouped_lives(), emphases, st.integers(1, 12))
def test_a_life_may_be_split_where_it_was_watched(drawn, emphasis, age):
    lives, cluster = drawn
    lives = lives | {"cluster": cluster}
    cut = (lives["entry"] < age) & (age < lives["exit"])
    head = {name: column[cut] for name, column in lives.items()}
    head["exit"] = np.full(head["exit"].size, age)
    head["event"] = np.zeros(head["exit"].size, dtype=bool)
    tail = lives | {"entry": np.where(cut, age, lives["entry"])}
    split = {name: np.concatenate([head[name], tail[name]]) for name in lives}
    one, two = (stats.log_rank(**rows, emphasis=emphasis) for rows in (lives, split))
    assert two.statistic == pytest.approx(one.statistic, rel=1e-7, abs=1e-9)


@quick
@given(grouped_lives(), emphases)
def test_entry_at_0_is_no_entry(drawn, emphasis):
    lives, cluster = drawn
    born = lives | {"entry": np.zeros(cluster.size), "cluster": cluster}
    plain = {k: v for k, v in born.items() if k != "entry"}
    one, two = (stats.log_rank(**rows, emphasis=emphasis) for rows in (born, plain))
    assert two.statistic == pytest.approx(one.statistic, rel=1e-9, abs=1e-12)


@quick
@given(grouped_lives())
def test_copies_within_clusters_leave_the_clustered_test_alone(drawn):
    lives, cluster = drawn
    lives = lives | {"cluster": cluster}
    more = {k: np.tile(v, 3) for k, v in lives.items()}
    one, two = stats.log_rank(**lives), stats.log_rank(**more)
    assert two.statistic == pytest.approx(one.statistic, rel=1e-7, abs=1e-9)


def test_lives_still_under_watch_stay_in_their_stratum():
    # Two strata alike; in each, one life of each group never leaves.
    one = {
        "time": [0, 0, 3, 5],
        "entered": [4, 3, 0, 0],
        "left": [0, 0, 3, 2],
        "events": [0, 0, 2, 1],
        "group": ["a", "b", "a", "b"],
    }
    two = {k: list(v) * 2 for k, v in one.items()} | {"strata": [0] * 4 + [1] * 4}
    single, double = stats.log_rank_from_table(**one), stats.log_rank_from_table(**two)
    assert double.statistic == pytest.approx(2 * single.statistic)
    assert_allclose(double.groups["expected"], 2 * single.groups["expected"].to_numpy())


def test_many_strata_of_long_ages_take_the_searching_path():
    # Strata times ages are far more places than lives here; whole ages of one stratum are not.
    rng = np.random.default_rng(8)
    lives = {
        "exit": rng.integers(2, 4000, 3000),
        "event": rng.random(3000) < 0.6,
        "group": rng.integers(0, 3, 3000),
        "strata": rng.integers(0, 60, 3000),
        "entry": np.zeros(3000, dtype=int),
        "weight": np.ones(3000, dtype=int),
    }
    score, covariance = by_brute_force(lives, (1, 1))
    expected = score @ np.linalg.pinv(covariance, hermitian=True) @ score
    assert stats.log_rank(**lives, emphasis=(1, 1)).statistic == pytest.approx(expected, rel=1e-9)


def test_parts_of_the_whole_add_up():
    rng = np.random.default_rng(5)
    group, strata = rng.integers(0, 3, 500), rng.integers(0, 4, 500)
    exits, event = rng.integers(1, 60, 500), rng.random(500) < 0.5
    whole = stats.log_rank(exits, event, group, strata=strata).groups
    parts = [
        stats.log_rank(exits[m], event[m], group[m]).groups for m in (strata == k for k in range(4))
    ]
    for name in ("lives", "observed", "expected"):
        assert_allclose(whole[name], sum(part[name].to_numpy() for part in parts), rtol=1e-12)


def test_pairs_are_tests_of_their_own_lives():
    rng = np.random.default_rng(6)
    group = np.array(["a", "b", "c"])[rng.integers(0, 3, 300)]
    exits, event = rng.integers(1, 40, 300), rng.random(300) < 0.6
    cluster, entry = rng.integers(0, 50, 300), np.zeros(300, dtype=int)
    table = stats.compare_groups_pairwise(
        exits, event, group, entry=entry, cluster=cluster, emphasis=(1, 0)
    )
    assert table.select("group", "other").rows() == [("a", "b"), ("a", "c"), ("b", "c")]
    for row in table.iter_rows(named=True):
        rows = (group == row["group"]) | (group == row["other"])
        one = stats.log_rank(
            exits[rows], event[rows], group[rows], cluster=cluster[rows], emphasis=(1, 0)
        )
        assert row["statistic"] == pytest.approx(one.statistic, rel=1e-12)
        assert row["p_value"] == pytest.approx(one.p_value, rel=1e-12)
        assert row["lives"] == rows.sum()
    # Benjamini and Hochberg 1995: by hand, the k-th smallest of 3 is multiplied by 3 / k.
    p = np.sort(table["p_value"].to_numpy()) * 3 / np.arange(1, 4)
    assert_allclose(
        np.sort(table["p_adjusted"].to_numpy()), np.minimum.accumulate(p[::-1])[::-1], rtol=1e-12
    )


LIVES = {"exit": [1, 2, 3, 4], "event": [True] * 4, "group": ["a", "b", "a", "b"]}


@pytest.mark.parametrize("emphasis", ["early", (1,), (1, -1), (np.nan, 1), 3, [1, 0]])
def test_an_unknown_emphasis_is_refused(emphasis):
    with pytest.raises(ValueError, match="emphasis is"):
        stats.log_rank(**LIVES, emphasis=emphasis)


def test_a_single_cluster_is_refused():
    with pytest.raises(InvalidLives, match="one cluster"):
        stats.log_rank(**LIVES, cluster=[7] * 4)


def test_lists_series_and_arrays_are_alike():
    one = stats.log_rank(**LIVES)
    for kind in (np.array, pl.Series):
        two = stats.log_rank(**{k: kind(v) for k, v in LIVES.items()})
        assert two.statistic == one.statistic
        assert two.groups.equals(one.groups)
    coded = stats.log_rank(LIVES["exit"], LIVES["event"], [10, 5000, 10, 5000])
    assert coded.groups["group"].to_list() == [10, 5000]
    assert coded.statistic == one.statistic


@pytest.mark.parametrize(
    ("changed", "says"),
    [
        ({"group": ["a"] * 4}, "There is 1 group"),
        ({"left": [0, 0, 3, 1]}, "more lives leave than are at risk"),
        ({"events": [0, 0, 2, 1]}, "more lives leave than are at risk, or fail than leave"),
        ({"events": np.ones((4, 2))}, "events has 2 columns"),
        ({"strata": [0, 0, 1, 1]}, "in the group and stratum of its exit"),
        ({"time": [0, 0, np.nan, 5]}, "have no time"),
        ({"left": [0, 0, 1]}, "left has 3 values"),
    ],
)
def test_impossible_tables_are_refused(changed, says):
    table = {
        "time": [0, 0, 4, 5],
        "entered": [1, 1, 0, 0],
        "left": [0, 0, 1, 1],
        "events": [0, 0, 1, 1],
        "group": ["a", "b", "a", "b"],
    }
    assert stats.log_rank_from_table(**table).df == 1
    with pytest.raises(InvalidLives, match=says):
        stats.log_rank_from_table(**(table | changed))


@pytest.mark.parametrize(
    ("changed", "says"),
    [({"entry": [0, 0]}, "entry has 2 values"), ({"group": ["a"]}, "group has 1 values")],
)
def test_pairs_need_a_value_per_row(changed, says):
    with pytest.raises(InvalidLives, match=says):
        stats.compare_groups_pairwise(**(LIVES | changed))


def test_pairs_need_two_groups():
    with pytest.raises(InvalidLives, match="There is 1 group"):
        stats.compare_groups_pairwise(**(LIVES | {"group": ["a"] * 4}))
