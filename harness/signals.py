"""INT, TERM and HUP as a flag that every wait and every turn of the loop looks at.

A handler that raises would cut an exchange with an instrument in two, or cut switching off short when the key is
pressed again; so the handler only sets a flag. It is a plain attribute and not ``threading.Event``, whose lock is not
re-entrant: a signal during a wait could deadlock.
"""

from __future__ import annotations

import signal
from collections.abc import Callable
from contextlib import suppress
from types import FrameType
from typing import Any

SIGNALS = tuple(getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name))


class StopFlag:
    """Context manager; ``asked()`` is true once a person or the system asked this run to end."""

    def __init__(self, *, on_signal: Callable[[str], None] | None = None) -> None:
        self.count = 0
        self.name = ""
        self._on_signal = on_signal
        self._before: dict[int, Any] = {}

    def asked(self) -> bool:
        return self.count > 0

    def ask(self, name: str) -> None:
        """Ask for the end, as a signal does."""
        self.count += 1
        self.name = self.name or name

    def _handle(self, number: int, _frame: FrameType | None) -> None:
        self.ask(signal.Signals(number).name)
        if self._on_signal is not None:
            # Raised in here it would come out wherever the program happens to be, in an exchange or on the way off.
            with suppress(Exception):
                self._on_signal(self.name)

    def __enter__(self) -> StopFlag:
        for number in SIGNALS:
            self._before[number] = signal.signal(number, self._handle)
        return self

    def __exit__(self, *_exc: object) -> None:
        for number, handler in self._before.items():
            # None: the handler was not set from Python and cannot be set back; the system's own is next best.
            signal.signal(number, signal.SIG_DFL if handler is None else handler)
        self._before.clear()
