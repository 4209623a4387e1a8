"""Which heading of a file holds which field."""

from __future__ import annotations

import tomllib
import unicodedata
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from functools import cache, lru_cache
from importlib.resources import files
from pathlib import Path
from typing import Any

from fleetlog.errors import InputError

_ONE_OF = {
    "distance_unit": ("mi", "km"),
    "date_order": ("dmy", "mdy", "ymd"),
    "decimal_mark": (".", ","),
}


@dataclass(frozen=True)
class Field:
    """One field of a kind of file, as fields.toml describes it."""

    name: str
    type: str
    required: bool = False
    order: bool = False
    soft: bool = False
    headings: tuple[str, ...] = ()


# Repairs whose orders and lines stand in files apart: which of their fields each file has. A line
# is told to its order by shop and number, and may have words of its own.
_APART: Mapping[str, Callable[[Field], bool]] = {
    "orders": lambda entry: entry.order,
    "order-lines": lambda entry: (
        not entry.order or entry.name in ("shop", "ro_no", "cause", "correction")
    ),
}
REPAIR_KINDS = ("repairs", *_APART)


@dataclass(frozen=True)
class ColumnMap:
    """How one shop's files of one kind are laid out; every part may be left to be guessed.

    columns : field -> heading in the file; empty: headings are matched by their usual names.
    shop : name of the shop, where the file has no column for it.
    kind : the kind of file that the map is for.
    distance_unit : ``"mi"`` or ``"km"``, of cells that name no unit.
    date_order : ``"dmy"``, ``"mdy"`` or ``"ymd"``.
    decimal_mark : ``"."`` or ``","``.
    delimiter, encoding : of a text file.
    sheet : of a workbook; several with the same headings are read one under the other.
    header_row : row of the headings, counted from 1.
    list_mark : what stands between several parts in one cell, where a row lists them.
    """

    columns: Mapping[str, str] = field(default_factory=dict)
    shop: str | None = None
    kind: str | None = None
    distance_unit: str | None = None
    date_order: str | None = None
    decimal_mark: str | None = None
    delimiter: str | None = None
    encoding: str | None = None
    sheet: str | Sequence[str] | None = None
    header_row: int | None = None
    list_mark: str | None = None

    def __post_init__(self) -> None:
        for name, choices in _ONE_OF.items():
            value = getattr(self, name)
            if value is not None and value not in choices:
                raise InputError(
                    f"column map: {name} is {value!r}: give one of {', '.join(map(repr, choices))}"
                )
        if self.delimiter is not None and len(self.delimiter) != 1:
            raise InputError(
                f"column map: delimiter is {self.delimiter!r}: give the one character that "
                "stands between cells"
            )
        if self.list_mark == "":
            raise InputError(
                "column map: list_mark is empty: give what stands between the parts in a cell"
            )
        if self.header_row is not None and self.header_row < 1:
            raise InputError(
                f"column map: header_row is {self.header_row}: rows are counted from 1"
            )

    @property
    def sheets(self) -> tuple[str, ...]:
        """The names of the sheets; none where the map names none."""
        if self.sheet is None:
            return ()
        return (self.sheet,) if isinstance(self.sheet, str) else tuple(self.sheet)

    @classmethod
    def read(cls, path: str | Path) -> ColumnMap:
        """Read a map from a TOML file.

        Raises
        ------
        InputError : the file is missing, is not TOML, or has a key or value that no map has.
        """
        path = Path(path)
        try:
            table = tomllib.loads(path.read_text(encoding="utf-8"))
        except OSError as error:
            raise InputError(f"column map {path} cannot be read: {error.strerror}") from error
        except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
            raise InputError(f"column map {path} is not valid TOML: {error}") from error
        return cls.from_table(table, name=path.name)

    @classmethod
    def from_table(cls, table: Mapping[str, Any], *, name: str) -> ColumnMap:
        """Check the keys and types of a parsed map; ``name`` is for the messages."""
        known = {entry.name: entry.type for entry in fields(cls)}
        if unknown := sorted(set(table) - set(known)):
            raise InputError(
                f"column map {name}: {', '.join(unknown)} is not part of a map: use "
                f"{', '.join(known)}"
            )
        for key, value in table.items():
            if key == "columns":
                if not isinstance(value, Mapping) or not all(
                    isinstance(heading, str) for heading in value.values()
                ):
                    raise InputError(
                        f'column map {name}: [columns] must hold lines like ro_no = "Ticket"'
                    )
            elif key == "sheet" and isinstance(value, list):
                if not value or not all(isinstance(name, str) for name in value):
                    raise InputError(
                        f'column map {name}: sheet must be a name or a list like ["May", "June"]'
                    )
            elif not isinstance(value, int if key == "header_row" else str):
                raise InputError(
                    f"column map {name}: {key} is {value!r}: give "
                    f"{'a whole number' if key == 'header_row' else 'text in quotes'}"
                )
        return cls(**table)


@dataclass(frozen=True)
class MatchedColumns:
    """The outcome of matching.

    columns : field -> place of its column in the file, counted from 0.
    headings : the file's headings, in order.
    unmatched : headings that no field was found for; their cells are kept only as written.
    """

    columns: Mapping[str, int]
    headings: tuple[str, ...]
    unmatched: tuple[str, ...]

    def heading(self, name: str) -> str:
        """Return the heading that holds a field, or the field's own name where none does."""
        return self.headings[self.columns[name]] if name in self.columns else name


@lru_cache(maxsize=1)
def _fields_file() -> dict[str, Any]:
    return tomllib.loads((files("fleetlog.intake") / "fields.toml").read_text(encoding="utf-8"))


@lru_cache(maxsize=1)
def kinds() -> tuple[str, ...]:
    """Return the kinds of file that can be loaded."""
    return tuple(name for name in _fields_file() if name != "choices") + tuple(_APART)


@lru_cache(maxsize=1)
def choices() -> Mapping[str, tuple[str, ...]]:
    """Return the closed lists of values: type -> values."""
    return {name: tuple(values) for name, values in _fields_file()["choices"].items()}


@cache
def fields_of(kind: str) -> tuple[Field, ...]:
    """Return the fields that a kind of file can have columns for.

    Raises
    ------
    InputError : there is no such kind.
    """
    if kind not in kinds():
        raise InputError(f"kind {kind!r}: choose one of {', '.join(kinds())}")
    if kind in _APART:
        return tuple(entry for entry in fields_of("repairs") if _APART[kind](entry))
    return tuple(
        Field(name, **{**entry, "headings": tuple(entry["headings"])})
        for name, entry in _fields_file()[kind].items()
    )


@cache
def fields_read(kind: str) -> tuple[Field, ...]:
    """Return the fields that the rows of a kind are read into, those without a column too."""
    if kind not in _APART:
        return fields_of(kind)
    there = fields_of(kind)
    return tuple(
        entry if entry in there else replace(entry, required=False)
        for entry in fields_of("repairs")
    )


def plain(heading: str) -> str:
    """Return a heading without case, accents and punctuation, for comparing."""
    letters = unicodedata.normalize("NFKD", heading.casefold())
    kept = "".join(c if c.isalnum() else " " for c in letters if not unicodedata.combining(c))
    return " ".join(kept.split())


@cache
def known_headings(kind: str) -> Mapping[str, str]:
    """Return every heading that can be guessed, in plain form, with its field.

    A field's own name comes before its synonyms, and the synonyms in their order, so that the
    first of two columns for one field is the better one.
    """
    found: dict[str, str] = {plain(entry.name): entry.name for entry in fields_of(kind)}
    for entry in fields_of(kind):
        for heading in entry.headings:
            found.setdefault(plain(heading), entry.name)
    return found


def likeness(cells: Sequence[str], kind: str, column_map: ColumnMap) -> int:
    """Count the cells of a row that are headings we would use."""
    wanted = {plain(heading) for heading in column_map.columns.values()} or set(
        known_headings(kind)
    )
    return len({plain(cell) for cell in cells} & wanted)


def match_columns(
    kind: str, headings: Sequence[str], column_map: ColumnMap, *, file_name: str
) -> MatchedColumns:
    """Find the column of every field.

    Raises
    ------
    InputError : a required column is missing, or the map names a field or a heading that is not
        there; the sentence lists what the file has.
    """
    named = [heading for heading in headings if heading]
    there = "the file has no headings" if not named else "its headings are " + ", ".join(named)
    columns = (
        _mapped(kind, headings, column_map, file_name, there)
        if column_map.columns
        else _guessed(kind, headings)
    )
    missing = [
        entry.name for entry in fields_of(kind) if entry.required and entry.name not in columns
    ]
    if missing:
        raise InputError(
            f"{file_name}: no column for {', '.join(missing)}; {there}: name the column in a "
            "column map, or check the delimiter and the header row"
        )
    used = set(columns.values())
    return MatchedColumns(
        columns,
        tuple(headings),
        tuple(h for place, h in enumerate(headings) if place not in used and h),
    )


def _mapped(
    kind: str, headings: Sequence[str], column_map: ColumnMap, file_name: str, listing: str
) -> dict[str, int]:
    names = {entry.name for entry in fields_of(kind)}
    if unknown := sorted(set(column_map.columns) - names):
        raise InputError(
            f"column map for {file_name}: {', '.join(unknown)} is not a field of {kind}: use "
            f"{', '.join(sorted(names))}"
        )
    columns = {}
    for name, heading in column_map.columns.items():
        # As written if it is there: two headings may differ in nothing but a sign.
        places = [place for place, there in enumerate(headings) if there == heading.strip()]
        places = places or [
            place for place, there in enumerate(headings) if plain(there) == plain(heading)
        ]
        count = len(places)
        if count == 0:
            raise InputError(
                f"{file_name}: the column map puts {name} under {heading!r}, which is not there; "
                f"{listing}: correct the map"
            )
        if count > 1:
            raise InputError(
                f"{file_name}: {count} columns are headed {heading!r}, which the column map gives "
                f"for {name}: give each column a heading of its own"
            )
        columns[name] = places[0]
    return columns


def _guessed(kind: str, headings: Sequence[str]) -> dict[str, int]:
    places = {plain(heading): place for place, heading in reversed(list(enumerate(headings)))}
    columns: dict[str, int] = {}
    for heading, name in known_headings(kind).items():
        if heading in places and name not in columns:
            columns[name] = places[heading]
    return columns
