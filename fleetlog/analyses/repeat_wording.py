"""Repeat failures in the words of a foreman."""

from __future__ import annotations

from typing import Any

import polars as pl

from fleetlog.analyses.components import find_component
from fleetlog.analyses.repeat_search import Search
from fleetlog.analyses.repeat_stories import Story, reach_limits
from fleetlog.analyses.wording import counted, is_thin, listed, number, per_cent

NAMED_ORDERS = 3
HARDLY_ANY = 0.1
MAY_BE_CHANCE = 0.01
WORTH_SAYING = 0.05
TOLD = 8
"""So many findings are told in the summary; the rest are in the frame."""


def title_of(cell: dict[str, Any], unit: str) -> str:
    """Name a cell: "Rocker arm on V8-51, bank 2, exhaust, worn"."""
    title = find_component(cell["component"]).title
    if cell["engine_family"] is not None:
        title += f" on {cell['engine_family']}"
    parts = [
        cell["place"],
        cell["failure_mode"],
        cell["part_lot"] and f"lot {cell['part_lot']}",
        cell["part_maker"] and f"made by {cell['part_maker']}",
        cell["depot"],
        cell["model_year"] and f"model year {cell['model_year']}",
        None if cell["reach"] is None else _reach_words(cell["reach"], unit),
    ]
    return ", ".join([title, *(part for part in parts if part)])


def _reach_words(reach: int, unit: str) -> str:
    low, high = reach_limits(reach)
    if high is None:
        return f"beyond {number(low, unit)}"
    return (
        f"between {number(low)} and {number(high, unit)}" if low else f"below {number(high, unit)}"
    )


def sentence_of(row: dict[str, Any], story: Story, unit: str) -> str:
    """Say one finding as a foreman would."""
    rest = row["against"] if row["within"] is None else f"the rest of finding {row['within']}"
    usual = _few(row["expected"]) if row["expected"] >= HARDLY_ANY else "hardly any"
    said = [
        f"{row['title']}: {counted(row['failed'], 'part')} failed on "
        f"{counted(row['vehicles_failed'], 'vehicle')}, where {usual} would be usual by {rest}"
        f"{_times(row)}.",
        f"{_since(row, story)}, mostly at {_about(row['age_low'])} to "
        f"{_about(row['age_high'], unit)} of the part, half of them by "
        f"{_about(row['age_median'], unit)}.",
    ]
    if row["worst_places"]:
        said.append(f"Most at {row['worst_places']}.")
    if row["near"]:
        said.append(_next(story, row["near"]))
    said.append(_orders(story))
    return " ".join(said)


def note_of(row: dict[str, Any]) -> str:
    """Say what a finding cannot bear."""
    said = []
    if row["q_value"] > MAY_BE_CHANCE:
        said.append(f"may be chance: so is one in {1 / row['q_value']:,.0f} of such findings")
    if is_thin(row["failed"]):
        said.append(f"thin: only {counted(row['failed'], 'failure')}")
    if row["parts"] > row["failed"]:
        said.append(
            f"{row['parts'] - row['failed']:,} more failed that another finding tells of, or at "
            "ages at which there is nothing to hold them against"
        )
    if row["position_assumed_share"] >= WORTH_SAYING:
        said.append(f"{per_cent(row['position_assumed_share'])} of the positions are assumed")
    if row["age_assumed_share"] >= WORTH_SAYING:
        said.append(
            f"{per_cent(row['age_assumed_share'])} of the failed parts were on the vehicle when it "
            "came under watch and may be younger than said"
        )
    if row["excess_cost"] is None:
        said.append("no order tells what it costs")
    if find_component(row["component"]).safety_critical:
        said.append(
            "safety-critical: never run it to failure, nor past its maker's or legal interval"
        )
    return "; ".join(said)


def _about(value: float, unit: str = "") -> str:
    """Round an age to what a pattern can bear: hundreds below ten thousand, else thousands."""
    return number(round(value, -2 if value < 10_000 else -3), unit)


def _since(row: dict[str, Any], story: Story) -> str:
    if row["since"] is None:
        return "With no clear beginning"
    if row["since"] <= story.watched_from:
        return "For as long as there are records"
    return f"Since {row['since']:%B %Y}"


def _times(row: dict[str, Any]) -> str:
    """Say the ratio with its limits; one that is not known is left unsaid."""
    if row["ratio"] is None or row["expected"] < HARDLY_ANY:
        return ""
    high = f"to {_few(row['upper'])}" if row["upper"] is not None else "or more"
    return f": {_few(row['ratio'])} times as many ({_few(row['lower'])} {high})"


def _few(value: float) -> str:
    return f"{value:,.0f}" if value >= 10 else f"{value:.1f}"


def _orders(story: Story) -> str:
    orders = story.evidence.select("shop", "ro_no").unique(maintain_order=True)
    named = listed(f"{shop} {ro_no}" for shop, ro_no in orders.head(NAMED_ORDERS).iter_rows())
    return f"Latest of {counted(orders.height, 'RO')}: {named}."


def _next(story: Story, near: int) -> str:
    unfailed = story.watch.filter(pl.col("stands") != "beyond it").unique(
        "vin", maintain_order=True
    )
    units = listed(
        str(unit or vin)
        for unit, vin in unfailed.head(NAMED_ORDERS).select("unit_no", "vin").iter_rows()
    )
    one = near == 1
    return (
        f"{counted(near, 'vehicle')} {'has' if one else 'have'} not failed and "
        f"{'is' if one else 'are'} in that range or near it, first {units}."
    )


def summary_of(
    findings: pl.DataFrame, found: Search, false_share: float, level: float, currency: str
) -> tuple[str, ...]:
    """Say the answer first, then each finding, then what the figures can bear."""
    looked = f"{counted(found.first_look.height, 'cell')} looked at"
    if findings.is_empty():
        said = [f"No repeat failure: none of {looked} fails beyond what chance makes of so many."]
    else:
        # A part of a finding is in its cost already.
        whole = float(findings.filter(pl.col("within").is_null())["excess_cost"].sum())
        cost = f"; what failed too often has cost about {number(whole, currency)}" if whole else ""
        said = [
            f"{counted(findings.height, 'repeat failure')} "
            f"{'stands' if findings.height == 1 else 'stand'} out of {looked}, the costliest "
            f"first{cost}."
        ]
        for row in findings.head(TOLD).iter_rows(named=True):
            note = f" ({row['note']})" if row["note"] else ""
            said.append(f"{row['finding']}. {row['sentence']}{note}")
        if findings.height > TOLD:
            said.append(f"{findings.height - TOLD} more are in the table.")
    chance = (
        f"Chance alone shows a finding in at most {per_cent(false_share)} of fleets that have none"
        if findings.is_empty()
        else f"At most {per_cent(false_share)} of such findings are chance"
    )
    said.append(
        f"{chance}, all looks counted ({found.looks:,}, with those taken again after each "
        f"finding); limits are at {100 * level:g} %."
    )
    return tuple(said)
