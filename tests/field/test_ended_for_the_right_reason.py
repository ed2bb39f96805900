"""A discharge ends for what really ended it: not for a dip at switch-on, and a pack that opens is not called empty.

A load that gets hot, or carries less than it was told, ends it too, and nothing is made of what it did not carry.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from night import Night, Short, Wires, judge, quick, spend, truly_off

from harness.headlines import headline
from harness.samplefile import samples
from sims.bms import Bms

GENTLE = Short("capacity", 0.015, ("charge_first=false", "rate_it=0.5", "rest_s=2", "rest_after_s=20"), "load")
"""All but empty: a minute or two."""

HARD = Short("c-rate", 0.6, ("rates_it=0.5 1.5", "step_s=60", "rest_s=5"), "load")
"""4 A and 12 A, a minute each."""

METER, LOAD = b"MEAS:VOLT:DC?", b"MEAS:VOLT?"


def a_night(out: Path, short: Short, **more: Any) -> Night:
    with quick():
        return spend(out, short, **more)


# -- a dip at switch-on ------------------------------------------------------------------------------------------------


def dipping(volts: float, for_s: float) -> Callable[[Wires], None]:
    """Every voltmeter reads ``volts`` for so long once the load is on: long leads, and a load that is quick."""

    def arrange(wires: Wires) -> None:
        connect, began = wires.connect, [float("inf")]

        class Talker:
            def __init__(self, talker: Any) -> None:
                self.talker = talker

            def feed(self, data: bytes) -> bytes:
                answer: bytes = self.talker.feed(data)
                began[0] = min(began[0], wires.clock.now()) if data.strip() == b"INP ON" else began[0]
                dips = 0.0 <= wires.clock.now() - began[0] < for_s
                return b"%.3f\n" % volts if dips and data.strip() in (METER, LOAD) else answer

            def hang_up(self) -> None:
                self.talker.hang_up()

        wires.connect = lambda name: Talker(connect(name))  # type: ignore[method-assign]

    return arrange


@pytest.mark.parametrize("volts", [9.7, pytest.param(0.0, marks=pytest.mark.slow)])
def test_a_dip_at_switch_on_ends_nothing(volts: float, tmp_path: Path) -> None:
    """50 ms under the end voltage, and under what trips: the pack is empty later, and only then."""
    night = a_night(tmp_path, GENTLE, arrange=dipping(volts, 0.05))
    assert night.exit_code == 0, night.why
    assert night.result.end_reason == "end volts reached"
    assert night.folder is not None
    sinking = [row for row in samples(night.folder) if row.state == "sinking"]
    dipped = [row.elapsed_s - sinking[0].elapsed_s for row in sinking if row.pack_volts == volts]
    assert dipped == [0.0] if volts == 9.7 else dipped[:1] == [0.0], "it was seen, and recorded"
    plain = a_night(tmp_path, GENTLE)
    found, due = (one.result.figures["capacity_ah"].value for one in (night, plain))
    assert found == pytest.approx(due, abs=0.002)
    assert judge(night) == []


# -- the pack opens ----------------------------------------------------------------------------------------------------


def test_a_pack_that_opens_is_told_with_its_last_good_volts(tmp_path: Path) -> None:
    """Its BMS opens under load and closes again ten seconds later; the load stays off, and no end voltage was met."""
    opens_s = 40.0

    def arrange(wires: Wires) -> None:
        pack = wires.bench.world.pack
        pack.bms = Bms(replace(pack.bms.spec, amps_slow=3.0, amps_slow_delay_s=opens_s))

    night = a_night(tmp_path, replace(GENTLE, start_share=0.5), arrange=arrange)
    assert (night.exit_code, night.result.end_reason) == (0, "pack opened")
    assert night.folder is not None
    under = [row for row in samples(night.folder) if row.state == "sinking" and row.pack_amps > 2.0]
    figures = night.result.figures
    assert figures["last_v"].value == pytest.approx(under[-1].pack_volts)
    assert figures["last_v"].value > 12.0
    assert f"until it opened, last seen at {under[-1].pack_volts:.2f} V" in headline(night.result)
    assert "end_v" not in figures
    seen_s = under[-1].elapsed_s - under[0].elapsed_s
    assert figures["capacity_ah"].value == pytest.approx(4.0 * seen_s / 3600.0, rel=0.03), "up to there"
    night.world.advance_to(night.world.t + 600.0)
    assert len(night.on_at()) == 1, "it came back, and was not loaded again"
    assert truly_off(night.world)


# -- the load --------------------------------------------------------------------------------------------------------


def spoilt(act: Callable[[Any], None], at_amps: float) -> tuple[Callable[[Wires], None], Callable[[int, Any], None]]:
    """``act`` on the load once a current over ``at_amps`` has flowed for five samples."""
    held: list[Wires] = []
    count = [0]

    def each(_number: int, sample: Any) -> None:
        count[0] += sample.pack_amps > at_amps
        if count[0] == 5:
            count[0] += 1
            act(held[0].bench.world.load)
            held[0].bench.world.changed()

    return held.append, each


def throttle(load: Any) -> None:
    load.amps_set = 9.4


def heat(load: Any) -> None:
    load.sink_temp_c = 130.0


TROUBLE = {
    "carries 9.4 A of 12 A": (throttle, "set against measured: 9.3"),
    "too hot": (heat, "switched off by itself: load: over-temperature stop tripped"),
}


@pytest.mark.parametrize("what", TROUBLE)
def test_a_rate_that_the_load_did_not_carry_is_not_called_held(what: str, tmp_path: Path) -> None:
    act, words = TROUBLE[what]
    arrange, each = spoilt(act, 11.0)
    night = a_night(tmp_path, HARD, arrange=arrange, each=each)
    assert (night.exit_code, night.result.outcome) == (21, "tripped")
    assert night.result.end_reason.startswith(words)
    assert "held_a_max" not in night.result.figures
    steps = night.result.lists.get("steps", ())
    assert not [step for step in steps if float(step["amps"].value) > 11.0], "nor is anything said of that step"
    assert night.result.verdicts == ()
    assert truly_off(night.world)
    assert len([one for one in night.on_at() if one[1] == "load"]) == 2, "each step once, and not again"
    assert night.folder is not None
    rows = [row for row in samples(night.folder) if row.state == "sinking"]
    # What was counted is what was measured, also in the last moments.
    charge_ah = sum(
        (b.elapsed_s - a.elapsed_s) * (a.pack_amps + b.pack_amps) / 7200.0
        for a, b in pairwise(rows)
        if b.elapsed_s - a.elapsed_s < 2.0
    )
    assert rows[-1].charge_ah == pytest.approx(charge_ah, abs=0.02)
