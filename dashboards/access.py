"""What the pages may ask of the store, each answer kept until the store changes."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Hashable
from concurrent.futures import Future
from pathlib import Path
from threading import Lock
from typing import Any, TypeVar, cast

import polars as pl

from fleetlog.analyses import choices
from fleetlog.analyses.best_interval import best_interval
from fleetlog.analyses.comebacks import comebacks
from fleetlog.analyses.part_life import part_life
from fleetlog.analyses.results import BestInterval, Comebacks, PartLife
from fleetlog.analyses.vehicle_record import VehicleRecord, vehicle_record
from fleetlog.analyses.vehicle_warnings import VehicleWarnings, vehicle_warnings_of
from fleetlog.store import Store

Answer = TypeVar("Answer")

#: A page must not hang: it says that the store is busy rather than wait longer than this.
PAGE_WAIT_S = 3.0

#: Answers kept at once; one is a few small frames, so this is some tens of megabytes at most.
ANSWERS_KEPT = 128


class Answers:
    """Answers by question for one revision of the store, the least recently used dropped first.

    Two threads that ask the same thing at once share one computation. A failed one is not kept.
    """

    def __init__(self, most: int = ANSWERS_KEPT) -> None:
        self._most = most
        self._lock = Lock()
        self._revision: int | None = None
        self._kept: OrderedDict[Hashable, Future[Any]] = OrderedDict()

    def get(self, revision: int, question: Hashable, compute: Callable[[], Answer]) -> Answer:
        """Return the answer at ``revision``, computing it where it is not known yet."""
        with self._lock:
            if revision != self._revision:
                self._revision = revision
                self._kept.clear()
            known = self._kept.get(question)
            answer: Future[Any] = known if known is not None else Future()
            self._kept[question] = answer
            self._kept.move_to_end(question)
            while len(self._kept) > self._most:
                self._kept.popitem(last=False)
        if known is None:
            try:
                answer.set_result(compute())
            except BaseException as error:
                # Handed on to every thread that waits for this answer, and raised below.
                answer.set_exception(error)
                with self._lock:
                    if self._kept.get(question) is answer:
                        del self._kept[question]
        return cast(Answer, answer.result())


class Access:
    """The store as the pages see it: named questions, frozen answers."""

    def __init__(self, store_path: str | Path, *, wait_s: float = PAGE_WAIT_S) -> None:
        self._store = Store.open(store_path, wait_s=wait_s)
        self._answers = Answers()

    @property
    def store_name(self) -> str:
        """The file name of the store, for the foot of the page."""
        return self._store.path.name

    @property
    def currency(self) -> str:
        """ISO 4217 code of every amount."""
        return self._store.currency

    def revision(self) -> int:
        """Return the number of the store's present state."""
        return self._store.revision()

    def engine_families(self) -> pl.DataFrame:
        """Return ``code``, ``title`` and ``vehicles``, largest fleet first."""
        return self._answer("engine_families", lambda: choices.engine_families(self._store))

    def components(self, engine_family: str | None = None) -> pl.DataFrame:
        """Return ``code``, ``title``, ``failures`` and ``vehicles``, most failures first."""
        return self._answer(
            ("components", engine_family), lambda: choices.components(self._store, engine_family)
        )

    def splits(self, component: str, engine_family: str | None = None) -> tuple[str, ...]:
        """Return the splits that give more than one group for this component."""
        return self._answer(
            ("splits", component, engine_family),
            lambda: choices.splits(self._store, component, engine_family),
        )

    def find_vehicles(self, key: str) -> pl.DataFrame:
        """Return the vehicles that a VIN, its last 6 to 8, a unit number or a plate may mean."""
        return self._answer(("find_vehicles", key), lambda: choices.find_vehicles(self._store, key))

    def part_life(
        self, component: str, engine_family: str | None, by: tuple[str, ...], clock: str,
        generation: str = "any",
    ) -> PartLife:  # fmt: skip
        """Return the lives of one component."""
        return self._answer(
            ("part_life", component, engine_family, by, clock, generation),
            lambda: part_life(
                self._store, component, engine_family=engine_family, by=by, clock=clock,
                generation=generation,
            ),
        )  # fmt: skip

    def best_interval(
        self, component: str, engine_family: str | None, clock: str,
        cost_planned: float | None, cost_failure: float | None,
        where: tuple[tuple[str, str | int], ...] = (), generation: str = "any",
    ) -> BestInterval:  # fmt: skip
        """Return when to renew one component on purpose; costs of None come from the records.

        ``where`` narrows the lives to a group: pairs of column and value.
        """
        return self._answer(
            ("best_interval", component, engine_family, clock, cost_planned, cost_failure, where,
             generation),
            lambda: best_interval(
                self._store, component, engine_family=engine_family, clock=clock,
                cost_planned=cost_planned, cost_failure=cost_failure, where=dict(where),
                generation=generation,
            ),
        )  # fmt: skip

    def comebacks(self, by: str) -> Comebacks:
        """Return the repairs that came back."""
        return self._answer(("comebacks", by), lambda: comebacks(self._store, by=by))

    def vehicle_record(self, vin: str) -> VehicleRecord:
        """Return all that is known of one vehicle."""
        return self._answer(("vehicle_record", vin), lambda: vehicle_record(self._store, vin))

    def vehicle_warnings(self, key: str) -> VehicleWarnings:
        """Return what the fleet's lives say of the parts that are in one vehicle now."""
        return self._answer(
            ("vehicle_warnings", key),
            lambda: vehicle_warnings_of(self._store, self.vehicle_record(key)),
        )

    def _answer(self, question: Hashable, compute: Callable[[], Answer]) -> Answer:
        # A commit between the two steps gives a newer answer than its number says; it is dropped
        # at the next question, when the number has moved on.
        return self._answers.get(self._store.revision(), question, compute)
