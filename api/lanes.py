"""Who is answered when: set-points and records have threads of their own, which nothing costly and no upload holds.

Of one token only so many requests are taken in at a time: the next is refused at once, and told when to come again.
"""

from __future__ import annotations

import threading
import time
from collections import Counter
from collections.abc import Collection
from typing import Any, NamedTuple

from waitress.task import ThreadedTaskDispatcher
from waitress.utilities import Error

RETRY_AFTER_S = 2
END_S = 5.0


class Lane(NamedTuple):
    """One queue with its threads, and how many requests it takes in: of one token, and in all."""

    name: str
    threads: int
    most_of_token: int
    most: int


COSTLY = Lane("costly", 16, 12, 96)
"""Most of its threads wait: for an equal question, or for their turn to work it out."""
UPLOADS = Lane("uploads", 2, 4, 24)


def quick(threads: int) -> Lane:
    """The lane of set-points and single records; whoever shows no token is refused on it."""
    return Lane("quick", threads, 32, 400)


class _TooMany(Error):  # type: ignore[misc]
    """More at once than is taken in."""

    retry_after_s = RETRY_AFTER_S

    def __init__(self, code: int, reason: str, problem: str, text: str) -> None:
        super().__init__(text)
        self.code, self.reason, self.problem = code, reason, problem


class _Task:
    """A request in its lane."""

    def __init__(self, lanes: Lanes, channel: Any, keys: tuple[tuple[str, str], ...]) -> None:
        self.lanes, self.channel, self.keys = lanes, channel, keys

    def service(self) -> None:
        """Answer it."""
        try:
            self.channel.service()
        finally:
            self.lanes.leave(self.keys)

    def cancel(self) -> None:
        """The server ends."""
        self.channel.cancel()
        self.lanes.leave(self.keys)


class Lanes:
    """The server's threads, in lanes; stands where waitress has one queue for all."""

    def __init__(self, threads: int, quick_paths: Collection[str]) -> None:
        self._quick_paths = frozenset(quick_paths)
        self._quick = quick(threads)
        self._queues = {lane.name: ThreadedTaskDispatcher() for lane in (self._quick, COSTLY, UPLOADS)}
        self._taken: Counter[tuple[str, str]] = Counter()
        self._lock = threading.Lock()
        for lane in (self._quick, COSTLY, UPLOADS):
            self._queues[lane.name].set_thread_count(lane.threads)

    def lane_of(self, method: str, path: str) -> Lane:
        """The lane of what somebody with a token asks or sends."""
        if method == "POST" and path == "/v1/records":
            return UPLOADS
        if path in self._quick_paths or (method == "POST" and path.startswith("/v1/records/")):
            return self._quick
        return COSTLY

    def add_task(self, channel: Any) -> None:
        """Put a channel's next request into its lane, or refuse it."""
        request = channel.requests[0]
        token_id = getattr(request, "token_id", "")
        if not token_id or request.error:
            self._queues[self._quick.name].add_task(_Task(self, channel, ()))
            return
        lane = self.lane_of(request.command, request.path)
        keys = ((lane.name, token_id), (lane.name, ""))
        with self._lock:
            if self._taken[keys[0]] >= lane.most_of_token:
                text = (
                    f"this token has {lane.most_of_token} such requests under way; wait for an answer before the next"
                )
                request.error = _TooMany(429, "Too Many Requests", "too_many_requests", text)
            elif self._taken[keys[1]] >= lane.most:
                text = f"{lane.most} such requests are waiting already; nothing was done"
                request.error = _TooMany(503, "Service Unavailable", "busy", text)
            else:
                self._taken.update(keys)
        refused = request.error is not None
        task = _Task(self, channel, () if refused else keys)
        self._queues[self._quick.name if refused else lane.name].add_task(task)

    def leave(self, keys: tuple[tuple[str, str], ...]) -> None:
        """A request is answered."""
        with self._lock:
            for key in keys:
                self._taken[key] -= 1
                if not self._taken[key]:
                    del self._taken[key]

    def shutdown(self, cancel_pending: bool = True, timeout: float = END_S) -> bool:
        """End all threads; whether what still waited was cancelled."""
        until = time.monotonic() + timeout
        for queue in self._queues.values():
            queue.set_thread_count(0)
        ended = [queue.shutdown(cancel_pending, max(0.0, until - time.monotonic())) for queue in self._queues.values()]
        return all(ended)
