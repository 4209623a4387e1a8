"""What the analyses answer with: frozen results that commands, pages and reports show."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl


@dataclass(frozen=True)
class PartLife:
    """How long one component lives, whole or split.

    Times are ages of the part in ``unit``. Every frame has the column ``group``, the label of
    the split ("all" where there is none).

    Attributes
    ----------
    groups : one row per group: ``group``, the columns of ``by``, ``lives``, ``vehicles``,
        ``failures``, ``planned``, ``other_removals``, ``still_fitted``, ``late_entries``,
        ``position_assumed_share`` (of the failures), ``generation_assumed_share`` (of the
        lives), ``b10``, ``b10_lower``, ``b10_upper``, ``median``, ``median_lower``,
        ``median_upper`` (from the curve; null where it does not reach), ``shape``,
        ``shape_lower``, ``shape_upper``, ``scale``, ``scale_lower``, ``scale_upper``,
        ``weibull_b10``, ``weibull_b10_lower``, ``weibull_b10_upper`` (null with the reason in
        ``note``) and ``note``, words on what the figures can bear.
    curves : ``group``, ``time``, ``at_risk``, ``events``, ``estimate``, ``std_err``, ``lower``,
        ``upper``: the product-limit curve, its limits clustered by vehicle.
    fitted : ``group``, ``time``, ``survival``: the Weibull curve, where there is one.
    incidence : ``group``, ``failure_mode``, ``time``, ``estimate``, ``lower``, ``upper``: the
        share failed by each mode, the other modes competing.
    endings : ``group``, ``ended_by``, ``failure_mode``, ``lives``.
    evidence : the failures themselves: ``group``, ``vin``, ``unit_no``, ``shop``, ``ro_no``,
        ``opened_on``, ``age``, ``positions`` (in words), ``parts`` (how many), ``failure_mode``,
        ``part_maker``, ``part_lot``, ``position_assumed``.
    left_out : ``why``, ``count``: everything that did not enter the figures.
    summary : sentences, the answer first.
    """

    component: str
    title: str
    engine_family: str | None
    by: tuple[str, ...]
    clock: str
    unit: str
    level: float
    groups: pl.DataFrame
    curves: pl.DataFrame
    fitted: pl.DataFrame
    incidence: pl.DataFrame
    endings: pl.DataFrame
    evidence: pl.DataFrame
    left_out: pl.DataFrame
    summary: tuple[str, ...]


@dataclass(frozen=True)
class BestInterval:
    """At which age to renew a component on purpose, and what that saves.

    ``oldest_seen`` is the age of the oldest part watched. ``age`` is None where no interval beats
    running to failure, or where the failures are too few to say; ``reason`` then says which.
    ``advised`` is ``age`` where parts of that age have been seen, held to the maker's or legal
    interval for safety-critical parts.
    ``curve`` has ``age`` and ``cost_rate`` (money per
    ``unit``); ``flat_range`` is where the cost is within 5 % of the least. ``age_interval`` and
    ``saving_interval`` come from draws of the fitted parameters; ``no_optimum_share`` is the
    share of draws in which no interval pays.
    """

    component: str
    title: str
    engine_family: str | None
    clock: str
    unit: str
    currency: str
    lives: int
    vehicles: int
    failures: int
    oldest_seen: float
    shape: float | None
    shape_interval: tuple[float, float] | None
    scale: float | None
    cost_planned: float
    cost_failure: float
    cost_basis: str
    age: float | None
    age_interval: tuple[float, float] | None
    flat_range: tuple[float, float] | None
    cost_rate: float | None
    run_to_failure_cost_rate: float | None
    saving: float | None
    saving_interval: tuple[float, float] | None
    no_optimum_share: float | None
    reason: str | None
    rule_interval: float | None
    rule_origin: str | None
    advised: float | None
    safety_critical: bool
    curve: pl.DataFrame
    summary: tuple[str, ...]


@dataclass(frozen=True)
class Comebacks:
    """Which repairs come back within the window.

    Attributes
    ----------
    same : what makes a return a comeback: the same "component", "access-group" or "complaint".
    repairs, came_back, rate, rate_interval : of all groups together; a repair that falls in
        several groups counts once.
    groups : one row per group (``group``), the highest rate first: ``repairs``, ``comebacks``,
        ``retired`` (of the vehicles, within the window), ``followed_up`` (repairs whose window
        has closed, or whose outcome is known), ``followed`` (how many repairs watched to the end
        carry as much as the group's do; see `comebacks`), ``rate``, ``lower``, ``upper``
        (chance of return within the window, retirement competing), ``shrunk``,
        ``shrunk_lower``, ``shrunk_upper`` (the rate drawn towards what all groups share),
        ``compared`` (comebacks of jobs that other groups do too), ``expected`` (those that the
        others' rates of the same jobs make), ``ratio``, ``ratio_lower``, ``ratio_upper`` (compared
        over expected; no ratio where the others had none), ``p_value``, ``p_adjusted`` (for as many
        groups as there are), ``precision`` (the place of the group on the funnel),
        ``funnel_lower``, ``funnel_upper`` (within which the ratio lies by chance, at the level),
        ``verdict`` and ``note``, words.
    curves : ``group``, ``time`` (days), ``at_risk``, ``comebacks``, ``retired``, ``estimate``
        (share returned).
    funnel : ``precision``, ``lower``, ``upper`` (at the level), ``outer_lower``, ``outer_upper``
        (at 99.8 %): a smooth funnel around a ratio of 1.
    between : standard deviation of the groups' true ratios, as far as chance does not make it;
        None where there are too few groups to tell.
    clustering : variance of a group's comebacks as a multiple of what it would be if no two were
        of one vehicle; the comparisons of groups are made with it.
    pairs : the repairs that came back, the latest first: ``group``, ``vin``, ``unit_no``,
        ``component``, ``title`` (of the component), ``shop``, ``ro_no``, ``opened_on``,
        ``back_shop``, ``back_ro_no``, ``back_on``, ``days``, ``distance``, ``complaint``,
        ``back_complaint``, ``matched_by`` (words: what the two have in common).
    unrelated : pairs that a person has said to have nothing to do with each other, which are no
        comebacks: ``vin``, ``shop``, ``ro_no``, ``opened_on``, ``other_shop``, ``other_ro_no``,
        ``other_opened_on``, ``reason``, ``said_by``, ``said_at``; of all of the store.
    left_out : ``why``, ``count``.
    """

    by: str
    same: str
    component: str | None
    window_days: int
    window_distance: float
    unit: str
    level: float
    repairs: int
    came_back: int
    rate: float
    rate_interval: tuple[float, float]
    groups: pl.DataFrame
    curves: pl.DataFrame
    funnel: pl.DataFrame
    between: float | None
    clustering: float
    pairs: pl.DataFrame
    unrelated: pl.DataFrame
    left_out: pl.DataFrame
    summary: tuple[str, ...]


@dataclass(frozen=True)
class DoubleOrders:
    """Orders that tell one job twice, surely or perhaps.

    Attributes
    ----------
    pairs : ``state`` ("ask", "linked", or "apart" where somebody said so), ``kind`` ("same
        order" or "split order"), ``score`` (probability), ``vin``, ``unit_no``, then ``ro_id``,
        ``shop``, ``ro_no``, ``opened_on``, ``odometer``, ``lines`` (how many) of the first order
        and the same with ``other_`` of the second, and ``why``; questions come first.
    """

    pairs: pl.DataFrame
    summary: tuple[str, ...]


@dataclass(frozen=True)
class Quality:
    """How far the records can be trusted, and what to mend first.

    Attributes
    ----------
    fix_first : ``what``, ``where`` (shop or file), ``rows`` (how many), ``gain`` ("missing
        failures": failures that no figure counts yet; else what would be better known of
        failures that are counted), ``failures`` (how many, estimated where it cannot be known),
        ``lower``, ``upper`` (limits of the estimate; equal where it is a count), ``how`` (it was
        reckoned), ``examples`` (order numbers or file rows) and ``do`` (what to do). Missing
        failures come first, the most first; ``failures`` is null where no number can be told. One
        failure may stand in several rows that are not about missing ones: the rows do not add up.
    completeness : ``of_what`` (order or line), ``field``, ``shop``, ``rows``, ``filled``,
        ``share``, ``lower``, ``upper``.
    coding : ``shop``, ``lines``, ``from_columns``, ``from_text``, ``kept_as_text``, ``share``
        coded, ``lower``, ``upper``.
    failures : ``shop``, ``failures``, ``position_assumed``, ``distance_estimated``,
        ``no_failure_mode``.
    readings : ``told_by`` (shop or source), ``verdict``, ``why``, ``readings``.
    vehicles : ``file_name``, ``how``, ``rows``: vehicles found otherwise than by the name written.
    held : ``file_name``, ``kind``, ``column``, ``problem``, ``rows``, ``load_id``, ``first_rows``.
    left_out : ``why``, ``lines``, ``failed``, ``orders``: lines that made no event.
    drift : ``shop``, ``measure``, ``before``, ``orders_before``, ``lately``, ``orders_lately``,
        ``lower``, ``upper`` (limits of the change, wide enough for all comparisons together) and
        ``note``; lately is the last two quarters of the shop.
    quarters : ``shop``, ``quarter``, ``orders``, ``with_odometer``, ``all_coded``.
    summary : sentences, the most important first.
    """

    fix_first: pl.DataFrame
    completeness: pl.DataFrame
    coding: pl.DataFrame
    failures: pl.DataFrame
    readings: pl.DataFrame
    vehicles: pl.DataFrame
    held: pl.DataFrame
    left_out: pl.DataFrame
    drift: pl.DataFrame
    quarters: pl.DataFrame
    summary: tuple[str, ...]
