"""Make a whole fleet with its records and write the files."""

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import Literal

import numpy as np
import polars as pl

from fleetlog.demo import dirt as spoiling
from fleetlog.demo import exports
from fleetlog.demo.failures import (
    BAD_LOT_LAW,
    BROKE,
    COMEBACK_LAW,
    FAILED,
    Removals,
    join,
    once_a_day,
    run_group,
)
from fleetlog.demo.fleet import (
    MOST_VEHICLES,
    Fleet,
    Floats,
    Ints,
    make_fleet,
    shop_of,
    unit_numbers,
    vehicle_frame,
)
from fleetlog.demo.parameters import (
    CAMSHAFT,
    COIL_CONNECTOR,
    COVER_GASKET,
    DIRT,
    FAMILIES,
    LEAN_WINDOW_START,
    LIFTER,
    MAKERS,
    NOTHING_PLANTED,
    OIL_INTERVAL_MI,
    OTHER_PARTS,
    PART_INDEX,
    PARTS,
    ROCKER,
    SHOPS,
    VALVE_GEAR,
    WINDOW_END,
    WINDOW_START,
    DirtRates,
    Planted,
)
from fleetlog.demo.shop_work import (
    assemble,
    cluster_lines,
    removal_lines,
    service_lines,
    warning_lines,
)
from fleetlog.demo.truth import PartLife, Truth
from fleetlog.errors import InputError

Layout = Literal["shops", "parquet"]
LinesPerVehicle = Literal["full", "lean"]
CHUNK = 10_000
PART_KINDS = ("repairs", "vehicles", "meters", "truth_rows")
ORDERS_PER_CHUNK = 10_000_000

REPAIR_FIELDS = (
    "shop",
    "ro_no",
    "line_no",
    "vin",
    "unit_no",
    "plate",
    "opened_on",
    "closed_on",
    "odometer",
    "engine_hours",
    "technician",
    "complaint",
    "cause",
    "correction",
    "fault_codes",
    "road_tested",
    "codes_cleared",
    "downtime_h",
    "labour_h",
    "labour_cost",
    "parts_cost",
    "component",
    "bank",
    "cylinder",
    "side",
    "slot",
    "action",
    "reason",
    "failure_mode",
    "part_no",
    "part_maker",
    "part_lot",
    "qty",
    "line_labour_h",
    "line_cost",
)


@dataclass(frozen=True)
class Request:
    """What was asked for, passed down whole."""

    vehicles: int
    seed: int
    planted: Planted
    dirt: DirtRates | None
    layout: Layout
    lines_per_vehicle: LinesPerVehicle
    shops: int

    @property
    def window_start(self) -> date:
        """First day of the records."""
        return WINDOW_START if self.lines_per_vehicle == "full" else LEAN_WINDOW_START


@dataclass(frozen=True)
class Chunk:
    """The records of one run of vehicles."""

    vehicles: pl.DataFrame
    lines: pl.DataFrame
    meters: pl.DataFrame
    realised: Counter[str]


def simulate(
    directory: str | Path,
    *,
    vehicles: int = 450,
    seed: int = 2026,
    planted: bool = True,
    dirt: bool = True,
    layout: Layout = "shops",
    lines_per_vehicle: LinesPerVehicle = "full",
    shops: int = 3,
    progress: Callable[[int, int], None] | None = None,
) -> Truth:
    """Simulate an invented mixed fleet and write its records as shops export them.

    Parameters
    ----------
    directory : made if missing; files of the same names are overwritten.
    vehicles : up to 1,000,000 (the serial number in a VIN has six digits).
    seed : the same arguments give the same files, whatever was drawn before.
    planted : hide the effects of `parameters.Planted` in the fleet; otherwise only ordinary
        wear.
    dirt : spoil records at the rates of `parameters.DirtRates`.
    layout : "shops": one file per shop in its own style, with a map; "parquet": parts with
        canonical headings, written as they are made, in bounded memory.
    lines_per_vehicle : "full": about 40 lines a vehicle; "lean": about 10, for a store of many
        vehicles: no services, no parts renewed by a rule (pads, plugs, belts), and fewer parts
        renewed while the engine is open.
    shops : 2 or 3; with 2 the third shop's work goes to the first.
    progress : called with vehicles done and vehicles asked for.

    Returns
    -------
    Truth, also written as ``truth.json``; spoilt rows are listed in ``truth_rows.parquet``
    (one file per part with layout "parquet").

    Raises
    ------
    InputError : a number out of range, or too many rows for a spreadsheet.

    Notes
    -----
    Time and output grow linearly with the vehicles. With layout "parquet" memory is that of
    one chunk of 10,000 vehicles.
    """
    if not 1 <= vehicles <= MOST_VEHICLES:
        raise InputError(
            f"vehicles is {vehicles}, but must be from 1 to {MOST_VEHICLES}: give another number."
        )
    if shops not in (2, 3):
        raise InputError(f"shops is {shops}, but must be 2 or 3: give another number.")
    if layout not in ("shops", "parquet"):
        raise InputError(f'layout is "{layout}", but must be "shops" or "parquet".')
    if lines_per_vehicle not in ("full", "lean"):
        raise InputError(
            f'lines_per_vehicle is "{lines_per_vehicle}", but must be "full" or "lean".'
        )
    effects = Planted() if planted else NOTHING_PLANTED
    if lines_per_vehicle == "lean":
        effects = replace(effects, side_renewed_share=effects.side_renewed_share_elsewhere)
    request = Request(
        vehicles, seed, effects, DIRT if dirt else None, layout, lines_per_vehicle, shops
    )
    folder = Path(directory)
    folder.mkdir(parents=True, exist_ok=True)
    exports.engine_family_frame().write_csv(folder / "engine_families.csv")
    exports.service_rule_frame().write_csv(folder / "service_rules.csv")
    write = _write_parquet if layout == "parquet" else _write_shops
    written = write(folder, request, progress or (lambda _done, _all: None))
    truth = Truth(
        seed=seed,
        vehicles=vehicles,
        layout=layout,
        lines_per_vehicle=lines_per_vehicle,
        window_start=request.window_start,
        window_end=WINDOW_END,
        planted=request.planted if planted else None,
        part_lives=tuple(
            PartLife(part.code, law.mode, law.shape, law.scale_mi)
            for part in PARTS
            for law in part.laws
        ),
        oil_interval_mi=dict(OIL_INTERVAL_MI),
        realised=dict(sorted(written.realised.items())),
        dirt_rates=request.dirt,
        dirt_rows=dict(sorted(written.dirt_rows.items())),
        dirt_orders=dict(sorted(written.dirt_orders.items())),
        orders=written.orders,
        lines=sum(written.lines_by_file.values()),
        meter_readings=written.meter_readings,
        lines_by_file=written.lines_by_file,
        files=tuple(
            sorted({*written.files, "engine_families.csv", "service_rules.csv", "truth.json"})
        ),
    )
    truth.write(folder / "truth.json")
    return truth


def make_chunk(request: Request, index: int) -> Chunk:
    """Simulate one chunk of vehicles; it depends on the seed and the chunk's number alone."""
    first = index * CHUNK
    count = min(CHUNK, request.vehicles - first)
    rng = np.random.default_rng([request.seed, index, 0])
    dirt_rng = np.random.default_rng([request.seed, index, 1])
    fleet = make_fleet(rng, first, count, window_start=request.window_start)
    drawn = removals_of(rng, fleet, request)
    removals = once_a_day(drawn)
    parts = [removal_lines(rng, removals), warning_lines(rng, fleet, removals, request.planted)]
    if request.lines_per_vehicle == "full":
        parts.append(service_lines(rng, fleet, request.planted))
    swap = np.full(count, np.nan)
    if request.dirt:
        swap = spoiling.swap_days(
            dirt_rng,
            fleet.observed_day,
            fleet.last_day,
            fleet.retired,
            request.dirt.cluster_swap,
        )
        swapped = np.flatnonzero(np.isfinite(swap))
        parts.append(cluster_lines(swapped, swap[swapped].astype(np.int64)))
    lines = assemble(
        rng,
        fleet,
        pl.concat(parts),
        seed=request.seed,
        shops=request.shops,
        first_order=index * ORDERS_PER_CHUNK + 10_001,
    )
    lines = lines.with_columns(
        odometer=_shown(fleet, swap, lines["vehicle"].to_numpy(), lines["day"].to_numpy())
    )
    if request.dirt:
        lines = spoiling.spoil(dirt_rng, lines, request.dirt, date_styles=request.layout == "shops")
    else:
        lines = spoiling.mark_clean(lines)
    meters = _meters(rng, fleet, swap, per_year=4.0 if request.lines_per_vehicle == "full" else 1.0)
    realised = _realised(fleet, removals, request)
    realised["second removals of a day left out"] = drawn.count - removals.count
    return Chunk(vehicle_frame(fleet), lines, meters, realised)


def removals_of(rng: np.random.Generator, fleet: Fleet, request: Request) -> Removals:
    """Every removal of every vehicle of a chunk, watched or not."""
    found = []
    for family_index, family in enumerate(FAMILIES):
        who = np.flatnonzero(fleet.family == family_index)
        wanted = [
            part
            for part in OTHER_PARTS
            if request.lines_per_vehicle == "full" or not part.planned_mi
        ]
        groups = ((VALVE_GEAR, True), *(((part,), False) for part in wanted))
        found += [
            run_group(
                rng,
                fleet,
                who,
                family=family,
                parts=parts,
                planted=request.planted,
                seed=request.seed,
                shops=request.shops,
                valve_gear=valve_gear,
            )
            for parts, valve_gear in groups
            if family.fuel in parts[0].fuels
        ]
    return join(found)


def _shown(
    fleet: Fleet,
    swap: Floats,
    vehicle: Ints,
    day: Ints,
) -> pl.Series:
    """Work out what the odometer shows: from the day after a cluster swap it counts from zero."""
    true = fleet.odometer_on(vehicle, day)
    swap_day = swap[vehicle]
    at_swap = fleet.odometer_on(vehicle, np.nan_to_num(swap_day).astype(np.int64))
    shown = np.where(day > swap_day, true - at_swap, true)
    return pl.Series(np.rint(shown).astype(np.int64))


def _meters(
    rng: np.random.Generator,
    fleet: Fleet,
    swap: Floats,
    *,
    per_year: float,
) -> pl.DataFrame:
    """Odometer readings from fuelling and yearly inspections, the last near the end of watch."""
    span = fleet.last_day - fleet.observed_day
    times = rng.poisson(per_year * span / 365.25)
    vehicle = np.repeat(np.arange(fleet.size), times)
    day = fleet.observed_day[vehicle] + (rng.random(len(vehicle)) * span[vehicle]).astype(np.int64)
    final = np.arange(fleet.size)
    vehicle = np.concatenate((vehicle, final))
    day = np.concatenate((day, fleet.last_day - rng.integers(0, 20, size=fleet.size)))
    day = np.maximum(day, fleet.observed_day[vehicle])
    inspected = rng.random(len(vehicle)) < 0.2
    return (
        pl.DataFrame(
            {
                "unit_no": unit_numbers(fleet.number).gather(vehicle),
                "vin": pl.Series(fleet.vin).gather(vehicle),
                "read_on": day.astype("datetime64[D]"),
                "odometer": _shown(fleet, swap, vehicle, day),
                "source": np.where(inspected, "inspection", "fuelling"),
                "order": vehicle,
            }
        )
        .sort("read_on", "order", "odometer")
        .unique(["order", "read_on"], keep="first", maintain_order=True)
        .drop("order")
    )


def _realised(fleet: Fleet, removals: Removals, request: Request) -> Counter[str]:
    """How often planted things happened in the watched time."""
    seen = removals.where(
        (removals.day >= fleet.observed_day[removals.vehicle])
        & (removals.day <= fleet.last_day[removals.vehicle])
    )
    planted = request.planted
    shop = shop_of(fleet, seen.vehicle, seen.day, seed=request.seed, shops=request.shops)
    counts: Counter[str] = Counter()
    gasket = seen.part == PART_INDEX[COVER_GASKET]
    returned = gasket & (seen.law == COMEBACK_LAW) & (seen.reason == FAILED)
    # The shop that fitted the gasket, not the one that sees it come back, is to blame.
    fitted_day = fleet.day_at(seen.vehicle, seen.begun)
    fitter = shop_of(fleet, seen.vehicle, fitted_day, seed=request.seed, shops=request.shops)
    for index, place in enumerate(SHOPS[: request.shops]):
        counts[f"gaskets fitted by {place.name}"] = int((gasket & (shop == index)).sum())
        counts[f"gaskets of {place.name} that came back"] = int(
            (returned & (fitter == index)).sum()
        )
    connector = seen.part == PART_INDEX[COIL_CONNECTOR]
    counts["connectors broken in work"] = int((connector & (seen.reason == BROKE)).sum())
    rocker = seen.part == PART_INDEX[ROCKER]
    maker = [name for name, _ in MAKERS].index(planted.bad_lot_maker)
    in_lot = rocker & (seen.maker == maker) & (seen.year == int(planted.bad_lot[-4:]))
    counts["rockers fitted from the bad lot"] = int(in_lot.sum())
    counts["bad-lot rockers failed"] = int(
        (rocker & (seen.law == BAD_LOT_LAW) & (seen.reason == FAILED)).sum()
    )
    worn = fleet.family[seen.vehicle] == [f.code for f in FAMILIES].index(planted.worn_family)
    for code in (ROCKER, LIFTER, CAMSHAFT):
        counts[f"{code} failed in {planted.worn_family}"] = int(
            (worn & (seen.part == PART_INDEX[code]) & (seen.reason == FAILED)).sum()
        )
    counts["covers opened in " + planted.worn_family] = int(
        (
            worn
            & seen.leads
            & (seen.reason == FAILED)
            & np.isin(seen.part, [PART_INDEX[c] for c in (ROCKER, LIFTER, CAMSHAFT, COVER_GASKET)])
        ).sum()
    )
    return counts


@dataclass(frozen=True)
class _Written:
    """What a layout wrote."""

    files: list[str]
    lines_by_file: dict[str, int]
    orders: int
    meter_readings: int
    realised: Counter[str]
    dirt_rows: Counter[str]
    dirt_orders: Counter[str]


def _count_dirt(rows: pl.DataFrame) -> tuple[Counter[str], Counter[str]]:
    counted = rows.group_by("kind").agg(pl.len(), pl.col("ro_no").n_unique().alias("orders"))
    kinds = counted["kind"].to_list()
    return (
        Counter(dict(zip(kinds, counted["len"].to_list(), strict=True))),
        Counter(dict(zip(kinds, counted["orders"].to_list(), strict=True))),
    )


def _order_count(lines: pl.DataFrame) -> int:
    return lines.select("ro_no", "duplicated_order").n_unique()


def _chunk_count(request: Request) -> int:
    return -(-request.vehicles // CHUNK)


def _write_shops(folder: Path, request: Request, progress: Callable[[int, int], None]) -> _Written:
    chunks = []
    for index in range(_chunk_count(request)):
        chunks.append(make_chunk(request, index))
        progress(min((index + 1) * CHUNK, request.vehicles), request.vehicles)
    lines = pl.concat([chunk.lines for chunk in chunks])
    meters = pl.concat([chunk.meters for chunk in chunks])
    fleet_list = pl.concat([chunk.vehicles for chunk in chunks])
    files = ["fleet_list.csv", "fleet_list.toml", "fuel_readings.csv", "fuel_readings.toml"]
    fleet_list.select(
        pl.col(field).alias(text) for field, text in exports.VEHICLE_HEADINGS.items()
    ).write_csv(folder / files[0])
    (folder / files[1]).write_text(
        exports.office_map("vehicles", exports.VEHICLE_HEADINGS), encoding="utf-8"
    )
    meters.select(
        pl.col(field).alias(text) for field, text in exports.METER_HEADINGS.items()
    ).write_csv(folder / files[2])
    (folder / files[3]).write_text(
        exports.office_map("meters", exports.METER_HEADINGS), encoding="utf-8"
    )
    lines_by_file: dict[str, int] = {}
    spoilt = []
    for place, style in zip(SHOPS[: request.shops], exports.FORMATS, strict=False):
        own = lines.filter(pl.col("shop") == place.name).sort(
            "duplicated_order", "opened_on", "order", "line_no", maintain_order=True
        )
        name = f"repairs_{place.slug}.{style.suffix}"
        if style.suffix == "xlsx" and own.height > exports.MOST_SHEET_ROWS:
            raise InputError(
                f"{name} would have {own.height} rows, more than a spreadsheet holds "
                f'({exports.MOST_SHEET_ROWS}): use fewer vehicles or layout="parquet".'
            )
        sheet = exports.shop_sheet(own, style)
        if style.suffix == "xlsx":
            exports.write_spreadsheet(
                sheet, own, style, folder / name, title=f"{place.name}: job list"
            )
        elif style.decimal_mark == ",":
            exports.write_csv_1252(sheet, folder / name)
        else:
            sheet.write_csv(folder / name)
        (folder / f"{place.slug}.toml").write_text(
            exports.shop_map(place.name, style), encoding="utf-8"
        )
        files += [name, f"{place.slug}.toml"]
        lines_by_file[name] = own.height
        spoilt.append(exports.truth_rows(own, name, exports.first_file_row(style)))
    rows = pl.concat(spoilt)
    rows.write_parquet(folder / "truth_rows.parquet")
    files.append("truth_rows.parquet")
    dirt_rows, dirt_orders = _count_dirt(rows)
    realised: Counter[str] = Counter()
    for chunk in chunks:
        realised.update(chunk.realised)
    return _Written(
        files,
        lines_by_file,
        _order_count(lines),
        meters.height,
        realised,
        dirt_rows,
        dirt_orders,
    )


def _write_parquet(
    folder: Path, request: Request, progress: Callable[[int, int], None]
) -> _Written:
    files: list[str] = []
    lines_by_file: dict[str, int] = {}
    orders = meter_readings = 0
    realised: Counter[str] = Counter()
    dirt_rows: Counter[str] = Counter()
    dirt_orders: Counter[str] = Counter()
    for index in range(_chunk_count(request)):
        chunk = make_chunk(request, index)
        names = [f"{kind}_{index + 1:04d}.parquet" for kind in PART_KINDS]
        unit_slip = pl.when("wrong_distance_unit").then(spoiling.KM_PER_MILE).otherwise(1.0)
        chunk.lines.with_columns(
            component=pl.col("written_0"),
            odometer=(pl.col("odometer") * unit_slip).round().cast(pl.Int64),
        ).select(REPAIR_FIELDS).write_parquet(folder / names[0])
        chunk.vehicles.write_parquet(folder / names[1])
        chunk.meters.drop("unit_no").write_parquet(folder / names[2])
        files += names
        lines_by_file[names[0]] = chunk.lines.height
        orders += _order_count(chunk.lines)
        meter_readings += chunk.meters.height
        realised.update(chunk.realised)
        rows = exports.truth_rows(chunk.lines, names[0], 1)
        rows.write_parquet(folder / names[3])
        for total, part in zip((dirt_rows, dirt_orders), _count_dirt(rows), strict=True):
            total.update(part)
        progress(min((index + 1) * CHUNK, request.vehicles), request.vehicles)
    return _Written(files, lines_by_file, orders, meter_readings, realised, dirt_rows, dirt_orders)
