"""The main job from end to end on the invented fleet: files, store, answers, report."""

from __future__ import annotations

from pathlib import Path

import polars as pl

from fleetlog import analyses, intake
from fleetlog.demo.simulation import simulate
from fleetlog.errors import StoreError
from fleetlog.report import write_store_report
from fleetlog.store import Store
from fleetlog.terminal import OUT, heading, progress, sentences, table

STORE_NAME = "demo.fleetlog"
REPORT_NAME = "fleet-report.html"
EXPORT_SUFFIXES = (".csv", ".xlsx")
FAMILY = "V8-51"
ROCKER = "valvetrain.rocker-arm"
WORN_PLACE: dict[str, str | int] = {"bank": 2, "side": "exhaust"}
GASKET = "seals.valve-cover-gasket"
KEPT_MI = 60_000
#: So many places and lots are shown, the worst first: enough to see where the trouble ends.
WORST = 5

KINDS = (
    ("engine_families", "engine-families"),
    ("fleet_list", "vehicles"),
    ("service_rules", "service-rules"),
    ("fuel_readings", "meters"),
)
"""What the fleet office exports, in the order in which the files build on each other."""


def give_tour(directory: Path, *, vehicles: int, seed: int) -> None:
    """Invent a fleet, load its exports, and print what each of the three users would ask.

    Raises
    ------
    StoreError : the folder holds a store already; nothing is overwritten.
    """
    store_path = directory / STORE_NAME
    if store_path.exists():
        raise StoreError(
            f"{store_path} is there already: name another folder, or delete it and begin anew"
        )
    heading(f"1. An invented fleet of {vehicles:,} vehicles writes its exports to {directory}")
    with progress("inventing") as report:
        truth = simulate(
            directory,
            vehicles=vehicles,
            seed=seed,
            progress=lambda done, asked: report("vehicles", done / asked),
        )
    heading(f"2. The exports go into the store {store_path}")
    store = Store.create(store_path)
    load_folder(store, directory)
    table(
        intake.loads(store).reverse(),
        {"load_id": "load", "file_name": "file", "rows_read": "read", "rows_kept": "kept",
         "rows_held": "held", "rows_identical": "identical"},
    )  # fmt: skip
    _answers(store)
    heading("6. All of this to pass on")
    with progress("report") as report:
        write_store_report(directory / REPORT_NAME, store, engine_family=FAMILY)
    sentences(
        [
            f"Report with curves and limits: {directory / REPORT_NAME} (opens without a network).",
            f"Dashboard: fleetlog serve --store {store_path}",
            f"What was planted in this fleet, to compare: {directory / 'truth.json'} "
            f"(seed {truth.seed}).",
        ]
    )


def load_folder(store: Store, directory: Path) -> list[intake.LoadResult]:
    """Load a folder of exports: the fleet office's lists, then each shop's repairs by its map."""
    jobs = [(name, name, kind) for name, kind in KINDS]
    offices = {name for name, _ in KINDS}
    shops = sorted(path.stem for path in directory.glob("*.toml") if path.stem not in offices)
    jobs += [(f"repairs_{shop}", shop, "repairs") for shop in shops]
    results = []
    for name, map_name, kind in jobs:
        path = next(path for path in directory.glob(f"{name}.*") if path.suffix in EXPORT_SUFFIXES)
        map_file = directory / f"{map_name}.toml"
        with progress(path.name) as report:
            results.append(
                intake.load(
                    store,
                    path,
                    kind=kind,
                    columns=map_file if map_file.exists() else None,
                    progress=report,
                )
            )
    return results


def _answers(store: Store) -> None:
    heading("3. The foreman asks: what fails again and again, and where?")
    sentences(analyses.repeat_failures(store).summary)
    OUT.print()
    split = analyses.part_life(store, ROCKER, engine_family=FAMILY, by=("bank", "side"))
    sentences(split.summary)
    table(
        split.groups,
        {"group": "where", "lives": "lives", "failures": "failures", "b10": "1 in 10 by, mi",
         "b10_lower": "from", "b10_upper": "to", "shape": "Weibull shape"},
    )  # fmt: skip
    OUT.print()
    places = analyses.position_map(store, ROCKER, engine_family=FAMILY)
    sentences(places.summary)
    table(
        places.positions.sort("residual", descending=True),
        {"row_title": "row", "label": "place", "failures": "failures", "expected": "expected",
         "ratio": "times the others", "ratio_lower": "from", "ratio_upper": "to",
         "finding": "finding"},
        most=WORST,
    )  # fmt: skip
    OUT.print()
    makers = analyses.part_makers(store, ROCKER, engine_family=FAMILY)
    sentences(makers.summary)
    table(
        makers.lots,
        {"maker": "maker", "lot": "lot", "parts": "parts", "failures": "failures",
         "first_failures": "vehicles failed", "expected": "expected", "at_least": "at least, times",
         "verdict": "verdict"},
        most=WORST,
    )  # fmt: skip
    OUT.print()
    returned = analyses.comebacks(store, by="shop", component=GASKET)
    sentences(returned.summary)
    table(
        returned.groups,
        {"group": "shop", "repairs": "repairs", "comebacks": "came back", "rate": "share",
         "lower": "from", "upper": "to", "expected": "expected", "ratio": "times",
         "verdict": "verdict", "note": "note"},
    )  # fmt: skip
    OUT.print()
    sentences(analyses.warning_signs(store, sign="tick", engine_family=FAMILY).summary)

    heading("4. The fleet manager asks: at what mileage do I act?")
    intervals = (
        analyses.best_interval(
            store, ROCKER, engine_family=FAMILY, where=WORN_PLACE, generation="first"
        ),
        analyses.best_interval(store, "cooling.water-pump"),
        analyses.best_interval(store, "body.wiper-motor"),
        analyses.best_interval(store, "brakes.pads"),
    )
    for interval in intervals:
        sentences(interval.summary)
        OUT.print()

    heading("5. The technician asks: what was done to this vehicle, and what does this job need?")
    # Not the worst vehicle of the fleet: one with a middling number of such orders.
    orders = (
        split.evidence.group_by("vin").agg(orders=pl.col("ro_no").n_unique()).sort("orders", "vin")
    )
    record = analyses.vehicle_record(store, orders["vin"][orders.height // 2][-8:])
    sentences(record.summary)
    table(
        record.lines,
        {"opened_on": "opened", "shop": "shop", "ro_no": "RO", "title": "part",
         "position": "where", "action": "action", "reason": "reason",
         "failure_mode": "failure mode"},
        most=12,
    )  # fmt: skip
    OUT.print()
    sentences(analyses.have_ready(store, FAMILY, ROCKER).summary)
    OUT.print()
    # Such a part has just failed in this very engine, to be kept for some years more.
    together = analyses.replace_together(
        store, vehicle=record.vin, failed=ROCKER, position=WORN_PLACE, horizon=KEPT_MI
    )
    sentences(together.summary)
