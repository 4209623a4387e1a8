"""Which repairs come back, by whom or what, with limits that are fair to small numbers."""

from __future__ import annotations

from typing import Any

import polars as pl

from fleetlog.analyses.components import find_component
from fleetlog.analyses.one_vehicle import by_vehicle, limited_by_vehicles
from fleetlog.analyses.part_life import groups_of
from fleetlog.analyses.results import Comebacks
from fleetlog.analyses.wording import FEW_REPAIRS, between_shares, counted, number, per_cent
from fleetlog.errors import InputError
from fleetlog.lives.select import check_choices
from fleetlog.settings import COMEBACK_DAYS, COMEBACK_MILES, LEVEL
from fleetlog.sql import read_sql
from fleetlog.stats import kaplan_meier, proportion_interval
from fleetlog.store import Store
from fleetlog.units import convert_distance

GROUPINGS = ("shop", "component", "part_maker", "engine_family", "depot")


def comebacks(
    store: Store,
    *,
    by: str = "shop",
    component: str | None = None,
    window_days: int = int(COMEBACK_DAYS.value),
    window_distance: float | None = None,
    level: float = LEVEL.value,
) -> Comebacks:
    """Estimate the share of repairs after which the same component is at fault again.

    A repair is an order's work on one component that was not planned service alone. It comes back
    when a later order finds the same component of the same vehicle failed, within the window of
    ``window_days`` or ``window_distance`` (the store's unit), whichever is longer in force.
    Orders linked as one job are one visit: no comebacks of each other, and counted once.

    Parameters
    ----------
    by : one of :data:`GROUPINGS`: the repairing shop, the component, ...
    component : only repairs of this component.
    window_distance : default :data:`fleetlog.settings.COMEBACK_MILES`.

    Raises
    ------
    InputError : an unknown grouping or component, a window that is not positive, or no repair.

    Notes
    -----
    The rate is a product-limit estimate over the days since the repair, clustered by vehicle, so
    that recent repairs count for as long as they have been watched and not as good ones. Where
    no repair has come back, or all have, the limits are Clopper and Pearson's on the repairs
    watched for the whole window.
    """
    check_choices("grouping", (by,), GROUPINGS)
    title = find_component(component).title if component is not None else None
    if window_distance is None:
        window_distance = convert_distance(COMEBACK_MILES.value, "mi", store.distance_unit)
    if window_days <= 0 or window_distance <= 0:
        raise InputError("the window must be longer than nought: give days and a distance above 0")
    pairs = store.frame(
        read_sql("analyses", "comebacks"),
        {"component": component, "window_days": window_days, "window_distance": window_distance},
    )
    repairs = _followed(pairs, by)
    kept = repairs.filter(pl.col("why").is_null())
    if kept.is_empty():
        raise InputError("the store has no repair to follow: load repair orders first")
    answers = [_answer(label, group, level) for label, _, group in groups_of(kept, (by,))]
    groups = pl.DataFrame([row for row, _ in answers], infer_schema_length=None).sort(
        "rate", "repairs", descending=True, nulls_last=True
    )
    returned = kept.filter("came_back").sort("opened_on", "vin", descending=[True, False])
    return Comebacks(
        by=by,
        component=component,
        window_days=window_days,
        window_distance=window_distance,
        unit=store.distance_unit,
        level=level,
        groups=groups,
        curves=pl.concat([curve for _, curve in answers]),
        pairs=returned.select(
            "group", "vin", "unit_no", "component", "title", "shop", "ro_no", "opened_on",
            "back_shop", "back_ro_no", "back_on", "days", distance="driven",
        ),
        left_out=(
            repairs.filter(pl.col("why").is_not_null())
            .group_by("why")
            .agg(count=pl.len().cast(pl.Int64))
            .sort("count", descending=True)
        ),
        summary=_summary(
            groups, by, title, window_days, window_distance, store.distance_unit, level
        ),
    )  # fmt: skip


def _followed(pairs: pl.DataFrame, by: str) -> pl.DataFrame:
    """Give each repair the days it was followed, and the reason where it cannot be."""
    closed = pl.col("followed_days") >= pl.col("window_closes")
    return pairs.with_columns(
        group=pl.col("title" if by == "component" else by).fill_null(f"no {by} given"),
        vehicle=pl.col("vin").rank("dense"),
        closed=closed,
        why=pl.when("told_again")
        .then(pl.lit("told again: linked with another order of the same job"))
        .when("planned_only")
        .then(pl.lit("planned service: not a repair"))
        .when(~pl.col("came_back") & (pl.col("followed_days") <= 0))
        .then(pl.lit("not watched after the repair")),
        # A repair whose window closed cannot come back any more: it stays in the count of
        # those at risk to the end, and is not censored when its window closes.
        days_followed=pl.when("came_back")
        .then(pl.col("days"))
        .when(closed)
        .then(pl.col("window_closes").max())
        .otherwise(pl.col("followed_days")),
    )


def _answer(label: str, repairs: pl.DataFrame, level: float) -> tuple[dict[str, Any], pl.DataFrame]:
    back = int(repairs["came_back"].sum())
    watched = int(repairs.select((pl.col("came_back") | pl.col("closed")).sum()).item())
    cluster = by_vehicle(repairs["vehicle"])
    survival = kaplan_meier(
        repairs["days_followed"].to_numpy(),
        repairs["came_back"].to_numpy(),
        cluster=cluster,
        level=level,
    )
    curve = limited_by_vehicles(survival, cluster).table.select(
        pl.lit(label).alias("group"),
        "time",
        "at_risk",
        estimate=1 - pl.col("estimate"),
        lower=1 - pl.col("upper"),
        upper=1 - pl.col("lower"),
    )
    last = curve.row(-1, named=True)
    if back in (0, repairs.height) or cluster is None:
        last["lower"], last["upper"] = (
            proportion_interval(back, watched, method="exact", level=level)
            if watched
            else (0.0, 1.0)
        )
    notes = []
    if repairs.height < FEW_REPAIRS:
        notes.append(f"thin: only {counted(repairs.height, 'repair')}")
    if cluster is None:
        notes.append("one vehicle only: the limits take its repairs as independent")
    if back == 0:
        notes.append("none has come back so far")
    row = {
        "group": label,
        "repairs": repairs.height,
        "comebacks": back,
        "followed_up": watched,
        "rate": last["estimate"],
        "lower": last["lower"],
        "upper": last["upper"],
        "note": "; ".join(notes),
    }
    return row, curve


def _summary(
    groups: pl.DataFrame,
    by: str,
    title: str | None,
    window_days: int,
    window_distance: float,
    unit: str,
    level: float,
) -> tuple[str, ...]:
    repairs, back = int(groups["repairs"].sum()), int(groups["comebacks"].sum())
    of = f" of the {title.lower()}" if title else ""
    said = [
        f"{counted(back, 'repair')}{of} out of {repairs:,} came back within {window_days} days or "
        f"{number(window_distance, unit)}, whichever was longer."
    ]
    sound = groups.filter(pl.col("repairs") >= FEW_REPAIRS)
    if sound.height > 1 and back:
        worst = sound.sort("rate", descending=True).row(0, named=True)
        rest = groups.filter(pl.col("group") != worst["group"])
        others = int(rest["comebacks"].sum()) / max(1, int(rest["repairs"].sum()))
        said.append(
            f"Highest {by.replace('_', ' ')}: {worst['group']}, {per_cent(worst['rate'])} "
            f"({between_shares((worst['lower'], worst['upper']))}; "
            f"{counted(worst['comebacks'], 'comeback')} of {worst['repairs']:,} repairs), "
            + (
                "and its limits lie above the rate of all the others together "
                f"({per_cent(others)})."
                if worst["lower"] > others
                else f"which chance alone could make of the others' {per_cent(others)}."
            )
        )
    thin = groups.filter(pl.col("repairs") < FEW_REPAIRS).height
    if thin:
        said.append(f"{counted(thin, 'group')} with fewer than {FEW_REPAIRS} repairs say little.")
    said.append(f"Limits are at {100 * level:g} %.")
    return tuple(said)
