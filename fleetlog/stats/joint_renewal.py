"""Which parts to renew together while a machine is open anyway."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Literal, TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fleetlog.stats._arrays import Bools, Floats

MOST_ENUMERATED = 16
"""All sets of so many undecided classes are weighed at once: 65,536 of them."""
# A part that fails for sure counts as one that survives so rarely that no sum notices.
LEAST = np.exp(-700.0)
# A break-even chance is looked for on a grid of this many, then by halving.
SCANNED = 128
HALVINGS = 50

Method: TypeAlias = Literal["exhaustive", "greedy"]


@dataclass(frozen=True)
class OpenParts:
    """Classes of alike parts laid open. Made by `open_parts`.

    Attributes
    ----------
    count : (classes,) parts in each class.
    chance_left : (..., periods, classes) chance that one part fails in each of the successive
        periods up to the horizon if it is left; they add up to at most 1 over the periods.
    chance_new : (..., periods, classes) the same of a new part that is put in its place.
    cost_now : (classes,) cost of renewing one part now.
    cost_later : (classes,) cost of one failure beyond the opening: part, labour, damage.
    opening : (classes,) cost of opening up again as far as a part of this class needs.

    The leading axes of the chances (draws of uncertain ones, say) are alike.
    """

    count: Floats
    chance_left: Floats
    chance_new: Floats
    cost_now: Floats
    cost_later: Floats
    opening: Floats

    @property
    def classes(self) -> int:
        """How many classes there are."""
        return int(self.count.size)

    @cached_property
    def whole(self) -> tuple[Floats, Floats]:
        """Chance that one part fails before the horizon, (..., classes): left, and new."""
        return self.chance_left.sum(axis=-2), self.chance_new.sum(axis=-2)

    @cached_property
    def quiet(self) -> tuple[Floats, Floats]:
        """Log of the chance that the first failure of a class falls into no given period."""
        return np.log(_no_opening(self.count, self.chance_left)), np.log(
            _no_opening(self.count, self.chance_new)
        )


def open_parts(
    *,
    count: ArrayLike,
    chance_left: ArrayLike,
    cost_now: ArrayLike,
    cost_later: ArrayLike,
    opening: ArrayLike,
    chance_new: ArrayLike = 0.0,
) -> OpenParts:
    """Check the classes of `OpenParts`; numbers broadcast to the classes.

    Chances of one dimension, (classes,), are of one period up to the horizon.

    Raises
    ------
    ValueError : chances outside of 0 to 1, in all too; negative costs; a count below 1.
    """
    costs = {
        name: np.atleast_1d(np.asarray(value, dtype=np.float64))
        for name, value in (
            ("count", count), ("cost_now", cost_now), ("cost_later", cost_later),
            ("opening", opening),
        )
    }  # fmt: skip
    chances = {
        name: np.atleast_2d(np.asarray(value, dtype=np.float64))
        for name, value in (("chance_left", chance_left), ("chance_new", chance_new))
    }
    classes = max(array.shape[-1] for array in (*costs.values(), *chances.values()))
    for name, array in costs.items():
        least = 1.0 if name == "count" else 0.0
        if array.ndim > 1 or not np.all(np.isfinite(array) & (array >= least)):
            raise ValueError(f"{name} is {array}: pass a finite number of {least:g} or more each")
    shape = np.broadcast_shapes(*(array.shape for array in chances.values()), (1, classes))
    for name, array in chances.items():
        whole = np.broadcast_to(array, shape).sum(axis=-2)
        if not (np.all(array >= 0) and np.all(whole <= 1 + 1e-9)):
            raise ValueError(f"{name} is {array}: pass chances of 0 or more, at most 1 in all")
    return OpenParts(
        **{name: np.broadcast_to(array, (classes,)) for name, array in costs.items()},
        **{name: np.broadcast_to(array, shape) for name, array in chances.items()},
    )


def expected_cost(parts: OpenParts, renewed: ArrayLike) -> Floats:
    """Give the expected cost up to the horizon of renewing a set of classes now.

    Renewed parts cost their renewal. Any part may fail before the horizon, new ones by their own
    chance, independently given those chances; each failure costs its part, labour and damage. The
    first failure of a class opens up again, and its fellows are seen to with it. One opening
    serves all classes whose first failure falls into the same period, and goes as deep as the
    deepest of them needs. With one period and one depth that is the cost of the opening times the
    chance that at least one part fails.

    Parameters
    ----------
    renewed : (..., classes) bool; leading axes broadcast with those of the chances.

    Returns
    -------
    (...) expected costs.

    Notes
    -----
    A class opens up again once at most: what is renewed at a later opening is not followed any
    further. Where most parts of a class would fail early in the horizon, leaving it therefore
    comes out too cheap, by the chance that its successors fail in what remains.

    Source of the idea (economic dependence, opportunistic replacement): Dekker, Wildeman and van
    der Duyn Schouten 1997.
    """
    chosen = np.asarray(renewed, dtype=bool)
    whole = np.where(chosen, parts.whole[1], parts.whole[0])
    direct = parts.count * (np.where(chosen, parts.cost_now, 0.0) + whole * parts.cost_later)
    quiet = np.where(chosen[..., None, :], parts.quiet[1], parts.quiet[0])
    # From the deepest on: what a failure at this depth or deeper adds over the next shallower.
    deepest = np.argsort(-parts.opening, kind="stable")
    steps = -np.diff(np.append(parts.opening[deepest], 0.0))
    opened = -np.expm1(np.cumsum(quiet[..., deepest], axis=-1))
    return np.asarray(direct.sum(axis=-1) + (steps * opened).sum(axis=(-1, -2)))


def _no_opening(count: Floats, chance: Floats) -> Floats:
    """Chance that the first failure of a class does not fall into a period; above 0."""
    before = np.cumsum(chance, axis=-2)
    survived = np.clip(1 - np.concatenate([np.zeros_like(before[..., :1, :]), before], -2), 0, 1)
    first = -np.diff(survived**count, axis=-2)
    return np.asarray(np.clip(1 - first, LEAST, 1))


@dataclass(frozen=True)
class JointRenewal:
    """The set of classes to renew that costs least. See `renew_together`.

    Attributes
    ----------
    renewed : (classes,) bool, the set of least expected cost.
    cost, cost_of_none : expected cost of that set, and of renewing only what must be.
    saving : the difference.
    with_class, without_class : (classes, classes) bool: the best set among those that hold class
        j, and among those that do not (rows j); of what must be renewed, the best set with the
        class itself taken out.
    class_saving : (classes,) what the best set with class j costs less than the best without it.
    break_even : (classes,) chance of one part of class j failing before the horizon, at which
        renewing the class costs as much as leaving it, the others held to the best set; NaN where
        no chance makes it pay.
    method : "exhaustive" where every set was weighed or ruled out by bounds; "greedy" where too
        many classes were undecided and sets were improved by one class at a time.
    """

    renewed: Bools
    cost: float
    cost_of_none: float
    saving: float
    with_class: NDArray[np.bool_]
    without_class: NDArray[np.bool_]
    class_saving: Floats
    break_even: Floats
    method: Method


def renew_together(parts: OpenParts, *, always: ArrayLike | None = None) -> JointRenewal:
    """Find the set of classes whose renewal now has the least expected cost up to the horizon.

    The choice is joint: an opening later on is saved only if nothing behind it fails, so that a
    part may be worth renewing only if its neighbours are renewed too.

    Parameters
    ----------
    parts : one set of figures, chances (periods, classes).
    always : (classes,) bool, classes that are renewed whatever they cost.

    Notes
    -----
    Classes whose renewal costs, or saves, whatever becomes of the others (by bounds on the chance
    that none of them opens up) are left or taken; all sets of the rest, up to 2^16, are weighed.
    With one period a class of which parts could be renewed singly is best renewed whole or not at
    all: its cost is concave in their number.
    """
    if parts.chance_left.ndim != 2:
        raise ValueError("pass one set of figures: chances of (periods, classes)")
    size = parts.classes
    forced = np.zeros(size, dtype=bool) if always is None else np.asarray(always, dtype=bool)
    if forced.shape != (size,):
        raise ValueError(f"always has shape {forced.shape} for {size} classes: pass one per class")
    nothing, every = np.zeros(size, dtype=bool), np.eye(size, dtype=bool)
    best, method = _best(parts, forced, nothing)
    with_class, without_class = np.tile(best, (2, size, 1))
    for j in range(size):
        if forced[j]:
            without_class[j, j] = False
            continue
        if best[j]:
            without_class[j], how = _best(parts, forced, every[j])
        else:
            with_class[j], how = _best(parts, forced | every[j], nothing)
        method = "greedy" if how == "greedy" else method
    cost, none = expected_cost(parts, np.stack([best, forced]))
    return JointRenewal(
        renewed=best,
        cost=float(cost),
        cost_of_none=float(none),
        saving=float(none - cost),
        with_class=with_class,
        without_class=without_class,
        class_saving=expected_cost(parts, without_class) - expected_cost(parts, with_class),
        break_even=break_even_chance(parts, best),
        method=method,
    )


def _best(parts: OpenParts, inside: Bools, outside: Bools) -> tuple[Bools, Method]:
    """Cheapest set that holds ``inside`` and nothing of ``outside``."""
    inside, outside = inside.copy(), outside.copy()
    while True:
        least, most = _gain_bounds(parts, inside, outside)
        undecided = ~inside & ~outside
        leave = undecided & (most <= 0)
        take = undecided & (least > 0)
        if not (leave.any() or take.any()):
            break
        outside |= leave
        inside |= take
    places = np.flatnonzero(undecided)
    if places.size <= MOST_ENUMERATED:
        numbers = np.arange(2**places.size)
        sets = np.repeat(inside[None, :], numbers.size, axis=0)
        sets[:, places] = (numbers[:, None] >> np.arange(places.size)) & 1
        return sets[int(np.argmin(expected_cost(parts, sets)))], "exhaustive"
    ends = [_improved(parts, start, places) for start in (inside, ~outside)]
    return ends[int(np.argmin(expected_cost(parts, np.stack(ends))))], "greedy"


def _improved(parts: OpenParts, start: Bools, places: NDArray[np.intp]) -> Bools:
    """Add or drop one class at a time, the one that saves most, until none does."""
    flips = np.eye(parts.classes, dtype=bool)[places]
    best, cost = start, float(expected_cost(parts, start))
    while True:
        sets = best ^ flips
        costs = expected_cost(parts, sets)
        lowest = int(np.argmin(costs))
        if not costs[lowest] < cost:
            return best
        best, cost = sets[lowest], float(costs[lowest])


def _depths(parts: OpenParts) -> tuple[Floats, Bools]:
    """Give what each depth of opening adds to the next shallower, (depths,), and who needs it."""
    levels = np.unique(np.append(0.0, parts.opening))
    return np.diff(levels), parts.opening[None, :] >= levels[1:, None]


def _direct_gain(parts: OpenParts, whole_left: Floats) -> Floats:
    """Give what renewing a class saves besides openings, if left parts fail with ``whole_left``."""
    fewer = whole_left - parts.whole[1]
    return np.asarray(parts.count * (fewer * parts.cost_later - parts.cost_now))


def _gain_bounds(parts: OpenParts, inside: Bools, outside: Bools) -> tuple[Floats, Floats]:
    """Bounds, whatever the undecided become, of what renewing each class saves, (classes,)."""
    steps, deep = _depths(parts)
    left, new = (np.exp(log) for log in parts.quiet)
    bounds = [
        np.where(inside, new, np.where(outside, left, pick(left, new)))
        for pick in (np.minimum, np.maximum)
    ]
    # (depths, periods, classes): chance that no other class that needs the depth opens up.
    low, high = (
        np.exp((own := deep[:, None, :] * np.log(bound)).sum(axis=-1, keepdims=True) - own)
        for bound in bounds
    )
    gained = new - left
    step = steps[:, None, None] * deep[:, None, :]
    direct = _direct_gain(parts, parts.whole[0])
    least = direct + (step * np.where(gained > 0, low, high) * gained).sum(axis=(0, 1))
    most = direct + (step * np.where(gained > 0, high, low) * gained).sum(axis=(0, 1))
    return least, most


def break_even_chance(parts: OpenParts, renewed: ArrayLike) -> Floats:
    """Give the chance of one part failing at which renewing its class costs what leaving it does.

    The chance is that of failing before the horizon, spread over the periods as that of the part
    is (evenly where it has none); the least such chance, where there are several.

    Parameters
    ----------
    renewed : (classes,) bool, the set that the other classes are held to.

    Returns
    -------
    (classes,); NaN where no chance makes renewal pay.
    """
    chosen = np.asarray(renewed, dtype=bool)
    steps, deep = _depths(parts)
    periods = parts.chance_left.shape[0]
    quiet_left, quiet_new = (np.exp(log) for log in parts.quiet)
    own = deep[:, None, :] * np.log(np.where(chosen, quiet_new, quiet_left))
    others = np.exp(own.sum(axis=-1, keepdims=True) - own)
    value = (steps[:, None, None] * deep[:, None, :] * others).sum(axis=0)
    whole = parts.chance_left.sum(axis=0)
    spread = np.where(whole > 0, parts.chance_left / np.where(whole > 0, whole, 1.0), 1 / periods)

    def gain(chance: Floats) -> Floats:
        quiet = _no_opening(parts.count, chance[..., None, :] * spread)
        return np.asarray((value * (quiet_new - quiet)).sum(axis=-2) + _direct_gain(parts, chance))

    grid = np.linspace(0.0, 1.0, SCANNED + 1)
    pays = gain(np.broadcast_to(grid[:, None], (grid.size, parts.classes))) > 0
    first = pays.argmax(axis=0)
    low, high = grid[np.maximum(first - 1, 0)], grid[first]
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        above = gain(middle) > 0
        low, high = np.where(above, low, middle), np.where(above, middle, high)
    return np.where(pays.any(axis=0), high, np.nan)
