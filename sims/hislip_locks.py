"""Locks of a HiSLIP server: one exclusive lock, and a shared one that all clients with the same key hold together.

Source: IVI-6.1 AsyncLock and AsyncLockInfo; the rules are those of VISA resource locking (VPP-4.3), from memory.

Not modelled: nested locks (a second request of a lock held is granted and counts once).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

FAILURE, SUCCESS, SUCCESS_SHARED, NOT_HELD = 0, 1, 2, 3
"""Control codes of AsyncLockResponse."""


@dataclass(eq=False)
class _Waiting:
    owner: object
    key: bytes
    until_s: float
    answer: Callable[[int], None]


class Locks:
    """Who may talk. ``owner`` is any object, one a client; an empty key asks for the exclusive lock."""

    def __init__(self) -> None:
        self._exclusive: object | None = None
        self._shared: list[object] = []
        self._key = b""
        self._waiting: list[_Waiting] = []

    def may_talk(self, owner: object) -> bool:
        """True when no lock of others shuts this client out."""
        if self._exclusive is not None:
            return self._exclusive is owner
        return not self._shared or owner in self._shared

    def info(self) -> tuple[bool, int]:
        """Whether the exclusive lock is held, and how many clients hold a lock."""
        holders = len(self._shared) + (self._exclusive is not None and self._exclusive not in self._shared)
        return self._exclusive is not None, holders

    def request(
        self, owner: object, key: bytes, *, until_s: float, now_s: float, answer: Callable[[int], None]
    ) -> None:
        """Ask for a lock; ``answer`` hears SUCCESS, at once or later, or FAILURE when it is not free by ``until_s``."""
        if self._take(owner, key):
            answer(SUCCESS)
        elif until_s <= now_s:
            answer(FAILURE)
        else:
            self._waiting.append(_Waiting(owner, key, until_s, answer))

    def release(self, owner: object) -> int:
        """Give up the exclusive lock if held, else the shared one; the code to answer."""
        if self._exclusive is owner:
            self._exclusive = None
            code = SUCCESS
        elif owner in self._shared:
            self._shared.remove(owner)
            code = SUCCESS_SHARED
        else:
            return NOT_HELD
        self._grant()
        return code

    def forget(self, owner: object) -> None:
        """The client is gone; so are its locks and requests."""
        self._waiting = [one for one in self._waiting if one.owner is not owner]
        while self.release(owner) != NOT_HELD:
            pass

    @property
    def due_s(self) -> float | None:
        """When the next request runs out of time."""
        return min((one.until_s for one in self._waiting), default=None)

    def look(self, *, now_s: float) -> None:
        """Answer the requests whose time is over."""
        late = [one for one in self._waiting if one.until_s <= now_s]
        self._waiting = [one for one in self._waiting if one.until_s > now_s]
        for one in late:
            one.answer(FAILURE)

    def _take(self, owner: object, key: bytes) -> bool:
        if self._exclusive not in (None, owner):
            return False
        others = [one for one in self._shared if one is not owner]
        if not key:
            if others and owner not in self._shared:
                return False
            self._exclusive = owner
            return True
        if others and key != self._key:
            return False
        self._key = key
        if owner not in self._shared:
            self._shared.append(owner)
        return True

    def _grant(self) -> None:
        for one in list(self._waiting):
            if self._take(one.owner, one.key):
                self._waiting.remove(one)
                one.answer(SUCCESS)
