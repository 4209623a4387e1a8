"""Fleets of the simulator with nothing planted, counted straight from their lives.

What a store would hold is put into four tables in memory, without files, dirt or meters, so that
hundreds of fleets take minutes; the queries that count are those of the analysis.
"""

from dataclasses import replace

import duckdb
import numpy as np
import polars as pl

from fleetlog.analyses.repeat_cells import Counts, count
from fleetlog.catalogue import EngineFamily, load_catalogue, position_frame
from fleetlog.demo.failures import BAD_LOT_LAW, FAILED, SIDES, Removals, join, once_a_day, run_group
from fleetlog.demo.fleet import Fleet, make_fleet, vehicle_frame
from fleetlog.demo.parameters import (
    ALL_PARTS,
    FAMILIES,
    MAKERS,
    NOTHING_PLANTED,
    OTHER_PARTS,
    VALVE_GEAR,
    Planted,
)

SHOPS = 3


def removals(
    rng: np.random.Generator, fleet: Fleet, seed: int, by_family: dict[str, Planted]
) -> Removals:
    """Every removal, with the effects that are planted in each engine family."""
    found = []
    for index, family in enumerate(FAMILIES):
        who = np.flatnonzero(fleet.family == index)
        effects = by_family[family.code]
        groups = ((VALVE_GEAR, True), *(((part,), False) for part in OTHER_PARTS))
        found += [
            run_group(
                rng, fleet, who, family=family, parts=parts, planted=effects, seed=seed,
                shops=SHOPS, valve_gear=gear,
            )
            for parts, gear in groups
            if family.fuel in parts[0].fuels and len(who)
        ]  # fmt: skip
    return once_a_day(join(found))


def mode_of(part: int, law: int) -> str:
    laws = ALL_PARTS[part].laws
    if law == BAD_LOT_LAW:
        return "broken"
    return laws[law].mode if law < len(laws) else laws[0].mode


def null_counts(seed: int, vehicles: int, *, frailty_index: float = 1.0) -> Counts:
    """Count a fleet with nothing planted but, if asked, wear that the valve gear of an engine shares.

    The simulator shares wear in one family only; here every family is that one.
    """
    effects = replace(NOTHING_PLANTED, frailty_index=frailty_index)
    return _counted(
        seed, vehicles, {f.code: replace(effects, worn_family=f.code) for f in FAMILIES}
    )


def simulated_counts(seed: int, vehicles: int, planted: Planted) -> Counts:
    """Count a fleet with the given effects planted."""
    return _counted(seed, vehicles, {f.code: planted for f in FAMILIES})


def _counted(seed: int, vehicles: int, by_family: dict[str, Planted]) -> Counts:
    rng = np.random.default_rng(seed)
    fleet = make_fleet(rng, 0, vehicles)
    gone = removals(rng, fleet, seed, by_family)
    gone = gone.where(
        (gone.day >= fleet.observed_day[gone.vehicle]) & (gone.day <= fleet.last_day[gone.vehicle])
    )
    families = [
        EngineFamily(
            f.code, f.title, f.cylinders, f.banks, f.cylinder_banks, f.intake_valves,
            f.exhaust_valves, f.camshafts_per_bank, f.camshaft_location, f.fuel, f.displacement_l,
        )
        for f in FAMILIES
    ]  # fmt: skip
    places = position_frame(load_catalogue(), families)
    everyone = np.arange(fleet.size)
    watched_from = np.rint(fleet.age_on(everyone, fleet.observed_day)).astype(np.int64)
    span = pl.DataFrame(
        {
            "vin": fleet.vin,
            "engine_family": [FAMILIES[index].code for index in fleet.family],
            "in_service_on": fleet.in_service_day.astype("datetime64[D]"),
            "entry_on": fleet.observed_day.astype("datetime64[D]"),
            "exit_on": fleet.last_day.astype("datetime64[D]"),
            "start_distance": 0,
            "entry_distance": watched_from,
            "exit_distance": np.rint(fleet.age_end).astype(np.int64),
            "generation_assumed": fleet.observed_day > fleet.in_service_day,
        }
    )
    keys = ["vin", "component", "ordinal"]
    none = pl.lit(None)
    marks = (
        pl.DataFrame(
            {
                "vin": fleet.vin[gone.vehicle],
                "engine_family": [FAMILIES[index].code for index in fleet.family[gone.vehicle]],
                "component": [ALL_PARTS[part].code for part in gone.part],
                **{name: getattr(gone, name) for name in ("bank", "cylinder", "slot")},
                "side": pl.Series(SIDES).gather(gone.side),
                "age": np.rint(gone.age).astype(np.int64),
                "part_maker": [MAKERS[maker][0] for maker in gone.maker],
                "part_lot": [
                    f"{MAKERS[maker][1]}-{year}"
                    for maker, year in zip(gone.maker, gone.year, strict=True)
                ],
                "ended_by": np.where(gone.reason == FAILED, "failed", "other"),
                "failure_mode": [mode_of(*pair) for pair in zip(gone.part, gone.law, strict=True)],
            }
        )
        .with_columns(
            *(pl.when(pl.col(name) > 0).then(name) for name in ("bank", "cylinder", "slot")),
            side=pl.when(pl.col("side").str.len_chars() > 0).then("side"),
        )
        .join(
            places,
            on=["engine_family", "component", "bank", "cylinder", "side", "slot"],
            nulls_equal=True,
            how="inner",
        )
        .sort(*keys, "age")
    )
    lived = marks.with_columns(
        begun=pl.col("age").shift(1, fill_value=0).over(keys),
        generation=pl.int_range(1, pl.len() + 1).over(keys),
        part_maker=pl.col("part_maker").shift(1).over(keys),
        part_lot=pl.col("part_lot").shift(1).over(keys),
    )
    going_on = marks.group_by(keys, maintain_order=True).agg(
        begun=pl.col("age").last(),
        generation=pl.len().cast(pl.Int64) + 1,
        part_maker=pl.col("part_maker").last(),
        part_lot=pl.col("part_lot").last(),
        ended_by=pl.lit("still fitted"),
    )
    untouched = (
        marks.select("vin", "engine_family", "component")
        .unique()
        .join(places, on=["engine_family", "component"])
        .join(marks, on=keys, how="anti")
        .select(*keys, begun=pl.lit(0), generation=pl.lit(1), ended_by=pl.lit("still fitted"))
    )
    life = (
        pl.concat([lived, going_on, untouched], how="diagonal_relaxed")
        .join(span.select("vin", "entry_distance", "exit_distance", "generation_assumed"), on="vin")
        .select(
            "vin", "component", "generation", "part_maker", "part_lot", "ended_by", "failure_mode",
            "generation_assumed",
            positions=pl.concat_list(pl.col("ordinal").cast(pl.Int16)),
            entry_distance=(pl.col("entry_distance") - pl.col("begun")).clip(0),
            exit_distance=pl.coalesce("age", "exit_distance") - pl.col("begun"),
            position_assumed=pl.lit(value=False),
            entry_days=pl.lit(0),
            exit_days=pl.lit(1),
            fitted_ro=none,
            ended_ro=none,
        )
    )  # fmt: skip
    vehicle = vehicle_frame(fleet).with_columns(pl.col("model_year").cast(pl.Int16))
    with duckdb.connect() as connection:
        for name, frame in (
            ("life", life), ("vehicle_span", span), ("vehicle", vehicle),
            ("component_position", places),
        ):  # fmt: skip
            connection.register("incoming", frame)
            connection.execute(f"CREATE TABLE {name} AS FROM incoming").fetchall()
            connection.unregister("incoming")
        return count(connection)
