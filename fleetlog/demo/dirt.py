"""Spoil clean records the way real ones are spoilt, and keep count of every spoilt row."""

import numpy as np
import polars as pl
from numpy.typing import NDArray

from fleetlog.demo.fleet import WMI, Floats, Ints, with_check_digit
from fleetlog.demo.parameters import CLUSTER, DirtRates

KM_PER_MILE = 1.609344  # exact: NIST SP 811

ORDER_KINDS = (
    "vin_slip",
    "unknown_vin",
    "wrong_distance_unit",
    "reading_back",
    "negative_odometer",
    "missing_odometer",
    "second_date_style",
    "duplicated_order",
)
LINE_KINDS = ("no_position", "free_text_only", "cluster_swap")
KINDS = (*ORDER_KINDS, *LINE_KINDS)


def mark_clean(lines: pl.DataFrame) -> pl.DataFrame:
    """Add the columns that dirt fills: every flag false, every true value as written."""
    return lines.with_columns(pl.lit(value=False).alias(kind) for kind in KINDS).with_columns(
        true_vin="vin",
        true_odometer="odometer",
        true_component="component",
        true_position="position",
    )


def spoil(
    rng: np.random.Generator, lines: pl.DataFrame, rates: DirtRates, *, date_styles: bool
) -> pl.DataFrame:
    """Spoil a flat frame of orders and lines; one order gets at most one fault of each sort.

    Parameters
    ----------
    lines : as `shop_work.assemble` gives it, with `odometer` in whole miles.
    date_styles : whether dates are written as text, so that a second style can occur.

    Returns
    -------
    The frame with a flag per kind of dirt, `true_vin` and `true_odometer`; repeated orders
    stand at its end.
    """
    lines = mark_clean(lines)
    firsts = lines.unique("order", keep="first", maintain_order=True)
    count = firsts.height
    vin = firsts["vin"].to_numpy().astype("U17")
    vin_kind = _pick(rng, count, (rates.vin_slip, rates.unknown_vin))
    slipped, unknown = vin_kind == 0, vin_kind == 1
    written = vin.copy()
    written[slipped] = _slip(rng, vin[slipped])
    written[unknown] = _unknown(vin[unknown])

    odometer = firsts["odometer"].to_numpy().astype(np.float64)
    meter_kind = _pick(
        rng,
        count,
        (
            rates.wrong_distance_unit,
            rates.reading_back,
            rates.negative_odometer,
            rates.missing_odometer,
        ),
    )
    low = odometer < 45_000
    backwards = (meter_kind == 1) & ~low
    shown = odometer.copy()
    shown[backwards] -= rng.integers(5_000, 30_000, size=backwards.sum())
    shown[meter_kind == 2] *= -1
    second_style = (rng.random(count) < rates.second_date_style) & date_styles
    free_text = (
        (rng.random(count) < rates.free_text_only)
        & (lines.group_by("order", maintain_order=True).len()["len"] == 1).to_numpy()
        & (firsts["reason"] == "failed").to_numpy()
        & (firsts["component"] != CLUSTER).to_numpy()
    )
    orders = pl.DataFrame(
        {
            "order": firsts["order"],
            "vin": written,
            "odometer": pl.Series(shown).cast(pl.Int64),
            "vin_slip": slipped,
            "unknown_vin": unknown,
            "wrong_distance_unit": meter_kind == 0,
            "reading_back": backwards,
            "negative_odometer": (meter_kind == 2) & (shown < 0),
            "missing_odometer": meter_kind == 3,
            "second_date_style": second_style,
            "free_text_only": free_text,
            "repeats": rng.random(count) < rates.duplicated_order,
        }
    ).with_columns(pl.when(~pl.col("missing_odometer")).then("odometer").alias("odometer"))
    spoilt = (
        lines.drop([name for name in orders.columns if name != "order"], strict=False)
        .join(orders, on="order", how="left", maintain_order="left")
        .with_columns(
            no_position=pl.Series(rng.random(lines.height) < rates.no_position)
            & (pl.col("position") != "")
            & ~pl.col("free_text_only"),
            cluster_swap=pl.col("component") == CLUSTER,
        )
    )
    nowhere = pl.col("no_position") | pl.col("free_text_only")
    silent = pl.col("no_position").any().over("order")
    spoilt = spoilt.with_columns(
        # Where a line lacks its position, the story of the order does not tell it either.
        *(
            pl.when(silent).then(f"{name}_without_place").otherwise(name).alias(name)
            for name in ("cause", "correction")
        ),
        *(
            pl.when(~nowhere).then(name).alias(name)
            for name in ("bank", "cylinder", "side", "slot", "position")
        ),
        *(
            pl.when(~pl.col("free_text_only")).then(name).alias(name)
            for name in (
                "written_0",
                "written_1",
                "written_2",
                "action",
                "reason",
                "failure_mode",
                "part_no",
                "part_maker",
                "part_lot",
            )
        ),
    )
    repeated = spoilt.filter("repeats").with_columns(duplicated_order=pl.lit(value=True))
    return pl.concat([spoilt, repeated]).drop("repeats")


def _pick(rng: np.random.Generator, count: int, shares: tuple[float, ...]) -> Ints:
    """For each order the index of the fault that it gets; len(shares) means none."""
    return np.searchsorted(np.cumsum(shares), rng.random(count), side="right")


def _slip(rng: np.random.Generator, vin: NDArray[np.str_]) -> NDArray[np.str_]:
    """Typing slips: the letter O for a zero, or two neighbouring characters changed round."""
    characters = np.ascontiguousarray(vin.astype("S17")).view(np.uint8).reshape(-1, 17).copy()
    row = np.arange(len(vin))
    zeros = characters == ord("0")
    differ = characters[:, :-1] != characters[:, 1:]
    differ[:, :3] = False
    letter = zeros.any(axis=1) & (rng.random(len(vin)) < 0.5)
    at_zero = np.where(zeros, rng.random(zeros.shape), -1.0).argmax(axis=1)
    at_pair = np.where(differ, rng.random(differ.shape), -1.0).argmax(axis=1)
    characters[row[letter], at_zero[letter]] = ord("O")
    swap, at = row[~letter], at_pair[~letter]
    characters[swap, at], characters[swap, at + 1] = (
        characters[swap, at + 1].copy(),
        characters[swap, at].copy(),
    )
    return characters.view("S17").ravel().astype("U17")


def _unknown(
    vin: NDArray[np.str_],
) -> NDArray[np.str_]:
    """Right VINs of vehicles that the fleet does not have."""
    characters = np.ascontiguousarray(vin.astype("S17")).view(np.uint8).reshape(-1, 17).copy()
    characters[:, :5] = np.frombuffer(f"{WMI}ZZ".encode(), dtype=np.uint8)
    return with_check_digit(characters)


def swap_days(
    rng: np.random.Generator,
    observed_day: Ints,
    last_day: Ints,
    retired: NDArray[np.bool_],
    rate: float,
) -> Floats:
    """Day on which each vehicle's instrument cluster is changed; NaN for most.

    Only vehicles still in the fleet are chosen, so that a retirement odometer is never that
    of a second cluster.
    """
    count = len(observed_day)
    chosen = (rng.random(count) < rate) & ~retired & (last_day - observed_day > 500)
    share = rng.uniform(0.3, 0.8, size=count)
    day = np.floor(observed_day + share * (last_day - observed_day))
    weekday = (day + 3) % 7
    day += np.where(weekday >= 5, 7 - weekday, 0)
    return np.where(chosen, day, np.nan)
