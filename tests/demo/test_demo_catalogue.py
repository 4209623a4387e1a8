"""The catalogue understands what the simulated shops write.

The reference is the catalogue: its codes, positions and words are written by other hands than
the simulator's.
"""

import polars as pl
import pytest

from fleetlog import catalogue
from fleetlog.demo.exports import FORMATS
from fleetlog.demo.failures import SIDES, positions_of
from fleetlog.demo.parameters import (
    ALL_PARTS,
    FAMILIES,
    OTHER_PARTS,
    SERVICE_LINES,
    VALVE_GEAR,
    Planted,
)
from fleetlog.demo.shop_work import MODE_WORDS
from fleetlog.demo.simulation import Request, make_chunk
from fleetlog.intake.narrative import (
    code_actions,
    code_failure_modes,
    code_narratives,
    code_reasons,
    code_terms,
    parse_position,
)

KNOWN = catalogue.load_catalogue()


def family(ours):
    return catalogue.EngineFamily(
        ours.code,
        ours.title,
        ours.cylinders,
        ours.banks,
        ours.cylinder_banks,
        ours.intake_valves,
        ours.exhaust_valves,
        ours.camshafts_per_bank,
        ours.camshaft_location,
        ours.fuel,
        ours.displacement_l,
    )


@pytest.mark.parametrize("shop", range(3))
def test_part_names_are_recognised(shop):
    written = pl.Series([part.written[shop] for part in ALL_PARTS])
    coded = code_terms(written, KNOWN)
    assert coded["component"].to_list() == [part.code for part in ALL_PARTS]


@pytest.mark.parametrize("ours", FAMILIES, ids=lambda ours: ours.code)
@pytest.mark.parametrize("part", ALL_PARTS, ids=lambda part: part.code)
def test_positions_are_those_of_the_catalogue(ours, part):
    component = KNOWN.components[part.code]
    assert component.position_rule == part.rule
    mine = {
        (bank or None, cylinder or None, SIDES[side] or None, slot or None)
        for bank, cylinder, side, slot in positions_of(part, ours)
    }
    theirs = (
        {
            (place.bank, place.cylinder, place.side, place.slot)
            for place in catalogue.positions(component, family(ours))
        }
        if catalogue.fits(component, family(ours))
        else set()
    )
    # A fuel filter or an injector may exist where the fleet never renews one.
    assert mine == theirs or (not mine and part.fuels != ("petrol", "diesel"))


def test_failure_modes_are_those_of_the_catalogue():
    for part in (*VALVE_GEAR, *OTHER_PARTS):
        for law in part.laws:
            assert law.mode in KNOWN.components[part.code].failure_modes
    assert "broken-lock" in KNOWN.components["ignition.coil-connector"].failure_modes
    slugs = pl.Series(list(MODE_WORDS))
    assert code_failure_modes(slugs.str.replace_all("-", " "), KNOWN).to_list() == slugs.to_list()
    assert code_failure_modes(pl.Series(list(MODE_WORDS.values())), KNOWN).to_list() == (
        slugs.to_list()
    )
    assert {part.code for part in SERVICE_LINES} <= set(KNOWN.components)


@pytest.mark.parametrize("shop", FORMATS, ids=lambda shop: shop.suffix + shop.decimal_mark)
def test_actions_and_reasons_are_recognised(shop):
    for code, slugs in (
        (code_actions, ["replaced", "repaired", "inspected"]),
        (code_reasons, ["failed", "planned", "while-apart", "broke-in-work"]),
    ):
        written = pl.Series([shop.words[slug] for slug in slugs])
        assert code(written, KNOWN).to_list() == slugs


@pytest.fixture(scope="module")
def lines():
    request = Request(200, 3, Planted(), None, "shops", "full", 3)
    return make_chunk(request, 0).lines


def test_positions_in_words_are_recognised(lines):
    placed = lines.filter(pl.col("position") != "").unique("position")
    read = parse_position(placed["position"])
    assert placed.height > 50
    for field in ("bank", "cylinder", "side", "slot"):
        assert read[field].cast(placed[field].dtype).to_list() == placed[field].to_list(), field


def test_stories_of_single_lines_are_understood(lines):
    """What a free-text-only order keeps is enough to code its part, place and action."""
    single = lines.filter(pl.len().over("order") == 1, pl.col("reason") == "failed")
    single = single.with_columns(text=pl.col("cause") + "; " + pl.col("correction"))
    coded = single.select("text").join(
        code_narratives(single["text"], KNOWN).filter(pl.col("part") == 1),
        on="text",
        how="left",
        maintain_order="left",
    )
    assert single.height > 300
    for field in ("component", "action", "failure_mode"):
        agree = (coded[field] == single[field]).fill_null(value=False)
        assert agree.mean() > 0.97, single.filter(~agree).select("cause", "correction", field)
