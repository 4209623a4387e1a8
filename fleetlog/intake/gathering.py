"""Load what lies in files and folders, each by its kind, what is referred to first."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

from fleetlog.errors import FleetlogError, InputError
from fleetlog.intake.columns import ColumnMap, fields_of, kinds, known_headings, plain
from fleetlog.intake.loading import LoadResult, load
from fleetlog.intake.reading import headings_as, is_workbook
from fleetlog.intake.workbook import read_sheets
from fleetlog.store import Store

SUFFIXES = (
    ".csv", ".tsv", ".txt", ".xlsx", ".xlsm", ".xls", ".xlsb", ".ods", ".parquet", ".jsonl",
    ".ndjson", ".json",
)  # fmt: skip
# What is referred to comes before what refers to it.
ORDER = (
    "engine-families", "vehicles", "service-rules", "orders", "repairs", "order-lines", "meters",
    "torques",
)  # fmt: skip
_HIDDEN = (".", "~$")


@dataclass(frozen=True)
class Task:
    """One load to be made: a file, of a workbook perhaps only some sheets, and its kind."""

    path: Path
    kind: str
    column_map: ColumnMap
    remark: str | None = None


@dataclass(frozen=True)
class Refusal:
    """A file that was not loaded, and why."""

    file_name: str
    problem: str


@dataclass(frozen=True)
class Loaded:
    """What became of all the files.

    results : of each load, in the order in which they were made.
    refused : the files that were not loaded; the others were.
    skipped : names of files that are no tables by their name.
    """

    results: tuple[LoadResult, ...]
    refused: tuple[Refusal, ...]
    skipped: tuple[str, ...]


def gather(paths: Iterable[str | Path]) -> tuple[tuple[Path, ...], tuple[str, ...]]:
    """Return the files that are meant, folders and patterns resolved, and the names left out.

    A file that is named itself is always taken. In a folder (not in the folders within it) or a
    pattern, files are taken by their suffix, hidden and lock files are not, and numbers sort as
    numbers.

    Raises
    ------
    InputError : a path does not exist, or no file is left.
    """
    files: list[Path] = []
    skipped: list[str] = []
    for path in map(Path, paths):
        if path.is_dir():
            found = sorted((each for each in path.iterdir() if each.is_file()), key=_natural)
        elif path.exists():
            files.append(path)
            continue
        else:
            found = sorted(_matching(path), key=_natural)
            if not found:
                raise InputError(f"{path} does not exist: check the path")
        for each in found:
            if each.suffix.lower() in SUFFIXES and not each.name.startswith(_HIDDEN):
                files.append(each)
            elif each.suffix != ".toml" and not each.name.startswith(_HIDDEN):
                skipped.append(each.name)
    if not files:
        raise InputError(
            "no file to load: name files ending in " + ", ".join(SUFFIXES) + " or their folder"
        )
    return tuple(dict.fromkeys(files)), tuple(skipped)


def _matching(pattern: Path) -> list[Path]:
    """Return the files that a pattern means; a folder's own name may hold the pattern signs."""
    if pattern.is_absolute():
        root = Path(pattern.anchor)
        return [path for path in root.glob(str(pattern.relative_to(root))) if path.is_file()]
    return [path for path in Path().glob(str(pattern)) if path.is_file()]


def guess_kind(path: str | Path, column_map: ColumnMap | None = None) -> str:
    """Return the kind of file that the headings of a text or Parquet file belong to.

    A kind is possible where each of its required fields has a heading, and the vehicle has one
    where such a file needs it. The possible kind that knows most of the headings wins.

    Raises
    ------
    InputError : none is possible, or two know equally many.
    """
    path = Path(path)
    column_map = column_map or ColumnMap()
    if column_map.kind is not None:
        return column_map.kind
    found = _fitting(lambda kind: headings_as(path, kind, column_map), column_map)
    if not found:
        raise _unknown(path.name, headings_as(path, "repairs", column_map))
    return _best(found, path.name)


def _fitting(
    headings_of: Callable[[str], tuple[str, ...]], column_map: ColumnMap
) -> dict[str, int]:
    """Return the kinds that are possible, each with the number of fields that have a heading."""
    found = {}
    for kind in kinds():
        there = {plain(heading) for heading in headings_of(kind) if heading}
        if column_map.columns:
            named = {
                name for name, heading in column_map.columns.items() if plain(heading) in there
            }
            known = {entry.name for entry in fields_of(kind)}
            fields = named if named <= known else set()
        else:
            fields = {name for heading, name in known_headings(kind).items() if heading in there}
        if _possible(kind, fields):
            found[kind] = len(fields)
    return found


def _best(found: dict[str, int], what: str) -> str:
    best = [kind for kind, fields in found.items() if fields == max(found.values())]
    if len(best) > 1:
        raise InputError(
            f"{what} may be {' or '.join(best)} by its headings: say which with --kind"
        )
    return best[0]


def _unknown(name: str, there: Sequence[str], what: str = "headings") -> InputError:
    listed = ", ".join(heading for heading in there if heading) or "none"
    return InputError(
        f"{name} is no kind of file that its headings would tell; its {what} are {listed}: say "
        f"--kind ({', '.join(kinds())}) and give a column map"
    )


def _possible(kind: str, fields: set[str]) -> bool:
    required = {entry.name for entry in fields_of(kind) if entry.required}
    names_vehicle = bool(fields & {"vin", "unit_no", "plate"})
    if not required <= fields:
        return False
    if kind in ("meters", "repairs", "orders") and not names_vehicle:
        return False
    if kind == "meters":
        return bool(fields & {"odometer", "engine_hours"})
    if kind == "repairs":
        return bool(fields & {"component", "correction", "cause", "part_no", "action"})
    if kind == "order-lines":
        return bool(fields & {"component", "part_no"})
    return True


def load_all(
    store: Store,
    paths: Iterable[str | Path],
    *,
    kind: str | None = None,
    columns: str | Path | ColumnMap | None = None,
    progress: Callable[[str, str, float], None] | None = None,
    loaded_by: str | None = None,
) -> Loaded:
    """Load files, folders and patterns of them, each by its kind.

    Without a map, a TOML file of the same folder whose name is part of the file's name is its map
    (``north_yard.toml`` for ``repairs_north_yard_may.csv``), and is named. A workbook whose
    sheets are of several kinds becomes a load for each kind. A file that is refused does not
    keep the others from being loaded.

    Parameters
    ----------
    kind : of all the files; None: what their maps say, or what their headings tell.
    columns : a column map for all the files, or the path of one.
    progress : is told the file, the step and the share of the file's time that is behind.

    Raises
    ------
    InputError : a path does not exist, or the map cannot be read.
    """
    files, skipped = gather(paths)
    common = None
    if columns is not None:
        common = columns if isinstance(columns, ColumnMap) else ColumnMap.read(columns)
    if kind is not None and kind not in kinds():
        raise InputError(f"kind {kind!r}: choose one of {', '.join(kinds())}")
    tasks: list[Task] = []
    refused: list[Refusal] = []
    results: list[LoadResult] = []
    for path in files:
        try:
            tasks += _tasks(path, kind, common)
        except FleetlogError as error:
            refused.append(Refusal(path.name, str(error)))
    for task in sorted(tasks, key=lambda task: ORDER.index(task.kind)):

        def tell(step: str, share: float, name: str = task.path.name) -> None:
            if progress is not None:
                progress(name, step, share)

        try:
            result = load(
                store, task.path, kind=task.kind, columns=task.column_map, progress=tell,
                loaded_by=loaded_by,
            )  # fmt: skip
            said = (task.remark,) if task.remark else ()
            results.append(replace(result, remarks=(*said, *result.remarks)))
        except FleetlogError as error:
            refused.append(Refusal(task.path.name, str(error)))
    return Loaded(tuple(results), tuple(refused), skipped)


def _tasks(path: Path, kind: str | None, common: ColumnMap | None) -> list[Task]:
    """Return the loads that a file asks for."""
    beside = None if common else _map_beside(path)
    column_map = common or (ColumnMap.read(beside) if beside else ColumnMap())
    remark = f"read by the map {beside.name} beside it" if beside else None
    known = kind or column_map.kind
    if known is not None:
        return [Task(path, known, column_map, remark)]
    if not is_workbook(path):
        return [Task(path, guess_kind(path, column_map), column_map, remark)]
    by_kind: dict[str, list[str]] = {}
    sheets = read_sheets(path, "repairs", column_map)
    for sheet in sheets:
        only = replace(column_map, sheet=sheet.name)
        found = _fitting(partial(_headings_of_sheet, path, only), column_map)
        if found:
            by_kind.setdefault(_best(found, f"{path.name}, sheet {sheet.name!r}"), []).append(
                sheet.name
            )
    if not by_kind:
        raise _unknown(path.name, [sheet.name for sheet in sheets], "sheets")
    several = len(by_kind) > 1
    taken = {name for names in by_kind.values() for name in names}
    if several and (left := [sheet.name for sheet in sheets if sheet.name not in taken]):
        told = f"sheets that are no kind of file were not read: {', '.join(left)}"
        remark = f"{remark}; {told}" if remark else told
    return [
        Task(path, each, replace(column_map, sheet=tuple(names)) if several else column_map, remark)
        for each, names in by_kind.items()
    ]


def _map_beside(path: Path) -> Path | None:
    """Return the column map in the file's folder whose name is the longest within the file's."""
    stem = f" {plain(path.stem)} "
    maps = [each for each in path.parent.glob("*.toml") if f" {plain(each.stem)} " in stem]
    return max(maps, key=lambda each: len(each.stem), default=None)


def _headings_of_sheet(path: Path, only: ColumnMap, kind: str) -> tuple[str, ...]:
    return read_sheets(path, kind, only)[0].headings


def _natural(path: Path) -> list[tuple[int, int, str]]:
    """Return a key that sorts numbers within names as numbers."""
    return [
        (0, int(piece), "") if piece.isdecimal() else (1, 0, piece.casefold())
        for piece in re.split(r"(\d+)", path.name)
        if piece
    ]
