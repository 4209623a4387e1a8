"""How much of the time that vehicles run no reading tells of, and what that does to rates."""

from __future__ import annotations

from dataclasses import dataclass

import duckdb

from fleetlog.analyses.wording import counted, number, per_cent
from fleetlog.settings import SILENT_DAYS, UNSEEN_SHARE
from fleetlog.sql import read_sql


@dataclass(frozen=True)
class Unseen:
    """Running vehicles that were last seen before the day of which the records know.

    ``vehicles`` run; ``silent`` of them have had no reading for :data:`SILENT_DAYS` and more, of
    which ``silent_since_failure`` were last seen when something had failed; ``share`` is the part
    of all their days that lies after their last reading; ``longest`` names some, the longest
    silent first.
    """

    vehicles: int
    silent: int
    silent_since_failure: int
    share: float
    longest: tuple[str, ...]

    @property
    def matters(self) -> bool:
        """Whether so much is unseen that rates of failure may be off."""
        return self.share >= UNSEEN_SHARE.value

    @property
    def most_times_too_high(self) -> float:
        """How many times too high the rates are if all ran on as before and nothing failed.

        Rates are failures over what was seen; with all that was run they would be ``1 - share`` of
        that.
        """
        return 1 / (1 - self.share)

    @property
    def words(self) -> tuple[str, ...]:
        """Say it, where it matters."""
        if not self.matters:
            return ()
        return (
            f"Of {counted(self.vehicles, 'running vehicle')}, {self.silent:,} have had no reading "
            f"for {SILENT_DAYS.value:g} days or more before the records end "
            f"({self.silent_since_failure:,} of them since a failure), {per_cent(self.share)} of "
            "the time. If they ran on, parts live longer than this says and rates of failure come "
            f"out up to {number(self.most_times_too_high)} times too high on the whole, more for "
            "young vehicles: load fuel or inspection readings, and say which have left the fleet.",
        )


def unseen(connection: duckdb.DuckDBPyConnection, engine_family: str | None = None) -> Unseen:
    """Count what no reading tells of, in one family or the whole fleet.

    A vehicle counts as watched up to its last reading. Where only repairs bring readings, the last
    one is mostly a failure, and the good time after it is missed: that the watch ended is not
    independent of the failures, as every estimate from censored lives supposes (Klein and
    Moeschberger 2003, section 3.2).
    """
    asked = {"engine_family": engine_family, "silent_days": int(SILENT_DAYS.value)}
    row = connection.execute(read_sql("analyses", "unseen"), asked).fetchone()
    assert row is not None  # aggregates always give one
    vehicles, silent, since_failure, share, longest = row
    return Unseen(vehicles, silent, since_failure, share, tuple(longest))
