"""Early comparison of lots of replacement parts: which fails sooner, and which is too young to say.

Failures of one vehicle go together, so a lot is judged by the vehicles in which it has failed: of
each vehicle only the first failure of a part of the lot counts, and its parts are watched until
then.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from fleetlog.analyses.wording import per_cent
from fleetlog.settings import BAD_LOT_CHANCE, BAD_LOT_RATIO
from fleetlog.stats import (
    ExpectedEvents,
    benjamini_hochberg,
    crossing_chance,
    excess_boundary,
    expected_at_rates,
    log_excess_evidence,
    rate_interval,
)

Floats = NDArray[np.float64]

LEAST_AT_RISK = 10
"""Ages at which fewer parts of the other lots were watched than this are not compared."""

MOST_LOOKS = 20
"""So many moments of a lot's past are enough to tell when it first stood out."""

GREATEST_EXPECTED = 50.0
"""Beyond this many expected failures any lot three times as bad has long been found."""

GRID = np.linspace(0.0, 1.0, 65)
EVENTS_OF_BOUNDARY = 256


@dataclass(frozen=True)
class _Watched:
    """Parts of lots, each until the first failure of its lot on its vehicle.

    Attributes
    ----------
    lot : (n,) code. weight : parts. entry, exit : ages. event : whether the row is that failure.
    begun, ended : days since the first of all fittings.
    """

    lot: NDArray[np.intp]
    weight: Floats
    entry: Floats
    exit: Floats
    event: NDArray[np.bool_]
    begun: Floats
    ended: Floats

    def of(self, rows: NDArray[Any]) -> _Watched:
        return _Watched(
            self.lot[rows], self.weight[rows], self.entry[rows], self.exit[rows],
            self.event[rows], self.begun[rows], self.ended[rows],
        )  # fmt: skip


def compare_lots(
    lives: pl.DataFrame, clock: str, level: float
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Compare each lot of replacement parts with all other replacement parts.

    Parameters
    ----------
    lives : replacement lives with ``maker``, ``lot`` (null where not stated), ``vehicle``,
        ``weight``, ``failed``, ages ``entry_*`` and ``exit_*``, and ``fitted_on``.
    clock : "distance" or "days". level : of the findings; half of what is left to error goes to the
        rates of the other lots being too low by chance, half to the lot.

    Returns
    -------
    The lots: ``maker``, ``lot``, ``first_failures`` (vehicles), ``expected``, ``expected_upper``,
    ``ratio``, ``at_least``, ``at_most``, ``evidence``, ``p_adjusted``, ``chance_to_find``,
    ``first_sign_on``, ``verdict``, ``note``; and their past: ``maker``, ``lot``, ``looked_on``,
    ``first_failures``, ``expected``, ``evidence``.

    Notes
    -----
    Expected failures are the lot's parts at risk times the rates of all other lots at each age, by
    their upper limit (Fay and Feuer 1997), so that a comparison with few is no false alarm. The
    evidence stays valid however often one looks (`fleetlog.stats.log_excess_evidence`), and false
    discoveries among the lots are controlled by Benjamini and Hochberg's rule on one over the
    evidence (Wang and Ramdas 2022). A bad lot among the others makes the rest be found later, not
    falsely. Places are not told apart: lots are fitted where parts have failed.
    Grows with the parts, and with the lots times the distinct ages at failure.
    """
    named, watched, first_day = _watch(lives, clock)
    if named.is_empty():
        return named.with_columns(_NO_FIGURES), _no_history()
    error = (1 - level) / 2
    rates = _Rates(watched, named.height)
    boundary = excess_boundary(np.arange(1, EVENTS_OF_BOUNDARY + 1), 1 / error)
    rows, past = [], []
    order = np.argsort(watched.lot, kind="stable")
    ends = np.searchsorted(watched.lot[order], np.arange(named.height + 1))
    for code, (maker, lot) in enumerate(named.select("maker", "lot").rows()):
        if lot is None:
            continue
        own = watched.of(order[ends[code] : ends[code + 1]])
        judged = rates.judge(own, error)
        rows.append({"maker": maker, "lot": lot} | _figures(judged, boundary, error, level))
        past.append(_history(judged, own, maker, lot, first_day))
    if not rows:
        return named.clear().with_columns(_NO_FIGURES), _no_history()
    lots = pl.DataFrame(rows, infer_schema_length=None, schema_overrides={"at_least": pl.Float64})
    history = pl.concat(past)
    adjusted = benjamini_hochberg(np.minimum(1.0, np.exp(-lots["log_evidence"].to_numpy())))
    signs = (
        history.filter(pl.col("evidence") >= 1 / error)
        .group_by("maker", "lot")
        .agg(first_sign_on=pl.col("looked_on").min())
    )
    lots = (
        lots.with_columns(
            p_adjusted=pl.Series(adjusted),
            evidence=pl.col("log_evidence").clip(upper_bound=700.0).exp(),
        )
        .join(signs, on=["maker", "lot"], how="left", maintain_order="left")
        .with_columns(
            verdict=pl.when(pl.col("p_adjusted") <= error)
            .then(pl.lit("fails sooner"))
            .when(
                (pl.col("chance_to_find") < BAD_LOT_CHANCE.value)
                & (pl.col("at_most").fill_null(np.inf) >= BAD_LOT_RATIO.value)
            )
            .then(pl.lit("too young to say"))
            .otherwise(pl.lit("no sign of it"))
        )
    )
    notes = [_note(row) for row in lots.rows(named=True)]
    return lots.with_columns(note=pl.Series(notes, dtype=pl.String)).drop("log_evidence"), history


_FIGURES: dict[str, Any] = {
    "first_failures": pl.Int64, "expected": pl.Float64, "expected_upper": pl.Float64,
    "ratio": pl.Float64, "at_least": pl.Float64, "at_most": pl.Float64,
    "chance_to_find": pl.Float64,
    "p_adjusted": pl.Float64, "evidence": pl.Float64, "first_sign_on": pl.Date,
    "verdict": pl.String, "note": pl.String,
}  # fmt: skip
_NO_FIGURES = [pl.lit(None, dtype=dtype).alias(name) for name, dtype in _FIGURES.items()]


def _no_history() -> pl.DataFrame:
    return pl.DataFrame(
        schema={
            "maker": pl.String, "lot": pl.String, "looked_on": pl.Date,
            "first_failures": pl.Int64, "expected": pl.Float64, "evidence": pl.Float64,
        }
    )  # fmt: skip


def _watch(lives: pl.DataFrame, clock: str) -> tuple[pl.DataFrame, _Watched, date]:
    """Watch the parts of each lot on each vehicle until the first of them fails."""
    unit = ["vehicle", "maker", "lot"]
    entry, leave = pl.col(f"entry_{clock}"), pl.col(f"exit_{clock}")
    known = lives.filter(pl.col("fitted_on").is_not_null()).with_columns(
        ends_on=pl.col("fitted_on") + pl.duration(days=pl.col("exit_days"))
    )
    failed = known.filter("failed").group_by(unit).agg(first=pl.col("ends_on").min())
    known = known.join(failed, on=unit, how="left", nulls_equal=True, maintain_order="left")
    days = (pl.col("first") - pl.col("fitted_on")).dt.total_days()
    cut = pl.col("first").is_not_null() & (pl.col("ends_on") > pl.col("first"))
    lived = (days - pl.col("entry_days")) / (pl.col("exit_days") - pl.col("entry_days"))
    event = pl.col("failed") & (pl.col("ends_on") == pl.col("first"))
    known = (
        known.with_columns(
            leave=pl.when(cut).then((entry + lived * (leave - entry)).round()).otherwise(leave),
            ends_on=pl.min_horizontal("ends_on", "first"),
            event=event & (event.cum_sum().over(unit) == 1),
        )
        .filter(pl.col("leave") > entry)
        .sort("maker", "lot", nulls_last=True, maintain_order=True)
    )
    named = known.select("maker", "lot").unique(maintain_order=True)
    codes = known.join(
        named.with_row_index("code"), on=["maker", "lot"], nulls_equal=True, how="left",
        maintain_order="left",
    )["code"]  # fmt: skip
    first_day = known["fitted_on"].min() if known.height else date(1970, 1, 1)
    since = (pl.col("fitted_on") - pl.lit(first_day)).dt.total_days()
    timed = known.select(
        begun=since + pl.col("entry_days"),
        ended=(pl.col("ends_on") - pl.lit(first_day)).dt.total_days(),
        entry=entry,
        leave="leave",
        weight="weight",
    ).cast(pl.Float64)
    return (
        named,
        _Watched(
            codes.to_numpy().astype(np.intp),
            timed["weight"].to_numpy(),
            timed["entry"].to_numpy(),
            timed["leave"].to_numpy(),
            known["event"].to_numpy(),
            timed["begun"].to_numpy(),
            timed["ended"].to_numpy(),
        ),
        first_day,  # type: ignore[return-value]
    )


@dataclass(frozen=True)
class _Judged:
    """A lot beside the others. ``rises`` : (k,) hazard of the others at each age compared."""

    observed: int
    expected: ExpectedEvents
    ages: Floats
    rises: Floats
    last_age: float


class _Rates:
    """Failures and parts at risk of all lots by age, of which each lot is taken out in its turn."""

    def __init__(self, watched: _Watched, lots: int) -> None:
        self.ages = np.unique(
            np.concatenate([watched.exit[watched.event], np.quantile(watched.exit, GRID).round()])
        )
        self.events, self.at_risk = self._count(watched)
        self.lots = lots

    def _count(self, watched: _Watched) -> tuple[Floats, Floats]:
        size = self.ages.size
        came = np.searchsorted(self.ages, watched.entry, side="right")
        gone = np.searchsorted(self.ages, watched.exit, side="right")
        place = np.searchsorted(self.ages, watched.exit[watched.event])
        net = np.bincount(came, weights=watched.weight, minlength=size + 1) - np.bincount(
            gone, weights=watched.weight, minlength=size + 1
        )
        return np.bincount(place, minlength=size).astype(np.float64), np.cumsum(net)[:size]

    def judge(self, own: _Watched, tail: float) -> _Judged:
        """Set a lot against all the others, at the ages at which enough of those were watched."""
        events, at_risk = self._count(own)
        others, dead = self.at_risk - at_risk, self.events - events
        # From the first age with too few on, nothing is compared.
        enough = np.cumsum(others < LEAST_AT_RISK) == 0
        last = int(np.count_nonzero(enough))
        weight = at_risk[:last] / others[:last]
        expected = expected_at_rates(
            dead[:last], weight, greatest_weight=float(weight.max(initial=0.0)), tail=tail
        )
        return _Judged(
            observed=round(float(events[:last].sum())),
            expected=expected,
            ages=self.ages[:last],
            rises=dead[:last] / others[:last],
            last_age=float(self.ages[last - 1]) if last else 0.0,
        )


def _figures(judged: _Judged, boundary: Floats, error: float, level: float) -> dict[str, Any]:
    seen, due, most = judged.observed, judged.expected.expected, judged.expected.upper
    capped = min(most, GREATEST_EXPECTED)
    reach = excess_boundary(seen, 1 / error)[0] if seen else 0.0
    return {
        "first_failures": seen,
        "expected": due,
        "expected_upper": most,
        "ratio": seen / due if due > 0 else None,
        "at_least": float(reach / most) if reach > 0 and most > 0 else None,
        "at_most": float(rate_interval(seen, due, level=level)[1]) if due > 0 else None,
        "log_evidence": float(log_excess_evidence(seen, most)),
        "chance_to_find": crossing_chance(
            boundary, capped, ratio=BAD_LOT_RATIO.value * due / most
        ) if most > 0 else 0.0,
    }  # fmt: skip


def _history(judged: _Judged, own: _Watched, maker: str, lot: str, first_day: date) -> pl.DataFrame:
    """Reckon the evidence again as it stood at the lot's failures."""
    counted = own.event & (own.exit <= judged.last_age)
    days = np.sort(own.ended[counted])
    chosen = np.linspace(0, max(days.size - 1, 0), min(MOST_LOOKS, days.size)).astype(int)
    looks = np.unique(days[chosen])
    seen = np.searchsorted(days, looks, side="right")
    hazard = np.concatenate([[0.0], np.cumsum(judged.rises)])
    inflated = judged.expected.upper / judged.expected.expected if judged.expected.expected else 1.0

    def lived(age: Floats) -> Floats:
        return np.asarray(hazard[np.searchsorted(judged.ages, age, side="right")])

    share = np.clip((looks[:, None] - own.begun) / np.maximum(own.ended - own.begun, 1.0), 0.0, 1.0)
    # No time of a part that lived less than a day is lost.
    share = np.where(looks[:, None] >= own.ended, 1.0, share)
    age = own.entry + share * (own.exit - own.entry)
    due = (lived(age) - lived(own.entry)) @ own.weight
    most = due * inflated if judged.expected.expected else np.full(due.size, judged.expected.upper)
    return _no_history().vstack(
        pl.DataFrame(
            {
                "maker": pl.Series([maker] * looks.size, dtype=pl.String),
                "lot": pl.Series([lot] * looks.size, dtype=pl.String),
                "looked_on": pl.select(
                    pl.lit(first_day) + pl.duration(days=pl.lit(pl.Series(looks.astype(np.int64))))
                ).to_series().cast(pl.Date),
                "first_failures": pl.Series(seen.astype(np.int64)),
                "expected": pl.Series(np.asarray(due, dtype=np.float64)),
                "evidence": pl.Series(np.exp(np.minimum(
                    log_excess_evidence(seen, most), 700.0
                )), dtype=pl.Float64),
            }
        )
    )  # fmt: skip


def _note(row: dict[str, Any]) -> str:
    if row["verdict"] != "too young to say":
        return ""
    return (
        f"{row['expected']:.1f} failing vehicles were to be expected by now: a lot "
        f"{BAD_LOT_RATIO.value:g} times as bad would have been found with a chance of "
        f"{per_cent(row['chance_to_find'])}"
    )
