"""Covariates as the columns of a linear model: coded once, the same way for fit and prediction."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
import polars as pl
from numpy.typing import ArrayLike

from fleetlog.errors import InvalidLives
from fleetlog.stats._arrays import Floats, refuse

Covariates: TypeAlias = "Mapping[str, ArrayLike | pl.Series] | pl.DataFrame"

INTERCEPT = "intercept"
# A column is taken as fixed by earlier ones when less than this share of its spread is its own;
# the value is that of R's least-squares routines.
OWN_SPREAD = 1e-7
NAMES_SHOWN = 5
# Squares of covariates, and of what is divided by them, must stay within floating point.
GREATEST_SIZE = 1e100


@dataclass(frozen=True)
class Term:
    """One covariate of a model.

    Attributes
    ----------
    name : of the covariate.
    levels : of a categorical covariate, the reference level first; None for a continuous one.
    """

    name: str
    levels: tuple[str, ...] | None

    @property
    def width(self) -> int:
        """How many columns it takes."""
        return 1 if self.levels is None else len(self.levels) - 1

    def codes(self, series: pl.Series) -> pl.Series:
        """Place of each value among the levels, null where it is none of them."""
        assert self.levels is not None
        return series.cast(pl.String).cast(pl.Enum(self.levels), strict=False).to_physical()

    def columns(self, series: pl.Series) -> Floats:
        """Columns (n, width) of the values, or an indicator of each level but the reference."""
        if (self.levels is None) != series.dtype.is_numeric():
            wanted = "numbers" if self.levels is None else f"one of {listed(self.levels)}"
            raise InvalidLives(
                f"Covariate {self.name!r} holds {series.dtype} values and the model was fitted "
                f"to another kind: pass {wanted}."
            )
        _complete(series)
        if self.levels is None:
            return series.cast(pl.Float64).to_numpy().reshape(-1, 1)
        placed = self.codes(series)
        unknown = series.filter(placed.is_null())
        if len(unknown):
            raise InvalidLives(
                f"{len(unknown)} of {len(series)} rows have a {self.name!r} that the model was "
                f"not fitted to ({listed(unknown.cast(pl.String).unique().sort())}): pass one of "
                f"{listed(self.levels)}."
            )
        return np.asarray(
            placed.to_numpy()[:, None] == np.arange(1, len(self.levels)), dtype=np.float64
        )


@dataclass(frozen=True)
class Design:
    """The terms of a model in order; its columns are the intercept and then those of each."""

    terms: tuple[Term, ...]

    @property
    def labels(self) -> list[tuple[str, str | None]]:
        """Term and level of each column."""
        out: list[tuple[str, str | None]] = [(INTERCEPT, None)]
        for term in self.terms:
            out += [(term.name, level) for level in (term.levels or (None, None))[1:]]
        return out

    @property
    def reference(self) -> dict[str, str]:
        """Reference level of each categorical covariate."""
        return {term.name: term.levels[0] for term in self.terms if term.levels is not None}

    def term(self, name: str) -> Term:
        """Give the term of that name."""
        for term in self.terms:
            if term.name == name:
                return term
        names = listed(item.name for item in self.terms)
        raise ValueError(f"{name!r} is no covariate of this model: pass one of {names}")

    def place(self, name: str) -> list[int]:
        """Columns of a term."""
        self.term(name)
        return [place for place, (term, _) in enumerate(self.labels) if term == name]

    def matrix(self, columns: Mapping[str, pl.Series]) -> Floats:
        """Columns (n, k) of covariates coded as they were at the fit."""
        missing = [term.name for term in self.terms if term.name not in columns]
        names = {term.name for term in self.terms}
        extra = [name for name in columns if name not in names]
        if missing or extra:
            lack = f"lack {listed(missing)}" if missing else f"have {listed(extra)} in excess"
            raise InvalidLives(
                f"The covariates {lack}: pass just those that the model was fitted to "
                f"({listed(term.name for term in self.terms)})."
            )
        blocks = [term.columns(columns[term.name]) for term in self.terms]
        return np.hstack([np.ones((blocks[0].shape[0], 1)), *blocks])


def listed(names: object) -> str:
    """Write names out, the first few of many."""
    shown = list(map(str, names))  # type: ignore[call-overload]
    more = ", ..." if len(shown) > NAMES_SHOWN else ""
    return ", ".join(map(repr, shown[:NAMES_SHOWN])) + more


def read_covariates(covariates: Covariates) -> dict[str, pl.Series]:
    """Check covariates and give them as columns of one length; single values are repeated."""
    given = (
        {name: covariates[name] for name in covariates.columns}
        if isinstance(covariates, pl.DataFrame)
        else covariates
    )
    if not isinstance(given, Mapping) or not given:
        raise InvalidLives(
            "There are no covariates: pass a frame, or a mapping of names to columns, with at "
            "least one."
        )
    columns = {str(name): _series(str(name), values) for name, values in given.items()}
    lengths = {len(column) for name, column in columns.items() if np.ndim(given[name]) == 1}
    if len(lengths) > 1:
        sizes = ", ".join(f"{name!r} {len(column)}" for name, column in columns.items())
        raise InvalidLives(
            f"The covariates have different numbers of values ({sizes}): pass one per row."
        )
    rows = lengths.pop() if lengths else 1
    return {
        name: column.new_from_index(0, rows) if np.ndim(given[name]) == 0 else column
        for name, column in columns.items()
    }


def code(columns: Mapping[str, pl.Series], rows: int) -> Design:
    """Decide how covariates are coded.

    Numbers are continuous; strings, categories and booleans are categorical, the first level in
    sorted order (of an Enum, in its own order) being the reference.

    Raises
    ------
    InvalidLives : a covariate with gaps or of one value only, by name.
    """
    terms = []
    for name, series in columns.items():
        if name == INTERCEPT:
            raise InvalidLives(f"A covariate is named {INTERCEPT!r}: give it another name.")
        if len(series) != rows:
            raise InvalidLives(
                f"Covariate {name!r} has {len(series)} values for {rows} rows: pass one per row."
            )
        _complete(series)
        terms.append(Term(name, None if series.dtype.is_numeric() else _levels(series)))
        _varied(terms[-1], series)
    return Design(tuple(terms))


def refuse_collinear(design: Design, standardised: Floats) -> None:
    """Refuse columns (n, k) of mean 0 and spread 1 that earlier ones fix, by name."""
    rows = standardised.shape[0]
    upper = np.linalg.qr(standardised, mode="r") / np.sqrt(rows)
    own = np.zeros(standardised.shape[1])
    own[: upper.shape[0]] = np.abs(np.diag(upper))
    fixed = np.flatnonzero(own < OWN_SPREAD)
    if fixed.size == 0:
        return
    place = int(fixed[0])
    share = np.linalg.lstsq(upper[:place, :place], upper[:place, place], rcond=None)[0]
    labels = design.labels
    by = [labelled(*labels[j]) for j in np.flatnonzero(np.abs(share) > OWN_SPREAD) if j > 0]
    raise InvalidLives(
        f"{labelled(*labels[place])} is fixed by {' and '.join(by)}: leave one of them out, for "
        f"their effects cannot be told apart."
    )


def labelled(term: str, level: str | None) -> str:
    """Write a column out in words."""
    return f"covariate {term!r}" if level is None else f"level {level!r} of covariate {term!r}"


def _series(name: str, values: object) -> pl.Series:
    if isinstance(values, pl.Series):
        return values.rename(name)
    array = np.asarray(values)
    if array.ndim > 1:
        raise InvalidLives(
            f"Covariate {name!r} has {array.ndim} dimensions: pass one value per row."
        )
    flat = array.reshape(-1)
    try:
        return pl.Series(name, flat.tolist() if flat.dtype.kind == "O" else flat)
    except (TypeError, pl.exceptions.PolarsError) as error:
        raise InvalidLives(
            f"Covariate {name!r} holds values of several kinds: pass all numbers or all text."
        ) from error


def _complete(series: pl.Series) -> None:
    """Refuse gaps and kinds of values that no model can use."""
    kind = series.dtype
    numeric = kind.is_numeric()
    if not numeric and not isinstance(kind, pl.String | pl.Categorical | pl.Enum | pl.Boolean):
        raise InvalidLives(
            f"Covariate {series.name!r} holds {kind} values: pass numbers, text, categories or "
            f"booleans, for instance days since a date."
        )
    missing = series.is_null()
    if kind.is_float():
        missing |= series.is_nan().fill_null(True)
    where = f"have no {series.name!r}"
    refuse(missing.to_numpy(), where, "leave them out and count them, or give a level 'unknown'")
    if kind.is_float():
        refuse(series.is_infinite().to_numpy(), f"have an infinite {series.name!r}", "check them")


def _levels(series: pl.Series) -> tuple[str, ...]:
    present = series.cast(pl.String).unique()
    if isinstance(series.dtype, pl.Enum):
        inside = set(present)
        return tuple(level for level in series.dtype.categories if level in inside)
    return tuple(present.sort())


def _varied(term: Term, series: pl.Series) -> None:
    if term.levels is not None:
        constant = len(term.levels) == 1
    else:
        values = series.cast(pl.Float64).to_numpy()
        largest = float(np.max(np.abs(values)))
        if largest > 0 and not 1 / GREATEST_SIZE < largest < GREATEST_SIZE:
            raise InvalidLives(
                f"Covariate {term.name!r} reaches {largest:g}, too near the limits of floating "
                f"point: give it in another unit."
            )
        constant = float(np.ptp(values)) <= 1e-12 * largest
    if constant:
        raise InvalidLives(
            f"Covariate {term.name!r} has the same value ({series[0]}) in all {len(series)} rows: "
            f"leave it out, for its effect cannot be told from the intercept."
        )
