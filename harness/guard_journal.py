"""The guard's own journal, and its voice. Threads of their own write: neither a disk that hangs nor a terminal that
takes nothing (Ctrl-S, a stalled remote shell, a full pipe) keeps off waiting. Standard library only; nothing in here
raises.
"""

from __future__ import annotations

import json
import os
import queue
import sys
import threading
import time
from contextlib import suppress
from typing import Any

SAID_S = 0.2
"""Longest wait for a terminal to take the loud text, s; after that it is left to itself."""


class Journal:
    """One line of JSON for each thing noted, in the file at ``path``."""

    def __init__(self, path: str) -> None:
        self.path = path
        self._rows: queue.SimpleQueue[dict[str, Any] | None] = queue.SimpleQueue()
        self._thread: threading.Thread | None = None

    def note(self, what: str, **more: Any) -> None:
        """Have a line written; comes back at once."""
        self._rows.put({"utc": clock(), "monotonic_s": round(time.monotonic(), 4), "what": what, **more})
        if self._thread is None:
            self._thread = threading.Thread(target=self._write_all, daemon=True)
            try:
                self._thread.start()
            except RuntimeError:  # no room for a thread: it is tried with the next line
                self._thread = None

    def close(self, wait_s: float) -> None:
        """Wait until all is written, so long at the most."""
        self._rows.put(None)
        if self._thread is not None:
            self._thread.join(wait_s)

    def _write_all(self) -> None:
        while (row := self._rows.get()) is not None:
            with suppress(OSError), open(self.path, "a", encoding="utf-8") as file:
                file.write(json.dumps(row) + "\n")
                file.flush()
                os.fsync(file.fileno())


def aloud(text: str) -> None:
    """Say it on standard error."""
    thread = threading.Thread(target=_say, args=(text + "\n",), daemon=True)
    with suppress(RuntimeError):  # no room for a thread: it stands in the journal
        thread.start()
        thread.join(SAID_S)


def _say(text: str) -> None:
    with suppress(OSError, ValueError):
        try:
            where = sys.stderr.fileno()
        except OSError:  # in memory
            sys.stderr.write(text)
            return
        # Past the stream's own buffer: its lock, held by a blocked thread, would abort the process at its end.
        data = text.encode("utf-8", "backslashreplace")
        while data:
            data = data[os.write(where, data) :]


def clock() -> str:
    """The calendar time, UTC."""
    return time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime())
