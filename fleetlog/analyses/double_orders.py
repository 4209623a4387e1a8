"""Which orders tell one job twice, surely or perhaps."""

from __future__ import annotations

from fleetlog.analyses.results import DoubleOrders
from fleetlog.analyses.wording import counted
from fleetlog.settings import SAME_JOB_PERHAPS, SAME_JOB_SURELY
from fleetlog.sql import read_sql
from fleetlog.store import Store


def double_orders(store: Store) -> DoubleOrders:
    """List orders that were linked as one job, and pairs that a person should look at.

    Pairs are found and scored when lives are built; see ``fleetlog/lives/sql/order_links.sql``.
    """
    pairs = store.frame(read_sql("analyses", "double_orders"))
    of_state = dict(pairs.group_by("state").len().rows())
    linked, asked = of_state.get("linked", 0), of_state.get("ask", 0)
    left_out = int(store.frame(read_sql("analyses", "lines_told_again")).item())
    said = [
        f"{counted(linked, 'pair')} of orders linked as one job (probability "
        f"{SAME_JOB_SURELY.value:g} or more, or said so), {counted(asked, 'question')} left "
        f"(from {SAME_JOB_PERHAPS.value:g})."
    ]
    if left_out:
        said.append(f"{counted(left_out, 'line')} that they tell again made no second event.")
    if apart := of_state.get("apart", 0):
        said.append(f"{counted(apart, 'pair')} ruled apart.")
    return DoubleOrders(pairs=pairs, summary=tuple(said))
