"""How long replacement parts of each maker last beside the original ones, and which lot is bad."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import polars as pl

from fleetlog.analyses.components import find_component
from fleetlog.analyses.maker_comparisons import (
    AS_BUILT,
    NO_MAKERS,
    NOT_COMPARABLE,
    REPAIRED,
    UNSTATED,
    WeibullLimits,
    alone_in_family,
    compare_makers,
    maker_differences,
    without_bad_lots,
)
from fleetlog.analyses.one_vehicle import by_vehicle
from fleetlog.analyses.part_life import select, subject
from fleetlog.analyses.part_lots import compare_lots
from fleetlog.analyses.placed_lives import read_placed_lives
from fleetlog.analyses.unseen import unseen
from fleetlog.analyses.wording import (
    between,
    counted,
    is_thin,
    listed,
    number,
    position_words,
)
from fleetlog.errors import InputError
from fleetlog.lives.select import CLOCKS, check_choices
from fleetlog.settings import LEVEL
from fleetlog.sql import read_sql
from fleetlog.stats import (
    equal_rates_test,
    kaplan_meier,
)
from fleetlog.store import Store

MOST_MAKERS = 12
"""Makers beyond those with the most parts are left out of the comparison, and counted."""

ORDERS_NAMED = 4


@dataclass(frozen=True)
class PartMakers:
    """How parts of each maker and lot last.

    Attributes
    ----------
    p_value : chance that alike makers would differ so, at the same ages and places, failures of one
        vehicle taken together; original parts are one of the groups. None with one group.
    makers : one row per ``maker`` ("as built" for original parts, "repaired in place", "maker not
        stated"): ``parts``, ``vehicles``, ``failures``, ``failed_vehicles``, ``b10``,
        ``b10_lower``, ``b10_upper`` (age by which one in ten has failed, product-limit), ``shape``,
        ``shape_lower``, ``shape_upper`` (Weibull; the wider of profile limits and those clustered
        by vehicle), ``fails_young`` (the upper limit is below 1) and ``note``.
    comparisons : one row per pair of makers: ``maker``, ``other``, ``failures``,
        ``other_failures``, ``ratio`` (rate of the first over the other's at the same ages and
        places), ``lower``, ``upper``, ``p_value``, ``p_adjusted`` (false discoveries among the
        pairs controlled), ``b10_ratio``, ``b10_ratio_lower``, ``b10_ratio_upper`` (Weibull;
        original parts weighted to the places where the maker's parts sit), ``not_compared`` (parts
        of the two in engine families with one vehicle, or with parts of one of the two),
        ``finding`` ("fails sooner", "lasts longer", "no clear difference" or "cannot be compared",
        where every family is such a one and all figures are null), ``note``.
    lots : one row per ``maker`` and ``lot``: ``parts``, ``vehicles``, ``failures``, ``shape`` with
        limits and ``fails_young`` as above; ``first_failures`` (vehicles with a failure),
        ``expected`` (of them at the rates of all other lots), ``expected_upper`` (its upper limit,
        by which the lot is judged), ``ratio``, ``at_least`` (lower limit of the ratio that holds
        however often one looks), ``at_most`` (upper limit at one look), ``evidence`` (for a higher
        rate, a likelihood ratio), ``p_adjusted``, ``chance_to_find`` (a bad lot by
        now), ``first_sign_on`` (date), ``verdict`` ("fails sooner", "no sign of it", "too
        young to say") and ``note``.
    lot_history : ``maker``, ``lot``, ``looked_on``, ``first_failures``, ``expected``, ``evidence``.
    evidence : failures of replacements: ``maker``, ``lot``, ``vin``, ``unit_no``, ``shop``,
        ``ro_no``, ``opened_on``, ``age``, ``positions``, ``parts``, ``failure_mode``; newest first.
    left_out : ``why``, ``count``, also of parts that count for their maker and in no comparison.
    summary : sentences, the answer first.
    """

    component: str
    title: str
    engine_family: str | None
    clock: str
    unit: str
    level: float
    p_value: float | None
    makers: pl.DataFrame
    comparisons: pl.DataFrame
    lots: pl.DataFrame
    lot_history: pl.DataFrame
    evidence: pl.DataFrame
    left_out: pl.DataFrame
    summary: tuple[str, ...]


def part_makers(
    store: Store,
    component: str,
    *,
    engine_family: str | None = None,
    clock: str = "distance",
    failure_mode: str | None = None,
    keep_assumed: bool | None = None,
    level: float = LEVEL.value,
) -> PartMakers:
    """Compare replacement parts with original ones and with each other, by maker and by lot.

    Parameters
    ----------
    store : the fleet's store.
    component : its code in the catalogue.
    engine_family : only vehicles of this family.
    clock : ``"distance"`` (the store's unit) or ``"days"``.
    failure_mode : count only failures of this mode.
    keep_assumed : lives of assumed age, as in `part_life`.
    level : confidence level; 1 less it is the share of false discoveries allowed.

    Raises
    ------
    InputError : an unknown component or clock, no life to look at, or no replacement at all.

    Notes
    -----
    Makers are compared by the log-rank test clustered by vehicle, with late entry and within each
    position, so that a maker is not blamed for the places where its parts sit. A replacement is
    younger than its vehicle, and nothing here takes that out. The limits of B10 ratios take the
    two groups as independent. Lots: see `fleetlog.analyses.part_lots.compare_lots`.
    """
    title = find_component(component).title
    check_choices("clock", (clock,), CLOCKS)
    with store.read() as connection:
        names = connection.sql(
            read_sql("analyses", "position_names"),
            params={"component": component, "engine_family": None},
        ).pl()
        lives = read_placed_lives(connection, component, engine_family)
        question = {"component": component, "engine_family": engine_family}
        failures = connection.sql(read_sql("analyses", "evidence"), params=question).pl()
        unused = connection.sql(read_sql("analyses", "left_out_lines"), params=question).pl()
        unread = unseen(connection, engine_family)
    if lives.is_empty():
        raise InputError(
            f"the store has no vehicle that carries {component}: check the engine family, or load "
            "the fleet list first"
        )
    if (lives["generation"] == 1).all():
        raise InputError(
            f"no {title.lower()} has been replaced so far: there is no maker to compare; ask "
            "part-life how long the original parts live"
        )
    selection = select(lives, (), clock, failure_mode, "any", keep_assumed=keep_assumed)
    lives = _by_maker(selection.lives)
    compared, more = _most_parts(lives)
    makers = [str(maker) for maker in compared["maker"].unique()]
    makers.sort(key=lambda maker: (maker != AS_BUILT, maker in NO_MAKERS, maker))
    fits = {
        maker: WeibullLimits.of(compared.filter(pl.col("maker") == maker), clock, level)
        for maker in makers
    }
    table = pl.DataFrame(
        [
            _maker_row(maker, compared.filter(pl.col("maker") == maker), fits[maker], clock, level)
            for maker in makers
        ],
        infer_schema_length=None,
    )
    whole = maker_differences(compared, names, makers, clock) if len(makers) > 1 else None
    comparisons = compare_makers(compared, names, makers, fits, clock, level)
    comparisons = comparisons.with_columns(note=_comparison_notes(comparisons, table))
    lots, history = _lots(compared, clock, level)
    evidence = _evidence(compared, failures, names, component, clock)
    without = [
        without_bad_lots(maker, compared, lots, names, clock, level)
        for maker in lots.filter(pl.col("verdict") == "fails sooner")["maker"].unique().sort()
    ]
    unit = store.distance_unit if clock == "distance" else "days"
    return PartMakers(
        component=component,
        title=title,
        engine_family=engine_family,
        clock=clock,
        unit=unit,
        level=level,
        p_value=None if whole is None else equal_rates_test(whole).p_value,
        makers=table,
        comparisons=comparisons,
        lots=lots,
        lot_history=history,
        evidence=evidence,
        left_out=pl.concat(
            [
                selection.left_out,
                *more,
                _alone(compared),
                unused.select("why", pl.col("count").cast(pl.Int64)),
            ]
        ),
        summary=(
            *_summary(
                subject(title, engine_family, {}, "any"),
                table,
                comparisons,
                lots,
                evidence,
                without,
                unit,
                level,
            ),
            *unread.words,
        ),
    )


def _by_maker(lives: pl.DataFrame) -> pl.DataFrame:
    return lives.with_columns(
        maker=pl.when(pl.col("generation") == 1)
        .then(pl.lit(AS_BUILT))
        .when(pl.col("begun_by") == "repaired")
        .then(pl.lit(REPAIRED))
        .otherwise(pl.col("part_maker").fill_null(UNSTATED)),
        lot=pl.col("part_lot"),
    )


def _most_parts(lives: pl.DataFrame) -> tuple[pl.DataFrame, list[pl.DataFrame]]:
    """Keep the makers with the most parts, and count what that leaves out."""
    stated = (
        lives.filter(~pl.col("maker").is_in(NO_MAKERS))
        .group_by("maker")
        .agg(parts=pl.col("weight").sum())
        .sort("parts", "maker", descending=[True, False])
    )
    few = stated["maker"][MOST_MAKERS:].to_list()
    if not few:
        return lives, []
    out = lives.filter(pl.col("maker").is_in(few))
    why = f"of the {len(few)} makers with the fewest parts"
    count = pl.DataFrame({"why": [why], "count": [int(out["weight"].sum())]})
    return lives.filter(~pl.col("maker").is_in(few)), [count]


def _alone(lives: pl.DataFrame) -> pl.DataFrame:
    """Count the parts whose engine family bears no comparison of makers."""
    return alone_in_family(lives).select(
        why=pl.format(
            "counted for their maker, but in no comparison: engine family {} has {}",
            "engine_family", "why",
        ),
        count="parts",
    )  # fmt: skip


def _counts(lives: pl.DataFrame) -> dict[str, Any]:
    failed = lives.filter("failed")
    return {
        "parts": int(lives["weight"].sum()),
        "vehicles": lives["vehicle"].n_unique(),
        "failures": int(failed["weight"].sum()),
        "failed_vehicles": failed["vehicle"].n_unique(),
    }


def _shape(fit: WeibullLimits) -> dict[str, Any]:
    return {
        "shape": fit.shape,
        "shape_lower": fit.lower,
        "shape_upper": fit.upper,
        "fails_young": fit.upper is not None and fit.upper < 1,
    }


def _maker_row(
    maker: str, lives: pl.DataFrame, fit: WeibullLimits, clock: str, level: float
) -> dict[str, Any]:
    cluster = by_vehicle(lives["vehicle"])
    curve = kaplan_meier(
        lives[f"exit_{clock}"].cast(pl.Float64).to_numpy(),
        lives["failed"].to_numpy(),
        entry=lives[f"entry_{clock}"].cast(pl.Float64).to_numpy(),
        weight=lives["weight"].cast(pl.Float64).to_numpy(),
        cluster=cluster,
        level=level,
    )
    lower, upper = curve.quantile_interval(0.1) if cluster is not None else (None, None)
    row = {"maker": maker, **_counts(lives)}
    notes = []
    if cluster is None:
        notes.append("one vehicle only, which has no limits")
    if row["failures"] == 0:
        notes.append("no failure seen yet")
    elif is_thin(row["failures"]):
        notes.append(f"thin: only {counted(row['failures'], 'failure')}, so the limits are wide")
    apart = int(
        lives.filter(~pl.col("ended_by").is_in(["failed", "planned", "still fitted"]))[
            "weight"
        ].sum()
    )
    if row["failures"] and apart > row["failures"]:
        notes.append(
            f"{counted(apart, 'part')} came out before failing, renewed while the engine was apart "
            "or for other reasons"
        )
    return (
        row
        | {"b10": curve.quantile(0.1), "b10_lower": lower, "b10_upper": upper}
        | _shape(fit)
        | {"note": "; ".join(notes)}
    )


def _comparison_notes(comparisons: pl.DataFrame, makers: pl.DataFrame) -> pl.Series:
    """Say which comparisons are thin, and which ratios of lives go beyond what has failed."""
    reached = set(makers.filter(pl.col("b10").is_not_null())["maker"].to_list())
    notes = []
    for row in comparisons.rows(named=True):
        if row["finding"] == NOT_COMPARABLE:
            notes.append("no engine family with two vehicles has parts of both")
            continue
        said = []
        if is_thin(min(row["failures"], row["other_failures"])):
            said.append("thin: one of the two has few failures")
        beyond = [name for name in (row["maker"], row["other"]) if name not in reached]
        if row["b10_ratio"] is not None and beyond:
            said.append(f"one in ten has not failed yet ({listed(beyond)}): its B10 is reckoned")
        notes.append("; ".join(said))
    return pl.Series("note", notes, dtype=pl.String)


def _lots(lives: pl.DataFrame, clock: str, level: float) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Compare the lots, the worst first, with the shape of each one's life."""
    replaced = lives.filter(~pl.col("maker").is_in((AS_BUILT, REPAIRED)))
    judged, history = compare_lots(replaced, clock, level)
    rows = []
    stated = replaced.filter(pl.col("lot").is_not_null())
    for (maker, lot), own in stated.group_by("maker", "lot", maintain_order=True):
        fit = WeibullLimits.of(own, clock, level)
        rows.append({"maker": maker, "lot": lot, **_counts(own), **_shape(fit)})
    schema = {
        "maker": pl.String, "lot": pl.String, "parts": pl.Int64, "vehicles": pl.Int64,
        "failures": pl.Int64, "failed_vehicles": pl.Int64, "shape": pl.Float64,
        "shape_lower": pl.Float64, "shape_upper": pl.Float64, "fails_young": pl.Boolean,
    }  # fmt: skip
    figures = pl.DataFrame(rows, schema=schema).drop("failed_vehicles")
    return (
        figures.join(judged, on=["maker", "lot"], how="left", maintain_order="left").sort(
            "evidence", "failures", "maker", "lot", descending=[True, True, False, False],
            nulls_last=True,
        ),
        history,
    )  # fmt: skip


def _evidence(
    lives: pl.DataFrame, failures: pl.DataFrame, names: pl.DataFrame, component: str, clock: str
) -> pl.DataFrame:
    """Join the failures of replacements with the orders behind them."""
    key = pl.col("positions").list.first().alias("first")
    entered = lives.filter(pl.col("failed") & (pl.col("maker") != AS_BUILT)).select(
        "vin", "generation", key, "maker", "lot"
    )
    rows = failures.with_columns(key, component=pl.lit(component)).join(
        entered, on=["vin", "generation", "first"], maintain_order="left"
    )
    rows = rows.with_columns(positions=position_words(rows, names, assumed="position_assumed"))
    return rows.rename({f"exit_{clock}": "age"}).select(
        "maker", "lot", "vin", "unit_no", "shop", "ro_no", "opened_on", "age", "positions",
        "parts", "failure_mode",
    )  # fmt: skip


def _summary(
    about: str,
    makers: pl.DataFrame,
    comparisons: pl.DataFrame,
    lots: pl.DataFrame,
    evidence: pl.DataFrame,
    without: Sequence[str],
    unit: str,
    level: float,
) -> tuple[str, ...]:
    said = [_lot_sentence(row, evidence) for row in
            lots.filter(pl.col("verdict") == "fails sooner").rows(named=True)]  # fmt: skip
    said += _young_sentences(makers, lots)
    said += [*_maker_sentences(makers, comparisons, unit), *without]
    replaced = makers.filter(pl.col("maker") != AS_BUILT)
    said.append(
        f"{about}: {counted(int(replaced['failures'].sum()), 'failure')} among "
        f"{counted(int(replaced['parts'].sum()), 'replacement')}, compared at the same ages and "
        f"places; limits are at {100 * level:g} %."
    )
    if lots.height and not lots.filter(pl.col("verdict") == "fails sooner").height:
        said.append("No lot fails clearly sooner than the others.")
    young = lots.filter(pl.col("verdict") == "too young to say")["lot"].sort().to_list()
    if young:
        said.append(
            f"Too young to say: {counted(len(young), 'lot')} of {lots.height}"
            f"{', ' + listed(young) if len(young) <= 8 else ' (see the list)'}."
        )
    return tuple(said)


def _lot_sentence(row: dict[str, Any], evidence: pl.DataFrame) -> str:
    orders = evidence.filter(
        (pl.col("maker") == row["maker"]) & (pl.col("lot") == row["lot"])
    ).unique(["shop", "ro_no"], maintain_order=True).head(ORDERS_NAMED)  # fmt: skip
    behind = listed(f"{one['shop']} RO {one['ro_no']}" for one in orders.rows(named=True))
    least = (
        f", at least {row['at_least']:.1f} times as often, however often one looks"
        if row["at_least"] and row["at_least"] > 1
        else ""
    )
    since = f"; the records showed it from {row['first_sign_on']}" if row["first_sign_on"] else ""
    return (
        f"Lot {row['lot']} ({row['maker']}) fails sooner than the other lots: it has failed in "
        f"{counted(row['first_failures'], 'vehicle')} where {row['expected']:.1f} were expected at "
        f"those ages{least}{since}; latest: {behind}."
    )


def _young_sentences(makers: pl.DataFrame, lots: pl.DataFrame) -> list[str]:
    """Call early failures out, of makers and of lots."""
    # A maker whose early failures are those of one bad lot is not blamed for it twice.
    known = lots.filter((pl.col("verdict") == "fails sooner") & pl.col("fails_young"))["maker"]
    makers = makers.filter(~pl.col("maker").is_in(known.to_list()))
    named = [
        *((f"lot {row['lot']}", row) for row in lots.filter("fails_young").rows(named=True)),
        *((row["maker"], row) for row in makers.filter("fails_young").rows(named=True)),
    ]
    return [
        f"Fails young: {name}, the more often the newer the part is (Weibull shape "
        f"{row['shape']:.2f}, {between((row['shape_lower'], row['shape_upper']))}; "
        f"{counted(row['failures'], 'failure')}): look at the part and the fitting, not at wear."
        for name, row in named
    ]


def _maker_sentences(makers: pl.DataFrame, comparisons: pl.DataFrame, unit: str) -> list[str]:
    if comparisons.is_empty():
        return ["There is one maker only, so nothing to compare it with."]
    said = []
    whole, comparisons = comparisons, comparisons.filter(pl.col("finding") != NOT_COMPARABLE)
    for row in comparisons.filter(pl.col("finding") != "no clear difference").rows(named=True):
        times = "never so far" if not row["ratio"] else f"{row['ratio']:.2g} times as often"
        how = row["finding"] if row["ratio"] is None else f"fails {times}"
        lives = (
            ""
            if row["b10_ratio"] is None
            else f"; one in ten fails at {row['b10_ratio']:.2g} times the other's age "
            f"({between((row['b10_ratio_lower'], row['b10_ratio_upper']))})"
        )
        said.append(
            f"{row['maker']} against {row['other']}: {how} "
            f"({between((row['lower'], row['upper']))}; {row['failures']:,} and "
            f"{row['other_failures']:,} failures){lives}."
        )
    unclear = comparisons.filter(pl.col("finding") == "no clear difference").height
    if comparisons.is_empty():
        said.append(
            "No two makers can be compared: no engine family with two vehicles has parts of two."
        )
    elif unclear == comparisons.height:
        said.append(
            "No maker's parts differ clearly from the original ones or from each other "
            f"({counted(unclear, 'comparison')})."
        )
    elif unclear:
        said.append(
            f"No clear difference in {unclear} of {counted(comparisons.height, 'comparison')} of "
            "makers."
        )
    apart = whole.height - comparisons.height
    if apart and comparisons.height:
        said.append(
            f"{counted(apart, 'pair')} of makers cannot be compared: no engine family with two "
            "vehicles has parts of both."
        )
    thin = [
        f"{row['maker']} ({counted(row['failures'], 'failure')})"
        for row in makers.rows(named=True)
        if is_thin(row["failures"])
    ]
    if thin:
        said.append(f"Thin, so read with care: {listed(thin)}.")
    reached = makers.filter(pl.col("b10").is_not_null())
    if reached.height:
        said.append(
            "One in ten has failed by "
            + listed(
                f"{number(row['b10'], unit)} ({row['maker']})" for row in reached.rows(named=True)
            )
            + "."
        )
    return said
