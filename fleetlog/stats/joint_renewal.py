"""Which parts to renew together while a machine is open anyway."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Literal, TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import fft

from fleetlog.stats._arrays import Bools, Floats

MOST_ENUMERATED = 16
"""All sets of so many undecided classes are weighed at once: 65,536 of them."""
# A part that fails for sure counts as one that survives so rarely that no sum notices.
LEAST = np.exp(-700.0)
# A break-even chance is looked for on a grid of this many, then by halving.
SCANNED = 128
HALVINGS = 50
# What periods beyond the last leak into a renewal chance when its transform is turned back.
LEAKED = 1e-13

Method: TypeAlias = Literal["exhaustive", "greedy"]


@dataclass(frozen=True)
class Later:
    """What becomes of classes after the opening that is weighed. See `later_of`.

    Attributes
    ----------
    cost : (..., classes) expected cost of their failures up to the horizon, without openings.
    quiet : (..., periods, classes) log of the chance that a class does not open up in a period.
    whole : (..., classes) bool, whether a failure then renews all of the class, or what failed.
    """

    cost: Floats
    quiet: Floats
    whole: Bools


@dataclass(frozen=True)
class OpenParts:
    """Classes of alike parts laid open. Made by `open_parts`.

    Attributes
    ----------
    count : (classes,) parts in each class.
    chance_left : (..., periods, classes) chance that one part fails in each of the successive
        periods up to the horizon if it is left; they add up to at most 1 over the periods.
    chance_new : (..., periods, classes) the same of a new part that is put in its place.
    cost_now : (classes,) cost of renewing one part while the machine is open, now or later.
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
    def left(self) -> Later:
        """What becomes of each class if it is left."""
        return later_of(self, self.chance_left)

    @cached_property
    def new(self) -> Later:
        """What becomes of each class if it is renewed now."""
        return later_of(self, self.chance_new)


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
    chance, independently given those chances, and so may what is put in for it, again and again
    (:func:`later_of`). One opening serves all classes that open up in the same period, and goes as
    deep as the deepest of them needs. With one period and one depth that is the cost of the opening
    times the chance that at least one part fails.

    Parameters
    ----------
    renewed : (..., classes) bool; leading axes broadcast with those of the chances.

    Returns
    -------
    (...) expected costs.

    Notes
    -----
    Exact for parts that fail as the chances say: classes do not touch each other, so that a period
    passes unopened with the product of what each makes of it, and expected costs add up. A shop
    that decides anew at each later opening, on other classes too, does no worse: what is left to
    the future comes out somewhat too dear.

    Source of the idea (economic dependence, opportunistic replacement): Dekker, Wildeman and van
    der Duyn Schouten 1997.
    """
    chosen = np.asarray(renewed, dtype=bool)
    sunk = np.where(chosen, parts.count * parts.cost_now, 0.0)
    direct = sunk + np.where(chosen, parts.new.cost, parts.left.cost)
    quiet = _quiet(parts, chosen)
    # From the deepest on: what a failure at this depth or deeper adds over the next shallower.
    deepest = np.argsort(-parts.opening, kind="stable")
    steps = -np.diff(np.append(parts.opening[deepest], 0.0))
    opened = -np.expm1(np.cumsum(quiet[..., deepest], axis=-1))
    return np.asarray(direct.sum(axis=-1) + (steps * opened).sum(axis=(-1, -2)))


def expected_openings(parts: OpenParts, renewed: ArrayLike) -> Floats:
    """Give how often the machine is opened again up to the horizon: see `expected_cost`.

    Parameters
    ----------
    renewed : (..., classes) bool; leading axes broadcast with those of the chances.

    Returns
    -------
    (...) expected numbers of openings, of any depth.
    """
    shut = _quiet(parts, np.asarray(renewed, dtype=bool)).sum(axis=-1)
    return np.asarray(-np.expm1(shut).sum(axis=-1))


def _quiet(parts: OpenParts, chosen: Bools) -> Floats:
    """Log of the chance that each class does not open up in each period."""
    return np.where(chosen[..., None, :], parts.new.quiet, parts.left.quiet)


def later_of(parts: OpenParts, chance: Floats) -> Later:
    """Follow the classes up to the horizon, through every renewal.

    A failure is met in one of two ways: what failed is renewed, at ``cost_later``; or all of its
    class with it, the others at ``cost_now``. Each class keeps to the way that would cost less if
    nothing else opened up.

    Parameters
    ----------
    chance : (..., periods, classes) of one part failing for the first time in each period.
    """
    one = np.ones_like(parts.count)
    singly, first = (
        renewal_chances(_first(count, chance), _first(count, parts.chance_new))
        for count in (one, parts.count)
    )
    costs = (
        parts.count * parts.cost_later * singly.sum(axis=-2),
        ((parts.count - 1) * parts.cost_now + parts.cost_later) * first.sum(axis=-2),
    )
    quiets = [np.log(np.clip(shut, LEAST, 1)) for shut in ((1 - singly) ** parts.count, 1 - first)]
    alone = [
        cost - parts.opening * np.expm1(quiet).sum(axis=-2)
        for cost, quiet in zip(costs, quiets, strict=True)
    ]
    whole = (parts.count > 1) & (alone[1] < alone[0])
    return Later(
        cost=np.where(whole, costs[1], costs[0]),
        quiet=np.where(whole[..., None, :], quiets[1], quiets[0]),
        whole=whole,
    )


def _first(count: Floats, chance: Floats) -> Floats:
    """Chance that the first failure among so many alike parts falls into each period."""
    survived = np.clip(1 - np.cumsum(chance, axis=-2), 0, 1)
    return np.asarray(-np.diff(survived**count, axis=-2, prepend=1.0))


def renewal_chances(first: Floats, again: Floats) -> Floats:
    """Give the chance that something renewed at each failure fails in each period.

    A renewal falls into the middle of its period: what is new then has failed by the end of the
    k-th period after with the chance of k periods and a half, drawn straight between those of k and
    k + 1. It fails once a period at most: what would fail again in the same one does so in the
    next. The error of either goes with the square of the period.

    Parameters
    ----------
    first : (..., periods, series) chances of the first failure, by period from now on.
    again : (..., periods, series) the same of a new one, by period from its renewal on; they
        broadcast.

    Returns
    -------
    (..., periods, series), by n log n in the periods.

    Notes
    -----
    The chances u solve u(t) = first(t) + sum over s < t of u(s) next(t - s): as generating
    functions, U = First / (1 - Next), taken on a circle within that of unit radius and turned back.

    Source: Feller 1968, section XIII.3 (renewal equation); Abate and Whitt 1992 (inversion).
    """
    periods = first.shape[-2]
    halfway = np.cumsum(again, axis=-2) - again / 2
    halfway[..., 0, :] = 0.0
    after = np.diff(halfway, axis=-2, prepend=0.0)
    size = fft.next_fast_len(3 * periods, real=True)
    shrink = LEAKED ** (np.arange(periods) / size)[:, None]
    begun, returned = (fft.rfft(shrink * one, size, axis=-2) for one in (first, after))
    chances = fft.irfft(begun / (1 - returned), size, axis=-2)[..., :periods, :] / shrink
    return np.asarray(np.clip(chances, 0.0, 1.0))


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
    break_even : (classes,) chance of one part of class j failing before the horizon, from which on
        renewing the class costs less than leaving it, the others held to the best set; NaN where
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


def _gain_bounds(parts: OpenParts, inside: Bools, outside: Bools) -> tuple[Floats, Floats]:
    """Bounds, whatever the undecided become, of what renewing each class saves, (classes,)."""
    steps, deep = _depths(parts)
    left, new = parts.left.quiet, parts.new.quiet
    bounds = [
        np.where(inside, new, np.where(outside, left, pick(left, new)))
        for pick in (np.minimum, np.maximum)
    ]
    # (depths, periods, classes): chance that no other class that needs the depth opens up.
    low, high = (
        np.exp((own := deep[:, None, :] * bound).sum(axis=-1, keepdims=True) - own)
        for bound in bounds
    )
    gained = np.exp(new) - np.exp(left)
    step = steps[:, None, None] * deep[:, None, :]
    direct = parts.left.cost - parts.new.cost - parts.count * parts.cost_now
    least = direct + (step * np.where(gained > 0, low, high) * gained).sum(axis=(0, 1))
    most = direct + (step * np.where(gained > 0, high, low) * gained).sum(axis=(0, 1))
    return least, most


def break_even_chance(parts: OpenParts, renewed: ArrayLike) -> Floats:
    """Give the chance of one part failing from which on renewing its class pays.

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
    own = deep[:, None, :] * _quiet(parts, chosen)
    others = np.exp(own.sum(axis=-1, keepdims=True) - own)
    value = (steps[:, None, None] * deep[:, None, :] * others).sum(axis=0)
    whole = parts.chance_left.sum(axis=0)
    spread = np.where(whole > 0, parts.chance_left / np.where(whole > 0, whole, 1.0), 1 / periods)

    def gain(chance: Floats) -> Floats:
        later = later_of(parts, chance[..., None, :] * spread)
        opened = (value * (np.exp(parts.new.quiet) - np.exp(later.quiet))).sum(axis=-2)
        return np.asarray(opened + later.cost - parts.new.cost - parts.count * parts.cost_now)

    grid = np.linspace(0.0, 1.0, SCANNED + 1)
    pays = gain(np.broadcast_to(grid[:, None], (grid.size, parts.classes))) > 0
    first = pays.argmax(axis=0)
    low, high = grid[np.maximum(first - 1, 0)], grid[first]
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        above = gain(middle) > 0
        low, high = np.where(above, low, middle), np.where(above, middle, high)
    return np.where(pays.any(axis=0), high, np.nan)
