"""Vehicle identification numbers: check digit, faults, model year.

Sources: ISO 3779 (17 characters, without I, O and Q); 49 CFR 565.15(c) (check digit) and
565.15(d)(1) with its table of year codes and the note to that table (position 7).

Everywhere here the case of letters does not matter and surrounding blanks are ignored.
"""

from typing import Final

import numpy as np
import polars as pl

from fleetlog.errors import InputError

__all__ = ["LENGTH", "check_digit", "check_digits", "model_year", "validate"]

LENGTH: Final = 17
CHECK_PLACE: Final = 9
YEAR_PLACE: Final = 10
CYCLE_YEARS: Final = 30
FIRST_YEAR: Final = 1980

# 49 CFR 565.15(c): the value of each character, and the weight of each place (place 9, the
# check digit itself, weighs nothing).
VALUES: Final = dict(
    zip("0123456789ABCDEFGHJKLMNPRSTUVWXYZ", b"012345678912345678123457923456789", strict=True)
)
WEIGHTS: Final = (8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2)
REMAINDERS: Final = "0123456789X"

# 49 CFR 565.15(d)(1): one code a year from 1980 on, beginning again after 30 years.
YEAR_CODES: Final = "ABCDEFGHJKLMNPRSTVWXY123456789"

_NOT_A_CHARACTER: Final = 255
_VALUE_OF_BYTE: Final = np.full(256, _NOT_A_CHARACTER, dtype=np.uint8)
for _character, _digit in VALUES.items():
    _VALUE_OF_BYTE[ord(_character)] = _digit - ord("0")
_VALUE_OF_BYTE.setflags(write=False)


def check_digit(vin: str) -> str:
    """Work out the check digit that belongs in position 9.

    Parameters
    ----------
    vin : str
        17 characters; the one in position 9 is not looked at.

    Returns
    -------
    str
        "0" to "9", or "X" for 10.

    Raises
    ------
    InputError
        If the length is not 17 or a character has no value.
    """
    digit = check_digits(pl.Series([vin], dtype=pl.String)).item()
    if digit is None:
        raise InputError(f"VIN {vin!r} has no check digit: {' '.join(_form_problems(_clean(vin)))}")
    return str(digit)


def validate(vin: str) -> list[str]:
    """List what is wrong with a VIN, a sentence each; empty when it is well formed.

    A wrong check digit is a fault under 49 CFR 565.15; a vehicle built for a market that
    does not ask for one may fail it rightly, so the caller decides how much it weighs.
    """
    cleaned = _clean(vin)
    problems = _form_problems(cleaned)
    if problems:
        return problems
    right = check_digit(cleaned)
    found = cleaned[CHECK_PLACE - 1]
    if found == right:
        return []
    return [
        f"The check digit in position {CHECK_PLACE} is {found!r} but the other characters give "
        f"{right!r}; compare the VIN with the vehicle."
    ]


def model_year(vin: str, no_later_than: int, *, light_vehicle: bool = True) -> int | None:
    """Read the model year from position 10, whose code returns every 30 years.

    Parameters
    ----------
    vin : str
        17 characters.
    no_later_than : int
        The latest year the vehicle can have, such as the year after its first repair order.
    light_vehicle : bool
        For passenger cars, and for multipurpose passenger vehicles and trucks of at most
        4536 kg (10,000 lb), the note to the table of year codes has a numeral in position 7 mean
        1980-2009 and a letter 2010-2039. For heavier trucks, buses, trailers, motorcycles and
        other vehicles position 7 says nothing: with False the latest year that
        `no_later_than` allows is taken. Where the kind of vehicle is not known, a model year
        from the fleet's own records is better than either.

    Returns
    -------
    int or None
        The rule's year; 30 years earlier if that one lies after `no_later_than`, for then the
        rule was not followed. None if position 10 is no year code (nothing asks for one outside
        the rule's territory) or no year fits.

    Raises
    ------
    InputError
        If the VIN is not 17 allowed characters.
    """
    cleaned = _clean(vin)
    problems = _form_problems(cleaned)
    if problems:
        raise InputError(f"VIN {vin!r} has no model year: {' '.join(problems)}")
    place = YEAR_CODES.find(cleaned[YEAR_PLACE - 1])
    if place < 0:
        return None
    first = FIRST_YEAR + place
    latest = first + CYCLE_YEARS
    years = (first,) if light_vehicle and cleaned[6].isdigit() else (first, latest)
    return max((year for year in years if year <= no_later_than), default=None)


def check_digits(vins: pl.Series) -> pl.Series:
    """Work out the check digit for a whole column.

    Parameters
    ----------
    vins : pl.Series
        (n,) text.

    Returns
    -------
    pl.Series
        (n,) text, "0" to "9" or "X"; null where the VIN is null, has not 17 characters, or has a
        character without a value anywhere but in position 9. Linear in n.
    """
    cleaned = vins.str.strip_chars().str.to_uppercase()
    # 17 bytes that are all letters or numerals are 17 characters; anything else fails below.
    whole = (cleaned.str.len_bytes() == LENGTH).fill_null(value=False)
    text = "".join(cleaned.filter(whole).to_list()).encode()
    values = _VALUE_OF_BYTE[np.frombuffer(text, dtype=np.uint8)].reshape(-1, LENGTH)
    values[:, CHECK_PLACE - 1] = 0
    readable = (values != _NOT_A_CHARACTER).all(axis=1)
    # Products stay below 2**24, so single precision is exact, and far faster than integers.
    totals = values.astype(np.float32) @ np.asarray(WEIGHTS, dtype=np.float32)
    digits = pl.Series(list(REMAINDERS)).gather(totals.astype(np.int64) % len(REMAINDERS))
    found = pl.DataFrame({"at": whole.arg_true(), "digit": digits}).filter(pl.Series(readable))
    return (
        pl.DataFrame({"at": pl.int_range(vins.len(), dtype=pl.UInt32, eager=True)})
        .join(found, on="at", how="left", maintain_order="left")["digit"]
        .alias(vins.name)
    )


def _clean(vin: str) -> str:
    return vin.strip().upper()


def _form_problems(vin: str) -> list[str]:
    """List faults of length and characters; `vin` is already cleaned."""
    problems = []
    if len(vin) != LENGTH:
        problems.append(f"A VIN has {LENGTH} characters, this one has {len(vin)}.")
    wrong = [
        f"{character!r} in position {place}"
        for place, character in enumerate(vin, start=1)
        if character not in VALUES
    ]
    if wrong:
        problems.append(
            f"A VIN holds numerals and letters without I, O and Q; change {', '.join(wrong)}."
        )
    return problems
