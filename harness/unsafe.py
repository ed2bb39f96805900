"""When off could not be confirmed: what is said, and that it goes on being tried."""

from __future__ import annotations

import math
from collections.abc import Callable
from contextlib import suppress
from typing import TYPE_CHECKING

from harness.rig import Rig
from harness.safeoff import Before, OffReport
from harness.tape import COMPUTER

if TYPE_CHECKING:
    from harness.bench import Bench
    from harness.clock import Clock

EVERY_S = 10.0
GIVE_UP_S = 600.0
"""Bench or machine seconds, whichever come first, after which a program nobody watches ends with its exit code; the
bench still counts as live."""

HEAD = "*** OFF NOT CONFIRMED - TREAT THE BENCH AS LIVE ***"


def message(rig: Rig, report: OffReport, *, fuse_amps: float | None, trying: bool = True) -> str:
    """The text on screen, in the record and in the result; what is unknown is called unknown, never 0."""
    names = report.suspects or tuple(name for name in (rig.load_name, rig.supply_name) if name)
    who = ", ".join(f"{name} (serial {_serial(rig, name)})" for name in names) or "the instruments"
    amps = "no answer" if math.isnan(report.last_amps) else f"{report.last_amps:.3f} A"
    place = "UPS's battery terminals" if rig.subject == "ups" else "pack"
    volts = "no answer" if math.isnan(report.last_volts) else f"{report.last_volts:.3f} V"
    lines = [
        HEAD,
        f"{who}: asked off {report.tries} times; last current: {amps}; {place}: {volts}.",
        *report.lines,
        *what_to_do(rig, fuse_amps=fuse_amps),
    ]
    return "\n".join([*lines, f"Still trying every {EVERY_S:.0f} s."] if trying else lines)


def what_to_do(rig: Rig, *, fuse_amps: float | None) -> list[str]:
    """What a person is to do at a bench that may be live, a line each."""
    fuse = f"the battery fuse ({fuse_amps:g} A)" if fuse_amps else "the battery fuse, or the pack's connector,"
    lines = [
        "DO NOW: 1 press the bench emergency off, or switch off the bench outlet;",
        f"2 no smoke, no smell, no heat: pull {fuse} with insulated tools, stand aside;",
        "3 smoke, hiss or swelling: do not touch, leave the room, close the door, call the fire service.",
    ]
    if rig.subject == "ups":
        lines.insert(1, "  and pull the UPS's mains plug: its charger drives the node while it has mains;")
    return lines


def _serial(rig: Rig, name: str) -> str:
    with suppress(Exception):  # whoever never answered has no serial number to show
        return rig.drivers[name].identity.serial
    return "unknown"


def keep_trying(bench: Bench, *, say: Callable[[str], None], acknowledged: Callable[[], bool]) -> bool:
    """Ask for off again and again; true when it was confirmed after all, false when given up or acknowledged.

    Neither a screen that is gone nor a clock that is lost ends it.
    """

    def tell(text: str) -> None:
        with suppress(Exception):
            say(text)

    report = bench.off_reports[-1]
    text = message(bench.rig, report, fuse_amps=bench.site.bench.fuse_amps)
    tell(text)
    bench.note("unsafe", sync=True, text=text)
    over = _Over(bench.clock, acknowledged)
    while True:
        over.wait()
        if bench.clock.tape.came(COMPUTER, "given up", over.now, nothing=False):
            break
        report = bench.stopping.drive_off(bench.before_doubt or Before())
        bench.note("off", sync=True, reason="tried again", result=report.word, how=list(report.lines))
        if report.confirmed:
            tell(f"off confirmed after all: {'; '.join(report.lines)}")
            return True
        tell(f"{HEAD} still not confirmed: {'; '.join(report.lines[-3:])}")
    tell(f"{HEAD}\nno longer trying; the bench is as last seen. `nightbench safe --bench FILE` tries again.")
    return False


class _Over:
    """Whether trying is over: it has lasted too long by both clocks, or somebody has taken over."""

    def __init__(self, clock: Clock, acknowledged: Callable[[], bool]) -> None:
        self._clock, self._acknowledged = clock, acknowledged
        self._end, self._end_wall = clock.now() + GIVE_UP_S, clock.wall() + GIVE_UP_S
        self._taken = False

    def taken(self) -> bool:
        self._taken = self._taken or _true(self._acknowledged)
        return self._taken

    def wait(self) -> None:
        """Until the next try is due; less when somebody takes over meanwhile."""
        with suppress(Exception):
            self._clock.sleep(EVERY_S, stop=self.taken)

    def now(self) -> bool:
        return not min(self._end - self._clock.now(), self._end_wall - self._clock.wall()) > 0 or self.taken()


def _true(acknowledged: Callable[[], bool]) -> bool:
    with suppress(Exception):
        return acknowledged()
    return False
