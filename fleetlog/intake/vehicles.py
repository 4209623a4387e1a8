"""Find which vehicle each row of a file speaks of: by VIN, unit number or plate.

Only the distinct texts are looked at; the scratch database joins what was found back to the rows.
A miswritten VIN is compared with those of the fleet. The probability that one of them was meant
is its weight, by the kind of slip, over the weights of all that may have been meant, a vehicle
outside the fleet among them. The weights are settings.
"""

from __future__ import annotations

from collections.abc import Iterator

import duckdb
import polars as pl

from fleetlog.intake.frames import filled, keep_frame, run, set_variables
from fleetlog.settings import (
    VIN_LENGTH,
    VIN_LOOK_ALIKE,
    VIN_MENDED_ABOVE,
    VIN_SECOND_SLIP,
    VIN_TRANSPOSED,
    VIN_UNLISTED,
    VIN_UNLISTED_SOUND,
)
from fleetlog.sql import read_sql
from fleetlog.vin import check_digits, mend_candidates, near_vins, tidied, validate

SHORTEST_END, LONGEST_END = 6, 8
"""So many last characters of a VIN are commonly written for the whole of it."""
MOST_NAMED = 3
"""So many near VINs are named to the person who corrects one."""
WEIGHT = {
    "look-alike": float(VIN_LOOK_ALIKE.value),
    "transposed": float(VIN_TRANSPOSED.value),
    "missing": float(VIN_LENGTH.value),
    "doubled": float(VIN_LENGTH.value),
    "wrong character": 1.0,
}
CANDIDATE = ("written", "vin", "slip", "what", "certainty")
BATCH = 20_000

_NO_CANDIDATE = pl.DataFrame(schema=dict.fromkeys(CANDIDATE, pl.String) | {"certainty": pl.Float64})


def find_vehicles(connection: duckdb.DuckDBPyConnection) -> None:
    """Build ``vehicle_found`` from the texts of ``cell`` and the fleet in ``known_vehicle``.

    One row for each distinct (vin, unit_no, plate) as written, and within it for each span of
    days in which the answer is the same: ``vin``, or the ``trouble`` that keeps it from being
    known, and ``notes`` where the vehicle was not simply read. Linear in the rows.
    """
    run(connection, "vehicle_key")
    written = connection.sql(read_sql("intake", "vin_texts")).pl()["written"]
    fleet = connection.sql(read_sql("intake", "fleet_vins")).pl()["vin"]
    texts = read_vins(written, fleet)
    unknown = texts.filter(~pl.col("known"))
    candidates = pl.concat([weigh_slips(unknown, fleet), find_ends(unknown, fleet)])
    keep_frame(connection, "vin_text", texts.join(_best(candidates), on="written", how="left"))
    keep_frame(connection, "vin_candidate", candidates)
    set_variables(connection, {"mended_above": VIN_MENDED_ABOVE.value})
    run(connection, "find_vehicles")


def look_up_vins(connection: duckdb.DuckDBPyConnection) -> None:
    """Build ``vin_text`` for a fleet list: each distinct VIN, as it is kept, and its faults.

    A new vehicle is often the sister of one in the fleet, so nearness to the fleet mends nothing
    here. Mended are only letters that no VIN holds, where the check digit then is right; else
    what may have been meant is named.
    """
    written = connection.sql(filled("distinct", column="vin")).pl()["written"]
    fleet = connection.sql(read_sql("intake", "fleet_vins")).pl()["vin"]
    texts = read_vins(written, fleet)
    faulty = texts.filter(pl.col("problem").is_not_null())
    # Some at a time: there are about fifty candidates for each.
    alone = pl.concat(
        _best(_certainties(mend_candidates(batch["written"]), batch)) for batch in _slices(faulty)
    )
    forced = alone.filter(
        pl.col("certainty") >= VIN_MENDED_ABOVE.value,
        pl.col("slip") == "look-alike",
        pl.col("written").str.contains("(?i)[OIQ]"),
    )
    near = pl.concat(
        [
            _best(weigh_slips(faulty, fleet)).with_columns(place=pl.lit("the fleet has ")),
            alone.with_columns(place=pl.lit("with a right check digit it may be ")),
        ]
    ).unique("written", keep="first", maintain_order=True)
    keep_frame(
        connection,
        "vin_text",
        texts.join(
            forced.select("written", mended="best", what="what", certainty="certainty"),
            on="written",
            how="left",
        ).join(
            near.select("written", near=pl.col("place") + pl.col("near")), "written", how="left"
        ),
    )


def read_vins(written: pl.Series, fleet: pl.Series) -> pl.DataFrame:
    """Return ``written``, ``vin`` (tidied), whether ``known`` in the fleet, and the ``problem``.

    A VIN of the fleet needs no checking; its problem is null, as that of a sound one.
    """
    texts = pl.DataFrame({"written": written}).with_columns(vin=tidied(pl.col("written")))
    known = texts["vin"].is_in(fleet.implode())
    digits = check_digits(texts["vin"])
    sound = (digits == texts["vin"].str.slice(8, 1)).fill_null(value=False)
    # Only the faulty ones are looked at one by one, for the sentence.
    faulty = texts.filter(~(sound | known))["vin"].unique()
    problems = pl.DataFrame(
        {
            "vin": faulty,
            "problem": pl.Series([_as_clause(validate(vin)) for vin in faulty], dtype=pl.String),
        }
    )
    return texts.with_columns(known=known).join(problems, on="vin", how="left")


def weigh_slips(texts: pl.DataFrame, fleet: pl.Series) -> pl.DataFrame:
    """Return the VINs of the fleet that texts may stand for: the columns CANDIDATE.

    ``texts`` has the columns ``written`` and ``problem``. Linear in the texts and the fleet.
    """
    if texts.is_empty():
        return _NO_CANDIDATE
    return _certainties(near_vins(texts["written"], fleet), texts).select(CANDIDATE)


def find_ends(texts: pl.DataFrame, fleet: pl.Series) -> pl.DataFrame:
    """Return the VINs of the fleet that end as the short texts among ``texts`` do.

    ``texts`` has the columns ``written`` and ``vin``; the result is as from :func:`weigh_slips`,
    and each of several vehicles with one end is as likely as the others.
    """
    length = pl.col("vin").str.len_chars()
    short = texts.filter(length.is_between(SHORTEST_END, LONGEST_END)).with_columns(length=length)
    vins = fleet.alias("vin").to_frame()
    ends = [
        short.filter(pl.col("length") == length)
        .select("written", "length", end="vin")
        .join(vins.with_columns(end=pl.col("vin").str.tail(length)), on="end")
        for length in short["length"].unique().sort()
    ]
    if not ends:
        return _NO_CANDIDATE
    return (
        pl.concat(ends)
        .with_columns(
            slip=pl.lit("end"),
            what=pl.format("its last {} characters", "length"),
            certainty=1.0 / pl.len().over("written"),
        )
        .select(CANDIDATE)
    )


def _certainties(candidates: pl.DataFrame, texts: pl.DataFrame) -> pl.DataFrame:
    """Add the ``certainty`` to candidates: its weight among all that may have been meant."""
    unlisted = texts.select(
        "written",
        unlisted=pl.when(pl.col("problem").is_null())
        .then(VIN_UNLISTED_SOUND.value)
        .otherwise(VIN_UNLISTED.value),
    )
    second = pl.when("second").then(VIN_SECOND_SLIP.value).otherwise(1.0)
    return (
        candidates.with_columns(
            weight=pl.col("slip").replace_strict(WEIGHT, return_dtype=pl.Float64) * second
        )
        .join(unlisted, on="written", how="left", maintain_order="left")
        .with_columns(
            certainty=pl.col("weight")
            / (pl.col("weight").sum().over("written") + pl.col("unlisted"))
        )
    )


def _slices(texts: pl.DataFrame) -> Iterator[pl.DataFrame]:
    """Take a frame apart; at least one slice, be it empty."""
    for start in range(0, max(texts.height, 1), BATCH):
        yield texts.slice(start, BATCH)


def _best(candidates: pl.DataFrame) -> pl.DataFrame:
    """Return for each text its ``best`` candidate, and the ``near`` ones as a sentence."""
    named = pl.format("{} ({})", "vin", "what")
    further = pl.len().cast(pl.Int64) - MOST_NAMED
    return (
        candidates.sort("written", "certainty", "vin", descending=[False, True, False])
        .group_by("written", maintain_order=True)
        .agg(
            best=pl.col("vin").first(),
            slip=pl.col("slip").first(),
            what=pl.col("what").first(),
            certainty=pl.col("certainty").first(),
            near=pl.concat_str(
                named.head(MOST_NAMED).str.join(", "),
                pl.when(further > 0).then(pl.format(" and {} more", further)).otherwise(pl.lit("")),
            ),
        )
    )


def _as_clause(problems: list[str]) -> str:
    return "is not a sound VIN: " + " ".join(problems).rstrip(".")
