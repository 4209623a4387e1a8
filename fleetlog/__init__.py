"""Fleet service history and recurring-failure analysis."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from fleetlog.store import Store

__all__ = ["Store"]


def __getattr__(name: str) -> Any:
    # The numerics know no store: whoever asks for them alone does not load the database.
    if name == "Store":
        from fleetlog.store import Store  # noqa: PLC0415

        return Store
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
