"""Draws the ratios of a run of the benches as a picture.

    python tests/bench/chart.py RESULTS.json PICTURE.svg

Bars are on a log scale; a mark on each bar's row shows its goal.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

import matplotlib

matplotlib.use("svg")

import matplotlib.pyplot as plt

BAR = "#0072B2"
GOAL = "#D55E00"


def main(results: str, picture: str) -> None:
    found = json.loads(Path(results).read_text())
    rows = [row for row in found["benches"] if "ratio" in row][::-1]
    plt.rcParams["svg.hashsalt"] = "fleetlog"
    figure, axes = plt.subplots(figsize=(9, 0.38 * len(rows) + 1.4), layout="constrained")
    places = range(len(rows))
    axes.barh(places, [row["ratio"] for row in rows], color=BAR, height=0.6)
    for place, row in zip(places, rows, strict=True):
        axes.text(row["ratio"] * 1.08, place, f"{row['ratio']:.1f}", va="center", fontsize=9)
        if row["goal"] is not None:
            axes.plot([row["goal"]] * 2, [place - 0.4, place + 0.4], color=GOAL, linewidth=2.5)
    axes.axvline(1, color="black", linewidth=0.8)
    axes.set_yticks(places, [f"{row['name']}  (beside {row['peer']})" for row in rows], fontsize=9)
    axes.set_xscale("log")
    axes.set_xlim(0.5, 2.5 * max(row["ratio"] for row in rows))
    axes.set_xlabel("times as fast, in one run on one machine; the orange marks are the goals")
    axes.spines[["top", "right"]].set_visible(False)
    figure.savefig(picture, metadata={"Date": None})


if __name__ == "__main__":
    main(*sys.argv[1:])
