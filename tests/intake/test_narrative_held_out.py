"""The coder of narratives on texts that were kept from its tuning.

``narratives/held_out.jsonl``: labelled by hand, by the rules in ``narratives/LABELLING.md``, by
somebody who had not seen the coder; nobody who tuned it saw the texts before it was measured. Common
practice, no source.
"""

import json
from collections import Counter
from itertools import product
from pathlib import Path

import polars as pl
import pytest

from fleetlog.catalogue import load_catalogue
from fleetlog.intake.narrative import code_narratives

LABELLED = Path(__file__).parent / "narratives" / "held_out.jsonl"
PLACE = ("bank", "cylinder", "side", "slot")
SAID = ("action", "reason", "failure_mode")


def matched(found, wanted):
    """Pair what was found with what is labelled, part by part, the best agreement first."""
    pairs = sorted(
        product(range(len(found)), range(len(wanted))),
        key=lambda pair: -sum(found[pair[0]][name] == wanted[pair[1]][name] for name in PLACE),
    )
    one, other = set(), set()
    for here, there in pairs:
        if (
            here not in one
            and there not in other
            and found[here]["component"] == wanted[there]["component"]
        ):
            one.add(here)
            other.add(there)
            yield found[here], wanted[there]


@pytest.fixture(scope="module")
def counts():
    """How often each field was said, said rightly, and could have been said."""
    rows = [json.loads(line) for line in LABELLED.read_text(encoding="utf-8").splitlines()]
    coded = code_narratives(pl.Series([row["text"] for row in rows]), load_catalogue())
    by_text = coded.partition_by("text", as_dict=True)
    seen = Counter(texts=len(rows))
    for row in rows:
        frame = by_text.get((row["text"],))
        found = [] if frame is None else frame.to_dicts()
        seen["component", "said"] += len(found)
        seen["component", "there"] += len(row["parts"])
        for label in row["parts"]:
            for name in SAID:
                seen[name, "there"] += label[name] is not None
            seen["position", "there"] += sum(label[name] is not None for name in PLACE)
        for got, label in matched(found, row["parts"]):
            seen["component", "right"] += 1
            for name in SAID:
                seen[name, "said"] += got[name] is not None
                seen[name, "right"] += got[name] is not None and got[name] == label[name]
            for name in PLACE:
                seen["position", "said"] += got[name] is not None
                seen["position", "right"] += got[name] is not None and got[name] == label[name]
    return seen


def test_there_are_enough_of_them(counts):
    assert counts["texts"] >= 300


@pytest.mark.parametrize("field", ["component", "position", *SAID])
def test_what_is_coded_is_nearly_always_right(counts, field):
    said, right, there = (counts[field, what] for what in ("said", "right", "there"))
    print(f"{field}: precision {right}/{said} = {right / said:.3f}, recall {right / there:.3f}")
    assert right >= 0.95 * said, (right, said)
