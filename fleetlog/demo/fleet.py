"""Vehicles of the simulated fleet: what they are, how far they go, and when they were watched."""

from dataclasses import dataclass
from datetime import date

import numpy as np
import polars as pl
from numpy.typing import NDArray

from fleetlog.demo.parameters import (
    DEPOTS,
    DUTIES,
    DUTY_SHARES,
    FAMILIES,
    HOME_SHOP_SHARE,
    WINDOW_END,
    WINDOW_START,
)
from fleetlog.vin import check_digits

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

EPOCH = date(1970, 1, 1)
FIRST_DAY = (date(2010, 1, 1) - EPOCH).days
END_DAY = (WINDOW_END - EPOCH).days

# 49 CFR 565.15(d)(1): model years 2010 to 2030 start again at A.
_YEAR_CHARACTERS = np.frombuffer(b"ABCDEFGHJKLMNPRSTVWXY", dtype=np.uint8)
# ISO 3780 gives the letter G to no country (all of GA to G0 is unassigned).
WMI = "GZ7"
MOST_VEHICLES = 1_000_000


def _activity() -> tuple[Floats, Floats]:
    """Cumulative driving over the calendar, in typical days: busier in autumn, quiet at weekends.

    Returns (days, typical days driven by the start of that day), both (n,) and increasing.
    """
    days = np.arange(FIRST_DAY, END_DAY + 800, dtype=np.float64)
    weekend = (days.astype(np.int64) + 3) % 7 >= 5
    season = 1.0 + 0.12 * np.sin(2 * np.pi * (days - FIRST_DAY - 200) / 365.25)
    daily = season * np.where(weekend, 0.45, 1.22)
    return days, np.concatenate(([0.0], np.cumsum(daily)[:-1]))


_DAYS, _DRIVEN = _activity()


@dataclass(frozen=True)
class Fleet:
    """One chunk of vehicles as equally long arrays; days count from 1970-01-01, distance in miles.

    ``age_end`` is the distance driven since the start of service by the last day watched.
    """

    number: Ints
    vin: NDArray[np.str_]
    family: Ints
    duty: Ints
    depot: Ints
    model_year: Ints
    in_service_day: Ints
    in_service_odometer: Ints
    daily_mi: Floats
    observed_day: Ints
    last_day: Ints
    retired: NDArray[np.bool_]

    @property
    def size(self) -> int:
        """Number of vehicles in the chunk."""
        return len(self.number)

    @property
    def age_end(self) -> Floats:
        """Miles driven from the start of service to the last day watched, (n,)."""
        return self.age_on(np.arange(self.size), self.last_day)

    def age_on(self, vehicle: Ints, day: Ints | Floats) -> Floats:
        """Miles since the start of service on a day, for vehicles given by index."""
        driven = np.interp(day, _DAYS, _DRIVEN)
        started = np.interp(self.in_service_day[vehicle], _DAYS, _DRIVEN)
        return np.asarray(self.daily_mi[vehicle] * (driven - started))

    def day_at(self, vehicle: Ints, age_mi: Floats) -> Ints:
        """Day on which a vehicle had driven so far; a weekend is put off to the Monday."""
        started = np.interp(self.in_service_day[vehicle], _DAYS, _DRIVEN)
        day = np.interp(age_mi / self.daily_mi[vehicle] + started, _DRIVEN, _DAYS)
        return working_day(np.floor(day).astype(np.int64))

    def odometer_on(self, vehicle: Ints, day: Ints) -> Floats:
        """Miles on the clock on a day, had the instrument cluster never been changed."""
        return self.in_service_odometer[vehicle] + self.age_on(vehicle, day)


def working_day(day: Ints) -> Ints:
    """Put Saturday and Sunday off to Monday (1970-01-01 was a Thursday)."""
    weekday = (day + 3) % 7
    return day + np.where(weekday >= 5, 7 - weekday, 0)


def year_of(day: Ints) -> Ints:
    """Return the calendar year of a day."""
    return 1970 + day.astype("datetime64[D]").astype("datetime64[Y]").astype(np.int64)


def stable_uniform(seed: int, *keys: Ints) -> Floats:
    """Return a number in [0, 1) that depends on the keys alone, whatever else was drawn before.

    The mixing function is SplitMix64 (Steele, Lea and Flood 2014).
    """
    state = np.full(keys[0].shape, seed, dtype=np.uint64)
    for key in keys:
        state = state ^ key.astype(np.uint64)
        state = state + np.uint64(0x9E3779B97F4A7C15)
        state = (state ^ (state >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
        state = (state ^ (state >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
        state = state ^ (state >> np.uint64(31))
    return (state >> np.uint64(11)).astype(np.float64) / 2.0**53


def shop_of(fleet: Fleet, vehicle: Ints, day: Ints, *, seed: int, shops: int) -> Ints:
    """Shop (index) that sees a vehicle on a day: mostly the home shop of its depot."""
    home = np.array([depot.home_shop % shops for depot in DEPOTS], dtype=np.int64)
    at_home = home[fleet.depot[vehicle]]
    number = fleet.number[vehicle]
    away = stable_uniform(seed, number, day) >= HOME_SHOP_SHARE
    step = 1 + (stable_uniform(seed + 1, number, day) * (shops - 1)).astype(np.int64)
    return np.where(away, (at_home + step) % shops, at_home)


def serial_characters(number: Ints) -> NDArray[np.uint8]:
    """Character codes (n, 6) of the serial numbers that end the VINs of vehicles by number."""
    # Multiplying by a number coprime with 10^6 shuffles the serial numbers one to one.
    serial = (number * 611_953 + 104_729) % MOST_VEHICLES
    digits = (serial[:, None] // 10 ** np.arange(5, -1, -1)) % 10
    return (ord("0") + digits).astype(np.uint8)


def with_check_digit(characters: NDArray[np.uint8]) -> NDArray[np.str_]:
    """VINs from an (n, 17) array of character codes, the ninth replaced by the check digit."""
    whole = np.ascontiguousarray(characters)
    digits = check_digits(pl.Series(whole.view("S17").ravel().astype("U17")))
    whole = whole.copy()
    whole[:, 8] = digits.to_numpy().astype("S1").view(np.uint8)
    return whole.view("S17").ravel().astype("U17")


def _vins(number: Ints, family: Ints, duty: Ints, model_year: Ints) -> NDArray[np.str_]:
    count = len(number)
    characters = np.zeros((count, 17), dtype=np.uint8)
    characters[:, :3] = np.frombuffer(WMI.encode(), dtype=np.uint8)
    letters = np.frombuffer("".join(f.vin_letters for f in FAMILIES).encode(), dtype=np.uint8)
    characters[:, 3:5] = letters.reshape(-1, 2)[family]
    characters[:, 5] = np.frombuffer(b"BPSK", dtype=np.uint8)[duty]
    # A letter here says that the year code means 2010 or later (49 CFR 565.15(d)(1)).
    characters[:, 6] = ord("E")
    characters[:, 7] = ord("0") + family + 1
    characters[:, 8] = ord("0")
    characters[:, 9] = _YEAR_CHARACTERS[model_year - 2010]
    characters[:, 10] = np.frombuffer(b"FNT", dtype=np.uint8)[number % 3]
    characters[:, 11:] = serial_characters(number)
    return with_check_digit(characters)


def make_fleet(
    rng: np.random.Generator, first: int, count: int, *, window_start: date = WINDOW_START
) -> Fleet:
    """Draw `count` vehicles, numbered from `first`, none watched before `window_start`."""
    start_day = (window_start - EPOCH).days
    number = np.arange(first, first + count, dtype=np.int64)
    family = rng.choice(len(FAMILIES), size=count, p=[f.share for f in FAMILIES])
    cumulative = np.cumsum(np.array(DUTY_SHARES), axis=1)
    duty = (rng.random(count)[:, None] >= cumulative[family]).sum(axis=1)
    duty = np.minimum(duty, len(DUTIES) - 1).astype(np.int64)
    depot = rng.choice(len(DEPOTS), size=count, p=[d.share for d in DEPOTS])

    # Three histories: new within the watched years, already owned when they began, bought used.
    history = rng.choice(3, size=count, p=[0.62, 0.20, 0.18])
    owned_from = (date(2010, 7, 1) - EPOCH).days
    earliest = np.array([start_day, owned_from, owned_from + 700])[history]
    latest = np.array([END_DAY - 200, start_day - 30, END_DAY - 2_400])[history]
    in_service = working_day((earliest + rng.random(count) * (latest - earliest)).astype(np.int64))
    bought_after = (rng.uniform(1.5, 5.0, size=count) * 365).astype(np.int64)
    observed = np.where(history == 2, in_service + bought_after, in_service)
    observed = working_day(np.maximum(observed, start_day))

    spread = np.array([d.spread for d in DUTIES])[duty]
    annual = np.array([d.annual_mi for d in DUTIES])[duty] * np.exp(
        spread * rng.standard_normal(count) - spread**2 / 2
    )
    leaves = observed + (365 + 2_700 * rng.weibull(3.0, size=count)).astype(np.int64)
    retired = leaves < END_DAY
    in_service_date = in_service.astype("datetime64[D]")
    month = in_service_date.astype("datetime64[M]").astype(np.int64) % 12
    model_year = year_of(in_service) + (month >= 8)
    return Fleet(
        number=number,
        vin=_vins(number, family, duty, model_year),
        family=family,
        duty=duty,
        depot=depot,
        model_year=model_year,
        in_service_day=in_service,
        in_service_odometer=rng.integers(6, 140, size=count),
        daily_mi=annual / 365.25,
        observed_day=observed,
        last_day=np.where(retired, working_day(leaves), END_DAY),
        retired=retired,
    )


def unit_numbers(number: Ints) -> pl.Series:
    """Fleet numbers as painted on the vehicles."""
    return pl.select(pl.lit("U") + (pl.Series(number) + 1001).cast(pl.String)).to_series()


def plates(number: Ints) -> pl.Series:
    """Invented number plates, one to one with the vehicle number."""
    letters = pl.Series(list("ABCDEFGHJKLMNPRSTUVWXYZ"))
    shuffled = (number * 7_919 + 104_729) % 5_290_000
    first, second = shuffled // 230_000, (shuffled // 10_000) % 23
    digits = pl.Series(shuffled % 10_000).cast(pl.String).str.zfill(4)
    return pl.select(
        letters.gather(first) + letters.gather(second) + pl.lit(" ") + digits
    ).to_series()


def vehicle_frame(fleet: Fleet) -> pl.DataFrame:
    """Return the fleet list with canonical headings, odometers in whole miles."""
    everyone = np.arange(fleet.size)
    observed_odometer = fleet.odometer_on(everyone, fleet.observed_day)
    last_odometer = fleet.odometer_on(everyone, fleet.last_day)
    return (
        pl.DataFrame(
            {
                "vin": fleet.vin,
                "unit_no": unit_numbers(fleet.number),
                "plate": plates(fleet.number),
                "engine_family": pl.Series([f.code for f in FAMILIES]).gather(fleet.family),
                "model_year": fleet.model_year,
                "duty": pl.Series([d.name for d in DUTIES]).gather(fleet.duty),
                "depot": pl.Series([d.name for d in DEPOTS]).gather(fleet.depot),
                "in_service_on": fleet.in_service_day.astype("datetime64[D]"),
                "in_service_odometer": fleet.in_service_odometer,
                "observed_from_on": fleet.observed_day.astype("datetime64[D]"),
                "observed_from_odometer": np.rint(observed_odometer).astype(np.int64),
                "retired_on": fleet.last_day.astype("datetime64[D]"),
                "retired_odometer": np.rint(last_odometer).astype(np.int64),
                "retired": fleet.retired,
            }
        )
        .with_columns(
            pl.when("retired").then("retired_on").alias("retired_on"),
            pl.when("retired").then("retired_odometer").alias("retired_odometer"),
        )
        .drop("retired")
    )
