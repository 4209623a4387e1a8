"""Vehicle identification numbers: check digit, faults, model year, and what a slip may have meant.

Sources: ISO 3779 (17 characters, without I, O and Q); 49 CFR 565.15(c) (check digit) and
565.15(d)(1) with its table of year codes and the note to that table (position 7).

Everywhere here the case of letters does not matter and surrounding blanks are ignored.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import polars as pl

from fleetlog.errors import InputError

__all__ = [
    "LENGTH",
    "SLIPS",
    "Mend",
    "check_digit",
    "check_digits",
    "mend_candidates",
    "mends",
    "model_year",
    "near_vins",
    "tidied",
    "validate",
]

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

# How a VIN gets miswritten, the likeliest first.
SLIPS: Final = ("look-alike", "transposed", "missing", "doubled", "wrong character")
# Letters and the numerals that they are taken for; ISO 3779 leaves out I, O and Q because of it.
_NEVER_IN_A_VIN: Final = {"O": "0", "Q": "0", "I": "1"}
_LOOK_ALIKES: Final = {"S": "5", "B": "8", "Z": "2"}
_BATCH: Final = 20_000

_Bytes = npt.NDArray[np.uint8]
_Indices = npt.NDArray[np.int64]

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
    cleaned = _clean(vin)
    others = cleaned[: CHECK_PLACE - 1] + "0" + cleaned[CHECK_PLACE:]
    if _form_problems(others):
        raise InputError(f"VIN {vin!r} has no check digit: {' '.join(_form_problems(cleaned))}")
    return _check_digit_of(others)


def validate(vin: str) -> list[str]:
    """List what is wrong with a VIN, a sentence each; empty when it is well formed.

    A wrong check digit is a fault under 49 CFR 565.15; a vehicle built for a market that
    does not ask for one may fail it rightly, so the caller decides how much it weighs.
    """
    cleaned = _clean(vin)
    problems = _form_problems(cleaned)
    if problems:
        return problems
    right = _check_digit_of(cleaned)
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


@dataclass(frozen=True)
class Mend:
    """A VIN that may have been meant: the kind of ``slip``, and ``what`` was read for what."""

    vin: str
    slip: str
    what: str


def tidied(vins: pl.Expr) -> pl.Expr:
    """Return VINs in capitals, without blanks and hyphens, which no VIN holds."""
    return vins.str.to_uppercase().str.replace_all(r"[\s\x{00A0}-]", "")


def mends(vin: str) -> list[Mend]:
    """List the VINs with a right check digit that ``vin`` may stand for; the likeliest first."""
    found = mend_candidates(pl.Series([vin], dtype=pl.String))
    return [Mend(*row) for row in found.select("vin", "slip", "what").rows()]


def mend_candidates(vins: pl.Series) -> pl.DataFrame:
    """Find for every text the VINs with a right check digit that are one slip away from it.

    The slips are those of :data:`SLIPS`: a letter taken for the numeral that it resembles (O and
    Q for 0, I for 1, S for 5, B for 8, Z for 2) or the reverse, two neighbours transposed, one
    character left out, one written twice, one wrong. O, I and Q, which no VIN holds, count as
    their numerals throughout, however many there are; another slip beside them is a second one.
    A text that is a sound VIN is not its own candidate, but its neighbours are found.

    Parameters
    ----------
    vins : pl.Series
        (n,) text; need not be distinct.

    Returns
    -------
    pl.DataFrame
        Long, a row for each distinct text and candidate: ``written``, ``vin``, ``slip``,
        ``second`` (true where O, I or Q had to be read as numerals besides) and ``what``, as in
        "'B' for '8' in position 7"; the likeliest slip of each pair, in the order of the slips.
        About fifty candidates a text; linear in n.

    Source: ISO 3779 (the characters); 49 CFR 565.15(c) (the check digit).
    """
    return pl.concat(_in_batches(vins))


def near_vins(written: pl.Series, fleet: pl.Series) -> pl.DataFrame:
    """Find for every text the VINs of a fleet that it may stand for.

    Besides the single slips of :func:`mend_candidates` any number of look-alikes is seen through.
    Only VINs with a right check digit are found. Linear in both lengths.

    Parameters
    ----------
    written : pl.Series
        (n,) text.
    fleet : pl.Series
        (m,) text, sound VINs in capitals.

    Returns
    -------
    pl.DataFrame
        As from :func:`mend_candidates`.
    """
    listed = fleet.unique().alias("vin").to_frame()
    # Batch by batch, so that never more than those of the fleet are kept.
    single = pl.concat(
        batch.join(listed, on="vin", how="semi", maintain_order="left")
        for batch in _in_batches(written)
    )
    alike = (
        pl.DataFrame({"written": written.unique().drop_nulls()})
        .with_columns(tidy=pl.col("written").pipe(tidied))
        .with_columns(folded=pl.col("tidy").pipe(_folded))
        .join(listed.with_columns(folded=pl.col("vin").pipe(_folded)), on="folded")
        .filter(pl.col("tidy") != pl.col("vin"))
        .with_columns(
            slip=pl.lit("look-alike"), second=pl.lit(value=False), what=_differences("tidy", "vin")
        )
        .select(single.columns)
    )
    return pl.concat([alike, single]).unique(["written", "vin"], keep="first", maintain_order=True)


def _folded(column: pl.Expr) -> pl.Expr:
    """Write every character as the numeral that it may be taken for."""
    pairs = {**_NEVER_IN_A_VIN, **_LOOK_ALIKES}
    return column.str.replace_many(list(pairs), list(pairs.values()))


def _in_batches(vins: pl.Series) -> Iterator[pl.DataFrame]:
    """Make the candidates of some texts at a time; at least one frame, be it empty."""
    texts = (
        pl.DataFrame({"written": vins.unique(maintain_order=True).drop_nulls()})
        .with_columns(tidy=pl.col("written").pipe(tidied))
        .with_columns(
            forced=pl.col("tidy").str.replace_many(
                list(_NEVER_IN_A_VIN), list(_NEVER_IN_A_VIN.values())
            )
        )
        .filter(pl.col("forced").str.contains(r"^[!-~]{16,18}$"))
    )
    for start in range(0, max(texts.height, 1), _BATCH):
        yield _candidates_of(texts.slice(start, _BATCH)).select(
            "written", "vin", "slip", "second", "what"
        )


def _candidates_of(texts: pl.DataFrame) -> pl.DataFrame:
    """Make the candidates of one batch, in the order of the slips."""
    kinds: dict[str, tuple[int, Callable[[_Bytes], tuple[_Indices, _Bytes, _Indices]]]] = {
        "look-alike": (LENGTH, _look_alikes),
        "transposed": (LENGTH, _transposed),
        "missing": (LENGTH - 1, _with_one_more),
        "doubled": (LENGTH + 1, _with_one_less),
        "wrong character": (LENGTH, _with_another),
    }
    frames = []
    for slip, (length, make) in kinds.items():
        among = texts.filter(pl.col("forced").str.len_bytes() == length)
        matrix = _matrix(among["forced"], length)
        row, made, place = make(matrix)
        right = _is_sound(made)
        row, made, place = row[right], made[right], place[right]
        frames.append(
            among[row]
            .with_columns(
                vin=pl.Series(
                    np.ascontiguousarray(made).view(f"S{LENGTH}").ravel().astype(str).tolist(),
                    dtype=pl.String,
                ),
                slip=pl.lit(slip),
                place=pl.Series(place),
            )
            .filter(pl.col("vin") != pl.col("tidy"))
        )
    at = pl.col("place")
    number = (at + 1).cast(pl.String)
    one = pl.col("vin").str.slice(at, 1)
    pair = pl.col("forced").str.slice(at, 2)
    look_alikes = pl.col("slip") == "look-alike"
    differing = look_alikes | (pl.col("slip") == "wrong character")
    return (
        pl.concat(frames)
        .unique(["written", "vin"], keep="first", maintain_order=True)
        .with_columns(
            second=(pl.col("forced") != pl.col("tidy")) & ~look_alikes,
            what=pl.when(differing)
            .then(_differences("tidy", "vin"))
            .when(pl.col("slip") == "transposed")
            .then(
                pl.format(
                    "'{}' for '{}' in positions {} and {}",
                    pair,
                    pl.col("vin").str.slice(at, 2),
                    number,
                    (at + 2).cast(pl.String),
                )
            )
            .when(pl.col("slip") == "missing")
            .then(pl.format("'{}' left out in position {}", one, number))
            .otherwise(pl.format("'{}' written twice in position {}", one, number)),
        )
        .with_columns(
            what=pl.when("second")
            .then(pl.col("what") + ", besides letters that no VIN holds")
            .otherwise("what")
        )
    )


def _differences(read: str, meant: str) -> pl.Expr:
    """Say in which positions two texts of 17 characters differ."""
    return pl.concat_str(
        [
            pl.when(pl.col(read).str.slice(at, 1) != pl.col(meant).str.slice(at, 1)).then(
                pl.format(
                    "'{}' for '{}' in position {}",
                    pl.col(read).str.slice(at, 1),
                    pl.col(meant).str.slice(at, 1),
                    pl.lit(str(at + 1)),
                )
            )
            for at in range(LENGTH)
        ],
        separator=", ",
        ignore_nulls=True,
    )


def _matrix(texts: pl.Series, length: int) -> _Bytes:
    """Return ASCII texts of one length as (n, length) bytes."""
    return np.frombuffer("".join(texts.to_list()).encode(), dtype=np.uint8).reshape(-1, length)


def _is_sound(matrix: _Bytes) -> npt.NDArray[np.bool_]:
    """Say which rows of (n, 17) bytes are VINs with a right check digit."""
    values = _VALUE_OF_BYTE[matrix].astype(np.int64)
    values[:, CHECK_PLACE - 1] = 0
    readable = (values != _NOT_A_CHARACTER).all(axis=1)
    digits = np.frombuffer(REMAINDERS.encode(), dtype=np.uint8)
    right = digits[values @ np.asarray(WEIGHTS) % len(REMAINDERS)]
    return np.asarray(readable & (matrix[:, CHECK_PLACE - 1] == right))


def _look_alikes(matrix: _Bytes) -> tuple[_Indices, _Bytes, _Indices]:
    """Return the rows as they are, and each with one look-alike taken for its twin."""
    twin = np.zeros(256, dtype=np.uint8)
    for letter, numeral in _LOOK_ALIKES.items():
        twin[ord(letter)], twin[ord(numeral)] = ord(numeral), ord(letter)
    row, place = np.nonzero(twin[matrix])
    made = matrix[row].copy()
    made[np.arange(len(row)), place] = twin[matrix[row, place]]
    whole = np.arange(len(matrix))
    return (
        np.concatenate([whole, row]),
        np.concatenate([matrix, made]),
        np.concatenate([np.zeros_like(whole), place]),
    )


def _transposed(matrix: _Bytes) -> tuple[_Indices, _Bytes, _Indices]:
    """Return each row with each two unlike neighbours transposed."""
    row, place = np.nonzero(matrix[:, :-1] != matrix[:, 1:])
    made = matrix[row].copy()
    at = np.arange(len(row))
    made[at, place], made[at, place + 1] = matrix[row, place + 1], matrix[row, place]
    return row, made, place


def _with_one_less(matrix: _Bytes) -> tuple[_Indices, _Bytes, _Indices]:
    """Return each row without one of two like neighbours."""
    row, place = np.nonzero(matrix[:, :-1] == matrix[:, 1:])
    kept = np.arange(LENGTH)[None, :]
    made = np.take_along_axis(matrix[row], kept + (kept >= place[:, None]), axis=1)
    return row, made, place


def _with_one_more(matrix: _Bytes) -> tuple[_Indices, _Bytes, _Indices]:
    """Return each row with one character put in where the check digit then is right."""
    rows = len(matrix)
    open_places = np.repeat(np.arange(LENGTH), rows)
    row = np.tile(np.arange(rows), LENGTH)
    kept = np.arange(LENGTH)[None, :]
    # The new place takes a copy of a neighbour, which is then replaced.
    source = np.minimum(kept - (kept > open_places[:, None]), LENGTH - 2)
    return _filled_in(matrix[row][np.arange(len(row))[:, None], source], row, open_places)


def _with_another(matrix: _Bytes) -> tuple[_Indices, _Bytes, _Indices]:
    """Return each row with one character changed so that the check digit is right."""
    rows = len(matrix)
    places = np.repeat(np.arange(LENGTH), rows)
    row = np.tile(np.arange(rows), LENGTH)
    return _filled_in(matrix[row], row, places)


def _filled_in(made: _Bytes, row: _Indices, place: _Indices) -> tuple[_Indices, _Bytes, _Indices]:
    """Return each row with each character at its place that makes the check digit right.

    The sum of the others says which value the place must have; no other is tried.
    """
    alphabet = np.frombuffer("".join(VALUES).encode(), dtype=np.uint8)
    at = np.arange(len(made))
    values = _VALUE_OF_BYTE[made].astype(np.int64)
    values[at, place] = 0
    readable = (values != _NOT_A_CHARACTER).all(axis=1)
    values[:, CHECK_PLACE - 1] = 0
    total = values @ np.asarray(WEIGHTS) % len(REMAINDERS)
    wanted = np.array([REMAINDERS.find(chr(byte)) for byte in range(256)])[made[:, CHECK_PLACE - 1]]
    product = np.asarray(WEIGHTS)[place][:, None] * _VALUE_OF_BYTE[alphabet].astype(np.int64)
    fits = (total[:, None] + product) % len(REMAINDERS) == wanted[:, None]
    own = place == CHECK_PLACE - 1
    digits = np.frombuffer(REMAINDERS.encode(), dtype=np.uint8)
    fits[own] = alphabet[None, :] == digits[total[own]][:, None]
    which, character = np.nonzero(fits & readable[:, None])
    chosen = made[which].copy()
    chosen[np.arange(len(which)), place[which]] = alphabet[character]
    return row[which], chosen, place[which]


def _clean(vin: str) -> str:
    return vin.strip().upper()


def _check_digit_of(vin: str) -> str:
    """Work out the check digit of 17 characters that all have a value."""
    total = sum(
        weight * (VALUES[character] - ord("0"))
        for weight, character in zip(WEIGHTS, vin, strict=True)
    )
    return REMAINDERS[total % len(REMAINDERS)]


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
