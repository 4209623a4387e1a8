"""At which age to renew a component on purpose, what that saves, and how sure that is."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import polars as pl

from fleetlog.analyses.components import find_component
from fleetlog.analyses.part_life import GENERATIONS, fit_weibull, lives_where, select, subject
from fleetlog.analyses.results import BestInterval
from fleetlog.analyses.unseen import unseen
from fleetlog.analyses.wording import between, between_shares, counted, is_thin, number, per_cent
from fleetlog.errors import InputError
from fleetlog.lives.select import CLOCKS, check_choices
from fleetlog.settings import DOWNTIME_COST_PER_HOUR, LEVEL
from fleetlog.sql import read_sql
from fleetlog.stats import LifeFit, ReplacementPolicy, age_replacement
from fleetlog.store import Store


@dataclass(frozen=True)
class Costs:
    """What renewing one part costs on purpose and after a failure, and where that comes from."""

    planned: float
    failure: float
    basis: str


def best_interval(
    store: Store,
    component: str,
    *,
    engine_family: str | None = None,
    where: Mapping[str, str | int] | None = None,
    clock: str = "distance",
    generation: str = "any",
    keep_assumed: bool | None = None,
    cost_planned: float | None = None,
    cost_failure: float | None = None,
    downtime_cost_per_hour: float = DOWNTIME_COST_PER_HOUR.value,
    level: float = LEVEL.value,
) -> BestInterval:
    """Find the age at which renewing a component on purpose costs least in the long run.

    Parameters
    ----------
    store, component, engine_family, where, clock, generation, keep_assumed : as for
        :func:`fleetlog.analyses.part_life`.
    cost_planned : cost of one planned renewal of one part; where None, the median of the store's
        own orders that renewed the part without a failure, shared over the parts renewed.
    cost_failure : cost of one failure; where None, the median of the orders that a failure
        caused, shared over the parts that had failed, and the downtime.
    downtime_cost_per_hour : in the store's currency.
    level : confidence level of the limits.

    Raises
    ------
    InputError : an unknown component or clock, no lives, or costs that the store cannot tell.

    Notes
    -----
    Age replacement by Barlow and Proschan 1965 on a Weibull life. The advice for a
    safety-critical component is never longer than its maker's or legal interval, and never to
    run to failure.
    """
    part = find_component(component)
    where = dict(where or {})
    check_choices("clock", (clock,), CLOCKS)
    check_choices("generation", (generation,), GENERATIONS)
    with store.read() as connection:
        lives = lives_where(connection, component, engine_family, (), where)
        question = {"component": component, "engine_family": engine_family}
        renewals = connection.sql(read_sql("analyses", "renewal_costs"), params=question).pl()
        rules = connection.sql(
            read_sql("analyses", "component_rule"), params={**question, "clock": clock}
        ).pl()
        unread = unseen(connection, engine_family)
    kept = select(lives, (), clock, None, generation, keep_assumed=keep_assumed).lives
    costs = _costs(
        renewals.row(0, named=True), component, store.currency, cost_planned, cost_failure,
        downtime_cost_per_hour,
    )  # fmt: skip
    unit = store.distance_unit if clock == "distance" else "days"
    fit, refusal = fit_weibull(kept, clock)
    policy = (
        age_replacement(fit, cost_planned=costs.planned, cost_failure=costs.failure)
        if fit is not None
        else None
    )
    reason = refusal if policy is None else policy.reason
    age = policy.age if policy else None
    rule = rules.row(0, named=True) if rules.height else None
    rule_interval = (
        rule["every_distance" if clock == "distance" else "every_days"] if rule else None
    )
    oldest_seen = float(kept[f"exit_{clock}"].max())  # type: ignore[arg-type]
    advised = _advised(
        age if age is not None and age <= oldest_seen else None,
        rule_interval,
        safety_critical=part.safety_critical,
    )
    facts: dict[str, Any] = {
        "component": component,
        "title": part.title,
        "engine_family": engine_family,
        "clock": clock,
        "unit": unit,
        "currency": store.currency,
        "lives": int(kept["weight"].sum()),
        "vehicles": kept["vehicle"].n_unique(),
        "failures": int(kept.filter(pl.col("failed"))["weight"].sum()),
        "oldest_seen": oldest_seen,
        "cost_planned": costs.planned,
        "cost_failure": costs.failure,
        "cost_basis": costs.basis,
        "reason": reason,
        "rule_interval": rule_interval,
        "rule_origin": rule["origin"] if rule and rule_interval else None,
        "advised": advised,
        "safety_critical": part.safety_critical,
    }
    figures = _fit_figures(fit, level) | _policy_figures(policy)
    return BestInterval(
        **facts,
        **figures,
        summary=(
            *_summary(subject(part.title, engine_family, where, generation), facts, figures),
            *unread.words,
        ),
    )


def _costs(
    renewals: dict[str, Any],
    component: str,
    currency: str,
    cost_planned: float | None,
    cost_failure: float | None,
    downtime_cost_per_hour: float,
) -> Costs:
    said = []
    if cost_failure is None:
        if not renewals["failure_orders"]:
            raise InputError(
                f"no failure of {component} in the store has a cost: give the cost of a failure"
            )
        stopped = (renewals["failure_downtime_h"] or 0.0) * downtime_cost_per_hour
        cost_failure = renewals["failure_cost"] + stopped
        said.append(
            f"failure: median of {counted(renewals['failure_orders'], 'order')}, with "
            f"{number(renewals['failure_downtime_h'] or 0.0)} h stopped at "
            f"{number(downtime_cost_per_hour)} {currency} an hour"
        )
    else:
        said.append("failure: as given")
    if cost_planned is None:
        if renewals["planned_orders"]:
            cost_planned = renewals["planned_cost"]
            said.append(f"planned: median of {counted(renewals['planned_orders'], 'order')}")
        elif renewals["failure_cost_shared"] is not None:
            cost_planned = renewals["failure_cost_shared"]
            said.append(
                "planned: no such order yet, so the cost of the orders after a failure, shared "
                "over all the parts that they renewed and without the time stopped"
            )
        else:
            raise InputError(
                f"no renewal of {component} in the store has a cost: give the cost of a planned one"
            )
    else:
        said.append("planned: as given")
    for name, value in (("planned", cost_planned), ("failure", cost_failure)):
        if value <= 0:
            raise InputError(
                f"the cost of a {name} renewal is {number(value)}: give one above nought"
            )
    return Costs(float(cost_planned), float(cost_failure), "; ".join(said))


def _advised(age: float | None, rule: float | None, *, safety_critical: bool) -> float | None:
    if not safety_critical or rule is None:
        return None if safety_critical else age
    return rule if age is None else min(age, rule)


def _fit_figures(fit: LifeFit | None, level: float) -> dict[str, Any]:
    if fit is None:
        return dict.fromkeys(("shape", "shape_interval", "scale"))
    return {
        "shape": fit.parameters["shape"],
        "shape_interval": fit.parameter_interval("shape", level=level),
        "scale": fit.parameters["scale"],
    }


def _policy_figures(policy: ReplacementPolicy | None) -> dict[str, Any]:
    names = (
        "age", "age_interval", "flat_range", "cost_rate", "run_to_failure_cost_rate", "saving",
        "saving_interval", "no_optimum_share",
    )  # fmt: skip
    if policy is None:
        empty = pl.DataFrame(schema={"age": pl.Float64, "cost_rate": pl.Float64})
        return {**dict.fromkeys(names), "curve": empty}
    return {name: getattr(policy, name) for name in names} | {"curve": policy.curve}


def _summary(name: str, facts: dict[str, Any], figures: dict[str, Any]) -> tuple[str, ...]:
    unit, currency = facts["unit"], facts["currency"]
    said = []
    if figures["age"] is None:
        said.append(f"{name}: no planned interval is shown to pay: {facts['reason']}.")
    elif figures["age"] > facts["oldest_seen"]:
        said.append(
            f"{name}: no interval to advise yet. By the fitted curve the least cost lies at "
            f"{number(figures['age'], unit)}, beyond the oldest part seen "
            f"({number(facts['oldest_seen'], unit)})."
        )
    else:
        said.append(
            f"{name}: renewing at {number(figures['age'], unit)} costs least; anywhere in "
            f"{between(figures['flat_range'], unit)} costs at most 5 % more."
        )
        said.append(
            f"Against running to failure it saves {per_cent(figures['saving'])} "
            f"({between_shares(figures['saving_interval'])})."
        )
    if figures["no_optimum_share"] and figures["age"] is not None:
        said.append(
            f"In {per_cent(figures['no_optimum_share'])} of the lives that these data allow, no "
            "interval pays."
        )
    if is_thin(facts["failures"]):
        said.append(f"Thin: this rests on {counted(facts['failures'], 'failure')}.")
    said.append(
        f"Reckoned for one part, at {number(facts['cost_planned'], currency)} planned and "
        f"{number(facts['cost_failure'], currency)} after a failure ({facts['cost_basis']})."
    )
    if facts["safety_critical"]:
        said.append(
            "Safety-critical: never run to failure"
            + (
                f", and never longer than the {facts['rule_origin']} interval of "
                f"{number(facts['rule_interval'], unit)}."
                if facts["rule_interval"]
                else "; its maker's or legal interval is not in the store and comes first."
            )
        )
    return tuple(said)
