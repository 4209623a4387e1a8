"""What the shops write down: services, visits that come before a failure, orders and lines."""

import numpy as np
import polars as pl

from fleetlog.demo.failures import (
    BAD_LOT_LAW,
    BROKE,
    COMEBACK_LAW,
    FAILED,
    PLANNED,
    REASONS,
    SIDES,
    Removals,
)
from fleetlog.demo.fleet import Fleet, Floats, Ints, plates, shop_of, unit_numbers, year_of
from fleetlog.demo.parameters import (
    ALL_PARTS,
    CAMSHAFT,
    CLUSTER,
    COIL,
    COIL_CONNECTOR,
    DEPOTS,
    DUTIES,
    FAMILIES,
    LABOUR_RATE_USD,
    LIFTER,
    MAKERS,
    OIL_INTERVAL_MI,
    PART_INDEX,
    ROCKER,
    SHOPS,
    Planted,
)

ACTIONS = ("replaced", "repaired", "inspected")
REPLACED, REPAIRED, INSPECTED = range(3)
UNKNOWN = len(REASONS)
# What brought the vehicle in: a failure or planned renewal, a service, a noise, dead gauges.
WORK, SERVICE, WARNING = range(3)

MODE_WORDS = {
    "worn": "worn",
    "collapsed": "collapsed",
    "flat-lobe": "lobe worn flat",
    "leak": "leaking",
    "corroded": "corroded",
    "open-circuit": "open circuit",
    "fouled": "fouled",
    "clogged": "clogged",
    "noisy": "noisy",
    "weak": "weak",
    "inoperative": "inoperative",
    "stretched": "stretched",
    "slipping": "slipping",
    "cracked": "cracked",
    "broken": "broken",
    "broken-lock": "lock tab broken",
}


def removal_lines(rng: np.random.Generator, removals: Removals) -> pl.DataFrame:
    """One row per removal, in codes. Three in ten bad coil connectors are mended."""
    mended = (
        (removals.part == PART_INDEX[COIL_CONNECTOR])
        & (removals.reason == FAILED)
        & (rng.random(removals.count) < 0.3)
    )
    return pl.DataFrame(
        {
            "vehicle": removals.vehicle,
            "day": removals.day,
            "part": removals.part,
            "bank": removals.bank,
            "cylinder": removals.cylinder,
            "side": removals.side,
            "slot": removals.slot,
            "action": np.where(mended, REPAIRED, REPLACED),
            "reason": removals.reason,
            "law": removals.law,
            "maker": np.where(mended, -1, removals.maker),
            "year": removals.year,
            "leads": removals.leads,
            "kind": np.full(removals.count, WORK),
        }
    )


def _plain_lines(
    vehicle: Ints,
    day: Ints,
    part: Ints,
    *,
    kind: int,
    reason: int,
    action: int,
    cylinder: Ints | None = None,
    bank: Ints | None = None,
    maker: Ints | None = None,
) -> pl.DataFrame:
    zeros = np.zeros(len(vehicle), dtype=np.int64)
    year = year_of(day)
    return pl.DataFrame(
        {
            "vehicle": vehicle,
            "day": day,
            "part": part,
            "bank": zeros if bank is None else bank,
            "cylinder": zeros if cylinder is None else cylinder,
            "side": zeros,
            "slot": zeros,
            "action": zeros + action,
            "reason": zeros + reason,
            "law": zeros,
            "maker": zeros - 1 if maker is None else maker,
            "year": year,
            "leads": np.zeros(len(vehicle), dtype=bool),
            "kind": zeros + kind,
        }
    )


def service_lines(rng: np.random.Generator, fleet: Fleet, planted: Planted) -> pl.DataFrame:
    """Oil services at (nearly) every interval, with the filters and fluids that fall due."""
    depot_names = np.array([depot.name for depot in DEPOTS])
    stretched = depot_names[fleet.depot] == planted.stretched_oil_depot
    interval = np.array([OIL_INTERVAL_MI[f.code] for f in FAMILIES], dtype=np.float64)[
        fleet.family
    ] * np.where(stretched, planted.stretched_oil_factor, 1.0)
    visits = int(np.ceil((fleet.age_end / interval).max() * 1.1)) + 1
    gaps = np.clip(1.0 + 0.07 * rng.standard_normal((fleet.size, visits)), 0.7, 1.3)
    age = interval[:, None] * np.cumsum(gaps, axis=1)
    vehicle, visit = np.nonzero(age < fleet.age_end[:, None])
    day = fleet.day_at(vehicle, age[vehicle, visit])
    fuel_is_diesel = np.array([f.fuel == "diesel" for f in FAMILIES])[fleet.family[vehicle]]
    two_years = (day - fleet.in_service_day[vehicle]) // 730
    same_vehicle = np.concatenate(([False], vehicle[1:] == vehicle[:-1]))
    before = np.concatenate(([0], two_years[:-1]))
    masks = {
        "lubrication.engine-oil": np.ones(len(vehicle), dtype=bool),
        "lubrication.oil-filter": np.ones(len(vehicle), dtype=bool),
        "air.filter": visit % 4 == 3,
        "fuel.filter": fuel_is_diesel & (visit % 2 == 1),
        "brakes.fluid": np.where(same_vehicle, two_years > before, two_years > 0),
    }
    return pl.concat(
        _plain_lines(
            vehicle[mask],
            day[mask],
            np.full(mask.sum(), PART_INDEX[code]),
            kind=SERVICE,
            reason=PLANNED,
            action=REPLACED,
            maker=rng.integers(0, len(MAKERS), size=mask.sum()),
        )
        for code, mask in masks.items()
    )


def warning_lines(
    rng: np.random.Generator, fleet: Fleet, removals: Removals, planted: Planted
) -> pl.DataFrame:
    """Visits for a noise or a misfire weeks before valve gear fails, and some before nothing."""
    if planted.warning_share == 0:
        return _plain_lines(
            *(np.zeros(0, dtype=np.int64),) * 3, kind=WARNING, reason=UNKNOWN, action=INSPECTED
        )
    gear = [PART_INDEX[code] for code in (ROCKER, LIFTER, CAMSHAFT)]
    worn_family = [f.code for f in FAMILIES].index(planted.worn_family)
    ahead_of = removals.where(
        removals.leads
        & (removals.reason == FAILED)
        & np.isin(removals.part, gear)
        & (fleet.family[removals.vehicle] == worn_family)
    )
    told = ahead_of.where(rng.random(ahead_of.count) < planted.warning_share)
    low, high = planted.warning_lead_days
    lead = rng.integers(low, high + 1, size=told.count)
    petrol = np.array([f.fuel == "petrol" for f in FAMILIES])[fleet.family]
    years = np.where(petrol, (fleet.last_day - fleet.observed_day) / 365.25, 0.0)
    times = rng.poisson(planted.false_warnings_per_vehicle_year * years)
    nothing = np.repeat(np.arange(fleet.size), times)
    span = (fleet.last_day - fleet.observed_day)[nothing]
    cylinders = np.array([f.cylinders for f in FAMILIES])[fleet.family]
    banks = np.array([f.cylinder_banks + (0,) * (16 - f.cylinders) for f in FAMILIES])
    vehicle = np.concatenate((told.vehicle, nothing))
    day = np.concatenate(
        (
            told.day - lead,
            fleet.observed_day[nothing] + (rng.random(len(nothing)) * span).astype(np.int64),
        )
    )
    day = np.where((day + 3) % 7 >= 5, day - 2, day)
    at_random = 1 + (rng.random(len(vehicle)) * cylinders[vehicle]).astype(np.int64)
    known = np.concatenate((told.cylinder, np.zeros(len(nothing), dtype=np.int64)))
    cylinder = np.where(known > 0, known, at_random)
    return _plain_lines(
        vehicle,
        day,
        np.full(len(vehicle), PART_INDEX[COIL]),
        kind=WARNING,
        reason=UNKNOWN,
        action=INSPECTED,
        cylinder=cylinder,
        bank=banks[fleet.family[vehicle], cylinder - 1],
    )


def cluster_lines(vehicle: Ints, day: Ints) -> pl.DataFrame:
    """Return the line of a replaced instrument cluster: the odometer starts again from nothing."""
    part = np.full(len(vehicle), PART_INDEX[CLUSTER])
    return _plain_lines(
        vehicle,
        day,
        part,
        kind=WORK,
        reason=FAILED,
        action=REPLACED,
        maker=np.zeros(len(vehicle), dtype=np.int64),
    ).with_columns(leads=pl.lit(True))


def _part_table() -> pl.DataFrame:
    """Return what is looked up by part: words, costs, hours."""
    return pl.DataFrame(
        {
            "part": range(len(ALL_PARTS)),
            "component": [part.code for part in ALL_PARTS],
            "rule": [part.rule for part in ALL_PARTS],
            "written_0": [part.written[0] for part in ALL_PARTS],
            "written_1": [part.written[1] for part in ALL_PARTS],
            "written_2": [part.written[2] for part in ALL_PARTS],
            "list_cost": [part.cost_usd for part in ALL_PARTS],
            "list_h": [part.labour_h for part in ALL_PARTS],
            "extra_h": [part.extra_h or 0.5 * part.labour_h for part in ALL_PARTS],
            "complaint_words": [part.complaint for part in ALL_PARTS],
            "code_words": [part.fault_code for part in ALL_PARTS],
        },
        schema_overrides={"part": pl.Int64},
    )


def _mode_names() -> pl.Series:
    """Return the mode by 4 * part + law."""
    names: list[str] = []
    for part in ALL_PARTS:
        own = [law.mode for law in part.laws] or ["inoperative"]
        by_law = {
            0: own[0],
            1: own[-1],
            BAD_LOT_LAW: "broken" if part.code == ROCKER else own[0],
            COMEBACK_LAW: "leak",
        }
        names += [by_law[law] for law in sorted(by_law)]
    return pl.Series(names)


def _position_words() -> pl.Expr:
    """Return a position as a technician writes it; empty for a part of the whole vehicle."""

    def numbered(word: str, column: str) -> pl.Expr:
        return (
            pl.when(pl.col(column).is_null())
            .then(pl.lit(""))
            .otherwise(pl.lit(word) + pl.col(column).cast(pl.String))
        )

    on_wheels = pl.when(pl.col("slot") == 1).then(pl.lit("front ")).otherwise(
        pl.lit("rear ")
    ) + pl.col("side")
    in_engine = pl.concat_str(
        numbered("bank ", "bank"),
        numbered(" cyl ", "cylinder"),
        pl.when(pl.col("side").is_null()).then(pl.lit("")).otherwise(pl.lit(" ") + pl.col("side")),
        numbered(" ", "slot"),
    )
    return (
        pl.when(pl.col("rule") == "per-axle-end")
        .then(on_wheels)
        .otherwise(in_engine.str.strip_chars())
    )


def assemble(
    rng: np.random.Generator,
    fleet: Fleet,
    lines: pl.DataFrame,
    *,
    seed: int,
    shops: int,
    first_order: int,
) -> pl.DataFrame:
    """Repair orders and their lines as one flat frame with the canonical repair fields.

    Lines of one vehicle on one day are one order. Lines outside the watched time of a vehicle
    are left out: nobody wrote them down. Order numbers count up by shop and day from
    `first_order`. The odometer is added by the caller, who knows of changed clusters.
    """
    observed, last = pl.Series(fleet.observed_day), pl.Series(fleet.last_day)
    lines = (
        lines.filter(
            pl.col("day") >= observed.gather(lines["vehicle"]),
            pl.col("day") <= last.gather(lines["vehicle"]),
        )
        .sort(
            "vehicle",
            "day",
            "kind",
            "leads",
            "part",
            "bank",
            "cylinder",
            "side",
            "slot",
            descending=[False, False, False, True] + [False] * 5,
        )
        .with_columns(order=pl.struct("vehicle", "day").rle_id())
        .with_columns(line_no=pl.int_range(1, pl.len() + 1).over("order"))
        .join(_part_table(), on="part", how="left", maintain_order="left")
    )
    count = lines.height
    lines = lines.with_columns(
        line_labour_h=pl.when(pl.col("action") == INSPECTED)
        .then(0.8)
        .when(pl.col("line_no") == 1)
        .then("list_h")
        .otherwise("extra_h")
        * pl.Series(np.exp(0.15 * rng.standard_normal(count))),
        line_cost=pl.when(pl.col("action") == REPLACED).then("list_cost").otherwise(0.0)
        * pl.Series(np.exp(0.08 * rng.standard_normal(count))),
        mode=pl.when(pl.col("reason") == FAILED)
        .then(_mode_names().gather(lines["part"] * 4 + lines["law"]))
        .when(pl.col("reason") == BROKE)
        .then(pl.lit("broken-lock")),
        **{name: pl.when(pl.col(name) > 0).then(name) for name in ("bank", "cylinder", "slot")},
        side=pl.when(pl.col("side") > 0).then(pl.Series(SIDES).gather(lines["side"])),
        action=pl.Series(ACTIONS).gather(lines["action"]),
        reason=pl.Series([*REASONS, "unknown"]).gather(lines["reason"]),
        **_part_marks(lines),
        qty=pl.lit(1),
    ).with_columns(
        pl.col("line_labour_h").round(1).clip(0.1),
        pl.col("line_cost").round(2),
        position=_position_words(),
    )
    orders = _orders(rng, fleet, lines, seed=seed, shops=shops, first_order=first_order)
    return (
        lines.drop(
            "rule",
            "list_cost",
            "list_h",
            "extra_h",
            "complaint_words",
            "code_words",
            "mode",
            "law",
            "maker",
            "year",
            "leads",
            "kind",
        )
        .with_columns(failure_mode=lines["mode"])
        .join(orders, on="order", how="left", maintain_order="left")
    )


def _part_marks(lines: pl.DataFrame) -> dict[str, pl.Expr]:
    """Part number, maker and lot of what went in; nothing where no part went in."""
    fitted = pl.col("maker") >= 0
    maker = np.maximum(lines["maker"].to_numpy(), 0)
    prefix = pl.lit(pl.Series([prefix for _, prefix in MAKERS]).gather(maker))
    return {
        "part_no": pl.when(fitted).then(prefix + (4_000 + 37 * pl.col("part")).cast(pl.String)),
        "part_maker": pl.when(fitted).then(pl.lit(pl.Series([n for n, _ in MAKERS]).gather(maker))),
        "part_lot": pl.when(fitted).then(prefix + "-" + pl.col("year").cast(pl.String)),
    }


def _orders(
    rng: np.random.Generator,
    fleet: Fleet,
    lines: pl.DataFrame,
    *,
    seed: int,
    shops: int,
    first_order: int,
) -> pl.DataFrame:
    """Work out the fields of each order, from its leading line and the sums over its lines."""
    orders = lines.group_by("order", maintain_order=True).agg(
        pl.col(
            "vehicle",
            "day",
            "kind",
            "part",
            "component",
            "cylinder",
            "position",
            "reason",
            "mode",
            "complaint_words",
            "code_words",
            "action",
        ).first(),
        name=pl.col("written_0").first().str.to_lowercase(),
        labour_h=pl.col("line_labour_h").sum().round(1),
        parts_cost=pl.col("line_cost").sum().round(2),
        more=pl.len() - 1,
    )
    count = orders.height
    vehicle, day = orders["vehicle"].to_numpy(), orders["day"].to_numpy()
    shop = shop_of(fleet, vehicle, day, seed=seed, shops=shops)
    crew = np.array([len(s.technicians) for s in SHOPS])
    widest = int(crew.max())
    names = [name for s in SHOPS for name in s.technicians + ("",) * (widest - len(s.technicians))]
    person = shop * widest + (rng.random(count) * crew[shop]).astype(np.int64)
    failed = orders["reason"].to_numpy() == "failed"
    waiting = np.where(failed, rng.exponential(14.0, size=count), rng.exponential(2.0, size=count))
    downtime: Floats = orders["labour_h"].to_numpy() * 1.25 + waiting
    age = fleet.age_on(vehicle, day)
    hours = age / np.array([d.miles_per_hour for d in DUTIES])[fleet.duty[vehicle]]
    noise = np.array(
        [
            "ticking noise at idle, check engine lamp on",
            "tick from top of engine",
            "misfire under load, lamp flashing",
            "ticking when hot, rough idle",
        ]
    )
    said = noise[(rng.random(count) * len(noise)).astype(np.int64)]
    by_shop_and_day = np.lexsort((day, shop))
    rank = np.empty(count, dtype=np.int64)
    rank[by_shop_and_day] = np.arange(count) - np.searchsorted(
        shop[by_shop_and_day], shop[by_shop_and_day]
    )
    number = pl.Series(fleet.number).gather(vehicle)
    return orders.select(
        "order",
        shop=pl.Series([s.name for s in SHOPS]).gather(shop),
        ro_no=pl.Series([s.name[0] for s in SHOPS]).gather(shop)
        + pl.Series(rank + first_order).cast(pl.String),
        vin=pl.Series(fleet.vin).gather(vehicle),
        unit_no=unit_numbers(number.to_numpy()),
        plate=plates(number.to_numpy()),
        opened_on=pl.Series(day.astype("datetime64[D]")),
        closed_on=pl.Series((day + (downtime // 24).astype(np.int64)).astype("datetime64[D]")),
        engine_hours=pl.Series(np.round(hours, 1)),
        technician=pl.Series(names).gather(person),
        **_story(said=pl.Series(said), code_kept=pl.Series(rng.random(count) < 0.8)),
        road_tested=pl.Series(rng.random(count) < np.where(failed, 0.85, 0.25)),
        downtime_h=pl.Series(np.round(downtime, 1)),
        labour_h="labour_h",
        labour_cost=(pl.col("labour_h") * LABOUR_RATE_USD).round(2),
        parts_cost="parts_cost",
    ).with_columns(
        codes_cleared=pl.col("fault_codes").is_not_null() & pl.Series(rng.random(count) < 0.9)
    )


def _story(*, said: pl.Series, code_kept: pl.Series) -> dict[str, pl.Expr]:
    """Complaint, cause, correction and fault codes of each order, from its leading line.

    ``said`` is what the driver says of a noise, ``code_kept`` whether a fault code was written
    down. Cause and correction come a second time without the place in the engine.
    """
    failed = pl.col("reason") == "failed"
    warned = pl.col("kind") == WARNING
    mode_words = pl.col("mode").replace_strict(MODE_WORDS, default="worn")
    more = (
        pl.when(pl.col("more") > 0)
        .then(pl.lit(", and ") + pl.col("more").cast(pl.String) + " more lines")
        .otherwise(pl.lit(""))
    )
    place = (
        pl.when(pl.col("position") == "")
        .then(pl.lit(""))
        .otherwise(pl.lit(", ") + pl.col("position"))
    )
    gear = pl.col("component").is_in([ROCKER, LIFTER, CAMSHAFT, COIL])
    misfire = (
        pl.when(gear & pl.col("cylinder").is_not_null())
        .then(pl.lit(" P030") + pl.col("cylinder").cast(pl.String))
        .otherwise(pl.lit(""))
    )
    told = {
        "complaint": pl.when(warned)
        .then(said)
        .when(pl.col("kind") == SERVICE)
        .then(pl.lit("scheduled service"))
        .when(failed)
        .then("complaint_words")
        .otherwise(pl.lit("planned replacement due")),
        "fault_codes": pl.when(warned)
        .then(pl.lit("P0300") + misfire)
        .when(failed & (pl.col("code_words") != "") & code_kept)
        .then(pl.col("code_words") + misfire)
        .otherwise(None),
    }
    for suffix, where in (("", place), ("_without_place", pl.lit(""))):
        told["cause" + suffix] = (
            pl.when(warned)
            .then(pl.lit("no fault found, monitor"))
            .when(failed)
            .then(pl.col("name") + " " + mode_words + where)
            .otherwise(pl.lit("interval reached"))
        )
        told["correction" + suffix] = pl.col("action") + " " + pl.col("name") + where + more
    return told
