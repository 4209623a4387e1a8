"""How the answer about what to have ready is put in words."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import polars as pl

from fleetlog.analyses.wording import (
    FEW_REPAIRS,
    between,
    between_shares,
    counted,
    listed,
    number,
    per_cent,
)

if TYPE_CHECKING:
    from fleetlog.analyses.have_ready import HaveReady

MOST_NAMED = 6
MOST_USUAL = 4


def say_ready(result: HaveReady, advised_from: float) -> tuple[str, ...]:
    """Say what to have on the bench, the most often needed first, with the orders behind it."""
    needs = result.needs
    wanted = needs.filter(
        pl.col("need").is_in(["broke in the work", "renewed with it"]),
        pl.col("share") >= advised_from,
    )
    place = "".join(f", {name} {value}" for name, value in result.where.items())
    subject = f"{result.title} on {result.engine_family}{place}"
    basis = f"{counted(result.jobs, 'job')} on {counted(result.vehicles, 'vehicle')}"
    if wanted.is_empty():
        said = [f"{subject}: {basis}; no part beside it was needed more often than on other work."]
    else:
        said = [
            f"{subject}: have ready, beside the part itself, "
            f"{listed(_title(row) for row in wanted.rows(named=True))} ({basis})."
        ]
    itself = needs.filter(pl.col("need") == "the part itself")
    if itself.height:
        said.append(f"The part itself: {_amount(itself.row(0, named=True))}.")
    said.extend(_need(row) for row in wanted.head(MOST_NAMED).rows(named=True))
    said += _less_often(needs, advised_from)
    said += _usual(needs)
    said += _hours(result)
    said += _difference(result)
    said += _last(result)
    return tuple(said)


def _title(row: dict[str, Any]) -> str:
    title: str = row["title"]
    spare = " (one breaks in the work)" if row["need"] == "broke in the work" else ""
    return f"{title.lower()}{spare}"


def _amount(row: dict[str, Any]) -> str:
    middle, low, high = row["quantity"], row["quantity_p10"], row["quantity_p90"]
    text = f"{number(middle)} in the middle job"
    if low != high:
        text += f", four in five between {number(low)} and {number(high)}"
    return f"{text}, last {row['last_part_no']}" if row["last_part_no"] else text


def _need(row: dict[str, Any]) -> str:
    how = "broke in the work on" if row["need"] == "broke in the work" else "was renewed on"
    other = (
        f", against {per_cent(row['elsewhere'])} of the family's other visits"
        if row["elsewhere"] is not None
        else ""
    )
    return (
        f"{row['title']} {how} {per_cent(row['share'])} of the jobs "
        f"({between_shares((row['lower'], row['upper']))}; {row['jobs']:,}){other}; "
        f"{_amount(row)}."
    )


def _less_often(needs: pl.DataFrame, advised_from: float) -> list[str]:
    rare = needs.filter(
        pl.col("need").is_in(["broke in the work", "renewed with it"]),
        pl.col("share") < advised_from,
    )
    if rare.is_empty():
        return []
    names = listed(
        f"{row['title'].lower()} ({per_cent(row['share'])}"
        f"{', broke' if row['need'] == 'broke in the work' else ''})"
        for row in rare.head(MOST_USUAL).rows(named=True)
    )
    return [f"Less often: {names}."]


def _usual(needs: pl.DataFrame) -> list[str]:
    usual = needs.filter(pl.col("need") == "usual on any job")
    if usual.is_empty():
        return []
    names = [row["title"].lower() for row in usual.head(MOST_USUAL).rows(named=True)]
    if usual.height > MOST_USUAL:
        names.append(counted(usual.height - MOST_USUAL, "other part"))
    return [
        "Also renewed on some of the visits, but no more often than on any other visit: "
        f"{listed(names)}."
    ]


def _hours(result: HaveReady) -> list[str]:
    said = []
    for row in result.hours.rows(named=True):
        limits = (
            f" ({between((row['median_lower'], row['median_upper']))})"
            if row["median_lower"] is not None and row["median_upper"] is not None
            else ""
        )
        note = f"; {row['note']}" if row["note"] else ""
        said.append(
            f"{row['what'].capitalize()}: {number(row['median'], 'h')} in the middle job{limits}, "
            f"four in five between {number(row['p10'])} and {number(row['p90'], 'h')} "
            f"({counted(row['jobs'], 'job')}{note})."
        )
    return said


def _difference(result: HaveReady) -> list[str]:
    found = result.downtime_difference
    if found is None:
        return []
    head = (
        f"Where a part broke in the work the vehicle stood {abs(found.difference):.1f} h "
        f"{'longer' if found.difference > 0 else 'shorter'} on average"
    )
    if found.lower is None or found.upper is None:
        return [f"{head}; all on one vehicle, so without limits."]
    judged = (
        "more than chance makes"
        if found.lower > 0 or found.upper < 0
        else "which chance alone could make"
    )
    return [
        f"{head} (limits of the difference {found.lower:.1f} to {found.upper:.1f} h; "
        f"{found.with_it:,} against {counted(found.without_it, 'job')}), {judged}."
    ]


def _last(result: HaveReady) -> list[str]:
    said = []
    if result.torques.height:
        said.append(
            f"Torques were written down for {counted(result.torques.height, 'fastener')} on those "
            "jobs; they are what was noted and no specification."
        )
    latest = result.evidence.head(3).rows(named=True)
    told = "; ".join(
        f"{row['unit_no'] or row['vin']}, {row['shop']} {row['ro_no']} ({row['opened_on']})"
        for row in latest
    )
    said.append(f"Latest jobs: {told}.")
    if result.unread.height:
        jobs = int(result.unread["jobs"].sum())
        said.append(
            f"{counted(jobs, 'line')} of those jobs named a part that was not recognised, and "
            "may be needed too."
        )
    if result.jobs < FEW_REPAIRS:
        said.append(f"Thin: {counted(result.jobs, 'job')} say little about what is seldom needed.")
    said.append(
        f"Limits are at {100 * result.level:g} %. Those of shares and of the difference allow for "
        "jobs of one vehicle being alike; those of hours do not."
    )
    return said
