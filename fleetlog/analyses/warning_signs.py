"""Which complaints and fault codes come before a failure, and how long before."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from datetime import timedelta
from difflib import get_close_matches
from typing import Any

import duckdb
import numpy as np
import polars as pl

from fleetlog.analyses.components import find_component
from fleetlog.analyses.sign_sets import (
    APART,
    RATE_DISTANCE,
    Cases,
    Fleet,
    Followed,
    compare,
    compare_at,
    cumulative_rate,
    describe,
    follow,
    gather_fleet,
    occasions,
    place_on_fleet,
    usual_chance,
)
from fleetlog.analyses.sign_words import say_signs
from fleetlog.catalogue import load_catalogue
from fleetlog.catalogue.signs import load_signs
from fleetlog.errors import InputError
from fleetlog.intake.narrative.signs import code_signs
from fleetlog.lives.select import CLOCKS, check_choices
from fleetlog.settings import (
    LEVEL,
    SIGN_FALSE_DISCOVERIES,
    SIGN_HORIZON_DAYS,
    SIGN_HORIZON_MILES,
    SIGN_LEAST_VISITS,
)
from fleetlog.sql import read_sql
from fleetlog.stats import benjamini_hochberg
from fleetlog.store import Store
from fleetlog.units import convert_distance

FAULT_CODE = re.compile(r"[A-Z][0-9A-F]{4}")
"""The public standard's form: one letter, four characters."""

LEAST_VISITS = int(SIGN_LEAST_VISITS.value)
LATELY = int(SIGN_HORIZON_DAYS.value)
"""A vehicle not seen for so many days has no sign standing."""


@dataclass(frozen=True)
class WarningSigns:
    """Signs held against failures, within ``horizon`` on ``clock``.

    A sign is a complaint word or a fault code on a visit that renewed nothing as failed (with
    ``answered``: not the component in question). It comes before a failure where that is the next
    one of the component on the vehicle, within the horizon, and more than
    :data:`fleetlog.settings.SAME_JOB_DAYS` later.

    Attributes
    ----------
    component, title, sign, sign_title : what was asked about; None where all were looked at.
    pairs : a row for each sign and component looked at, what stands out first: ``sign``,
        ``sign_title``, ``component``, ``component_title``, ``visits`` with the sign, ``vehicles``,
        ``failures`` that can be compared, ``warned`` (of them, with the sign before),
        ``sensitivity`` (the share of it), ``background`` (share of vehicles of the same family
        and age, without the failure, that had the sign), ``odds_ratio`` (Mantel-Haenszel over the
        matched sets), ``p_value`` (of so many warned by chance), ``q_value`` (adjusted for all
        rows), ``stands_out``, ``followed`` (visits followed by the failure), ``chance`` (that the
        component fails within the horizon), ``usual_chance`` (the same for any vehicle of the
        family at that age), ``lead_days`` and ``lead_distance`` (median, first sign to failure),
        ``lead_days_p10`` and so on (nine in ten are longer), ``unfollowed`` (visits watched to the
        horizon without the failure) and ``false_rate`` (of those, per vehicle-year or per 10,000
        of the distance unit), ``note``. ``_lower`` and ``_upper`` are limits at ``level``.
    evidence : visits with signs that came before a failure, of pairs that stand out first:
        ``signs`` (text), ``component``, ``vin``, ``unit_no``, ``shop``, ``ro_no``, ``opened_on`` of
        the sign, ``failed_shop``, ``failed_ro_no``, ``failed_on``, ``lead_days``,
        ``lead_distance``.
    standing : vehicles whose last sight is within the horizon of such a sign, without a failure
        since: ``signs``, ``component``, ``vin``, ``unit_no``, ``shop``, ``ro_no``, ``opened_on``,
        ``since_days``. Only pairs that stand out.
    left_out : ``why``, ``count``.
    summary : sentences, the answer first.
    """

    component: str | None
    title: str | None
    sign: str | None
    sign_title: str | None
    engine_family: str | None
    clock: str
    unit: str
    horizon: int
    answered: bool
    level: float
    pairs: pl.DataFrame
    evidence: pl.DataFrame
    standing: pl.DataFrame
    left_out: pl.DataFrame
    summary: tuple[str, ...]


def warning_signs(
    store: Store,
    component: str | None = None,
    *,
    sign: str | None = None,
    engine_family: str | None = None,
    clock: str = "days",
    horizon: float | None = None,
    answered: bool = False,
    level: float = LEVEL.value,
) -> WarningSigns:
    """Hold complaints and fault codes against the failures that came after them.

    Parameters
    ----------
    component : which signs come before its failures?
    sign : a complaint word ("tick") or a fault code: which components fail after it, how soon?
        At least one of the two is given.
    engine_family : only vehicles of this family. Failures are matched within families in any case.
    clock : ``"days"`` or ``"distance"``: on which ages are matched and the horizon is measured.
    horizon : default :data:`fleetlog.settings.SIGN_HORIZON_DAYS` or ``SIGN_HORIZON_MILES``.
    answered : also take signs of visits that renewed another part as failed.

    Raises
    ------
    InputError : neither a component nor a sign, an unknown one, a horizon too short, or nothing
        to compare.

    Notes
    -----
    Each failure is compared with all vehicles of its family under watch at its age (the whole
    risk set, as in Cox 1972, so that nothing is sampled); the odds ratio is Mantel and Haenszel's
    with limits of Robins, Breslow and Greenland 1986, widened where failures of one vehicle go
    together. Shares of failures have Wilson limits at the size that clustering by vehicle leaves
    (Rao and Scott 1992); the chance after a sign is a product-limit estimate, clustered by
    vehicle. False discoveries: Benjamini and Hochberg 1995 over all rows.
    """
    if component is None and sign is None:
        raise InputError("say what to look at: a component, a sign such as tick, or both")
    title = find_component(component).title if component is not None else None
    code = find_sign(sign) if sign is not None else None
    check_choices("clock", (clock,), CLOCKS)
    horizon = _horizon(store, clock, horizon)
    with store.read() as connection:
        spans, visits, failures, unread = _ask(
            connection, component, code, engine_family, answered=answered
        )
    if spans.is_empty():
        raise InputError(
            f"the store has no vehicle of engine family {engine_family!r}: check its spelling"
            if engine_family
            else "the store has no vehicle yet: load the fleet list first"
        )
    fleet = gather_fleet(spans, clock, int(horizon))
    at_once = int(visits["answered"].sum())
    visits = place_on_fleet(fleet, visits.drop("answered")).sort("days", "vehicle")
    failures = place_on_fleet(fleet, failures)
    looks = _look(fleet, visits, failures, component, level)
    pairs = _judged(looks, "sensitivity" if component else "chance")
    evidence, standing = _with_orders(
        store, _evidence(looks, pairs), _standing(looks, pairs, fleet)
    )
    unit = store.distance_unit if clock == "distance" else "days"
    result = WarningSigns(
        component=component,
        title=title,
        sign=code,
        sign_title=sign_title(code) if code else None,
        engine_family=engine_family,
        clock=clock,
        unit=unit,
        horizon=fleet.horizon,
        answered=answered,
        level=level,
        pairs=pairs,
        evidence=evidence,
        standing=standing,
        left_out=_left_out(looks, visits, at_once, unread, single=component is not None),
        summary=(),
    )
    return replace(result, summary=say_signs(result, store.distance_unit))


def find_sign(words: str) -> str:
    """Return the sign that somebody means: a fault code, a sign's code, or words of a complaint.

    Raises
    ------
    InputError : no sign, or several.
    """
    asked = words.strip()
    if FAULT_CODE.fullmatch(asked.upper()) and asked.lower() not in load_signs():
        return asked.upper()
    signs = load_signs()
    slug = asked.lower().replace(" ", "-")
    if slug in signs:
        return slug
    meant = code_signs(pl.Series([asked]))["sign"].to_list()
    if len(meant) == 1:
        return str(meant[0])
    if meant:
        raise InputError(f"{words!r} tells of several signs: choose one of {', '.join(meant)}")
    alike = get_close_matches(slug, list(signs), n=3)
    hint = f"did you mean {' or '.join(alike)}?" if alike else f"known are {', '.join(signs)}"
    raise InputError(f"{words!r} is no sign and no fault code: {hint}")


def sign_title(code: str) -> str:
    """Return a sign as people say it."""
    signs = load_signs()
    return signs[code].title if code in signs else f"Fault code {code}"


def _horizon(store: Store, clock: str, horizon: float | None) -> float:
    if horizon is None:
        if clock == "days":
            return SIGN_HORIZON_DAYS.value
        return round(convert_distance(SIGN_HORIZON_MILES.value, "mi", store.distance_unit))
    least = APART if clock == "days" else 1
    if horizon <= least:
        raise InputError(
            f"the horizon must be longer than {least} {'days' if clock == 'days' else 'unit'}: "
            "nearer to the failure, a sign may be of the same job"
        )
    return horizon


def _ask(
    connection: duckdb.DuckDBPyConnection,
    component: str | None,
    sign: str | None,
    engine_family: str | None,
    *,
    answered: bool,
) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame, int]:
    """Read spans, visits with signs, failures, and how many complaints told no sign."""
    family = {"engine_family": engine_family}
    complaints = connection.sql(read_sql("analyses", "sign_complaints"), params=family).pl()
    coded = code_signs(complaints["complaint"])
    unread = complaints.filter(~pl.col("complaint").is_in(coded["text"].implode()))["orders"].sum()
    asked = coded.filter(pl.col("sign") == sign) if sign else coded
    connection.register("complaint_sign", asked.group_by("text").agg(signs="sign"))
    try:
        visits = connection.sql(
            read_sql("analyses", "sign_visits"),
            params=family | {"sign": sign, "keep_answered": answered},
        ).pl()
    finally:
        connection.unregister("complaint_sign")
    failures = connection.sql(
        read_sql("analyses", "sign_failures"),
        params=family | {"component": component},
    ).pl()
    spans = connection.sql(read_sql("analyses", "sign_spans"), params=family).pl()
    return spans, visits, failures, int(unread)


@dataclass(frozen=True)
class _Look:
    """One component with the signs looked at."""

    component: str
    followed: Followed
    cases: Cases
    rows: pl.DataFrame
    rare: int


def _look(
    fleet: Fleet,
    visits: pl.DataFrame,
    failures: pl.DataFrame,
    component: str | None,
    level: float,
) -> list[_Look]:
    by_component = {
        str(key[0]): occasions(rows)
        for key, rows in failures.partition_by("component", as_dict=True).items()
    }
    codes = [component] if component else sorted(by_component)
    none = failures.clear()
    # Few signs, many visits: a sign is carried as a number.
    names = pl.Enum(visits["signs"].explode().drop_nulls().unique().sort())
    visits = visits.with_columns(pl.col("signs").cast(pl.List(names)))
    return [_look_at(fleet, visits, by_component.get(code, none), code, level) for code in codes]


def _look_at(
    fleet: Fleet, visits: pl.DataFrame, failures: pl.DataFrame, component: str, level: float
) -> _Look:
    followed = follow(fleet, visits, failures, component)
    by_sign = {
        str(key[0]): rows for key, rows in followed.kept.partition_by("sign", as_dict=True).items()
    }
    signs = sorted(sign for sign, rows in by_sign.items() if rows.height >= LEAST_VISITS)
    cases = compare_at(fleet, failures)
    if not signs:
        return _Look(component, followed, cases, pl.DataFrame(), len(by_sign))
    compared = compare(fleet, followed, cases, signs, level)
    rate, vehicles = cumulative_rate(fleet, failures), cases.frame["vehicle"].to_numpy()
    rows = []
    for index, sign in enumerate(signs):
        kept = by_sign[sign]
        odds = compared.odds
        ratio = float(odds.odds_ratio[index])
        rows.append(
            {"sign": sign, "component": component}
            | describe(fleet, kept, compared.had[index], vehicles, level)
            | {
                "usual_chance": usual_chance(fleet, kept, rate),
                "background": float(compared.background[index]),
                "odds_ratio": ratio if np.isfinite(ratio) else None,
                "odds_ratio_lower": float(odds.lower[index]),
                "odds_ratio_upper": float(odds.upper[index])
                if np.isfinite(odds.upper[index])
                else None,
                "p_value": float(odds.p_excess[index]),
            }
        )
    return _Look(
        component, followed, cases, pl.DataFrame(rows, infer_schema_length=None),
        len(by_sign) - len(signs),
    )  # fmt: skip


COLUMNS = (
    "sign", "sign_title", "component", "component_title", "visits", "vehicles", "failures",
    "warned", "sensitivity", "sensitivity_lower", "sensitivity_upper", "background", "odds_ratio",
    "odds_ratio_lower", "odds_ratio_upper", "p_value", "q_value", "stands_out", "followed",
    "chance", "chance_lower", "chance_upper", "usual_chance", "lead_days", "lead_days_lower",
    "lead_days_upper", "lead_days_p10", "lead_days_p90", "lead_distance", "lead_distance_lower",
    "lead_distance_upper", "lead_distance_p10", "lead_distance_p90", "unfollowed", "false_rate",
    "false_rate_lower", "false_rate_upper", "note",
)  # fmt: skip


def _judged(looks: list[_Look], first: str) -> pl.DataFrame:
    """Put all rows into one frame, adjust for their number, and say what stands out."""
    looked_at = [look.rows for look in looks if look.rows.height]
    if not looked_at:
        raise InputError(
            f"nothing to compare: no sign was noted on {LEAST_VISITS} visits or more that left its "
            "cause open; load complaints or fault codes, or ask about another family"
        )
    rows = pl.concat(looked_at, how="vertical_relaxed")
    q_value = benjamini_hochberg(rows["p_value"].to_numpy())
    parts, titles = load_catalogue().components, {s: sign_title(s) for s in rows["sign"].unique()}
    names = {c: parts[c].title if c in parts else c for c in rows["component"].unique()}
    return (
        rows.with_columns(
            pl.Series("q_value", q_value),
            sign_title=pl.col("sign").replace_strict(titles, return_dtype=pl.String),
            component_title=pl.col("component").replace_strict(names, return_dtype=pl.String),
        )
        .with_columns(
            stands_out=(pl.col("q_value") <= SIGN_FALSE_DISCOVERIES.value)
            & (pl.col("odds_ratio_lower") > 1)
        )
        .select(COLUMNS)
        .sort(
            "stands_out", first, "visits", "sign", "component",
            descending=[True, True, True, False, False], nulls_last=True,
        )
    )  # fmt: skip


SHOWN = ("signs", "vehicle", "visit_ro", "days", "distance", "exit_days", "failed_ro", "next_days",
         "next_distance")  # fmt: skip


def _of_pairs(looks: list[_Look], pairs: pl.DataFrame, *which: pl.Expr) -> pl.DataFrame:
    """Visits that answer to ``which``, with the component that they are held against.

    The signs of one visit are joined into one text.
    """
    shown = pl.concat(
        [
            look.followed.visits.lazy()
            .filter(*which)
            .select(SHOWN)
            .collect(engine="in-memory")
            .explode("signs")
            .rename({"signs": "sign"})
            .with_columns(pl.col("sign").cast(pl.String), component=pl.lit(look.component))
            for look in looks
            if look.rows.height
        ]
    ).join(pairs.select("sign", "component", "stands_out"), on=["sign", "component"])
    return (
        shown.sort("sign")
        .group_by("visit_ro", "component", maintain_order=True)
        .agg(
            pl.exclude("sign", "stands_out").first(),
            pl.col("stands_out").any(),
            signs=pl.col("sign").str.join(", "),
        )
    )


def _evidence(looks: list[_Look], pairs: pl.DataFrame) -> pl.DataFrame:
    return _of_pairs(looks, pairs, pl.col("event") & pl.col("why").is_null()).select(
        "stands_out", "signs", "component", "visit_ro", "failed_ro",
        lead_days=pl.col("next_days") - pl.col("days"),
        lead_distance=pl.col("next_distance") - pl.col("distance"),
    )  # fmt: skip


def _standing(looks: list[_Look], pairs: pl.DataFrame, fleet: Fleet) -> pl.DataFrame:
    # A sign of a vehicle that nobody has seen for long stands for nothing.
    lately = fleet.spans.filter(
        ~pl.col("retired"), pl.col("exit_on") > pl.col("exit_on").max() - timedelta(days=LATELY)
    )
    too_new = pl.col("why").str.starts_with("vehicle not seen")
    rows = _of_pairs(
        looks,
        pairs,
        pl.col("why").is_null() | too_new,
        pl.col("next_days").is_null(),
        pl.col("exit") - pl.col("age") < fleet.horizon,
    )
    return (
        rows.filter("stands_out")
        .join(lately.select("vehicle"), on="vehicle", how="semi")
        .select("signs", "component", "visit_ro", since_days=pl.col("exit_days") - pl.col("days"))
    )


VISIT = ("signs", "component", "vin", "unit_no", "shop", "ro_no", "opened_on")


def _with_orders(
    store: Store, evidence: pl.DataFrame, standing: pl.DataFrame
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Name the orders; one that was taken out of the store meanwhile stands without its number."""
    numbers = pl.concat([evidence["visit_ro"], evidence["failed_ro"], standing["visit_ro"]])
    with store.read() as connection:
        connection.register("shown_order", numbers.unique().to_frame("ro_id"))
        orders = connection.sql(read_sql("analyses", "sign_orders")).pl()
        connection.unregister("shown_order")
    failed = orders.select(
        failed_ro="ro_id", failed_shop="shop", failed_ro_no="ro_no", failed_on="opened_on"
    )
    visits = orders.rename({"ro_id": "visit_ro"})
    evidence = (
        evidence.join(visits, on="visit_ro", how="left")
        .join(failed, on="failed_ro", how="left")
        .sort("stands_out", "opened_on", "visit_ro", "component",
              descending=[True, True, True, False])
        .select(*VISIT, "failed_shop", "failed_ro_no", "failed_on", "lead_days", "lead_distance")
    )  # fmt: skip
    standing = (
        standing.join(visits, on="visit_ro", how="left")
        .sort("opened_on", "visit_ro", "component", descending=[True, True, False])
        .select(*VISIT, "since_days")
    )
    return evidence, standing


def _left_out(
    looks: list[_Look], visits: pl.DataFrame, at_once: int, unread: int, *, single: bool
) -> pl.DataFrame:
    """Count what did not enter, by reason; over several components, what is the same for all."""
    told = pl.col("signs").list.len().cast(pl.Int64)
    rows: list[dict[str, Any]] = [
        {"why": "sign on a visit that found something failed: its occasion, no warning",
         "count": at_once},
        {"why": "failure of a vehicle that had not been watched for the horizon before",
         "count": sum(look.cases.left_out for look in looks)},
    ]  # fmt: skip
    if single:
        reasons = looks[0].followed.visits.filter(pl.col("why").is_not_null())
        rows += reasons.group_by("why").agg(count=told.sum()).sort("why").to_dicts()
        rows.append({"why": f"sign noted on fewer than {LEAST_VISITS} visits (signs)",
                     "count": looks[0].rare})  # fmt: skip
    else:
        rows.append({"why": "sign on a visit with a line whose part was not recognised",
                     "count": visits.filter("unread").select(told.sum()).item()})  # fmt: skip
    rows.append({"why": "complaint in which no sign was read (orders)", "count": unread})
    return (
        pl.DataFrame(rows, schema={"why": pl.String, "count": pl.Int64})
        .filter(pl.col("count") > 0)
        .sort("count", descending=True)
    )


def rate_unit(result: WarningSigns) -> str:
    """Return what the false rate counts per."""
    return "vehicle-year" if result.clock == "days" else f"{RATE_DISTANCE:,} {result.unit}"
