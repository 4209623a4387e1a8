"""What the simulated fleet is made of and what is planted in it: every figure is invented.

Nothing here describes a real vehicle, part, maker or shop. Costs, hours and lives are chosen
to look plausible in a workshop (common practice, no source).
"""

from dataclasses import dataclass
from datetime import date

WINDOW_START = date(2017, 1, 1)
WINDOW_END = date(2025, 12, 31)
# A lean fleet is one whose shops began to keep records later.
LEAN_WINDOW_START = date(2020, 4, 1)


@dataclass(frozen=True)
class EngineFamily:
    """The shape of one engine family and its share of the fleet."""

    code: str
    title: str
    banks: int
    cylinder_banks: tuple[int, ...]
    intake_valves: int
    exhaust_valves: int
    camshafts_per_bank: int
    camshaft_location: str
    fuel: str
    displacement_l: float
    share: float
    vin_letters: str

    @property
    def cylinders(self) -> int:
        """Number of cylinders."""
        return len(self.cylinder_banks)


FAMILIES = (
    EngineFamily(
        "V8-51",
        "V8 5.1 L petrol, overhead camshafts, four valves per cylinder",
        2,
        (1, 1, 1, 1, 2, 2, 2, 2),
        2,
        2,
        2,
        "head",
        "petrol",
        5.1,
        0.36,
        "VA",
    ),
    EngineFamily(
        "R4-19",
        "Inline four 1.9 L petrol, overhead camshafts, four valves per cylinder",
        1,
        (1, 1, 1, 1),
        2,
        2,
        2,
        "head",
        "petrol",
        1.9,
        0.26,
        "RB",
    ),
    EngineFamily(
        "D6-71",
        "Inline six 7.1 L diesel, one overhead camshaft, four valves per cylinder",
        1,
        (1, 1, 1, 1, 1, 1),
        2,
        2,
        1,
        "head",
        "diesel",
        7.1,
        0.22,
        "DC",
    ),
    EngineFamily(
        "P6-39",
        "V6 3.9 L petrol, camshaft in block, pushrods, two valves per cylinder",
        2,
        (1, 2, 1, 2, 1, 2),
        1,
        1,
        0,
        "block",
        "petrol",
        3.9,
        0.16,
        "PD",
    ),
)


@dataclass(frozen=True)
class Duty:
    """How a kind of vehicle is used: miles and engine hours."""

    name: str
    annual_mi: float
    spread: float
    miles_per_hour: float


DUTIES = (
    Duty("parcel van", 17_500, 0.25, 24.0),
    Duty("service pickup", 14_000, 0.30, 27.0),
    Duty("shuttle bus", 23_000, 0.20, 19.0),
    Duty("bucket truck", 9_500, 0.25, 9.0),
)
# rows: families in the order above; columns: duties in the order above
DUTY_SHARES = (
    (0.35, 0.40, 0.15, 0.10),
    (0.80, 0.20, 0.00, 0.00),
    (0.10, 0.10, 0.45, 0.35),
    (0.30, 0.60, 0.00, 0.10),
)


@dataclass(frozen=True)
class Depot:
    """A place where vehicles live, and the shop that mostly keeps them (index into SHOPS)."""

    name: str
    share: float
    home_shop: int


DEPOTS = (
    Depot("North depot", 0.24, 0),
    Depot("Airport depot", 0.18, 0),
    Depot("River depot", 0.22, 1),
    Depot("Lake depot", 0.18, 1),
    Depot("Hill depot", 0.18, 2),
)


@dataclass(frozen=True)
class Shop:
    """A shop, its technicians (invented codes) and its share of returning gasket jobs."""

    name: str
    slug: str
    technicians: tuple[str, ...]


SHOPS = (
    Shop("North Yard", "north_yard", ("KD", "LM2", "QS", "TV", "WY")),
    Shop("River Shop", "river_shop", ("R1", "R2", "R4", "R7", "R9")),
    Shop("Hill Shop", "hill_shop", ("HX", "HZ", "JJ3", "OB")),
)
HOME_SHOP_SHARE = 0.85
LABOUR_RATE_USD = 118.0

# Invented part makers and the prefix that each prints on its parts.
MAKERS = (("Quellmar", "QM"), ("Ostravane", "OV"), ("Grennick", "GK"))
MAKER_SHARES = (0.40, 0.32, 0.28)


@dataclass(frozen=True)
class LifeLaw:
    """One way to fail: a Weibull life in miles."""

    mode: str
    shape: float
    scale_mi: float


@dataclass(frozen=True)
class Part:
    """A component as the shops write it, how long it lives and what it costs to renew."""

    code: str
    written: tuple[str, str, str]
    rule: str
    laws: tuple[LifeLaw, ...]
    cost_usd: float
    labour_h: float
    complaint: str
    fault_code: str = ""
    fuels: tuple[str, ...] = ("petrol", "diesel")
    planned_mi: int = 0
    extra_h: float = 0.0


def _law(mode: str, shape: float, scale_mi: float) -> tuple[LifeLaw, ...]:
    return (LifeLaw(mode, shape, scale_mi),)


ROCKER = "valvetrain.rocker-arm"
LIFTER = "valvetrain.lifter"
CAMSHAFT = "valvetrain.camshaft"
COVER_GASKET = "seals.valve-cover-gasket"
COIL_CONNECTOR = "ignition.coil-connector"
CLUSTER = "electrical.instrument-cluster"
COIL = "ignition.coil"

# Everything under the valve covers wears as one system: see failures.run_group.
VALVE_GEAR = (
    Part(
        ROCKER,
        ("Rocker arm", "rocker arm", "Roller rocker"),
        "per-valve",
        _law("worn", 3.0, 850_000),
        38.0,
        3.4,
        "ticking noise from engine at idle",
        "P0300",
        extra_h=0.25,
    ),
    Part(
        LIFTER,
        ("Valve lifter", "hydraulic lifter", "Lash adjuster"),
        "per-valve",
        _law("collapsed", 3.0, 900_000),
        27.0,
        3.6,
        "tapping noise from top of engine",
        "P0300",
        extra_h=0.25,
    ),
    Part(
        CAMSHAFT,
        ("Camshaft", "camshaft", "Cam shaft"),
        "per-camshaft",
        _law("flat-lobe", 3.5, 900_000),
        410.0,
        7.5,
        "runs rough, loud tick and low power",
        "P0300",
        extra_h=2.0,
    ),
    Part(
        COVER_GASKET,
        ("Valve cover gasket", "rocker cover gasket", "Cam cover gasket"),
        "per-bank",
        _law("leak", 2.6, 260_000),
        31.0,
        1.9,
        "oil smell, smoke from engine bay",
        extra_h=0.3,
    ),
    Part(
        COIL_CONNECTOR,
        ("Coil connector", "coil pigtail", "Ignition coil connector"),
        "per-cylinder",
        _law("corroded", 1.6, 1_900_000),
        16.0,
        0.6,
        "intermittent misfire",
        "P0350",
        fuels=("petrol",),
        extra_h=0.2,
    ),
)

# Each of these fails on its own, whatever the others do.
OTHER_PARTS = (
    Part(
        COIL,
        ("Ignition coil", "coil pack", "Ign coil"),
        "per-cylinder",
        _law("open-circuit", 1.5, 620_000),
        62.0,
        0.7,
        "misfire under load",
        "P0351",
        fuels=("petrol",),
    ),
    Part(
        "ignition.spark-plug",
        ("Spark plug", "spark plug", "Spark plug"),
        "per-cylinder",
        _law("fouled", 2.8, 300_000),
        11.0,
        0.9,
        "rough idle",
        "P0300",
        fuels=("petrol",),
        planned_mi=90_000,
        extra_h=0.1,
    ),
    Part(
        "fuel.injector",
        ("Fuel injector", "injector", "Injector nozzle"),
        "per-cylinder",
        _law("clogged", 2.0, 620_000),
        145.0,
        1.6,
        "long crank and rough running",
        "P0201",
    ),
    Part(
        "fuel.glow-plug",
        ("Glow plug", "glow plug", "Glowplug"),
        "per-cylinder",
        _law("open-circuit", 1.9, 420_000),
        19.0,
        0.8,
        "hard start when cold",
        "P0671",
        fuels=("diesel",),
    ),
    Part(
        "cooling.water-pump",
        ("Water pump", "coolant pump", "Water pump"),
        "per-engine",
        _law("leak", 3.2, 175_000),
        132.0,
        2.6,
        "coolant loss, puddle under front",
        "",
    ),
    Part(
        "charging.alternator",
        ("Alternator", "alternator", "Alternator assembly"),
        "per-engine",
        (LifeLaw("noisy", 3.4, 230_000), LifeLaw("open-circuit", 1.0, 420_000)),
        288.0,
        1.5,
        "charge warning on dash",
        "P0562",
    ),
    Part(
        "charging.battery",
        ("Battery", "12V battery", "Starting battery"),
        "per-vehicle",
        _law("weak", 3.6, 82_000),
        168.0,
        0.4,
        "slow crank, needs jump start",
    ),
    Part(
        "charging.starter",
        ("Starter motor", "starter", "Starter motor"),
        "per-engine",
        _law("inoperative", 2.1, 260_000),
        214.0,
        1.4,
        "no crank, single click",
    ),
    Part(
        "brakes.pads",
        ("Brake pads", "brake pad set", "Disc pads"),
        "per-axle-end",
        _law("worn", 4.2, 95_000),
        46.0,
        0.8,
        "brakes grinding",
        planned_mi=60_000,
    ),
    Part(
        "body.wiper-motor",
        ("Wiper motor", "wiper motor", "Wiper motor"),
        "per-vehicle",
        _law("inoperative", 1.0, 135_000),
        118.0,
        1.1,
        "wipers quit in rain",
    ),
    Part(
        "timing.chain",
        ("Timing chain", "timing chain kit", "Timing chain"),
        "per-engine",
        _law("stretched", 4.0, 330_000),
        240.0,
        9.5,
        "rattle on cold start",
        "P0016",
    ),
    Part(
        "transmission.assembly",
        ("Transmission", "transmission assembly", "Gearbox"),
        "per-vehicle",
        _law("slipping", 2.7, 310_000),
        3_150.0,
        9.0,
        "flares between gears",
        "P0730",
    ),
    Part(
        "exhaust.oxygen-sensor",
        ("Oxygen sensor", "O2 sensor", "Lambda sensor"),
        "per-bank",
        _law("weak", 2.0, 190_000),
        74.0,
        0.8,
        "engine lamp on, fuel use up",
        "P0133",
        fuels=("petrol",),
    ),
    Part(
        "wheels.hub-bearing",
        ("Wheel bearing", "hub bearing", "Hub assembly"),
        "per-axle-end",
        _law("noisy", 2.6, 290_000),
        126.0,
        1.7,
        "humming that rises with speed",
    ),
    Part(
        "engine.drive-belt",
        ("Serpentine belt", "drive belt", "Fan belt"),
        "per-engine",
        _law("cracked", 3.4, 120_000),
        39.0,
        0.6,
        "squeal at start up",
        planned_mi=100_000,
    ),
    Part(
        "suspension.shock-absorber",
        ("Shock absorber", "shock absorber", "Shock absorber"),
        "per-axle-end",
        _law("leak", 2.5, 240_000),
        71.0,
        0.8,
        "bounces over bumps",
    ),
)
PARTS = (*VALVE_GEAR, *OTHER_PARTS)

# Services: done at every interval, on time or nearly so. They carry no failure.
SERVICE_LINES = (
    Part(
        "lubrication.engine-oil",
        ("Engine oil", "oil change", "Engine oil"),
        "per-engine",
        (),
        42.0,
        0.4,
        "service due",
    ),
    Part(
        "lubrication.oil-filter",
        ("Oil filter", "oil filter", "Oil filter"),
        "per-engine",
        (),
        9.0,
        0.1,
        "service due",
    ),
    Part(
        "air.filter",
        ("Air filter", "air filter element", "Air filter"),
        "per-engine",
        (),
        18.0,
        0.2,
        "service due",
    ),
    Part(
        "fuel.filter",
        ("Fuel filter", "fuel filter", "Fuel filter"),
        "per-engine",
        (),
        29.0,
        0.4,
        "service due",
        fuels=("diesel",),
    ),
    Part(
        "brakes.fluid",
        ("Brake fluid", "brake fluid flush", "Brake fluid"),
        "per-vehicle",
        (),
        14.0,
        0.7,
        "service due",
    ),
)
CLUSTER_PART = Part(
    CLUSTER,
    ("Instrument cluster", "gauge cluster", "Instrument cluster"),
    "per-vehicle",
    (),
    465.0,
    1.3,
    "gauges dead",
    "U0155",
)
# Index of a part in this tuple is its code inside the simulator's frames.
ALL_PARTS = (*PARTS, *SERVICE_LINES, CLUSTER_PART)
PART_INDEX = {part.code: index for index, part in enumerate(ALL_PARTS)}


@dataclass(frozen=True)
class ServiceRule:
    """A maker's or a legal interval."""

    task: str
    component: str
    every_mi: int | None
    every_days: int | None
    every_hours: int | None
    origin: str
    safety_critical: bool


OIL_INTERVAL_MI = {"V8-51": 10_000, "R4-19": 12_000, "D6-71": 15_000, "P6-39": 12_000}
SERVICE_RULES = (
    ServiceRule("air filter", "air.filter", 40_000, None, None, "maker", False),
    ServiceRule("spark plugs", "ignition.spark-plug", 90_000, None, None, "maker", False),
    ServiceRule("fuel filter", "fuel.filter", 30_000, None, None, "maker", False),
    ServiceRule("drive belt", "engine.drive-belt", 100_000, None, None, "maker", False),
    ServiceRule("brake pads", "brakes.pads", 60_000, None, None, "maker", True),
    ServiceRule("brake fluid", "brakes.fluid", None, 730, None, "legal", True),
)


@dataclass(frozen=True)
class Planted:
    """Every effect hidden in the fleet, for an analysis to find again.

    Lives are Weibull in miles. The frailty is a positive stable variable with index
    ``frailty_index`` = a, shared by all valve gear of one engine, that multiplies the hazard.
    With a conditional shape of ``shape / a`` the lives of factory-fitted parts are again
    exactly Weibull with ``shape`` and ``scale`` over the whole fleet, while parts of one engine
    go together (Kendall's tau 1 - a): Hougaard (1986), Biometrika 73(3).
    """

    worn_family: str = "V8-51"
    worn_bank: int = 2
    worn_side: str = "exhaust"
    worn_components: tuple[str, ...] = (ROCKER, LIFTER)
    worn_shape: float = 3.0
    worn_scale_mi: float = 160_000.0
    worst_cylinder: int = 8
    worst_cylinder_scale_mi: float = 125_000.0
    lobe_component: str = CAMSHAFT
    lobe_mode: str = "flat-lobe"
    lobe_shape: float = 3.5
    lobe_scale_mi: float = 230_000.0
    frailty_index: float = 0.80
    found_together_within_mi: float = 1_500.0
    side_renewed_share: float = 0.30
    side_renewed_after_jobs: int = 2
    side_renewed_share_elsewhere: float = 0.10
    warning_share: float = 0.60
    warning_lead_days: tuple[int, int] = (14, 56)
    false_warnings_per_vehicle_year: float = 0.02
    bad_lot_component: str = ROCKER
    bad_lot_maker: str = "Grennick"
    bad_lot: str = "GK-2021"
    bad_lot_shape: float = 0.7
    bad_lot_scale_mi: float = 60_000.0
    comeback_component: str = COVER_GASKET
    comeback_shop: str = "River Shop"
    comeback_share: float = 0.04
    comeback_shop_share: float = 0.10
    comeback_within_mi: tuple[float, float] = (60.0, 900.0)
    connector_family: str = "V8-51"
    connector_component: str = COIL_CONNECTOR
    connector_break_share: float = 0.30
    stretched_oil_depot: str = "Lake depot"
    stretched_oil_factor: float = 1.6
    stretched_oil_life_factor: float = 0.80
    constant_hazard_component: str = "body.wiper-motor"
    constant_hazard_mean_mi: float = 135_000.0
    competing_component: str = "charging.alternator"


# With nothing planted the same machinery runs at neutral values.
NOTHING_PLANTED = Planted(
    worn_components=(),
    lobe_component="",
    frailty_index=1.0,
    side_renewed_share=0.10,
    warning_share=0.0,
    bad_lot_component="",
    comeback_shop="",
    connector_break_share=0.0,
    stretched_oil_depot="",
    stretched_oil_factor=1.0,
    stretched_oil_life_factor=1.0,
)


@dataclass(frozen=True)
class DirtRates:
    """How often records are spoilt: a share of orders, lines or vehicles as said."""

    vin_slip: float = 0.012  # of orders
    unknown_vin: float = 0.001  # of orders
    wrong_distance_unit: float = 0.008  # of orders
    reading_back: float = 0.006  # of orders
    negative_odometer: float = 0.001  # of orders
    missing_odometer: float = 0.020  # of orders
    duplicated_order: float = 0.007  # of orders
    second_date_style: float = 0.050  # of orders
    no_position: float = 0.060  # of lines that have a position
    free_text_only: float = 0.030  # of orders with one line
    cluster_swap: float = 0.030  # of vehicles


DIRT = DirtRates()
