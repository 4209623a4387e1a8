"""Where in the engine a component fails: equal rates tested over bank, cylinder, side and slot."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from fleetlog.analyses.components import find_component
from fleetlog.analyses.engine_drawing import drawing_grid, view_in_words
from fleetlog.analyses.part_life import GENERATIONS, select, subject
from fleetlog.analyses.placed_lives import (
    Pairs,
    pair_positions,
    read_placed_lives,
    summed_by_position,
)
from fleetlog.analyses.wording import between, counted, is_thin, listed, per_cent, position_words
from fleetlog.errors import InputError
from fleetlog.lives.select import CLOCKS, POSITION_FIELDS, check_choices
from fleetlog.settings import LEVEL
from fleetlog.sql import read_sql
from fleetlog.stats import (
    GroupDifferences,
    benjamini_hochberg,
    equal_rates_test,
    group_differences,
    rate_interval,
)
from fleetlog.store import Store

PER = {"distance": 100_000, "days": 1_000}
"""Rates are told per so much of the clock: figures of a size that people read."""

ORDERS_NAMED = 4


@dataclass(frozen=True)
class PositionMap:
    """Where one component of one engine family fails.

    Attributes
    ----------
    engine_title : the family in words. view : how the drawing is to be read. rows, columns :
        its size.
    per : rates are per so much of ``unit``.
    failures : parts that failed at a place that their order named; ``failures_assumed`` more were
        given a place by assumption: they count in no figure but those ``with_assumed``.
    tests : one row for each way of grouping the places (``factor``: bank, cylinder, side, slot, all
        places): ``levels``, ``chi_squared`` (Pearson's, of observed against expected at the same
        ages), ``df``, ``spread`` (variance as a multiple of that of failures that come one by
        one), ``p_value`` (failures of one vehicle go together), ``p_adjusted`` (false discoveries
        among the factors controlled; null for all places), ``p_value_one_by_one`` (as if they did
        not, for comparison), ``p_value_with_assumed``.
    levels : ``factor``, ``level``, ``positions``, ``failures``, ``expected``, ``exposure``,
        ``ratio`` (of its rate to that of the other levels at the same ages), ``lower``, ``upper``,
        ``p_value``.
    positions : one row for each place: ``ordinal``, ``position`` (words), ``bank``, ``cylinder``,
        ``side``, ``slot``, ``row``, ``column``, ``column_span``, ``row_title``, ``label`` (the
        drawing, see `drawing_grid`), ``lives``, ``exposure`` (of ``unit`` watched), ``failures``,
        ``failures_assumed``, ``expected``, ``rate``, ``rate_lower``, ``rate_upper`` (per ``per``),
        ``residual`` (observed less expected in standard deviations), ``ratio``, ``ratio_lower``,
        ``ratio_upper`` (to the other places), ``p_value``, ``p_adjusted`` (false discoveries among
        the places controlled), ``finding`` ("fails more", "fails less", "no clear difference") and
        ``note``.
    evidence : ``vin``, ``unit_no``, ``shop``, ``ro_no``, ``opened_on``, ``age``, ``position``,
        ``parts``, ``failure_mode``, ``part_maker``, ``part_lot``, ``position_assumed``; newest
        first.
    left_out : ``why``, ``count``.
    summary : sentences, the answer first.
    """

    component: str
    title: str
    engine_family: str
    engine_title: str
    clock: str
    unit: str
    per: int
    level: float
    view: str
    rows: int
    columns: int
    vehicles: int
    failed_vehicles: int
    failures: int
    failures_assumed: int
    tests: pl.DataFrame
    levels: pl.DataFrame
    positions: pl.DataFrame
    evidence: pl.DataFrame
    left_out: pl.DataFrame
    summary: tuple[str, ...]


def position_map(
    store: Store,
    component: str,
    *,
    engine_family: str | None = None,
    clock: str = "distance",
    failure_mode: str | None = None,
    generation: str = "any",
    keep_assumed: bool | None = None,
    level: float = LEVEL.value,
) -> PositionMap:
    """Test whether a component fails alike at all its places on one engine family, and map it.

    Parameters
    ----------
    store : the fleet's store.
    component : its code in the catalogue.
    engine_family : its code; may be left out where one family alone carries the component.
    clock : ``"distance"`` (the store's unit) or ``"days"``.
    failure_mode : count only failures of this mode.
    generation : ``"any"``, ``"first"`` (as built) or ``"later"`` (replacements).
    keep_assumed : lives of assumed age, as in `part_life`.
    level : confidence level of every limit; 1 less it is the share of false discoveries allowed.

    Raises
    ------
    InputError : an unknown component, clock, generation or family; a component with one place; no
        life to look at, or lives of one vehicle only.

    Notes
    -----
    Expected failures of a place are its lives at risk times the rates of all places together at
    each age, parts as built and replacements apart: the places are compared at equal ages, whatever
    is renewed when. Failures of one vehicle go together, so the tests rest on the covariance of
    the differences by vehicle (`fleetlog.stats.equal_rates_test`; Pearson 1900, Rao and Scott
    1984), and rates, ratios and their limits on counts divided by their spread (Rao and
    Scott 1999).

    A failure whose order names no place was given one in order of the places, which says nothing
    of where parts fail: it ends the life that it was given to, and is no failure of the map.
    """
    title = find_component(component).title
    check_choices("clock", (clock,), CLOCKS)
    check_choices("generation", (generation,), GENERATIONS)
    with store.read() as connection:
        names = connection.sql(
            read_sql("analyses", "position_names"),
            params={"component": component, "engine_family": None},
        ).pl()
        families = connection.sql(read_sql("analyses", "engine_families")).pl()
        shapes = dict(connection.sql(read_sql("analyses", "cylinder_banks")).pl().rows())
        family = _family(component, engine_family, names, families)
        places = names.filter(pl.col("engine_family") == family)
        if places.height == 1:
            raise InputError(
                f"{component} has one place on {family}: there is nothing to compare; "
                "ask part-life how long it lives"
            )
        lives = read_placed_lives(connection, component, family)
        question = {"component": component, "engine_family": family}
        failures = connection.sql(read_sql("analyses", "evidence"), params=question).pl()
        unused = connection.sql(read_sql("analyses", "left_out_lines"), params=question).pl()
    selection = select(lives, (), clock, failure_mode, generation, keep_assumed=keep_assumed)
    lives = selection.lives.with_columns(told=pl.col("failed") & ~pl.col("position_assumed"))
    if lives["vehicle"].n_unique() < 2:
        raise InputError(
            f"all lives of {component} on {family} are of one vehicle, which does not tell how "
            "vehicles differ: read them with part-life"
        )
    pairs = pair_positions(lives, places["ordinal"])
    told = _differences(lives, "told", pairs, places.height, clock)
    with_assumed = _differences(lives, "failed", pairs, places.height, clock)
    grid = drawing_grid(places, tuple(shapes[family]))
    positions = _positions(lives, places, grid, pairs, told, clock, level)
    levels, tests = _by_factor(positions, told, with_assumed, level)
    evidence = _evidence(lives, failures, names, component, clock)
    assumed = int(with_assumed.observed.sum() - told.observed.sum())
    left_out = [selection.left_out, unused.select("why", pl.col("count").cast(pl.Int64))]
    if assumed:
        why = "failed, but the order named no place: it ends a life and is no failure of the map"
        left_out.insert(0, pl.DataFrame({"why": [why], "count": [assumed]}))
    unit = store.distance_unit if clock == "distance" else "days"
    return PositionMap(
        component=component,
        title=title,
        engine_family=family,
        engine_title=str(families.filter(pl.col("code") == family)["title"][0]),
        clock=clock,
        unit=unit,
        per=PER[clock],
        level=level,
        view=view_in_words(places),
        rows=int(grid["row"].max()),  # type: ignore[arg-type]
        columns=int((grid["column"] + grid["column_span"] - 1).max()),  # type: ignore[arg-type]
        vehicles=told.clusters,
        failed_vehicles=told.failed_clusters,
        failures=int(told.observed.sum()),
        failures_assumed=assumed,
        tests=tests,
        levels=levels,
        positions=positions,
        evidence=evidence,
        left_out=pl.concat(left_out),
        summary=_summary(
            subject(title, family, {}, generation), told, assumed, tests, levels, positions,
            evidence, level,
        ),
    )  # fmt: skip


def _family(component: str, asked: str | None, names: pl.DataFrame, families: pl.DataFrame) -> str:
    carry = [
        code for code in families["code"].to_list() if code in set(names["engine_family"].to_list())
    ]
    if asked in carry or (asked is None and len(carry) == 1):
        return asked or str(carry[0])
    if not carry:
        raise InputError(
            f"the store has no vehicle that carries {component}: load the fleet list first"
        )
    said = "engines differ in their places" if asked is None else f"{asked!r} does not carry it"
    raise InputError(f"{said}: name one engine family that carries {component}, {listed(carry)}")


def _differences(
    lives: pl.DataFrame, failed: str, pairs: Pairs, positions: int, clock: str
) -> GroupDifferences:
    # At the same age a replacement has another rate than the part that the engine was built with.
    replaced = (lives["generation"] > 1).to_numpy().astype(np.intp)
    return group_differences(
        lives[f"exit_{clock}"].to_numpy(),
        lives[failed].to_numpy(),
        pairs.row,
        pairs.position,
        positions,
        entry=lives[f"entry_{clock}"].to_numpy(),
        cluster=lives["vehicle"].to_numpy(),
        stratum=replaced[pairs.row],
        everywhere=(np.arange(positions), np.zeros(positions, dtype=np.intp)),
    )


def _positions(
    lives: pl.DataFrame,
    places: pl.DataFrame,
    grid: pl.DataFrame,
    pairs: Pairs,
    told: GroupDifferences,
    clock: str,
    level: float,
) -> pl.DataFrame:
    number = places.height
    lived = (lives[f"exit_{clock}"] - lives[f"entry_{clock}"]).cast(pl.Float64).to_numpy()
    exposure = summed_by_position(pairs, lived, number)
    assumed = (lives["failed"] & lives["position_assumed"]).cast(pl.Float64).to_numpy()
    ratios = told.rate_ratios(level)
    known = exposure > 0
    spread = _spread_of_counts(lives, pairs, number)
    lower, upper = rate_interval(
        told.observed, np.where(known, exposure, 1.0), level=level, spread=spread
    )
    per = np.where(known, float(PER[clock]), np.nan)
    adjusted = benjamini_hochberg(ratios.p_value)
    clear = adjusted <= 1 - level
    more = told.observed > told.expected
    return (
        places.select("ordinal", "bank", "cylinder", "side", "slot")
        .cast({"ordinal": pl.Int64})
        .join(grid, on="ordinal", maintain_order="left")
        .with_columns(
            position=position_words(
                places.select(
                    "engine_family", "component", positions=pl.concat_list("ordinal")
                ),
                places,
            ),
            lives=pl.Series(
                summed_by_position(pairs, np.ones(lives.height), number)
            ).cast(pl.Int64),
            exposure=pl.Series(exposure),
            failures=pl.Series(told.observed).cast(pl.Int64),
            failures_assumed=pl.Series(summed_by_position(pairs, assumed, number)).cast(pl.Int64),
            expected=pl.Series(told.expected),
            rate=pl.Series(told.observed / np.where(known, exposure, 1.0) * per).fill_nan(None),
            rate_lower=pl.Series(lower * per).fill_nan(None),
            rate_upper=pl.Series(upper * per).fill_nan(None),
            residual=pl.Series(told.residual),
            ratio=_finite(ratios.ratio),
            ratio_lower=pl.Series(ratios.lower),
            ratio_upper=_finite(ratios.upper),
            p_value=pl.Series(ratios.p_value),
            p_adjusted=pl.Series(adjusted),
            finding=pl.Series(
                np.select(
                    [clear & more, clear & ~more], ["fails more", "fails less"],
                    "no clear difference",
                ).tolist()
            ),
            note=pl.Series([
                f"thin: {counted(seen, 'failure')}, {due:.1f} expected" if is_thin(seen) else ""
                for seen, due in zip(told.observed, told.expected, strict=True)
            ]),
        )
    )  # fmt: skip


def _finite(values: Any) -> pl.Series:
    """Turn what the data do not set (infinite or undefined) into nulls."""
    array = np.asarray(values, dtype=np.float64)
    return pl.Series(np.where(np.isfinite(array), array, np.nan)).fill_nan(None)


def _spread_of_counts(lives: pl.DataFrame, pairs: Pairs, number: int) -> NDArray[np.float64]:
    """Variance of each position's count over the count itself: one vehicle may fail there often."""
    failed = lives["told"].to_numpy()[pairs.row]
    vehicle = lives["vehicle"].to_numpy().astype(np.intp)[pairs.row][failed]
    cells, counts = np.unique(vehicle * number + pairs.position[failed], return_counts=True)
    square = np.bincount(cells % number, weights=counts.astype(np.float64) ** 2, minlength=number)
    total = np.bincount(cells % number, weights=counts, minlength=number)
    return np.where(total > 0, square / np.maximum(total, 1.0), 1.0)


def _by_factor(
    positions: pl.DataFrame,
    told: GroupDifferences,
    with_assumed: GroupDifferences,
    level: float,
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return the levels of each factor, and the tests of the factors and of all places."""
    levels, tests = [], []
    for factor in (*POSITION_FIELDS, "all places"):
        column = positions["ordinal" if factor == "all places" else factor]
        if column.n_unique() < 2 or column.null_count():
            continue
        into = column.rank("dense").to_numpy().astype(np.intp) - 1
        joined = told.joined(into)
        test = equal_rates_test(joined)
        tests.append(
            {
                "factor": factor,
                "levels": column.n_unique(),
                "chi_squared": test.pearson,
                "df": test.df,
                "spread": test.spread,
                "p_value": test.p_value,
                "p_value_one_by_one": test.chance_p_value,
                "p_value_with_assumed": equal_rates_test(with_assumed.joined(into)).p_value,
            }
        )
        if factor == "all places":
            continue
        ratios = joined.rate_ratios(level)
        values = column.unique().sort()
        levels.append(
            positions.group_by(pl.col(factor).alias("value"))
            .agg(positions=pl.len().cast(pl.Int64), exposure=pl.col("exposure").sum())
            .sort("value")
            .select(
                factor=pl.lit(factor),
                level=pl.Series([_level(factor, value) for value in values]),
                positions="positions",
                failures=pl.Series(np.rint(joined.observed)).cast(pl.Int64),
                expected=pl.Series(joined.expected),
                exposure="exposure",
                ratio=_finite(ratios.ratio),
                lower=pl.Series(ratios.lower),
                upper=_finite(ratios.upper),
                p_value=pl.Series(ratios.p_value),
            )
        )
    table = pl.DataFrame(tests)
    single = table["factor"] != "all places"
    adjusted = benjamini_hochberg(table.filter(single)["p_value"])
    return pl.concat(levels), table.with_columns(
        p_adjusted=pl.Series([*adjusted, None], dtype=pl.Float64)
    )


def _level(factor: str, value: Any) -> str:
    return {"side": f"{value}", "slot": f"no. {value}"}.get(factor, f"{factor} {value}")


def _evidence(
    lives: pl.DataFrame,
    failures: pl.DataFrame,
    names: pl.DataFrame,
    component: str,
    clock: str,
) -> pl.DataFrame:
    """Join the failures with the orders behind them."""
    key = pl.col("positions").list.first().alias("first")
    entered = lives.filter("failed").select("vin", "generation", key, "position_assumed")
    rows = (
        failures.drop("position_assumed")
        .with_columns(key, component=pl.lit(component))
        .join(entered, on=["vin", "generation", "first"], maintain_order="left")
    )
    rows = rows.with_columns(position=position_words(rows, names, assumed="position_assumed"))
    return rows.rename({f"exit_{clock}": "age"}).select(
        "vin", "unit_no", "shop", "ro_no", "opened_on", "age", "position", "parts",
        "failure_mode", "part_maker", "part_lot", "position_assumed",
    )  # fmt: skip


def _summary(
    about: str,
    told: GroupDifferences,
    assumed: int,
    tests: pl.DataFrame,
    levels: pl.DataFrame,
    positions: pl.DataFrame,
    evidence: pl.DataFrame,
    level: float,
) -> tuple[str, ...]:
    failures = int(told.observed.sum())
    count = (
        f"{about}: {counted(failures, 'failure')} at told places on {told.failed_clusters:,} of "
        f"{counted(told.clusters, 'vehicle')}, {positions.height} places."
    )
    if failures == 0:
        return (f"{count} None has failed at a told place, so nothing can be said of where.",)
    overall = tests.row(-1, named=True)
    allowed = 1 - level
    said = [_verdict(overall, allowed), count]
    worst = positions.sort("ratio_lower", "residual", descending=True).row(0, named=True)
    bad = positions.filter(pl.col("finding") == "fails more")
    if bad.height:
        orders = evidence.filter(
            ~pl.col("position_assumed")
            & pl.col("position").str.split("; ").list.contains(worst["position"])
        ).head(ORDERS_NAMED)  # fmt: skip
        behind = listed(f"{row['shop']} RO {row['ro_no']}" for row in orders.rows(named=True))
        said.insert(1, _worst_sentence(worst, behind, level))
        if bad.height > 1:
            said.append(
                f"{bad.height} of {positions.height} places fail more than the others (at most "
                f"{per_cent(allowed)} of such findings false)."
            )
    said += _factor_sentences(tests, levels, allowed)
    if assumed:
        said.append(_assumed_sentence(tests, assumed, failures, allowed))
    if is_thin(failures):
        said.append(f"Thin: only {counted(failures, 'failure')}, so only gross differences show.")
    return tuple(said)


def _verdict(overall: dict[str, Any], allowed: float) -> str:
    chance = _chance(overall["p_value"])
    if overall["p_value"] <= allowed:
        return (
            f"The places do not fail alike: alike ones would differ so much with a chance of "
            f"{chance}, failures of one vehicle taken together."
        )
    return (
        f"No sign that the places differ: alike ones would differ as much with a chance of "
        f"{chance}, failures of one vehicle taken together."
    )


def _worst_sentence(worst: dict[str, Any], behind: str, level: float) -> str:
    times = (
        "" if worst["ratio"] is None else f", {worst['ratio']:.1f} times as often as at the others"
    )
    limits = between((worst["ratio_lower"], worst["ratio_upper"]))
    return (
        f"Worst: {worst['position']}, {counted(worst['failures'], 'failure')} where "
        f"{worst['expected']:.1f} were expected at those ages{times} ({limits}, at "
        f"{100 * level:g} %){'; latest: ' + behind if behind else ''}."
    )


def _factor_sentences(tests: pl.DataFrame, levels: pl.DataFrame, allowed: float) -> list[str]:
    said, alike = [], []
    for test in tests.filter(pl.col("factor") != "all places").rows(named=True):
        if test["p_adjusted"] > allowed:
            alike.append(f"{test['factor']} ({_chance(test['p_value'])})")
            continue
        of = levels.filter(pl.col("factor") == test["factor"])
        top = of.sort("lower", "failures", descending=True).row(0, named=True)
        other = "the other" if of.height == 2 else "the others"
        times = "" if top["ratio"] is None else f" {top['ratio']:.1f} times as often as {other}"
        said.append(
            f"By {test['factor']}: {top['level']} fails{times or ' where ' + other + ' did not'} "
            f"at the same ages ({between((top['lower'], top['upper']))}; "
            f"{counted(top['failures'], 'failure')}, {top['expected']:.1f} expected)."
        )
    if alike:
        said.append(f"No clear difference by {listed(alike)}; the chance stands in brackets.")
    return said


def _assumed_sentence(tests: pl.DataFrame, assumed: int, failures: int, allowed: float) -> str:
    share = per_cent(assumed / (assumed + failures))
    said = (
        f"{counted(assumed, 'more failure')} ({share} of all) named no place and "
        f"{'is' if assumed == 1 else 'are'} left out of the map, so rates are that much too low"
    )
    moved = tests.filter(
        (pl.col("p_value") <= allowed) != (pl.col("p_value_with_assumed") <= allowed)
    )["factor"].to_list()
    if moved:
        return (
            f"{said}; at the places that they were given by assumption they would turn the answer "
            f"for {listed(moved)}, so read that with care."
        )
    return f"{said}; at the places that they were given by assumption the answers are the same."


def _chance(p_value: float) -> str:
    return "less than 1 in 10,000" if p_value < 1e-4 else per_cent(p_value)
