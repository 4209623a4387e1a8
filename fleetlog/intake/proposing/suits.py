"""How well a column so described would suit a field.

The weights are common practice, no source; they rank, and are kept low where many columns look
alike.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Final, TypeAlias

from fleetlog.intake.columns import REPAIR_KINDS, Field, choices
from fleetlog.intake.proposing.headings import MONEY_SIGNS, heading_likeness
from fleetlog.intake.proposing.profiles import Profile

Judgement: TypeAlias = tuple[float, str]
Suits: TypeAlias = Callable[[Profile], Judgement]

HEADING_WEIGHT: Final = 0.9
# Fewer orders of several rows do not tell what belongs to an order from what belongs to a line.
FEWEST_ORDERS: Final = 8
# Counting 1, 2, ... in each of so many orders is no chance.
FEWEST_COUNTED: Final = 3
# What a column that changes within orders is worth to a field of the order, and one that never
# does to a field of the line.
OF_THE_LINE: Final = 0.3
OF_THE_ORDER: Final = 0.9


def _percent(profile: Profile, share: float, what: str) -> str:
    return f"{share:.0%} of {profile['filled']:,} cells {what}".replace("%", " %")


def _by_share(key: str, weight: float, what: str, *, longest: float = 1e9) -> Suits:
    def suits(profile: Profile) -> Judgement:
        share = profile[key]
        fits = share >= 0.3 and profile["length"] <= longest
        return (weight * share if fits else 0.0), _percent(profile, share, what)

    return suits


def _vin(profile: Profile) -> Judgement:
    known = profile["in_store_vin"]
    if known > 0.5:
        return 0.99 * known, _percent(profile, known, "are VINs of the store")
    share = profile["vin"]
    return 0.98 * share if share > 0.4 else 0.0, _percent(
        profile, share, "are 17 characters with a right check digit"
    )


def _fault_codes(profile: Profile) -> Judgement:
    # A unit number such as U1019 has the form of a fault code, but stays with its vehicle.
    of_one = profile["names_vehicles"] or (
        profile["vehicles"] > 1 and min(profile["one_vehicle"], profile["one_text"]) > 0.8
    )
    share = profile["share_fault_code"]
    return (0.0 if of_one else 0.95 * share), _percent(profile, share, "are fault codes")


def _names_vehicle(column: str, blanks: bool) -> Suits:
    def suits(profile: Profile) -> Judgement:
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
            return (
                0.72 if like else 0.4
            ) * both, f"goes one to one with the VINs ({both:.0%})".replace("%", " %")
        return 0.0, ""

    return suits


def _ro_no(profile: Profile) -> Judgement:
    together = profile["numbers_orders"]
    why = f"each of {profile['different']:,} numbers stands in one run of rows"
    return 0.8 * together, why


def _line_no(profile: Profile) -> Judgement:
    if profile["orders"] >= FEWEST_COUNTED and profile["counts_up"] > 0.9:
        return 0.9 * profile["counts_up"], "counts the rows of each order"
    return _small_whole(60, 0.25)(profile)


def _odometer(profile: Profile) -> Judgement:
    if profile["share_number"] + profile["share_unit_mi"] + profile["share_unit_km"] < 0.8:
        return 0.0, ""
    if (profile["most"] or 0) < 5_000 or profile["share_date"] > 0.1:
        return 0.0, ""
    rising = profile["rising"]
    fits = rising > 0.85 and (profile["middle"] or 0) > 5_000 and profile["share_whole"] > 0.9
    return (0.85 * rising if fits else 0.2), f"rises in {rising:.0%} of a vehicle's steps".replace(
        "%", " %"
    )


def _engine_hours(profile: Profile) -> Judgement:
    fits = profile["share_number"] > 0.9 and profile["rising"] > 0.85
    fits = fits and 100 < (profile["middle"] or 0) < 30_000 and profile["share_year"] < 0.5
    return (0.6 * profile["rising"] if fits else 0.0), "rises with each vehicle, as hours do"


def _date(weight: float) -> Suits:
    return _by_share("share_date", weight, "are dates")


def _first_date(weight: float) -> Suits:
    """Judge a date that none of the others comes before."""

    def suits(profile: Profile) -> Judgement:
        share = profile["share_date"]
        if share < 0.3:
            return 0.0, ""
        if profile["earlier_than"] and not profile["later_than"]:
            return 0.85 * share, f"never after {profile['earlier_than']} other dates"
        why = _percent(profile, share, "are dates")
        return (0.2 if profile["later_than"] else weight) * share, why

    return suits


def _later_date(before: int, weight: float, *, filled: bool | None = None) -> Suits:
    """Judge a date that never comes before some others, filled in most rows or not."""

    def suits(profile: Profile) -> Judgement:
        share = profile["share_date"]
        if share < 0.3:
            return 0.0, ""
        like = filled is None or (profile["filled"] > 0.5 * profile["rows"]) == filled
        if like and profile["later_than"] >= before and not profile["earlier_than"]:
            return weight * share, f"never before {profile['later_than']} other dates"
        return 0.25 * share, _percent(profile, share, "are dates")

    return suits


def _between_dates(profile: Profile) -> Judgement:
    share = profile["share_date"]
    if share >= 0.3 and profile["later_than"] and profile["earlier_than"]:
        return 0.75 * share, "after one date and before another"
    if share >= 0.3 and profile["later_than"] and profile["filled"] > 0.5 * profile["rows"]:
        return 0.6 * share, f"never before {profile['later_than']} other dates"
    return (0.25 if share >= 0.3 else 0.0) * share, _percent(profile, share, "are dates")


def _first_distance(profile: Profile) -> Judgement:
    if profile["ordered_among"] < 2 or profile["later_than"] or not profile["earlier_than"]:
        return 0.0, ""
    return 0.75, f"never above {profile['earlier_than']} other distances"


def _later_distance(*, filled: bool) -> Suits:
    def suits(profile: Profile) -> Judgement:
        like = (profile["filled"] > 0.5 * profile["rows"]) == filled
        if profile["share_date"] > 0.1 or not profile["later_than"] or not like:
            return 0.0, ""
        return 0.7, f"never below {profile['later_than']} other distances"

    return suits


def _year(profile: Profile) -> Judgement:
    share = profile["share_year"]
    return 0.9 * share if share > 0.8 else 0.0, _percent(profile, share, "are years")


def _family(profile: Profile) -> Judgement:
    known = profile["in_store_engine_family"]
    if known > 0.5:
        return 0.97 * known, _percent(profile, known, "are engine families of the store")
    few = 1 < profile["different"] <= max(40, 0.02 * profile["filled"])
    fits = few and profile["share_mixed"] > 0.9 and profile["length"] <= 12
    return (0.5 if fits and profile["share_date"] < 0.1 else 0.0), "few short codes"


def _narrative(done: bool, weight: float) -> Suits:
    def suits(profile: Profile) -> Judgement:
        if profile["length"] < 10 or profile["share_words"] < 0.5:
            return 0.0, ""
        share = profile["share_done"] if done else 1 - profile["share_done"]
        return weight * share, _percent(
            profile, profile["share_done"], "begin with a word for work done"
        )

    return suits


def _component(profile: Profile) -> Judgement:
    # A cell that names a part is short; longer ones say something of it.
    weight = 0.85 if profile["length"] <= 18 else 0.6
    return _by_share("component", weight, "name a part of the catalogue", longest=45)(profile)


def _few_texts(profile: Profile) -> Judgement:
    few = 1 < profile["different"] <= 60 and profile["length"] <= 25
    fits = few and profile["share_letter"] > 0.8 and profile["share_yes_no"] < 0.5
    coded = max(profile[key] for key in ("component", "action", "reason", "mode", "position"))
    return (0.35 if fits and coded < 0.3 else 0.0), f"{profile['different']} short texts"


def _small_whole(most: int, weight: float) -> Suits:
    def suits(profile: Profile) -> Judgement:
        fits = profile["share_whole"] > 0.98 and 0 <= profile["least"] <= profile["most"] <= most
        return (weight if fits else 0.0), f"whole numbers up to {profile['most']}"

    return suits


def _number(profile: Profile) -> Judgement:
    share = profile["share_number"]
    return 0.2 * share if share > 0.8 else 0.0, _percent(profile, share, "are numbers")


SUITS: Final[Mapping[str, Suits]] = {
    "vin": _vin,
    "unit_no": _names_vehicle("unit_no", blanks=False),
    "plate": _names_vehicle("plate", blanks=True),
    "ro_no": _ro_no,
    "odometer": _odometer,
    "engine_hours": _engine_hours,
    "opened_on": _first_date(0.62),
    "closed_on": _later_date(1, 0.8),
    "read_on": _date(0.9),
    "in_service_on": _first_date(0.6),
    "in_service_odometer": _first_distance,
    "observed_from_on": _between_dates,
    "observed_from_odometer": _later_distance(filled=True),
    "retired_on": _later_date(1, 0.75, filled=False),
    "retired_odometer": _later_distance(filled=False),
    "model_year": _year,
    "engine_family": _family,
    "technician": _few_texts,
    "depot": _few_texts,
    "duty": _few_texts,
    "correction": _narrative(done=True, weight=0.78),
    "complaint": _narrative(done=False, weight=0.42),
    "cause": _narrative(done=False, weight=0.4),
    "fault_codes": _fault_codes,
    "road_tested": _by_share("share_yes_no", 0.4, "are yes or no", longest=6),
    "codes_cleared": _by_share("share_yes_no", 0.38, "are yes or no", longest=6),
    "safety_critical": _by_share("share_yes_no", 0.7, "are yes or no", longest=6),
    "component": _component,
    "position": _by_share("position", 0.6, "are positions", longest=30),
    "side": _by_share("share_side", 0.85, "name a side", longest=9),
    "action": _by_share("action", 0.8, "name an action", longest=25),
    "reason": _by_share("reason", 0.78, "name a reason", longest=30),
    "failure_mode": _by_share("mode", 0.76, "name a failure mode", longest=25),
    "bank": _small_whole(2, 0.3),
    "cylinder": _small_whole(16, 0.25),
    "slot": _small_whole(6, 0.2),
    "qty": _small_whole(100, 0.25),
    "line_no": _line_no,
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


def suitability(kind: str, entry: Field, profile: Profile) -> Judgement:
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
    if entry.type != "money" and any(sign in profile["heading"] for sign in MONEY_SIGNS):
        return 0.0, ""
    if readable < 0.5:
        return 0.0, ""
    judge = SUITS.get(entry.name, _number if entry.type in ("number", "money") else None)
    if profile["filled"] and judge is not None:
        held, why = judge(profile)
    else:
        held, why = 0.0, "" if profile["filled"] else "the column is empty"
    level = 1.0 if named == 1.0 else _level(kind, entry, profile)
    total = readable * level * (1 - (1 - HEADING_WEIGHT * named) * (1 - held))
    words = (
        [f"the heading is {'a usual one' if named == 1 else 'like a usual one'}"] if named else []
    )
    return total, "; ".join([*words, *([why] if why and (held or not profile["filled"]) else [])])


def _level(kind: str, entry: Field, profile: Profile) -> float:
    """Return what a column keeps of its worth where it changes within orders, or does not."""
    if kind not in REPAIR_KINDS or profile["orders"] < FEWEST_ORDERS or not profile["filled"]:
        return 1.0
    alike: float = profile["one_order"]
    if entry.order:
        return 1.0 if alike > 0.9 else OF_THE_LINE
    return OF_THE_ORDER if alike > 0.98 else 1.0
