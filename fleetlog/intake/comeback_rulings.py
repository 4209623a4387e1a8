"""What people say of a repair and its seeming comeback: kept for good, whatever is loaded."""

from __future__ import annotations

import getpass
from dataclasses import dataclass
from datetime import UTC, datetime

from fleetlog.errors import InputError
from fleetlog.intake.linking import find_two_orders
from fleetlog.sql import read_sql
from fleetlog.store import Store


@dataclass(frozen=True)
class RuledComeback:
    """Two orders of which was said that one is no comeback of the other, or that taken back."""

    shop: str
    ro_no: str
    other_shop: str
    other_ro_no: str


def rule_unrelated(
    store: Store, first: str, second: str, *, reason: str, said_by: str | None = None
) -> RuledComeback:
    """Say that two orders of a vehicle have nothing to do with each other.

    Neither is then a comeback of the other, in whatever component. The ruling is kept by shop and
    number, so that it holds again when the orders are undone and loaded anew.

    Parameters
    ----------
    first, second : ``"shop:number"``, either way round.
    reason : why, in the words of who says it.
    said_by : who says it; by default the user of the computer.

    Raises
    ------
    InputError : an order is not in the store, both are one, they are of two vehicles, or there
        is no reason.
    """
    if not reason.strip():
        raise InputError("say why the two orders are unrelated: a ruling without a reason is none")
    with store.write() as connection:
        one, other = find_two_orders(connection, first, second, never="comebacks")
        ruled = RuledComeback(one.shop, one.ro_no, other.shop, other.ro_no)
        connection.execute(
            read_sql("intake", "keep_comeback_ruling"),
            vars(ruled)
            | {
                "reason": reason.strip(),
                "said_by": said_by or getpass.getuser(),
                "said_at": datetime.now(UTC).replace(tzinfo=None, microsecond=0),
            },
        ).fetchall()
    return ruled


def rule_related(store: Store, first: str, second: str) -> RuledComeback:
    """Take back that two orders are unrelated; also where they are not in the store just now.

    Parameters
    ----------
    first, second : ``"shop:number"``, either way round.

    Raises
    ------
    InputError : nobody has said so of these two, or a name is not of that form.
    """
    named = [text.rpartition(":") for text in (first, second)]
    for text, (shop, colon, ro_no) in zip((first, second), named, strict=True):
        if not (shop.strip() and colon and ro_no.strip()):
            raise InputError(f"{text!r} names no order: write shop:number")
    (shop, _, ro_no), (other_shop, _, other_ro_no) = named
    with store.write() as connection:
        gone = connection.execute(
            read_sql("intake", "forget_comeback_ruling"),
            {
                "shop": shop.strip(), "ro_no": ro_no.strip(),
                "other_shop": other_shop.strip(), "other_ro_no": other_ro_no.strip(),
            },
        ).fetchall()  # fmt: skip
        if not gone:
            raise InputError(
                f"nobody has said that {first!r} and {second!r} are unrelated: see the list of "
                "rulings under the comebacks"
            )
    return RuledComeback(*gone[0])
