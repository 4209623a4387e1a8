"""The cells that repeat failures are looked for in: counted once, grouped in every way that counts.

Counting is one query over all components and families; what comes out of it is small, whatever
the fleet, and every grouping of it is a sum.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import duckdb
import polars as pl

from fleetlog.analyses.wording import place_words
from fleetlog.sql import read_sql

AGE_EDGES = (
    0, 1_000, 2_000, 5_000, 10_000, 15_000, 20_000, 25_000, 30_000, 40_000, 50_000, 60_000, 70_000,
    80_000, 90_000, 100_000, 120_000, 140_000, 160_000, 180_000, 200_000, 250_000, 300_000,
)  # fmt: skip
"""Lower ends of the age bands within which rates are compared, in the store's unit: narrow where
new parts fail, then about a tenth of the age (our choice, no source)."""

REACH_EDGES = (0, 5_000, 25_000, 50_000, 100_000, 150_000, 200_000)
"""Lower ends of the mileage bands that are looked at as cells; each is an edge above too."""

POSITION_GROUPINGS = (
    ("bank",), ("side",), ("slot",), ("bank", "side"), ("cylinder",), ("side", "slot"),
    ("cylinder", "side"), ("cylinder", "side", "slot"),
)  # fmt: skip
"""The ways in which positions are looked at together, the widest first."""

WIDE_GROUPINGS = 5
"""So many of them, from the first, are crossed with depots, lots, years and mileage bands too:
narrower places are looked at by themselves, since each look makes all the others harder."""

LEAST_VEHICLES = 5
"""A cell of fewer vehicles bears no pattern (our rule of thumb)."""

LEAST_FAILED_VEHICLES = 3
"""Nor does one in which fewer than these have failed (our rule of thumb)."""

LEAST_RATIO = 1.25
"""Nor is one worth a foreman's walk that fails less than this many times as often as its like: in
a large fleet the least difference is beyond chance, such as that within an age band (our rule of
thumb)."""

ASSUMED_FROM = 2
"""Parts that were on their vehicle when it came under watch have this or more as ``begun``."""

REST_OF_FAMILY = "the rest of the engine family"
OTHER_FAMILIES = "the other engine families"
REST_OF_FLEET = "the rest of the fleet"


@dataclass(frozen=True)
class Kind:
    """One way to cut the records into cells, and what each cell is held against.

    ``dims`` are the columns that name a cell besides its component. Cells are compared within
    strata of equal history and age; across the fleet, within engine families too.
    """

    dims: tuple[str, ...]
    against: str

    @property
    def pool(self) -> tuple[str, ...]:
        """Columns that name what the cell is a part of."""
        own = ("engine_family",) if self.against == REST_OF_FAMILY else ()
        mode = ("failure_mode",) if "failure_mode" in self.dims else ()
        return ("component", *own, *mode)

    @property
    def strata(self) -> tuple[str, ...]:
        """Columns within which cell and rest are compared.

        Positions of the same vehicles share their history but for what the positions themselves
        did, so where a cell is cut by nothing else, age alone makes them alike.
        """
        family = ("engine_family",) if self.against == REST_OF_FLEET else ()
        same_vehicles = "place" in self.dims and not self._crossed - {"reach"}
        begun = () if same_vehicles else ("begun",)
        return (*family, *begun, "band", "known")

    @property
    def _crossed(self) -> set[str]:
        return set(self.dims) - {"engine_family", "place", "failure_mode"}

    @property
    def wide_places_only(self) -> bool:
        """Whether places are crossed with something else: then the narrow ones are left out."""
        return bool(self._crossed)


def _kinds() -> tuple[Kind, ...]:
    family = "engine_family"
    alone = ("place", "part_lot", "part_maker", "depot", "model_year")
    found = [Kind((family,), OTHER_FAMILIES), Kind((family, "failure_mode"), OTHER_FAMILIES)]
    found += [Kind((family, "reach"), OTHER_FAMILIES)]
    for column in alone:
        found += [Kind((family, column, *more), REST_OF_FAMILY) for more in _MODE_OR_REACH]
    for column in alone[1:]:
        found += [Kind((column, *more), REST_OF_FLEET) for more in _MODE_OR_REACH]
    pairs = [(one, two) for index, one in enumerate(alone) for two in alone[index + 1 :]]
    # A lot has one maker: the two together are the lot.
    pairs.remove(("part_lot", "part_maker"))
    return (*found, *(Kind((family, *pair), REST_OF_FAMILY) for pair in pairs))


_MODE_OR_REACH = ((), ("failure_mode",), ("reach",))
KINDS = _kinds()
"""Every way of cutting that is looked at: up to two columns beside the engine family."""

CELL_COLUMNS = {
    **dict.fromkeys(
        ("engine_family", "place", "failure_mode", "part_maker", "part_lot", "depot"),
        pl.Categorical(),
    ),
    "model_year": pl.Int16(),
    "reach": pl.Int64(),
}
"""All columns that may name a cell; null in a cell means that it is not cut by that one."""

MADE_BY = ("engine_family", "part_maker", "part_lot", "depot", "model_year")
"""Those of them that are the same for all of a part's life and all of its vehicle's places."""

NOT_STATED = "not stated"
ROUNDING = 1e-9


@dataclass(frozen=True)
class Counts:
    """What all cells are summed from.

    Attributes
    ----------
    exposure : per component, engine family, ``key`` (the positions that share a history),
        ``begun``, model year, depot, maker, lot, ``band`` and ``reach`` (the wider mileage band):
        ``driven`` and ``lives``, of one position, and ``parts``, how many positions there are.
        ``known`` numbers what is a stratum apart because something is known of it; 0 at first.
    failures : one row per failed part (``ordinal``), by the same columns, with ``failure_mode``
        and ``vehicle``.
    classes : ``component``, ``engine_family``, ``ordinal``, ``place``, ``wide``: see
        :func:`classes_of`.
    vehicles : per engine family, model year and depot: ``vehicles``.
    """

    exposure: pl.DataFrame
    failures: pl.DataFrame
    classes: pl.DataFrame
    vehicles: pl.DataFrame

    @property
    def modes(self) -> pl.DataFrame:
        """Modes that are looked at by themselves: of components that fail in several ways."""
        stated = self.failures.filter(pl.col("failure_mode") != NOT_STATED)
        return (
            stated.group_by("component", "failure_mode")
            .agg(failures=pl.len())
            .filter(pl.len().over("component") > 1, pl.col("failures") >= LEAST_FAILED_VEHICLES)
            .select("component", "failure_mode")
        )


def count(connection: duckdb.DuckDBPyConnection) -> Counts:
    """Count every component that ever failed, in the engine."""
    lives = read_sql("analyses", "repeat_lives")

    def asked(name: str) -> pl.DataFrame:
        query = read_sql("analyses", name).format(lives=lives)
        found: pl.DataFrame = connection.sql(query, params={"edges": list(AGE_EDGES)}).pl()
        return found

    names = connection.sql(
        read_sql("analyses", "position_names"), params={"component": None, "engine_family": None}
    ).pl()
    vehicles = connection.sql(read_sql("analyses", "repeat_vehicles")).pl()
    return prepare(asked("repeat_exposure"), asked("repeat_failures"), names, vehicles)


def prepare(
    exposure: pl.DataFrame, failures: pl.DataFrame, names: pl.DataFrame, vehicles: pl.DataFrame
) -> Counts:
    """Bring counted lives into the form that cells are summed from."""
    reach = _reach()
    text = (
        "component",
        "engine_family",
        "depot",
        "part_maker",
        "part_lot",
        "failure_mode",
        "place",
        "key",
    )

    def coded(frame: pl.DataFrame) -> pl.DataFrame:
        return frame.with_columns(
            pl.col(name).cast(pl.Categorical) for name in text if name in frame.columns
        )

    failed = (
        failures.join(reach, on="band", how="left")
        .with_columns(ordinal=_ordinals("positions"), vehicle=pl.col("vin").rank("dense"))
        .explode("ordinal", empty_as_null=True)
        .drop("positions", "vin")
        .with_columns(known=pl.lit(0, pl.Int64))
    )
    driven = exposure.join(reach, on="band", how="left").select(
        pl.exclude("positions"),
        key="positions",
        parts=pl.col("positions").str.count_matches(" ", literal=True) + 1,
        known=pl.lit(0, pl.Int64),
    )
    return Counts(coded(driven), coded(failed), coded(classes_of(names)), coded(vehicles))


def _ordinals(column: str) -> pl.Expr:
    return pl.col(column).cast(pl.String).str.split(" ").cast(pl.List(pl.Int16))


def _reach() -> pl.DataFrame:
    """Give the wider band of each narrow one."""
    wider = [sum(edge <= low for edge in REACH_EDGES) - 1 for low in AGE_EDGES]
    return pl.DataFrame({"band": range(len(AGE_EDGES)), "reach": wider})


def classes_of(names: pl.DataFrame) -> pl.DataFrame:
    """Name the classes that positions are looked at in.

    Parameters
    ----------
    names : the table ``component_position``.

    Returns
    -------
    ``component``, ``engine_family``, ``ordinal``, ``place`` and ``wide`` (of one of the
    :data:`WIDE_GROUPINGS`): each position once per class. A class is left out where it is the whole
    component, or the same positions as a wider grouping has.
    """
    own = ["component", "engine_family"]
    grouped = [
        names.filter(pl.all_horizontal(pl.col(column).is_not_null() for column in columns))
        .with_columns(way=pl.lit(way), place=place_words(columns))
        .select(*own, "way", "place", "ordinal")
        for way, columns in enumerate(POSITION_GROUPINGS)
    ]
    return (
        pl.concat(grouped)
        .group_by(*own, "way", "place")
        .agg(pl.col("ordinal").sort())
        .join(names.group_by(own).agg(of=pl.len()), on=own)
        .filter(pl.col("ordinal").list.len() < pl.col("of"))
        .with_columns(members=pl.col("ordinal").cast(pl.List(pl.String)).list.join(" "))
        .sort(*own, "way", "place")
        .unique([*own, "members"], keep="first", maintain_order=True)
        .explode("ordinal", empty_as_null=True)
        .select(*own, "ordinal", "place", wide=pl.col("way") < WIDE_GROUPINGS)
    )


def cells(counts: Counts, kinds: Sequence[Kind], modes: pl.DataFrame) -> pl.DataFrame:
    """Count events and what would be alike in every cell of every kind that can bear a pattern.

    Parameters
    ----------
    modes : ``component`` and ``failure_mode``: the modes that kinds by mode are cut into.

    Returns
    -------
    ``kind`` (its place in ``kinds``), ``component``, :data:`CELL_COLUMNS`, ``observed``, ``alike``
    and ``total`` as :func:`fleetlog.stats.stratified_ratio` takes them, ``vehicles`` (at most so
    many had such a part), ``failed_vehicles`` and ``squares`` (sum of their squared failures).
    Cells of fewer vehicles than :data:`LEAST_VEHICLES` are left out, and cells whose strata have
    too few failures in all to ever make a finding. Growth: linear in the rows counted.
    """
    places, sums = _places(counts), _Sums(counts.exposure)
    found = [_cells_of(counts, sums, kind, modes, places).with_columns(kind=pl.lit(index, pl.Int16))
             for index, kind in enumerate(kinds)]  # fmt: skip
    return pl.concat(found)


def _places(counts: Counts) -> pl.DataFrame:
    """Count the positions of each class among those that share a history."""
    own = ["component", "engine_family"]
    return (
        counts.exposure.select(*own, "key")
        .unique()
        .with_columns(ordinal=_ordinals("key"))
        .explode("ordinal", empty_as_null=True)
        .join(counts.classes, on=[*own, "ordinal"], how="inner")
        .group_by(*own, "key", "place", "wide")
        .agg(in_class=pl.len())
    )


class _Sums:
    """Sums of the exposure by any columns, each made from the smallest sum that will do.

    Kinds ask for much the same, and most of the columns of the whole are of no use to any one.
    """

    FIRST = (
        ("part_maker", "part_lot"),
        ("model_year", "depot"),
        ("model_year", "depot", "part_maker", "part_lot"),
    )
    STRATA = ("component", "engine_family", "begun", "band", "reach", "known")

    def __init__(self, exposure: pl.DataFrame) -> None:
        whole = exposure.with_columns(pl.col("driven", "lives") * pl.col("parts"))
        self._whole = {
            True: exposure.select(pl.exclude("parts")),
            False: whole.select(pl.exclude("parts")),
        }
        self._known: dict[bool, list[pl.DataFrame]] = {True: [], False: []}

    def by(self, columns: Sequence[str], *, of_key: bool) -> pl.DataFrame:
        """Sum ``driven`` and ``lives`` of all positions; or of one position, by ``key`` too."""
        key = ("key",) if of_key else ()
        wanted = [*dict.fromkeys(columns), *key]
        known = [frame for frame in self._known[of_key] if set(wanted) <= set(frame.columns)]
        least = min(known, key=lambda one: one.height, default=None)
        if least is None:
            least = self._whole[of_key]
            wider = ({*self.STRATA, *more, *key} for more in self.FIRST)
            first = next((one for one in wider if set(wanted) < one), None)
            # A sum by all that there is would be no smaller.
            if first and first < {*least.columns} - {"driven", "lives"}:
                least = self.by([name for name in first if name != "key"], of_key=of_key)
        found = least.group_by(wanted).agg(pl.col("driven", "lives").sum())
        self._known[of_key].append(found)
        return found


def _cells_of(
    counts: Counts, sums: _Sums, kind: Kind, modes: pl.DataFrame, places: pl.DataFrame
) -> pl.DataFrame:
    own = ["component", *(dim for dim in kind.dims if dim not in ("place", "failure_mode"))]
    by_place, by_mode = "place" in kind.dims, "failure_mode" in kind.dims
    cell = ["component", *kind.dims]
    strata = list(kind.strata)
    named = pl.all_horizontal(pl.col(dim).is_not_null() for dim in own)

    def with_modes(frame: pl.DataFrame) -> pl.DataFrame:
        return frame.join(modes, on="component", how="inner") if by_mode else frame

    failures, classes = counts.failures, counts.classes
    if by_place and kind.wide_places_only:
        places, classes = places.filter("wide"), classes.filter("wide")
    if by_mode:
        failures = failures.join(modes, on=["component", "failure_mode"], how="semi")
    pool = list(dict.fromkeys([*kind.pool, *strata]))
    events = failures.group_by(pool).agg(events=pl.len())
    whole = [column for column in pool if column != "failure_mode"]
    rest = sums.by(whole, of_key=False).select(*whole, pool_driven="driven")
    rest = with_modes(rest).join(events, on=pool, how="inner", nulls_equal=True)

    keys = list(dict.fromkeys([*own, *strata]))
    if by_place:
        driven = (
            sums.by(keys, of_key=True)
            .filter(named)
            .join(places, on=["component", "engine_family", "key"], how="inner")
            .group_by(*keys, "place")
            .agg((pl.col("driven", "lives") * pl.col("in_class")).sum())
        )
    else:
        driven = sums.by(keys, of_key=False).filter(named)
    # A life that came under watch in an earlier mileage band is of the later ones as well.
    entered = [column for column in cell if column not in ("failure_mode", "reach")]
    lives = driven.group_by(entered).agg(pl.col("lives").sum())

    failed = failures.filter(named)
    if by_place:
        failed = failed.join(classes, on=["component", "engine_family", "ordinal"], how="inner")
    in_strata = list(dict.fromkeys([*cell, *strata]))
    seen = failed.group_by(in_strata).agg(observed=pl.len())
    spread = _spread(failed, failures, cell, [*kind.pool, *({"reach"} & set(cell))])
    return (
        with_modes(driven)
        .join(rest, on=pool, how="inner", nulls_equal=True)
        .filter(pl.col("driven") < pl.col("pool_driven") * (1 - ROUNDING))
        .join(seen, on=in_strata, how="left")
        .group_by(cell)
        .agg(
            observed=pl.col("observed").sum().cast(pl.Float64),
            alike=(pl.col("events") * pl.col("driven") / pl.col("pool_driven")).sum(),
            total=pl.col("events").sum().cast(pl.Float64),
        )
        .filter(pl.col("total") >= LEAST_FAILED_VEHICLES, pl.col("alike") > 0)
        .join(lives, on=entered, how="left")
        .join(spread, on=cell, how="left")
        .pipe(_with_vehicles, counts.vehicles, kind)
        .filter(pl.col("vehicles") >= LEAST_VEHICLES)
        .select(
            "component",
            *(
                pl.col(name) if name in kind.dims else pl.lit(None, CELL_COLUMNS[name]).alias(name)
                for name in CELL_COLUMNS
            ),
            "observed",
            "alike",
            "total",
            "vehicles",
            *(pl.col(name).fill_null(0.0) for name in SPREAD),
        )
    )


SPREAD = ("failed_vehicles", "failed", "squares", "pool_failed", "products", "pool_squares")


def _spread(
    failed: pl.DataFrame, failures: pl.DataFrame, cell: list[str], pool: list[str]
) -> pl.DataFrame:
    """Sum over vehicles what tells how far their failures come together, in each cell.

    With O of a vehicle's n failures of the pool in the cell: ``failed`` (sum of O), ``squares``
    (of O squared), ``products`` (of O n), ``pool_failed`` (of n) and ``pool_squares`` (of n
    squared).
    """
    n = failures.group_by(*pool, "vehicle").agg(n=pl.len().cast(pl.Float64))
    pools = n.group_by(pool).agg(
        pool_failed=pl.col("n").sum(), pool_squares=(pl.col("n") ** 2).sum()
    )
    return (
        failed.group_by(*cell, "vehicle")
        .agg(o=pl.len().cast(pl.Float64))
        .join(n, on=[*pool, "vehicle"], how="left")
        .group_by(cell)
        .agg(
            failed_vehicles=pl.len().cast(pl.Float64),
            failed=pl.col("o").sum(),
            squares=(pl.col("o") ** 2).sum(),
            products=(pl.col("o") * pl.col("n")).sum(),
        )
        .join(pools, on=pool, how="left")
    )


def _with_vehicles(found: pl.DataFrame, vehicles: pl.DataFrame, kind: Kind) -> pl.DataFrame:
    """Add how many vehicles a cell has at most: no more than lives, nor than are of its making."""
    by = [dim for dim in kind.dims if dim in ("engine_family", "model_year", "depot")]
    if not by:
        most = found.with_columns(made=pl.lit(int(vehicles["vehicles"].sum())))
    else:
        made = vehicles.group_by(by).agg(made=pl.col("vehicles").sum())
        most = found.join(made, on=by, how="left")
    return most.with_columns(vehicles=pl.min_horizontal("made", "lives").cast(pl.Float64))
