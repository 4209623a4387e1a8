"""Clean histories of our own, spoilt one way at a time: what is found, mended, wrongly dropped."""

from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from fleetlog.lives import rebuild
from fleetlog.store import Store
from fleetlog.units import convert_distance

VEHICLES = 150
READINGS = 60
START = date(2015, 1, 1)
MILE = convert_distance(1.0, "mi", "km")


def clean_histories(seed, vehicles=VEHICLES, readings=READINGS):
    """Fuel readings of a fleet: a pace of its own for each vehicle, that varies and drifts."""
    rng = np.random.default_rng(seed)
    gaps = rng.integers(5, 45, size=(vehicles, readings))
    usual = rng.gamma(6.0, 9.0, size=(vehicles, 1)) + 8
    phase = rng.uniform(0, 2 * np.pi, size=(vehicles, 1))
    drift = 1 + 0.2 * np.sin(phase + np.linspace(0, 12, readings)[None, :])
    # Compound weeks: the variance of what is driven grows with the days, as in any renewal process.
    driven = rng.gamma(gaps / 3.0, 3.0 * usual * drift)
    odometer = np.rint(rng.integers(5, 200, size=(vehicles, 1)) + np.cumsum(driven, axis=1))
    return np.cumsum(gaps, axis=1), odometer.astype(np.int64), rng


def fill(store, day, odometer, *, hours=None, order=None, start=None):
    """Write readings (vehicles, n) into the store; those marked as `order` are repair orders."""
    vehicles, count = day.shape
    vin = np.repeat([f"{number:017d}" for number in range(vehicles)], count)
    read_on = np.datetime64("2015-01-01") + day.ravel()
    frame = pl.DataFrame(
        {"vin": vin, "read_on": read_on, "odometer": odometer.ravel(),
         "row": np.arange(day.size) + 1,
         "is_order": np.zeros(day.size, bool) if order is None else order.ravel()}
    ).with_columns(
        pl.when(pl.col("odometer") >= 0).then("odometer").alias("odometer"),
        engine_hours=pl.lit(None, pl.Float64) if hours is None else pl.Series(hours.ravel()),
    )  # fmt: skip
    with store.write() as connection:
        connection.register("incoming", frame)
        connection.execute(
            "INSERT INTO loaded_vehicle BY NAME SELECT DISTINCT ON (vin) 1 AS load_id,"
            " row_number() OVER () AS file_row, vin, 'v8' AS engine_family, 'road' AS duty,"
            " DATE '2015-01-01' AS in_service_on, 0 AS in_service_odometer,"
            " DATE '2015-01-01' AS observed_from_on, 0 AS observed_from_odometer FROM incoming"
        ).fetchall()
        connection.execute(
            "INSERT INTO loaded_meter BY NAME SELECT 1 AS load_id, row AS file_row, vin, read_on,"
            " odometer, engine_hours, 'fuel' AS source FROM incoming WHERE NOT is_order"
        ).fetchall()
        connection.execute(
            "INSERT INTO loaded_repair_order BY NAME SELECT 1 AS load_id, row AS file_row,"
            " row AS ro_id, 'North' AS shop, row::VARCHAR AS ro_no, vin, read_on AS opened_on,"
            " odometer, [] AS fault_codes FROM incoming WHERE is_order"
        ).fetchall()
        connection.unregister("incoming")
        connection.execute(
            "CREATE TEMP TABLE touched_vehicle AS SELECT vin FROM vehicle"
        ).fetchall()
        rebuild(connection, distance_unit="mi")


def drop_digit(odometer, rng):
    text = [str(value) for value in odometer]
    return np.array([int(t[:k] + t[k + 1 :]) for t in text for k in [rng.integers(len(t))]])


def double_digit(odometer, rng):
    text = [str(value) for value in odometer]
    return np.array([int(t[:k] + t[k] + t[k:]) for t in text for k in [rng.integers(len(t))]])


def swap_digits(odometer, rng):
    text = [str(value) for value in odometer]
    at = [rng.integers(len(t) - 1) for t in text]
    return np.array(
        [int(t[:k] + t[k + 1] + t[k] + t[k + 2 :]) for t, k in zip(text, at, strict=True)]
    )


DIRT = {
    "kilometres for miles": lambda odometer, rng: np.rint(odometer * MILE).astype(np.int64),
    "reading back": lambda odometer, rng: (odometer * rng.uniform(0.3, 0.8, odometer.size)).astype(
        np.int64
    ),
    "jump": lambda odometer, rng: odometer + rng.integers(40_000, 300_000, odometer.size),
    "digit lost": drop_digit,
    "digit doubled": double_digit,
    "digits changed round": swap_digits,
    "tenths": lambda odometer, rng: odometer * 10 + rng.integers(0, 10, odometer.size),
    "trip meter": lambda odometer, rng: rng.integers(20, 700, odometer.size),
}
# Least shares found and rightly mended. "Found" is asked of spoilt readings that leave the range
# between their true neighbours: those within it cannot be told and do no harm.
LEAST = {
    "kilometres for miles": (0.98, 0.90),
    "reading back": (0.98, 0.0),
    "jump": (0.98, 0.0),
    "digit lost": (0.98, 0.10),
    "digit doubled": (0.98, 0.50),
    "digits changed round": (0.90, 0.60),
    "tenths": (0.98, 0.80),
    "trip meter": (0.98, 0.0),
}


def outcome(tmp_path, kind, seed=5, vehicles=VEHICLES):
    """Shares of spoilt readings found and mended, and of good ones wrongly set aside."""
    day, true, rng = clean_histories(seed, vehicles)
    spoilt = (rng.random(true.shape) < 0.02) & (true > 5_000)
    written = true.copy()
    written[spoilt] = DIRT[kind](true[spoilt], rng)
    store = Store.create(tmp_path / f"{kind.replace(' ', '-')}.fleetlog")
    fill(store, day, written)
    found = store.frame(
        "SELECT file_row, verdict, distance FROM meter_reading WHERE source = 'fuel' ORDER BY file_row"
    )
    verdict = found["verdict"].to_numpy().reshape(true.shape)
    distance = found["distance"].fill_null(-1).to_numpy().reshape(true.shape)
    before = np.pad(true, ((0, 0), (1, 0)))[:, :-1]
    after = np.pad(true, ((0, 0), (0, 1)), constant_values=10**9)[:, 1:]
    tellable = spoilt & ((written < before) | (written > after))
    # Slips of the last digits are mended to the decade: ten miles are as good as none.
    right = (verdict == "corrected") & (np.abs(distance - true) <= 10)
    return {
        "found": (verdict != "used")[tellable].mean(),
        "mended": right[tellable].mean(),
        "wrongly mended": ((verdict == "corrected") & ~right)[tellable].mean(),
        "good set aside": (verdict != "used")[~spoilt].mean(),
        "spoilt": int(tellable.sum()),
    }


@pytest.mark.parametrize("kind", DIRT)
def test_each_kind_of_dirt_is_found_and_good_readings_stay(tmp_path, kind):
    shares = outcome(tmp_path, kind)
    least_found, least_mended = LEAST[kind]
    assert shares["spoilt"] > 50
    assert shares["found"] >= least_found
    assert shares["mended"] >= least_mended
    # 1 in 1000 of 9,000 readings
    assert shares["good set aside"] < 0.001


def test_a_cluster_swap_that_nobody_recorded_starts_a_segment(tmp_path):
    day, true, _ = clean_histories(9, vehicles=40)
    shown = true.copy()
    shown[:20, 30:] -= true[:20, 29:30]
    store = Store.create(tmp_path / "swaps.fleetlog")
    fill(store, day, shown)
    found = store.frame(
        "SELECT verdict, why, segment, distance FROM meter_reading WHERE source = 'fuel' ORDER BY file_row"
    )
    assert (found["verdict"] != "used").mean() < 0.001
    segments = found["segment"].to_numpy().reshape(true.shape)
    assert (segments[:20, 30:] == 1).all()
    assert (segments[20:] == 0).all()
    error = np.abs(found["distance"].to_numpy().reshape(true.shape) - true)
    assert np.median(error[:20, -1] / np.diff(true[:20], axis=1).mean()) < 1
    assert found["why"].str.contains("changed without a record").sum() == 20


def test_a_meter_that_goes_over_to_kilometres_is_read_as_such(tmp_path):
    day, true, _ = clean_histories(11, vehicles=20)
    shown = true.copy()
    shown[:, 40:] = np.rint(shown[:, 40:] * MILE)
    store = Store.create(tmp_path / "kilometres.fleetlog")
    fill(store, day, shown)
    found = store.frame(
        "SELECT verdict, distance FROM meter_reading WHERE source = 'fuel' ORDER BY file_row"
    )
    distance = found["distance"].fill_null(-1).to_numpy().reshape(true.shape)
    assert (np.abs(distance - true) <= 1).mean() > 0.99
    assert (found["verdict"].to_numpy().reshape(true.shape)[:, 40:] == "corrected").mean() > 0.99


def test_a_run_of_readings_of_another_vehicle_is_no_swap(tmp_path):
    day, true, _ = clean_histories(13, vehicles=20)
    shown = true.copy()
    shown[:, 30:34] = shown[:, 30:34] // 5
    store = Store.create(tmp_path / "run.fleetlog")
    fill(store, day, shown)
    found = store.frame(
        "SELECT verdict, segment FROM meter_reading WHERE source = 'fuel' ORDER BY file_row"
    )
    verdict = found["verdict"].to_numpy().reshape(true.shape)
    assert (verdict[:, 30:34] != "used").all()
    assert (np.delete(verdict, np.s_[30:34], axis=1) == "used").mean() > 0.999
    assert found["segment"].max() == 0


def test_hours_and_odometer_in_each_others_column_are_put_right(tmp_path):
    day, true, rng = clean_histories(17, vehicles=20)
    hours = true / 31.0
    written, written_hours = true.copy(), hours.copy()
    swapped = rng.random(true.shape) < 0.02
    swapped[:, :10] = False
    written[swapped], written_hours[swapped] = hours[swapped].round(), true[swapped]
    back = np.zeros(true.shape, bool)
    back[::2, 25] = ~swapped[::2, 25]
    written_hours[back] /= 3
    store = Store.create(tmp_path / "hours.fleetlog")
    fill(store, day, written, hours=written_hours)
    found = store.frame(
        "SELECT verdict, hours_verdict, distance, hours FROM meter_reading WHERE source = 'fuel' ORDER BY file_row"
    )
    distance = found["distance"].fill_null(-1).to_numpy().reshape(true.shape)
    assert (np.abs(distance - hours * 31)[swapped] <= 16).mean() > 0.9
    hours_verdict = found["hours_verdict"].to_numpy().reshape(true.shape)
    assert (hours_verdict[swapped] == "corrected").mean() > 0.9
    assert (hours_verdict[back] == "set aside").all()
    assert (hours_verdict[~swapped & ~back] == "used").mean() > 0.999


def test_a_reading_in_two_records_counts_once_and_says_so(records):
    vin = records.vehicle()
    for step in range(1, 9):
        records.meter(vin, 30 * step, 1_500 * step)
    records.order(vin, 120, 6_000)
    rows = records.build().frame(
        "SELECT verdict, why FROM meter_reading WHERE odometer = 6000 ORDER BY source"
    )
    assert rows.rows() == [("used", "the same in more than one record: counted once")] * 2


def test_two_readings_of_a_day_that_contradict_are_told_apart(records):
    vin = records.vehicle()
    for step in range(1, 9):
        records.meter(vin, 30 * step, 1_500 * step)
    records.meter(vin, 120, 6_900)
    rows = records.build().frame(
        "SELECT odometer, verdict, why FROM meter_reading WHERE read_on = $day ORDER BY odometer",
        {"day": START + timedelta(days=120)},
    )
    assert rows["verdict"].to_list() == ["used", "set aside"]
    assert "same day" in rows["why"][1]


def test_a_lone_reading_is_used_and_said_to_be_unchecked(records):
    vin = records.vehicle()
    records.meter(vin, 300, 20_000)
    rows = records.build().frame("SELECT verdict, why FROM meter_reading WHERE source = 'fuel'")
    assert rows.rows() == [("used", "only one other reading to check it against")]


def estimates(tmp_path, day, true, hidden):
    """Estimated less true distance of orders without an odometer, and the stated errors."""
    written = true.copy()
    written[hidden] = -1
    store = Store.create(tmp_path / "hidden.fleetlog")
    fill(store, day, written, order=hidden)
    found = store.frame(
        "SELECT distance, distance_error FROM order_distance WHERE distance_estimated ORDER BY ro_id"
    )
    return (
        found["distance"].to_numpy() - true.ravel()[hidden.ravel()],
        found["distance_error"].to_numpy(),
    )


def hide(day, rng, how):
    """Which readings to hide: one in five, half a year from a random day on, or the last of them."""
    if how == "one in five":
        hidden = rng.random(day.shape) < 0.2
        hidden[:, 0] = hidden[:, -1] = False
        return hidden
    if how == "half a year":
        begin = rng.uniform(200, day[:, -1] - 400)[:, None]
        return (day > begin) & (day < begin + 183)
    return day > day[:, -1:] - 183


@pytest.mark.parametrize("how", ["one in five", "half a year", "the last half year"])
def test_estimated_distances_are_about_as_sure_as_they_say(tmp_path, how):
    day, true, rng = clean_histories(23)
    off, error = estimates(tmp_path, day, true, hide(day, rng, how))
    covered = (np.abs(off) <= 1.96 * error).mean()
    assert 0.90 < covered < 0.995
    assert abs(off.mean()) < 0.25 * np.abs(off).mean()
