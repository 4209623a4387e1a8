"""Which cells fail beyond what the others explain: tests of all, then one after another."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import polars as pl

from fleetlog.analyses.repeat_cells import (
    ASSUMED_FROM,
    CELL_COLUMNS,
    KINDS,
    LEAST_FAILED_VEHICLES,
    LEAST_RATIO,
    MADE_BY,
    REST_OF_FAMILY,
    REST_OF_FLEET,
    ROUNDING,
    Counts,
    Kind,
    cells,
)
from fleetlog.settings import THIN_FAILURES
from fleetlog.stats import share_dispersion, stratified_ratio, variance_to_mean

PARTS_LOOKED_AT = ("place", "part_lot", "part_maker", "depot", "model_year")
"""What the parts of a finding are told apart by, one at a time; and engine families."""

LOOK = ["kind", "component", *CELL_COLUMNS]
"""What names a cell together with the way in which it is looked at."""

FAMILY_KINDS = [number for number, kind in enumerate(KINDS) if kind.against == REST_OF_FAMILY]
"""Kinds whose cells are held against their own engine family alone."""


@dataclass(frozen=True)
class Finding:
    """One cell that fails beyond what is expected of it and what the findings before it explain.

    ``cell`` has the values of ``component`` and :data:`CELL_COLUMNS`, null where it is not cut by
    them. ``row`` is its test at the moment it was found, as :func:`tested` gives it. ``q_value`` is
    its p-value times the cells looked at so far over the findings so far. ``within`` is the cell of
    the finding that it is a part of and is held against, or None.
    """

    cell: dict[str, Any]
    row: dict[str, Any]
    q_value: float
    within: dict[str, Any] | None = None


@dataclass(frozen=True)
class Search:
    """What was found, all cells as first looked at, and how many looks there were in all."""

    findings: tuple[Finding, ...]
    first_look: pl.DataFrame
    looks: int


def search(counts: Counts, *, false_share: float) -> Search:
    """Look at every cell, and take the one that explains most, until none is left beyond chance.

    Cells of places must stand out among parts of known age too, where there are enough of those.
    After each finding the cells that were beyond chance at first and share with it what they are
    held against are looked at anew: within the finding and outside of it, each part held against
    its like, so that what is high only because it shares parts with the finding is so no longer;
    and outside alone, for what is high within the finding only is a part of it. Places within the
    finding that stand out from the rest of it are held apart too. The j-th finding must have a
    p-value of at most ``false_share * j / looks``, the critical values of Benjamini and Hochberg
    1995 stepping down (Sarkar 2002), with every cell counted each time that it was looked at.

    Then each finding is looked into, with what the other findings hold set aside: which of its
    places, depots, lots, makers or years stand out from the rest of it, a family of looks of its
    own at the same share. Given the failures of the finding, that is independent of its having
    been found (Yekutieli 2008). A finding that is no longer one without such parts gives way to
    them.
    """
    first_look = tested(cells(counts, KINDS, counts.modes))
    if first_look.is_empty():
        return Search((), first_look, 0)
    suspect = _of_sure_age(counts, first_look.filter(_beyond(false_share)), false_share)
    single = {str(name): _of_component(counts, str(name)) for name in suspect["component"].unique()}
    whole, looks = _stepwise(single, suspect, first_look.height, false_share)
    findings: list[Finding] = []
    for finding in whole:
        own = [
            other.cell for other in whole if other.cell["component"] == finding.cell["component"]
        ]
        others = [cell for cell in own if cell != finding.cell]
        alone = _without(single[finding.cell["component"]], others)
        parts, more = _parts(
            _inside(alone, finding.cell), finding.cell, PARTS_LOOKED_AT, false_share
        )
        looks += more
        if parts and not _stands(
            _without(alone, [part.cell for part in parts]), finding, false_share
        ):
            findings += [replace(part, within=None) for part in parts]
        else:
            findings += [finding, *parts]
    return Search(tuple(findings), first_look, looks)


@dataclass(frozen=True)
class _Waiting:
    """The cells of one component that may still be findings, and what they are tested in.

    ``left`` tells what lies in the findings apart; ``outside`` is without them, by failure mode:
    one of another mode holds nothing.
    """

    look: pl.DataFrame
    left: Counts
    outside: Mapping[str | None, Counts]


def _stepwise(
    single: Mapping[str, Counts], suspect: pl.DataFrame, looks: int, false_share: float
) -> tuple[list[Finding], int]:
    """Take findings one after the other; return them and the number of looks."""
    findings: list[Finding] = []
    waiting = {
        str(name): _Waiting(
            look, single[str(name)], dict.fromkeys(look["failure_mode"].unique(), single[str(name)])
        )
        for (name,), look in suspect.group_by("component")
    }
    while True:
        threshold = false_share * (len(findings) + 1) / looks
        best = [
            (name, row)
            for name, each in waiting.items()
            if (row := _best(each.look, threshold)) is not None
        ]
        if not best:
            return findings, looks
        name, row = max(best, key=lambda item: float(item[1]["deviance"]))
        cell = {column: row[column] for column in ("component", *CELL_COLUMNS)}
        q_value = min(1.0, row["p_value"] * looks / (len(findings) + 1))
        findings.append(Finding(cell, row, q_value))
        waiting[name], more = _after(waiting[name], cell, false_share)
        looks += more


def _after(waiting: _Waiting, cell: dict[str, Any], false_share: float) -> tuple[_Waiting, int]:
    """Look again at the cells that a finding changes; return what waits on, and the looks."""
    left = _apart(waiting.left, cell)
    # The worst of its places would lend their weight to whatever reaches into them. What is taken
    # apart so claims nothing yet: it is looked at and counted with the parts of the findings.
    for part in _parts(_inside(left, cell), cell, ("place",), false_share)[0]:
        left = _apart(left, part.cell)
    outside = {
        mode: _without(counts, [cell])
        if mode is None or cell["failure_mode"] in (None, mode)
        else counts
        for mode, counts in waiting.outside.items()
    }
    changed = _held_against(waiting.look, cell)
    again = _looked_again(left, waiting.look.filter(changed))
    looks, again = again.height, again.filter(_beyond(false_share))
    alone = [again.clear()]
    for (mode,), same in again.group_by("failure_mode"):
        alone.append(_looked_again(outside[mode], same))
    without = pl.concat(alone)
    stays = again.join(without.filter(_beyond(false_share)), on=LOOK, how="semi", nulls_equal=True)
    look = pl.concat([waiting.look.filter(~changed), stays])
    return _Waiting(look, left, outside), looks + without.height


def _held_against(look: pl.DataFrame, cell: Mapping[str, Any]) -> pl.Series:
    """Mark the cells that are held against something of another: not those of other families."""
    family = pl.lit(cell["engine_family"], pl.String)
    apart = pl.col("kind").is_in(FAMILY_KINDS) & (pl.col("engine_family") != family)
    return look.select(~apart.fill_null(value=False)).to_series()


def _looked_again(left: Counts, look: pl.DataFrame) -> pl.DataFrame:
    """Test cells anew in what is left; those of which nothing is left are gone."""
    if look.is_empty():
        return look
    # Cells of a family are held against that family alone: the others need not be summed.
    if look["kind"].is_in(FAMILY_KINDS).all():
        left = _of_families(left, look["engine_family"].unique().to_list())
    kinds = tuple(KINDS[kind] for kind in look["kind"].unique().sort())
    modes = look.select("component", "failure_mode").drop_nulls().unique()
    again = tested(_numbered(cells(left, kinds, modes), kinds))
    return again.join(look.select(LOOK), on=LOOK, how="semi", nulls_equal=True)


def _of_sure_age(counts: Counts, look: pl.DataFrame, false_share: float) -> pl.DataFrame:
    """Keep of the cells of places those that stand out among parts of known age too.

    Where one place is renewed more often than another, its parts on vehicles that were not watched
    from new are younger than they are taken to be, and the other place seems the worse. Where a
    component has too few failures of known age (:data:`fleetlog.settings.THIN_FAILURES`) there is
    nothing to tell by. This takes cells away and finds none, so it is no look of its own.
    """
    placed = look.filter(pl.col("place").is_not_null())
    sure = pl.col("begun") < ASSUMED_FROM
    known = replace(
        counts, exposure=counts.exposure.filter(sure), failures=counts.failures.filter(sure)
    )
    enough = known.failures.group_by("component", "engine_family").len()
    enough = enough.filter(pl.col("len") >= THIN_FAILURES.value)
    judged = placed.join(enough, on=["component", "engine_family"], how="semi")
    again = _looked_again(known, judged)
    refuted = judged.join(again.filter(_beyond(false_share)), on=LOOK, how="anti", nulls_equal=True)
    return look.join(refuted, on=LOOK, how="anti", nulls_equal=True)


def _of_families(counts: Counts, families: list[str]) -> Counts:
    """Keep some engine families: all that their own cells are held against."""
    own = pl.col("engine_family").is_in(families)
    return replace(
        counts, exposure=counts.exposure.filter(own), failures=counts.failures.filter(own)
    )


def _numbered(found: pl.DataFrame, kinds: tuple[Kind, ...]) -> pl.DataFrame:
    """Give kinds their number among all of them."""
    numbers = [KINDS.index(kind) for kind in kinds]
    return found.with_columns(
        kind=pl.col("kind").replace_strict(list(range(len(kinds))), numbers, return_dtype=pl.Int16)
    )


def _stands(left: Counts, finding: Finding, false_share: float) -> bool:
    """Tell whether a finding is still beyond chance in what is left, looked at alone."""
    alone = pl.DataFrame(
        [{name: finding.row[name] for name in LOOK}],
        schema={"kind": pl.Int16(), "component": pl.Categorical(), **CELL_COLUMNS},
    )
    return not _looked_again(left, alone).filter(_beyond(false_share)).is_empty()


def tested(looked_at: pl.DataFrame) -> pl.DataFrame:
    """Add to cells their ``expected`` (the cell left out), ``ratio``, ``p_value`` and the rest.

    The counts are taken over the ``dispersion`` of the vehicles' failures in the cell: failures of
    one vehicle are not independent, for a job renews several parts and an engine shares its wear.
    Cells of positions are held against other positions of the same vehicles, so that what an
    engine shares is in both: there it is the dispersion of the vehicles' shares in the cell.
    """
    able = looked_at.filter(pl.col("alike") < pl.col("total") * (1 - ROUNDING))
    failed, squares = able["failed"].to_numpy(), able["squares"].to_numpy()
    spread = variance_to_mean(failed.clip(1), squares, able["vehicles"].to_numpy())
    shared = share_dispersion(
        failed, able["pool_failed"].to_numpy(), squares, able["products"].to_numpy(),
        able["pool_squares"].to_numpy(),
    )  # fmt: skip
    spread = np.where(able["place"].is_null().to_numpy(), spread, shared)
    ratio = stratified_ratio(
        able["observed"].to_numpy(), able["alike"].to_numpy(), able["total"].to_numpy(),
        dispersion=spread,
    )  # fmt: skip
    return able.with_columns(
        dispersion=pl.Series(spread),
        expected=pl.Series(ratio.expected),
        ratio=pl.Series(ratio.ratio),
        p_value=pl.Series(ratio.p_excess),
        deviance=pl.Series(ratio.deviance),
    )


def _beyond(threshold: float) -> pl.Expr:
    return (
        (pl.col("p_value") <= threshold)
        & (pl.col("ratio") >= LEAST_RATIO)
        & (pl.col("failed_vehicles") >= LEAST_FAILED_VEHICLES)
    )


def _best(look: pl.DataFrame, threshold: float) -> dict[str, Any] | None:
    """Return the cell that explains most among those beyond chance; of equal ones the plainest."""
    beyond = look.filter(_beyond(threshold))
    if beyond.is_empty():
        return None
    top = beyond.filter(pl.col("deviance") >= pl.col("deviance").max() * (1 - 1e-9))
    return top.sort("kind", *CELL_COLUMNS, nulls_last=True).row(0, named=True)


def _of_component(counts: Counts, component: str) -> Counts:
    """Take one component out, with its exposure told apart by single position."""
    own = pl.col("component") == component
    single = (
        counts.exposure.filter(own)
        .with_columns(key=pl.col("key").cast(pl.String).str.split(" "))
        .explode("key", empty_as_null=True)
        .cast({"key": pl.Int16})
        .with_columns(parts=pl.lit(1, pl.UInt32))
        .group_by(pl.exclude("driven", "lives"))
        .agg(pl.col("driven", "lives").sum())
    )
    return replace(
        counts,
        exposure=single,
        failures=counts.failures.filter(own),
        classes=counts.classes.filter(own),
    )


def _apart(counts: Counts, cell: Mapping[str, Any]) -> Counts:
    """Make what lies in a cell a stratum apart from the rest."""
    inside = in_cell(counts.exposure, cell, counts.classes, "key")
    failed = in_cell(counts.failures, cell, counts.classes, "ordinal")
    exposure = counts.exposure.with_columns(known=2 * pl.col("known") + inside)
    failures = counts.failures.with_columns(known=2 * pl.col("known") + failed)
    # Numbered anew, for numbers that double with each finding would soon be too great.
    told = pl.concat([exposure["known"], failures["known"]]).unique().sort()
    again = pl.col("known").replace_strict(told, pl.int_range(told.len(), eager=True))
    return replace(
        counts, exposure=exposure.with_columns(again), failures=failures.with_columns(again)
    )


def _without(counts: Counts, known: list[dict[str, Any]]) -> Counts:
    """Set aside the exposure and the failures of cells of one component."""
    for cell in known:
        if cell["component"] != counts.failures["component"].first():
            continue
        counts = replace(
            counts,
            exposure=counts.exposure.filter(~in_cell(counts.exposure, cell, counts.classes, "key")),
            failures=counts.failures.filter(
                ~in_cell(counts.failures, cell, counts.classes, "ordinal")
            ),
        )
    return counts


def in_cell(
    frame: pl.DataFrame, cell: Mapping[str, Any], classes: pl.DataFrame, ordinal: str
) -> pl.Series:
    """Mark the rows of one component that lie in a cell, its failure mode aside.

    ``ordinal`` names the column of the position.
    """
    tests = [pl.col(name) == cell[name] for name in (*MADE_BY, "reach") if cell[name] is not None]
    if cell["place"] is not None:
        tests.append(pl.col(ordinal).is_in(members_of(cell, classes).to_list()))
    return frame.select(pl.all_horizontal(*tests).fill_null(value=False)).to_series()


def members_of(cell: Mapping[str, Any], classes: pl.DataFrame) -> pl.Series:
    """Return the ordinals of the positions in the place of a cell."""
    return classes.filter(
        pl.col("component") == cell["component"],
        pl.col("engine_family") == cell["engine_family"],
        pl.col("place") == cell["place"],
    )["ordinal"]


def places_within(cell: Mapping[str, Any], classes: pl.DataFrame) -> list[str]:
    """Name the classes of positions that lie within the place of a cell, without that itself."""
    own = classes.filter(
        pl.col("component") == cell["component"], pl.col("engine_family") == cell["engine_family"]
    )
    members = own.filter(pl.col("place") == cell["place"])["ordinal"].to_list()
    inside = own.group_by("place").agg(pl.col("ordinal").is_in(members).all())
    names = inside.filter("ordinal")["place"].cast(pl.String).to_list()
    return sorted(name for name in names if name != cell["place"])


def _inside(alone: Counts, cell: Mapping[str, Any]) -> Counts:
    """Keep of the counts of one component what lies in a cell."""
    failures = alone.failures.filter(in_cell(alone.failures, cell, alone.classes, "ordinal"))
    if cell["failure_mode"] is not None:
        failures = failures.filter(pl.col("failure_mode") == cell["failure_mode"])
    classes = alone.classes
    if cell["place"] is not None:
        classes = classes.filter(pl.col("place").is_in(places_within(cell, classes)))
    return Counts(
        exposure=alone.exposure.filter(in_cell(alone.exposure, cell, alone.classes, "key")),
        failures=failures,
        classes=classes,
        vehicles=alone.vehicles.filter(
            pl.lit(cell[name] is None) | (pl.col(name) == pl.lit(cell[name]))
            for name in ("engine_family", "model_year", "depot")
        ),
    )


def _parts(
    inside: Counts, cell: dict[str, Any], told_by: Sequence[str], false_share: float
) -> tuple[list[Finding], int]:
    """Find which parts of a finding stand out from the rest of it, and how many were looked at."""
    kinds = [
        kind
        for kind in KINDS
        if len(set(kind.dims) - (_cut_by(cell) - {"place"})) == 1
        and set(kind.dims) - {"engine_family"} <= set(told_by) - (_cut_by(cell) - {"place"})
        and (kind.against != REST_OF_FLEET or cell["engine_family"] is None)
    ]
    looked = cells(inside, kinds, inside.modes)
    if looked.is_empty():
        return [], 0
    first_look = tested(_numbered(looked, tuple(kinds)))
    suspect = _of_sure_age(inside, first_look.filter(_beyond(false_share)), false_share)
    single = {str(cell["component"]): _of_component(inside, str(cell["component"]))}
    found, looks = _stepwise(single, suspect, first_look.height, false_share)
    merged = [
        replace(
            finding,
            cell={
                name: cell[name] if value is None else value for name, value in finding.cell.items()
            },
            within=cell,
        )
        for finding in found
    ]
    return merged, looks


def _cut_by(cell: Mapping[str, Any]) -> set[str]:
    return {name for name in CELL_COLUMNS if cell[name] is not None}
