"""How long a component lives: curves, B-lives, failure modes and the evidence behind them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import duckdb
import numpy as np
import polars as pl

from fleetlog.analyses.components import find_component
from fleetlog.analyses.one_vehicle import by_vehicle, limited_by_vehicles
from fleetlog.analyses.results import PartLife
from fleetlog.analyses.unseen import unseen
from fleetlog.analyses.wording import (
    between,
    counted,
    is_thin,
    listed,
    number,
    per_cent,
    position_words,
)
from fleetlog.errors import InputError, NoInteriorMaximum
from fleetlog.lives import SPLITS, select_lives
from fleetlog.lives.select import CLOCKS, check_choices
from fleetlog.settings import LEVEL, THIN_FAILURES
from fleetlog.sql import read_sql
from fleetlog.stats import LifeFit, SurvivalCurve, cumulative_incidence, fit_life, kaplan_meier
from fleetlog.store import Store

GENERATIONS = ("any", "first", "later")
MOST_GROUPS = 24
"""More curves than this cannot be told apart; the groups with the fewest failures are left out."""

FITTED_POINTS = 120

CONSTANT_WITHIN = 0.05
"""A Weibull shape this near to 1 is as good as a constant rate, however sure it is (our rule of
thumb): many failures tell 0.99 from 1, and nobody would act on it."""


@dataclass(frozen=True)
class Selection:
    """The lives that enter the figures, and the count of those that do not, by reason."""

    lives: pl.DataFrame
    left_out: pl.DataFrame


def part_life(
    store: Store,
    component: str,
    *,
    engine_family: str | None = None,
    by: Sequence[str] = (),
    where: Mapping[str, str | int] | None = None,
    clock: str = "distance",
    failure_mode: str | None = None,
    generation: str = "any",
    keep_assumed: bool | None = None,
    level: float = LEVEL.value,
) -> PartLife:
    """Estimate how long a component lives, split by any of :data:`fleetlog.lives.SPLITS`.

    Parameters
    ----------
    store : the fleet's store.
    component : its code in the catalogue.
    engine_family : only vehicles of this family.
    by : columns to split by; a curve for each combination that occurs.
    where : only lives with these values, by the same columns: ``{"bank": 2, "side": "exhaust"}``.
    clock : ``"distance"`` (the store's unit) or ``"days"``.
    failure_mode : count only failures of this mode; the other modes then censor.
    generation : ``"first"`` for parts that the factory fitted, ``"later"`` for replacements.
    keep_assumed : whether to keep lives whose age is assumed: parts that were on a vehicle when
        it came under watch, and may have been renewed before. None leaves them out where the
        others have failures enough to answer (:data:`fleetlog.settings.THIN_FAILURES`).
    level : confidence level of every limit.

    Raises
    ------
    InputError : an unknown component, split, clock or generation; or no life to look at.

    Notes
    -----
    Curves by Kaplan and Meier with late entry, their limits clustered by vehicle because parts of
    one vehicle share oil and driver; Weibull by maximum likelihood, limits by profile; modes by
    Aalen and Johansen. A failure bounded by two inspections counts as at the later one in the
    curve and as between the two in the Weibull fit.
    """
    title = find_component(component).title
    where = dict(where or {})
    check_choices("split", by, SPLITS)
    check_choices("clock", (clock,), CLOCKS)
    check_choices("generation", (generation,), GENERATIONS)
    question = {"component": component, "engine_family": engine_family}
    with store.read() as connection:
        lives = lives_where(connection, component, engine_family, by, where)
        failures = connection.sql(read_sql("analyses", "evidence"), params=question).pl()
        unused_lines = connection.sql(read_sql("analyses", "left_out_lines"), params=question).pl()
        names = connection.sql(
            read_sql("analyses", "position_names"),
            params={"component": component, "engine_family": None},
        ).pl()
        unread = unseen(connection, engine_family)
    unit = store.distance_unit if clock == "distance" else "days"
    selection = select(lives, by, clock, failure_mode, generation, keep_assumed=keep_assumed)
    answers = [
        _answer(label, by, values, group, clock, level)
        for label, values, group in groups_of(selection.lives, by)
    ]
    groups = pl.DataFrame([answer.row for answer in answers], infer_schema_length=None)
    return PartLife(
        component=component,
        title=title,
        engine_family=engine_family,
        by=tuple(by),
        clock=clock,
        unit=unit,
        level=level,
        groups=groups,
        curves=pl.concat([answer.curve for answer in answers]),
        fitted=pl.concat([answer.fitted for answer in answers]),
        incidence=pl.concat([answer.incidence for answer in answers]),
        endings=(
            selection.lives.group_by("group", "ended_by", "failure_mode")
            .agg(lives=pl.col("weight").sum())
            .sort("group", "ended_by", "failure_mode")
        ),
        evidence=_evidence(selection.lives, failures, names, component, clock),
        left_out=pl.concat(
            [selection.left_out, unused_lines.select("why", pl.col("count").cast(pl.Int64))]
        ),
        summary=(
            *_summary(subject(title, engine_family, where, generation), groups, unit, clock),
            *unread.words,
        ),
    )


def lives_where(
    connection: duckdb.DuckDBPyConnection,
    component: str,
    engine_family: str | None,
    by: Sequence[str],
    where: Mapping[str, str | int],
) -> pl.DataFrame:
    """Return the lives of a component that have the values of ``where``.

    Raises
    ------
    InputError : a column that lives cannot be split by, or no life with those values.
    """
    check_choices("condition", tuple(where), SPLITS)
    lives = select_lives(connection, component, engine_family=engine_family, by=(*by, *where))
    if lives.is_empty():
        family = f" on engine family {engine_family!r}" if engine_family else ""
        raise InputError(
            f"the store has no vehicle that carries {component}{family}: "
            "check the engine family, or load the fleet list first"
        )
    lives = lives.with_columns(
        # The factory's part has no maker of its own in the records; a replacement may lack one.
        pl.when(pl.col("generation") == 1)
        .then(pl.lit("as built"))
        .otherwise(pl.col(column).fill_null(f"{word} not stated"))
        .alias(column)
        for column, word in (("part_maker", "maker"), ("part_lot", "lot"))
    )
    for column, value in where.items():
        kept = lives.filter(pl.col(column).cast(pl.String) == str(value))
        if kept.is_empty():
            have = lives[column].drop_nulls().unique().sort().head(12).to_list()
            raise InputError(
                f"no life of {component} has {column} {value!r}: the store has "
                f"{listed(str(item) for item in have) or 'none stated'}"
            )
        lives = kept
    return lives


def subject(
    title: str, engine_family: str | None, where: Mapping[str, str | int], generation: str
) -> str:
    """Say what a question is about: "Rocker arm on V8-51, bank 2, side exhaust, as built"."""
    family = f" on {engine_family}" if engine_family else ""
    limits = "".join(f", {column.replace('_', ' ')} {value}" for column, value in where.items())
    built = {"any": "", "first": ", as built", "later": ", replacements"}[generation]
    return f"{title}{family}{limits}{built}"


def select(
    lives: pl.DataFrame,
    by: Sequence[str],
    clock: str,
    failure_mode: str | None,
    generation: str,
    *,
    keep_assumed: bool | None,
) -> Selection:
    """Label the lives by group, mark the failures asked for, and count what is left out."""
    failed = (pl.col("ended_by") == "failed") & (
        pl.lit(failure_mode is None) | (pl.col("failure_mode") == (failure_mode or ""))
    )
    assumed = pl.col("generation_assumed") & (pl.col("generation") == 1)
    if keep_assumed is None:
        sure = lives.filter(failed & ~assumed & _of_generation(generation))
        keep_assumed = is_thin(int(sure["weight"].sum()))
    reasons = {
        "no follow-up: fitted and last seen at the same age": (
            pl.col(f"exit_{clock}") <= pl.col(f"entry_{clock}")
        ),
        "age assumed: the vehicle was not watched from new": (
            pl.lit(value=False) if keep_assumed else assumed
        ),
        f"not of the generation asked for ({generation})": ~_of_generation(generation),
    }
    why = pl.coalesce(*(pl.when(test).then(pl.lit(reason)) for reason, test in reasons.items()))
    judged = lives.with_columns(
        why=why,
        failed=failed,
        vehicle=pl.col("vin").rank("dense"),
    ).with_columns(group=_label(by))
    kept = judged.filter(pl.col("why").is_null())
    if kept.is_empty():
        raise InputError(
            "no life is left to look at: every one was left out; ask for other generations or "
            "keep lives of assumed age"
        )
    left_out = _count_left_out(judged)
    largest = (
        kept.group_by("group")
        .agg(failures=(pl.col("weight") * pl.col("failed")).sum())
        .sort("failures", "group", descending=[True, False])["group"]
    )
    if len(largest) > MOST_GROUPS:
        dropped = kept.filter(~pl.col("group").is_in(largest.head(MOST_GROUPS).to_list()))
        note = f"in the {len(largest) - MOST_GROUPS} groups with the fewest failures"
        left_out = pl.concat(
            [left_out, pl.DataFrame({"why": [note], "count": [int(dropped["weight"].sum())]})]
        )
        kept = kept.filter(pl.col("group").is_in(largest.head(MOST_GROUPS).to_list()))
    return Selection(kept, left_out)


def _of_generation(generation: str) -> pl.Expr:
    return {
        "any": pl.lit(value=True),
        "first": pl.col("generation") == 1,
        "later": pl.col("generation") > 1,
    }[generation]


def _count_left_out(judged: pl.DataFrame) -> pl.DataFrame:
    return (
        judged.filter(pl.col("why").is_not_null())
        .group_by("why")
        .agg(count=pl.col("weight").sum().cast(pl.Int64))
        .sort("count", descending=True)
    )


def _label(by: Sequence[str]) -> pl.Expr:
    if not by:
        return pl.lit("all")
    words = {
        "engine_family": pl.col("engine_family"),
        "bank": pl.format("bank {}", pl.col("bank")),
        "cylinder": pl.format("cylinder {}", pl.col("cylinder")),
        "side": pl.col("side"),
        "slot": pl.format("no. {}", pl.col("slot")),
        "generation": pl.format("generation {}", pl.col("generation")),
        "model_year": pl.format("model year {}", pl.col("model_year")),
    }
    parts = [
        words.get(column, pl.col(column).cast(pl.String)).fill_null(f"no {column} given")
        for column in by
    ]
    return pl.concat_str(parts, separator=" / ")


def groups_of(
    lives: pl.DataFrame, by: Sequence[str]
) -> Iterator[tuple[str, tuple[Any, ...], pl.DataFrame]]:
    """Yield each group's label, its values of ``by``, and its lives, in the order of the values."""
    keys = ["group", *by]
    for values, group in lives.sort(*by or ["group"], nulls_last=True).group_by(
        keys, maintain_order=True
    ):
        yield str(values[0]), tuple(values[1:]), group


@dataclass(frozen=True)
class _Answer:
    row: dict[str, Any]
    curve: pl.DataFrame
    fitted: pl.DataFrame
    incidence: pl.DataFrame


def _answer(
    label: str,
    by: Sequence[str],
    values: tuple[Any, ...],
    lives: pl.DataFrame,
    clock: str,
    level: float,
) -> _Answer:
    entry_age = lives[f"entry_{clock}"].cast(pl.Float64).to_numpy()
    weight = lives["weight"].cast(pl.Float64).to_numpy()
    exit_age = lives[f"exit_{clock}"].cast(pl.Float64).to_numpy()
    cluster = by_vehicle(lives["vehicle"])
    curve = limited_by_vehicles(
        kaplan_meier(
            exit_age,
            lives["failed"].to_numpy(),
            entry=entry_age,
            weight=weight,
            cluster=cluster,
            level=level,
        ),
        cluster,
    )
    fit, refusal = fit_weibull(lives, clock)
    row = {"group": label, **dict(zip(by, values, strict=True))}
    row |= _counts(lives, clock) | _curve_lives(curve) | _weibull_row(fit, level)
    row["note"] = _note(row, curve, refusal)
    return _Answer(
        row,
        _labelled(label, curve.table.drop("censored", strict=False)),
        _fitted_curve(label, fit, exit_age),
        _incidence(label, lives, exit_age, entry_age, weight, cluster, level),
    )


def _labelled(label: str, table: pl.DataFrame) -> pl.DataFrame:
    return table.select(pl.lit(label).alias("group"), pl.all())


def _counts(lives: pl.DataFrame, clock: str) -> dict[str, Any]:
    weight, ended = pl.col("weight"), pl.col("ended_by")
    failures = lives.filter(pl.col("failed"))
    total = int(lives["weight"].sum())
    failed = int(failures["weight"].sum())
    others = ~ended.is_in(["failed", "planned", "still fitted"])

    def count(test: pl.Expr) -> int:
        return int(lives.filter(test)["weight"].sum())

    return {
        "lives": total,
        "vehicles": lives["vehicle"].n_unique(),
        "failures": failed,
        "planned": count(ended == "planned"),
        "other_removals": count(others) + count((ended == "failed") & ~pl.col("failed")),
        "still_fitted": count(ended == "still fitted"),
        "late_entries": count(pl.col(f"entry_{clock}") > 0),
        "position_assumed_share": (
            float(failures.select((weight * pl.col("position_assumed")).sum()).item() / failed)
            if failed
            else None
        ),
        "generation_assumed_share": float(
            lives.select(
                (weight * (pl.col("generation_assumed") & (pl.col("generation") == 1))).sum()
            ).item()
            / total
        ),
    }


def _curve_lives(curve: SurvivalCurve) -> dict[str, float | None]:
    found: dict[str, float | None] = {}
    for name, p in (("b10", 0.1), ("median", 0.5)):
        lower, upper = curve.quantile_interval(p)
        found |= {name: curve.quantile(p), f"{name}_lower": lower, f"{name}_upper": upper}
    return found


def fit_weibull(lives: pl.DataFrame, clock: str) -> tuple[LifeFit | None, str | None]:
    """Fit a Weibull life to labelled lives; None and the reason where the data do not bear one."""
    lower = lives[f"last_good_{clock}"].cast(pl.Float64)
    exit_age = lives[f"exit_{clock}"].cast(pl.Float64).to_numpy()
    entry = lives[f"entry_{clock}"].cast(pl.Float64).to_numpy()
    # A part found good before it came under watch bounds nothing that the likelihood can use.
    bound = np.where(
        lives["failed"].to_numpy() & (lower.fill_null(-1.0).to_numpy() > entry),
        lower.fill_null(0.0).to_numpy(),
        exit_age,
    )
    try:
        fit = fit_life(
            exit_age,
            lives["failed"].to_numpy(),
            model="weibull",
            entry=entry,
            weight=lives["weight"].cast(pl.Float64).to_numpy(),
            lower=bound if (bound < exit_age).any() else None,
        )
    except NoInteriorMaximum as refusal:
        return None, str(refusal)
    return fit, None


def _weibull_row(fit: LifeFit | None, level: float) -> dict[str, float | None]:
    names = ("shape", "scale", "weibull_b10")
    if fit is None:
        return {f"{name}{end}": None for name in names for end in ("", "_lower", "_upper")}
    row: dict[str, float | None] = {}
    for name in ("shape", "scale"):
        lower, upper = fit.parameter_interval(name, level=level)
        row |= {name: fit.parameters[name], f"{name}_lower": lower, f"{name}_upper": upper}
    lower, upper = fit.quantile_interval(0.1, level=level)
    return row | {
        "weibull_b10": float(fit.quantile(0.1)),
        "weibull_b10_lower": lower,
        "weibull_b10_upper": upper,
    }


def _fitted_curve(label: str, fit: LifeFit | None, exit_age: np.ndarray[Any, Any]) -> pl.DataFrame:
    time = np.linspace(0.0, float(exit_age.max()), FITTED_POINTS) if fit else np.empty(0)
    survival = fit.survival(time) if fit else np.empty(0)
    return pl.DataFrame({"time": time, "survival": survival}).select(
        pl.lit(label).alias("group"), "time", "survival"
    )


def _incidence(
    label: str,
    lives: pl.DataFrame,
    exit_age: np.ndarray[Any, Any],
    entry_age: np.ndarray[Any, Any],
    weight: np.ndarray[Any, Any],
    cluster: np.ndarray[Any, Any] | None,
    level: float,
) -> pl.DataFrame:
    modes = lives.filter(pl.col("failed"))["failure_mode"].unique().sort().to_list()
    columns = ["group", "failure_mode", "time", "estimate", "lower", "upper"]
    if not modes:
        return pl.DataFrame(schema=dict.fromkeys(columns, pl.Float64)).with_columns(
            pl.col("group", "failure_mode").cast(pl.String)
        )
    cause = lives.select(
        pl.when(pl.col("failed"))
        .then(pl.col("failure_mode").replace_strict(modes, list(range(1, len(modes) + 1)),
                                                    default=0, return_dtype=pl.Int64))
        .otherwise(0)
    ).to_series()  # fmt: skip
    curves = cumulative_incidence(
        exit_age,
        cause.to_numpy(),
        entry=entry_age,
        weight=weight,
        cluster=cluster,
        level=level,
    )
    return (
        limited_by_vehicles(curves, cluster)
        .table.filter(pl.col("events") > 0)
        .select(
            pl.lit(label).alias("group"),
            pl.col("cause")
            .replace_strict(list(range(1, len(modes) + 1)), modes, return_dtype=pl.String)
            .alias("failure_mode"),
            "time",
            "estimate",
            "lower",
            "upper",
        )
    )


def _evidence(
    lives: pl.DataFrame,
    failures: pl.DataFrame,
    names: pl.DataFrame,
    component: str,
    clock: str,
) -> pl.DataFrame:
    """Join the failures that entered the figures with the orders behind them."""
    entered = (
        lives.filter(pl.col("failed"))
        .group_by("vin", "ended_ro", "generation", maintain_order=True)
        .agg(group=pl.col("group").unique(maintain_order=True).str.join(" | "))
    )
    rows = failures.with_columns(component=pl.lit(component))
    rows = rows.with_columns(positions=position_words(rows, names, assumed="position_assumed"))
    return (
        rows.join(
            entered,
            left_on=["vin", "ro_id", "generation"],
            right_on=["vin", "ended_ro", "generation"],
            how="inner",
            maintain_order="left",
        )
        .rename({f"exit_{clock}": "age"})
        .select(
            "group", "vin", "unit_no", "shop", "ro_no", "opened_on", "age", "positions", "parts",
            "failure_mode", "part_maker", "part_lot", "position_assumed",
        )
    )  # fmt: skip


def _note(row: dict[str, Any], curve: SurvivalCurve, refusal: str | None) -> str:
    said = []
    if row["vehicles"] == 1:
        said.append("one vehicle only, which has no limits: how vehicles differ is not known")
    if row["failures"] == 0:
        said.append("no failure seen yet")
    elif is_thin(row["failures"]):
        said.append(f"thin: only {counted(row['failures'], 'failure')}, so the limits are wide")
    if refusal and row["failures"]:
        said.append(f"no Weibull fit: {refusal}")
    if row["position_assumed_share"] and row["position_assumed_share"] > 0.1:
        said.append(
            f"{per_cent(row['position_assumed_share'])} of the failures did not say the position "
            "and were given one"
        )
    if row["generation_assumed_share"] > 0.1:
        said.append(
            f"{per_cent(row['generation_assumed_share'])} of the lives have an assumed age: the "
            "vehicle was not watched from new, and the part may be younger"
        )
    apart = row["other_removals"]
    if row["failures"] and apart > row["failures"]:
        said.append(
            f"{counted(apart, 'part')} came out before failing so, renewed while the engine was "
            "apart or for other reasons: if those were about to fail, the true life is shorter"
        )
    if curve.thin_start is not None:
        said.append(
            f"few parts were watched below {number(curve.thin_start.from_age)}: the curve is "
            "uncertain there"
        )
    return "; ".join(said)


def _summary(about: str, groups: pl.DataFrame, unit: str, clock: str) -> tuple[str, ...]:
    failures, lives = int(groups["failures"].sum()), int(groups["lives"].sum())
    said = [
        f"{about}: {counted(failures, 'failure')} among {lives:,} lives"
        f"{'' if clock == 'distance' else ' by days in use'}."
    ]
    if failures == 0:
        return (*said, "None has failed yet, so no life can be estimated.")
    reached = groups.filter(pl.col("b10").is_not_null())
    if groups.height == 1:
        said.append(_life_sentence(groups.row(0, named=True), unit))
    elif reached.is_empty():
        said.append("In no group have one in ten failed yet.")
    else:
        first, last = (reached.sort("b10").row(index, named=True) for index in (0, -1))
        said.append(
            f"Soonest: {first['group']}, where one in ten has failed by "
            f"{number(first['b10'], unit)} "
            f"({between((first['b10_lower'], first['b10_upper']), unit)}; "
            f"{counted(first['failures'], 'failure')})."
        )
        if last["group"] != first["group"]:
            said.append(
                f"Latest of those that got so far: {last['group']}, {number(last['b10'], unit)}."
            )
        behind = groups.filter(pl.col("b10").is_null())["group"].to_list()
        if behind:
            said.append(f"One in ten has not failed yet in {listed(behind)}.")
    thin = groups.filter((pl.col("failures") > 0) & (pl.col("failures") < THIN_FAILURES.value))
    if groups.height > 1 and thin.height:
        said.append(f"Thin, so read with care: {listed(thin['group'].to_list())}.")
    return tuple(said)


def _life_sentence(row: dict[str, Any], unit: str) -> str:
    if row["b10"] is None:
        return "One in ten has not failed yet within what was watched."
    text = (
        f"One in ten has failed by {number(row['b10'], unit)} "
        f"({between((row['b10_lower'], row['b10_upper']), unit)})"
    )
    if row["median"] is not None:
        text += f", half by {number(row['median'], unit)}"
    if row["shape"] is not None:
        kind = "shows no clear wear-out"
        if row["shape_lower"] > 1 and row["shape"] >= 1 + CONSTANT_WITHIN:
            kind = "wears out"
        elif row["shape_upper"] < 1 and row["shape"] <= 1 - CONSTANT_WITHIN:
            kind = "fails young"
        text += (
            f"; it {kind} (Weibull shape {row['shape']:.2f}, "
            f"{row['shape_lower']:.2f} to {row['shape_upper']:.2f})"
        )
    return text + "."
