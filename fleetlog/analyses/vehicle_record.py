"""Everything that the store knows of one vehicle."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from typing import Any

import duckdb
import polars as pl

from fleetlog.analyses.choices import find_vehicles, near_vehicles, vins_named
from fleetlog.analyses.due_tasks import due_tasks, pace_of
from fleetlog.analyses.open_windows import open_windows
from fleetlog.analyses.wording import (
    TECHNICIANS_HIDDEN,
    counted,
    listed,
    number,
    position_words,
)
from fleetlog.catalogue import load_catalogue
from fleetlog.errors import InputError
from fleetlog.settings import COMEBACK_DAYS, COMEBACK_MILES, DUE_SOON_DAYS
from fleetlog.sql import read_sql
from fleetlog.store import Store
from fleetlog.units import convert_distance

MOST_NAMED = 3
"""So many vehicles are named whose VIN is near a mistyped one."""

MOST_REPEATED = 5
"""So many components that failed more than once stand in the summary."""

_NO_TORQUES = pl.DataFrame(
    schema={
        "ro_id": pl.Int64, "fastener": pl.String, "value": pl.Float64, "unit": pl.String,
        "newton_metres": pl.Float64, "doubt": pl.String,
    }
)  # fmt: skip

ORDER_FACTS = ("shop", "ro_no", "opened_on")


@dataclass(frozen=True)
class VehicleRecord:
    """All that is known of one vehicle.

    Attributes
    ----------
    as_of : the day from which days are counted.
    pace : distance a day over the last ``pace_days`` before the last reading; None where unknown.
    orders : ``shop``, ``ro_no``, ``opened_on``, ``closed_on``, ``odometer``, ``distance``,
        ``distance_estimated``, ``technician`` (null where the store does not show names, here as in
        ``windows`` and ``last_open``), ``complaint``, ``cause``, ``correction``, ``fault_codes``
        (text), ``road_tested``, ``codes_cleared``, ``lines`` (how many),
        ``kind`` ("failure" where any line failed, "planned" where all are planned service, else
        "other"), ``told_with`` (the other orders of the same visit, in words), newest first.
    lines : ``shop``, ``ro_no``, ``opened_on``, ``odometer``, ``distance``, ``line_no``,
        ``component``, ``title``, ``position`` (in words), ``action``, ``reason``,
        ``failure_mode``, ``part_no``, ``part_maker``, ``part_lot``, ``qty``, ``description``,
        ``left_out`` (why the line counts for nothing, else null).
    parts : what sits at every position: ``system``, ``component``, ``title``, ``positions`` (in
        words), ``ordinals``, ``count``, ``generation``, ``begun_by`` ("factory", "replaced",
        "repaired"), ``generation_assumed``, ``position_assumed``, ``age_distance``,
        ``age_days``, ``part_maker``, ``part_lot``, ``part_no``, ``fitted_on``, ``shop``,
        ``ro_no`` (of the fitting), ``safety_critical``, ``touched`` (some line renewed a part of
        this component); touched ones first. Positions with the same history are one row.
    due : see :func:`fleetlog.analyses.due_tasks.due_tasks`; empty where the vehicle is retired.
    windows : repairs that may still come back, see
        :func:`fleetlog.analyses.open_windows.open_windows`.
    last_open : for each group of parts laid open by one teardown the last visit that opened it:
        ``group``, ``shop``, ``ro_no``, ``opened_on``, ``distance``, ``since_distance``,
        ``since_days``, ``technician``, ``cause``, ``correction``, ``parts`` and ``torques`` (in
        words).
    doubts : what is not settled about these records: ``what``, ``count``, ``where`` and ``do``.
    meters : ``read_on``, ``odometer``, ``source``, ``verdict``, ``why``, ``distance``,
        ``segment`` (a new one where the instrument was changed), ``engine_hours``,
        ``hours_verdict``, ``hours_why``, ``hours``.
    torques : ``opened_on``, ``shop``, ``ro_no``, ``fastener``, ``value``, ``unit``,
        ``newton_metres``, ``doubt`` (words, where it is about twelve times its fellows or a
        twelfth): what was written down on past jobs, which is no specification.
    """

    vin: str
    unit_no: str | None
    plate: str | None
    engine_family: str
    engine_title: str
    model_year: int | None
    duty: str | None
    depot: str | None
    in_service_on: date
    watched_from_on: date
    watched_from_distance: int
    last_seen_on: date
    last_seen_distance: int
    retired_on: date | None
    as_of: date
    pace: float | None
    pace_days: int | None
    unit: str
    window_days: int
    window_distance: float
    orders: pl.DataFrame
    lines: pl.DataFrame
    parts: pl.DataFrame
    due: pl.DataFrame
    windows: pl.DataFrame
    last_open: pl.DataFrame
    doubts: pl.DataFrame
    meters: pl.DataFrame
    torques: pl.DataFrame
    summary: tuple[str, ...]


def vehicle_record(
    store: Store,
    key: str,
    *,
    on: date | None = None,
    window_days: int = int(COMEBACK_DAYS.value),
    window_distance: float | None = None,
) -> VehicleRecord:
    """Return the record of the vehicle that ``key`` names.

    This reads the rows of one vehicle alone. What the fleet's lives say of its parts takes a look
    at all vehicles of its family: :func:`fleetlog.analyses.vehicle_warnings`.

    Parameters
    ----------
    key : a whole VIN or any part of it, a unit number, a plate, a repair order number or a part
        of one, as :func:`fleetlog.analyses.choices.find_vehicles` takes it.
    on : the day from which what is due and what may come back is told; None for the last day of
        which the store has a reading of any vehicle (of a retired vehicle: its last day).
    window_days, window_distance : of comebacks, by default
        :data:`fleetlog.settings.COMEBACK_DAYS` and :data:`fleetlog.settings.COMEBACK_MILES`.

    Raises
    ------
    InputError : no vehicle answers to the key, or several do (the sentence lists them); a window
        that is not positive; a day before the vehicle entered service.
    """
    if not key.strip():
        raise InputError(
            "no vehicle was named: give a VIN or a part of it, a unit, a plate or an RO number"
        )
    if window_distance is None:
        window_distance = convert_distance(COMEBACK_MILES.value, "mi", store.distance_unit)
    if window_days <= 0 or window_distance <= 0:
        raise InputError("the window must be longer than nought: give days and a distance above 0")
    # One connection for all: opening a large store costs as much as most of the questions.
    with store.read() as connection:
        read = _read_named(connection, key)
    if read is None:
        raise _not_one(store, key)
    vin, head, orders = read["head"]["vin"], read["head"], read["orders"]
    day = on or (head["last_seen_on"] if head["retired_on"] else head["known_to"])
    if day is None or day < head["in_service_on"]:
        raise InputError(
            f"{vin} entered service on {head['in_service_on']:%Y-%m-%d}: give a day after that"
        )
    lines = read["lines"].join(
        orders.select("ro_id", *ORDER_FACTS, "odometer", "distance"), on="ro_id",
        maintain_order="left",
    ).sort("opened_on", "ro_id", "line_no", descending=[True, True, False])  # fmt: skip
    pace = pace_of(head)
    rules = read["rules"].head(0) if head["retired_on"] else read["rules"]
    torques = _named(read["torques"], orders)
    record = VehicleRecord(
        **{name: head[name] for name in VehicleRecord.__dataclass_fields__ if name in head},
        as_of=day,
        pace=pace.per_day if pace else None,
        pace_days=pace.over_days if pace else None,
        unit=store.distance_unit,
        window_days=window_days,
        window_distance=window_distance,
        orders=_told(orders, lines),
        lines=_in_words(lines, read["names"], "position").select(
            "shop", "ro_no", "opened_on", "odometer", "distance", "line_no", "component", "title",
            "position", "action", "reason", "failure_mode", "part_no", "part_maker", "part_lot",
            "qty", "description", "left_out",
        ),
        parts=_parts(read["parts"], orders, read["names"]),
        due=due_tasks(rules, lines, read["meters"], head, _ordinals(read["names"]), day),
        windows=open_windows(
            orders, lines, head, pace, day, unrelated=read["unrelated"],
            window_days=window_days, window_distance=window_distance,
        ),
        last_open=_last_open(orders, lines, torques, head, day),
        doubts=_doubts(read, orders, lines, torques),
        meters=read["meters"],
        torques=torques.select(
            "opened_on", "shop", "ro_no", "fastener", "value", "unit", "newton_metres", "doubt"
        ),
        summary=(),
    )  # fmt: skip
    hidden = [TECHNICIANS_HIDDEN] if orders["technician_hidden"].any() else []
    return replace(record, summary=(*_summary(record), *hidden))


def _read_named(connection: duckdb.DuckDBPyConnection, key: str) -> dict[str, Any] | None:
    """Return what :func:`_read` does for the one vehicle that a key names; None where not one."""
    vin = _vin_named(connection, key)
    if vin is None:
        return None
    read = _read(connection, vin)
    if read is None:
        raise InputError(
            f"nothing was read of {vin} yet, neither an odometer nor an order: load its records"
        )
    return read


def _vin_named(connection: duckdb.DuckDBPyConnection, key: str) -> str | None:
    """Return the VIN of the one vehicle that a key names; None where it names none or several."""
    vins = vins_named(connection, key)["vin"].to_list()
    return str(vins[0]) if len(vins) == 1 else None


def _read(connection: duckdb.DuckDBPyConnection, vin: str) -> dict[str, Any] | None:
    """Return the frames of one vehicle by name and its head as a row; None where it has none."""

    def rows(name: str, **parameters: Any) -> pl.DataFrame:
        frame: pl.DataFrame = connection.sql(read_sql("analyses", name), params=parameters).pl()
        return frame

    head = rows("vehicle_head", vin=vin)
    if head.is_empty():
        return None
    known = head.row(0, named=True)
    family, built = known["engine_family"], {"vin": vin, "built_no": known["built_no"]}
    orders = rows("vehicle_orders", **built)
    ids = orders["ro_id"].to_list()
    torqued = rows("vehicle_has_torques", orders=ids).item()
    return {
        "head": known,
        "orders": orders,
        "lines": rows("vehicle_lines", engine_family=family, orders=ids),
        "parts": rows(
            "vehicle_parts",
            engine_family=family,
            orders=ids,
            generation_assumed=known["generation_assumed"],
            age_distance=known["last_seen_distance"] - known["start_distance"],
            age_days=(known["last_seen_on"] - known["in_service_on"]).days,
        ),
        "meters": rows("vehicle_meters", **built),
        # Judging a torque reads those of all its fellows: most vehicles have none to judge.
        "torques": rows("vehicle_torques", orders=ids) if torqued else _NO_TORQUES,
        "rules": rows("vehicle_rules", engine_family=family),
        "names": rows("position_names", component=None, engine_family=family),
        "pairs": rows("vehicle_doubtful_orders", vin=vin),
        "unrelated": rows("vehicle_unrelated"),
    }


def the_one_vehicle(store: Store, key: str) -> str:
    """Return the VIN of the vehicle that a key names.

    Raises
    ------
    InputError : none answers to it, or several do; the sentence lists them.
    """
    with store.read() as connection:
        vin = _vin_named(connection, key)
    if vin is None:
        raise _not_one(store, key)
    return vin


def _not_one(store: Store, key: str) -> InputError:
    """Return the error that says why a key names no vehicle, or which several it may name."""
    found = find_vehicles(store, key)
    if found.is_empty():
        near = near_vehicles(store, key)
        if near.height:
            meant = " or ".join(f"{vin} ({what})" for vin, what in near.head(MOST_NAMED).rows())
            return InputError(f"no vehicle answers to {key!r}: did you mean {meant}?")
        return InputError(
            f"no vehicle answers to {key!r}: give a VIN, a unit number, a plate or an RO number as "
            "the records have them, or at least three characters of one"
        )
    alike = listed(
        f"{vin} (unit {unit or 'not given'}, by {by})"
        for vin, unit, by in found["vin", "unit_no", "matched"].rows()
    )
    return InputError(f"{key!r} may mean {alike}: give more of the VIN")


def _named(rows: pl.DataFrame, orders: pl.DataFrame) -> pl.DataFrame:
    """Give rows the name and day of their order, newest first."""
    named = rows.join(orders.select("ro_id", "visit_ro", *ORDER_FACTS), on="ro_id", how="left")
    return named.sort("opened_on", "ro_id", "fastener", descending=[True, True, False])


def _in_words(rows: pl.DataFrame, names: pl.DataFrame, column: str) -> pl.DataFrame:
    said = position_words(rows, names, assumed="position_assumed")
    return rows.with_columns(said.alias(column))


def _parts(parts: pl.DataFrame, orders: pl.DataFrame, names: pl.DataFrame) -> pl.DataFrame:
    fitted = orders.select("ro_id", "shop", "ro_no", fitted_on="opened_on")
    joined = parts.with_columns(ordinals="positions").join(
        fitted, left_on="fitted_ro", right_on="ro_id", how="left", maintain_order="left"
    )
    return joined.with_columns(
        positions=position_words(joined, names, assumed="position_assumed")
    ).select(
        "system", "component", "title", "positions", "ordinals", "count", "generation", "begun_by",
        "generation_assumed", "position_assumed", "age_distance", "age_days", "part_maker",
        "part_lot", "part_no", "fitted_on", "shop", "ro_no", "safety_critical", "touched",
    )  # fmt: skip


def _ordinals(names: pl.DataFrame) -> dict[str, list[int]]:
    grouped = names.group_by("component").agg(pl.col("ordinal"))
    return dict(grouped.iter_rows())


def _told(orders: pl.DataFrame, lines: pl.DataFrame) -> pl.DataFrame:
    """Give each order the count and kind of its lines, and the orders that tell of its visit."""
    work = lines.group_by("ro_id").agg(
        lines=pl.len().cast(pl.Int64),
        kind=pl.when((pl.col("reason") == "failed").any())
        .then(pl.lit("failure"))
        .when((pl.col("reason") == "planned").all())
        .then(pl.lit("planned"))
        .otherwise(pl.lit("other")),
    )
    name = pl.format("RO {} ({})", "ro_no", "shop")
    visits = (
        orders.select("ro_id", "visit_ro", name=name)
        .join(orders.select("visit_ro", other="ro_id", other_name=name), on="visit_ro")
        .filter(pl.col("ro_id") != pl.col("other"))
        .group_by("ro_id")
        .agg(told_with=pl.col("other_name").sort().str.join(", "))
    )
    return (
        orders.join(work, on="ro_id", how="left", maintain_order="left")
        .join(visits, on="ro_id", how="left", maintain_order="left")
        .with_columns(pl.col("lines").fill_null(0), pl.col("kind").fill_null("other"))
        .drop("ro_id", "visit_ro", "technician_hidden")
    )


def _last_open(
    orders: pl.DataFrame, lines: pl.DataFrame, torques: pl.DataFrame, head: dict[str, Any],
    day: date,
) -> pl.DataFrame:  # fmt: skip
    """Return the last visit on which each access group was laid open: more than looked at."""
    titles = {code: group.title for code, group in load_catalogue().access_groups.items()}
    opened = lines.filter(
        pl.col("access_group").is_not_null() & pl.col("action").is_in(["replaced", "repaired"])
    ).join(orders.select("ro_id", "visit_ro"), on="ro_id")
    last = (
        opened.sort("opened_on", "ro_id", descending=True)
        .group_by("access_group", maintain_order=True)
        .agg(pl.col("visit_ro").first(), pl.col("ro_id").first())
    )
    visit = opened.join(last.select("access_group", "visit_ro"), on=["access_group", "visit_ro"])
    parts = visit.group_by("access_group").agg(
        parts=pl.col("title").unique(maintain_order=True).sort().str.join(", ")
    )
    noted = (
        torques.with_columns(
            said=pl.format("{} {} {}", "fastener", "value", "unit")
            + pl.when(pl.col("doubt").is_null()).then(pl.lit("")).otherwise(pl.lit(" (in doubt)"))
        )
        .group_by("visit_ro")
        .agg(torques=pl.col("said").str.join("; "))
    )
    return (
        last.join(
            orders.select(
                "ro_id", *ORDER_FACTS, "distance", "technician", "cause", "correction"
            ), on="ro_id",
        )
        .join(parts, on="access_group")
        .join(noted, on="visit_ro", how="left")
        .select(
            pl.col("access_group").replace_strict(titles, return_dtype=pl.String).alias("group"),
            *ORDER_FACTS, "distance",
            (head["last_seen_distance"] - pl.col("distance")).alias("since_distance"),
            (pl.lit(day) - pl.col("opened_on")).dt.total_days().alias("since_days"),
            "technician", "cause", "correction", "parts", "torques",
        )
        .sort("opened_on", "group", descending=[True, False])
    )  # fmt: skip


def _doubts(
    read: dict[str, Any], orders: pl.DataFrame, lines: pl.DataFrame, torques: pl.DataFrame
) -> pl.DataFrame:
    """List what is not settled about the records of this vehicle, each with its count."""
    meters, pairs = read["meters"], read["pairs"]
    name = pl.format("RO {} ({})", "ro_no", "shop")
    named = orders.select("ro_id", name=name)
    days = pl.col("read_on").dt.to_string("%Y-%m-%d")
    told = [
        (
            "odometer readings set aside",
            meters.filter(pl.col("verdict") == "set aside", pl.col("odometer").is_not_null())
            .select(pl.format("{} on {}: {}", "odometer", days, pl.col("why").fill_null("")))
            .to_series(),
            "look at the instrument and at what was written",
        ),
        (
            "odometer readings corrected",
            meters.filter(pl.col("verdict") == "corrected")
            .select(pl.format("{} on {}: {}", "odometer", days, pl.col("why").fill_null("")))
            .to_series(),
            "check that the reading meant is the one taken",
        ),
        (
            "engine-hour readings set aside or corrected",
            meters.filter(pl.col("hours_verdict").is_in(["set aside", "corrected"]))
            .select(
                pl.format("{} on {}: {}", "engine_hours", days, pl.col("hours_why").fill_null(""))
            )
            .to_series(),
            "look at the hour meter and at what was written",
        ),
        (
            "pairs of orders that may tell one job twice",
            pairs.join(named, left_on="first_ro", right_on="ro_id", maintain_order="left")
            .join(named, left_on="second_ro", right_on="ro_id", suffix="_2", maintain_order="left")
            .select(pl.format("{} and {}", "name", "name_2"))
            .to_series(),
            "say whether they are one job: both count until somebody does",
        ),
        (
            "lines whose part was not recognised",
            lines.filter(pl.col("component").is_null()).select(name).to_series().unique(
                maintain_order=True
            ),
            "code them in the review, for they count for no part",
        ),
        (
            "lines left out for another reason",
            lines.filter(
                pl.col("component").is_not_null()
                & pl.col("left_out").is_not_null()
                & ~pl.col("left_out").str.starts_with("the same line as").fill_null(value=False)
            ).select(pl.format("RO {} ({}): {}", "ro_no", "shop", "left_out")).to_series(),
            "correct the order or the fleet list",
        ),
        (
            "lines that did not say the position",
            lines.filter("position_assumed").select(name).to_series().unique(maintain_order=True),
            "the place is assumed: look before trusting the age of that part",
        ),
        (
            "orders without a believed odometer",
            orders.filter(pl.col("distance_estimated")).select(name).to_series(),
            "their distance is worked out from other readings",
        ),
        (
            "torques that may be in the wrong unit",
            torques.filter(pl.col("doubt").is_not_null())
            .select(pl.format("RO {} ({}), {}: {}", "ro_no", "shop", "fastener", "doubt"))
            .to_series(),
            "do not copy them",
        ),
    ]  # fmt: skip
    rows = [
        {"what": what, "count": len(where), "where": "; ".join(where.to_list()), "do": do}
        for what, where, do in told
        if len(where)
    ]
    schema = {"what": pl.String, "count": pl.Int64, "where": pl.String, "do": pl.String}
    return pl.DataFrame(rows, schema=schema)


def _summary(record: VehicleRecord) -> tuple[str, ...]:
    unit = f"unit {record.unit_no}, " if record.unit_no else ""
    said = [
        f"{record.vin} ({unit}{record.engine_title}"
        f"{f', {record.model_year}' if record.model_year else ''}): last seen "
        f"{record.last_seen_on:%Y-%m-%d} at {number(record.last_seen_distance, record.unit)}, "
        f"{counted(record.orders.height, 'repair order')}."
    ]
    if record.retired_on:
        said.append(f"Retired {record.retired_on:%Y-%m-%d}: nothing is due.")
    said += _due_sentences(record) + _window_sentences(record)
    if record.watched_from_on > record.in_service_on:
        said.append(
            f"Watched only from {record.watched_from_on:%Y-%m-%d}: what was renewed before is "
            "unknown."
        )
    often = (
        record.lines.filter((pl.col("reason") == "failed") & pl.col("left_out").is_null())
        .drop_nulls("title")
        .group_by("title")
        .agg(orders=pl.struct("shop", "ro_no").n_unique())
        .filter(pl.col("orders") > 1)
        .sort("orders", "title", descending=[True, False])
    )
    if often.height:
        named = [f"{title.lower()} ({orders} orders)" for title, orders in often.rows()]
        more = len(named) - MOST_REPEATED
        if more > 0:
            named = [*named[:MOST_REPEATED], counted(more, "other")]
        said.append(f"Failed more than once: {listed(named)}.")
    doubtful = record.meters.filter(
        (pl.col("verdict") != "used") & pl.col("odometer").is_not_null()
    ).height
    if doubtful:
        said.append(f"{counted(doubtful, 'odometer reading')} corrected or set aside.")
    slips = record.torques.filter(pl.col("doubt").is_not_null()).height
    if slips:
        said.append(
            f"{counted(slips, 'torque')} about twelve times others of that fastener, or a twelfth: "
            "inch-pounds and foot-pounds may have been mixed up."
        )
    return tuple(said)


def _due_sentences(record: VehicleRecord) -> list[str]:
    said = []
    for state, word in (("overdue", "Overdue"), ("due", "Due soon")):
        tasks = record.due.filter(pl.col("state") == state)
        if tasks.height:
            named = listed(
                f"{task} (safety-critical)" if critical else task
                for task, critical in tasks.select("task", "safety_critical").iter_rows()
            )
            said.append(f"{word} on {record.as_of:%Y-%m-%d}: {named}.")
    if record.due.height and not said:
        said.append(
            f"Nothing is overdue on {record.as_of:%Y-%m-%d}, and nothing is due within "
            f"{DUE_SOON_DAYS.value:g} days."
        )
    unknown = record.due.filter(pl.col("state") == "not known").height
    if unknown:
        said.append(f"When last done is not known of {counted(unknown, 'task')}.")
    return said


def _window_sentences(record: VehicleRecord) -> list[str]:
    if record.windows.is_empty():
        return []
    named = listed(
        f"{title.lower()} (RO {ro_no}, {shop}; until {until:%Y-%m-%d} or "
        f"{number(distance, record.unit)})"
        for title, ro_no, shop, until, distance in record.windows.select(
            "title", "ro_no", "shop", "until_on", "until_distance"
        ).iter_rows()
    )
    return [f"May still come back: {named}."]
