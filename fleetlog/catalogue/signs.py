"""Signs: what is noticed before the cause is known, and the words for it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from importlib import resources
from importlib.resources.abc import Traversable
from types import MappingProxyType

from fleetlog.catalogue import _known, _lower_words, _one_meaning, _read, _text
from fleetlog.errors import InputError

FILE = "complaint_signs.toml"


@dataclass(frozen=True, slots=True)
class Sign:
    """What somebody notices, and the words by which it is written."""

    code: str
    title: str
    words: tuple[str, ...]


@lru_cache(maxsize=1)
def load_signs() -> Mapping[str, Sign]:
    """Load the signs that come with the package, by code; read and checked once per process."""
    return read_signs(resources.files("fleetlog.catalogue"))


def read_signs(folder: Traversable) -> Mapping[str, Sign]:
    """Read and check ``complaint_signs.toml`` of a folder.

    Raises
    ------
    InputError : an entry that is no table, an unknown key, or a word that stands under two signs.
    """
    signs: dict[str, Sign] = {}
    for code, entry in _read(folder / FILE).items():
        if not isinstance(entry, dict):
            raise InputError(f"{FILE}: {code} must be a table with title and words.")
        _known(entry, ("title", "words"), FILE, code)
        signs[code] = Sign(
            code=code,
            title=_text(entry.get("title"), FILE, f"{code}.title"),
            words=_lower_words(entry.get("words"), FILE, f"{code}.words"),
        )
    _one_meaning({code: sign.words for code, sign in signs.items()}, FILE)
    return MappingProxyType(signs)
