from fractions import Fraction

import numpy as np
import polars as pl
import pytest
from hypothesis import given as hypothesis_given
from hypothesis import settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from fleetlog import stats
from fleetlog.errors import InvalidLives


def given(*strategies):
    """Fewer examples than the default, and none of them timed: the machine may be busy."""
    limits = settings(max_examples=40)
    return lambda test: limits(hypothesis_given(*strategies)(test))


@st.composite
def some_lives(draw, least=2, most=40):
    """Lives with late entry and ties; the ages are whole numbers."""
    rows = draw(st.integers(least, most))
    column = lambda strategy: np.array(  # noqa: E731
        draw(st.lists(strategy, min_size=rows, max_size=rows))
    )
    entry = column(st.integers(0, 8))
    cluster = column(st.integers(0, 5))
    # The variance between clusters needs two.
    cluster[-1] = (cluster[0] + 1) % 6
    return {
        "exit": entry + column(st.integers(1, 12)),
        "event": column(st.booleans()),
        "entry": entry,
        "weight": column(st.integers(1, 4)),
        "cluster": cluster,
    }


def same(one, two, rtol=1e-9, atol=1e-12):
    assert one.columns == two.columns
    for name in one.columns:
        assert_allclose(
            one[name].fill_null(np.nan).to_numpy(),
            two[name].fill_null(np.nan).to_numpy(),
            rtol=rtol,
            atol=atol,
            err_msg=name,
        )


# Six wheel bearings A to F, ages in 1,000 mi. B, C and F enter late; two end at 5, one failed.
BEARINGS = {
    "exit": [2, 3, 5, 5, 7, 9],
    "event": [True, True, True, False, True, False],
    "entry": [0, 2, 4, 0, 0, 3],
}


class TestByHand:
    def test_survival(self):
        # At risk (entry < t <= exit): t=2 A,D,E; t=3 B,D,E; t=5 C,D,E,F; t=7 E,F; t=9 F.
        curve = stats.kaplan_meier(**BEARINGS)
        steps = [
            Fraction(2, 3),
            Fraction(2, 3) ** 2,
            Fraction(2, 3) ** 2 * Fraction(3, 4),
            Fraction(2, 3) ** 2 * Fraction(3, 8),
        ]
        assert curve.table["time"].to_list() == [2, 3, 5, 7, 9]
        assert curve.table["at_risk"].to_list() == [3, 3, 4, 2, 1]
        assert curve.table["events"].to_list() == [1, 1, 1, 1, 0]
        assert curve.table["censored"].to_list() == [0, 0, 1, 0, 1]
        assert_allclose(curve.table["estimate"], [*map(float, steps), float(steps[-1])])
        terms = [Fraction(1, 6), Fraction(1, 6), Fraction(1, 12), Fraction(1, 2)]
        greenwood = [sum(terms[: k + 1]) for k in range(4)]
        variances = [float(s**2 * g) for s, g in zip(steps, greenwood, strict=True)]
        assert_allclose(curve.table["std_err"][:4], np.sqrt(variances))

    def test_limits_are_formed_on_the_log_of_minus_the_log(self):
        table = stats.kaplan_meier(**BEARINGS, level=0.9).table
        z = 1.6448536269514722  # 0.95 quantile of the standard normal distribution
        share, error = table["estimate"][0], table["std_err"][0]
        half = z * error / (share * abs(np.log(share)))
        assert table["lower"][0] == pytest.approx(share ** np.exp(half))
        assert table["upper"][0] == pytest.approx(share ** np.exp(-half))

    def test_hazard(self):
        curve = stats.nelson_aalen(**BEARINGS)
        total = Fraction(1, 3) + Fraction(1, 3) + Fraction(1, 4) + Fraction(1, 2)
        squares = Fraction(1, 9) + Fraction(1, 9) + Fraction(1, 16) + Fraction(1, 4)
        assert curve.table["estimate"][-1] == pytest.approx(float(total))
        assert curve.table["std_err"][-1] == pytest.approx(float(squares) ** 0.5)

    def test_incidence_of_two_causes(self):
        curves = stats.cumulative_incidence(BEARINGS["exit"], [1, 2, 1, 0, 2, 0],
                                            entry=BEARINGS["entry"])  # fmt: skip
        one = Fraction(1, 3) + Fraction(4, 9) * Fraction(1, 4)
        two = Fraction(2, 3) * Fraction(1, 3) + Fraction(4, 9) * Fraction(3, 4) * Fraction(1, 2)
        assert curves.at([9], 1)[0] == pytest.approx(float(one))
        assert curves.at([9], 2)[0] == pytest.approx(float(two))
        assert curves.causes == (1, 2)

    def test_who_enters_at_a_failure_is_not_at_risk_there(self):
        table = stats.kaplan_meier([4, 9], [True, False], entry=[0, 4]).table
        assert table["at_risk"].to_list() == [1, 1]
        assert table["estimate"].to_list() == [0, 0]

    def test_limits_are_null_where_the_share_is_1_or_0(self):
        table = stats.kaplan_meier([1, 2, 3], [False, True, True]).table
        assert table["estimate"].to_list() == [1, 0.5, 0]
        assert table["lower"].is_null().to_list() == [True, False, True]
        assert table["upper"].is_null().to_list() == [True, False, True]
        assert table["std_err"].to_list() == [0, pytest.approx(0.5 * 0.5**0.5), None]


class TestQuestions:
    curve = stats.kaplan_meier([1, 2, 3, 4, 6], [True, True, False, True, False])

    def test_at_knows_its_domain(self):
        asked = self.curve.at([-1, 0, 0.5, 1, 3.9, 6, 6.001])
        assert_allclose(asked, [np.nan, 1, 1, 0.8, 0.6, 0.3, np.nan])

    def test_quantiles_and_where_they_are_not_reached(self):
        assert self.curve.quantile(0.2) == 1
        assert self.curve.quantile(0.21) == 2
        assert self.curve.median == 4
        assert self.curve.quantile(0.8) is None

    def test_a_quantile_is_not_missed_by_rounding(self):
        # 0.9 * 8/9 falls short of 0.8 or exceeds it by a rounding; ten lives, two failures.
        curve = stats.kaplan_meier(range(1, 11), [True, True] + [False] * 8)
        assert curve.quantile(0.2) == 2

    def test_quantile_interval_reads_the_limits(self):
        # R: quantile(survfit(Surv(c(1,2,3,4,6), c(1,1,0,1,0)) ~ 1, conf.type="log-log"), 0.5)
        lower, upper = self.curve.quantile_interval(0.5)
        assert lower == 1
        assert upper is None

    @pytest.mark.parametrize("p", [0, 1, -0.1, 50])
    def test_fractions_outside_0_to_1_are_refused(self, p):
        with pytest.raises(ValueError, match="fraction failed"):
            self.curve.quantile(p)

    def test_an_unknown_cause_is_refused(self):
        curves = stats.cumulative_incidence([1, 2], [0, 4])
        with pytest.raises(ValueError, match="cause 1 is not among"):
            curves.at([1], 1)

    def test_no_failures_leave_an_empty_incidence(self):
        curves = stats.cumulative_incidence([1, 2], [0, 0])
        assert curves.causes == ()
        assert curves.table.height == 0
        assert "cause" in curves.table.columns


class TestLateEntry:
    def test_a_thin_start_is_flagged_and_can_be_left_out(self):
        # One life under watch from the start fails at 5; a hundred more come at 10.
        ages = {
            "exit": [5, *range(20, 120)],
            "event": [True] * 101,
            "entry": [0] + [10] * 100,
        }
        curve = stats.kaplan_meier(**ages)
        assert curve.table["estimate"][0] == 0
        assert curve.thin_start == stats.ThinStart(failures=1, at_risk=1, from_age=5, enough=20)
        later = stats.kaplan_meier(**ages, from_age=curve.thin_start.from_age)
        assert later.thin_start is None
        assert later.dropped == {"ended_by_from_age": 1}
        assert later.at([4, 5, 19])[1:].tolist() == [1, 1]
        assert np.isnan(later.at([4])[0])
        assert later.at([69])[0] == pytest.approx(0.5)

    def test_a_full_start_is_not_flagged(self):
        assert stats.kaplan_meier(range(1, 31), [True] * 30).thin_start is None

    def test_few_lives_without_late_entry_are_not_flagged(self):
        assert stats.kaplan_meier([1, 2, 3], [True] * 3).thin_start is None

    def test_an_age_that_nobody_outlives_is_refused(self):
        with pytest.raises(InvalidLives, match="No life lasts beyond"):
            stats.kaplan_meier([1, 2], [True, True], from_age=2)

    @pytest.mark.parametrize("from_age", [-1, np.nan, np.inf])
    def test_an_impossible_starting_age_is_refused(self, from_age):
        with pytest.raises(ValueError, match="from_age"):
            stats.kaplan_meier([1, 2], [True, True], from_age=from_age)

    @given(some_lives(), st.integers(1, 8))
    def test_survival_from_an_age_is_a_ratio(self, lives, age):
        # The estimate knows no clusters, of which one alone might be left after the age.
        del lives["cluster"]
        whole = stats.kaplan_meier(**lives)
        if lives["exit"].max() <= age or not whole.at([age])[0] > 0:
            return
        part = stats.kaplan_meier(**lives, from_age=age)
        times = np.arange(age, lives["exit"].max() + 1)
        assert_allclose(part.at(times), whole.at(times) / whole.at([age]), rtol=1e-12)


@given(some_lives(), st.sampled_from([1e-3, 1.609344, 1000.0]))
def test_a_change_of_unit_changes_times_only(lives, factor):
    for estimate in (stats.kaplan_meier, stats.nelson_aalen):
        one = estimate(**lives).table
        scaled = lives | {"exit": lives["exit"] * factor, "entry": lives["entry"] * factor}
        same(one.with_columns(pl.col("time") * factor), estimate(**scaled).table, atol=1e-7)


@given(some_lives())
def test_a_weight_is_that_many_alike_lives(lives):
    times = lives["weight"]
    copies = {name: np.repeat(column, times) for name, column in lives.items() if name != "weight"}
    for estimate in (stats.kaplan_meier, stats.nelson_aalen):
        # A variance of exactly 0 comes out as its rounding, whose root is some 1e-9.
        same(estimate(**lives).table, estimate(**copies).table, atol=1e-7)
        independent = {name: lives[name] for name in ("exit", "event", "entry")}
        same(
            estimate(**independent, weight=times).table,
            estimate(**{name: copies[name] for name in independent}).table,
        )


@given(some_lives(), st.randoms(use_true_random=False))
def test_order_does_not_matter(lives, random):
    order = list(range(lives["exit"].size))
    random.shuffle(order)
    mixed = {name: column[order] for name, column in lives.items()}
    same(stats.kaplan_meier(**lives).table, stats.kaplan_meier(**mixed).table, atol=1e-7)


@given(some_lives(), st.integers(1, 12))
def test_a_life_may_be_split_where_it_was_watched(lives, age):
    cut = (lives["entry"] < age) & (age < lives["exit"])
    head = {name: column[cut] for name, column in lives.items()}
    head["exit"] = np.full(head["exit"].size, age)
    head["event"] = np.zeros(head["exit"].size, dtype=bool)
    tail = lives | {"entry": np.where(cut, age, lives["entry"])}
    split = {name: np.concatenate([head[name], tail[name]]) for name in lives}
    times = np.arange(1, lives["exit"].max() + 1)
    for estimate in (stats.kaplan_meier, stats.nelson_aalen):
        whole, parts = estimate(**lives), estimate(**split)
        assert_allclose(whole.at(times), parts.at(times), rtol=1e-12)
        events = pl.col("events") > 0
        one, two = whole.table.filter(events), parts.table.filter(events)
        for column in ("at_risk", "std_err", "lower"):
            assert_allclose(
                one[column].fill_null(-1), two[column].fill_null(-1), rtol=1e-9, err_msg=column
            )


@given(some_lives())
def test_entry_at_0_is_no_entry(lives):
    born = lives | {"entry": np.zeros(lives["exit"].size)}
    plain = {name: column for name, column in lives.items() if name != "entry"}
    same(stats.kaplan_meier(**born).table, stats.kaplan_meier(**plain).table, atol=1e-7)


@given(st.lists(st.integers(1, 30), min_size=2, max_size=60))
def test_without_censoring_the_curve_is_the_empirical_one(ages):
    curve = stats.kaplan_meier(ages, [True] * len(ages))
    times = np.arange(0, max(ages) + 1)
    share = np.array([np.mean(np.array(ages) > t) for t in times])
    assert_allclose(curve.at(times), share, atol=1e-12)
    inside = curve.table.filter(pl.col("estimate") > 1e-9)
    binomial = np.sqrt(inside["estimate"] * (1 - inside["estimate"]) / len(ages))
    assert_allclose(inside["std_err"], binomial, rtol=1e-9)


@given(some_lives(), st.integers(2, 4))
def test_copies_within_clusters_leave_the_clustered_error_alone(lives, copies):
    lives = lives | {"weight": np.ones(lives["exit"].size)}
    more = {name: np.tile(column, copies) for name, column in lives.items()}
    one, many = stats.kaplan_meier(**lives).table, stats.kaplan_meier(**more).table
    assert_allclose(one["std_err"].fill_null(-1), many["std_err"].fill_null(-1), atol=1e-7)
    apart = more | {"cluster": np.concatenate([lives["cluster"] + 10 * k for k in range(copies)])}
    fleet = stats.kaplan_meier(**apart).table
    assert_allclose(
        one["std_err"].fill_null(0) / np.sqrt(copies), fleet["std_err"].fill_null(0), atol=1e-7
    )


@given(some_lives())
def test_the_clustered_variance_is_the_sum_of_squared_influences(lives):
    # The influence of a cluster is the derivative of the estimate by its weight.
    weight = lives["weight"].astype(float)
    for estimate in (stats.kaplan_meier, stats.nelson_aalen):
        table = estimate(**lives).table
        squares = np.zeros(table.height)
        for cluster in np.unique(lives["cluster"]):
            moved = []
            for sign in (1, -1):
                tilted = np.where(lives["cluster"] == cluster, weight * (1 + sign * 1e-5), weight)
                moved.append(estimate(**(lives | {"weight": tilted})).table["estimate"].to_numpy())
            squares += ((moved[0] - moved[1]) / 2e-5) ** 2
        defined = ~table["std_err"].is_null().to_numpy()
        assert_allclose(
            table["std_err"].to_numpy()[defined], np.sqrt(squares)[defined], rtol=1e-5, atol=1e-6
        )


@given(some_lives(), st.randoms(use_true_random=False))
def test_shares_of_all_causes_and_survival_add_up_to_1(lives, random):
    cause = np.array([random.choice([1, 2, 5]) for _ in lives["exit"]]) * lives["event"]
    given_lives = {name: lives[name] for name in ("exit", "entry", "weight")}
    curves = stats.cumulative_incidence(cause=cause, **given_lives)
    survival = stats.kaplan_meier(event=cause > 0, **given_lives).table["estimate"].to_numpy()
    total = sum(
        (curves.table.filter(pl.col("cause") == k)["estimate"].to_numpy() for k in curves.causes),
        start=survival,
    )
    assert_allclose(total, 1, rtol=1e-12)
    assert curves.causes == tuple(np.unique(cause[cause > 0]))


@given(some_lives(), st.booleans())
def test_one_cause_has_the_variance_of_the_survival(lives, clustered):
    given_lives = {name: lives[name] for name in ("exit", "entry", "weight")}
    if clustered:
        given_lives["cluster"] = lives["cluster"]
    if not lives["event"].any():
        return
    share = stats.cumulative_incidence(cause=lives["event"].astype(int), **given_lives).table
    survival = stats.kaplan_meier(event=lives["event"], **given_lives).table
    assert_allclose(share["estimate"], 1 - survival["estimate"], atol=1e-12)
    defined = ~survival["std_err"].is_null().to_numpy()
    assert_allclose(
        share["std_err"].to_numpy()[defined], survival["std_err"].to_numpy()[defined], atol=1e-7
    )


@given(some_lives())
def test_a_table_counted_elsewhere_gives_the_same_curves(lives):
    del lives["cluster"]
    weight = lives["weight"]
    rows = pl.DataFrame(
        {
            "time": np.concatenate([lives["entry"], lives["exit"]]),
            "entered": np.concatenate([weight, 0 * weight]),
            "left": np.concatenate([0 * weight, weight]),
            "events": np.concatenate([0 * weight, weight * lives["event"]]),
        }
    )
    grouped = rows.group_by("time").sum()
    # Rows that repeat a time add up, so tables of several groups may be stacked.
    for table in (rows, grouped):
        counted = (table["time"], table["entered"], table["left"], table["events"])
        same(stats.kaplan_meier_from_table(*counted).table, stats.kaplan_meier(**lives).table)
        same(stats.nelson_aalen_from_table(*counted).table, stats.nelson_aalen(**lives).table)
        causes = np.column_stack([table["events"].to_numpy(), np.zeros(table.height)])
        shares = stats.cumulative_incidence_from_table(*counted[:3], causes).table
        one = stats.kaplan_meier(**lives).table["estimate"]
        assert_allclose(shares.filter(pl.col("cause") == 1)["estimate"], 1 - one, atol=1e-12)


@pytest.mark.parametrize(
    ("row", "says"),
    [
        (([0, 5], [3, 0], [0, 2], [0, 3]), "more events than lives that left"),
        (([0, 5], [3, 0], [0, 4], [0, 1]), "more lives leaving than at risk"),
        (([0, 5], [3, 0], [0, 3], [0, -1]), "NaN, infinite or negative"),
        (([0, 5], [3, 0], [0, 3], [1]), "events has shape"),
        (([], [], [], []), "empty"),
    ],
)
def test_impossible_tables_are_refused(row, says):
    with pytest.raises(InvalidLives, match=says):
        stats.kaplan_meier_from_table(*row)


def test_times_that_differ_by_rounding_are_tied():
    table = stats.kaplan_meier([0.1 + 0.2, 0.3, 0.5], [True, True, False]).table
    assert table.height == 2
    assert table["events"][0] == 2


def test_whole_and_fractional_ages_take_the_same_steps():
    # Whole ages are counted by value, others by sorting: a shift by a half joins the two.
    rng = np.random.default_rng(3)
    ages, watched = rng.integers(5, 400, 3000), rng.integers(0, 5, 3000)
    event, cluster = rng.random(3000) < 0.5, rng.integers(0, 200, 3000)
    whole = stats.kaplan_meier(ages, event, entry=watched, cluster=cluster).table
    shifted = stats.kaplan_meier(ages + 0.5, event, entry=watched + 0.5, cluster=cluster).table
    same(whole.with_columns(pl.col("time") + 0.5), shifted)
    sparse = stats.kaplan_meier(ages * 10**7, event, entry=watched * 10**7, cluster=cluster).table
    same(whole.with_columns(pl.col("time") * 10**7), sparse)


def test_a_curve_keeps_how_it_was_made():
    curve = stats.kaplan_meier([1, 2, 3], [True, False, True], cluster=[1, 1, 2], level=0.9)
    assert (curve.level, curve.interval, curve.clusters) == (0.9, "log(-log)", 2)
    assert "cluster" in curve.variance
    assert (curve.lives, curve.events, curve.dropped) == (3, 2, {})


def test_incidence_has_a_variance_where_all_at_risk_fail_at_once():
    """A life that enters after everybody at risk has failed: the two integrals rise apart."""
    exits = [1.0] * 18 + [3.0] + [2.0] * 6
    entry = [0.0] * 18 + [2.0] + [1.0] * 6
    cause = [0] * 19 + [1] * 6
    cluster = [0] * 18 + [1] * 7
    table = stats.cumulative_incidence(exits, cause, entry=entry, cluster=cluster).table
    assert table["estimate"].to_list() == [0.0, 1.0, 1.0]
    # One cluster holds every life at risk at a time: nothing is left that could vary.
    assert table["std_err"].to_list() == [0.0, 0.0, 0.0]


def test_one_cluster_is_refused():
    lives = {"exit": [1, 2, 3], "cluster": ["a"] * 3}
    for call in (
        lambda: stats.kaplan_meier(event=[True, False, True], **lives),
        lambda: stats.nelson_aalen(event=[True, False, True], **lives),
        lambda: stats.cumulative_incidence(cause=[1, 0, 2], **lives),
    ):
        with pytest.raises(InvalidLives, match=r"of one cluster.*at least two clusters"):
            call()
    with pytest.raises(InvalidLives, match="of one cluster"):
        stats.kaplan_meier([1, 2, 3], [True] * 3, cluster=["a", "b", "b"], from_age=1)
