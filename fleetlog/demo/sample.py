"""The small committed extract under sample_data: made by one call, so that it can be made again."""

from pathlib import Path

from fleetlog.demo.simulation import simulate
from fleetlog.demo.truth import Truth

VEHICLES = 40
SEED = 17


def write_sample(directory: str | Path) -> Truth:
    """Write the files of ``sample_data``: 40 vehicles, two shops, a few hundred lines.

    Run ``python -m fleetlog.demo.sample sample_data`` from the top folder to renew them.
    """
    return simulate(directory, vehicles=VEHICLES, seed=SEED, lines_per_vehicle="lean", shops=2)


if __name__ == "__main__":
    import sys

    write_sample(sys.argv[1])
