"""Propose a column map for a file, from its headings and from every cell of its columns.

Each column is described once (shares of cells of each form, how its cells go with vehicles and
with the order of the rows); each field says how well a column so described would suit it; the
fields are then given to columns one to one at the best total. The weights are common practice,
no source; they rank, and are kept low where many columns look alike.
"""

from __future__ import annotations

import codecs
import csv
import io
import json
import tempfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any, Final

import duckdb
import fastexcel
import numpy as np
import polars as pl
from numpy.typing import NDArray
from rapidfuzz import fuzz
from scipy.optimize import linear_sum_assignment

from fleetlog.catalogue import load_catalogue
from fleetlog.errors import InputError
from fleetlog.intake.columns import ColumnMap, Field, choices, fields_of, known_headings, plain
from fleetlog.intake.frames import filled, run, set_variables
from fleetlog.intake.narrative import (
    code_actions,
    code_failure_modes,
    code_reasons,
    code_terms,
    parse_position,
)
from fleetlog.intake.raw_table import RawTable
from fleetlog.intake.reading import CHUNK, DELIMITERS, SAMPLE, read_file
from fleetlog.intake.staging import Staging
from fleetlog.intake.workbook import HEADER_ROWS
from fleetlog.store import Store
from fleetlog.vin import check_digits

PROPOSED_KINDS: Final = (
    "repairs",
    "vehicles",
    "meters",
    "torques",
    "service-rules",
    "engine-families",
)
PROPOSED_ABOVE: Final = 0.3
"""Below this confidence a field is left without a column."""
# Below this a field is named as a possibility, and left to a person.
SURE_ENOUGH: Final = 0.55
ALIKE: Final = 0.05
# A vocabulary has few distinct cells; more are no list of terms, and are not coded.
MOST_TERMS: Final = 20_000
LONGEST_TERM: Final = 45
HEADING_WEIGHT: Final = 0.9
SHOP_KINDS: Final = ("repairs", "orders", "order-lines", "torques")
UNIT_WORDS: Final = {
    "mi": {"mi", "mile", "miles", "mileage"},
    "km": {"km", "kms", "kilometre", "kilometres", "kilometer", "kilometers"},
}

Profile = Mapping[str, Any]
Suits = Callable[[Profile], tuple[float, str]]


@dataclass(frozen=True)
class Question:
    """What the file does not settle.

    about : the key of the map (or ``column FIELD``) that the answer goes to.
    text : the question, in a sentence.
    choices : the answers that can be given; empty: free text.
    examples : cells that show what is meant.
    needed : a load cannot do without the answer.
    """

    about: str
    text: str
    choices: tuple[str, ...] = ()
    examples: tuple[str, ...] = ()
    needed: bool = False


@dataclass(frozen=True)
class Proposal:
    """A proposed column map and what it rests on.

    kind : of file.
    column_map : as far as it is settled.
    fields : field, heading, confidence (0 to 1), why; one row per proposed field.
    questions : what stays open.
    unused : headings that no field is proposed for; kept only as written.
    remarks : what else was seen, in sentences.
    """

    file_name: str
    made: datetime
    kind: str
    column_map: ColumnMap
    fields: pl.DataFrame
    questions: tuple[Question, ...]
    unused: tuple[str, ...]
    remarks: tuple[str, ...]

    @property
    def can_load(self) -> bool:
        """Whether no open question stands in the way of a load."""
        return not any(question.needed for question in self.questions)

    def answered(self, question: Question, answer: str) -> Proposal:
        """Return the proposal with one of its questions answered.

        Raises
        ------
        InputError : the answer is none of the choices.
        """
        if question.choices and answer not in question.choices:
            raise InputError(
                f"{question.about}: {answer!r} is no answer: give one of "
                f"{', '.join(question.choices)}"
            )
        left = tuple(other for other in self.questions if other != question)
        key, _, name = question.about.partition(" ")
        if key != "column":
            column_map = _with_answer(self.column_map, key, answer)
            return replace(self, column_map=column_map, questions=left)
        others = {f: h for f, h in self.column_map.columns.items() if h != answer and f != name}
        columns = {name: answer, **others}
        used = set(columns.values())
        before = set(self.column_map.columns.values())
        said = pl.DataFrame(
            {"field": [name], "heading": [answer], "confidence": [1.0], "why": ["you said so"]}
        )
        return replace(
            self,
            column_map=replace(self.column_map, columns=columns),
            fields=pl.concat([said, self.fields.filter(pl.col("field").is_in(list(others)))]),
            questions=left,
            unused=tuple(h for h in (*self.unused, *sorted(before - used)) if h not in used),
        )

    def to_toml(self) -> str:
        """Return the map as TOML that :meth:`ColumnMap.read` reads, with reasons as comments."""
        lines = [
            _comment(f"Proposed from {self.file_name} on {self.made:%Y-%m-%d %H:%M}."),
            _comment("The figure behind a line is how sure the proposal is, from 0 to 1."),
            *(_comment(remark) for remark in self.remarks),
            "",
        ]
        for question in self.questions:
            answers = " or ".join(question.choices) or "your answer"
            lines.append(_comment(f"OPEN: {question.text} Fill in {question.about}: {answers}."))
            lines += [_comment(f"  as in {example}") for example in question.examples]
            if not question.about.startswith("column "):
                lines.append(_comment(f'{question.about} = ""'))
        for name in ("kind", "shop", "distance_unit", "date_order", "decimal_mark", "delimiter"):
            value = getattr(self.column_map, name)
            if value is not None:
                lines.append(f"{name} = {_toml_text(value)}")
        for name in ("encoding", "sheet", "list_mark"):
            value = getattr(self.column_map, name)
            if value is not None:
                lines.append(f"{name} = {_toml_text(value)}")
        if self.column_map.header_row is not None:
            lines.append(f"header_row = {self.column_map.header_row}")
        lines += ["", "[columns]"]
        reasons = {row["field"]: row for row in self.fields.to_dicts()}
        for name, heading in self.column_map.columns.items():
            row = reasons.get(name)
            note = "" if row is None else "  " + _comment(f"{row['confidence']:.2f} {row['why']}")
            lines.append(f"{name} = {_toml_text(heading)}{note}")
        lines += [
            _comment(f'{question.about.removeprefix("column ")} = ""')
            for question in self.questions
            if question.about.startswith("column ") and question.needed
        ]
        if self.unused:
            lines += ["", _comment("Kept only as written:")]
            lines += [_comment(f"  {heading}") for heading in self.unused]
        return "\n".join(lines) + "\n"


def _with_answer(column_map: ColumnMap, key: str, answer: str) -> ColumnMap:
    said: dict[str, Any] = {key: answer}
    return replace(column_map, **said)


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
    path : a CSV file of any common layout, an XLSX workbook or a Parquet file.
    kind : of file; None proposes that too.
    store : whose VINs, unit numbers, plates and engine families tell columns apart.
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
            layout = _layout(path, given)
            raw = read_file(connection, staging, path, kind=kind or "repairs", column_map=layout)
            profiles, decimal_mark = _profiles(connection, raw, store)
    settled = replace(layout, decimal_mark=decimal_mark)
    proposals = [
        _propose(path.name, one, raw.headings, profiles, settled)
        for one in ((kind,) if kind else PROPOSED_KINDS)
    ]
    ranked = sorted(proposals, key=_worth, reverse=True)
    best = ranked[0]
    if raw.rejected:
        best = replace(
            best,
            remarks=(
                *best.remarks,
                f"{raw.rejected:,} rows cannot be split into cells and were not looked at.",
            ),
        )
    if kind is None and _worth(best) - _worth(ranked[1]) < ALIKE:
        best = replace(
            best,
            questions=(
                Question(
                    "kind",
                    f"The file fits {best.kind} and {ranked[1].kind} about equally well.",
                    (best.kind, ranked[1].kind),
                    needed=True,
                ),
                *best.questions,
            ),
            column_map=replace(best.column_map, kind=None),
        )
    return best


def _worth(proposal: Proposal) -> float:
    """Rank kinds: what is explained, less what a load would miss."""
    missing = sum(
        entry.required and entry.name not in proposal.column_map.columns
        for entry in fields_of(proposal.kind)
    )
    return float(proposal.fields["confidence"].sum()) - 1.5 * missing


# Layout


def _layout(path: Path, given: ColumnMap) -> ColumnMap:
    """Find delimiter, encoding, sheet and header row without knowing any heading."""
    if not path.is_file():
        return given
    with path.open("rb") as stream:
        start = stream.read(SAMPLE)
    if start.startswith(b"PK\x03\x04"):
        return _workbook_layout(path, given)
    if not start or start.startswith(b"PAR1"):
        return given
    encoding = _encoding(path, start)
    # Delimiters and line ends are ASCII, which every other encoding here writes as such.
    text = start.decode(encoding or "latin-1", errors="ignore").removeprefix("\ufeff")
    best = (0, 0, ",", 1)
    for delimiter in DELIMITERS:
        try:
            rows = list(csv.reader(io.StringIO(text, newline=""), delimiter=delimiter))
        except csv.Error:
            continue
        widths = [len(row) for row in rows[:-1] or rows]
        width = max(set(widths), key=lambda wide: (widths.count(wide), wide))
        header = 1 + widths.index(width)
        if width > 1 and (entry := (widths.count(width), width, delimiter, header))[:2] > best[:2]:
            best = entry
    if best[0] == 0 or best[3] > HEADER_ROWS:
        return replace(given, encoding=encoding)
    return replace(given, delimiter=best[2], header_row=best[3], encoding=encoding)


def _encoding(path: Path, start: bytes) -> str | None:
    """Return the encoding that the whole file is in, where the bytes settle it."""
    if start.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return "utf-16"
    decoder = codecs.getincrementaldecoder("utf-8")()
    try:
        with path.open("rb") as stream:
            while chunk := stream.read(CHUNK):
                decoder.decode(chunk)
            decoder.decode(b"", final=True)
    except UnicodeDecodeError:
        return None
    return "utf-8-sig" if start.startswith(codecs.BOM_UTF8) else "utf-8"


def _workbook_layout(path: Path, given: ColumnMap) -> ColumnMap:
    """Take the sheet with most cells, and its first row that is as full as any near the top."""
    try:
        book = fastexcel.read_excel(path)
        sheets = {
            name: book.load_sheet(name, header_row=None, skip_rows=0, dtypes="string").to_polars()
            for name in book.sheet_names
        }
    except fastexcel.FastExcelError as error:
        raise InputError(
            f"{path.name} cannot be read as a workbook: {str(error).splitlines()[0]}"
        ) from error
    if not sheets:
        raise InputError(f"{path.name} has no sheet: export it again")
    name = max(sheets, key=lambda sheet: sheets[sheet].height * sheets[sheet].width)
    top = sheets[name].head(HEADER_ROWS)
    full = [sum(cell is not None for cell in row) for row in top.rows()]
    return replace(given, sheet=name, header_row=1 + full.index(max(full)) if full else None)


# What each column holds


def _profiles(
    connection: duckdb.DuckDBPyConnection, raw: RawTable, store: Store | None
) -> tuple[list[dict[str, Any]], str]:
    """Describe every column, and find the decimal mark."""
    run(connection, "macros")
    names = [f"c{place}" for place in range(len(raw.headings))]
    run(connection, "propose_cells", cells=", ".join(f"cell_text({c}) AS {c}" for c in names))
    marks = [connection.sql(filled("propose_marks", column=c)).pl().row(0) for c in names]
    commas, points = sum(mark[0] for mark in marks), sum(mark[1] for mark in marks)
    decimal_mark = "," if commas > points else "."
    set_variables(connection, {"decimal_mark": decimal_mark})
    fleet = _fleet(store)
    profiles = [
        {"heading": heading, "rows": raw.rows, **_one_profile(connection, name, fleet)}
        for heading, name in zip(raw.headings, names, strict=True)
    ]
    vehicle = max(range(len(names)), key=lambda at: profiles[at]["vin"])
    if profiles[vehicle]["vin"] < 0.5:
        candidates = [at for at, p in enumerate(profiles) if _may_name_vehicles(p)]
        vehicle = max(candidates, key=lambda at: profiles[at]["share_mixed"], default=-1)
    for at, name in enumerate(names):
        found = {"one_vehicle": 0.0, "one_text": 0.0, "rising": 0.0, "vehicles": 0}
        if vehicle >= 0 and at != vehicle and profiles[at]["filled"]:
            found = (
                connection.sql(filled("propose_vehicles", column=name, vehicle=names[vehicle]))
                .pl()
                .to_dicts()[0]
            )
            found["vehicles"] = profiles[vehicle]["different"]
        profiles[at].update(found, names_vehicles=at == vehicle)
    return profiles, decimal_mark


def _may_name_vehicles(profile: Profile) -> bool:
    return bool(
        profile["share_mixed"] > 0.8
        and profile["length"] <= 12
        and 1 < profile["different"] < 0.6 * profile["filled"]
        and profile["share_date"] < 0.1
    )


def _fleet(store: Store | None) -> pl.DataFrame | None:
    return None if store is None else store.frame(filled("fleet"))


def _one_profile(
    connection: duckdb.DuckDBPyConnection, name: str, fleet: pl.DataFrame | None
) -> dict[str, Any]:
    connection.execute(filled("propose_distinct", column=name)).fetchall()
    profile: dict[str, Any] = {}
    script = filled("propose_profile")
    macro, _, query = script.partition(";\n")
    connection.execute(macro).fetchall()
    profile.update(connection.sql(query).pl().to_dicts()[0])
    profile["runs"] = connection.execute(filled("propose_runs", column=name)).fetchall()[0][0]
    values = connection.sql("FROM propose_value").pl()
    text, rows = values["written"], values["rows"]

    def share(true: pl.Series) -> float:
        whole = int(rows.sum())
        return float(rows.filter(true.fill_null(value=False)).sum() / whole) if whole else 0.0

    if 15 <= profile["length"] <= 19:
        vins = text.str.to_uppercase().str.replace_all(r"[\s-]", "")
        profile["vin"] = share(check_digits(vins) == vins.str.slice(8, 1))
    else:
        profile["vin"] = 0.0
    for column in ("vin", "unit_no", "plate", "engine_family"):
        profile[f"in_store_{column}"] = (
            0.0
            if fleet is None
            else share(
                text.str.to_uppercase().is_in(
                    fleet[column].drop_nulls().str.to_uppercase().implode()
                )
            )
        )
    terms = (
        len(text) <= MOST_TERMS
        and profile["length"] <= LONGEST_TERM
        and profile["share_letter"] > 0.5
        and profile["share_mixed"] < 0.95
    )
    coded = dict.fromkeys(("component", "position", "action", "reason", "mode"), 0.0)
    if terms:
        catalogue = load_catalogue()
        coded = {
            "component": share(code_terms(text, catalogue)["component"].is_not_null()),
            "position": share(
                parse_position(text).select(pl.any_horizontal(pl.all().is_not_null())).to_series()
            ),
            "action": share(code_actions(text, catalogue).is_not_null()),
            "reason": share(code_reasons(text, catalogue).is_not_null()),
            "mode": share(code_failure_modes(text, catalogue).is_not_null()),
        }
    profile.update(coded)
    for choice, allowed in choices().items():
        profile[f"choice_{choice}"] = share(text.str.to_lowercase().is_in(list(allowed)))
    return profile


# How well a column suits a field


def _percent(profile: Profile, share: float, what: str) -> str:
    return f"{share:.0%} of {profile['filled']:,} cells {what}".replace("%", " %")


def _by_share(key: str, weight: float, what: str, *, longest: float = 1e9) -> Suits:
    def suits(profile: Profile) -> tuple[float, str]:
        share = profile[key]
        fits = share >= 0.3 and profile["length"] <= longest
        return (weight * share if fits else 0.0), _percent(profile, share, what)

    return suits


def _vin(profile: Profile) -> tuple[float, str]:
    known = profile["in_store_vin"]
    if known > 0.5:
        return 0.99 * known, _percent(profile, known, "are VINs of the store")
    share = profile["vin"]
    return 0.98 * share if share > 0.4 else 0.0, _percent(
        profile, share, "are 17 characters with a right check digit"
    )


def _fault_codes(profile: Profile) -> tuple[float, str]:
    # A unit number such as U1019 has the form of a fault code, but stays with its vehicle.
    of_one = profile["names_vehicles"] or (
        profile["vehicles"] > 1 and min(profile["one_vehicle"], profile["one_text"]) > 0.8
    )
    share = profile["share_fault_code"]
    return (0.0 if of_one else 0.95 * share), _percent(profile, share, "are fault codes")


def _names_vehicle(column: str, blanks: bool) -> Suits:
    def suits(profile: Profile) -> tuple[float, str]:
        known = profile[f"in_store_{column}"]
        if known > 0.5:
            return 0.97 * known, _percent(profile, known, "are of vehicles of the store")
        if profile["share_date"] > 0.1 or profile["vin"] > 0.4 or not profile["filled"]:
            return 0.0, ""
        like = (profile["share_blank"] > 0.5) == blanks
        if profile["names_vehicles"]:
            return (0.7 if like else 0.2), "the same texts come back row after row"
        both = min(profile["one_vehicle"], profile["one_text"])
        if both > 0.85 and profile["share_letter"] > 0.5:
            return (0.72 if like else 0.4) * both, f"goes one to one with the VINs ({both:.0%})"
        return 0.0, ""

    return suits


def _ro_no(profile: Profile) -> tuple[float, str]:
    together = profile["different"] / max(profile["runs"], 1)
    fits = (
        together > 0.97
        and profile["different"] > max(0.2 * profile["filled"], 5)
        and profile["length"] <= 16
        and profile["share_date"] < 0.1
        and profile["vin"] < 0.1
        and profile["filled"] > 0.98 * profile["rows"]
        and profile["share_words"] < 0.2
        and profile["rising"] <= 1.0
        and profile["one_text"] < 0.9
    )
    why = f"each of {profile['different']:,} numbers stands in one run of rows"
    weight = 0.8 if profile["share_mixed"] > 0.5 or profile["share_whole"] > 0.95 else 0.3
    return (weight * min(together, 1.0) if fits else 0.0), why


def _odometer(profile: Profile) -> tuple[float, str]:
    if profile["share_number"] + profile["share_unit_mi"] + profile["share_unit_km"] < 0.8:
        return 0.0, ""
    if (profile["most"] or 0) < 5_000 or profile["share_date"] > 0.1:
        return 0.0, ""
    rising = profile["rising"]
    fits = rising > 0.85 and (profile["middle"] or 0) > 5_000 and profile["share_whole"] > 0.9
    return (0.85 * rising if fits else 0.2), f"rises in {rising:.0%} of a vehicle's steps"


def _engine_hours(profile: Profile) -> tuple[float, str]:
    fits = profile["share_number"] > 0.9 and profile["rising"] > 0.85
    fits = fits and 100 < (profile["middle"] or 0) < 30_000 and profile["share_year"] < 0.5
    return (0.6 * profile["rising"] if fits else 0.0), "rises with each vehicle, as hours do"


def _date(weight: float) -> Suits:
    return _by_share("share_date", weight, "are dates")


def _year(profile: Profile) -> tuple[float, str]:
    share = profile["share_year"]
    return 0.9 * share if share > 0.8 else 0.0, _percent(profile, share, "are years")


def _family(profile: Profile) -> tuple[float, str]:
    known = profile["in_store_engine_family"]
    if known > 0.5:
        return 0.97 * known, _percent(profile, known, "are engine families of the store")
    few = 1 < profile["different"] <= max(40, 0.02 * profile["filled"])
    fits = few and profile["share_mixed"] > 0.9 and profile["length"] <= 12
    return (0.5 if fits and profile["share_date"] < 0.1 else 0.0), "few short codes"


def _narrative(done: bool, weight: float) -> Suits:
    def suits(profile: Profile) -> tuple[float, str]:
        if profile["length"] < 10 or profile["share_words"] < 0.5:
            return 0.0, ""
        share = profile["share_done"] if done else 1 - profile["share_done"]
        return weight * share, _percent(
            profile, profile["share_done"], "begin with a word for work done"
        )

    return suits


def _few_texts(profile: Profile) -> tuple[float, str]:
    few = 1 < profile["different"] <= 60 and profile["length"] <= 25
    fits = few and profile["share_letter"] > 0.8 and profile["share_yes_no"] < 0.5
    coded = max(profile[key] for key in ("component", "action", "reason", "mode", "position"))
    return (0.35 if fits and coded < 0.3 else 0.0), f"{profile['different']} short texts"


def _small_whole(most: int, weight: float) -> Suits:
    def suits(profile: Profile) -> tuple[float, str]:
        fits = profile["share_whole"] > 0.98 and 0 <= profile["least"] <= profile["most"] <= most
        return (weight if fits else 0.0), f"whole numbers up to {profile['most']}"

    return suits


def _number(profile: Profile) -> tuple[float, str]:
    share = profile["share_number"]
    return 0.2 * share if share > 0.8 else 0.0, _percent(profile, share, "are numbers")


SUITS: Final[Mapping[str, Suits]] = {
    "vin": _vin,
    "unit_no": _names_vehicle("unit_no", blanks=False),
    "plate": _names_vehicle("plate", blanks=True),
    "ro_no": _ro_no,
    "odometer": _odometer,
    "engine_hours": _engine_hours,
    "opened_on": _date(0.62),
    "closed_on": _date(0.58),
    "read_on": _date(0.9),
    "in_service_on": _date(0.6),
    "observed_from_on": _date(0.55),
    "retired_on": _date(0.5),
    "model_year": _year,
    "engine_family": _family,
    "technician": _few_texts,
    "correction": _narrative(done=True, weight=0.78),
    "complaint": _narrative(done=False, weight=0.42),
    "cause": _narrative(done=False, weight=0.4),
    "fault_codes": _fault_codes,
    "road_tested": _by_share("share_yes_no", 0.4, "are yes or no", longest=6),
    "codes_cleared": _by_share("share_yes_no", 0.38, "are yes or no", longest=6),
    "safety_critical": _by_share("share_yes_no", 0.7, "are yes or no", longest=6),
    "component": _by_share("component", 0.85, "name a part of the catalogue", longest=45),
    "position": _by_share("position", 0.6, "are positions", longest=30),
    "side": _by_share("share_side", 0.85, "name a side", longest=9),
    "action": _by_share("action", 0.8, "name an action", longest=25),
    "reason": _by_share("reason", 0.78, "name a reason", longest=30),
    "failure_mode": _by_share("mode", 0.76, "name a failure mode", longest=25),
    "bank": _small_whole(2, 0.3),
    "cylinder": _small_whole(16, 0.25),
    "slot": _small_whole(6, 0.2),
    "qty": _small_whole(100, 0.25),
    "line_no": _small_whole(60, 0.25),
    "torque": _by_share("share_torque", 0.95, "are torques"),
    "fuel": _by_share("choice_fuel", 0.9, "are fuels"),
    "camshaft_location": _by_share("choice_camshaft_location", 0.9, "are head or block"),
    "origin": _by_share("choice_origin", 0.9, "are one of maker, legal, analysed"),
}
IN_WORDS: Final = (
    "component",
    "position",
    "action",
    "reason",
    "failure_mode",
    "complaint",
    "cause",
    "correction",
)
READABLE: Final = {
    "integer": "share_whole",
    "number": "share_number",
    "money": "share_number",
    "distance": "share_distance",
    "date": "share_date",
    "yes-no": "share_yes_no",
}


def heading_likeness(heading: str, entry: Field, kind: str) -> float:
    """Return how surely a heading means a field, 0 to 1, misspelt and shortened ones too."""
    written = plain(heading)
    if not written:
        return 0.0
    owner = known_headings(kind).get(written)
    if owner is not None:
        return 1.0 if owner == entry.name else 0.0
    if len(written) < 3:
        return 0.0
    known = [name for name, field in known_headings(kind).items() if field == entry.name]
    return (
        max(
            max(
                (fuzz.ratio(written, name) - 70) / 30 * 0.9,
                0.7 if _shortens(written.split(), name.split()) else 0.0,
            )
            for name in known
        )
        if known
        else 0.0
    )


def _shortens(short: list[str], whole: list[str]) -> bool:
    """Whether each word begins one of the whole words, in their order."""
    rest = iter(whole)
    return all(len(word) >= 3 and any(full.startswith(word) for full in rest) for word in short)


def _suitability(kind: str, entry: Field, profile: Profile) -> tuple[float, str]:
    """Return how surely a column holds a field, and why."""
    named = heading_likeness(profile["heading"], entry, kind)
    readable = 1.0
    if entry.type in READABLE and profile["filled"]:
        readable = (
            min(profile["share_number"] + profile["share_unit_mi"] + profile["share_unit_km"], 1.0)
            if entry.type == "distance"
            else profile[READABLE[entry.type]]
        )
    elif entry.type in choices() and profile["filled"]:
        readable = profile[f"choice_{entry.type}"]
    elif entry.type == "codes" and profile["filled"]:
        readable = profile["share_fault_code"]
    if entry.name == "vin" and profile["filled"]:
        readable = max(profile["vin"], profile["in_store_vin"])
    # A column of bare numbers under "Pos" or "Item" counts lines; it names nothing.
    if entry.name in IN_WORDS and profile["filled"] and profile["share_letter"] < 0.5:
        readable = profile["share_letter"]
    if entry.type != "money" and any(sign in profile["heading"] for sign in "$€£"):
        return 0.0, ""
    if readable < 0.5:
        return 0.0, ""
    judge = SUITS.get(entry.name, _number if entry.type in ("number", "money") else None)
    if profile["filled"] and judge is not None:
        held, why = judge(profile)
    else:
        held, why = 0.0, "" if profile["filled"] else "the column is empty"
    total = readable * (1 - (1 - HEADING_WEIGHT * named) * (1 - held))
    words = (
        [f"the heading is {'a usual one' if named == 1 else 'like a usual one'}"] if named else []
    )
    return total, "; ".join([*words, *([why] if why and (held or not profile["filled"]) else [])])


def _propose(
    file_name: str,
    kind: str,
    headings: tuple[str, ...],
    profiles: list[dict[str, Any]],
    layout: ColumnMap,
) -> Proposal:
    entries = fields_of(kind)
    judged = [[_suitability(kind, entry, profile) for profile in profiles] for entry in entries]
    scores = np.array([[score for score, _ in row] for row in judged])
    for at, heading in enumerate(headings):
        # A map names columns by their headings: one without, or with another's, cannot be named.
        if not heading or [plain(other) for other in headings].count(plain(heading)) > 1:
            scores[:, at] = 0.0
    rows, columns = linear_sum_assignment(scores, maximize=True)
    chosen = {
        int(row): int(column)
        for row, column in zip(rows, columns, strict=True)
        if scores[row, column] > PROPOSED_ABOVE
    }
    found, questions = [], []
    kept: dict[int, int] = {}
    doubtful: list[str] = []
    for row, column in chosen.items():
        sure, rival = _confidence(scores, row, column, chosen)
        entry = entries[row]
        if sure < SURE_ENOUGH:
            doubtful.append(f"{headings[column]!r} may be {entry.name}, but not surely enough.")
            continue
        kept[row] = column
        found.append(
            {
                "field": entry.name,
                "heading": headings[column],
                "confidence": round(sure, 3),
                "why": judged[row][column][1],
            }
        )
        if rival is not None and entry.required:
            questions.append(
                Question(
                    f"column {entry.name}",
                    f"{headings[column]!r} and {headings[rival]!r} fit {entry.name} about "
                    "equally well.",
                    (headings[column], headings[rival]),
                )
            )
    fields = pl.DataFrame(
        found,
        schema={
            "field": pl.String,
            "heading": pl.String,
            "confidence": pl.Float64,
            "why": pl.String,
        },
    )
    held = {entries[row].name: profiles[column] for row, column in kept.items()}
    column_map, asked, remarks = _conventions(kind, held, layout)
    for entry in entries:
        if entry.required and entry.name not in held:
            asked.append(
                Question(
                    f"column {entry.name}",
                    f"No column for {entry.name} was found.",
                    tuple(h for at, h in enumerate(headings) if at not in kept.values() and h),
                    needed=True,
                )
            )
    used = set(kept.values())
    return Proposal(
        file_name,
        datetime.now().replace(microsecond=0),
        kind,
        replace(
            column_map,
            kind=kind,
            columns=dict(zip(fields["field"], fields["heading"], strict=True)),
        ),
        fields,
        (*questions, *asked),
        tuple(h for at, h in enumerate(headings) if at not in used and h),
        (*remarks, *doubtful),
    )


def _confidence(
    scores: NDArray[np.float64], row: int, column: int, chosen: Mapping[int, int]
) -> tuple[float, int | None]:
    """Return how sure a choice is, and the column that suits the field as well if there is one.

    The nearer the next best field of the column or column of the field, the nearer to a coin's
    toss; a column that another field has a better claim to is no rival.
    """
    score = scores[row, column]
    owners = {place: scores[other, place] for other, place in chosen.items()}
    rivals = [
        (scores[row, place], place)
        for place in range(scores.shape[1])
        if place != column and owners.get(place, 0.0) <= scores[row, place] + ALIKE
    ]
    other_fields = [scores[other, column] for other in range(scores.shape[0]) if other != row]
    beside, rival = max(rivals, default=(0.0, None))
    margin = score - max(beside, max(other_fields, default=0.0))
    sure = float(min(score, 0.99, max(0.5 + margin, 0.3 * score)))
    return sure, rival if rival is not None and score - beside < ALIKE else None


def _conventions(
    kind: str, held: Mapping[str, Profile], layout: ColumnMap
) -> tuple[ColumnMap, list[Question], list[str]]:
    """Settle how distances and dates are written, and who the shop is, or ask."""
    questions: list[Question] = []
    remarks: list[str] = []
    types = {entry.name: entry.type for entry in fields_of(kind)}
    dates = [profile for name, profile in held.items() if types[name] == "date"]
    distances = [profile for name, profile in held.items() if types[name] == "distance"]
    order = layout.date_order
    if dates and order is None:
        day_first = sum(profile["day_first"] for profile in dates)
        month_first = sum(profile["month_first"] for profile in dates)
        either = sum(profile["either"] for profile in dates)
        if day_first and month_first:
            remarks.append(
                f"Dates are written both ways: {day_first:,} with the day first, {month_first:,} "
                "with the month first; what can be read both ways is held."
            )
        elif day_first or month_first:
            order = "dmy" if day_first else "mdy"
        elif either:
            examples = [p["either_example"] for p in dates if p["either_example"]]
            questions.append(
                Question(
                    "date_order",
                    "Every date can be read with the day first or the month first.",
                    ("dmy", "mdy"),
                    tuple(examples[:3]),
                    needed=True,
                )
            )
        else:
            order = "ymd"
    unit = layout.distance_unit
    if distances and unit is None:
        words = {word for p in distances for word in plain(p["heading"]).split()}
        units = [name for name, known in UNIT_WORDS.items() if words & known]
        cells = {
            name: sum(p["filled"] * p[f"share_unit_{name}"] for p in distances)
            for name in UNIT_WORDS
        }
        if len(units) == 1:
            unit = units[0]
        elif sum(cells.values()) > 0 and min(cells.values()) == 0:
            unit = max(cells, key=lambda name: cells[name])
        else:
            questions.append(
                Question(
                    "distance_unit",
                    "Nothing in the file says whether distances are miles or kilometres.",
                    ("mi", "km"),
                    tuple(f"{p['heading']}: {p['middle']:,.0f}" for p in distances if p["filled"]),
                    needed=True,
                )
            )
    if kind in SHOP_KINDS and "shop" not in held and not layout.shop:
        questions.append(Question("shop", "No column names the shop.", needed=True))
    return replace(layout, date_order=order, distance_unit=unit), questions, remarks


# TOML


def _comment(text: str) -> str:
    return "# " + "".join(c if c.isprintable() else " " for c in text)


def _toml_text(text: str) -> str:
    """Return a TOML string: JSON's escapes are TOML's, but for the delete character."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
