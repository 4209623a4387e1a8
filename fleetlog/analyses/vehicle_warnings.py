"""What the fleet's lives say of the parts that are in one vehicle now."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import duckdb
import numpy as np
import polars as pl
from numpy.typing import NDArray

from fleetlog.analyses.one_vehicle import by_vehicle, limited_by_vehicles
from fleetlog.analyses.place_words import places
from fleetlog.analyses.vehicle_record import VehicleRecord, vehicle_record
from fleetlog.analyses.wording import between, counted, listed, number, per_cent, position_words
from fleetlog.lives import select_lives
from fleetlog.settings import LEVEL, REPEATED_BY_FEW, THIN_FAILURES
from fleetlog.sql import read_sql
from fleetlog.stats import (
    SurvivalCurve,
    kaplan_meier,
    nelson_aalen,
    standardised_ratio,
    variance_to_mean,
)
from fleetlog.store import Store

PLACES = ("bank", "side")
"""Where in the engine a part sits, as far as lives are told apart by it here."""

WARNING_SCHEMA: Mapping[str, Any] = {
    "kind": pl.String, "component": pl.String, "title": pl.String, "positions": pl.String,
    "count": pl.Int64, "said": pl.String, "value": pl.Float64, "figure": pl.Float64,
    "lower": pl.Float64, "upper": pl.Float64, "failures": pl.Int64, "lives": pl.Int64,
    "vehicles": pl.Int64, "orders": pl.String, "safety_critical": pl.Boolean,
}  # fmt: skip

PERHAPS = (
    "component",
    "title",
    "positions",
    "count",
    "value",
    "figure",
    "lower",
    "upper",
    "failures",
)
"""What is told of parts that may be past the age of one failure in ten, or not."""

MOST_ORDERS_NAMED = 3
"""So many orders stand in a sentence; the column has them all."""

KINDS = ("past the age of one failure in ten", "lot that fails young", "fails again and again")


@dataclass(frozen=True)
class VehicleWarnings:
    """What to look at on one vehicle, each with the figure that it rests on.

    Attributes
    ----------
    warnings : ``kind`` (one of :data:`KINDS`), ``component``, ``title``, ``positions`` (in
        words), ``count`` (parts on this vehicle), ``said`` (a sentence), ``value`` (of this
        vehicle: an age, or failures), ``figure`` (of the fleet: the age by which one in ten has
        failed, the ratio of observed to expected failures, or the share of vehicles), ``lower``,
        ``upper``, ``failures``, ``lives``, ``vehicles`` (the sample of the figure), ``orders``
        (behind it, in words), ``safety_critical``.
    perhaps : the parts that are past the estimate of that age and yet not past its upper limit,
        columns :data:`PERHAPS`: too little is known to warn of them.
    looked_at : ``component``, ``title``, ``failures``, ``vehicles``: the components of this
        vehicle with failures enough in its family to compare with.
    not_looked_at : how many other components of the vehicle have too few failures for that.
    """

    vin: str
    unit_no: str | None
    engine_family: str
    unit: str
    level: float
    warnings: pl.DataFrame
    perhaps: pl.DataFrame
    looked_at: pl.DataFrame
    not_looked_at: int
    summary: tuple[str, ...]


def vehicle_warnings(store: Store, key: str, *, level: float = LEVEL.value) -> VehicleWarnings:
    """Hold the parts of one vehicle against the lives of its engine family.

    Three kinds: parts past the age by which one in ten of the family's has failed, and past its
    upper limit; parts of a lot of which more have failed than others of their age and place;
    components that failed on more visits than on nearly all vehicles of the family. Only
    components of which
    :data:`fleetlog.settings.THIN_FAILURES` parts or more have failed in the family are looked at.
    A warning is a reason to look, and no leave to run or to renew.

    Parameters
    ----------
    key : as for :func:`fleetlog.analyses.vehicle_record`.
    level : confidence level of every limit.

    Raises
    ------
    InputError : no vehicle answers to the key, or several do.

    Notes
    -----
    The age of one failure in ten is the product-limit's, limits clustered by vehicle, by place
    (bank and side) and first part or replacement where each has failures enough. A lot is held
    against the cumulative hazard of the other replacements at the same place over the ages that it
    was watched (indirect standardisation, Breslow and Day 1987), its limits widened for the number
    of lots on the vehicle and for failures that come together on one vehicle: counts are taken over
    their dispersion by vehicle, rounded down. This reads all lives of the family: seconds, where
    the record alone takes a fraction of one.
    """
    return vehicle_warnings_of(store, vehicle_record(store, key), level=level)


def vehicle_warnings_of(
    store: Store, record: VehicleRecord, *, level: float = LEVEL.value
) -> VehicleWarnings:
    """Return the warnings of a vehicle whose record is at hand; see :func:`vehicle_warnings`."""
    family = record.engine_family
    with store.read() as connection:
        failures = _rows(
            connection, "family_failures", engine_family=family, fewest=int(THIN_FAILURES.value)
        )
        names = _rows(connection, "position_names", component=None, engine_family=family)
        looked_at = (record.parts.select("component", "title").unique(maintain_order=True)).join(
            failures, on="component", maintain_order="left"
        )
        components = looked_at["component"].to_list()
        fitted = _fitted(record, components, names)
        lots = fitted.drop_nulls("part_lot").select("component", "part_lot").unique().height
        found: list[dict[str, Any]] = []
        for component in components:
            mine = fitted.filter(pl.col("component") == component)
            lives = _lives(connection, component, family, names)
            found += _old_parts(mine, lives, names, record, level)
            found += _young_lots(mine, lives, names, 1 - (1 - level) / max(1, lots))
        repeats = _rows(connection, "family_repeats", engine_family=family, components=components)
        failed = _rows(connection, "vehicle_failed_orders", vin=record.vin)
        built_no = _rows(connection, "vehicle_head", vin=record.vin)["built_no"][0]
        orders = _rows(connection, "vehicle_orders", vin=record.vin, built_no=built_no)
    unsure = [row for row in found if not row.get("surely", True)]
    found = [row for row in found if row.get("surely", True)]
    critical = dict(record.parts.select("component", "safety_critical").iter_rows())
    found += _repeated(failed, orders, repeats)
    for row in found:
        row["safety_critical"] = critical[row["component"]]
    warnings = pl.DataFrame(
        [{name: row.get(name) for name in WARNING_SCHEMA} for row in found],
        schema=dict(WARNING_SCHEMA),
    )
    rank = pl.col("kind").replace_strict(
        {kind: place for place, kind in enumerate((KINDS[1], KINDS[2], KINDS[0]))},
        return_dtype=pl.Int8,
    )
    over = pl.when(pl.col("kind") == KINDS[0]).then(pl.col("value") / pl.col("figure"))
    warnings = warnings.sort(
        pl.col("safety_critical").not_(), rank, over, "title", "positions",
        descending=[False, False, True, False, False], nulls_last=True,
    )  # fmt: skip
    return VehicleWarnings(
        vin=record.vin,
        unit_no=record.unit_no,
        engine_family=family,
        unit=record.unit,
        level=level,
        warnings=warnings,
        looked_at=looked_at,
        not_looked_at=record.parts["component"].n_unique() - len(components),
        perhaps=pl.DataFrame(
            [{name: row[name] for name in PERHAPS} for row in unsure],
            schema={name: WARNING_SCHEMA[name] for name in PERHAPS},
        ),
        summary=_summary(record, warnings, len(unsure), len(components), level),
    )


def _rows(connection: duckdb.DuckDBPyConnection, name: str, **parameters: Any) -> pl.DataFrame:
    frame: pl.DataFrame = connection.sql(read_sql("analyses", name), params=parameters).pl()
    return frame


def _fitted(record: VehicleRecord, components: list[str], names: pl.DataFrame) -> pl.DataFrame:
    """Return what is fitted now, a row for each history and place, ``positions`` as ordinals."""
    each = (
        record.parts.filter(pl.col("component").is_in(components))
        .drop("positions", "count")
        .with_row_index("history")
        .explode("ordinals", empty_as_null=True)
        .rename({"ordinals": "ordinal"})
    )
    placed = each.join(
        names.select("component", "ordinal", *PLACES), on=["component", "ordinal"], how="left"
    )
    return placed.group_by("history", "component", *PLACES).agg(
        pl.col("ordinal").sort().alias("positions"),
        pl.len().alias("count"),
        pl.exclude("ordinal", "history", "component", *PLACES).first(),
    ).sort("history", *PLACES)  # fmt: skip


def _lives(
    connection: duckdb.DuckDBPyConnection, component: str, family: str, names: pl.DataFrame
) -> pl.DataFrame:
    """Return the lives of one component with follow-up, by place where it has several."""
    of_component = names.filter(pl.col("component") == component)
    by = [field for field in PLACES if of_component[field].n_unique() > 1]
    lives = select_lives(connection, component, engine_family=family, by=by)
    return lives.filter(pl.col("exit_distance") > pl.col("entry_distance")).with_columns(
        failed=pl.col("ended_by") == "failed",
        first=pl.col("generation") == 1,
        assumed=pl.col("generation_assumed") & (pl.col("generation") == 1),
        vehicle=pl.col("vin").rank("dense"),
        **{field: pl.col(field) if field in by else pl.lit(None) for field in PLACES},
    )


def _failures(lives: pl.DataFrame) -> int:
    return int(lives.filter("failed")["weight"].sum())


def _enough(lives: pl.DataFrame) -> pl.DataFrame | None:
    """Return lives that bear a curve, without those of assumed age where the others suffice."""
    sure = lives.filter(~pl.col("assumed"))
    if _failures(sure) >= THIN_FAILURES.value:
        return sure
    return lives if _failures(lives) >= THIN_FAILURES.value else None


def _comparable(lives: pl.DataFrame, part: Mapping[str, Any]) -> tuple[pl.DataFrame, str] | None:
    """Return the lives most like a part's, and in words which: the narrowest that bear a curve."""
    place = [pl.col(field).eq_missing(pl.lit(part[field])) for field in PLACES]
    kin = pl.col("first") == (part["generation"] == 1)
    kind = "first parts" if part["generation"] == 1 else "replacements"
    where = listed(_place_words(part))
    for tests, words in (
        ([kin, *place], f"{kind} there" if where else kind),
        ([kin], kind),
        ([], "parts of any generation"),
    ):
        enough = _enough(lives.filter(*tests) if tests else lives)
        if enough is not None:
            return enough, words
    return None


def _place_words(part: Mapping[str, Any]) -> list[str]:
    bank = [] if part["bank"] is None else [f"bank {part['bank']}"]
    return bank + ([] if part["side"] is None else [f"{part['side']} side"])


def _curve(lives: pl.DataFrame, level: float) -> SurvivalCurve:
    cluster = by_vehicle(lives["vehicle"])
    return limited_by_vehicles(
        kaplan_meier(
            lives["exit_distance"].cast(pl.Float64).to_numpy(),
            lives["failed"].to_numpy(),
            entry=lives["entry_distance"].cast(pl.Float64).to_numpy(),
            weight=lives["weight"].cast(pl.Float64).to_numpy(),
            cluster=cluster,
            level=level,
        ),
        cluster,
    )


def _old_parts(
    mine: pl.DataFrame, lives: pl.DataFrame, names: pl.DataFrame, record: VehicleRecord,
    level: float,
) -> Iterator[dict[str, Any]]:  # fmt: skip
    """Yield the parts past the age by which one in ten like them has failed."""
    unit, watched = record.unit, record.last_seen_distance - record.watched_from_distance
    said = mine.with_columns(
        engine_family=pl.lit(lives["engine_family"][0]),
        first=pl.col("generation") == 1,
    )
    said = said.with_columns(words=position_words(said, names))
    for (_, *_places), kin in said.group_by("first", *PLACES, maintain_order=True):
        found = _comparable(lives, kin.row(0, named=True))
        if found is None:
            continue
        like, which = found
        curve = _curve(like, level)
        b10 = curve.quantile(0.1)
        if b10 is None:
            continue
        lower, upper = curve.quantile_interval(0.1)
        old = kin.filter(pl.col("age_distance") > b10)
        failures, vehicles = _failures(like), like["vehicle"].n_unique()
        for part in old.iter_rows(named=True):
            where = places(part["words"].split("; "))
            # On a vehicle bought used a part may have been renewed before it came under watch.
            assumed = part["generation_assumed"] and part["first"]
            at_least = min(watched, part["age_distance"]) if assumed else part["age_distance"]
            yield {
                **{name: part[name] for name in ("component", "title", "count")},
                "kind": KINDS[0], "positions": where,
                "surely": upper is not None and at_least > upper,
                "value": float(part["age_distance"]), "figure": float(b10), "lower": lower,
                "upper": upper, "failures": failures, "lives": int(like["weight"].sum()),
                "vehicles": vehicles,
                "said": (
                    f"{part['title']}{f' at {where}' if where else ''}: "
                    f"{counted(part['count'], 'part')} with "
                    f"{f'{number(at_least)} to ' if assumed else ''}"
                    f"{number(part['age_distance'], unit)}"
                    f"{' (not watched from new)' if assumed else ''}; one in ten "
                    f"{which} has failed by {number(b10, unit)} "
                    f"({between((lower, upper), unit)}; {counted(failures, 'failure')} on "
                    f"{counted(vehicles, 'vehicle')})."
                ),
            }  # fmt: skip


def _young_lots(
    mine: pl.DataFrame, lives: pl.DataFrame, names: pl.DataFrame, level: float
) -> Iterator[dict[str, Any]]:
    """Yield the lots fitted now of which more have failed than other replacements would have."""
    lots = mine.drop_nulls("part_lot").select("part_lot").unique(maintain_order=True)
    later = lives.filter(~pl.col("first"))
    for lot in lots["part_lot"]:
        of_lot = later.filter(pl.col("part_lot") == lot)
        others = later.filter(pl.col("part_lot").ne_missing(pl.lit(lot)))
        if _failures(others) < THIN_FAILURES.value or of_lot.is_empty():
            continue
        failed_by_vehicle, expected = _observed_and_expected(of_lot, others)
        observed, vehicles = int(failed_by_vehicle.sum()), of_lot["vehicle"].n_unique()
        if observed == 0 or expected <= 0 or np.count_nonzero(failed_by_vehicle) < 2:
            continue
        # Parts that fail together on one vehicle are no more evidence than few.
        together = float(variance_to_mean(observed, np.sum(failed_by_vehicle**2), vehicles))
        limits = standardised_ratio(np.floor(observed / together), expected / together, level=level)
        lower, upper, ratio = float(limits.lower), float(limits.upper), observed / expected
        if lower <= 1:
            continue
        here = mine.filter(pl.col("part_lot") == lot)
        here = here.with_columns(engine_family=pl.lit(lives["engine_family"][0]))
        where = places([each for said in position_words(here, names) for each in said.split("; ")])
        part = here.row(0, named=True)
        count = int(here["count"].sum())
        made = f"{part['part_maker']}, lot {lot}" if part["part_maker"] else f"lot {lot}"
        yield {
            "kind": KINDS[1], "component": part["component"], "title": part["title"],
            "positions": where, "count": count, "value": float(observed),
            "figure": ratio, "lower": lower, "upper": upper, "failures": observed,
            "lives": int(of_lot["weight"].sum()), "vehicles": vehicles,
            "said": (
                f"{part['title']}{f' at {where}' if where else ''}: {counted(count, 'part')} of "
                f"{made}: of its {int(of_lot['weight'].sum())} on "
                f"{counted(vehicles, 'vehicle')} of this family {observed} have failed, where "
                f"{number(expected)} would be expected by the other replacements of that age and "
                f"place ({number(ratio)} times as many; {number(lower)} to {number(upper)})."
            ),
        }  # fmt: skip


def _observed_and_expected(
    of_lot: pl.DataFrame, others: pl.DataFrame
) -> tuple[NDArray[np.int64], float]:
    """Return failures of a lot by vehicle and those expected by the others' hazard, by place.

    Ages past those at which the others were watched count on neither side. A place at which no
    other replacement failed is held against all places together.
    """
    expected = 0.0
    counted_in = [of_lot.clear().select("vehicle", "weight")]
    for _, group in of_lot.group_by(*PLACES, maintain_order=True):
        place = [pl.col(field).eq_missing(pl.lit(group[field][0])) for field in PLACES]
        same = others.filter(*place)
        against = same if _failures(same) >= THIN_FAILURES.value else others
        curve = nelson_aalen(
            against["exit_distance"].cast(pl.Float64).to_numpy(),
            against["failed"].to_numpy(),
            entry=against["entry_distance"].cast(pl.Float64).to_numpy(),
            weight=against["weight"].cast(pl.Float64).to_numpy(),
        )
        last = float(curve.table["time"][-1])
        weight = group["weight"].to_numpy()
        entry = np.minimum(group["entry_distance"].to_numpy(), last)
        leave = np.minimum(group["exit_distance"].to_numpy(), last)
        hazard = np.nan_to_num(curve.at(leave)) - np.nan_to_num(curve.at(entry))
        expected += float((weight * hazard).sum())
        inside = pl.col("failed") & (pl.col("exit_distance") <= last)
        counted_in.append(group.filter(inside).select("vehicle", "weight"))
    observed = pl.concat(counted_in).group_by("vehicle").agg(pl.col("weight").sum())
    return observed["weight"].cast(pl.Int64).to_numpy(), expected


def _repeated(
    failed: pl.DataFrame, orders: pl.DataFrame, repeats: pl.DataFrame
) -> Iterator[dict[str, Any]]:
    """Yield the components that failed on more visits than on nearly all vehicles of the family."""
    visits = (
        failed.join(orders.select("ro_id", "visit_ro", "shop", "ro_no", "opened_on"), on="ro_id")
        .sort("opened_on", "ro_id")
        .group_by("component", "title", maintain_order=True)
        .agg(
            visits=pl.col("visit_ro").n_unique(),
            parts=pl.col("parts").sum(),
            named=pl.format("RO {} ({})", "ro_no", "shop").unique(maintain_order=True),
        )
        .filter(pl.col("visits") > 1)
    )
    for row in visits.iter_rows(named=True):
        fleet = repeats.filter(pl.col("component") == row["component"])
        if fleet.is_empty():
            continue
        as_many = int(fleet.filter(pl.col("orders") >= row["visits"])["vehicles"].sum())
        vehicles = int(fleet["of_vehicles"][0])
        if as_many > REPEATED_BY_FEW.value * vehicles:
            continue
        yield {
            "kind": KINDS[2], "component": row["component"], "title": row["title"],
            "positions": "", "count": row["parts"], "value": float(row["visits"]),
            "figure": as_many / vehicles, "failures": row["parts"], "lives": None,
            "vehicles": vehicles, "orders": ", ".join(row["named"]),
            "said": (
                f"{row['title']}: failed on {counted(row['visits'], 'visit')} of this vehicle "
                f"({_named(row['named'])}); as often on {as_many} of {vehicles:,} vehicles of the "
                f"family, this one among them ({per_cent(as_many / vehicles)})."
            ),
        }  # fmt: skip


def _named(orders: list[str]) -> str:
    """Return the latest orders by name, and how many more there are."""
    more = len(orders) - MOST_ORDERS_NAMED
    latest = listed(reversed(orders[-MOST_ORDERS_NAMED:]))
    return f"the latest {latest}" if more > 0 else listed(reversed(orders))


def _summary(
    record: VehicleRecord, warnings: pl.DataFrame, unsure: int, looked: int, level: float
) -> tuple[str, ...]:
    others = record.parts["component"].n_unique() - looked
    name = f"unit {record.unit_no}" if record.unit_no else record.vin
    if warnings.is_empty():
        first = f"Nothing in {name} stands out against the lives of its family."
    else:
        kinds = warnings.group_by("kind", maintain_order=True).agg(pl.len()).rows()
        named = listed(f"{kind} ({n})" for kind, n in kinds)
        first = f"{counted(warnings.height, 'warning')} for {name}: {named}."
    doubtful = (
        (
            f"Past the estimate of that age and yet within its limits, so no warning: "
            f"{counted(unsure, 'part or group of parts', 'parts or groups of parts')}.",
        )
        if unsure
        else ()
    )
    return (
        first,
        *doubtful,
        f"Looked at: {counted(looked, 'component')} with at least {THIN_FAILURES.value:g} failures "
        f"in engine family {record.engine_family}; {others} others have fewer, and nothing is said "
        f"of them. Limits are at {100 * level:g} %.",
        "A warning is a reason to look: it gives no leave to run a part on, nor an order to renew "
        "it.",
    )
