"""Working out answers: equal questions once at a time, costly ones a few at a time, none for longer than it may."""

from __future__ import annotations

import sqlite3
import threading
import time
from collections.abc import Callable, Hashable, Iterator
from contextlib import contextmanager

from sandtrack.errors import ShopFileError

from .problems import Refusal

DEADLINE_S = 30.0
COSTLY_AT_ONCE = 2
"""More at a time are not answered sooner, and each takes its share of the time of set-points."""
LOOK_EVERY = 20_000
"""Steps of SQLite from look to look at the clock: some milliseconds."""


class _Flight:
    """An answer being worked out, for all who asked for it meanwhile."""

    def __init__(self) -> None:
        self.done = threading.Event()
        self.body = b""
        self.error: Exception | None = None


class Flights:
    """What is being worked out now."""

    def __init__(self) -> None:
        self._flights: dict[Hashable, _Flight] = {}
        self._lock = threading.Lock()
        self._turns = threading.BoundedSemaphore(COSTLY_AT_ONCE)

    def once(self, key: Hashable, work: Callable[[], bytes], connection: sqlite3.Connection, *, costly: bool) -> bytes:
        """What `work` gives, or gave another who asks the same of the same state; raises what it raises, and Refusal.

        `key` holds the state that was asked about: who came later, after another record, has a key of their own.
        """
        until = time.monotonic() + DEADLINE_S
        with self._lock:
            flight = self._flights.get(key)
            first = flight is None
            if flight is None:
                flight = self._flights[key] = _Flight()
        if first:
            self._fly(key, flight, work, connection, until, costly)
        elif not flight.done.wait(max(0.0, until - time.monotonic())):
            raise _too_long()
        if flight.error is not None:
            raise flight.error
        return flight.body

    def _fly(
        self, key: Hashable, flight: _Flight, work: Callable[[], bytes], connection: sqlite3.Connection, until: float,
        costly: bool,
    ) -> None:  # fmt: skip
        try:
            if costly and not self._turns.acquire(timeout=max(0.0, until - time.monotonic())):
                raise _too_long()
            try:
                with _ended_at(until, connection):
                    flight.body = work()
            finally:
                if costly:
                    self._turns.release()
        except Exception as problem:
            flight.error = problem
        finally:
            with self._lock:
                del self._flights[key]
            flight.done.set()


@contextmanager
def _ended_at(until: float, connection: sqlite3.Connection) -> Iterator[None]:
    """Let SQLite stop the queries of this thread once the time is over; raise Refusal then."""
    connection.set_progress_handler(lambda: time.monotonic() > until, LOOK_EVERY)
    try:
        yield
    except (sqlite3.OperationalError, ShopFileError) as problem:
        if _was_ended(problem):
            raise _too_long() from problem
        raise
    finally:
        connection.set_progress_handler(None, 0)
        if connection.in_transaction:  # its end was stopped too: a picture kept open would grow old
            connection.execute("ROLLBACK")


def _was_ended(problem: Exception) -> bool:
    details = problem.details if isinstance(problem, ShopFileError) else {}
    named = getattr(problem, "sqlite_errorname", "") or str(details.get("cause", ""))
    return "SQLITE_INTERRUPT" in named


def _too_long() -> Refusal:
    text = f"this question was not answered within {DEADLINE_S:g} s; ask for less (a shorter period), or again later"
    return Refusal(503, "too_long", text)
