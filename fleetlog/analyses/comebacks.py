"""Which repairs come back, by whom or what, with limits that are fair to small numbers."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import duckdb
import polars as pl

from fleetlog.analyses.comeback_rates import CAME_BACK, RETIRED, rate_all, rate_groups
from fleetlog.analyses.comeback_words import summarise
from fleetlog.analyses.components import find_component
from fleetlog.analyses.results import Comebacks
from fleetlog.catalogue.signs import load_signs
from fleetlog.errors import InputError
from fleetlog.intake.narrative.signs import code_signs
from fleetlog.lives.select import check_choices
from fleetlog.settings import COMEBACK_DAYS, COMEBACK_MILES, LEVEL
from fleetlog.sql import read_sql
from fleetlog.store import Store
from fleetlog.units import convert_distance

GROUPINGS = (
    "shop", "technician", "component", "access_group", "job", "part_maker", "part_lot",
    "road_tested", "codes_cleared", "engine_family", "depot",
)  # fmt: skip
SAME = ("component", "access-group", "complaint")
GENERAL_SIGNS = ("engine-lamp",)
"""Signs that go with any trouble, so that two complaints of them are no same complaint.

Common practice, no source.
"""
LEAST_TIMES = 2.0
"""So many times as often as other visits do those with a sign have it again, or it is too common.

A rule of thumb, no source: half of what then matches would not have come by chance.
"""


def comebacks(
    store: Store,
    *,
    by: str = "shop",
    same: str = "component",
    component: str | None = None,
    window_days: int = int(COMEBACK_DAYS.value),
    window_distance: float | None = None,
    level: float = LEVEL.value,
) -> Comebacks:
    """Estimate the share of repairs after which the vehicle is back with the same trouble.

    A repair is an order's work on one component that was not planned service alone. It comes back
    when an order of a later day finds the same component of the same vehicle failed, within the
    window of ``window_days`` or ``window_distance`` (the store's unit), whichever is longer in
    force. Orders linked as one job are one visit: no comebacks of each other, and counted once.
    Pairs that a person has said to have nothing to do with each other are no comebacks.

    Parameters
    ----------
    by : one of :data:`GROUPINGS`; "job" is a component on an engine family. Technicians are shown
        by name and shop where the store shows names, else as "technician 1", ... in the order of
        their first repair in the store.
    same : one of :data:`SAME`. "access-group": a failure of any part behind the same covers is a
        comeback, and work on several of them in one order is one repair in each group.
        "complaint": an order that is opened for the same complaint is one, whatever it found and
        whatever was done; complaints are the same where they hold the same words, but for
        endings and words that say nothing of the trouble, or where they tell the same sign of
        ``catalogue/complaint_signs.toml`` ("tick at idle", "noisy lifters"), unless it is one of
        :data:`GENERAL_SIGNS`, or comes within the window of other complaints more than half
        as often as of itself. What a pair has in common stands in ``pairs``.
    component : only repairs of this component.
    window_distance : default :data:`fleetlog.settings.COMEBACK_MILES`.

    Raises
    ------
    InputError : an unknown grouping or component, a window that is not positive, or no repair.

    Notes
    -----
    The rate is the share returned by the days since the repair, with retirement of the vehicle
    competing (Aalen-Johansen), clustered by vehicle, so that recent repairs count for as long as
    they have been watched and not as good ones. Where no repair has come back, or all have, or
    all are of one vehicle, the limits are Clopper and Pearson's on the repairs watched for the
    whole window.

    Rates are drawn towards what the groups share by a beta-binomial (`shrink_proportions`). Its
    trials, and the sizes of what follows, are repairs *followed*: one whose outcome is known
    counts as one, one that was last seen inside its window as the part of it that its follow-up
    carries, so that comebacks over followed is the product-limit rate for the whole fleet.

    Jobs differ, so each group is also held against the comebacks that it would have at the rates
    of all the others on the same jobs (`compare_with_others`): the same engine family and
    component; for engine families the same component; for components, access groups and jobs the
    same shop. Whether the ratio is more than chance makes is read off a funnel (`funnel_limits`),
    which is widened by what groups differ anyway where there are enough of them to tell
    (`overdispersion`). Returns of one vehicle go together, so all of that counts the comebacks as
    fewer than they are, by as much as clustering widens the rates. The shrunk rates do not: where
    the returns of a few vehicles make a rate, they are shrunk too little.
    """
    check_choices("grouping", (by,), GROUPINGS)
    check_choices("kind of comeback", (same,), SAME)
    title = find_component(component).title if component is not None else None
    if window_distance is None:
        window_distance = convert_distance(COMEBACK_MILES.value, "mi", store.distance_unit)
    if window_days <= 0 or window_distance <= 0:
        raise InputError("the window must be longer than nought: give days and a distance above 0")
    complaint = same == "complaint"
    query = read_sql("analyses", "comebacks").format(
        work=read_sql("analyses", "comeback_complaints" if complaint else "comeback_lines")
    )
    named = store.technicians_named()
    asked = {
        "by": by, "component": component, "window_days": window_days,
        "window_distance": window_distance, "name_technicians": named,
    }  # fmt: skip
    with store.read() as connection:
        if complaint:
            found = _by_complaint(connection, query, asked)
        else:
            found = connection.sql(query, params=asked | {"same": same}).pl()
    found = _followed(found)
    repairs = found.filter(pl.col("why").is_null())
    if same != "component":
        # Work on several parts under one subject is one repair, in each group that it falls in.
        repairs = repairs.sort("ro_id", "component").unique(
            ("visit_ro", "subject", "group"), keep="first", maintain_order=True
        )
    if repairs.is_empty():
        raise InputError("the store has no repair to follow: load repair orders first")
    groups, curves, funnel, between, clustering = rate_groups(repairs, level)
    # In one component's work there is nothing to count twice.
    whole = repairs if same == "component" else repairs.unique(("visit_ro", "subject"))
    rate, lower, upper = rate_all(whole, level)
    result = Comebacks(
        by=by,
        same=same,
        component=component,
        window_days=window_days,
        window_distance=window_distance,
        unit=store.distance_unit,
        level=level,
        repairs=whole.height,
        came_back=int(whole["came_back"].sum()),
        rate=rate,
        rate_interval=(lower, upper),
        groups=groups.sort("rate", "repairs", "group", descending=[True, True, False]),
        curves=curves,
        funnel=funnel,
        between=between,
        clustering=clustering,
        pairs=_pairs(store, repairs, same),
        unrelated=store.frame(read_sql("analyses", "comeback_rulings")),
        left_out=(
            found.filter(pl.col("why").is_not_null())
            .group_by("why")
            .agg(count=pl.len().cast(pl.Int64))
            .sort("count", "why", descending=[True, False])
        ),
        summary=(),
    )
    return replace(result, summary=summarise(result, title, name_technicians=named))


RETURN = ("came_back", "days", "driven", "back_ro", "key")


def _by_complaint(
    connection: duckdb.DuckDBPyConnection, query: str, asked: Mapping[str, object]
) -> pl.DataFrame:
    """Give each repair the first of the faults that have its words, or a sign of its complaint."""
    told = connection.sql(
        read_sql("analyses", "comeback_told"), params={"window_days": asked["window_days"]}
    ).pl()
    signs = code_signs(told["complaint"]).filter(~pl.col("sign").is_in(GENERAL_SIGNS))
    connection.register("complaint_sign", _specific(told, signs))
    try:
        rows: pl.DataFrame = connection.sql(query, params=dict(asked)).pl()
    finally:
        connection.unregister("complaint_sign")
    repair = ("ro_id", "component")
    by_words = pl.col("key").eq_missing(pl.col("subject"))
    first = rows.sort("days", ~by_words, "key", nulls_last=True).unique(
        repair, keep="first", maintain_order=True
    )
    # Two orders of one visit that tell the same sign tell one complaint, in whatever words.
    earlier = pl.col("ro_id").min().over("visit_ro", "key") < pl.col("ro_id")
    again = rows.filter(~by_words, earlier)["ro_id"].unique()
    # Whether it is a repair, and how long it was followed, is told with its words.
    repairs: pl.DataFrame = (
        rows.filter(by_words)
        .drop(RETURN)
        .with_columns(pl.col("told_again") | pl.col("ro_id").is_in(again.implode()))
        .join(first.select(*repair, *RETURN), on=repair, nulls_equal=True, maintain_order="left")
    )
    return repairs


def _specific(told: pl.DataFrame, signs: pl.DataFrame) -> pl.DataFrame:
    """Keep the signs that follow themselves more often than they follow anything else.

    Of visits with a sign and of those without, the share whose next visit within the window tells
    it: a sign that many vehicles have all the time comes after any repair, and is no return.

    Parameters
    ----------
    told : as ``comeback_told.sql`` gives it. signs : ``text`` and ``sign``.
    """
    sets = signs.group_by("text").agg(signs="sign")
    noted = told.join(sets, left_on="complaint", right_on="text", how="left").join(
        sets.rename({"signs": "signs_before"}), left_on="before", right_on="text", how="left"
    )
    after = (
        noted.filter("is_next")
        .explode("signs")
        .group_by(sign="signs")
        .agg(
            itself=pl.col("orders")
            .filter(pl.col("signs_before").list.contains(pl.col("signs")).fill_null(value=False))
            .sum(),
            all=pl.col("orders").sum(),
        )
    )
    every = noted["orders"].sum()
    common = (
        noted.explode("signs")
        .group_by(sign="signs")
        .agg(pl.col("orders").sum())
        .join(after, on="sign")
        .filter(
            pl.col("itself") * (every - pl.col("orders"))
            < LEAST_TIMES * (pl.col("all") - pl.col("itself")) * pl.col("orders")
        )
    )
    return signs.join(common, on="sign", how="anti")


def _followed(pairs: pl.DataFrame) -> pl.DataFrame:
    """Give each repair its time and how it ended, and the reason where it cannot be followed."""
    known = pl.col("came_back") | pl.col("closed")
    # A repair whose window closed cannot come back any more: it stays in the count of those at
    # risk to the end, and is not censored when its window closes.
    end = pl.when("came_back").then("days").otherwise("followed_days")
    horizon = pl.max_horizontal(pl.when(~known | pl.col("came_back")).then(end).max(), 1)
    return pairs.with_columns(
        why=pl.when(pl.col("subject").is_null())
        .then(pl.lit("no complaint that says what the trouble was"))
        .when("told_again")
        .then(pl.lit("told again: linked with another order of the same job"))
        .when("planned_only")
        .then(pl.lit("planned service: not a repair"))
        .when(~pl.col("came_back") & (pl.col("followed_days") <= 0))
        .then(pl.lit("not watched after the repair")),
        time=pl.when(pl.col("closed") & ~pl.col("came_back")).then(horizon + 1).otherwise(end),
        cause=pl.when("came_back")
        .then(CAME_BACK)
        .when(pl.col("retires") & ~pl.col("closed"))
        .then(RETIRED)
        .otherwise(0),
    )


def _pairs(store: Store, repairs: pl.DataFrame, same: str) -> pl.DataFrame:
    titles = {f":{code}": f"same sign: {sign.title.lower()}" for code, sign in load_signs().items()}
    alike = "same words" if same == "complaint" else f"same {same.replace('-', ' ')}"
    returned = repairs.filter("came_back").select(
        "group", "ro_id", "back_ro", "component", "days", "driven",
        matched_by=pl.col("key").replace_strict(titles, default=alike, return_dtype=pl.String),
    )  # fmt: skip
    with store.read() as connection:
        connection.register("returned", returned)
        pairs: pl.DataFrame = connection.sql(read_sql("analyses", "comeback_pairs")).pl()
    return pairs
