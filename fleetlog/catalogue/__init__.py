"""What vehicles are made of: components, their positions, how they fail, what words name them.

The catalogue is data in TOML files beside this module. Its codes are slugs of plain trade words;
none comes from a code set that somebody owns. Which parts share a teardown, and which words
technicians use for a part, is common practice, no source.
"""

import tomllib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache
from importlib import resources
from importlib.resources.abc import Traversable
from itertools import product
from types import MappingProxyType
from typing import Any, Final, Literal, TypeVar, cast, get_args

import polars as pl

from fleetlog.errors import InputError

__all__ = [
    "AccessGroup",
    "CamshaftLocation",
    "Catalogue",
    "Component",
    "EngineFamily",
    "FailureMode",
    "Fuel",
    "Position",
    "PositionRule",
    "component_frame",
    "fits",
    "load_catalogue",
    "position_frame",
    "positions",
    "read_catalogue",
]

Fuel = Literal["petrol", "diesel", "gas", "electric"]
CamshaftLocation = Literal["head", "block"]

FUELS: Final[tuple[Fuel, ...]] = get_args(Fuel)
CAMSHAFT_LOCATIONS: Final[tuple[CamshaftLocation, ...]] = get_args(CamshaftLocation)
AXLES: Final = (1, 2)
WORD_KINDS: Final = ("actions", "reasons", "context")


class PositionRule(StrEnum):
    """How many of a component one vehicle carries, and what tells them apart."""

    PER_VALVE = "per-valve"
    PER_CYLINDER = "per-cylinder"
    PER_BANK = "per-bank"
    PER_CAMSHAFT = "per-camshaft"
    PER_ENGINE = "per-engine"
    PER_AXLE_END = "per-axle-end"
    PER_VEHICLE = "per-vehicle"


# The rules that do not count by the engine, so that a vehicle without one can carry the part.
VEHICLE_RULES: Final = (PositionRule.PER_AXLE_END, PositionRule.PER_VEHICLE)


@dataclass(frozen=True, slots=True)
class FailureMode:
    """A way in which a part fails, and the words by which technicians write it."""

    code: str
    title: str
    words: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class AccessGroup:
    """Parts laid open by the same teardown."""

    code: str
    title: str


@dataclass(frozen=True, slots=True)
class Component:
    """A kind of part.

    `fuels` empty means any. `camshaft` is set where the part exists only with the camshaft in
    the head, or only with it in the block. `axles` names the axles (1 = front) that carry a
    part found per axle end.
    """

    code: str
    system: str
    title: str
    names: tuple[str, ...]
    position_rule: PositionRule
    access_group: str | None
    failure_modes: tuple[str, ...]
    safety_critical: bool
    fuels: tuple[Fuel, ...]
    camshaft: CamshaftLocation | None
    axles: tuple[int, ...] = AXLES


@dataclass(frozen=True, slots=True)
class EngineFamily:
    """A group of engines that share design and parts.

    Parameters
    ----------
    code, title : str
    cylinders, banks : int
        0 and 0 for an electric drive.
    cylinder_banks : tuple of int
        The bank of cylinder 1, 2, ...; bank 1 holds cylinder 1.
    intake_valves, exhaust_valves : int
        Per cylinder.
    camshafts_per_bank : int
        1 or 2 in the head; 0 where one camshaft in the block serves all, and for an electric
        drive.
    camshaft_location : {"head", "block"}
        Not looked at for an electric drive.
    fuel : {"petrol", "diesel", "gas", "electric"}
    displacement_l : float or None
        Litres; None where it is not known, 0 or None for an electric drive.

    Raises
    ------
    InputError
        If the numbers contradict each other; the message names the family and the field.
    """

    code: str
    title: str
    cylinders: int
    banks: int
    cylinder_banks: tuple[int, ...]
    intake_valves: int
    exhaust_valves: int
    camshafts_per_bank: int
    camshaft_location: CamshaftLocation
    fuel: Fuel
    displacement_l: float | None

    def __post_init__(self) -> None:
        problem = self._problem()
        if problem:
            raise InputError(f"Engine family {self.code!r}: {problem}.")

    def _problem(self) -> str | None:
        checks: tuple[tuple[bool, str], ...] = (
            (not self.code, "the code is empty; give it one"),
            (self.fuel not in FUELS, f"fuel {self.fuel!r} is not one of {', '.join(FUELS)}"),
            (
                self.camshaft_location not in CAMSHAFT_LOCATIONS,
                f"camshaft_location {self.camshaft_location!r} is neither 'head' nor 'block'",
            ),
            *(self._electric_checks() if self.fuel == "electric" else self._combustion_checks()),
        )
        return next((message for wrong, message in checks if wrong), None)

    def _electric_checks(self) -> tuple[tuple[bool, str], ...]:
        numbers = (
            self.cylinders,
            self.banks,
            len(self.cylinder_banks),
            self.intake_valves,
            self.exhaust_valves,
            self.camshafts_per_bank,
            self.displacement_l,
        )
        return (
            (
                any(numbers),
                "an electric drive has no cylinders, banks, valves, camshafts or displacement; "
                "set them to 0",
            ),
        )

    def _combustion_checks(self) -> tuple[tuple[bool, str], ...]:
        used = set(self.cylinder_banks)
        return (
            (self.cylinders < 1, f"cylinders is {self.cylinders}; it must be at least 1"),
            (self.banks < 1, f"banks is {self.banks}; it must be at least 1"),
            (
                len(self.cylinder_banks) != self.cylinders,
                f"cylinder_banks has {len(self.cylinder_banks)} entries for {self.cylinders} "
                "cylinders; give one bank for each cylinder",
            ),
            (
                used != set(range(1, self.banks + 1)),
                f"cylinder_banks names banks {sorted(used)} but there are {self.banks}; "
                "use every bank from 1 on",
            ),
            (
                self.cylinder_banks[:1] != (1,),
                "cylinder 1 is not on bank 1; bank 1 is the bank that holds cylinder 1",
            ),
            (
                self.intake_valves < 0 or self.exhaust_valves < 0,
                "a cylinder cannot have fewer than 0 valves",
            ),
            (
                self.intake_valves + self.exhaust_valves < 1,
                "a cylinder needs at least one valve; give intake_valves and exhaust_valves",
            ),
            (
                self.camshaft_location == "head" and self.camshafts_per_bank not in (1, 2),
                f"camshafts_per_bank is {self.camshafts_per_bank}; in the head it is 1 or 2",
            ),
            (
                self.camshaft_location == "block" and self.camshafts_per_bank != 0,
                f"camshafts_per_bank is {self.camshafts_per_bank}; with the camshaft in the "
                "block it is 0",
            ),
            (
                self.displacement_l is not None and not 0 < self.displacement_l < float("inf"),
                f"displacement_l is {self.displacement_l}; it must be above 0 litres",
            ),
        )


@dataclass(frozen=True, slots=True)
class Position:
    """Where a part sits. A field that does not apply to the part is None.

    `side` is "intake" or "exhaust" in the engine, "left" or "right" at an axle end; `slot`
    counts valves of one side, or axles from the front.
    """

    bank: int | None = None
    cylinder: int | None = None
    side: str | None = None
    slot: int | None = None


# Told apart by identity, so that what is worked out from a catalogue can be kept.
@dataclass(frozen=True, slots=True, eq=False, weakref_slot=True)
class Catalogue:
    """All that is known of parts and words. The mappings are keyed by code and read-only.

    `words` maps a kind ("actions", "reasons", "context") to the words of each slug.
    """

    components: Mapping[str, Component]
    failure_modes: Mapping[str, FailureMode]
    access_groups: Mapping[str, AccessGroup]
    words: Mapping[str, Mapping[str, tuple[str, ...]]]


def fits(component: Component, family: EngineFamily) -> bool:
    """Whether vehicles of this engine family carry this component at all."""
    if component.fuels and family.fuel not in component.fuels:
        return False
    return component.camshaft in (None, family.camshaft_location)


def positions(component: Component, family: EngineFamily) -> tuple[Position, ...]:
    """Every place of one component on a vehicle of this family.

    Returns
    -------
    tuple of Position
        Ordered by cylinder, intake before exhaust, then slot; at axle ends by axle, left before
        right. Never empty: what a vehicle has once has one Position with no field set.

    Raises
    ------
    InputError
        If the component does not fit the family.
    """
    if not fits(component, family):
        raise InputError(
            f"{component.code} does not exist on engine family {family.code!r}; "
            "ask fits() before asking for positions."
        )
    return tuple(_places(component, family))


def _places(component: Component, family: EngineFamily) -> Iterable[Position]:
    numbered = tuple(enumerate(family.cylinder_banks, start=1))
    match component.position_rule:
        case PositionRule.PER_VALVE:
            sides = (("intake", family.intake_valves), ("exhaust", family.exhaust_valves))
            return (
                Position(bank, cylinder, side, slot)
                for (cylinder, bank), (side, valves) in product(numbered, sides)
                for slot in range(1, valves + 1)
            )
        case PositionRule.PER_CYLINDER:
            return (Position(bank, cylinder) for cylinder, bank in numbered)
        case PositionRule.PER_BANK:
            return (Position(bank) for bank in range(1, family.banks + 1))
        case PositionRule.PER_CAMSHAFT:
            return _camshaft_places(family)
        case PositionRule.PER_AXLE_END:
            return (
                Position(side=side, slot=axle)
                for axle, side in product(component.axles, ("left", "right"))
            )
        case PositionRule.PER_ENGINE | PositionRule.PER_VEHICLE:
            return (Position(),)


def _camshaft_places(family: EngineFamily) -> tuple[Position, ...]:
    if family.camshaft_location == "block":
        return (Position(),)
    sides = ("intake", "exhaust") if family.camshafts_per_bank == 2 else (None,)
    banks = range(1, family.banks + 1)
    return tuple(Position(bank, side=side) for bank, side in product(banks, sides))


def component_frame(catalogue: Catalogue) -> pl.DataFrame:
    """One row per component: code, system, title, position_rule, access_group, safety_critical."""
    parts = catalogue.components.values()
    return pl.DataFrame(
        {
            "code": [part.code for part in parts],
            "system": [part.system for part in parts],
            "title": [part.title for part in parts],
            "position_rule": [part.position_rule.value for part in parts],
            "access_group": [part.access_group for part in parts],
            "safety_critical": [part.safety_critical for part in parts],
        },
        schema={
            "code": pl.String,
            "system": pl.String,
            "title": pl.String,
            "position_rule": pl.String,
            "access_group": pl.String,
            "safety_critical": pl.Boolean,
        },
    )


def position_frame(catalogue: Catalogue, families: Iterable[EngineFamily]) -> pl.DataFrame:
    """One row per position of each component that fits, for each family.

    Returns
    -------
    pl.DataFrame
        engine_family, component, ordinal (from 1, in the order of `positions`), bank, cylinder,
        side, slot. Size: families x components x positions, whatever the size of the fleet.
    """
    rows = [
        (
            family.code,
            part.code,
            ordinal,
            place.bank,
            place.cylinder,
            place.side,
            place.slot,
        )
        for family in families
        for part in catalogue.components.values()
        if fits(part, family)
        for ordinal, place in enumerate(positions(part, family), start=1)
    ]
    return pl.DataFrame(
        rows,
        schema={
            "engine_family": pl.String,
            "component": pl.String,
            "ordinal": pl.Int64,
            "bank": pl.Int64,
            "cylinder": pl.Int64,
            "side": pl.String,
            "slot": pl.Int64,
        },
        orient="row",
    )


@lru_cache(maxsize=1)
def load_catalogue() -> Catalogue:
    """Load the catalogue that comes with the package; read and checked once per process."""
    return read_catalogue(resources.files(__name__))


def read_catalogue(folder: Traversable) -> Catalogue:
    """Read and check a catalogue folder.

    Parameters
    ----------
    folder : Traversable
        Holds access_groups.toml, failure_modes.toml, words.toml and components/*.toml.

    Raises
    ------
    InputError
        On anything missing, unknown, double or of the wrong type; names the file and the entry.
    """
    access_groups = {
        code: AccessGroup(code, _text(title, "access_groups.toml", code))
        for code, title in read_toml(folder / "access_groups.toml").items()
    }
    failure_modes = read_worded(
        read_toml(folder / "failure_modes.toml"), "failure_modes.toml", FailureMode
    )
    components: dict[str, Component] = {}
    files = sorted(
        (file for file in (folder / "components").iterdir() if file.name.endswith(".toml")),
        key=lambda file: file.name,
    )
    for file in files:
        for part in _components(file.name, read_toml(file)):
            if part.code in components:
                raise InputError(f"{file.name}: component {part.code!r} occurs twice; remove one.")
            components[part.code] = part
    _check_references(components, failure_modes, access_groups)
    return Catalogue(
        components=MappingProxyType(components),
        failure_modes=MappingProxyType(failure_modes),
        access_groups=MappingProxyType(access_groups),
        words=_words(read_toml(folder / "words.toml")),
    )


def read_toml(file: Traversable) -> dict[str, Any]:
    """Read a TOML file of the catalogue, or say what is wrong with it."""
    try:
        return tomllib.loads(file.read_text(encoding="utf-8"))
    except FileNotFoundError as error:
        raise InputError(f"The catalogue has no file {file.name}; put it back.") from error
    except tomllib.TOMLDecodeError as error:
        raise InputError(f"{file.name} is not valid TOML: {error}.") from error


def _text(value: object, file: str, entry: str) -> str:
    if not isinstance(value, str) or not value.strip():
        raise InputError(f"{file}: {entry} must be a text that is not empty, not {value!r}.")
    return value


def _texts(value: object, file: str, entry: str) -> tuple[str, ...]:
    if not isinstance(value, list):
        raise InputError(f"{file}: {entry} must be a list of texts, not {value!r}.")
    texts = tuple(_text(item, file, entry) for item in value)
    double = sorted({text for text in texts if texts.count(text) > 1})
    if double:
        raise InputError(f"{file}: {entry} holds {', '.join(double)} twice; keep one of each.")
    return texts


def _lower_words(value: object, file: str, entry: str) -> tuple[str, ...]:
    texts = _texts(value, file, entry)
    upper = [text for text in texts if text != text.lower()]
    if upper:
        raise InputError(f"{file}: {entry} must be in lower case; change {', '.join(upper)}.")
    return texts


def _known(entry: Mapping[str, Any], allowed: Iterable[str], file: str, where: str) -> None:
    unknown = sorted(set(entry) - set(allowed))
    if unknown:
        raise InputError(f"{file}: {where} has unknown keys {', '.join(unknown)}; remove them.")


def _one_meaning(words: Mapping[str, tuple[str, ...]], file: str) -> None:
    owner: dict[str, str] = {}
    for code, listed in words.items():
        for word in listed:
            if owner.setdefault(word, code) != code:
                raise InputError(
                    f"{file}: {word!r} stands under both {owner[word]} and {code}; keep one."
                )


Worded = TypeVar("Worded")


def read_worded(
    entries: Mapping[str, Any], file: str, make: Callable[[str, str, tuple[str, ...]], Worded]
) -> dict[str, Worded]:
    """Check entries of a title and the words for it; ``make`` takes code, title and words.

    Raises
    ------
    InputError : an entry that is no table, an unknown key, or a word that stands under two codes.
    """
    made: dict[str, Worded] = {}
    words: dict[str, tuple[str, ...]] = {}
    for code, entry in entries.items():
        if not isinstance(entry, dict):
            raise InputError(f"{file}: {code} must be a table with title and words.")
        _known(entry, ("title", "words"), file, code)
        title = _text(entry.get("title"), file, f"{code}.title")
        words[code] = _lower_words(entry.get("words"), file, f"{code}.words")
        made[code] = make(code, title, words[code])
    _one_meaning(words, file)
    return made


COMPONENT_KEYS: Final = (
    "code",
    "title",
    "names",
    "position_rule",
    "access_group",
    "failure_modes",
    "safety_critical",
    "fuels",
    "camshaft",
    "axles",
)


def _components(file: str, content: Mapping[str, Any]) -> Iterable[Component]:
    """Yield the components of one file; its `fuels` and `safety_critical` are their defaults."""
    _known(content, ("system", "fuels", "safety_critical", "component"), file, "the file")
    system = _text(content.get("system"), file, "system")
    shared = {key: content[key] for key in ("fuels", "safety_critical") if key in content}
    for own in content.get("component", []):
        yield _component(file, system, {**shared, **own})


def _component(file: str, system: str, entry: Mapping[str, Any]) -> Component:
    code = _text(entry.get("code"), file, "code")
    _known(entry, COMPONENT_KEYS, file, code)
    stem = file.removesuffix(".toml")
    if not code.startswith(f"{stem}."):
        raise InputError(f"{file}: code {code!r} must start with {stem + '.'!r}.")
    rule = entry.get("position_rule")
    if rule not in list(PositionRule):
        raise InputError(
            f"{file}: {code} has position_rule {rule!r}; use one of {', '.join(PositionRule)}."
        )
    fuels = _texts(entry.get("fuels", []), file, f"{code}.fuels")
    if not set(fuels) <= set(FUELS):
        raise InputError(f"{file}: {code} has fuels {fuels}; use {', '.join(FUELS)}.")
    if rule not in VEHICLE_RULES and (not fuels or "electric" in fuels):
        raise InputError(
            f"{file}: {code} is counted {rule}, which an electric drive has none of; "
            "list its fuels without 'electric'."
        )
    camshaft = entry.get("camshaft")
    if camshaft not in (None, *CAMSHAFT_LOCATIONS):
        raise InputError(f"{file}: {code} has camshaft {camshaft!r}; use 'head' or 'block'.")
    axles = tuple(entry.get("axles", AXLES))
    if not axles or not set(axles) <= set(AXLES):
        raise InputError(f"{file}: {code} has axles {axles}; use 1 (front), 2 or both.")
    safety_critical = entry.get("safety_critical", False)
    if not isinstance(safety_critical, bool):
        raise InputError(f"{file}: {code} has safety_critical {safety_critical!r}; use true/false.")
    access_group = entry.get("access_group")
    return Component(
        code=code,
        system=system,
        title=_text(entry.get("title"), file, f"{code}.title"),
        names=_lower_words(entry.get("names"), file, f"{code}.names"),
        position_rule=PositionRule(rule),
        access_group=None if access_group is None else _text(access_group, file, code),
        failure_modes=_texts(entry.get("failure_modes"), file, f"{code}.failure_modes"),
        safety_critical=safety_critical,
        fuels=cast(tuple[Fuel, ...], fuels),
        camshaft=camshaft,
        axles=axles,
    )


def _check_references(
    components: Mapping[str, Component],
    failure_modes: Mapping[str, FailureMode],
    access_groups: Mapping[str, AccessGroup],
) -> None:
    for part in components.values():
        unknown = sorted(set(part.failure_modes) - set(failure_modes))
        if unknown:
            raise InputError(
                f"Component {part.code} names failure modes {', '.join(unknown)} that "
                "failure_modes.toml does not hold; add or correct them."
            )
        if part.access_group is not None and part.access_group not in access_groups:
            raise InputError(
                f"Component {part.code} names access group {part.access_group!r} that "
                "access_groups.toml does not hold; add or correct it."
            )
    _one_meaning({part.code: part.names for part in components.values()}, "components/*.toml")


def _words(content: Mapping[str, Any]) -> Mapping[str, Mapping[str, tuple[str, ...]]]:
    file = "words.toml"
    _known(content, WORD_KINDS, file, "the file")
    words: dict[str, Mapping[str, tuple[str, ...]]] = {}
    for kind in WORD_KINDS:
        entry = content.get(kind)
        if not isinstance(entry, dict):
            raise InputError(f"{file}: the table [{kind}] is missing; put it back.")
        listed = {
            slug: _lower_words(found, file, f"{kind}.{slug}") for slug, found in entry.items()
        }
        _one_meaning(listed, file)
        words[kind] = MappingProxyType(listed)
    return MappingProxyType(words)
