"""Calls into a library that may wait longer than it was told, or for ever, made on a thread of their own."""

from __future__ import annotations

import threading
from collections.abc import Callable
from queue import Empty, SimpleQueue
from typing import Any, TypeVar

T = TypeVar("T")


class Overdue(TimeoutError):
    """The call did not come back; its thread was left behind and nothing more can be called on it."""


class Timely:
    """One thread that makes one call at a time. ``call`` gives up at its deadline; what the call then still does it
    does alone, and ``afterwards`` runs when it comes back, so that whatever it held is let go.

    A library that was told a time-out is trusted with it nowhere: some start it anew with each byte, some add a second
    of their own, and a few never come back from a device that hangs.
    """

    def __init__(self, afterwards: Callable[[], None], *, name: str) -> None:
        self._afterwards = afterwards
        self._calls: SimpleQueue[Callable[[], Any] | None] = SimpleQueue()
        self._results: SimpleQueue[tuple[bool, Any]] = SimpleQueue()
        self.left_behind = False
        self._thread = threading.Thread(target=self._work, name=f"line of {name}", daemon=True)
        self._thread.start()

    def call(self, what: Callable[[], T], *, within_s: float) -> T:
        """What ``what()`` returns or raises. Raises ``Overdue`` when it takes longer."""
        if self.left_behind:
            raise Overdue("an earlier call has not come back")
        self._calls.put(what)
        try:
            good, result = self._results.get(timeout=max(0.0, within_s))
        except BaseException as error:
            # Not only a deadline: a stop in the middle leaves the call behind as well.
            self.left_behind = True
            self._calls.put(None)
            if isinstance(error, Empty):
                raise Overdue("the library did not come back in time") from None
            raise
        if good:
            return result  # type: ignore[no-any-return]
        raise result

    def close(self, *, within_s: float) -> None:
        """Run ``afterwards``, wait for it for a while, and end the thread. Never raises."""
        self._calls.put(None)
        self._thread.join(within_s)

    def _work(self) -> None:
        while (call := self._calls.get()) is not None:
            try:
                result = (True, call())
            except BaseException as error:
                result = (False, error)
            self._results.put(result)
        try:
            self._afterwards()
        except Exception:  # nobody is left to be told; the line is given up
            return


def made_within(make: Callable[[], T], undo: Callable[[T], None], *, within_s: float, name: str) -> T:
    """What ``make()`` returns or raises. Raises ``Overdue`` when that takes longer; what it still makes is undone."""
    made: list[T] = []
    kept = False

    def work() -> T:
        made.append(make())
        return made[0]

    def afterwards() -> None:
        if not kept:
            for one in made:
                undo(one)

    timely = Timely(afterwards, name=name)
    try:
        result = timely.call(work, within_s=within_s)
        kept = True
        return result
    finally:
        timely.close(within_s=0.0)
