"""Over many invented fleets, the limits hold the planted life at the rate that they state."""

import json

import pytest
from scipy.stats import binom

from fleetlog import analyses
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
