"""Several life models beside each other on the same lives."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import ArrayLike

from fleetlog.errors import NoInteriorMaximum
from fleetlog.stats._families import FAMILIES
from fleetlog.stats.life_models import LifeFit, ModelName, counted_lives, fit_counted

# Below this many failures the tail that tells one model from another has hardly been seen
# (common practice, no source).
ENOUGH_FAILURES = 20.0

SCHEMA = {
    "model": pl.String,
    "parameters": pl.Int64,
    "log_likelihood": pl.Float64,
    "aicc": pl.Float64,
    "difference": pl.Float64,
    "weight": pl.Float64,
    "note": pl.String,
}


@dataclass(frozen=True)
class LifeModelComparison:
    """Life models on the same lives. See `compare_life_models`.

    Attributes
    ----------
    table : Polars frame, a row for each model asked for, lowest ``aicc`` first: ``model``,
        ``parameters`` (their number), ``log_likelihood``, ``aicc``, ``difference`` (from the
        lowest), ``weight`` (Akaike weight; they add up to 1) and ``note``. A model that the lives
        refuse comes last, with null figures and the reason in its note.
    fits : the fits, by model, in the order of the table.
    best : the model of the lowest ``aicc``; None where no model has one or where ``thin`` says why
        none is chosen.
    thin : a sentence on too few failures to choose by, else None.
    n, events : weight of the lives and of the failures.
    """

    table: pl.DataFrame
    fits: Mapping[str, LifeFit]
    best: str | None
    thin: str | None
    n: float
    events: float


def compare_life_models(
    exit: ArrayLike,  # noqa: A002
    event: ArrayLike,
    *,
    models: Sequence[ModelName] | None = None,
    entry: ArrayLike | None = None,
    weight: ArrayLike | None = None,
    lower: ArrayLike | None = None,
) -> LifeModelComparison:
    """Fit several life models and lay them out by Akaike's criterion for small samples.

    Parameters
    ----------
    models : names as for `fit_life`; all of them where not given.
    exit, event, entry, weight, lower : as for `fit_life`.

    Returns
    -------
    LifeModelComparison

    Raises
    ------
    InvalidLives : lives that no model can use. What one model refuses is in its note.

    Notes
    -----
    A lower criterion is no proof: look at the probability plot too. Source: Burnham and Anderson
    2002, sections 2.4 and 2.9.
    """
    names: list[str] = list(FAMILIES) if models is None else list(models)
    unknown = [name for name in names if name not in FAMILIES]
    if unknown or not names:
        raise ValueError(f"models is {names!r}: pass some of {', '.join(FAMILIES)}")
    if len(set(names)) < len(names):
        raise ValueError(f"models is {names!r}: name each model once")
    data, n = counted_lives(exit, event, entry, weight, lower)
    fits: dict[str, LifeFit] = {}
    notes: dict[str, str] = {}
    for name in names:
        try:
            fits[name] = fit_counted(name, data, n)
        except NoInteriorMaximum as refusal:
            notes[name] = str(refusal)
        else:
            if np.isinf(fits[name].aicc):
                notes[name] = f"{n:g} lives are too few for this many parameters."
    table = _table(names, fits, notes)
    ranked = table.filter(pl.col("aicc").is_not_null())["model"]
    thin = _thin(data.events)
    return LifeModelComparison(
        table=table,
        fits={name: fits[name] for name in table["model"] if name in fits},
        best=None if thin or ranked.is_empty() else str(ranked[0]),
        thin=thin,
        n=n,
        events=data.events,
    )


def _table(names: list[str], fits: dict[str, LifeFit], notes: dict[str, str]) -> pl.DataFrame:
    rows = [
        {
            "model": name,
            "parameters": len(FAMILIES[name].scales),
            "log_likelihood": fits[name].log_likelihood if name in fits else None,
            "aicc": fits[name].aicc if name in fits and np.isfinite(fits[name].aicc) else None,
            "note": notes.get(name),
        }
        for name in names
    ]
    difference = pl.col("aicc") - pl.col("aicc").min()
    support = (-difference / 2).exp()
    return (
        pl.DataFrame(rows, schema={k: v for k, v in SCHEMA.items() if k in rows[0]})
        .with_columns(difference=difference, weight=support / support.sum())
        .select(list(SCHEMA))
        .sort("aicc", nulls_last=True, maintain_order=True)
    )


def _thin(events: float) -> str | None:
    if events >= ENOUGH_FAILURES:
        return None
    return (
        f"{events:g} failures are too few to choose a model by (at least {ENOUGH_FAILURES:g} are "
        f"wanted): compare the limits that each model gives."
    )
