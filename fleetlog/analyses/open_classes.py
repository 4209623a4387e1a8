"""Parts behind open covers in classes of one kind and age, and the weighing of their renewal."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from fleetlog.analyses.open_engine import OpenEngine
from fleetlog.analyses.opening_prices import Prices
from fleetlog.analyses.part_chances import Chances, Drawn, place_words
from fleetlog.settings import REPLACE_DRAWS
from fleetlog.stats import JointRenewal, OpenParts, expected_cost, open_parts, renew_together


def classes_of(
    engine: OpenEngine,
    chances: Mapping[str, Chances | str],
    prices: Prices,
    rules: pl.DataFrame,
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Group the parts behind the open covers into classes of one component, life and age.

    Returns
    -------
    The classes, with ``place`` (one whose fit holds), ``positions``, ``due`` (past an interval)
    and ``note``; and what is left out.
    """
    unknown = {code: why for code, why in chances.items() if isinstance(why, str)}
    lived = {code: found for code, found in chances.items() if isinstance(found, Chances)}
    fits = pl.DataFrame(
        [
            {"component": code, "place": place, "later": later, "life": note}
            for code, found in lived.items()
            for (place, later), note in found.notes.items()
        ],
        schema={
            "component": pl.String, "place": pl.String, "later": pl.Boolean, "life": pl.String,
        },
    )  # fmt: skip
    new = fits.filter("later").select("component", "place", new_life="life")
    why = unknown | {code: why for code, why in prices.unpriced.items() if code not in unknown}
    parts = (
        engine.parts.filter("open")
        .with_columns(place=place_words(), later=pl.col("generation") > 1)
        .join(fits, on=["component", "place", "later"], how="left", maintain_order="left")
        .join(new, on=["component", "place"], how="left", maintain_order="left")
        .join(rules, on="component", how="left", maintain_order="left")
        .with_columns(
            why=pl.coalesce(
                pl.col("component").replace_strict(why, default=None, return_dtype=pl.String),
                pl.when(pl.col("life").is_null() | pl.col("new_life").is_null()).then(
                    pl.lit("no failure seen yet at those places")
                ),
            ),
            due=~pl.col("renewed")
            & pl.any_horizontal(
                pl.col("age") >= pl.col("every_distance"),
                pl.col("age_days") >= pl.col("every_days"),
            ).fill_null(value=False),
        )
    )
    alike = ["component", "title", "safety_critical", "life", "new_life", "age", "generation",
             "renewed", "due", "every_distance", "every_days", "origin"]  # fmt: skip
    classes = (
        parts.filter(pl.col("why").is_null())
        .group_by(*alike, maintain_order=True)
        .agg(
            positions=pl.col("ordinal"),
            count=pl.len(),
            place=pl.col("place").first(),
            age_assumed=pl.col("age_assumed").any(),
            position_assumed=pl.col("position_assumed").any(),
        )
        .join(prices.table, on="component", how="left", maintain_order="left")
    )
    past = pl.when("due").then(
        pl.format("; past its {} interval: replace now", pl.col("origin"))
    ).otherwise(
        pl.when("safety_critical").then(pl.lit("; safety-critical: by its interval, never run to "
                                               "failure")).otherwise(pl.lit(""))
    )  # fmt: skip
    left_out = (
        parts.filter(pl.col("why").is_not_null())
        .with_columns(why=pl.concat_str("why", past))
        .group_by("component", "title", "why", maintain_order=True)
        .agg(parts=pl.len().cast(pl.Int64))
        .select("component", "title", "parts", "why")
    )
    return classes, left_out


@dataclass(frozen=True)
class Weighed:
    """The choice, at the fitted values and in each draw; arrays (classes,) or (draws, classes)."""

    plain: Drawn
    chance: Drawn
    new_chance: Drawn
    drawn_chance: Drawn
    point: OpenParts
    drawn: OpenParts
    joint: JointRenewal
    forced: NDArray[np.bool_]
    level: float

    def limits(self, values: Drawn) -> tuple[float, float]:
        """Return limits of what the draws say."""
        tail = (1 - self.level) / 2
        lower, upper = np.quantile(values, [tail, 1 - tail], method="inverted_cdf")
        return float(lower), float(upper)

    def drawn_saving(self, renewed: NDArray[np.bool_], instead: NDArray[np.bool_]) -> Drawn:
        """Return what renewing one set costs less than renewing the other, in each draw."""
        return expected_cost(self.drawn, instead) - expected_cost(self.drawn, renewed)

    def limits_of(self, renewed: NDArray[np.bool_]) -> tuple[float, float]:
        """Limits of what a set saves over renewing only what must be."""
        return self.limits(self.drawn_saving(renewed, self.forced))


def weigh(
    classes: pl.DataFrame,
    chances: Mapping[str, Chances | str],
    horizon: float,
    periods: int,
    level: float,
) -> Weighed:
    """Choose the classes to renew by their fitted chances, and draw what those leave uncertain."""
    draws = int(REPLACE_DRAWS.value)
    plain = np.empty(classes.height)
    left, new = np.empty((2, periods, classes.height))
    drawn_left, drawn_new = np.empty((2, draws, periods, classes.height))
    for j, row in enumerate(classes.rows(named=True)):
        found = chances[row["component"]]
        assert isinstance(found, Chances)
        place, later, age = row["place"], row["generation"] > 1, float(row["age"])
        if row["renewed"]:
            # New in every set, at no further cost: it may still open the engine again.
            later, age = True, 0.0
        # Draws of one fit, and of one ratio, are the same for all classes that they stand for.
        seeds = {
            life: 1000 * number for number, life in enumerate(dict.fromkeys(found.notes.values()))
        }
        begin = 10 * list(chances).index(row["component"])
        for life, known, drawn, built, begun in (
            (found.notes[place, later], left, drawn_left, later, age),
            (row["new_life"], new, drawn_new, True, 0.0),
        ):
            known[:, j] = found.chance(place, built, begun, horizon, periods=periods)
            drawn[:, :, j] = found.chance(
                place, built, begun, horizon, periods=periods, draws=draws,
                seed=begin + seeds[life], neighbour_seed=begin + 1,
            )  # fmt: skip
        plain[j] = found.chance(place, later, age, horizon, plain=True)[0]

    def of(chance_left: Drawn, chance_new: Drawn) -> OpenParts:
        return open_parts(
            count=classes["count"].to_numpy(), chance_left=chance_left, chance_new=chance_new,
            cost_now=classes["cost_now"].to_numpy(),
            cost_later=classes["cost_later"].to_numpy(), opening=classes["opening"].to_numpy(),
        )  # fmt: skip

    forced = classes["due"].to_numpy()
    point = of(left, new)
    return Weighed(
        plain, left.sum(axis=0), new.sum(axis=0), drawn_left.sum(axis=1), point,
        of(drawn_left, drawn_new), renew_together(point, always=forced), forced, level,
    )  # fmt: skip
