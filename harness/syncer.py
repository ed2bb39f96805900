"""Syncing beside the sampling loop: a disk that stalls must never hold up switching off.

One daemon thread asks the disk. The loop leaves a request and looks at how long the oldest has been waiting; where it
must know before it acts, it waits, and never longer than a stall may last.
"""

from __future__ import annotations

import contextlib
import math
import os
import shutil
import threading
from collections import deque
from collections.abc import Callable, Sequence

from harness.durable import AppendFile, RecordFailed

STALLED_S = 5.0
"""Longest machine time a request may wait before the disk counts as gone."""

WAIT_MOST_S = 3.0
"""Longest that anybody waits for it: shorter than the guard bears silence, since the loop does not beat meanwhile."""

GRACE_S = 0.2
"""Real wait before that is believed: the program itself may have been stopped, and the thread with it. It is for all
that was asked for: what waits behind the sync that was under way is as old, and no more the disk's fault."""


class Syncer:
    """Syncs ``files`` when asked. All methods are for one thread, the loop's.

    ``wall`` is machine time, s. The thread is started by the first request; it works on descriptors of its own, so
    that the files may be closed while the disk still holds it.
    """

    def __init__(self, files: Sequence[AppendFile], *, wall: Callable[[], float]) -> None:
        self._files = tuple(files)
        self._wall = wall
        self._thread: threading.Thread | None = None
        self._wake = threading.Event()
        self._served = threading.Condition()
        self._closing = False
        self._stalled = False
        # Numbers of requests: the first is written by the loop only, the second by the thread only.
        self._asked = 0
        self._done = 0
        self._waiting: deque[tuple[int, float]] = deque()
        self.free_bytes = math.inf
        """Left on the disk at the last sync; asked by the thread, since a disk may not answer that either."""
        self.failure: RecordFailed | None = None
        """The first failure. It stays: what the disk has refused once it may drop, and call the next sync good."""

    def request(self) -> None:
        """Have everything appended so far synced; comes back at once. Raises ``RecordFailed`` without a thread."""
        if self._closing:
            return
        if self._thread is None:
            self._start()
        self._waiting.append((self._asked + 1, self._wall()))
        self._asked += 1
        self._wake.set()

    def oldest_age_s(self) -> float:
        """Machine time since the oldest request that is not satisfied, s; 0 without one."""
        while self._waiting and self._waiting[0][0] <= self._done:
            self._waiting.popleft()
        return self._wall() - self._waiting[0][1] if self._waiting else 0.0

    def late_s(self) -> float:
        """As ``oldest_age_s``, asked once more after a moment where that would be too old."""
        age_s = self.oldest_age_s()
        if not (age_s <= STALLED_S) and not self._stalled:
            self._wait_for(self._asked, GRACE_S)
            age_s = self.oldest_age_s()
        return age_s

    def check(self) -> None:
        """Raise what the thread has met, or that the oldest request is older than ``STALLED_S``: ``RecordFailed``."""
        if self.failure is not None:
            raise self.failure
        age_s = self.oldest_age_s()
        if age_s > STALLED_S and not self._stalled:
            self._wait_for(self._asked, GRACE_S)
            age_s = self.oldest_age_s()
        self._stalled = age_s > STALLED_S
        if self._stalled:
            raise self.stall(age_s)

    def wait(self) -> None:
        """Wait until all that was asked for is on the disk, ``WAIT_MOST_S`` at the most, and never longer than until
        the oldest request is ``STALLED_S`` old.

        Raises ``RecordFailed`` when it is not, or when it failed.
        """
        left_s = min(WAIT_MOST_S, STALLED_S - self.oldest_age_s())
        if left_s > 0 and not self._wait_for(self._asked, left_s):
            self._stalled = True
            raise self.stall(max(left_s, self.oldest_age_s()))
        self.check()

    def stall(self, age_s: float) -> RecordFailed:
        """What is told of a disk that has not answered for ``age_s``."""
        why = f"the disk has not taken anything for {age_s:.1f} s"
        return RecordFailed(self._files[0].path.parent, "sync to disk", why)

    def _wait_for(self, number: int, wait_s: float) -> bool:
        with self._served:
            return self._served.wait_for(lambda: self._done >= number, wait_s)

    def close(self, *, wait_s: float) -> bool:
        """Let the thread finish what was asked and end; False when the disk still holds it after ``wait_s``."""
        if self._thread is None:
            return True
        self._closing = True
        self._wake.set()
        self._thread.join(wait_s)
        return not self._thread.is_alive()

    def _start(self) -> None:
        descriptors: list[int] = []
        try:
            for file in self._files:
                descriptors.append(file.duplicate())
            thread = threading.Thread(target=self._run, args=(descriptors,), name="syncer", daemon=True)
            thread.start()
        except (RecordFailed, RuntimeError) as error:
            _let_go(descriptors)
            if isinstance(error, RecordFailed):
                raise
            raise RecordFailed(self._files[0].path, "sync to disk", str(error)) from error
        self._thread = thread

    def _run(self, descriptors: list[int]) -> None:
        ended = False
        while not ended:
            self._wake.wait()
            self._wake.clear()
            # Looked at before the number: a request made before closing is still served.
            ended = self._closing
            number = self._asked
            if number > self._done:
                for file, descriptor in zip(self._files, descriptors, strict=True):
                    self._sync(file, descriptor)
                with contextlib.suppress(OSError):
                    self.free_bytes = shutil.disk_usage(self._files[0].path.parent).free
                with self._served:
                    self._done = number
                    self._served.notify_all()
        _let_go(descriptors)

    def _sync(self, file: AppendFile, descriptor: int) -> None:
        try:
            file.sync(descriptor)
            _in_its_place(file, descriptor)
        except RecordFailed as error:
            self.failure = self.failure or error
        except Exception as error:  # a thread that dies silently would look like a disk that stalls
            self.failure = self.failure or RecordFailed(file.path, "sync to disk", repr(error))


def _in_its_place(file: AppendFile, descriptor: int) -> None:
    """Raise ``RecordFailed`` when the file was deleted or moved: what goes into it then is found by nobody."""
    gone = os.fstat(descriptor).st_nlink == 0
    with contextlib.suppress(OSError):  # a disk that does not say is no reason to end
        try:
            os.stat(file.path)
        except (FileNotFoundError, NotADirectoryError):
            gone = True
    if gone:
        raise RecordFailed(file.path, "keep it", "it is no longer there: deleted or moved while the run is on")


def _let_go(descriptors: Sequence[int]) -> None:
    for descriptor in descriptors:
        with contextlib.suppress(OSError):
            os.close(descriptor)


__all__ = ["Syncer"]
