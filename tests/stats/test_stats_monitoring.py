import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy.stats import binom, norm, poisson

from fleetlog import stats
from fleetlog.errors import InvalidLives

DESIGN = stats.design_poisson_cusum(4.0, ratio=1.5, in_control_run_length=200)


def simulated_run_length(rng, mean, design, charts=20_000):
    """Mean run length of charts that are run until every one has signalled, and its error."""
    total = np.full(charts, design.head_start)
    lengths = np.zeros(charts)
    running = np.ones(charts, dtype=bool)
    while running.any():
        lengths[running] += 1
        total = np.maximum(0, total + rng.poisson(mean, charts) - design.reference)
        running &= total < design.limit - 1e-9
    return lengths.mean(), lengths.std() / np.sqrt(charts)


@pytest.mark.slow
@pytest.mark.parametrize("fast", [False, True])
@pytest.mark.parametrize(("mean", "ratio"), [(4.0, 1.5), (0.5, 2.0), (0.07, 3.0), (30.0, 1.2)])
def test_designed_run_lengths_are_those_of_simulated_charts(mean, ratio, fast):
    design = stats.design_poisson_cusum(
        mean, ratio=ratio, in_control_run_length=100, fast_initial_response=fast
    )
    rng = np.random.default_rng(21)
    for at, length in (
        (mean, design.run_length),
        (mean * ratio, design.out_of_control_run_length),
    ):
        found, error = simulated_run_length(rng, at, design)
        assert found == pytest.approx(length, abs=4 * error)


def test_a_run_length_by_hand():
    # k = h = 1, so any count of 2 signals, and one of 1 leaves the sum at 0: the run is geometric.
    for mean in (0.1, 1.0):
        signal = 1 - np.exp(-mean) * (1 + mean)
        length = stats.poisson_cusum_run_length(mean, reference=1, limit=1)
        assert length == pytest.approx(1 / signal)
    # From 1 of 2, with k = 1: stay at 1 by one event, back to 0 by none, signal by two.
    none, one = np.exp(-0.5), 0.5 * np.exp(-0.5)
    two = 0.125 * np.exp(-0.5)
    # L0 = 1 + (none + one) L0 + two L1, L1 = 1 + none L0 + one L1
    solved = np.linalg.solve([[1 - none - one, -two], [-none, 1 - one]], [1, 1])
    for start in (0, 1):
        length = stats.poisson_cusum_run_length(0.5, reference=1, limit=2, head_start=start)
        assert length == pytest.approx(solved[start])


@settings(max_examples=40)
@given(st.floats(0.02, 200), st.floats(1.15, 4), st.floats(20, 2000), st.booleans())
def test_designs_keep_the_run_length_asked_for(mean, ratio, length, fast):
    design = stats.design_poisson_cusum(
        mean, ratio=ratio, in_control_run_length=length, fast_initial_response=fast
    )
    assert design.run_length >= length
    assert design.out_of_control_run_length < design.run_length
    assert mean < design.reference < mean * ratio
    best = mean * (ratio - 1) / np.log(ratio)
    assert design.reference == pytest.approx(best, rel=0.02)
    again = stats.poisson_cusum_run_length(
        mean, reference=design.reference, limit=design.limit, head_start=design.head_start
    )
    assert again == pytest.approx(design.run_length, rel=1e-6)
    same = stats.design_poisson_cusum(
        mean, out_of_control_mean=mean * ratio, in_control_run_length=length,
        fast_initial_response=fast,
    )  # fmt: skip
    assert same == design


def test_a_head_start_finds_an_early_rise_sooner():
    fast = stats.design_poisson_cusum(
        4.0, ratio=1.5, in_control_run_length=200, fast_initial_response=True
    )
    assert fast.head_start == pytest.approx(fast.limit / 2, abs=0.5)
    assert fast.out_of_control_run_length < 0.7 * DESIGN.out_of_control_run_length


def test_run_lengths_fall_with_the_mean_and_grow_with_the_limit():
    by_mean = [
        stats.poisson_cusum_run_length(mean, reference=5, limit=9) for mean in (3, 4, 5, 6, 10)
    ]
    assert np.all(np.diff(by_mean) < 0)
    by_limit = [
        stats.poisson_cusum_run_length(4, reference=5, limit=limit) for limit in (1, 3, 6, 9.5)
    ]
    assert np.all(np.diff(by_limit) > 0)


@given(st.lists(st.integers(0, 20), min_size=1, max_size=60), st.sampled_from([0.0, 5.0]))
def test_the_path_is_the_sum_step_by_step(counts, start):
    design = stats.design_poisson_cusum(
        4.0, ratio=1.5, in_control_run_length=200, fast_initial_response=start > 0
    )
    chart = stats.poisson_cusum(counts, 4.0, design)
    total, path = design.head_start, []
    for count in counts:
        total = max(0.0, total + count - design.reference)
        path.append(total)
    assert_allclose(chart.table["cusum"], path, atol=1e-9)
    reached = [i for i, value in enumerate(path) if value >= design.limit - 1e-9]
    assert chart.first_signal == (reached[0] if reached else None)
    if reached:
        empty = [i for i in range(reached[0]) if path[i] < 1e-9]
        assert chart.onset == (empty[-1] + 1 if empty else 0)
        picked = counts[chart.onset : reached[0] + 1]
        assert chart.ratio_since_onset == pytest.approx(np.mean(picked) / 4)
    else:
        assert chart.onset is None
        assert chart.ratio_since_onset is None


def test_a_rise_is_found_and_its_onset_dated():
    counts = [4, 3, 5, 4] * 10 + [8, 7, 9, 8] * 5
    chart = stats.poisson_cusum(counts, 4.0, DESIGN)
    # 3, 5 and 8 above the reference of 5; the limit is 9.
    assert chart.first_signal == 42
    assert chart.onset == 40
    assert chart.ratio_since_onset == pytest.approx(24 / 12)
    assert chart.table["signal"].to_list() == [False] * 42 + [True] * 18


def test_a_growing_fleet_is_no_rise():
    # Twice the expected takes twice the reference, so each period adds its log likelihood ratio.
    expected = np.linspace(2, 12, 60)
    observed = np.random.default_rng(23).poisson(expected)
    chart = stats.poisson_cusum(observed, expected, DESIGN)
    assert_allclose(chart.table["reference"], expected * DESIGN.reference / 4)
    # Seen through the expected numbers, it is the usual; through their first, a rise.
    assert chart.first_signal is None
    assert stats.poisson_cusum(observed, 2.0, DESIGN).first_signal is not None
    best = stats.design_poisson_cusum(1.0, ratio=2.0, in_control_run_length=50)
    steps = observed - best.reference * expected
    ratio = poisson.logpmf(observed, 2 * expected) - poisson.logpmf(observed, expected)
    # The reference is rounded, by at most 2 %.
    assert_allclose(steps, ratio / np.log(2), atol=0.02 * best.reference * 12)


@pytest.mark.slow
def test_varying_expected_numbers_keep_about_the_designed_run_length():
    rng = np.random.default_rng(24)
    season = 4 * (1 + 0.5 * np.sin(np.arange(12) / 12 * 2 * np.pi))
    lengths = []
    for _ in range(1500):
        expected = np.tile(season, 200)
        chart = stats.poisson_cusum(rng.poisson(expected), expected, DESIGN)
        lengths.append(expected.size if chart.first_signal is None else chart.first_signal + 1)
    assert np.mean(lengths) == pytest.approx(DESIGN.run_length, rel=0.25)


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ({"mean": 0, "ratio": 2}, "mean is 0"),
        ({"mean": np.nan, "ratio": 2}, "mean is nan"),
        ({"mean": 2, "ratio": 1}, "looks for a rise"),
        ({"mean": 2, "ratio": np.inf}, "looks for a rise"),
        ({"mean": 2, "out_of_control_mean": 1}, "looks for a rise"),
        ({"mean": 2}, "one of ratio and out_of_control_mean"),
        ({"mean": 2, "ratio": 2, "out_of_control_mean": 4}, "one of ratio and out_of_control_mean"),
        ({"mean": 2, "ratio": 2, "in_control_run_length": 1}, "in_control_run_length"),
        ({"mean": 1e-5, "ratio": 2}, "longer periods"),
    ],
)
def test_charts_that_cannot_be_designed_are_refused(arguments, says):
    with pytest.raises(ValueError, match=says):
        stats.design_poisson_cusum(**{"in_control_run_length": 100, **arguments})


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ({"mean": -1}, "mean"),
        ({"reference": 0}, "reference"),
        ({"limit": np.inf}, "limit"),
        ({"head_start": 9}, "head_start"),
        ({"reference": np.pi}, "round them"),
        ({"limit": 30_000}, "states"),
    ],
)
def test_charts_without_a_run_length_are_refused(arguments, says):
    with pytest.raises(ValueError, match=says):
        stats.poisson_cusum_run_length(
            **{"mean": 4, "reference": 5, "limit": 9, "head_start": 0, **arguments}
        )


@pytest.mark.parametrize(
    ("observed", "expected", "says"),
    [
        ([1, 2], [1.0, 0.0], "1 of 2 rows have no finite expected above 0"),
        ([1, 2], [1.0], "one of each per cell"),
        ([1.5], [1.0], "fraction"),
        ([np.nan], [1.0], "counts of 0 or more"),
        ([], [], "no periods"),
    ],
)
def test_periods_that_cannot_be_charted_are_refused(observed, expected, says):
    with pytest.raises(InvalidLives, match=says):
        stats.poisson_cusum(observed, expected, DESIGN)


@pytest.mark.parametrize("level", [0.9, 0.95, 0.998])
def test_exact_limits_leave_out_no_more_than_their_tails(level):
    tail = (1 - level) / 2
    sizes = np.arange(1, 400)
    found = stats.funnel_limits(sizes, 0.13, level=level)
    least = np.ceil(found.lower * sizes - 1e-9)
    most = np.floor(found.upper * sizes + 1e-9)
    assert np.all(binom.cdf(least - 1, sizes, 0.13) <= tail * (1 + 1e-9))
    assert np.all(binom.sf(most, sizes, 0.13) <= tail * (1 + 1e-9))
    # One count nearer, and too many would be left out.
    assert np.all((binom.cdf(least, sizes, 0.13) > tail) | (found.lower == 0))
    assert np.all((binom.sf(most - 1, sizes, 0.13) > tail) | (found.upper == 1))
    expected = np.geomspace(0.1, 500, 300)
    ratio = stats.funnel_limits(expected, 1.2, kind="rate", level=level)
    most = np.floor(ratio.upper * expected + 1e-9)
    assert np.all(poisson.sf(most, 1.2 * expected) <= tail * (1 + 1e-9))
    assert np.all(poisson.sf(most - 1, 1.2 * expected) > tail)


def test_exact_limits_are_those_of_spiegelhalter():
    # Spiegelhalter 2005, appendix A.1: with r the least count whose chance of no more is p or
    # above, and a = (F(r) - p) / (F(r) - F(r - 1)), the limit is (r - a) / n. Ours takes the upper
    # limit from its own tail, which makes it one count higher. (The formula is from memory.)
    for n in (20, 75, 300):
        found = stats.funnel_limits([n], 0.3)
        for p, ours in ((0.025, found.lower[0]), (0.975, found.upper[0] - 1 / n)):
            r = int(binom.ppf(p, n, 0.3))
            a = (binom.cdf(r, n, 0.3) - p) / binom.pmf(r, n, 0.3)
            assert ours == pytest.approx((r - a) / n)


def test_limits_close_in_and_meet_the_normal_ones_in_large_cells():
    sizes = np.array([1e3, 1e4, 1e5, 1e6])
    found = stats.funnel_limits(sizes, 0.2)
    half = norm.ppf(0.975) * np.sqrt(0.16 / sizes)
    assert_allclose(found.upper - 0.2, half, rtol=0.05)
    assert_allclose(0.2 - found.lower, half, rtol=0.05)
    assert np.all(np.diff(found.upper) < 0)


def test_overdispersion_widens_the_limits_as_stated():
    rng = np.random.default_rng(25)
    expected = rng.gamma(5, 20, 400)
    observed = rng.poisson(expected * rng.normal(1, 0.2, 400))
    more = stats.overdispersion(observed, expected, winsorised=0)
    z = norm.ppf(0.975)
    added = stats.funnel_limits(expected, 1.0, kind="rate", overdispersion=more)
    assert_allclose(added.upper, 1 + z * np.sqrt(1 / expected + more.between**2))
    times = stats.funnel_limits(
        expected, 1.0, kind="rate", overdispersion=more, spread="multiplicative"
    )
    assert_allclose(times.upper, 1 + z * np.sqrt(more.factor / expected))
    # What differs by more than chance mostly lies within limits that know of it.
    ratio = observed / expected
    inside = np.mean((added.lower <= ratio) & (ratio <= added.upper))
    plain = stats.funnel_limits(expected, 1.0, kind="rate")
    assert inside == pytest.approx(0.95, abs=0.03)
    assert np.mean((plain.lower <= ratio) & (ratio <= plain.upper)) < 0.8


def test_less_than_chance_does_not_narrow_the_limits():
    even = stats.overdispersion([10] * 20, [10.0] * 20)
    assert even.factor < 1
    times, added = (
        stats.funnel_limits([25.0], 1.0, kind="rate", overdispersion=even, spread=spread)
        for spread in ("multiplicative", "additive")
    )
    assert times.upper == added.upper == pytest.approx(1 + norm.ppf(0.975) / 5)


@pytest.mark.parametrize(
    ("arguments", "error", "says"),
    [
        (([10, 0], 0.2), InvalidLives, "no finite size above 0"),
        (([10.5], 0.2), InvalidLives, "fraction as size"),
        (([10], 1.0), InvalidLives, "no chance variation"),
        (([10], 0.0), InvalidLives, "no chance variation"),
    ],
)
def test_funnels_without_limits_are_refused(arguments, error, says):
    with pytest.raises(error, match=says):
        stats.funnel_limits(*arguments)


def test_unknown_kinds_and_spreads_are_refused():
    with pytest.raises(ValueError, match="'proportion' or 'rate'"):
        stats.funnel_limits([10], 0.2, kind="odds")
    even = stats.overdispersion([10] * 20, [10.0] * 20)
    with pytest.raises(ValueError, match="'multiplicative' or 'additive'"):
        stats.funnel_limits([10], 0.2, overdispersion=even, spread="both")
