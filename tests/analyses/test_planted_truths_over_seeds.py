"""Over many invented fleets, the limits hold the planted life at the rate that they state."""

import json

import numpy as np
import polars as pl
import pytest
from scipy.stats import binom

from fleetlog import analyses, intake
from fleetlog.demo import simulate
from fleetlog.demo.tour import load_folder
from fleetlog.store import Store

SEEDS = range(100, 130)
VEHICLES = 150
PARTS = (
    ("cooling.water-pump", "leak"),
    ("charging.battery", "weak"),
    ("body.wiper-motor", "inoperative"),
    ("charging.starter", "inoperative"),
)


@pytest.mark.slow
def test_limits_of_shape_and_scale_hold_the_truth_at_the_stated_rate(tmp_path):
    """Files with all their dirt, through intake and lives, to 95 % profile limits.

    One fleet of this test is one draw for each part. The count of limits that hold the truth must
    lie where all but one in a thousand binomial counts at 95 % lie. Parts of one vehicle share
    its miles and not their wear, so the parts count as independent.
    """
    held, asked = {"shape": 0, "scale": 0}, 0
    for seed in SEEDS:
        folder = tmp_path / str(seed)
        simulate(folder, vehicles=VEHICLES, seed=seed)
        truth = json.loads((folder / "truth.json").read_text())
        lives = {(life["component"], life["mode"]): life for life in truth["part_lives"]}
        store = Store.create(folder / "a.fleetlog")
        load_folder(store, folder)
        for component, mode in PARTS:
            row = analyses.part_life(store, component, keep_assumed=False).groups.row(0, named=True)
            planted = lives[component, mode]
            asked += 1
            for name, value in (("shape", planted["shape"]), ("scale", planted["scale_mi"])):
                held[name] += row[f"{name}_lower"] < value < row[f"{name}_upper"]
    low, high = binom.ppf([0.0005, 0.9995], asked, 0.95)
    print(f"of {asked} limits, shape held {held['shape']} and scale {held['scale']}")
    assert low <= held["shape"] <= high
    assert low <= held["scale"] <= high


GEAR = ("valvetrain.rocker-arm", "valvetrain.lifter")
KINDS = (
    ("engine_families.csv", "engine-families"),
    ("vehicles_*", "vehicles"),
    ("repairs_*", "repairs"),
)


def neighbour_ratios(folder, seed, *, planted):
    """Log ratios and their errors of the valve gear after a rocker, and of coils after a coil."""
    simulate(folder, vehicles=1_200, seed=seed, planted=planted, layout="parquet", dirt=False)
    store = Store.create(folder / "a.fleetlog")
    for pattern, kind in KINDS:
        for file in sorted(folder.glob(pattern)):
            intake.load(store, file, kind=kind)
    for failed, codes in ((GEAR[0], GEAR), ("ignition.coil", ("ignition.coil",))):
        found = analyses.replace_together(
            store, engine_family="V8-51", failed=failed, odometer=100_000, horizon=30_000
        ).neighbours.drop_nulls("ratio")
        for code, ratio, lower, upper in found["component", "ratio", "lower", "upper"].rows():
            if code in codes:
                yield code, np.log(ratio), (np.log(upper) - np.log(lower)) / (2 * 1.96)


@pytest.mark.slow
def test_a_neighbour_tells_of_more_failures_where_engines_share_a_frailty_only(tmp_path):
    """Six fleets with the frailty and six without: ratios above 1 there, and of 1 else.

    Ratios of one kind are pooled by their errors; one of 1 lies within three pooled errors of it
    (sound fleets have few failures of the valve gear, so that their own estimates are wide).
    """
    pooled = {}
    for planted in (True, False):
        rows = pl.DataFrame(
            [
                row
                for seed in range(300, 306)
                for row in neighbour_ratios(tmp_path / f"{planted}{seed}", seed, planted=planted)
            ],
            schema=["code", "log_ratio", "error"], orient="row",
        )  # fmt: skip
        weight = 1 / pl.col("error") ** 2
        for code, mean, error in rows.group_by("code").agg(
            (pl.col("log_ratio") * weight).sum() / weight.sum(), 1 / weight.sum().sqrt()
        ).rows():  # fmt: skip
            pooled[code, planted] = mean, error
    print(pooled)
    for code in GEAR:
        mean, error = pooled[code, True]
        assert mean - 3 * error > 0
        mean, error = pooled[code, False]
        assert abs(mean) < 3 * error
    for planted in (True, False):
        mean, error = pooled["ignition.coil", planted]
        assert abs(mean) < 3 * error
