"""The answer on what to renew together, in words."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import polars as pl

from fleetlog.analyses.open_engine import OpenEngine
from fleetlog.analyses.opening_prices import Prices
from fleetlog.analyses.wording import between, counted, listed, number, per_cent

MOST_ORDERS_NAMED = 3


def summary_of(
    facts: Mapping[str, Any], engine: OpenEngine, prices: Prices, titles: Mapping[str, str]
) -> tuple[str, ...]:
    """Say what to renew, what to leave, what is too close, and what that rests on."""
    parts: pl.DataFrame = facts["parts"]
    said = [_answer(facts, engine, titles)]
    for verdict, lead in (
        ("replace now", "Replace now"),
        ("too close to call", "Too close to call"),
        ("leave", "Leave"),
        ("by its interval", "By their interval, not by this reckoning (safety-critical)"),
    ):
        mine = parts.filter(pl.col("verdict") == verdict)
        if mine.height:
            said.append(
                f"{lead}: {'; '.join(_class_words(row, facts) for row in mine.rows(named=True))}."
            )
    if engine.parts.filter(pl.col("open") & ~pl.col("renewed"))["age_assumed"].any():
        said.append(
            "The vehicle was not watched from new: parts that no order renewed are taken to be as "
            "old as the vehicle, and may be younger."
        )
    due = parts.filter(pl.col("note").str.contains("past its"))
    if due.height:
        said.append(f"Past the maker's or legal interval, so never left: {_titles(due)}.")
    overdue = facts["left_out"].filter(pl.col("why").str.contains("past its"))
    if overdue.height:
        said.append(
            "Not weighed, and past the maker's or legal interval, so replace now: "
            f"{_titles(overdue)}."
        )
    said.extend(_neighbour_words(facts))
    if engine.failed_elsewhere:
        said.append(
            f"The order also tells of {listed(engine.failed_elsewhere).lower()}, which lies behind "
            "other covers or none: ask about it by itself."
        )
    if engine.position_assumed:
        said.append(
            "Where the failed part sat was not said, and one of its places was taken: check which "
            "covers are off."
        )
    said.append(_later_words(parts))
    said.extend(prices.said)
    if facts["left_out"].height:
        said.append(
            f"Not weighed: {counted(facts['left_out']['parts'].sum(), 'part')} without a failure "
            "or a price in the store (see what was left out)."
        )
    if facts["method"] == "greedy":
        said.append(
            "So many kinds of parts are open that not every set was weighed: sets were improved "
            "part by part, and a better one may exist."
        )
    return tuple(said)


def _answer(facts: Mapping[str, Any], engine: OpenEngine, titles: Mapping[str, str]) -> str:
    unit, currency = facts["unit"], facts["currency"]
    if facts["ro_no"]:
        whose = f"RO {facts['ro_no']} ({facts['shop']}), "
    elif facts["vin"]:
        whose = f"{facts['vin']}, "
    else:
        whose = ""
    vehicle = f"unit {facts['unit_no']}, " if facts["unit_no"] else ""
    lead = (
        f"{whose}{vehicle}{facts['engine_family']} at {number(facts['distance'], unit)}, "
        f"{listed(titles[code].lower() for code in engine.failed)} failed, to be kept "
        f"{number(facts['horizon'], unit)} more ({facts['horizon_basis']}): "
    )
    nothing, choice = (facts["choices"].row(row, named=True) for row in (0, 1))
    if choice["parts"] == nothing["parts"]:
        more = (
            "nothing more"
            if not nothing["parts"]
            else f"only what is past its interval ({counted(nothing['parts'], 'part')})"
        )
        return (
            f"{lead}renewing {more} costs least by these figures; the engine is then opened again "
            f"with a chance of {per_cent(nothing['chance_again'])}, {number(nothing['openings'])} "
            "times on average."
        )
    limits = facts["saving_interval"]
    sure = "" if limits[0] > 0 else ", so it may not pay"
    return (
        f"{lead}renewing {counted(choice['parts'], 'more part')} costs least: "
        f"{number(choice['cost_now'], currency)} now saves {number(choice['saving'], currency)} "
        f"({between(limits, currency)}{sure}) against renewing {nothing['choice']}, and the chance "
        f"of opening again falls from {per_cent(nothing['chance_again'])} to "
        f"{per_cent(choice['chance_again'])}, openings from {number(nothing['openings'])} to "
        f"{number(choice['openings'])} on average."
    )


def _class_words(row: Mapping[str, Any], facts: Mapping[str, Any]) -> str:
    where = f", {row['positions']}" if row["positions"] else ""
    return (
        f"{row['count']} x {row['title'].lower()}{where} (age {number(row['age'], facts['unit'])}, "
        f"chance {per_cent(row['chance'])} each)"
    )


def _titles(frame: pl.DataFrame) -> str:
    return listed(frame["title"].unique(maintain_order=True).str.to_lowercase())


def _later_words(parts: pl.DataFrame) -> str:
    """Say how failures after this job are taken to be met."""
    whole = parts.filter("whole_later")
    if whole.is_empty():
        return "Later failures are reckoned with as met by renewing what failed, and no more."
    named = listed(
        f"{row['title'].lower()}{', ' * bool(row['positions'])}{row['positions']}"
        for row in whole.rows(named=True)
    )
    return (
        "Later failures are reckoned with as met by renewing what failed; but all at once, which "
        f"costs less there, among these: {named}."
    )


def _neighbour_words(facts: Mapping[str, Any]) -> list[str]:
    said = []
    used = facts["neighbours"].filter("used")
    clear = used.filter((pl.col("lower") > 1) | (pl.col("upper") < 1))
    for row in clear.rows(named=True):
        mine = facts["evidence"].filter(pl.col("component") == row["component"])
        said.append(
            f"{row['title']}: once a neighbour has failed it fails {number(row['ratio'])} times as "
            f"often at the same age ({between((row['lower'], row['upper']))}; {row['why']}); "
            f"reckoned with {number(row['reckoned_with'])}.{_instances(mine)}"
        )
    unclear = used.filter((pl.col("lower") <= 1) & (pl.col("upper") >= 1))
    if unclear.height:
        rows = [
            f"{row['title'].lower()} {number(row['ratio'])} times "
            f"({between((row['lower'], row['upper']))}; reckoned with "
            f"{number(row['reckoned_with'])})"
            for row in unclear.rows(named=True)
        ]
        said.append(
            f"Once a neighbour has failed, not clearly more or less often: {listed(rows)}."
            + ("" if clear.height else _instances(facts["evidence"]))
        )
    plain = facts["neighbours"].filter(~pl.col("used"))
    if plain.height:
        said.append(
            "By age alone, for the fleet's failures are too few to tell what a neighbour's failure "
            f"adds: {_titles(plain)}."
        )
    return said


def _instances(evidence: pl.DataFrame) -> str:
    """Name some orders of failures that came after one of a neighbour."""
    orders = listed(
        f"RO {one['ro_no']} ({one['shop']}) after RO {one['first_ro_no']} ({one['first_shop']})"
        for one in evidence.head(MOST_ORDERS_NAMED).rows(named=True)
    )
    return f" For instance {orders}." if orders else ""


def place_words_of(ordinals: list[int], places: pl.DataFrame) -> str:
    """Say where parts of one component sit, as short as may be.

    Parameters
    ----------
    ordinals : of the parts. places : all positions of that component: ``ordinal``, ``bank``,
        ``cylinder``, ``side``, ``slot``.

    Returns
    -------
    "bank 2, cylinders 5 and 7, exhaust"; whatever is not narrowed down is not said. Empty where
    the component has one position.
    """
    if places.height == 1:
        return ""
    mine = places.filter(pl.col("ordinal").is_in(ordinals))
    if mine.height == places.height:
        return f"all {places.height}"
    rest, words = places, []
    for column, one, many in (
        ("bank", "bank {}", "banks {}"),
        ("cylinder", "cylinder {}", "cylinders {}"),
        ("side", "{}", "{}"),
        ("slot", "no. {}", "nos. {}"),
    ):
        values = mine[column].unique().sort().to_list()
        narrowed = rest.filter(pl.col(column).is_in(values, nulls_equal=True))
        if narrowed.height < rest.height:
            words.append((one if len(values) == 1 else many).format(listed(map(str, values))))
            rest = narrowed
    if rest.height == mine.height:
        return ", ".join(words)
    block = ", ".join(words) or f"all {rest.height}"
    others = [one for one in rest["ordinal"].to_list() if one not in ordinals]
    if len(others) < mine.height:
        # No block of positions, but one with few gaps.
        return f"{block} but for {place_words_of(others, rest)}"
    for column in ("bank", "cylinder", "side", "slot"):
        if mine[column].n_unique() > 1:
            return "; ".join(
                place_words_of(group["ordinal"].to_list(), places)
                for (_,), group in mine.group_by(column, maintain_order=True)
            )
    return block
