"""Words that the analyses share: positions, numbers and sample sizes as people say them."""

from collections.abc import Iterable

import polars as pl

from fleetlog.settings import THIN_FAILURES

FEW_REPAIRS = 30
"""Below this many repairs a rate moves by several points with one comeback (our rule of thumb)."""

TECHNICIANS_HIDDEN = (
    "Technicians are not named: this store does not show their names (fleetlog technicians "
    "--show-names changes that)."
)
"""Stands wherever an answer would else say who did a job."""


def number(value: float, unit: str = "") -> str:
    """Return a number with thousands separators and three figures at least, and its unit."""
    text = f"{value:,.0f}" if abs(value) >= 100 else f"{value:.3g}"
    return f"{text} {unit}".strip()


def per_cent(share: float) -> str:
    """Return a share as a percentage: one decimal below ten per cent."""
    return f"{100 * share:.1f} %" if abs(share) < 0.1 else f"{100 * share:.0f} %"


def counted(count: float, one: str, many: str | None = None) -> str:
    """Return "1 failure", "2 failures"."""
    return f"{count:,.0f} {one if count == 1 else many or one + 's'}"


def between(limits: tuple[float | None, float | None] | None, unit: str = "") -> str:
    """Return limits as "12 to 34 mi"; an open end is said in words."""
    if limits is None:
        return "no limits"
    lower, upper = limits
    if lower is None and upper is None:
        return "no limits"
    if lower is None:
        return f"up to {number(upper or 0.0, unit)}"
    if upper is None:
        return f"from {number(lower, unit)} up, with no upper limit yet"
    return f"{number(lower)} to {number(upper, unit)}"


def between_shares(limits: tuple[float, float] | None) -> str:
    """Return limits of a share as "4.0 % to 21 %"."""
    if limits is None:
        return "no limits"
    return f"{per_cent(limits[0])} to {per_cent(limits[1])}"


def is_thin(failures: float) -> bool:
    """Tell whether so few failures call for a warning in words."""
    return failures < THIN_FAILURES.value


def listed(words: Iterable[str]) -> str:
    """Return "a, b and c"."""
    items = list(words)
    if len(items) < 2:
        return "".join(items)
    return f"{', '.join(items[:-1])} and {items[-1]}"


def place_words(columns: Iterable[str]) -> pl.Expr:
    """Say a place in an engine or on an axle by some of its columns: "bank 2, exhaust"."""
    words = {
        "bank": pl.format("bank {}", pl.col("bank")),
        "cylinder": pl.format("cylinder {}", pl.col("cylinder")),
        "side": pl.col("side"),
        "slot": pl.format("no. {}", pl.col("slot")),
    }
    return pl.concat_str([words[column] for column in columns], separator=", ", ignore_nulls=True)


def position_words(
    places: pl.DataFrame, position_names: pl.DataFrame, assumed: str | None = None
) -> pl.Series:
    """Say the positions of each row in words.

    Parameters
    ----------
    places : with ``engine_family``, ``component`` and ``positions``, lists of ordinals.
    position_names : the table ``component_position`` of those components.
    assumed : the boolean column of ``places`` that marks a position as assumed, if any.

    Returns
    -------
    One text a row, in the order of ``places``: "all 32" for every position of a component,
    else "bank 2, cylinder 7, exhaust, no. 1; ..."; empty where there is but one position.
    """
    text = place_words(("bank", "cylinder", "side", "slot"))
    named = position_names.with_columns(words=text).with_columns(
        of=pl.len().over("engine_family", "component")
    )
    keys = ["engine_family", "component", "ordinal"]
    rows = places.with_row_index("row").select(
        "row", "engine_family", "component", ordinal="positions"
    )
    said = (
        rows.explode("ordinal", empty_as_null=True)
        .join(named.select(*keys, "words", "of"), on=keys, how="left", maintain_order="left")
        .group_by("row", maintain_order=True)
        .agg(
            pl.len().alias("count"),
            pl.col("of").first(),
            pl.col("words").str.join("; ").alias("words"),
        )
        .sort("row")
        .select(
            pl.when(pl.col("of") == 1)
            .then(pl.lit(""))
            .when(pl.col("count") == pl.col("of"))
            .then(pl.format("all {}", pl.col("of")))
            .otherwise(pl.col("words").fill_null(""))
            .alias("positions")
        )["positions"]
    )
    if assumed is None:
        return said
    return pl.select(
        pl.when(places[assumed] & (said != ""))
        .then(pl.format("{} (assumed)", said))
        .otherwise(said)
        .alias("positions")
    )["positions"]
