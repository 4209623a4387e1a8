"""The store: one DuckDB file that holds a fleet's records and the lives built from them."""

from fleetlog.store.store import Store

__all__ = ["Store"]
