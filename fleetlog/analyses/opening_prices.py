"""What parts behind a cover cost now and later, by the store's own lines or as given."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import polars as pl

from fleetlog.analyses.wording import counted, listed, number
from fleetlog.errors import InputError
from fleetlog.settings import FEWEST_PRICES


@dataclass(frozen=True)
class GivenPrices:
    """Prices that the caller sets, in the store's currency; None or absent: by the store's lines.

    Attributes
    ----------
    part_cost : of one part, by component. extra_labour : hours that renewing one part adds while
        the covers are off, by component. damage : mean cost of what a failure of one part spoils
        beside it, by component; 0 where absent.
    opening_cost : of opening up again, labour and time stopped, for every component alike.
    labour_rate : per hour. downtime_cost_per_hour : of a stopped vehicle.
    """

    part_cost: Mapping[str, float]
    extra_labour: Mapping[str, float]
    damage: Mapping[str, float]
    opening_cost: float | None
    labour_rate: float | None
    downtime_cost_per_hour: float


@dataclass(frozen=True)
class Prices:
    """Prices by component.

    Attributes
    ----------
    table : ``component``, ``part_cost``, ``extra_h``, ``cost_now`` (one part and its extra
        labour), ``damage``, ``cost_later`` (the same part, labour and damage), ``opening`` (labour
        and time stopped of opening up again for it), ``basis`` in words.
    unpriced : components without a price, with what is missing.
    labour_rate : per hour. said : sentences on what the prices rest on.
    """

    table: pl.DataFrame
    unpriced: dict[str, str]
    labour_rate: float
    said: tuple[str, ...]


def prices_of(
    components: list[str],
    lines: pl.DataFrame,
    labour: pl.DataFrame,
    given: GivenPrices,
    currency: str,
    titles: Mapping[str, str],
) -> Prices:
    """Work out the prices of components from the store's medians (``together_prices.sql``).

    Raises
    ------
    InputError : a price of a component that lies not behind the cover, a negative one, or an hour
        of labour that nobody has told the cost of.
    """
    _check(components, given)
    facts = {(row["component"], row["in_family"]): row for row in lines.rows(named=True)}
    rate = given.labour_rate
    rate_words = f"{number(rate, currency)} an hour as given" if rate is not None else ""
    if rate is None:
        found = labour.row(0, named=True)
        if found["rate"] is None:
            raise InputError(
                "no order in the store says both its labour hours and their cost: give the cost "
                "of an hour of labour"
            )
        rate = float(found["rate"])
        rate_words = (
            f"{number(rate, currency)} an hour, median of {counted(found['orders'], 'order')}"
        )
    stopped_h, stopped_words = _median(facts, None, "downtime_h", "downtime_orders")
    stopped = (stopped_h or 0.0) * given.downtime_cost_per_hour
    table: list[dict[str, Any]] = []
    unpriced: dict[str, str] = {}
    for code in components:
        row = _row(code, facts, given, rate, stopped)
        if isinstance(row, str):
            unpriced[code] = row
        else:
            table.append(row)
    schema = {
        "component": pl.String, "part_cost": pl.Float64, "extra_h": pl.Float64,
        "cost_now": pl.Float64, "damage": pl.Float64, "cost_later": pl.Float64,
        "opening": pl.Float64, "basis": pl.String,
    }  # fmt: skip
    said = [f"Labour: {rate_words}."]
    if given.opening_cost is not None:
        said.append(f"Opening up again: {number(given.opening_cost, currency)} as given.")
    elif stopped_h is None:
        said.append("No order says how long the vehicle stood, so time stopped costs nothing here.")
    else:
        said.append(
            f"Opening up again stops the vehicle for {number(stopped_h, 'h')} ({stopped_words}) at "
            f"{number(given.downtime_cost_per_hour, currency)} an hour."
        )
    if given.damage:
        said.append(
            "Damage that a failure does beside it, as given: "
            + listed(
                f"{titles[code].lower()} {number(cost, currency)}"
                for code, cost in given.damage.items()
            )
            + "."
        )
    return Prices(pl.DataFrame(table, schema=schema), unpriced, rate, tuple(said))


def _check(components: list[str], given: GivenPrices) -> None:
    for what, costs in (
        ("part cost", given.part_cost),
        ("extra labour", given.extra_labour),
        ("damage", given.damage),
    ):
        for code, value in costs.items():
            if code not in components:
                raise InputError(
                    f"a {what} is given for {code}, which lies not behind this cover: the parts "
                    f"there are {listed(components)}"
                )
            if not value >= 0:
                raise InputError(f"the {what} of {code} is {value}: give a number of 0 or more")
    for what, single in (
        ("cost of opening", given.opening_cost),
        ("cost of an hour of labour", given.labour_rate),
        ("cost of an hour stopped", given.downtime_cost_per_hour),
    ):
        if single is not None and not single >= 0:
            raise InputError(f"the {what} is {single}: give a number of 0 or more")


def _median(
    facts: Mapping[tuple[str | None, bool | None], dict[str, Any]],
    component: str | None,
    value: str,
    lines: str,
) -> tuple[float | None, str]:
    """Return a median of this engine family, else of the whole fleet, and how many it rests on."""
    own = facts.get((component, True))
    if own is not None and own[lines] >= FEWEST_PRICES.value:
        return float(own[value]), f"median of {own[lines]:,} here"
    whole = facts.get((component, None))
    if whole is not None and whole[lines]:
        return float(whole[value]), f"median of {whole[lines]:,} in the whole fleet"
    return None, ""


def _row(
    code: str,
    facts: Mapping[tuple[str | None, bool | None], dict[str, Any]],
    given: GivenPrices,
    rate: float,
    stopped: float,
) -> dict[str, Any] | str:
    part, part_words = _median(facts, code, "part_cost", "part_lines")
    if code in given.part_cost:
        part, part_words = given.part_cost[code], "as given"
    if part is None:
        return "no line tells what the part costs: give its part cost"
    own_h, own_words = _median(facts, code, "own_h", "own_lines")
    extra_h, extra_words = _median(facts, code, "extra_h", "extra_lines")
    if code in given.extra_labour:
        extra_h, extra_words = given.extra_labour[code], "as given"
    if extra_h is None:
        if own_h is None:
            return "no line tells its labour: give its extra labour"
        # The whole labour of its own repair bounds what it adds to another one.
        extra_h, extra_words = own_h, "never renewed beside another part: its own repair's"
    if given.opening_cost is not None:
        opening, opening_words = given.opening_cost, "as given"
    else:
        if own_h is None:
            own_h, own_words = _median(facts, None, "own_h", "own_lines")
            own_words = f"of other parts behind this cover, {own_words}"
        opening = max((own_h or 0.0) - extra_h, 0.0) * rate + stopped
        opening_words = f"own repair {number(own_h or 0.0, 'h')} ({own_words or 'not told'})"
    now = part + extra_h * rate
    damage = float(given.damage.get(code, 0.0))
    return {
        "component": code,
        "part_cost": part,
        "extra_h": extra_h,
        "cost_now": now,
        "damage": damage,
        "cost_later": now + damage,
        "opening": opening,
        "basis": (
            f"part {part_words}; extra labour {number(extra_h, 'h')} ({extra_words}); opening: "
            f"{opening_words}"
        ),
    }
