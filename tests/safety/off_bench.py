"""A bench with one output on, by hand, and how it is switched off; what the tests of switching off share."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from night import SHORT, Wires, connected

from harness.clock import VirtualClock
from harness.off_order import ORDER
from harness.safeoff import Before, OffReport, SafeOff

ON_A_PACK = ("sink", "source", "rest", "unknown")


def of_pack(phase: str) -> tuple[str, ...]:
    """The order as far as a bench without switches has it."""
    return tuple(role for role in ORDER[phase] if role in OFF)


OFF = {"supply": b"OUTP OFF", "load": b"INP OFF"}
MOST_S = 16.0
"""Longest an off may take on a bench whose instruments are silent one deadline at a time, s of bench time."""


class Live:
    """A bench with one output on, by hand: 6 A out of the pack, or 4 A into it."""

    def __init__(self, out: Path, phase: str, arrange: Callable[[Wires], None] | None = None) -> None:
        self.noted: list[tuple[str, dict[str, Any]]] = []
        self.wires, self.connection = connected(out, SHORT["capacity"], arrange=arrange)
        world = self.wires.bench.world
        rest_v = world.volts_at("pack")
        port = "load" if phase == "sink" else "supply"
        by_hand = {
            "sink": b"CURR 6;:INP ON\n",
            "source": b"VOLT 14.4;CURR 4;:OUTP ON\n",
            "rest": b"\n",
            "unknown": b"\n",
        }
        self.wires.bench.connect(port).feed(by_hand[phase])
        self.pass_time(1.0)
        amps = abs(world.pack_amps)
        step_ohm = abs(world.volts_at("pack") - rest_v) / amps if amps > 1 else float("nan")
        self.pass_time(2.0)
        self.before = Before(phase, amps, world.volts_at("pack"), step_ohm)
        self.on_s = self.clock.now()
        self.wires.heard.clear()

    @property
    def clock(self) -> VirtualClock:
        return self.wires.clock

    def pass_time(self, seconds: float) -> None:
        self.clock.sleep(seconds)
        self.wires.bench.advance()

    def note(self, kind: str, **fields: Any) -> None:
        self.noted.append((kind, fields))

    def off(self, **changes: Any) -> OffReport:
        zero = {"supply": 0.022, "load": 0.060}
        rig = self.connection.rig
        assert rig is not None
        self.safe_off = SafeOff(rig=rig, clock=self.clock, note=self.note, zero_amps=zero)
        for key, value in changes.items():
            setattr(self.safe_off, key, value)
        report = self.safe_off.drive(self.before)
        self.wires.bench.advance()
        assert report.took_s <= MOST_S
        return report

    def offs(self) -> list[str]:
        return [who for _, who, text in self.wires.heard if text == OFF.get(who)]


def liar(port: str) -> Callable[[bytes], bytes | None]:
    """Says off, reads 0, and does nothing of what it is told about it."""
    own = {b"INP?": b"0\n", b"OUTP?": b"0\n", b"MEAS:CURR?": b"0.0000\n"}
    deaf_to = (OFF[port], b"CURR 0.000", b"FUNC CURR")
    return lambda text: own.get(text, b"" if text in deaf_to else None)


HARD = {OFF["load"]: b"", b"FUNC CURR": b"", b"CURR 0.000": b""}
"""A load that obeys nothing on the way off. (A change of function alone would open the simulated one's input.)"""
