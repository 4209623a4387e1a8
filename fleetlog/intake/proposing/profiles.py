"""Describe every column of a file: what its cells look like, and how they go with other columns.

The shares of cells come from the whole column; how a column goes with vehicles, orders and other
columns from the first rows of the file, since it does not change with more of them.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date
from itertools import permutations
from typing import Any, Final, TypeAlias

import duckdb
import polars as pl

from fleetlog.catalogue import load_catalogue
from fleetlog.intake.columns import choices
from fleetlog.intake.dates import DateOrder, find_date_order
from fleetlog.intake.frames import filled, run, set_variables
from fleetlog.intake.narrative import (
    code_actions,
    code_failure_modes,
    code_reasons,
    code_terms,
    parse_position,
)
from fleetlog.intake.raw_table import RawTable
from fleetlog.store import Store
from fleetlog.vin import check_digits

Profile: TypeAlias = Mapping[str, Any]

# A vocabulary has few distinct cells; more are no list of terms, and are not coded.
MOST_TERMS: Final = 20_000
LONGEST_TERM: Final = 45
MOST_RELATED_ROWS: Final = 200_000
EXAMPLES: Final = 3
# One column never comes after another: in so many of their rows, of which some are no ties.
IN_ORDER: Final = 0.98
NOT_TIED: Final = 0.02
FEWEST_PAIRS: Final = 5


@dataclass(frozen=True)
class Described:
    """The columns of a file, in order, and how numbers and dates are written in it."""

    profiles: tuple[Profile, ...]
    decimal_mark: str
    date_order: DateOrder


def describe(
    connection: duckdb.DuckDBPyConnection,
    raw: RawTable,
    store: Store | None,
    date_order: str | None,
) -> Described:
    """Describe the columns of ``raw``; ``date_order`` is how dates are said to be written."""
    run(connection, "macros")
    names = [f"c{place}" for place in range(len(raw.headings))]
    run(connection, "propose_cells", cells=", ".join(f"cell_text({c}) AS {c}" for c in names))
    marks = [connection.sql(filled("propose_marks", column=c)).pl().row(0) for c in names]
    commas, points = sum(mark[0] for mark in marks), sum(mark[1] for mark in marks)
    decimal_mark = "," if commas > points else "."
    set_variables(connection, {"decimal_mark": decimal_mark})
    fleet = None if store is None else store.frame(filled("fleet"))
    profiles = [
        {"heading": heading, "rows": raw.rows, **_one_column(connection, name, fleet)}
        for heading, name in zip(raw.headings, names, strict=True)
    ]
    connection.execute(filled("propose_related", rows=str(MOST_RELATED_ROWS))).fetchall()
    _beside_vehicles(connection, names, profiles)
    _beside_orders(connection, names, profiles)
    written = _date_order(connection, names, profiles)
    _in_order(connection, names, profiles, date_order or written.settled)
    return Described(tuple(profiles), decimal_mark, written)


def _one_column(
    connection: duckdb.DuckDBPyConnection, name: str, fleet: pl.DataFrame | None
) -> dict[str, Any]:
    connection.execute(filled("propose_distinct", column=name)).fetchall()
    profile: dict[str, Any] = connection.sql(filled("propose_profile")).pl().to_dicts()[0]
    profile["runs"] = connection.execute(filled("propose_runs", column=name)).fetchall()[0][0]
    values = connection.sql("FROM propose_value").pl()
    text, rows = values["written"], values["rows"]
    profile["examples"] = tuple(
        values.sort(["rows", "written"], descending=[True, False])["written"].head(EXAMPLES)
    )

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
    profile.update(_coded(profile, text, share))
    for choice, allowed in choices().items():
        profile[f"choice_{choice}"] = share(text.str.to_lowercase().is_in(list(allowed)))
    return profile


def _coded(
    profile: Profile, text: pl.Series, share: Callable[[pl.Series], float]
) -> dict[str, float]:
    """Share of the cells that the catalogue's words tell of, field by field."""
    if not (
        len(text) <= MOST_TERMS
        and profile["length"] <= LONGEST_TERM
        and profile["share_letter"] > 0.5
        and profile["share_mixed"] < 0.95
    ):
        return dict.fromkeys(("component", "position", "action", "reason", "mode"), 0.0)
    catalogue = load_catalogue()
    places = parse_position(text).select(pl.any_horizontal(pl.all().is_not_null())).to_series()
    return {
        "component": share(code_terms(text, catalogue)["component"].is_not_null()),
        "position": share(places),
        "action": share(code_actions(text, catalogue).is_not_null()),
        "reason": share(code_reasons(text, catalogue).is_not_null()),
        "mode": share(code_failure_modes(text, catalogue).is_not_null()),
    }


def _beside_vehicles(
    connection: duckdb.DuckDBPyConnection, names: list[str], profiles: list[dict[str, Any]]
) -> None:
    """Hold each column against the one that names vehicles best."""
    vehicle = max(range(len(names)), key=lambda at: profiles[at]["vin"])
    if profiles[vehicle]["vin"] < 0.5:
        candidates = [at for at, p in enumerate(profiles) if _may_name_vehicles(p)]
        vehicle = max(candidates, key=lambda at: profiles[at]["share_mixed"], default=-1)
    for at, name in enumerate(names):
        found = {"one_vehicle": 0.0, "one_text": 0.0, "rising": 0.0, "vehicles": 0}
        if vehicle >= 0 and at != vehicle and profiles[at]["filled"]:
            query = filled("propose_vehicles", column=name, vehicle=names[vehicle])
            found = connection.sql(query).pl().to_dicts()[0]
            found["vehicles"] = profiles[vehicle]["different"]
        profiles[at].update(found, names_vehicles=at == vehicle)


def _may_name_vehicles(profile: Profile) -> bool:
    return bool(
        profile["share_mixed"] > 0.8
        and profile["length"] <= 12
        and 1 < profile["different"] < 0.6 * profile["filled"]
        and profile["share_date"] < 0.1
    )


def _beside_orders(
    connection: duckdb.DuckDBPyConnection, names: list[str], profiles: list[dict[str, Any]]
) -> None:
    """Tell which column numbers orders, and which others say one thing of a whole order."""
    together = [_together(profile) for profile in profiles]
    order = max(range(len(names)), key=lambda at: together[at])
    for at, profile in enumerate(profiles):
        profile.update(numbers_orders=together[at], orders=0, one_order=0.0, counts_up=0.0)
    if together[order] == 0.0 or stands_once(profiles[order]):
        return
    alike = ", ".join(f"avg((min_{c} = max_{c})::INTEGER) AS {c}" for c in names)
    ends = ", ".join(f"min({c}) AS min_{c}, max({c}) AS max_{c}" for c in names)
    script = filled("propose_orders", order=names[order], alike=alike, ends=ends)
    row = connection.sql(script).pl().to_dicts()[0]
    for at, profile in enumerate(profiles):
        if at == order:
            continue
        profile.update(orders=row["orders"], one_order=float(row[names[at]] or 0.0))
        if profile["share_whole"] > 0.98 and (profile["least"] or 0) == 1:
            query = filled("propose_line_numbers", order=names[order], column=names[at])
            profile["counts_up"] = float(connection.execute(query).fetchall()[0][0] or 0.0)


def stands_once(profile: Profile) -> bool:
    """Whether nearly every cell of a column stands in one row only."""
    return bool(profile["different"] > 0.98 * profile["filled"])


def _together(profile: Profile) -> float:
    """How nearly each number of a column stands in one run of rows; 0 where it numbers nothing."""
    together = profile["different"] / max(profile["runs"], 1)
    numbers = (
        together > 0.97
        and profile["different"] > max(0.2 * profile["filled"], 5)
        and profile["length"] <= 16
        and profile["share_date"] < 0.1
        and profile["vin"] < 0.1
        and profile["filled"] > 0.98 * profile["rows"]
        and profile["share_words"] < 0.2
        and profile["one_text"] < 0.9
        and (profile["share_mixed"] > 0.5 or profile["share_whole"] > 0.95)
    )
    return min(float(together), 1.0) if numbers else 0.0


def _date_order(
    connection: duckdb.DuckDBPyConnection, names: list[str], profiles: list[dict[str, Any]]
) -> DateOrder:
    """Find the order of day and month from every date of the file."""
    dates = [name for name, profile in zip(names, profiles, strict=True) if _holds_dates(profile)]
    connection.execute("CREATE TEMP VIEW cell AS FROM proposed").fetchall()
    return find_date_order(connection, dates)


def _holds_dates(profile: Profile) -> bool:
    return bool(profile["share_date"] > 0.5)


def _in_order(
    connection: duckdb.DuckDBPyConnection,
    names: list[str],
    profiles: list[dict[str, Any]],
    date_order: str | None,
) -> None:
    """Count for each column of dates or of distances those that never come after, or before, it."""
    set_variables(connection, {"date_order": date_order or "each", "today": date.today()})
    run(connection, "date_values")
    groups = (
        ("day", [n for n, p in zip(names, profiles, strict=True) if _holds_dates(p)]),
        ("distance", [n for n, p in zip(names, profiles, strict=True) if _may_be_distance(p)]),
    )
    found: dict[str, dict[str, int]] = {
        name: {"later_than": 0, "earlier_than": 0, "ordered_among": 0} for name in names
    }
    for what, members in groups:
        for one, other in permutations(members, 2):
            query = filled(f"propose_{what}_order", one=one, other=other)
            pairs, ordered, apart = connection.execute(query).fetchall()[0]
            if pairs >= FEWEST_PAIRS and ordered >= IN_ORDER and apart >= NOT_TIED:
                found[one]["earlier_than"] += 1
                found[other]["later_than"] += 1
        for name in members:
            found[name]["ordered_among"] = len(members)
    for name, profile in zip(names, profiles, strict=True):
        profile.update(found[name])


def _may_be_distance(profile: Profile) -> bool:
    read = profile["share_number"] + profile["share_unit_mi"] + profile["share_unit_km"]
    return bool(
        read > 0.8
        and (profile["share_whole"] > 0.9 or profile["share_number"] < 0.5)
        and (profile["most"] or 0) >= 100
        and profile["share_date"] < 0.1
        and profile["share_year"] < 0.5
    )
