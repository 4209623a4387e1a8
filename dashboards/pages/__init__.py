"""The pages, in the order of the menu."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import dash

from dashboards.access import Access
from dashboards.pages import comebacks, part_life, vehicle_record


@dataclass(frozen=True)
class Page:
    """One page: its place in the address, how it is laid out and how it is wired."""

    path: str
    title: str
    layout: Callable[[Access, Mapping[str, str]], list[Any]]
    register: Callable[[dash.Dash, Access], Any]


PAGES = (
    Page("/", "Part life", part_life.layout, part_life.register),
    Page("/comebacks", "Comebacks", comebacks.layout, comebacks.register),
    Page("/vehicle", "Vehicle record", vehicle_record.layout, vehicle_record.register),
)
