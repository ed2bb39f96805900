"""Before a run that is left alone: its guard is seen to act, for real and at a harmless current.

A process of its own takes the bench as a run does, guard and all, and has the load take ``AMPS``. Then it stops itself,
is killed, or loses its guard; and everything must be off in time. None of it is remembered: it is done before every run
that is left alone, on the very lines it will use.
"""

from __future__ import annotations

import json
import math
import os
import subprocess
import sys
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

from harness.addresses import simulated
from harness.clock import WallClock
from harness.connect import Connection
from harness.errors import SelfTestFailed
from harness.folder import RunFolder
from harness.job import Ready
from harness.result import Rehearsed
from harness.rig import READ_ERRORS, Rig
from harness.tape import COMPUTER
from harness.zero_amps import zero_limits

RUN_HANGS, RUN_DIES, GUARD_DIES = "run-hangs", "run-dies", "guard-dies"

AMPS = 0.08
"""What flows meanwhile, A: it shows that something was switched off, and does no harm to anything if it goes on."""

WITHIN_S = {RUN_HANGS: 7.0, RUN_DIES: 2.0, GUARD_DIES: 5.0}
"""From the instant it happens until everything was seen off, s."""

WORDS = {
    RUN_HANGS: "a run that hangs is ended by the guard",
    RUN_DIES: "a run that dies is ended by the guard",
    GUARD_DIES: "a run whose guard dies ends",
}
PATIENCE_S = 60.0
"""Longest that one of them may take as a whole, s: connecting, looking, switching on, and what is tried."""

SPARE_S = 1.0
LOOK_EVERY_S = 0.05
PLACE = "rehearsed"
GUARD_LOG = "guard.log"
IN_MEMORY = "a bench in memory ends with this program: there is nothing to guard, and nothing was tried"


class NotInMemory(SelfTestFailed):
    """There is no guard for a bench in memory."""


@dataclass(frozen=True, slots=True)
class _Told:
    """What the process said: ``at_s`` when it happened, ``off_s`` when it had confirmed off, ``why`` it could not be
    tried; s of the machine's monotonic clock."""

    at_s: float
    off_s: float
    why: str


def rehearse(
    ready: Ready,
    connection: Connection,
    folder: RunFolder,
    *,
    note: Callable[..., None],
    stopped: Callable[[], bool] = lambda: False,
) -> tuple[Rehearsed, ...]:
    """Try all of them on the bench of ``connection``, whose lines are closed meanwhile; no more once ``stopped``.

    Raises ``SelfTestFailed`` with what did not act in time, ``NotInMemory`` for a bench in memory.
    """
    rig = connection.rig
    assert rig is not None
    if in_memory(ready):
        raise NotInMemory(IN_MEMORY)
    found = []
    tape = connection.clock.tape
    for what, within_s in WITHIN_S.items():
        if tape.came(COMPUTER, "no more tried", stopped, nothing=False):
            break
        for session in connection.sessions:
            session.close()
        tried = partial(_tried, ready, what, folder.path / PLACE / what, within_s)
        took_s, why = tape.answer(COMPUTER, f"tried: {what}", tried, absent=_untold, pack=_packed, unpack=_unpacked)
        connection.clock.catch_up()
        if why:
            raise SelfTestFailed(why)
        shown_s = None if took_s != took_s else round(took_s, 3)
        note("rehearsed", sync=True, what=what, took_s=shown_s, within_s=within_s, text=WORDS[what])
        if not took_s <= within_s:
            took = "off was not confirmed" if took_s != took_s else f"took {took_s:.1f} s, limit {within_s:g} s"
            raise SelfTestFailed(f"guard: {WORDS[what]}: {took}; {_AFTER}")
        _see_off(rig, what)
        found.append(Rehearsed(what=WORDS[what], took_s=round(took_s, 3), within_s=within_s))
    return tuple(found)


_Tried = tuple[float, str]
"""How long it took until everything was off, s, nan when it was not; and why it could not be tried."""


def _tried(ready: Ready, what: str, place: Path, within_s: float) -> _Tried:
    try:
        place.mkdir(parents=True)
        return _took_s(what, _try(ready, what, place), place, within_s), ""
    except SelfTestFailed as failed:
        return math.nan, str(failed)


def _untold() -> _Tried:
    return math.nan, ""


def _packed(tried: _Tried) -> list[str]:
    return [repr(tried[0]), tried[1]]


def _unpacked(told: list[str]) -> _Tried:
    return float(told[0]), str(told[1])


def in_memory(ready: Ready) -> bool:
    """Whether the bench lives in this program."""
    return all(simulated(entry.address) is not None for entry in ready.site.bench.instruments)


_AFTER = "this run was not begun: stay with it (without --unattended), or mend that"


def _try(ready: Ready, what: str, place: Path) -> _Told:
    """Run the process. Raises ``SelfTestFailed`` when it did not come to what was to be tried."""
    job = ready.job
    given = {
        "what": what,
        "procedure": job.procedure.name,
        "bench": os.path.abspath(job.bench),
        "pack": None if job.pack is None else os.path.abspath(job.pack),
        "ups": None if job.ups is None else os.path.abspath(job.ups),
        "sets": list(job.sets),
        "out": str(place.resolve()),
        "parent": os.getpid(),
    }
    # A session of its own: a key pressed now is for this program, which then stops after the one that is tried.
    said = place / "said.txt"
    # Its guard holds on to this file and may outlive it; to a pipe that is listened to it must not.
    with open(said, "wb") as err:
        process = subprocess.Popen(
            [sys.executable, "-m", "harness.rehearsed", json.dumps(given)],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=err,
            start_new_session=True,
        )
    try:
        out, _ = process.communicate(timeout=PATIENCE_S)
    except subprocess.TimeoutExpired:
        process.kill()
        process.communicate()
        raise SelfTestFailed(f"guard: {WORDS[what]}: not over within {PATIENCE_S:g} s; {_AFTER}") from None
    told = _read(out)
    if told.why or told.at_s != told.at_s:
        last = said.read_text(encoding="utf-8", errors="replace").strip().rpartition("\n")[2]
        why = told.why or last or f"exit {process.returncode}"
        raise SelfTestFailed(f"guard: {WORDS[what]}: could not be tried: {why}; {_AFTER}")
    return told


def _read(out: bytes) -> _Told:
    found: dict[str, Any] = {}
    for line in out.splitlines():
        with suppress(ValueError):
            found |= json.loads(line)
    return _Told(float(found.get("at_s", "nan")), float(found.get("off_s", "nan")), str(found.get("why", "")))


def _took_s(what: str, told: _Told, place: Path, within_s: float) -> float:
    """From what happened until off was confirmed, s; by the guard's own journal, or by the run that lost it. nan when
    it was not confirmed in time."""
    if what == GUARD_DIES:
        return told.off_s - told.at_s
    clock = WallClock()
    while True:
        for file in place.glob(f"*/{GUARD_LOG}"):
            for line in file.read_text(encoding="utf-8").splitlines():
                with suppress(ValueError, KeyError):  # it may be writing
                    row = json.loads(line)
                    if row["what"] == "off confirmed":
                        return float(row["monotonic_s"]) - told.at_s
        if not clock.wall() - told.at_s <= within_s + SPARE_S:
            return math.nan
        clock.sleep(LOOK_EVERY_S)


def _see_off(rig: Rig, what: str) -> None:
    """On lines of our own: everything says off and carries nothing. Raises ``SelfTestFailed``."""
    zero = zero_limits(rig.bench_file)
    for driver, on in ((rig.supply, "output_is_on"), (rig.load, "input_is_on")):
        if driver is None:
            continue
        try:
            is_on, amps = getattr(driver, on)(), driver.measure_amps()
        except READ_ERRORS as error:
            raise SelfTestFailed(f"guard: {WORDS[what]}: {driver.name} cannot be read after it: {error}") from error
        if is_on or not abs(amps) <= zero[driver.name]:
            raise SelfTestFailed(f"guard: {WORDS[what]}: {driver.name} at {amps:.3f} A after it, and not off; {_AFTER}")
