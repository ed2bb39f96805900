"""Where a run stands just now, for whoever watches it from outside: ``.live.json`` in its folder.

The record tells everything that lasts; this file tells what only the run knows while it is on: the nearest limit, and
when it should be over. It is written by a thread of its own, whole or not at all, at most once a second of machine
time, and never waited for: a disk that hangs holds up the thread and not the loop. It goes when the run goes.
"""

from __future__ import annotations

import math
import os
import threading
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec

from harness.badjson import BAD_JSON
from harness.errors import UserError
from harness.folder import RunFolder
from harness.inside import open_inside
from harness.progress import clock_words

if TYPE_CHECKING:
    from harness.findings import Watch
    from harness.interlocks import Interlocks
    from harness.job import Ready
    from harness.sample import Sample

EVERY_S = 1.0
"""Shortest machine time between two writings; a run that is over sooner writes none."""

CLOSE_WAIT_S = 0.2
"""Longest wait for the thread at the end, s of machine time."""

MOST_BYTES = 16_384
"""No file of ours is longer; what is longer is not read."""


class Live(msgspec.Struct, frozen=True, omit_defaults=True):
    """``nearest`` is a limit in words, ``nearest_share`` how much of the way to it is left (0 to 1); ``expected_s`` is
    how long the run lasts at most by its forecast, s of bench time (0: not known). Readings are those of the last
    sample, signs as in ``Sample``; ``None`` where one is missing."""

    form: int = 1
    pid: int = 0
    procedure: str = ""
    name: str = ""
    simulated: bool = False
    unattended: bool = False
    period_s: float = 1.0
    clock: str = "wall"
    expected_s: float = 0.0
    elapsed_s: float = 0.0
    utc: str = ""
    state: str = ""
    pack_volts: float | None = None
    pack_amps: float | None = None
    charge_ah: float | None = None
    energy_wh: float | None = None
    pack_temp_c: float | None = None
    nearest: str = ""
    nearest_share: float | None = None

    @property
    def left_s(self) -> float:
        """Bench time left at most, s; nan where no forecast tells."""
        return max(0.0, self.expected_s - self.elapsed_s) if self.expected_s > 0.0 else math.nan

    @property
    def left_words(self) -> str:
        """``at most 1:02:03``; empty where no forecast tells."""
        return "" if math.isnan(self.left_s) else f"at most {clock_words(self.left_s)}"


def _known(value: float) -> float | None:
    return value if math.isfinite(value) else None


class LiveWriter:
    """Told of each sample of a run; ``wall()`` is machine time, s. Nothing here raises or waits."""

    def __init__(self, folder: RunFolder, ready: Ready, *, clock: str, wall: Callable[[], float]) -> None:
        self._place = folder.path / ".live.json"
        self._wall, self._next_s = wall, wall() + EVERY_S
        self._thread: threading.Thread | None = None
        self._wake = threading.Event()
        self._waiting: bytes | None = None
        self._over = False
        self._about = Live(
            pid=os.getpid(),
            procedure=ready.job.procedure.name,
            name=ready.site.name,
            simulated=ready.site.simulated,
            unattended=ready.job.unattended,
            period_s=ready.site.bench.loop_period_s,
            clock=clock,
            expected_s=ready.forecast.seconds,
        )

    def show(self, sample: Sample, watch: Watch, interlocks: Interlocks) -> None:
        """One sample; written only now and then."""
        if self._wall() < self._next_s:
            return
        self._next_s = self._wall() + EVERY_S
        nearest, share = interlocks.nearest(sample, watch) or ("", math.nan)
        now = msgspec.structs.replace(
            self._about,
            elapsed_s=sample.elapsed_s,
            utc=sample.utc,
            state=sample.state,
            pack_volts=_known(sample.pack_volts),
            pack_amps=_known(sample.pack_amps),
            charge_ah=_known(sample.charge_ah),
            energy_wh=_known(sample.energy_wh),
            pack_temp_c=_known(sample.pack_temp_c),
            nearest=nearest,
            nearest_share=_known(share),
        )
        self._waiting = msgspec.json.encode(now)
        if self._thread is None:
            thread = threading.Thread(target=self._write, name="live", daemon=True)
            thread.start()  # raises where the system gives no more of them: then there is none to wait for either
            self._thread = thread
        self._wake.set()

    def _write(self) -> None:
        beside = self._place.with_name(self._place.name + ".part")
        while not self._over:
            self._wake.wait()
            self._wake.clear()
            data, self._waiting = self._waiting, None
            if data is None or self._over:
                continue
            # A full disk or a folder that has gone is the recorder's affair; here nobody is told anything meanwhile.
            with suppress(OSError):
                _put(beside, data)
                os.replace(beside, self._place)
        self._clear_away()

    def _clear_away(self) -> None:
        for place in (self._place, self._place.with_name(self._place.name + ".part")):
            with suppress(OSError):
                place.unlink(missing_ok=True)

    def close(self) -> None:
        """The run is over: nothing stands there any more. Waits a moment for the thread at most."""
        self._over = True
        self._wake.set()
        if self._thread is not None:
            self._thread.join(CLOSE_WAIT_S)


def _put(place: Path, data: bytes) -> None:
    """Write it there; never through a link, and never waiting for whoever reads a pipe. Raises ``OSError``."""
    how = getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
    descriptor = os.open(place, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | how, 0o666)
    with open(descriptor, "wb") as file:
        file.write(data)


def read_live(folder: RunFolder) -> Live | None:
    """What the run said last; ``None`` when it says nothing, or nothing that can be read."""
    try:
        with open_inside(folder.path / ".live.json") as file:
            data = file.read(MOST_BYTES + 1)
        return msgspec.json.decode(data, type=Live) if len(data) <= MOST_BYTES else None
    except (OSError, UserError, *BAD_JSON):
        return None
