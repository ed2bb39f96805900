"""A recorded line as one more kind of line.

The record is made while it is played: a wire to the scripted instrument in memory goes one message ahead, what its tap
hears is the record, and the replayed wire must do exactly as the real one did.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from typing import Any

from lines import MemoryBackend

from drivers.wire import Exchange, Wire, WireError
from drivers.wire_log import ReplayWire


class Ahead(ReplayWire):
    """Plays what ``real`` has just done."""

    def __init__(self, real: Callable[..., Wire], **keys: Any) -> None:
        self._heard: list[Exchange] = []
        self.real = real(**(keys | {"tap": self._heard.append}))
        kept = {key: keys[key] for key in ("tap", "timeout_s", "terminator") if key in keys}
        super().__init__(self._made(), name="it", address="memory", **kept)

    def _made(self) -> Iterator[Exchange]:
        while True:
            yield self._heard.pop(0)

    def _next(self) -> Any:
        # The record has no end here, but there may be nothing in it yet.
        if self._ahead is None and not self._heard:
            return None
        return super()._next()

    def open(self) -> None:
        with contextlib.suppress(WireError):
            self.real.open()
        super().open()

    def close(self) -> None:
        self.real.close()
        super().close()

    def write(self, message: str, **how: Any) -> None:
        self._for_real("write", message, **how)
        super().write(message, **how)

    def query(self, message: str) -> bytes:
        self._for_real("query", message)
        return super().query(message)

    def find(self, message: str, wanted: Any) -> bytes:
        self._for_real("find", message, wanted)
        return super().find(message, wanted)

    def order(self, message: str, wanted: Any = None) -> bytes:
        self._for_real("order", message, wanted)
        return super().order(message, wanted)

    def dismiss(self, message: str, **how: Any) -> bytes | None:
        self._for_real("dismiss", message, **how)
        return super().dismiss(message, **how)

    def _for_real(self, what: str, *said: Any, **how: Any) -> None:
        with contextlib.suppress(WireError, ValueError):
            getattr(self.real, what)(*said, **how)


class ReplayBackend(MemoryBackend):
    kind = "replay"

    def wire(self, **keys: object) -> Wire:
        return Ahead(super().wire, **keys)
