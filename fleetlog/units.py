"""Distance and torque: factors, conversion, and reading a torque as a technician wrote it.

Source of the factors: NIST Special Publication 811 (2008), appendix B. The mile, the foot and
the pound-force are exact there, so the torque factors below are exact products of them.
"""

import re
from dataclasses import dataclass
from typing import Final, Literal, get_args

import polars as pl

from fleetlog.errors import InputError

__all__ = [
    "DistanceUnit",
    "Torque",
    "TorqueUnit",
    "convert_distance",
    "convert_torque",
    "distance_factor",
    "parse_torque",
    "parse_torques",
]

DistanceUnit = Literal["mi", "km"]
TorqueUnit = Literal["in-lb", "ft-lb", "N m"]

DISTANCE_UNITS: Final[tuple[DistanceUnit, ...]] = get_args(DistanceUnit)
TORQUE_UNITS: Final[tuple[TorqueUnit, ...]] = get_args(TorqueUnit)

KM_PER_MILE: Final = 1.609344
NEWTON_PER_POUND_FORCE: Final = 4.4482216152605
METRE_PER_FOOT: Final = 0.3048
INCH_PER_FOOT: Final = 12

NEWTON_METRES: Final[dict[TorqueUnit, float]] = {
    "in-lb": NEWTON_PER_POUND_FORCE * METRE_PER_FOOT / INCH_PER_FOOT,
    "ft-lb": NEWTON_PER_POUND_FORCE * METRE_PER_FOOT,
    "N m": 1.0,
}

_NUMBER: Final = r"[0-9]+(?:\.[0-9]+)?|\.[0-9]+"
_POUND: Final = r"(?:lb|lbs|lbf|lbsf|pound|pounds)"
_INCH: Final = r"(?:in|ins|inch|inches)"
_FOOT: Final = r"(?:ft|foot|feet)"
# What may stand between two units, and between words: "in-lb", "in/lbs", "ft. lbs.", "N·m".
_BETWEEN: Final = r"[\s./*\u00b7\u22c5\u2022_-]*"
# One pattern per unit; the syntax is common to Python's re and Polars' regex engine.
_UNIT_PATTERNS: Final[dict[TorqueUnit, str]] = {
    "in-lb": f"{_INCH}{_BETWEEN}{_POUND}|{_POUND}{_BETWEEN}{_INCH}",
    "ft-lb": f"{_FOOT}{_BETWEEN}{_POUND}|{_POUND}{_BETWEEN}{_FOOT}",
    "N m": f"(?:n|newton|newtons){_BETWEEN}(?:m|met(?:er|re)s?)",
}


# Two numbers with a dash, "to" or "..." between them, before anything that is not a number.
_RANGE: Final = rf"^\s*(?:{_NUMBER})\D*?(?:-|\u2013|\u2014|\bto\b|\.\.+)\s*(?:{_NUMBER})\D*$"


def _whole(unit_pattern: str) -> str:
    return rf"(?i)^\s*({_NUMBER})[\s-]*(?:{unit_pattern})[\s.]*$"


@dataclass(frozen=True, slots=True)
class Torque:
    """A torque as it was written. `newton_metres` is the same in N m."""

    value: float
    unit: TorqueUnit

    @property
    def newton_metres(self) -> float:
        """The torque in newton metres."""
        return convert_torque(self.value, self.unit, "N m")


def distance_factor(from_unit: DistanceUnit, to_unit: DistanceUnit) -> float:
    """Return the number by which a distance is multiplied; for whole columns.

    Raises
    ------
    InputError
        If a unit is neither "mi" nor "km".
    """
    for unit in (from_unit, to_unit):
        if unit not in DISTANCE_UNITS:
            raise InputError(f"{unit!r} is not a distance unit; use {' or '.join(DISTANCE_UNITS)}.")
    if from_unit == to_unit:
        return 1.0
    return KM_PER_MILE if from_unit == "mi" else 1 / KM_PER_MILE


def convert_distance(value: float, from_unit: DistanceUnit, to_unit: DistanceUnit) -> float:
    """Convert one distance; 1 mi = 1.609344 km exactly."""
    return value * distance_factor(from_unit, to_unit)


def convert_torque(value: float, from_unit: TorqueUnit, to_unit: TorqueUnit) -> float:
    """Convert one torque; 12 in-lb = 1 ft-lb = 1.355 817 948 N m.

    Raises
    ------
    InputError
        If a unit is none of "in-lb", "ft-lb", "N m".
    """
    for unit in (from_unit, to_unit):
        if unit not in TORQUE_UNITS:
            raise InputError(f"{unit!r} is not a torque unit; use {', '.join(TORQUE_UNITS)}.")
    if from_unit == to_unit:
        return value
    return value * NEWTON_METRES[from_unit] / NEWTON_METRES[to_unit]


def parse_torque(text: str) -> Torque:
    """Read a torque such as "95 in-lb", "85 ft lb", "150 Nm", "95 in/lbs" or "12 lb-ft".

    Raises
    ------
    InputError
        If the text is not one number and one of those units. A comma is refused, for it may
        part thousands or decimals; so is a range, which says what may be and not what was.
    """
    for unit, pattern in _UNIT_PATTERNS.items():
        found = re.match(_whole(pattern), text)
        if found:
            return Torque(float(found.group(1)), unit)
    if re.match(_RANGE, text):
        raise InputError(
            f"{text!r} is not a torque but a range; write the one value that the wrench was set "
            "to, as in '95 in-lb'."
        )
    raise InputError(
        f"{text!r} is not a torque; write a number without commas and in-lb, ft-lb or N m, "
        "as in '95 in-lb'."
    )


def parse_torques(texts: pl.Series) -> pl.DataFrame:
    """Read a column of torques, each by the rule of `parse_torque`.

    Parameters
    ----------
    texts : pl.Series
        (n,) text.

    Returns
    -------
    pl.DataFrame
        (n, 3): value (Float64, as written), unit ("in-lb", "ft-lb", "N m"), newton_metres
        (Float64); all null where the text is null or cannot be read.
    """
    numbers = {
        unit: pl.col("text").str.extract(_whole(pattern), 1).cast(pl.Float64)
        for unit, pattern in _UNIT_PATTERNS.items()
    }
    return pl.DataFrame({"text": texts.cast(pl.String)}).select(
        value=pl.coalesce(*numbers.values()),
        unit=pl.coalesce(
            *(pl.when(number.is_not_null()).then(pl.lit(unit)) for unit, number in numbers.items())
        ),
        newton_metres=pl.coalesce(
            *(number * NEWTON_METRES[unit] for unit, number in numbers.items())
        ),
    )
