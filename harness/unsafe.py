"""When off could not be confirmed: what is said, and that it goes on being tried."""

from __future__ import annotations

import math
from collections.abc import Callable

from harness.bench import Bench
from harness.rig import Rig
from harness.safeoff import Before, OffReport

EVERY_S = 10.0
GIVE_UP_S = 600.0
"""Bench seconds after which a program nobody watches ends with its exit code; the bench still counts as live."""

HEAD = "*** OFF NOT CONFIRMED - TREAT THE BENCH AS LIVE ***"


def message(rig: Rig, report: OffReport, *, fuse_amps: float | None) -> str:
    """The text on screen, in the record and in the result; what is unknown is called unknown, never 0."""
    serial = "unknown"
    name = rig.load_name or rig.supply_name or "the instruments"
    try:
        serial = rig.drivers[name].identity.serial
    except Exception:  # whoever does not answer has no serial number to show
        serial = "unknown"
    amps = "no answer" if math.isnan(report.last_amps) else f"{report.last_amps:.3f} A"
    volts = "no answer" if math.isnan(report.last_volts) else f"{report.last_volts:.3f} V"
    fuse = f"the battery fuse ({fuse_amps:g} A)" if fuse_amps else "the battery fuse, or the pack's connector,"
    lines = [
        HEAD,
        f'{name} (serial {serial}): asked off {report.tries} times; last current: {amps}; pack: {volts}.',
        *report.lines,
        "DO NOW: 1 press the bench emergency off, or switch off the bench outlet;",
        f"2 no smoke, no smell, no heat: pull {fuse} with insulated tools, stand aside;",
        "3 smoke, hiss or swelling: do not touch, leave the room, close the door, call the fire service.",
        f"Still trying every {EVERY_S:.0f} s.",
    ]
    return "\n".join(lines)


def keep_trying(bench: Bench, *, say: Callable[[str], None], acknowledged: Callable[[], bool]) -> bool:
    """Ask for off again and again; true when it was confirmed after all, false when given up or acknowledged."""
    report = bench.off_reports[-1]
    say(message(bench.rig, report, fuse_amps=bench.site.bench.fuse_amps))
    bench.note("unsafe", sync=True, text=message(bench.rig, report, fuse_amps=bench.site.bench.fuse_amps))
    end = bench.clock.now() + GIVE_UP_S
    while bench.clock.now() < end and not acknowledged():
        bench.clock.sleep(EVERY_S)
        report = bench.drive_off(Before())
        bench.note("off", sync=True, reason="tried again", result=report.word, how=list(report.lines))
        if report.confirmed:
            say(f"off confirmed after all: {'; '.join(report.lines)}")
            return True
        say(f"{HEAD} still not confirmed: {'; '.join(report.lines[-3:])}")
    say(f"{HEAD}\nno longer trying; the bench is as last seen. `nightbench safe --bench FILE` tries again.")
    return False
