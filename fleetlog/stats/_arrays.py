"""Checked arrays in, and the common time scale that every count is taken on."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
import polars as pl
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri

from fleetlog.errors import InvalidLives

Floats: TypeAlias = NDArray[np.float64]
Ints: TypeAlias = NDArray[np.intp]
Bools: TypeAlias = NDArray[np.bool_]

# Times closer than this, relative to their mean, are one time: 0.1 + 0.2 ties with 0.3. The
# value is the square root of the double-precision spacing, as R's survival package has it.
NEARLY_EQUAL = float(np.sqrt(np.finfo(np.float64).eps))
ROWS_SHOWN = 5


def refuse(bad: Bools, problem: str, remedy: str) -> None:
    """Raise InvalidLives when any entry of ``bad`` is true, with the count and the first rows."""
    count = int(np.count_nonzero(bad))
    if count:
        rows = np.flatnonzero(bad)[:ROWS_SHOWN]
        shown = ", ".join(map(str, rows)) + (", ..." if count > rows.size else "")
        raise InvalidLives(
            f"{count} of {bad.size} rows {problem} (rows {shown}, counted from 0): {remedy}."
        )


def numbers(values: ArrayLike, name: str) -> NDArray[np.int64] | Floats:
    """One-dimensional, finite, non-negative numbers; whole-number arrays stay whole."""
    array = np.asarray(values)
    if array.ndim != 1:
        raise InvalidLives(f"{name} has {array.ndim} dimensions: pass one value per row.")
    if array.dtype.kind in "ui":
        whole = array.astype(np.int64, copy=False)
        if whole.size and whole.min() < 0:
            refuse(whole < 0, f"have a negative {name}", "check the readings it came from")
        return whole
    if array.dtype.kind != "f":
        try:
            array = array.astype(np.float64)
        except (TypeError, ValueError) as error:
            raise InvalidLives(
                f"{name} holds {array.dtype} values: pass numbers, with no gaps in them."
            ) from error
    array = array.astype(np.float64, copy=False)
    if array.size:
        low, high = array.min(), array.max()
        if not np.isfinite(low) or not np.isfinite(high):
            refuse(np.isnan(array), f"have no {name} (NaN)", "leave them out and count them")
            refuse(np.isinf(array), f"have an infinite {name}", "give the last time seen instead")
        if low < 0:
            refuse(array < 0, f"have a negative {name}", "check the readings it came from")
    return array


def booleans(values: ArrayLike, name: str) -> Bools:
    """One-dimensional true/false values; numbers are refused because codes differ by source."""
    array = np.asarray(values)
    if array.size == 0:
        return np.zeros(0, dtype=np.bool_)
    if array.ndim != 1 or array.dtype != np.bool_:
        raise InvalidLives(
            f"{name} holds {array.dtype} values in {array.ndim} dimension(s): "
            f"pass one true or false per row, for instance status == 1."
        )
    return array


def same_length(reference: int, **arrays: NDArray[np.generic] | None) -> None:
    """Refuse arrays that do not have one value per row."""
    for name, array in arrays.items():
        if array is not None and array.size != reference:
            raise InvalidLives(
                f"{name} has {array.size} values for {reference} rows: pass one value per row."
            )


def weights(values: ArrayLike | None, rows: int) -> Floats | None:
    """Positive finite weights as floats, or None where every row counts once."""
    if values is None:
        return None
    array = numbers(values, "weight").astype(np.float64, copy=False)
    same_length(rows, weight=array)
    refuse(array <= 0, "have a weight of 0", "leave them out and count them")
    return array


def codes(values: ArrayLike | pl.Series, name: str) -> Ints:
    """Give labels numbers from 0; whole-number labels of moderate span are only shifted.

    Numbers without a label may remain: they are empty groups, which add nothing to any sum.
    """
    if isinstance(values, pl.Series) and not values.dtype.is_integer():
        return _ranked(values, name)
    array = np.asarray(values)
    if array.ndim != 1:
        raise InvalidLives(f"{name} has {array.ndim} dimensions: pass one label per row.")
    if array.dtype.kind not in "ui":
        return _ranked(pl.Series(name, array.tolist() if array.dtype.kind == "O" else array), name)
    if array.size == 0:
        return np.zeros(0, dtype=np.intp)
    low, high = int(array.min()), int(array.max())
    if high - low <= 4 * array.size + 1024:
        return (array - low).astype(np.intp, copy=False)
    return np.unique(array, return_inverse=True)[1].astype(np.intp, copy=False)


def distinct(coded: Ints) -> int:
    """How many codes are in use."""
    return int(np.count_nonzero(np.bincount(coded)))


def _ranked(labels: pl.Series, name: str) -> Ints:
    missing = labels.is_null()
    if labels.dtype.is_float():
        missing |= labels.is_nan()
    refuse(missing.to_numpy(), f"have no {name}", "give every row a label")
    return labels.rank("dense").to_numpy().astype(np.intp) - 1


@dataclass(frozen=True)
class TimeScale:
    """Distinct times in ascending order, on which lives are counted by position.

    Attributes
    ----------
    times : (t,) float, ascending; may hold times that no life uses.
    """

    times: Floats

    @property
    def size(self) -> int:
        """How many times there are."""
        return int(self.times.size)


def time_scale(*arrays: NDArray[np.int64] | Floats) -> tuple[TimeScale, list[Ints]]:
    """Place several arrays of times on one scale.

    Whole times of moderate span are counted by value, without sorting (linear). Others are
    sorted once (n log n) and near-equal ones merged, so that rounding in the source cannot break
    a tie.

    Returns
    -------
    The scale, and for each array the position of each of its values on it.
    """
    rows = sum(array.size for array in arrays)
    whole = _as_whole(arrays, rows)
    if whole is not None:
        low = min(int(array.min()) for array in whole if array.size)
        high = max(int(array.max()) for array in whole if array.size)
        # Empty places cost less than shifting every life, so a low start is not shifted away.
        low = 0 if low <= high - low else low
        places = [array if low == 0 else array - low for array in whole]
        return TimeScale(np.arange(low, high + 1, dtype=np.float64)), places
    together = np.concatenate([array.astype(np.float64, copy=False) for array in arrays])
    order = np.argsort(together)
    ascending = together[order]
    gap = np.diff(ascending, prepend=-np.inf)
    tolerance = NEARLY_EQUAL * float(np.mean(np.abs(ascending))) if rows else 0.0
    fresh = gap > tolerance
    place = np.empty(rows, dtype=np.intp)
    place[order] = np.cumsum(fresh) - 1
    ends = np.cumsum([array.size for array in arrays])[:-1]
    return TimeScale(ascending[fresh]), list(np.split(place, ends))


def _as_whole(arrays: tuple[NDArray[np.int64] | Floats, ...], rows: int) -> list[Ints] | None:
    """Give the arrays as whole numbers where counting by value pays, else None."""
    if rows == 0:
        return None
    span_allowed = 4 * rows + 1024
    whole: list[Ints] = []
    low, high = np.inf, -np.inf
    for array in arrays:
        if array.size == 0:
            whole.append(array.astype(np.intp))
            continue
        low, high = min(low, float(array.min())), max(high, float(array.max()))
        if high - low > span_allowed or high > 2**52:
            return None
        if array.dtype.kind == "f":
            rounded = array.astype(np.intp)
            if not np.array_equal(rounded, array):
                return None
            whole.append(rounded)
        else:
            whole.append(array.astype(np.intp, copy=False))
    return whole


def sorting(key: NDArray[np.int64]) -> Ints:
    """Order that sorts non-negative keys.

    Where key and row number fit one whole number, sorting that is several times faster than
    sorting row numbers by key.
    """
    bits = max(int(key.size - 1).bit_length(), 1)
    if key.size == 0 or int(key.max()).bit_length() + bits > 62:
        return np.argsort(key, kind="stable")
    packed = (key << bits) | np.arange(key.size)
    packed.sort()
    packed &= (1 << bits) - 1
    return packed


def count(places: Ints, size: int, weight: Floats | None = None) -> Floats:
    """Weighted count of rows at each place of a scale."""
    return np.bincount(places, weights=weight, minlength=size).astype(np.float64, copy=False)


def normal_quantile(level: float) -> float:
    """Two-sided standard normal multiplier of a confidence level."""
    if not 0 < level < 1:
        raise ValueError(f"level is {level}: pass a confidence level between 0 and 1, such as 0.95")
    return float(ndtri(0.5 + level / 2))


def nullable(values: Floats) -> pl.Series:
    """Turn undefined figures (NaN) into nulls, which Polars, JSON and charts treat as gaps."""
    return pl.Series(values).fill_nan(None)
