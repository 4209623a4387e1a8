"""Ask the store what a report needs, and write it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime
from pathlib import Path

from fleetlog.analyses import best_interval, choices, comebacks, part_life
from fleetlog.analyses.results import BestInterval, PartLife
from fleetlog.errors import FleetlogError, InputError
from fleetlog.report.html import write_report
from fleetlog.store import Store

#: A report is read from front to back: more components than this are not.
MOST_COMPONENTS = 6

#: A mixture of strong and weak places has no useful interval: the report asks place by place.
PLACE = ("bank", "side")


def write_store_report(
    path: str | Path,
    store: Store,
    *,
    components: Sequence[str] | None = None,
    engine_family: str | None = None,
    title: str = "Fleet report",
    made_at: datetime | None = None,
    progress: Callable[[str, float], None] | None = None,
) -> None:
    """Write the report of a store.

    Parameters
    ----------
    path : where the HTML file goes; a file of that name is overwritten.
    store : the fleet's store.
    components : codes of the components; None for those with most failures.
    engine_family : only vehicles of this family.
    title : heading of the report.
    made_at : moment that the report states; None for now.
    progress : called with the step and the share of the work that is behind.

    Raises
    ------
    InputError : the store has no failure to report on, or a component is unknown.
    StoreError : the store cannot be read.

    Notes
    -----
    What cannot be answered for one component is said in the report, with the reason.
    """
    known = choices.components(store, engine_family)
    failing = known.filter(known["failures"] > 0)["code"].to_list()
    codes = list(components) if components else failing[:MOST_COMPONENTS]
    if not codes:
        raise InputError(
            f"{store.path} has no failed part to report on: load repair orders first, or check "
            "the engine family"
        )
    part_lives: list[PartLife] = []
    intervals: list[BestInterval] = []
    remarks: list[str] = []
    for done, code in enumerate(codes):
        if progress is not None:
            progress(code, done / (len(codes) + 1))
        whole = part_life(store, code, engine_family=engine_family)
        part_lives.append(whole)
        useful = choices.splits(store, code, engine_family)
        by = _split(useful, engine_family)
        split = part_life(store, code, engine_family=engine_family, by=by) if by else None
        if split is not None:
            part_lives.append(split)
        try:
            intervals.append(best_interval(store, code, engine_family=engine_family))
        except FleetlogError as error:
            remarks.append(f"{whole.title}: no service interval, because {error}.")
            continue
        if split is not None and by[0] in PLACE:
            intervals.append(
                best_interval(
                    store, code, engine_family=engine_family, where=_worst(split),
                    generation="first",
                )
            )  # fmt: skip
    if progress is not None:
        progress("comebacks", len(codes) / (len(codes) + 1))
    if len(failing) > len(codes):
        remarks.append(
            f"{len(failing) - len(codes)} more components have failures and are not in this report."
        )
    write_report(
        path,
        part_lives=part_lives,
        best_intervals=intervals,
        comebacks=comebacks(store),
        title=title,
        made_at=made_at or datetime.now().astimezone().replace(microsecond=0),
        remarks=remarks,
    )


def _split(useful: Sequence[str], engine_family: str | None) -> tuple[str, ...]:
    """Choose how to split a component's lives: by place, else by engine or by maker."""
    place = tuple(column for column in PLACE if column in useful)
    if engine_family and place:
        return place
    other = "part_maker" if engine_family else "engine_family"
    return (other,) if other in useful else ()


def _worst(split: PartLife) -> dict[str, str | int]:
    """Return the values of the group with most failures."""
    worst = split.groups.sort("failures", descending=True, maintain_order=True).row(0, named=True)
    return {column: worst[column] for column in split.by if worst[column] is not None}
