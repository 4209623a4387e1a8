"""Every figure that a shop may set otherwise, and the caution that every answer carries."""

from dataclasses import dataclass

CAUTION = (
    "fleetlog advises; it does not authorise. The maker's service information, local law and "
    "inspection rules, and a qualified technician come first. Hot, moving, pressurised, lifted "
    "and energised parts injure."
)


@dataclass(frozen=True)
class Setting:
    """One default: its value, what it means and where it comes from."""

    name: str
    value: float
    unit: str
    meaning: str


COMEBACK_DAYS = Setting(
    "comeback_days",
    30,
    "days",
    "a return within this many days counts as a comeback (common practice, no source)",
)
COMEBACK_MILES = Setting(
    "comeback_miles",
    1_000,
    "mi",
    "a return within this distance counts as a comeback (common practice, no source)",
)
NAME_TECHNICIANS = Setting(
    "name_technicians",
    0,
    "",
    "whether a new store shows who did a job: 1 in every answer, page and export, 0 in none. One "
    "setting for all, for an order with a name on it tells who stands behind a rate without one. "
    "A rate with a name on it is read as a verdict, and most of what few repairs show is chance; "
    "so names are hidden unless the store is told to show them (our choice)",
)
FUNNEL_OUTER_LEVEL = Setting(
    "funnel_outer_level",
    0.998,
    "",
    "a group beyond limits at this level is said to differ from the others (Spiegelhalter 2005); "
    "between the confidence level and this one it differs perhaps",
)
GROUPS_TO_DIFFER = Setting(
    "groups_to_differ",
    10,
    "groups",
    "with fewer groups than this, one that is out of line cannot be told from groups that all "
    "differ a little, so limits are those of chance alone (our rule of thumb)",
)
THIN_FAILURES = Setting(
    "thin_failures",
    10,
    "failures",
    "with fewer failures than this an answer is called thin: a Weibull B10 from 10 failures is "
    "still uncertain by about a factor of two (our rule of thumb)",
)
LEVEL = Setting("level", 0.95, "", "confidence level of every limit that is shown")
SILENT_DAYS = Setting(
    "silent_days",
    90,
    "days",
    "a running vehicle without a reading for so long before the records end is called silent (our "
    "rule of thumb)",
)
UNSEEN_SHARE = Setting(
    "unseen_share",
    0.05,
    "",
    "where so much of the time of running vehicles lies after their last reading, answers say that "
    "rates of failure may be too high (our rule of thumb)",
)
REPEAT_FALSE_SHARE = Setting(
    "repeat_false_share",
    0.05,
    "",
    "share of the repeat failures found that may be chance, and the chance of any where there are "
    "none (common practice, no source)",
)
REPEAT_RISE = Setting(
    "repeat_rise",
    2.0,
    "times what is expected",
    "the rise that the chart of a repeat failure looks for to date its beginning (our choice)",
)
REPEAT_FALSE_ALARM_MONTHS = Setting(
    "repeat_false_alarm_months",
    120,
    "months",
    "that chart gives one false alarm in this time where nothing has risen (our choice)",
)
DOWNTIME_COST_PER_HOUR = Setting(
    "downtime_cost_per_hour",
    60,
    "of the store's currency",
    "what an hour of a stopped vehicle costs; a placeholder of ours, so set your own",
)
DUE_SOON_DAYS = Setting(
    "due_soon_days",
    30,
    "days",
    "a task is called due when it falls due within this many days (our rule of thumb)",
)
REPEATED_BY_FEW = Setting(
    "repeated_by_few",
    0.05,
    "",
    "a component that failed as often on at most this share of the vehicles of a family is said to "
    "fail again and again on this one (our rule of thumb)",
)
LOCK_WAIT_S = Setting(
    "lock_wait_s",
    10,
    "s",
    "how long to wait for another process to let go of the store",
)
MAX_DAILY_MILES = Setting(
    "max_daily_miles",
    800,
    "mi/day",
    "no road vehicle with one driver goes further in a day (common practice, no source)",
)
TRIP_METER_MILES = Setting(
    "trip_meter_miles",
    1_000,
    "mi",
    "a reading below this, amid an odometer ten times as high, is one of a trip meter: those of "
    "three digits start again here (common practice, no source)",
)
SAME_JOB_DAYS = Setting(
    "same_job_days",
    7,
    "days",
    "orders of one vehicle opened further apart than this are never one job told twice (common "
    "practice, no source)",
)
SAME_JOB_SURELY = Setting(
    "same_job_surely",
    0.99,
    "",
    "two orders that are one job with this probability or a higher one are linked without asking "
    "(our rule of thumb)",
)
SAME_JOB_PERHAPS = Setting(
    "same_job_perhaps",
    0.5,
    "",
    "two orders that are one job with this probability or a higher one are put to a person (our "
    "rule of thumb)",
)
VIN_MENDED_ABOVE = Setting(
    "vin_mended_above",
    0.95,
    "",
    "a miswritten VIN is mended where one vehicle of the fleet is meant with this probability or a "
    "higher one; else its row is held (our rule of thumb)",
)
VIN_LOOK_ALIKE = Setting(
    "vin_look_alike",
    100,
    "times one particular wrong character",
    "how often a VIN is written with letters taken for the numerals that they resemble, or the "
    "reverse (common practice, no source)",
)
VIN_TRANSPOSED = Setting(
    "vin_transposed",
    10,
    "times one particular wrong character",
    "how often two particular neighbours in a VIN are transposed (common practice, no source)",
)
VIN_LENGTH = Setting(
    "vin_length",
    10,
    "times one particular wrong character",
    "how often a particular character of a VIN is left out or written twice (common practice, no "
    "source)",
)
VIN_SECOND_SLIP = Setting(
    "vin_second_slip",
    0.01,
    "times a single slip",
    "how often a VIN is written with one slip and then with another (common practice, no source)",
)
VIN_UNLISTED = Setting(
    "vin_unlisted",
    0.02,
    "times one particular wrong character",
    "how often a faulty VIN is one of a vehicle that the fleet list leaves out (common practice, "
    "no source)",
)
VIN_UNLISTED_SOUND = Setting(
    "vin_unlisted_sound",
    10_000,
    "times one particular wrong character",
    "how often a VIN with a right check digit is one of a vehicle that the fleet list leaves out: "
    "so often that it is never mended by itself (common practice, no source)",
)
SIGN_HORIZON_DAYS = Setting(
    "sign_horizon_days",
    60,
    "days",
    "a complaint or fault code is held against failures up to this long after it (our rule of "
    "thumb)",
)
SIGN_HORIZON_MILES = Setting(
    "sign_horizon_miles",
    3_000,
    "mi",
    "the same by distance: about two months of an average van (our rule of thumb)",
)
SIGN_LEAST_VISITS = Setting(
    "sign_least_visits",
    5,
    "visits",
    "signs noted on fewer visits than this are counted and not looked at (our rule of thumb)",
)
SIGN_FALSE_DISCOVERIES = Setting(
    "sign_false_discoveries",
    0.05,
    "",
    "of the signs said to stand out, at most this share is expected to be chance (common practice, "
    "no source)",
)
HAVE_READY_SHARE = Setting(
    "have_ready_share",
    0.10,
    "",
    "what this share of past jobs needed, or more, is advised to be on the bench (our rule of "
    "thumb)",
)
BAD_LOT_RATIO = Setting(
    "bad_lot_ratio",
    3,
    "times",
    "a lot that fails this many times as often as the others is to be found; one that could not "
    "have been found yet is called too young to say (our rule of thumb)",
)
BAD_LOT_CHANCE = Setting(
    "bad_lot_chance",
    0.8,
    "",
    "with this chance such a lot must have been found by now, or it is too young (common practice "
    "for the power of a test, no source)",
)
NEIGHBOUR_SPREAD = Setting(
    "neighbour_spread",
    0.7,
    "of the log of the ratio",
    "how far ratios of hazards after a neighbour's failure are taken to lie from 1: two thirds of "
    "them within a factor of two. What the fleet says of one is drawn to 1 by it (our rule of "
    "thumb)",
)
REPLACE_DRAWS = Setting(
    "replace_draws",
    1_000,
    "draws",
    "of what the fleet leaves uncertain about lives and neighbours, for the limits of a saving",
)
FEWEST_PRICES = Setting(
    "fewest_prices",
    3,
    "lines",
    "a price or a time of one engine family is used from so many lines on; below, that of the "
    "whole fleet (our rule of thumb)",
)
ONE_OPENING_MILES = Setting(
    "one_opening_miles",
    10_000,
    "mi",
    "failures of unlike parts behind one cover that lie closer together than this are met by one "
    "opening (our rule of thumb)",
)
