"""The computer that a run is on: kept awake where it can be, watched for having slept, its calendar clock for steps.

While it sleeps nobody looks: only the instruments' own stops, fuse and BMS are left. So when it wakes the first act is
off. A step of its calendar clock is noted and changes nothing: all that is counted is counted on a clock without steps.
"""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from select import select

from harness.clock import Clock
from harness.preflight_check import Check

SLEPT_S = 1.0
"""A sleep shorter than this, s, is no longer than a turn of the loop."""

STEP_S = 1.0
"""The calendar clock is drawn along by up to some milliseconds a second; more than this, s, at once is a step."""

LOOK_S = 0.05
"""Two clocks read further apart than this, s, say nothing about each other."""


@dataclass(frozen=True, slots=True)
class Noticed:
    """What happened to the computer since the last look, s: how long it slept, how far its calendar was set forward."""

    slept_s: float = 0.0
    step_s: float = 0.0


class HostWatch:
    """Looks at the machine's clocks by way of the run's own; ``look`` tells each thing once."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._slept_s = clock.slept_s()
        self._ahead_s = self._ahead()

    def slept(self) -> bool:
        """Whether the machine has slept since the last look."""
        return self._clock.slept_s() - self._slept_s >= SLEPT_S

    def look(self) -> Noticed:
        """What happened since the last look."""
        slept_s = self._clock.slept_s()
        ahead_s = self._ahead()
        if ahead_s is None or self._ahead_s is None:
            self._ahead_s = ahead_s if self._ahead_s is None else self._ahead_s
            step_s = 0.0
        else:
            step_s = ahead_s - self._ahead_s
        asleep_s = slept_s - self._slept_s
        if asleep_s >= SLEPT_S:
            self._slept_s = slept_s
        if abs(step_s) >= STEP_S:
            self._ahead_s = ahead_s
        return Noticed(
            slept_s=asleep_s if asleep_s >= SLEPT_S else 0.0, step_s=step_s if abs(step_s) >= STEP_S else 0.0
        )

    def _ahead(self) -> float | None:
        """Calendar time less the time since the run began, awake and asleep, s; None when it was read too slowly."""
        clock = self._clock
        before = clock.now()
        utc = clock.utc().timestamp()
        after = clock.now()
        return utc - after - clock.slept_s() if after - before <= LOOK_S else None


# -- kept awake --------------------------------------------------------------------------------------------------------

NOT_AWAKE = "not kept awake"
"""How the words begin when nothing keeps it awake."""

WHAT_FOR = "a run is on: outputs are switched by this computer"
SAYS_SO = ("sh", "-c", "echo on; exec cat")
"""What a helper runs while it keeps the computer awake: says that it does, and ends when this process has gone, however
it went, because nobody holds the other end of its pipe any more."""

HELPERS: dict[str, tuple[str, ...]] = {
    "systemd-inhibit": ("--what=sleep:idle:handle-lid-switch", "--who=nightbench", f"--why={WHAT_FOR}", "--mode=block"),
    "elogind-inhibit": ("--what=sleep:idle:handle-lid-switch", "--who=nightbench", f"--why={WHAT_FOR}", "--mode=block"),
    "caffeinate": ("-i", "-s"),
}
"""Programs of the system that keep it awake while another program runs, and what they are told."""

HELPER_WAIT_S = 2.0


@contextmanager
def kept_awake(*, wanted: bool = True) -> Iterator[str]:
    """Keep the computer from sleeping inside the block; in words, whether and how. Never raises."""
    if not wanted:
        yield "nothing real is switched: it may sleep"
        return
    helper, words = _helper()
    try:
        yield words
    finally:
        if helper is not None:
            _end(helper)


def _helper() -> tuple[subprocess.Popen[bytes] | None, str]:
    found = next((name for name in HELPERS if shutil.which(name)), None)
    if found is None:
        return None, f"{NOT_AWAKE}: none of {', '.join(HELPERS)} is here; see that it does not sleep"
    why = ""
    try:
        helper = subprocess.Popen(
            (found, *HELPERS[found], *SAYS_SO),
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            start_new_session=True,  # a key pressed for the run is none of its business
        )
    except OSError as error:
        return None, f"{NOT_AWAKE}: {found}: {error.strerror or error}; see that it does not sleep"
    assert helper.stdout is not None
    with suppress(OSError):
        ready, _, _ = select([helper.stdout], [], [], HELPER_WAIT_S)
        if ready and helper.stdout.readline() == b"on\n":
            return helper, f"kept awake by {found}"
        why = "does not answer" if not ready else "refused"
    _end(helper)
    return None, f"{NOT_AWAKE}: {found} {why}; see that it does not sleep"


def _end(helper: subprocess.Popen[bytes]) -> None:
    for pipe in (helper.stdin, helper.stdout, helper.stderr):
        if pipe is not None:
            with suppress(OSError):
                pipe.close()
    try:
        helper.wait(HELPER_WAIT_S)
    except subprocess.TimeoutExpired:
        helper.kill()
        with suppress(subprocess.TimeoutExpired):
            helper.wait(HELPER_WAIT_S)


# -- before a run ------------------------------------------------------------------------------------------------------

POWER = Path("/sys/class/power_supply")
REBOOT = Path("/var/run/reboot-required")
"""Where Linux tells of its power supplies, and where some of its distributions tell that a restart is due."""

OLDEST_YEAR = 2024
"""No calendar clock that was ever set is behind this."""


def computer_checks(clock: Clock, *, power: Path = POWER, reboot: Path = REBOOT) -> tuple[Check, ...]:
    """What a person should know of the computer before a run: notes, where there is something to say."""
    found = []
    if on_battery(power):
        text = "runs on its battery: when that is empty nobody looks any more; plug it in"
        found.append(Check("computer", "note", text))
    if reboot.exists():
        text = f"its system waits for a restart ({reboot}): one that comes by itself ends the run; restart it before"
        found.append(Check("computer", "note", text))
    if clock.utc().year < OLDEST_YEAR:
        text = f"its calendar clock says {clock.utc():%Y-%m-%d}: folders and records will carry it; set it"
        found.append(Check("computer", "note", text))
    return tuple(found)


def on_battery(power: Path = POWER) -> bool:
    """Whether the computer says that it has mains supplies and that none of them is on. False when it says nothing."""
    mains: list[bool] = []
    with suppress(OSError):
        for one in sorted(power.iterdir()):
            with suppress(OSError, ValueError):
                if (one / "type").read_text().strip() in ("Mains", "USB"):
                    mains.append((one / "online").read_text().strip() != "0")
    return bool(mains) and not any(mains)
