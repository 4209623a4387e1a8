"""What was planted in a simulated fleet and what was spoilt, for tests and demonstrations."""

import json
from dataclasses import asdict, dataclass
from datetime import date
from pathlib import Path

from fleetlog.demo.parameters import DirtRates, Planted


@dataclass(frozen=True)
class PartLife:
    """One Weibull law of a component outside the planted positions, in miles."""

    component: str
    mode: str
    shape: float
    scale_mi: float


@dataclass(frozen=True)
class Truth:
    """Everything that an analysis of the written files may be held against.

    Attributes
    ----------
    planted : the effects that are in the fleet; None for a fleet without any.
    part_lives : the laws of all other parts; several of one component compete.
    realised : how often the planted things happened in the watched time (true counts, before
        any dirt), for instance ``gaskets fitted by River Shop`` and
        ``gaskets of River Shop that came back``.
    dirt_rates : the rates asked for; None for clean records.
    dirt_rows, dirt_orders : file rows and orders spoilt, by kind, repeated orders included.
        Each spoilt row is listed in ``truth_rows.parquet``.
    orders, lines, meter_readings : what was written, repeated orders included.
    """

    seed: int
    vehicles: int
    layout: str
    lines_per_vehicle: str
    window_start: date
    window_end: date
    planted: Planted | None
    part_lives: tuple[PartLife, ...]
    oil_interval_mi: dict[str, int]
    realised: dict[str, int]
    dirt_rates: DirtRates | None
    dirt_rows: dict[str, int]
    dirt_orders: dict[str, int]
    orders: int
    lines: int
    meter_readings: int
    lines_by_file: dict[str, int]
    files: tuple[str, ...]

    def write(self, path: Path) -> None:
        """Write the truth as JSON."""
        text = json.dumps(asdict(self), indent=1, default=date.isoformat, ensure_ascii=False)
        path.write_text(text + "\n", encoding="utf-8")
