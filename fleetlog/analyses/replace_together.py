"""What else to renew while an engine is open: now, or at a later opening of its own."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import duckdb
import numpy as np
import polars as pl

from fleetlog.analyses.open_classes import Weighed, classes_of, weigh
from fleetlog.analyses.open_engine import (
    OpenEngine,
    of_family,
    of_order,
    of_vehicle,
    of_vehicle_as_last_seen,
    rows,
)
from fleetlog.analyses.opening_prices import GivenPrices, prices_of
from fleetlog.analyses.part_chances import Chances, Fleet, chances_of, place_words
from fleetlog.analyses.together_words import place_words_of, summary_of
from fleetlog.analyses.unseen import unseen
from fleetlog.analyses.vehicle_record import the_one_vehicle
from fleetlog.analyses.wording import listed, number
from fleetlog.errors import InputError
from fleetlog.settings import (
    DOWNTIME_COST_PER_HOUR,
    LEVEL,
    ONE_OPENING_MILES,
)
from fleetlog.stats import expected_cost, expected_openings
from fleetlog.store import Store
from fleetlog.units import convert_distance

DAYS_A_MONTH = 365.25 / 12
NOW, LEAVE, CLOSE = "replace now", "leave", "too close to call"
BY_INTERVAL, RENEWED = "by its interval", "renewed by this job"
"""The verdicts: a part that this job renews anyway is shown, for it may fail again."""


@dataclass(frozen=True)
class ReplaceTogether:
    """What to renew with a failed part while the engine is open.

    Attributes
    ----------
    vin, unit_no, shop, ro_no : of the vehicle and order, where the question was about one.
    distance : how far the engine has gone; horizon : how much further it is to be kept, both in
        ``unit``; horizon_basis : words on where that comes from.
    failed : codes of what failed behind the covers.
    parts : a row for each class of alike parts behind the open covers, those that save most first
        and those that the job renews anyway last: ``component``, ``title``, ``positions`` (in
        words), ``count``, ``age``, ``generation``, ``life`` (what its chance rests on), ``given``
        ("age, neighbour" where the fleet tells what a neighbour's failure adds, else "age"),
        ``plain_chance`` (of one part failing within the horizon, by age alone), ``chance``,
        ``lower``, ``upper`` (by what ``given`` says), ``new_chance`` (of a new part in its
        place), ``cost_now`` (of the class), ``cost_later`` (of one failure, without the opening),
        ``opening``, ``break_even`` (chance of one part; null where none makes it pay), ``saving``
        (what the best choice with the class renewed costs less than the best with it left),
        ``saving_lower``, ``saving_upper``, ``pays`` (share of the draws in which it saves),
        ``chosen`` (is it in the set of least expected cost), ``whole_later`` (would a later
        failure among them renew all of them, or what failed: the cheaper), ``verdict`` and
        ``note``.
    choices : sets side by side: ``choice`` (first nothing more than must be, then the best),
        ``parts`` (renewed beside what failed), ``cost_now``, ``expected_later``, ``total``,
        ``chance_again`` (that the engine is opened again within the horizon), ``openings`` (how
        often, in the mean), ``saving`` over the first, ``lower``, ``upper``.
    neighbours : by component: ``title``, ``failures``, ``vehicles``, ``ratio``, ``lower``,
        ``upper`` (of the hazard after a neighbour's failure to that before, as estimated; null
        where it has no estimate), ``reckoned_with`` (the ratio drawn to 1, or 1), ``used`` and
        ``why`` (failures on either side).
    elsewhere : the same components under other covers: ``title``, ``positions``, ``count``,
        ``age``, ``chance`` (of one part), ``any_chance``.
    prices : see `fleetlog.analyses.opening_prices.Prices`.
    evidence : failures that came after one of a neighbour: ``component``, ``title``, ``vin``,
        ``unit_no``, ``positions``, ``first_shop``, ``first_ro_no``, ``first_on``, ``shop``,
        ``ro_no``, ``opened_on``.
    left_out : ``component``, ``title``, ``parts``, ``why``: what did not enter the choice.
    periods : into how many the horizon was cut: one opening serves what fails within one.
    method : how sets were searched ("exhaustive" or "greedy").
    summary : sentences, the answer first.
    """

    vin: str | None
    unit_no: str | None
    shop: str | None
    ro_no: str | None
    engine_family: str
    access_group: str
    failed: tuple[str, ...]
    distance: float
    horizon: float
    horizon_basis: str
    unit: str
    currency: str
    level: float
    periods: int
    method: str
    saving: float
    saving_interval: tuple[float, float]
    parts: pl.DataFrame
    choices: pl.DataFrame
    neighbours: pl.DataFrame
    elsewhere: pl.DataFrame
    prices: pl.DataFrame
    evidence: pl.DataFrame
    left_out: pl.DataFrame
    summary: tuple[str, ...]


def replace_together(
    store: Store,
    *,
    ro_no: str | None = None,
    shop: str | None = None,
    vehicle: str | None = None,
    engine_family: str | None = None,
    failed: str | None = None,
    position: Mapping[str, str | int] | None = None,
    odometer: float | None = None,
    horizon: float | None = None,
    months: float | None = None,
    part_cost: Mapping[str, float] | None = None,
    extra_labour: Mapping[str, float] | None = None,
    damage: Mapping[str, float] | None = None,
    opening_cost: float | None = None,
    labour_rate: float | None = None,
    downtime_cost_per_hour: float = DOWNTIME_COST_PER_HOUR.value,
    one_opening_serves: float | None = None,
    level: float = LEVEL.value,
) -> ReplaceTogether:
    """Weigh what to renew together with a failed part, while its covers are off.

    Ask about a repair order (``ro_no``, with ``shop`` where numbers are not unique), about a
    ``vehicle`` (its newest order with a failure behind a cover, or as last seen with ``failed``),
    or about an ``engine_family`` with ``failed`` and ``odometer``, its parts as built.

    Parameters
    ----------
    vehicle : as for :func:`fleetlog.analyses.vehicle_record`.
    failed, position : code of the component that failed, and where it sits: any of bank,
        cylinder, side and slot.
    odometer : in the store's unit; of a vehicle, where it has gone further than the store knows.
    horizon, months : how long the vehicle will still be kept: distance in the store's unit, or
        months at its own pace. One of them is needed.
    part_cost, extra_labour, damage, opening_cost, labour_rate, downtime_cost_per_hour : see
        :class:`fleetlog.analyses.opening_prices.GivenPrices`; by the store's own lines where not
        given.
    one_opening_serves : failures of unlike parts closer together than this are met by one opening
        (:data:`fleetlog.settings.ONE_OPENING_MILES` where not given); with the horizon itself or
        more, one opening serves all that fails until then.
    level : confidence level of every limit.

    Raises
    ------
    InputError : a question that names no engine or no horizon; prices that nobody has told.

    Notes
    -----
    Chances: a life fitted to the component on this engine family, by place and generation where
    they differ (Weibull, or another model where clearly better), times the ratio of hazards after
    a neighbour's failure (Cox, lives split at that failure, the same position and age compared,
    clustered by vehicle, drawn to 1 by :data:`fleetlog.settings.NEIGHBOUR_SPREAD`; left at 1
    where failures are too few). Choice: `fleetlog.stats.renew_together`; what is renewed later is
    followed up to the horizon (`fleetlog.stats.expected_cost`). Limits: by draws of the
    fitted lives and ratios; prices are taken as known. Linear in the vehicles and lives of the
    engine family.
    """
    if (horizon is None) == (months is None):
        raise InputError(
            "say how long the vehicle will still be kept: a distance, or months, and not both"
        )
    given = GivenPrices(
        part_cost or {}, extra_labour or {}, damage or {}, opening_cost, labour_rate,
        downtime_cost_per_hour,
    )  # fmt: skip
    with store.read() as connection:
        engine = _engine(
            store, connection, ro_no, shop, vehicle, engine_family, failed, dict(position or {}),
            odometer,
        )  # fmt: skip
        fleet = _fleet(connection, engine)
        ahead, basis = _horizon(engine, fleet, horizon, months, store.distance_unit)
        asked = {"access_group": engine.access_group, "engine_family": engine.engine_family}
        lines = rows(connection, "together_prices", **asked)
        labour = rows(connection, "together_labour_rate")
        rules = rows(connection, "together_rules", **asked)
        chances = _chances(engine, fleet)
        known = [found for found in chances.values() if isinstance(found, Chances)]
        orders = sorted(
            {
                order
                for found in known
                for name in ("ended_ro", "first_ro")
                for order in found.evidence[name].drop_nulls().to_list()
            }
        )
        names = rows(connection, "together_evidence", orders=orders or [-1])
        unread = unseen(connection, engine.engine_family)
    titles = dict(fleet.places.select("component", "title").unique().rows())
    prices = prices_of(sorted(titles), lines, labour, given, store.currency, titles)
    classes, left_out = classes_of(engine, chances, prices, rules)
    if classes.is_empty():
        raise InputError(
            f"nothing behind the {engine.access_group} covers has both failures and prices in the "
            f"store, so there is nothing to weigh ({listed(left_out['why'].unique())})"
        )
    serves = (
        convert_distance(ONE_OPENING_MILES.value, "mi", store.distance_unit)
        if one_opening_serves is None
        else one_opening_serves
    )
    if not serves > 0:
        raise InputError(f"one opening serves {serves}: give a distance above nought")
    periods = max(1, round(ahead / serves))
    weighed = weigh(classes, chances, ahead, periods, level)
    parts = _parts(
        classes, weighed, fleet.places, {one.component for one in known if one.neighbour.used}
    )
    facts: dict[str, Any] = {
        "vin": engine.vin,
        "unit_no": _unit_no(fleet, engine.vin),
        "shop": engine.shop,
        "ro_no": engine.ro_no,
        "engine_family": engine.engine_family,
        "access_group": engine.access_group,
        "failed": engine.failed,
        "distance": engine.distance,
        "horizon": ahead,
        "horizon_basis": basis,
        "unit": store.distance_unit,
        "currency": store.currency,
        "level": level,
        "periods": periods,
        "method": weighed.joint.method,
        "saving": weighed.joint.saving,
        "saving_interval": weighed.limits_of(weighed.joint.renewed),
        "parts": parts,
        "choices": _choices(classes, weighed, engine),
        "neighbours": _neighbours(known, titles),
        "elsewhere": _elsewhere(engine, chances, ahead, fleet.places),
        "prices": prices.table.with_columns(
            title=pl.col("component").replace_strict(titles, return_dtype=pl.String)
        ),
        "evidence": _evidence(known, fleet, names, titles),
        "left_out": left_out,
    }
    said = summary_of(facts, engine, prices, titles)
    return ReplaceTogether(**facts, summary=(*said, *unread.words))


def _engine(
    store: Store,
    connection: duckdb.DuckDBPyConnection,
    ro_no: str | None,
    shop: str | None,
    vehicle: str | None,
    engine_family: str | None,
    failed: str | None,
    position: dict[str, str | int],
    odometer: float | None,
) -> OpenEngine:
    asked = [name for name in (ro_no, vehicle, engine_family) if name is not None]
    if len(asked) != 1:
        raise InputError(
            "say which engine is open: a repair order, a vehicle or an engine family, and one of "
            "them only"
        )
    if ro_no is not None:
        if failed or position or odometer is not None:
            raise InputError(
                "an order says itself what failed where and at which mileage: leave those out, or "
                "ask by vehicle"
            )
        return of_order(connection, shop, ro_no)
    if vehicle is not None:
        vin = the_one_vehicle(store, vehicle)
        if failed is None:
            if position or odometer is not None:
                raise InputError("name the component that failed with its position or odometer")
            return of_vehicle(connection, vin)
        return of_vehicle_as_last_seen(connection, vin, failed, position, odometer)
    if failed is None or odometer is None or engine_family is None:
        raise InputError("of an engine family, say which component failed and at which odometer")
    return of_family(connection, engine_family, failed, position, odometer)


def _fleet(connection: duckdb.DuckDBPyConnection, engine: OpenEngine) -> Fleet:
    asked = {"access_group": engine.access_group, "engine_family": engine.engine_family}
    return Fleet(
        vehicles=rows(
            connection, "together_vehicles", engine_family=engine.engine_family,
            failed=list(engine.failed),
        ),
        lives=rows(connection, "together_lives", **asked),
        places=rows(connection, "together_places", **asked).with_columns(place=place_words()),
    )  # fmt: skip


def _horizon(
    engine: OpenEngine, fleet: Fleet, horizon: float | None, months: float | None, unit: str
) -> tuple[float, str]:
    """Return how much further the vehicle is to be kept, and words on where that comes from."""
    asked = horizon if horizon is not None else months
    if asked is None or not (np.isfinite(asked) and asked > 0):
        raise InputError(f"the time still to keep the vehicle is {asked}: give more than nought")
    if horizon is not None:
        return float(horizon), "as given"
    pace = None
    whose = "its own pace"
    if engine.vin is not None:
        pace = fleet.vehicles.filter(pl.col("vin") == engine.vin)["per_day"].first()
    if not pace:
        pace, whose = fleet.vehicles["per_day"].median(), f"the pace of {engine.engine_family}"
    if not pace:
        raise InputError("how far these vehicles go in a month is not known: give a distance")
    per_month = float(pace) * DAYS_A_MONTH  # type: ignore[arg-type]
    return (
        per_month * asked,
        f"{number(asked)} months at {whose}, {number(per_month, unit)} a month",
    )


def _chances(engine: OpenEngine, fleet: Fleet) -> dict[str, Chances | str]:
    """Return chances by component of the access group, or why there are none."""
    touched = set(fleet.lives["component"].unique())
    return {
        code: chances_of(code, fleet, engine.failed)
        if code in touched
        else "no line of the store touched one"
        for code in engine.parts["component"].unique().sort()
    }


def _parts(
    classes: pl.DataFrame, weighed: Weighed, placed: pl.DataFrame, told: set[str]
) -> pl.DataFrame:
    joint, point = weighed.joint, weighed.point
    whole_later = np.where(joint.renewed, point.new.whole, point.left.whole)
    figures = []
    for j, row in enumerate(classes.rows(named=True)):
        savings = weighed.drawn_saving(joint.with_class[j], joint.without_class[j])
        lower, upper = weighed.limits(savings)
        chance = weighed.limits(weighed.drawn_chance[:, j])
        verdict, note = _verdict(row, lower, upper)
        figures.append(
            {
                "plain_chance": weighed.plain[j], "chance": weighed.chance[j], "lower": chance[0],
                "upper": chance[1], "new_chance": weighed.new_chance[j],
                "break_even": joint.break_even[j], "saving": joint.class_saving[j],
                "saving_lower": lower, "saving_upper": upper, "pays": float(np.mean(savings > 0)),
                "verdict": verdict, "note": note, "chosen": bool(joint.renewed[j]),
                "whole_later": bool(whole_later[j]),
                "given": "age, neighbour" if row["component"] in told else "age",
            }
        )  # fmt: skip
    frame = pl.concat([classes, pl.DataFrame(figures)], how="horizontal").with_columns(
        cost_now=pl.col("cost_now") * pl.col("count"),
        break_even=pl.col("break_even").fill_nan(None),
    )
    renewed = pl.col("renewed")
    return (
        frame.with_columns(positions=_where(frame, placed))
        .sort(renewed, "saving", descending=[False, True], maintain_order=True)
        .with_columns(
            pl.when(renewed).then(None).otherwise(pl.col(name)).alias(name)
            for name in ("break_even", "saving", "saving_lower", "saving_upper", "pays", "cost_now")
        )
        .with_columns(
            age=pl.when(renewed).then(0.0).otherwise("age"),
            generation=pl.col("generation") + renewed,
        )
        .select(
            "component", "title", "positions", "count", "age", "generation", "life", "given",
            "plain_chance", "chance", "lower", "upper", "new_chance", "cost_now", "cost_later",
            "opening", "break_even", "saving", "saving_lower", "saving_upper", "pays", "chosen",
            "whole_later", "verdict", "note",
        )
    )  # fmt: skip


def _where(rows: pl.DataFrame, placed: pl.DataFrame) -> pl.Series:
    """Words for the positions of each row; each set of positions is worded once."""
    places = {str(code): group for (code,), group in placed.group_by("component")}
    keys = [
        (code, tuple(sorted(ordinals))) for code, ordinals in rows["component", "positions"].rows()
    ]
    words = {key: place_words_of(list(key[1]), places[key[0]]) for key in set(keys)}
    return pl.Series([words[key] for key in keys], dtype=pl.String)


def _verdict(row: Mapping[str, Any], lower: float, upper: float) -> tuple[str, str]:
    """Return the verdict on a class, and what must be known beside it."""
    said: list[str] = []
    if row["renewed"]:
        return RENEWED, "; ".join(said)
    if row["due"]:
        said.append(f"past its {row['origin']} interval")
        return NOW, "; ".join(said)
    if row["safety_critical"]:
        said.append(
            f"safety-critical: its {row['origin']} interval comes first"
            if row["origin"]
            else "safety-critical: its maker's or legal interval comes first (not in the store)"
        )
        return (NOW if lower > 0 else BY_INTERVAL), "; ".join(said)
    if row["origin"]:
        said.append(f"not longer than its {row['origin']} interval")
    if lower > 0:
        return NOW, "; ".join(said)
    return (LEAVE if upper < 0 else CLOSE), "; ".join(said)


def _choices(classes: pl.DataFrame, weighed: Weighed, engine: OpenEngine) -> pl.DataFrame:
    open_to_choice = ~classes["renewed"].to_numpy()
    siblings = classes["component"].is_in(engine.failed).to_numpy() & open_to_choice
    least = "only what is past its interval" if weighed.forced.any() else "nothing more"
    sets = {
        least: weighed.forced,
        "least expected cost": weighed.joint.renewed,
        "all alike to what failed": weighed.forced | siblings,
        "everything behind the covers": open_to_choice,
    }
    point, count = weighed.point, classes["count"].to_numpy()
    table = []
    for name, renewed in sets.items():
        now = float((count * renewed) @ point.cost_now)
        total = float(expected_cost(point, renewed))
        chance = np.where(renewed, weighed.new_chance, weighed.chance)
        lower, upper = weighed.limits_of(renewed)
        table.append(
            {
                "choice": name, "parts": int(count @ renewed), "cost_now": now,
                "expected_later": total - now, "total": total,
                "chance_again": float(1 - np.prod((1 - chance) ** count)),
                "openings": float(expected_openings(point, renewed)),
                "saving": float(expected_cost(point, weighed.forced)) - total,
                "lower": lower, "upper": upper,
            }
        )  # fmt: skip
    return pl.DataFrame(table)


def _neighbours(known: list[Chances], titles: Mapping[str, str]) -> pl.DataFrame:
    return pl.DataFrame(
        [
            {
                "component": found.component,
                "title": titles[found.component],
                "failures": found.failures,
                "vehicles": found.vehicles,
                "ratio": found.neighbour.found.ratio if found.neighbour.found else None,
                "lower": found.neighbour.found.lower if found.neighbour.found else None,
                "upper": found.neighbour.found.upper if found.neighbour.found else None,
                "reckoned_with": float(np.exp(found.neighbour.log_ratio)),
                "used": found.neighbour.used,
                "why": found.neighbour.why,
            }
            for found in known
        ],
        infer_schema_length=None,
    ).sort("used", "failures", descending=True)


def _elsewhere(
    engine: OpenEngine, chances: Mapping[str, Chances | str], horizon: float, placed: pl.DataFrame
) -> pl.DataFrame:
    """Return the same components as failed where their covers stay on."""
    schema = {
        "component": pl.String, "title": pl.String, "positions": pl.String, "count": pl.Int64,
        "age": pl.Float64, "chance": pl.Float64, "any_chance": pl.Float64,
    }  # fmt: skip
    shut = engine.parts.filter(~pl.col("open") & pl.col("component").is_in(engine.failed))
    if shut.is_empty():
        return pl.DataFrame(schema=schema)
    alike = (
        shut.with_columns(place=place_words())
        .group_by("component", "title", "place", "age", "generation", maintain_order=True)
        .agg(positions=pl.col("ordinal"), count=pl.len().cast(pl.Int64))
    )
    chance = []
    for row in alike.rows(named=True):
        found = chances[row["component"]]
        key = row["place"], row["generation"] > 1
        chance.append(
            float(found.chance(*key, row["age"], horizon)[0])
            if isinstance(found, Chances) and key in found.fits
            else None
        )
    return (
        alike.with_columns(
            positions=_where(alike, placed), chance=pl.Series(chance, dtype=pl.Float64)
        )
        .with_columns(any_chance=1 - (1 - pl.col("chance")) ** pl.col("count"))
        .select(list(schema))
        .sort("any_chance", descending=True, nulls_last=True)
    )


def _unit_no(fleet: Fleet, vin: str | None) -> str | None:
    units = fleet.vehicles.filter(pl.col("vin").eq_missing(pl.lit(vin)))["unit_no"]
    return None if units.is_empty() else units[0]


def _evidence(
    known: list[Chances],
    fleet: Fleet,
    names: pl.DataFrame,
    titles: Mapping[str, str],
) -> pl.DataFrame:
    """Return the failures that came after one of a neighbour, with both orders."""
    found = pl.concat([one.evidence.with_columns(component=pl.lit(one.component)) for one in known])
    gathered = (
        found.group_by("component", "vehicle", "ended_ro", "first_ro", maintain_order=True)
        .agg(positions=pl.col("ordinal").sort())
        .join(fleet.vehicles.select("vehicle", "vin", "unit_no"), on="vehicle")
        .join(names, left_on="ended_ro", right_on="ro_id")
        .join(names.rename({"shop": "first_shop", "ro_no": "first_ro_no", "opened_on": "first_on"}),
              left_on="first_ro", right_on="ro_id")
        .with_columns(title=pl.col("component").replace_strict(titles, return_dtype=pl.String))
    )  # fmt: skip
    return (
        gathered.with_columns(positions=_where(gathered, fleet.places))
        .sort("opened_on", "vin", "component", descending=[True, False, False])
        .select(
            "component", "title", "vin", "unit_no", "positions", "first_shop", "first_ro_no",
            "first_on", "shop", "ro_no", "opened_on",
        )
    )  # fmt: skip
