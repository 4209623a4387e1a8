"""How likely the parts behind a cover are to fail soon, by age and a neighbour's failure."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, cast

import numpy as np
import polars as pl
from numpy.typing import NDArray

from fleetlog.analyses.wording import counted, is_thin
from fleetlog.errors import NoInteriorMaximum
from fleetlog.settings import LEVEL, NEIGHBOUR_SPREAD, THIN_FAILURES
from fleetlog.stats import (
    HazardRatio,
    Life,
    LifeFit,
    compare_life_models,
    fit_life,
    hazard_ratio,
    log_rank,
    split_lives,
)
from fleetlog.stats.life_models import ModelName
from fleetlog.stats.model_choice import ENOUGH_FAILURES

MODELS: tuple[ModelName, ...] = ("weibull", "lognormal", "loglogistic", "gamma")
# Models whose criteria differ by less are as good (Burnham and Anderson 2002, section 2.6).
NO_WORSE = 2.0
# Groups are fitted apart where they differ so surely.
APART_BELOW = 0.05
Drawn = NDArray[np.float64]
SCHEMA = {
    "vehicle": pl.Int64, "ordinal": pl.Int64, "place": pl.String, "later": pl.Boolean,
    "entry": pl.Float64, "exit": pl.Float64, "failed": pl.Boolean, "cut": pl.Float64,
    "assumed": pl.Boolean, "led": pl.Float64, "ended_ro": pl.Int64, "first_ro": pl.Int64,
}  # fmt: skip


@dataclass(frozen=True)
class Fleet:
    """What the fleet says of the parts behind one cover: see ``together_vehicles.sql``.

    ``vehicles`` has one row a vehicle; ``lives`` the stored lives, position by position;
    ``places`` the positions, with ``place``, the words by which positions are fitted apart.
    """

    vehicles: pl.DataFrame
    lives: pl.DataFrame
    places: pl.DataFrame


@dataclass(frozen=True)
class Neighbour:
    """What a failure beside it does to a component.

    ``found`` is the ratio of hazards as estimated, None where it has none; ``log_ratio`` and
    ``log_std_err`` what is reckoned with: drawn to 1, or 0 and 0 where the data are too thin.
    """

    found: HazardRatio | None
    log_ratio: float
    log_std_err: float
    used: bool
    why: str

    def draws(self, size: int, seed: int) -> Drawn:
        """Ratios drawn from what is known of it."""
        normal = np.random.default_rng(seed).standard_normal(size)
        return np.exp(self.log_ratio + self.log_std_err * normal)


@dataclass(frozen=True)
class FittedLife:
    """A fitted life; of ages in ``unit`` raised to ``power`` where the shape was held."""

    fit: LifeFit
    power: float = 1.0
    unit: float = 1.0

    def cumulative_hazard(self, ages: Drawn, draws: int = 0, seed: int = 0) -> Drawn:
        """Cumulative hazards at ages (k,), or (k, draws) of drawn lives."""
        life: Life = self.fit.draws(draws, seed=seed) if draws else self.fit.life
        scaled = (np.asarray(ages)[:, None] / self.unit) ** self.power
        return np.asarray(life.cumulative_hazard(scaled))


@dataclass(frozen=True)
class Chances:
    """Lives of one component, by place and generation, and what a neighbour's failure adds.

    ``fits`` by (place, later); ``notes`` what they rest on, by the same; ``oldest`` the greatest
    age seen; ``failures`` and ``lives`` counts; ``evidence`` the failures that came after one of
    a neighbour (``vehicle``, ``ordinal``, ``ended_ro``, ``first_ro``).
    """

    component: str
    fits: dict[tuple[str, bool], FittedLife]
    notes: dict[tuple[str, bool], str]
    neighbour: Neighbour
    failures: int
    lives: int
    vehicles: int
    oldest: float
    evidence: pl.DataFrame
    left_out: int

    def chance(
        self,
        place: str,
        later: bool,
        age: float,
        horizon: float,
        *,
        periods: int = 1,
        draws: int = 0,
        seed: int = 0,
        neighbour_seed: int = 1,
        plain: bool = False,
    ) -> Drawn:
        """Chance of failing in each of the equal periods up to the horizon.

        Returns
        -------
        (periods,), or (draws, periods) where so many draws are asked for; ``plain`` leaves the
        neighbour's failure out.
        """
        ratio: float | Drawn = float(np.exp(0.0 if plain else self.neighbour.log_ratio))
        if draws and not plain:
            ratio = self.neighbour.draws(draws, neighbour_seed)
        edges = age + np.linspace(0.0, horizon, periods + 1)
        with np.errstate(all="ignore"):
            hazards = self.fits[place, later].cumulative_hazard(edges, draws, seed)
            survival = np.exp(-ratio * (hazards - hazards[0]))
        # A draw that no number holds says as little as a coin.
        survival = np.where(
            np.isfinite(survival), survival, np.linspace(1, 0.5, periods + 1)[:, None]
        )
        chance = np.clip(-np.diff(survival, axis=0), 0.0, 1.0).T
        return chance if draws else chance[0]


def place_words() -> pl.Expr:
    """Words for the places that parts are told apart by: bank and side, or corner."""
    return pl.concat_str(
        pl.format("bank {}", pl.col("bank")),
        pl.col("side"),
        pl.when(pl.col("position_rule") == "per-axle-end").then(pl.format("axle {}", "slot")),
        separator=", ",
        ignore_nulls=True,
    )


def chances_of(component: str, fleet: Fleet, failed: tuple[str, ...]) -> Chances | str:
    """Estimate the lives of a component and what the failure of ``failed`` beside it does to them.

    Of several parts that one order found failed, one was the first and no neighbour of it had
    failed yet; the others were found because it had. Which it was, no record says: each counts as
    the first by an equal share, and otherwise as good up to then.

    Returns
    -------
    The chances, or why there are none: "no failure seen yet among so many lives".
    """
    places = fleet.places.filter(pl.col("component") == component)
    touched = _touched(component, fleet, places, among=component in failed)
    plain = fleet.vehicles.join(touched.select("vehicle").unique(), on="vehicle", how="anti")
    plain = plain.filter(pl.col("exit") > pl.col("entry")).with_columns(
        cut=(pl.col("first_distance") - pl.col("start_distance")).cast(pl.Float64)
    )
    lengthless = int((touched["exit"] <= touched["entry"]).sum())
    touched = touched.filter(pl.col("exit") > pl.col("entry"))
    assumed = touched.filter("assumed"), plain.filter("generation_assumed")
    sure = touched.filter(~pl.col("assumed"))
    left_out = lengthless
    if not is_thin(int(sure["failed"].sum())):
        left_out += assumed[0].height + assumed[1].height * places.height
        touched, plain = sure, plain.filter(~pl.col("generation_assumed"))
    lives = touched.height + plain.height * places.height
    if not touched["failed"].any():
        return f"no failure seen yet among {counted(lives, 'life', 'lives')}"
    by_share = _by_share(touched)
    neighbour, before = _neighbour(by_share, plain, places)
    sizes = places.group_by("place").len("weight")
    spread = plain.join(sizes, how="cross").select(
        "vehicle", "place", pl.lit(value=False).alias("later"),
        pl.col("entry").cast(pl.Float64), pl.col("exit").cast(pl.Float64),
        pl.lit(value=False).alias("failed"), "cut", pl.col("weight").cast(pl.Float64),
    )  # fmt: skip
    both = pl.concat(
        [
            by_share.select(spread.columns)
            if before
            else touched.select(*spread.columns[:-1], pl.lit(1.0).alias("weight")),
            spread,
        ]
    )
    if before:
        both = _until_cut(both)
    fits, notes = _fits(both, sizes["place"])
    if not fits:
        return f"{counted(int(touched['failed'].sum()), 'failure')}, which bear no fit"
    after = touched.filter(pl.col("failed") & (pl.col("cut") < pl.col("exit")))
    return Chances(
        component=component,
        fits=fits,
        notes=notes,
        neighbour=neighbour,
        failures=int(touched["failed"].sum()),
        lives=lives,
        vehicles=int(touched["vehicle"].n_unique() + plain.height),
        oldest=float(both["exit"].max()),  # type: ignore[arg-type]
        evidence=after.select("vehicle", "ordinal", "ended_ro", "first_ro"),
        left_out=left_out,
    )


def _touched(component: str, fleet: Fleet, places: pl.DataFrame, *, among: bool) -> pl.DataFrame:
    """Return the stored lives of a component, each with the age at which a neighbour first failed.

    ``led`` is the share by which a failure counts as the first of those that its order found;
    ``among`` tells whether the component is one of those whose failures are looked at.
    """
    own_first = (pl.col("first_component") == component) & (
        pl.col("first_ordinal") == pl.col("ordinal")
    )
    first_ro = pl.when(own_first).then("second_ro").otherwise("first_ro")
    together = pl.col("failed") & (pl.col("ended_ro") == first_ro)
    found = pl.col("found_with_first") + (0 if among else 1)
    beside = pl.when(own_first).then("second_distance").otherwise("first_distance")
    return (
        fleet.lives.filter(pl.col("component") == component)
        .join(fleet.vehicles.drop("entry", "exit", "generation_assumed"), on="vin")
        .join(places.select("ordinal", "place"), on="ordinal")
        .select(
            "vehicle", "ordinal", "place",
            (pl.col("generation") > 1).alias("later"),
            pl.col("entry").cast(pl.Float64), pl.col("exit").cast(pl.Float64), "failed",
            (beside - pl.col("fitted_distance")).cast(pl.Float64).alias("cut"),
            (pl.col("generation_assumed") & (pl.col("generation") == 1)).alias("assumed"),
            pl.when(together).then(1 / found).otherwise(1.0).fill_null(1.0).alias("led"),
            "ended_ro",
            first_ro.alias("first_ro"),
        )
        .cast(SCHEMA)  # type: ignore[arg-type]
    )  # fmt: skip


def _by_share(touched: pl.DataFrame) -> pl.DataFrame:
    """Split failures that one order found together into the share that led, and the rest."""
    rest = touched.filter(pl.col("led") < 1)
    return pl.concat(
        [
            touched.with_columns(weight="led"),
            rest.with_columns(failed=pl.lit(value=False), weight=1 - pl.col("led")),
        ]
    )


def _neighbour(
    touched: pl.DataFrame, plain: pl.DataFrame, places: pl.DataFrame
) -> tuple[Neighbour, bool]:
    """Estimate the ratio of hazards after a neighbour's failure, at the same position and age.

    Lives are compared with those at their own position, as built and renewed apart: positions
    that fail early are also the ones that fail first.
    """
    lives = pl.concat(
        [
            touched.select(
                "vehicle", "entry", "exit", "failed", "cut", "weight",
                stratum=2 * pl.col("ordinal") + pl.col("later").cast(pl.Int64),
            ),
            # What no line touched is alike at every position: one row stands for all of them.
            plain.select(
                "vehicle", pl.col("entry").cast(pl.Float64), pl.col("exit").cast(pl.Float64),
                pl.lit(value=False).alias("failed"), "cut", pl.lit(1.0).alias("weight"),
                pl.lit(-1, dtype=pl.Int64).alias("stratum"),
            ),
        ]
    )  # fmt: skip
    pieces = split_lives(
        lives["exit"].to_numpy(), lives["failed"].to_numpy(),
        lives["cut"].fill_null(float("nan")).to_numpy(), entry=lives["entry"].to_numpy(),
    )  # fmt: skip
    weight, vehicle = (lives[name].to_numpy()[pieces.row] for name in ("weight", "vehicle"))
    seen = float(weight[pieces.event & pieces.after].sum())
    others = float(weight[pieces.event & ~pieces.after].sum())
    found = None
    if lives["vehicle"].n_unique() > 1:
        try:
            found = hazard_ratio(
                pieces.exit, pieces.event, pieces.after, entry=pieces.entry, weight=weight,
                stratum=lives["stratum"].to_numpy()[pieces.row],
                common=2 * places["ordinal"].to_numpy(), cluster=vehicle, level=LEVEL.value,
            )  # fmt: skip
        except NoInteriorMaximum:
            found = None
    counts = (
        f"{counted(round(seen), 'failure')} after one of a neighbour, "
        f"{others:,.0f} with none before"
    )
    if found is None or is_thin(seen) or is_thin(others) or found.log_std_err == 0:
        return Neighbour(found, 0.0, 0.0, used=False, why=f"thin: {counts}"), False
    kept = NEIGHBOUR_SPREAD.value**2
    shrunk = kept / (kept + found.log_std_err**2)
    return (
        Neighbour(
            found,
            shrunk * float(np.log(found.ratio)),
            float(np.sqrt(shrunk)) * found.log_std_err,
            used=True,
            why=counts,
        ),
        True,
    )


def _until_cut(lives: pl.DataFrame) -> pl.DataFrame:
    """Return lives as far as no neighbour had failed: what the ratio is a ratio to."""
    ended = pl.col("cut").is_not_null() & (pl.col("cut") < pl.col("exit"))
    return lives.with_columns(
        failed=pl.col("failed") & ~ended,
        exit=pl.when(ended).then("cut").otherwise("exit"),
    ).filter(pl.col("exit") > pl.col("entry"))


def _fits(
    lives: pl.DataFrame, places: Iterable[str]
) -> tuple[dict[tuple[str, bool], FittedLife], dict[tuple[str, bool], str]]:
    """Fit places apart where they differ and have failures enough, and generations within them."""
    fits: dict[tuple[str, bool], FittedLife] = {}
    notes: dict[tuple[str, bool], str] = {}
    names = list(places)
    shape = None
    if not is_thin(float((lives["weight"] * lives["failed"]).sum())):
        shape = _weibull_shape(lives)
    for group in _apart(lives, "place", names):
        mine = lives.filter(pl.col("place").is_in(group))
        where = "" if len(group) == len(names) else f"{'; '.join(group)}: "
        for generations in _apart(mine, "later", [False, True], all_alone=True):
            some = mine.filter(pl.col("later").is_in(generations))
            fit, note = _fit(some, shape)
            if fit is None:
                continue
            built = {(False,): "as built, ", (True,): "replacements, "}
            for place in group:
                for later in generations:
                    fits[place, later] = fit
                    notes[place, later] = f"{where}{built.get(tuple(generations), '')}{note}"
    return fits, notes


def _weibull_shape(lives: pl.DataFrame) -> float | None:
    """Return the shape of a Weibull life of all places together, where they bear one."""
    try:
        fit = fit_life(
            lives["exit"].to_numpy(), lives["failed"].to_numpy(), entry=lives["entry"].to_numpy(),
            weight=lives["weight"].to_numpy(),
        )  # fmt: skip
    except NoInteriorMaximum:
        return None
    return fit.parameters["shape"]


def _apart(
    lives: pl.DataFrame, column: str, values: list[Any], *, all_alone: bool = False
) -> list[list[Any]]:
    """Group the values of a column: those with failures enough alone, if they differ at all.

    The others are one group; with ``all_alone`` there must be none.
    """
    failures = dict(lives.group_by(column).agg((pl.col("failed") * pl.col("weight")).sum()).rows())
    alone = [value for value in values if failures.get(value, 0) >= THIN_FAILURES.value]
    rest = [value for value in values if value not in alone]
    if len(alone) + bool(rest) < 2 or not alone or (rest and all_alone):
        return [values]
    label = {value: place for place, group in enumerate([*([one] for one in alone), rest])
             for value in group}  # fmt: skip
    known = lives.with_columns(group=pl.col(column).replace_strict(label, return_dtype=pl.Int64))
    if known["group"].n_unique() < 2:
        return [values]
    test = log_rank(
        known["exit"].to_numpy(), known["failed"].to_numpy(), known["group"].to_numpy(),
        entry=known["entry"].to_numpy(), weight=known["weight"].to_numpy(),
        cluster=known["vehicle"].to_numpy() if known["vehicle"].n_unique() > 1 else None,
    )  # fmt: skip
    if not test.p_value < APART_BELOW:
        return [values]
    return [*([one] for one in alone), *([rest] if rest else [])]


def _fit(lives: pl.DataFrame, shape: float | None) -> tuple[FittedLife | None, str]:
    """Fit a life, its error clustered by vehicle: a Weibull, if no other is clearly better.

    Where failures are few, the shape is that of all places of the component (``shape``), and the
    scale alone their own: Nelson 1985, Journal of Quality Technology 17(3).
    """
    failures = round(float((lives["weight"] * lives["failed"]).sum()))
    thin = ", thin" if is_thin(failures) else ""
    words = f"from {counted(failures, 'failure')}{thin}"
    arrays = {name: lives[name].to_numpy() for name in ("exit", "entry", "weight")} | {
        "event": lives["failed"].to_numpy()
    }
    if not arrays["event"].any():
        return None, "no fit"
    if thin and shape is not None:
        # Ages to the power of the shape fail at a constant rate; in units of the oldest, so that
        # no power leaves the range of numbers.
        unit = float(arrays["exit"].max())
        aged = {name: (arrays[name] / unit) ** shape for name in ("exit", "entry")}
        constant = fit_life(**(arrays | aged), model="exponential")
        return FittedLife(constant, shape, unit), f"weibull of the shape {shape:.1f} {words}"
    model: ModelName = "weibull"
    if failures >= ENOUGH_FAILURES:
        table = compare_life_models(**arrays, models=MODELS)
        weibull = table.table.filter(pl.col("model") == "weibull")["difference"][0]
        if table.best is not None and (weibull is None or weibull > NO_WORSE):
            model = cast(ModelName, table.best)
    # Errors clustered over a handful of failures come out far too small.
    clustered = not thin and lives["vehicle"].n_unique() > 1
    cluster = lives["vehicle"].to_numpy() if clustered else None
    tries: tuple[ModelName, ...] = (model, "exponential") if failures > 1 else ("exponential",)
    for tried in tries:
        try:
            return FittedLife(fit_life(**arrays, model=tried, cluster=cluster)), f"{tried} {words}"
        except NoInteriorMaximum:
            continue
    return None, "no fit"
