"""Numerics for lives with censoring: arrays in, frozen results out; no files, no screens."""

from fleetlog.stats.curves import (
    HazardCurve,
    IncidenceCurves,
    SurvivalCurve,
    ThinStart,
    cumulative_incidence,
    cumulative_incidence_from_table,
    kaplan_meier,
    kaplan_meier_from_table,
    nelson_aalen,
    nelson_aalen_from_table,
)

__all__ = [
    "HazardCurve",
    "IncidenceCurves",
    "SurvivalCurve",
    "ThinStart",
    "cumulative_incidence",
    "cumulative_incidence_from_table",
    "kaplan_meier",
    "kaplan_meier_from_table",
    "nelson_aalen",
    "nelson_aalen_from_table",
]
