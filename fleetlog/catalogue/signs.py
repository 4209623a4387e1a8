"""Signs: what is noticed before the cause is known, and the words for it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from importlib import resources
from importlib.resources.abc import Traversable
from types import MappingProxyType

from fleetlog.catalogue import read_toml, read_worded

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
    return MappingProxyType(read_worded(read_toml(folder / FILE), FILE, Sign))
