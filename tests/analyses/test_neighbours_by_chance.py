"""What a neighbour's failure does, on simulated engines: is the ratio that was planted found?

Parts sit at eight positions, four of which wear out sooner, and are renewed whenever they fail.
"""

import numpy as np
import polars as pl
import pytest

from fleetlog.analyses.part_chances import Fleet, chances_of, place_words

FAILING, BESIDE = "failing", "beside"
POSITIONS = 8
SHAPE = 1.3
SCALES = np.repeat([400_000.0, 800_000.0], POSITIONS // 2)
KEPT_FROM, KEPT_TO = 40_000, 400_000


def hazard(age):
    """Cumulative hazards of parts, (vehicles, positions)."""
    return (age / SCALES) ** SHAPE


def failing_age(drawn, exposed_from, ratio):
    """Age at failure if from an age on the hazard is so many times as high."""
    before = hazard(exposed_from)
    cumulative = np.minimum(drawn, before) + np.maximum(drawn - before, 0) / ratio
    return SCALES * cumulative ** (1 / SHAPE)


def lives_of(rng, component, drawn, exposed, ends, ratio):
    """Every life, renewed at each failure, up to the end of each vehicle.

    ``drawn`` are the exponential times of the first parts; from the distances ``exposed`` on the
    ratio holds.
    """
    fitted, running = np.zeros_like(exposed), np.ones(exposed.shape, dtype=bool)
    found, generation = [], 1
    while running.any():
        aged = failing_age(drawn, np.maximum(exposed - fitted, 0), ratio)
        failing = fitted + np.maximum(np.rint(aged), 1)
        failed = failing < ends[:, None]
        vehicle, ordinal = np.nonzero(running)
        found.append(
            pl.DataFrame(
                {
                    "vehicle": vehicle, "ordinal": ordinal, "fitted_distance": fitted[running],
                    "ended": np.where(failed, failing, ends[:, None])[running],
                    "failed": failed[running],
                    "generation": np.full(vehicle.size, generation),
                }
            )
        )  # fmt: skip
        running, fitted, generation = running & failed, failing, generation + 1
        drawn = rng.standard_exponential(drawn.shape)
    return pl.concat(found).with_columns(component=pl.lit(component))


def simulated_fleet(rng, vehicles, ratio):
    """What the store would tell of vehicles on which one failure so multiplies the hazard beside it.

    Each order finds one part failed; vehicles are watched from new.
    """
    ends = rng.integers(KEPT_FROM, KEPT_TO, vehicles).astype(float)
    drawn = rng.standard_exponential((vehicles, POSITIONS))
    never = np.full(drawn.shape, np.inf)
    alone = failing_age(drawn, never, ratio)
    exposed = np.repeat(alone.min(axis=1, keepdims=True), POSITIONS, axis=1)
    first = np.arange(POSITIONS) == alone.argmin(axis=1)[:, None]
    # What failed first is itself exposed from the next failure elsewhere on.
    others = np.where(first, np.inf, failing_age(drawn, exposed, ratio))
    itself = np.where(first, others.min(axis=1, keepdims=True), exposed)
    lives = pl.concat(
        [
            lives_of(rng, FAILING, drawn, itself, ends, ratio),
            lives_of(rng, BESIDE, rng.standard_exponential(drawn.shape), exposed, ends, ratio),
        ]
    ).with_columns(
        vin=pl.format("V{}", "vehicle"), entry=0.0, exit=pl.col("ended") - pl.col("fitted_distance"),
        generation_assumed=False,
        ended_ro=pl.when("failed").then(pl.int_range(pl.len())),
    )  # fmt: skip
    failures = lives.filter(pl.col("failed"), component=FAILING).sort("vehicle", "ended", "ordinal")
    leading = failures.group_by("vehicle", maintain_order=True).first()
    elsewhere = (
        failures.join(leading.select("vehicle", led="ordinal"), on="vehicle")
        .filter(pl.col("ordinal") != pl.col("led"))
        .group_by("vehicle", maintain_order=True)
        .first()
    )
    watched = (
        pl.DataFrame({"vehicle": np.arange(vehicles), "exit": ends})
        .with_columns(
            vin=pl.format("V{}", "vehicle"), entry=0.0, generation_assumed=False, start_distance=0.0,
            found_with_first=1,
        )
        .join(
            leading.select(
                "vehicle", first_component="component", first_ordinal="ordinal",
                first_distance="ended", first_ro="ended_ro",
            ),
            on="vehicle", how="left",
        )
        .join(
            elsewhere.select("vehicle", second_distance="ended", second_ro="ended_ro"),
            on="vehicle", how="left",
        )
    )  # fmt: skip
    # No life is stored of a component that no line of a vehicle touched.
    touched = lives.filter(pl.col("failed").any().over("vehicle", "component"))
    places = pl.concat(
        pl.DataFrame({"component": code, "ordinal": range(POSITIONS)}) for code in (FAILING, BESIDE)
    ).with_columns(
        bank=1 + pl.col("ordinal") // (POSITIONS // 2), side=pl.lit(None, dtype=pl.String),
        slot=1, position_rule=pl.lit("per-valve"),
    )  # fmt: skip
    return Fleet(watched, touched, places.with_columns(place=place_words()))


def found_ratio(fleet, component):
    """Log of the ratio, its limits and its standard error, as the fleet tells."""
    chances = chances_of(component, fleet, (FAILING,))
    assert chances.neighbour.used
    found = chances.neighbour.found
    return np.array([*np.log([found.ratio, found.lower, found.upper]), found.log_std_err])


@pytest.mark.parametrize("ratio", [0.5, 1.0, 2.0])
def test_a_large_fleet_tells_the_ratio_that_was_planted(ratio):
    fleet = simulated_fleet(np.random.default_rng(7), 3_000, ratio)
    for component in (FAILING, BESIDE):
        log_ratio, _, _, error = found_ratio(fleet, component)
        assert error < 0.06
        assert log_ratio == pytest.approx(np.log(ratio), abs=3.5 * error)


@pytest.mark.slow
@pytest.mark.parametrize("ratio", [1.0, 2.0])
def test_small_fleets_tell_it_without_bias_and_within_their_limits(ratio):
    """400 fleets of 100 vehicles, some 250 to 410 failures of each component."""
    seeds = range(400)
    fleets = [simulated_fleet(np.random.default_rng(seed), 100, ratio) for seed in seeds]
    for component in (FAILING, BESIDE):
        log_ratio, lower, upper, error = np.array(
            [found_ratio(fleet, component) for fleet in fleets]
        ).T
        spread = log_ratio.std(ddof=1)
        assert log_ratio.mean() == pytest.approx(np.log(ratio), abs=4 * spread / len(seeds) ** 0.5)
        assert error.mean() == pytest.approx(spread, rel=0.12)
        held = (lower <= np.log(ratio)) & (np.log(ratio) <= upper)
        # Four standard errors of a share of 95 % among so many.
        assert held.mean() == pytest.approx(0.95, abs=0.044)
