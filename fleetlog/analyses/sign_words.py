"""How the answer about warning signs is put in words."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import polars as pl

from fleetlog.analyses.sign_sets import APART
from fleetlog.analyses.wording import between, between_shares, counted, number, per_cent
from fleetlog.catalogue import load_catalogue

if TYPE_CHECKING:
    from fleetlog.analyses.warning_signs import WarningSigns

MOST_NAMED = 3


def say_signs(result: WarningSigns, distance_unit: str) -> tuple[str, ...]:
    """Say what was found, the answer first, with the orders behind it."""
    said = _said_of_component(result) if result.component else _said_of_sign(result)
    found = result.pairs.filter("stands_out")
    if found.height:
        said += _lead_words(found.row(0, named=True), result, distance_unit)
        said += _examples(result, found.row(0, named=True))
    critical = [
        row["component_title"]
        for row in found.unique("component").sort("component").rows(named=True)
        if load_catalogue().components[row["component"]].safety_critical
    ]
    if critical:
        said.append(
            f"{', '.join(critical)}: safety-critical, so the lead is no leave to drive on; "
            "inspect before the vehicle goes out."
        )
    said.append(
        f"Limits are at {100 * result.level:g} %; {counted(result.pairs.height, 'pair')} of sign "
        "and component looked at, false discoveries controlled over all of them."
    )
    return tuple(said)


def _within(result: WarningSigns) -> str:
    return f"{result.horizon:,} {result.unit}"


def _where(result: WarningSigns) -> str:
    return f" on {result.engine_family}" if result.engine_family else ""


def _said_of_component(result: WarningSigns) -> list[str]:
    title = f"{result.title}{_where(result)}"
    failures = int(result.pairs["failures"].max() or 0)  # type: ignore[arg-type]
    found = result.pairs.filter("stands_out")
    if failures == 0:
        return [f"{title}: no failure that can be compared, so nothing can be said of its signs."]
    if found.is_empty():
        return [
            f"{title}: no sign stands out before its {counted(failures, 'failure')} (occasions); "
            "chance could make what there is."
        ]
    said = [
        f"{title}: {counted(found.height, 'sign')} stand{'s' if found.height == 1 else ''} out "
        f"before its {counted(failures, 'failure')} (occasions)."
    ]
    said.extend(
        f"{row['sign_title']}: {per_cent(row['sensitivity'])} of the failures "
        f"({between_shares((row['sensitivity_lower'], row['sensitivity_upper']))}) had it "
        f"within the {_within(result)} before, against {per_cent(row['background'])} of the "
        f"vehicles as old without the failure ({_odds(row)}). When it comes up and no cause "
        f"is found, {_chance_words(row, result)}.{_thin(row)}"
        for row in found.head(MOST_NAMED).rows(named=True)
    )
    return said


def _thin(row: dict[str, Any]) -> str:
    note: str = row["note"]
    return f" {note[0].upper()}{note[1:]}." if note else ""


def _odds(row: dict[str, Any]) -> str:
    if row["odds_ratio"] is None:
        return "no vehicle without the failure had it, so the odds ratio has no upper end"
    limits = between((row["odds_ratio_lower"], row["odds_ratio_upper"]))
    return f"odds ratio {number(row['odds_ratio'])}, {limits}"


def _chance_words(row: dict[str, Any], result: WarningSigns) -> str:
    usual = (
        f", against {per_cent(row['usual_chance'])} of any vehicle that old"
        if row["usual_chance"] is not None
        else ""
    )
    return (
        f"the chance that {row['component_title'].lower()} fails within {_within(result)} is "
        f"{per_cent(row['chance'])} "
        f"({between_shares((row['chance_lower'], row['chance_upper']))}; "
        f"{row['followed']:,} of {counted(row['visits'], 'visit')}){usual}"
    )


def _said_of_sign(result: WarningSigns) -> list[str]:
    found = result.pairs.filter("stands_out")
    visits = int(result.pairs["visits"].max() or 0)  # type: ignore[arg-type]
    vehicles = int(result.pairs["vehicles"].max() or 0)  # type: ignore[arg-type]
    head = (
        f"{result.sign_title}{_where(result)}: noted on {counted(visits, 'visit')} of "
        f"{counted(vehicles, 'vehicle')} that renewed nothing as failed"
    )
    if found.is_empty():
        return [f"{head}; no component fails more often after it than chance could make."]
    said = [f"{head}."]
    for row in found.head(MOST_NAMED).rows(named=True):
        words = _chance_words(row, result)
        soon = (
            f" Where it did, {number(row['lead_days'])} days or less went by half the time, and "
            f"{number(row['lead_days_p10'])} or less in one case of ten."
            if row["lead_days"] is not None
            else ""
        )
        said.append(f"{words[0].upper()}{words[1:]}.{soon}{_thin(row)}")
    return said


def _lead_words(row: dict[str, Any], result: WarningSigns, distance_unit: str) -> list[str]:
    if row["lead_days"] is None:
        return []
    limits = between((row["lead_days_lower"], row["lead_days_upper"]), "days")
    text = (
        f"How long: from {_lower(row)} to the failure of "
        f"{row['component_title'].lower()}, half the time {number(row['lead_days'])} days or less "
        f"({limits}), four in five between {number(row['lead_days_p10'])} and "
        f"{number(row['lead_days_p90'])} days"
    )
    if row["lead_distance"] is not None:
        text += (
            f"; by distance {number(row['lead_distance'], distance_unit)} "
            f"({between((row['lead_distance_lower'], row['lead_distance_upper']), distance_unit)})"
        )
    return [
        f"{text}. Failures later than {_within(result)} or within {APART} days are not in this."
    ]


def _lower(row: dict[str, Any]) -> str:
    title: str = row["sign_title"]
    return f"{title[0].lower()}{title[1:]}"


def _examples(result: WarningSigns, row: dict[str, Any]) -> list[str]:
    shown = result.evidence.filter(
        pl.col("signs").str.split(", ").list.contains(row["sign"])
        & (pl.col("component") == row["component"])
    ).head(MOST_NAMED)
    if shown.is_empty():
        return []
    told = "; ".join(
        f"{one['unit_no'] or one['vin']}, {one['shop']} {one['ro_no']} then {one['failed_shop']} "
        f"{one['failed_ro_no']}, {one['lead_days']} days later"
        for one in shown.rows(named=True)
    )
    said = [f"Latest such: {told}."]
    if result.standing.height:
        vehicles = result.standing["vin"].n_unique()
        said.append(
            f"{counted(vehicles, 'vehicle')} {'has' if vehicles == 1 else 'have'} such a sign "
            "standing now, with no failure since."
        )
    return said
