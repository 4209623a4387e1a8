"""Propose a column map for a file, from its headings and from every cell of its columns.

Each column is described once; each field says how well a column so described would suit it; the
fields are then given to columns one to one at the best total.
"""

from __future__ import annotations

import tempfile
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Final

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

from fleetlog.intake.columns import REPAIR_KINDS, ColumnMap, fields_of, kinds
from fleetlog.intake.proposing.layout import find_layout
from fleetlog.intake.proposing.profiles import Described, Profile, describe, stands_once
from fleetlog.intake.proposing.proposal import FIELD_COLUMNS, Proposal, Question
from fleetlog.intake.proposing.suits import suitability
from fleetlog.intake.proposing.units import Held, settle_unit
from fleetlog.intake.reading import read_file
from fleetlog.intake.staging import Staging
from fleetlog.store import Store

PROPOSED_ABOVE: Final = 0.3
"""Below this confidence a field is left without a column."""
# Below this a field is named as a possibility, and left to a person.
SURE_ENOUGH: Final = 0.55
# A choice is a coin's toss where the next best is as good, and fairly sure where it is this much
# worse.
TELLING: Final = 0.1
ALIKE: Final = 0.15
# Two kinds of file nearer to each other than this cannot be told apart.
KINDS_ALIKE: Final = 0.5
MISSING: Final = 6.0
UNLIKE: Final = 3.0
SHOP_KINDS: Final = (*REPAIR_KINDS, "torques")
# Fields on which every figure of the fleet rests: where two columns fit them alike, a person says.
ASKED: Final = (
    "vin", "ro_no", "odometer", "opened_on", "closed_on", "read_on", "component", "action",
    "reason",
)  # fmt: skip


def propose_map(
    path: str | Path,
    *,
    kind: str | None = None,
    store: Store | None = None,
    date_order: str | None = None,
    distance_unit: str | None = None,
    shop: str | None = None,
) -> Proposal:
    """Propose which heading of a file holds which field, and how its cells are written.

    Every cell of the file counts. One reading of the file, then a few passes over each column;
    linear in the rows but for grouping and for sorting the rows of each vehicle.

    Parameters
    ----------
    path : a CSV file of any common layout, an XLSX workbook, a Parquet or a JSON file.
    kind : of file; None proposes that too.
    store : whose VINs, unit numbers, plates and engine families tell columns apart, and whose
        readings tell the unit of distance.
    date_order, distance_unit, shop : answers given in advance.

    Raises
    ------
    InputError : the file cannot be read, or an answer is none that a map can have.
    """
    path = Path(path)
    given = ColumnMap(date_order=date_order, distance_unit=distance_unit, shop=shop, kind=kind)
    if kind is not None:
        fields_of(kind)
    with tempfile.TemporaryDirectory(prefix="fleetlog-") as folder:
        staging = Staging(Path(folder) / "proposal")
        with staging.connect() as connection:
            layout = find_layout(path, given)
            raw = read_file(connection, staging, path, kind=kind or "repairs", column_map=layout)
            described = describe(connection, raw, store, date_order)
            chosen = [
                _choose(one, raw.headings, described.profiles)
                for one in ((kind,) if kind else kinds())
            ]
            chosen.sort(key=lambda choice: choice.worth, reverse=True)
            best = chosen[0]
            unit = distance_unit or settle_unit(connection, best.held, store)
    proposal = _proposal(path.name, best, described, replace(layout, distance_unit=unit))
    remarks = list(proposal.remarks)
    if raw.rejected:
        remarks.append(f"{raw.rejected:,} rows cannot be split into cells and were not looked at.")
    proposal = replace(proposal, remarks=tuple(remarks))
    return proposal if kind else _with_kind_asked(proposal, chosen)


@dataclass(frozen=True)
class _Choice:
    """The columns that suit the fields of one kind of file best.

    sure : field -> its column, confidence and why; ``doubtful`` likewise, and ``alike``: field ->
    the columns that suit it about equally well.
    """

    kind: str
    headings: tuple[str, ...]
    sure: dict[str, tuple[int, float, str]]
    doubtful: dict[str, tuple[int, float, str]]
    alike: dict[str, tuple[int, ...]]
    held: dict[str, Held]
    worth: float

    @property
    def missing(self) -> list[str]:
        """Required fields without a sure column."""
        required = (entry.name for entry in fields_of(self.kind) if entry.required)
        return [name for name in required if name not in self.sure]


def _choose(kind: str, headings: tuple[str, ...], profiles: tuple[Profile, ...]) -> _Choice:
    entries = fields_of(kind)
    judged = [[suitability(kind, entry, profile) for profile in profiles] for entry in entries]
    scores = np.array([[score for score, _ in row] for row in judged])
    for at, heading in enumerate(headings):
        # A map names columns by their headings: one without, or with another's, cannot be named.
        if not heading or headings.count(heading) > 1:
            scores[:, at] = 0.0
    rows, columns = linear_sum_assignment(scores, maximize=True)
    places = {
        int(row): int(column)
        for row, column in zip(rows, columns, strict=True)
        if scores[row, column] > PROPOSED_ABOVE
    }
    sure: dict[str, tuple[int, float, str]] = {}
    doubtful: dict[str, tuple[int, float, str]] = {}
    alike: dict[str, tuple[int, ...]] = {}
    for row, column in places.items():
        confidence, rivals = _confidence(scores, row, column, places)
        name = entries[row].name
        found = (column, round(confidence, 3), judged[row][column][1])
        (sure if confidence >= SURE_ENOUGH else doubtful)[name] = found
        if rivals:
            alike[name] = (column, *rivals)
    types = {entry.name: entry.type for entry in entries}
    held = {
        name: Held(f"c{column}", types[name], profiles[column])
        for name, (column, _, _) in sure.items()
    }
    worth = sum(confidence for _, confidence, _ in sure.values())
    required = [entry.name for entry in entries if entry.required]
    missing = sum(name not in sure for name in required) / max(len(required), 1)
    return _Choice(
        kind, headings, sure, doubtful, alike, held,
        worth - MISSING * missing - UNLIKE * (not _may_be(kind, sure, profiles)),
    )  # fmt: skip


def _may_be(
    kind: str, sure: dict[str, tuple[int, float, str]], profiles: tuple[Profile, ...]
) -> bool:
    """Whether the rows stand for what a file of this kind lists."""
    named = next((sure[name][0] for name in ("vin", "unit_no", "plate") if name in sure), None)
    if kind in ("engine-families", "service-rules"):
        return named is None
    if kind in ("vehicles", "meters"):
        if named is None:
            return False
        return stands_once(profiles[named]) == (kind == "vehicles")
    if "ro_no" not in sure:
        return False
    lines = any(name in sure for name in ("component", "action", "reason", "part_no"))
    if kind == "orders":
        return stands_once(profiles[sure["ro_no"][0]]) and not lines
    return "torque" in sure if kind == "torques" else True


def _confidence(
    scores: NDArray[np.float64], row: int, column: int, chosen: dict[int, int]
) -> tuple[float, tuple[int, ...]]:
    """Return how sure a choice is, and the columns that suit the field as well.

    The nearer the next best field of the column or column of the field, the nearer to a coin's
    toss; a column that another field has a better claim to is no rival.
    """
    score = float(scores[row, column])
    owners = {place: float(scores[other, place]) for other, place in chosen.items()}
    rivals = {
        place: float(scores[row, place])
        for place in range(scores.shape[1])
        if place != column and owners.get(place, 0.0) <= scores[row, place]
    }
    other_fields = [float(scores[other, column]) for other in range(len(scores)) if other != row]
    beside = max([*rivals.values(), *other_fields], default=0.0)
    sure = min(score, 0.99) * (1 - 0.5 * float(np.exp(-max(score - beside, 0.0) / TELLING)))
    near = sorted(
        (place for place, worth in rivals.items() if worth > max(score - ALIKE, PROPOSED_ABOVE)),
        key=lambda place: -rivals[place],
    )
    return sure, tuple(near)


def _frame(headings: tuple[str, ...], found: dict[str, tuple[int, float, str]]) -> pl.DataFrame:
    rows = [(name, headings[column], sure, why) for name, (column, sure, why) in found.items()]
    return pl.DataFrame(rows, schema=FIELD_COLUMNS, orient="row")


def _proposal(file_name: str, choice: _Choice, described: Described, layout: ColumnMap) -> Proposal:
    fields = _frame(choice.headings, choice.sure)
    order, asked_order, remarks = _date_order(choice, described, layout)
    questions = [
        *_columns_asked(choice, described.profiles),
        *asked_order,
        *_unit_asked(choice, layout),
    ]
    if choice.kind in SHOP_KINDS and "shop" not in choice.sure and not layout.shop:
        questions.append(Question("shop", "No column names the shop.", needed=True))
    used = {column for column, _, _ in choice.sure.values()}
    return Proposal(
        file_name,
        datetime.now().replace(microsecond=0),
        choice.kind,
        replace(
            layout,
            date_order=order,
            decimal_mark=described.decimal_mark,
            kind=choice.kind,
            columns=dict(zip(fields["field"], fields["heading"], strict=True)),
        ),
        fields,
        tuple(questions),
        tuple(h for at, h in enumerate(choice.headings) if at not in used and h),
        tuple(remarks),
        _frame(choice.headings, choice.doubtful),
    )


def _columns_asked(choice: _Choice, profiles: tuple[Profile, ...]) -> list[Question]:
    """Ask for the required fields that are open, and where several columns fit alike."""
    questions = []
    used = {column for column, _, _ in choice.sure.values()}
    free = tuple(at for at, heading in enumerate(choice.headings) if at not in used and heading)
    for name in choice.missing:
        likely = choice.alike.get(name, ())
        if not likely and name in choice.doubtful:
            likely = (choice.doubtful[name][0],)
        text = (
            f"{_headed(choice, likely)} may be {name}, but not surely enough."
            if likely
            else f"No column for {name} was found."
        )
        shown = (*likely, *(at for at in free if at not in likely))
        questions.append(_column_question(choice, profiles, name, text, shown, needed=True))
    for name, likely in choice.alike.items():
        if name in ASKED and name not in choice.missing:
            text = f"{_headed(choice, likely)} fit {name} about equally well."
            questions.append(_column_question(choice, profiles, name, text, likely, needed=False))
    return questions


def _headed(choice: _Choice, columns: tuple[int, ...]) -> str:
    return " and ".join(repr(choice.headings[at]) for at in columns)


def _column_question(
    choice: _Choice,
    profiles: tuple[Profile, ...],
    name: str,
    text: str,
    columns: tuple[int, ...],
    *,
    needed: bool,
) -> Question:
    return Question(
        f"column {name}",
        text,
        tuple(choice.headings[at] for at in columns),
        tuple(_example(choice.headings[at], profiles[at]) for at in columns[:4]),
        needed=needed,
    )


def _example(heading: str, profile: Profile) -> str:
    cells = [cell if len(cell) <= 30 else cell[:29] + "…" for cell in profile["examples"]]
    return f"{heading}: {' | '.join(cells) if cells else 'empty'}"


def _date_order(
    choice: _Choice, described: Described, layout: ColumnMap
) -> tuple[str | None, list[Question], list[str]]:
    """Settle how dates are written, or ask."""
    if layout.date_order or not any(held.type == "date" for held in choice.held.values()):
        return layout.date_order, [], []
    found = described.date_order
    if found.mixed:
        remark = (
            f"Dates are written both ways: {found.day_first:,} with the day first, "
            f"{found.month_first:,} with the month first; what can be read both ways is held."
        )
        return None, [], [remark]
    if found.settled is None:
        question = Question(
            "date_order",
            "Every date can be read with the day first or the month first.",
            ("dmy", "mdy"),
            (str(found.example),),
            needed=True,
        )
        return None, [question], []
    return found.settled, [], []


def _unit_asked(choice: _Choice, layout: ColumnMap) -> list[Question]:
    distances = [held.profile for held in choice.held.values() if held.type == "distance"]
    if layout.distance_unit or not distances:
        return []
    examples = tuple(f"{p['heading']}: {p['middle']:,.0f}" for p in distances if p["filled"])
    text = "Nothing in the file says whether distances are miles or kilometres."
    return [Question("distance_unit", text, ("mi", "km"), examples, needed=True)]


def _with_kind_asked(proposal: Proposal, chosen: list[_Choice]) -> Proposal:
    """Ask for the kind where another fits as well, or where the best lacks what it must have."""
    best = chosen[0]
    near = [one.kind for one in chosen[1:] if best.worth - one.worth < KINDS_ALIKE]
    if not near and not best.missing:
        return proposal
    likely = tuple([best.kind, *near] if near else [one.kind for one in chosen[:3]])
    text = (
        f"The file fits {' and '.join(likely)} about equally well."
        if near
        else f"The file looks most like {best.kind}, but lacks {', '.join(best.missing)}."
    )
    question = Question("kind", text, likely, needed=True)
    return replace(
        proposal,
        questions=(question, *proposal.questions),
        column_map=replace(proposal.column_map, kind=None),
    )
