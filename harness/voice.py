"""One mouth for standard error: whoever speaks puts words into a queue, and a thread of its own writes them.

A terminal may stop taking output at any time (Ctrl-S, a stalled remote shell, a full pipe), and a write then blocks for
as long as it pleases. Written by the loop itself, that would hold up the next sample with the load on, and a stop with
it. Nothing here blocks but ``flush``, and that no longer than it is told.
"""

from __future__ import annotations

import os
import select
import signal
import sys
import threading
from contextlib import suppress
from queue import SimpleQueue
from typing import TextIO

PROGRESS_MOST = 20
"""With this many lines waiting, progress is dropped: the next line says it better."""

MOST = 500
"""With this many waiting everything is dropped, so that a terminal blocked all night costs no memory."""

FLUSH_S = 2.0
"""Real seconds a terminal is given to take what was said, before a prompt and at the end."""


class Voice:
    """Says things on standard error in the order they were given, without ever holding up who says them."""

    def __init__(self) -> None:
        self.dropped = 0
        self._untold = 0
        self._given_up = False
        self._gone: TextIO | None = None
        # Its put may be called again from a signal handler in the middle of itself, which that of queue.Queue may not.
        self._queue: SimpleQueue[tuple[TextIO, str] | threading.Event] = SimpleQueue()
        self._thread: threading.Thread | None = None

    def start(self) -> None:
        """Start the thread that writes, once. Not for signal handlers."""
        if self._thread is not None:
            return
        thread = threading.Thread(target=self._speak, name="voice", daemon=True)
        with suppress(RuntimeError):  # no thread to be had: a run that cannot be heard is still one that ends safely
            thread.start()
            self._thread = thread

    def say(self, text: str, *, progress: bool = False) -> None:
        """Have ``text`` written as it is; dropped and counted when too much is waiting. May be called by a handler."""
        if self._queue.qsize() >= (PROGRESS_MOST if progress else MOST):
            self.dropped += 1
            self._untold += 1
            return
        if self._untold and not progress:
            text = f"({self._untold} lines were not shown: nothing was taken here)\n{text}"
            self._untold = 0
        self._queue.put((sys.stderr, text))

    def flush(self, within_s: float = FLUSH_S) -> bool:
        """Wait until all was written, at most ``within_s`` real seconds; a terminal that was waited for in vain is
        waited for no more until it takes something. True when all was written."""
        if self._thread is None or self._given_up:
            return self._queue.empty()
        done = threading.Event()
        self._queue.put(done)
        if not done.wait(within_s):
            self._given_up = True
            return False
        return True

    def _speak(self) -> None:
        if hasattr(signal, "pthread_sigmask"):
            # Signals are for the thread that waits, and a background program may write for all the terminal says.
            signal.pthread_sigmask(signal.SIG_BLOCK, signal.valid_signals())
        while True:
            item = self._queue.get()
            if isinstance(item, threading.Event):
                item.set()
            elif item[0] is not self._gone:
                self._write(*item)
            self._given_up = False

    def _write(self, stream: TextIO, text: str) -> None:
        try:
            where = _descriptor(stream)
            if where is None:
                stream.write(text)
                stream.flush()
            else:
                # Past the stream's own buffer: its lock, held by a blocked thread, would abort the program at its end.
                _write_all(where, text.encode(stream.encoding or "utf-8", "backslashreplace"))
        except Exception:  # the terminal or the reader of the pipe is gone; the run goes on
            self._gone = stream


def _descriptor(stream: TextIO) -> int | None:
    try:
        return stream.fileno()
    except (OSError, ValueError, AttributeError):  # in memory
        return None


def _write_all(where: int, data: bytes) -> None:
    while data:
        try:
            data = data[os.write(where, data) :]
        except BlockingIOError:  # somebody made it non-blocking
            select.select([], [where], [])


VOICE = Voice()
"""That of this program: there is one standard error, and what is said on it keeps its order."""
