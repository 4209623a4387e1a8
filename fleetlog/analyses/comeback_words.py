"""What a foreman reads first of the comebacks."""

from __future__ import annotations

from typing import Any

import polars as pl

from fleetlog.analyses.results import Comebacks
from fleetlog.analyses.wording import (
    FEW_REPAIRS,
    TECHNICIANS_HIDDEN,
    between_shares,
    counted,
    listed,
    number,
    per_cent,
)
from fleetlog.settings import FUNNEL_OUTER_LEVEL, GROUPS_TO_DIFFER

NAMED = 3
"""So many groups that stand out are told of in words; the table has all."""

TOLD_CLUSTERING = 1.2
"""Below this the returns of one vehicle change no limit by as much as a tenth."""

RETURNS = {
    "component": "with the same component at fault",
    "access-group": "with a part behind the same covers at fault",
    "complaint": "with the same complaint",
}
PLURALS = {
    "road_tested": "kinds (road-tested or not)",
    "codes_cleared": "kinds (codes cleared or not)",
    "engine_family": "engine families",
}
ALIKE = {
    "component": "at the same shop", "access_group": "at the same shop", "job": "at the same shop",
    "engine_family": "on the same components",
}  # fmt: skip


def summarise(result: Comebacks, title: str | None, *, name_technicians: bool) -> tuple[str, ...]:
    """Return the sentences of an answer, the answer first."""
    said = [_whole(result, title), *_standing_out(result), *_caution(result)]
    retired = int(result.groups["retired"].sum())
    if retired:
        said.append(
            f"After {counted(retired, 'repair')} the vehicle was retired within the window and "
            "could no longer come back."
        )
    if result.same == "complaint":
        said.append(
            "Complaints are matched by their words or by a sign that both tell: trouble in words "
            "that tell no known sign is not matched, and two troubles may share a sign."
        )
    if result.unrelated.height:
        said.append(
            f"{counted(result.unrelated.height, 'pair')} of orders said to have nothing to do "
            "with each other are not counted."
            if result.unrelated.height > 1
            else "1 pair of orders said to have nothing to do with each other is not counted."
        )
    if result.by == "technician" and not name_technicians:
        said.append(f"{TECHNICIANS_HIDDEN} They are numbered in the order of their first repair.")
    said.append(f"Limits are at {100 * result.level:g} %.")
    return tuple(said)


def _whole(result: Comebacks, title: str | None) -> str:
    of = f" of the {title.lower()}" if title else ""
    return (
        f"{counted(result.came_back, 'repair')}{of} out of {result.repairs:,} came back "
        f"{RETURNS[result.same]} within "
        f"{counted(result.window_days, 'day')} or "
        f"{number(result.window_distance, result.unit)}, whichever was longer: "
        f"{per_cent(result.rate)} ({between_shares(result.rate_interval)})."
    )


def _standing_out(result: Comebacks) -> list[str]:
    """Say which groups have more comebacks than their jobs make, with the orders behind it."""
    compared = result.groups.filter(pl.col("p_value").is_not_null())
    plural = PLURALS.get(result.by, result.by.replace("_", " ") + "s")
    if compared.height < 2:
        return [f"There are no two {plural} with comebacks on the same jobs to compare."]
    more = compared.filter(pl.col("verdict") == "more than others").sort(
        "ratio", descending=True, nulls_last=False
    )
    perhaps = compared.filter(pl.col("verdict") == "perhaps more")
    said = [_one(result, row) for row in more.head(NAMED).to_dicts()]
    if more.height > NAMED:
        said.append(f"Likewise: {listed(more['group'][NAMED:].to_list())}.")
    if not said:
        said.append(
            f"None of {compared.height:,} {plural} has clearly more comebacks than the others "
            f"have {ALIKE.get(result.by, 'on the same jobs')}."
        )
    if perhaps.height:
        by_chance = compared.height * (1 - result.level) / 2
        about = f"about {by_chance:.0f}" if by_chance >= 1 else "fewer than one"
        said.append(
            f"Perhaps more than others: {listed(perhaps['group'].head(NAMED).to_list())}"
            f"{' and others' if perhaps.height > NAMED else ''}; of {compared.height:,} {plural} "
            f"chance alone puts {about} so far out."
        )
    return said


def _one(result: Comebacks, row: dict[str, Any]) -> str:
    latest = result.pairs.filter(pl.col("group") == row["group"]).row(0, named=True)
    jobs = ALIKE.get(result.by, "on the same jobs")
    against = (
        f"where the others had none {jobs}"
        if row["ratio"] is None
        else f"where the others would have {number(row['expected'])} {jobs}, "
        f"{number(row['ratio'])} times as many ({number(row['ratio_lower'])} to "
        f"{number(row['ratio_upper'])})"
    )
    return (
        f"{row['group']}: {per_cent(row['rate'])} "
        f"({between_shares((row['lower'], row['upper']))}); "
        f"{counted(row['compared'], 'comeback')} {against}: more than chance makes. "
        f"Latest: RO {latest['ro_no']} of {latest['shop']}, back as RO {latest['back_ro_no']} of "
        f"{latest['back_shop']}."
    )


def _caution(result: Comebacks) -> list[str]:
    said = []
    if result.between is None:
        said.append(
            f"With fewer than {GROUPS_TO_DIFFER.value:g} groups nobody can tell one that is out "
            "of line from groups that all differ a little: the limits are those of chance alone."
        )
    elif result.between > 0:
        said.append(
            f"Groups differ among themselves by more than chance (standard deviation of the ratio "
            f"{number(result.between)}); a group is said to stand out only beyond that, at "
            f"{100 * FUNNEL_OUTER_LEVEL.value:g} %."
        )
    if result.clustering >= TOLD_CLUSTERING:
        said.append(
            f"A vehicle that came back once often does again: the comparisons count "
            f"{number(result.clustering)} comebacks as one."
        )
    thin = result.groups.filter(pl.col("repairs") < FEW_REPAIRS).height
    if thin:
        say = "says" if thin == 1 else "say"
        said.append(f"{counted(thin, 'group')} with fewer than {FEW_REPAIRS} repairs {say} little.")
    return said
