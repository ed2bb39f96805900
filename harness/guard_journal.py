"""The guard's own journal. A thread of its own writes it: a disk that hangs keeps neither off nor the loud text
waiting. Standard library only; nothing in here raises.
"""

from __future__ import annotations

import json
import os
import queue
import threading
import time
from contextlib import suppress
from typing import Any


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


def clock() -> str:
    """The calendar time, UTC."""
    return time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime())
