"""Ctrl-C between a question and its answer, again 50 ms later on the way off, then the system's own wish to end.

The answer is read, nothing is glued to it; off is told once, read back, and the record is whole. Signals are real ones,
raised in this process at a chosen message.
"""

from __future__ import annotations

import signal
from pathlib import Path
from typing import Any

import pytest
from night import ON_A_PACK, SHORT, Night, judge, quick, spend, truly_off

from harness.jsonlines import exchanges
from harness.samplefile import samples

OFF = {"capacity": (b"INP OFF", b"INP?"), "charge": (b"OUTP OFF", b"OUTP?")}
LATER_S = 0.05


class Presses:
    """SIGINT at the question ``nth`` after switching on, once more ``LATER_S`` of bench time later or with the first
    message of the way off that comes after it, then SIGTERM."""

    def __init__(self, nth: int) -> None:
        self.nth, self.asked, self.on, self.at = nth, 0, False, -1
        self.pressed: list[tuple[float, bytes]] = []
        self.wires: Any = None

    def arrange(self, wires: Any) -> None:
        self.wires = wires
        wires.before = self.before

    def before(self, number: int, _name: str, message: bytes) -> None:
        now = self.wires.clock.now()
        self.on = self.on or message in (b"OUTP ON", b"INP ON")
        if not self.pressed:
            self.asked += self.on and message.endswith(b"?")
            if self.asked == self.nth:
                self.at = number
                self._press(signal.SIGINT, now, message)
        elif len(self.pressed) == 1 and now - self.pressed[0][0] >= LATER_S:
            self._press(signal.SIGINT, now, message)
        elif len(self.pressed) == 2:
            self._press(signal.SIGTERM, now, message)

    def _press(self, number: int, now: float, message: bytes) -> None:
        self.pressed.append((now, message))
        signal.raise_signal(number)


def a_night(place: Path, procedure: str, presses: Presses) -> Night:
    with quick():
        return spend(place, SHORT[procedure], arrange=presses.arrange)


@pytest.mark.parametrize("nth", range(1, 25))
@pytest.mark.parametrize("procedure", ON_A_PACK)
def test_at_each_question(procedure: str, nth: int, tmp_path: Path) -> None:
    presses = Presses(nth)
    night = a_night(tmp_path, procedure, presses)
    assert presses.pressed[0][1].endswith(b"?")
    assert len(presses.pressed) == 3, "the later ones came while it was switching off"
    assert (night.exit_code, night.result.outcome) == (20, "stopped")
    assert night.result.end_reason == "stopped by a person (SIGINT)"
    assert judge(night) == []
    assert truly_off(night.world)
    assert night.folder is not None
    order, question = OFF[procedure]
    talk = [one for one in exchanges(night.folder) if one.name == night.short.active]
    told = [at for at, one in enumerate(talk) if order in one.sent]
    on_at = next(at for at, one in enumerate(talk) if one.sent.strip() in (b"OUTP ON", b"INP ON"))
    after_on = [at for at in told if at > on_at]
    assert len(after_on) == 1, "off was told, and told once"
    answers = [one.received for one in talk[after_on[0] :] if one.sent.strip() == question]
    assert answers[0] is not None
    assert answers[0].strip() == b"0", "and read back"
    # The question it came with got its answer, whole, and nobody else took it for theirs.
    everything = list(exchanges(night.folder))
    assert all(one.error is None for one in everything)
    assert all(one.received for one in everything if one.sent.strip().endswith(b"?"))
    rows = samples(night.folder)
    assert len(list(rows)) == night.result.rows
    assert (rows.tail.rows, rows.tail.bytes, rows.tail.zero_bytes) == (0, 0, 0)
    assert [event["kind"] for event in night.events()][-3:] == ["stop", "off", "ended"]
