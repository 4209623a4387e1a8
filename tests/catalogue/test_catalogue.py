"""The catalogue: what it holds, which engines carry what, and where."""

import shutil
from collections import Counter
from importlib import resources
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleetlog import catalogue as catalogue_module
from fleetlog.catalogue import (
    EngineFamily,
    Position,
    PositionRule,
    component_frame,
    fits,
    load_catalogue,
    position_frame,
    positions,
    read_catalogue,
)
from fleetlog.errors import InputError

CATALOGUE = load_catalogue()


def family(**changes):
    given_fields = {
        "code": "v8",
        "title": "V8, camshaft in block",
        "cylinders": 8,
        "banks": 2,
        "cylinder_banks": (1, 2, 1, 2, 1, 2, 1, 2),
        "intake_valves": 1,
        "exhaust_valves": 1,
        "camshafts_per_bank": 0,
        "camshaft_location": "block",
        "fuel": "petrol",
        "displacement_l": 6.0,
    }
    return EngineFamily(**(given_fields | changes))


V8 = family()
V6_OVERHEAD = family(
    code="v6",
    cylinders=6,
    cylinder_banks=(1, 1, 1, 2, 2, 2),
    intake_valves=2,
    exhaust_valves=2,
    camshafts_per_bank=2,
    camshaft_location="head",
)
DIESEL_FOUR = family(
    code="d4",
    cylinders=4,
    banks=1,
    cylinder_banks=(1, 1, 1, 1),
    intake_valves=2,
    exhaust_valves=2,
    camshafts_per_bank=1,
    camshaft_location="head",
    fuel="diesel",
)
ELECTRIC = family(
    code="ev",
    cylinders=0,
    banks=0,
    cylinder_banks=(),
    intake_valves=0,
    exhaust_valves=0,
    camshafts_per_bank=0,
    fuel="electric",
    displacement_l=0,
)


def test_holds_every_system_and_enough_parts():
    systems = {part.system for part in CATALOGUE.components.values()}
    assert systems >= {
        "valve-gear",
        "timing",
        "ignition",
        "fuel",
        "air",
        "lubrication",
        "cooling",
        "seals",
        "charging-and-starting",
        "exhaust-and-emission",
        "transmission-and-driveline",
        "brakes",
        "steering",
        "suspension",
        "tyres-and-wheels",
        "electrical",
        "body",
    }
    assert len(CATALOGUE.components) >= 75


def test_every_failure_mode_and_access_group_is_used():
    modes = {mode for part in CATALOGUE.components.values() for mode in part.failure_modes}
    groups = {part.access_group for part in CATALOGUE.components.values()} - {None}
    assert modes == set(CATALOGUE.failure_modes)
    assert groups == set(CATALOGUE.access_groups)


def test_words_cover_the_actions_and_reasons():
    assert set(CATALOGUE.words["actions"]) == {
        "replaced",
        "repaired",
        "adjusted",
        "inspected",
        "cleaned",
    }
    assert set(CATALOGUE.words["reasons"]) == {
        "failed",
        "planned",
        "while-apart",
        "campaign",
        "broke-in-work",
    }


def test_parts_whose_failure_endangers_are_safety_critical():
    for part in CATALOGUE.components.values():
        if part.system in ("brakes", "steering", "suspension", "tyres-and-wheels"):
            assert part.safety_critical, part.code
    for code in ("body.seat-belt", "body.airbag", "fuel.line", "fuel.injector", "fuel.tank"):
        assert CATALOGUE.components[code].safety_critical, code
    assert not CATALOGUE.components["ignition.coil"].safety_critical


def test_one_teardown_under_the_valve_cover():
    under = {
        code
        for code, part in CATALOGUE.components.items()
        if part.access_group == "under-valve-cover"
    }
    assert under >= {
        "valvetrain.camshaft",
        "valvetrain.rocker-arm",
        "valvetrain.lifter",
        "valvetrain.valve-spring",
        "valvetrain.valve-stem-seal",
        "valvetrain.cam-cap",
        "valvetrain.cam-cap-bolt",
        "seals.valve-cover-gasket",
        "ignition.coil",
        "ignition.coil-connector",
        "ignition.spark-plug",
    }


def test_cannot_be_changed():
    with pytest.raises(TypeError):
        CATALOGUE.components["x"] = CATALOGUE.components["ignition.coil"]  # type: ignore[index]


@pytest.mark.parametrize(
    ("code", "engine", "expected"),
    [
        ("ignition.spark-plug", V8, True),
        ("ignition.spark-plug", DIESEL_FOUR, False),
        ("ignition.spark-plug", ELECTRIC, False),
        ("ignition.spark-plug", family(fuel="gas"), True),
        ("fuel.glow-plug", DIESEL_FOUR, True),
        ("fuel.glow-plug", V8, False),
        ("valvetrain.pushrod", V8, True),
        ("valvetrain.pushrod", V6_OVERHEAD, False),
        ("valvetrain.cam-cap", V8, False),
        ("valvetrain.cam-cap", V6_OVERHEAD, True),
        ("lubrication.engine-oil", ELECTRIC, False),
        ("brakes.pads", ELECTRIC, True),
        ("electrical.traction-battery", ELECTRIC, True),
        ("electrical.traction-battery", V8, False),
    ],
)
def test_fits(code, engine, expected):
    assert fits(CATALOGUE.components[code], engine) is expected


def test_positions_per_valve_go_by_cylinder_then_side_then_slot():
    found = positions(CATALOGUE.components["valvetrain.lifter"], V6_OVERHEAD)
    assert len(found) == 24  # 6 cylinders x 4 valves
    assert found[:5] == (
        Position(1, 1, "intake", 1),
        Position(1, 1, "intake", 2),
        Position(1, 1, "exhaust", 1),
        Position(1, 1, "exhaust", 2),
        Position(1, 2, "intake", 1),
    )
    assert found[-1] == Position(2, 6, "exhaust", 2)


def test_positions_of_the_other_rules():
    def found(code, engine):
        return positions(CATALOGUE.components[code], engine)

    assert found("ignition.coil", V8)[:3] == (Position(1, 1), Position(2, 2), Position(1, 3))
    assert found("seals.valve-cover-gasket", V8) == (Position(1), Position(2))
    assert found("valvetrain.camshaft", V8) == (Position(),)
    assert found("valvetrain.camshaft", DIESEL_FOUR) == (Position(1),)
    assert found("valvetrain.camshaft", V6_OVERHEAD) == (
        Position(1, side="intake"),
        Position(1, side="exhaust"),
        Position(2, side="intake"),
        Position(2, side="exhaust"),
    )
    assert found("cooling.water-pump", V8) == (Position(),)
    assert found("charging.battery", ELECTRIC) == (Position(),)
    assert found("brakes.pads", V8) == (
        Position(side="left", slot=1),
        Position(side="right", slot=1),
        Position(side="left", slot=2),
        Position(side="right", slot=2),
    )
    assert {place.slot for place in found("steering.tie-rod-end", V8)} == {1}


def test_positions_of_a_part_that_does_not_fit_are_refused():
    with pytest.raises(InputError, match=r"fuel\.glow-plug does not exist on engine family 'v8'"):
        positions(CATALOGUE.components["fuel.glow-plug"], V8)


@st.composite
def engines(draw):
    banks = draw(st.integers(1, 2))
    per_bank = draw(st.integers(1, 6))
    location = draw(st.sampled_from(["head", "block"]))
    order = draw(st.permutations([bank + 1 for bank in range(banks) for _ in range(per_bank)]))
    if order[0] != 1:
        order = [3 - bank for bank in order]
    return family(
        cylinders=banks * per_bank,
        banks=banks,
        cylinder_banks=tuple(order),
        intake_valves=draw(st.integers(1, 3)),
        exhaust_valves=draw(st.integers(1, 2)),
        camshafts_per_bank=0 if location == "block" else draw(st.integers(1, 2)),
        camshaft_location=location,
        fuel=draw(st.sampled_from(["petrol", "diesel", "gas"])),
    )


@given(engine=engines())
def test_positions_are_distinct_counted_by_the_shape_and_on_the_right_bank(engine):
    expected = {
        PositionRule.PER_VALVE: engine.cylinders * (engine.intake_valves + engine.exhaust_valves),
        PositionRule.PER_CYLINDER: engine.cylinders,
        PositionRule.PER_BANK: engine.banks,
        PositionRule.PER_CAMSHAFT: max(1, engine.banks * engine.camshafts_per_bank),
        PositionRule.PER_ENGINE: 1,
        PositionRule.PER_VEHICLE: 1,
    }
    for part in CATALOGUE.components.values():
        if not fits(part, engine):
            continue
        found = positions(part, engine)
        assert len(set(found)) == len(found)
        wanted = expected.get(part.position_rule, 2 * len(part.axles))
        assert len(found) == wanted
        for place in found:
            if place.cylinder is not None:
                assert place.bank == engine.cylinder_banks[place.cylinder - 1]


def test_position_frame_lists_every_fitting_position_once():
    engines_listed = [V8, V6_OVERHEAD, DIESEL_FOUR, ELECTRIC]
    frame = position_frame(CATALOGUE, engines_listed)
    assert frame.columns == [
        "engine_family",
        "component",
        "ordinal",
        "bank",
        "cylinder",
        "side",
        "slot",
    ]
    counted = Counter(zip(frame["engine_family"], frame["component"], strict=True))
    assert counted == {
        (engine.code, part.code): len(positions(part, engine))
        for engine in engines_listed
        for part in CATALOGUE.components.values()
        if fits(part, engine)
    }
    lifters = frame.filter(engine_family="v6", component="valvetrain.lifter")
    assert lifters["ordinal"].to_list() == list(range(1, 25))


def test_component_frame_has_one_row_per_component():
    frame = component_frame(CATALOGUE)
    assert frame["code"].to_list() == list(CATALOGUE.components)
    row = frame.filter(code="brakes.pads").row(0, named=True)
    assert row == {
        "code": "brakes.pads",
        "system": "brakes",
        "title": "Brake pads",
        "position_rule": "per-axle-end",
        "access_group": "wheel-end",
        "safety_critical": True,
    }


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"cylinder_banks": (1, 2)}, "2 entries for 8 cylinders"),
        ({"cylinder_banks": (2, 1, 2, 1, 2, 1, 2, 1)}, "cylinder 1 is not on bank 1"),
        ({"banks": 3}, r"names banks \[1, 2\] but there are 3"),
        ({"cylinders": 0}, "cylinders is 0"),
        ({"camshafts_per_bank": 1}, "in the block it is 0"),
        ({"camshaft_location": "head"}, "in the head it is 1 or 2"),
        ({"camshaft_location": "sump"}, "neither 'head' nor 'block'"),
        ({"fuel": "coal"}, "fuel 'coal' is not one of"),
        ({"fuel": "electric"}, "electric drive has no cylinders"),
        ({"intake_valves": -1}, "fewer than 0 valves"),
        ({"intake_valves": 0, "exhaust_valves": 0}, "at least one valve"),
        ({"displacement_l": float("nan")}, "above 0 litres"),
        ({"code": ""}, "code is empty"),
    ],
)
def test_an_engine_that_contradicts_itself_is_refused(changes, message):
    with pytest.raises(InputError, match=message):
        family(**changes)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    with resources.as_file(resources.files(catalogue_module)) as source:
        return Path(shutil.copytree(source, tmp_path / "catalogue"))


@pytest.mark.parametrize(
    ("file", "old", "new", "message"),
    [
        ("failure_modes.toml", "[noisy]", "[noisy", "failure_modes.toml is not valid TOML"),
        ("failure_modes.toml", '"noisy", ', '"worn", ', "'worn' stands under both noisy and worn"),
        ("failure_modes.toml", '"noisy", ', '"Noisy", ', "must be in lower case; change Noisy"),
        ("access_groups.toml", "wheel-end =", "hub-end =", "'wheel-end' that access_groups.toml"),
        ("words.toml", "[reasons]", "[causes]", "unknown keys causes"),
        ("components/brakes.toml", "per-axle-end", "per-corner", "position_rule 'per-corner'"),
        ("components/brakes.toml", "brakes.pads", "pads", "must start with 'brakes.'"),
        ("components/brakes.toml", "brakes.rotor", "brakes.pads", "'brakes.pads' occurs twice"),
        ("components/brakes.toml", '"worn", ', '"gone", ', "failure modes gone"),
        ("components/brakes.toml", '"caliper", ', '"rotor", ', "'rotor' stands under both"),
        ("components/brakes.toml", 'title = "Brake pads"', "title = 3", "not 3"),
        ("components/brakes.toml", 'title = "Brake pads"', "", "title must be a text"),
        ("components/brakes.toml", "title =", "tittle =", "unknown keys tittle"),
        ("components/ignition.toml", "petrol", "steam", "'steam'"),
        ("components/ignition.toml", "petrol", "electric", "electric drive has none of"),
        ("components/valvetrain.toml", '"block"', '"sump"', "camshaft 'sump'"),
        ("components/steering.toml", "axles = [1]", "axles = [3]", r"axles \(3,\)"),
    ],
)
def test_a_fault_in_the_files_is_named(folder, file, old, new, message):
    path = folder / file
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new, 1))
    with pytest.raises(InputError, match=message):
        read_catalogue(folder)


def test_a_missing_file_is_named(folder):
    (folder / "words.toml").unlink()
    with pytest.raises(InputError, match=r"no file words\.toml"):
        read_catalogue(folder)
