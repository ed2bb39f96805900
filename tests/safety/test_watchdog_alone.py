"""Computer and guard vanish at once, in the middle of a run: by the world's truth the instruments' own watchdogs switch
off within their time, in every procedure.
"""

from __future__ import annotations

import os
import random
import signal
import time
from contextlib import suppress
from functools import partial
from pathlib import Path
from typing import Any

import guarded
import pytest
from dogged import ENERGISES, SECONDS, left, night
from night import SHORT, Night, Wires, facts, spend

from harness.clock import VirtualClock
from sims.manners import Manners
from sims.scenario import Scenario


class Vanished(BaseException):
    """The computer is gone: whatever its program still says reaches nobody."""


class Ending(VirtualClock):
    """Bench time that nobody can let pass any more once the computer is ``gone``."""

    gone = False

    def sleep_until(self, t_s: float, **how: Any) -> None:
        if self.gone:
            raise Vanished
        super().sleep_until(t_s, **how)


def vanish(out: Path, procedure: str, at: int, scenario: Scenario | None = None) -> tuple[Wires, float]:
    """The bench that is left when the computer is gone before message ``at``, and when that was, s."""
    wires = _vanish(out, procedure, at, scenario)
    if wires is None:  # a busy machine ended the night by its own interlocks before that
        wires = _vanish(out, procedure, at, scenario)
    assert wires is not None
    world = wires.bench.world
    world.advance_to(max(world.t, wires.heard[at][0]))
    return wires, wires.heard[at][0]


def _vanish(out: Path, procedure: str, at: int, scenario: Scenario | None) -> Wires | None:
    kept: list[Wires] = []
    clock = Ending()

    def arrange(wires: Wires) -> None:
        kept.append(wires)

        def before(number: int, name: str, message: bytes) -> None:
            if number >= at:
                clock.gone = True
                raise Vanished

        wires.before = before

    with suppress(Vanished):
        night(out, procedure, arrange=arrange, clock=clock, scenario=scenario)
    return kept[0] if clock.gone else None


def passed(world: Any) -> float:
    """What supply and load have moved, C."""
    return float(abs(world.totals.supply_c) + abs(world.totals.load_c))


def goes_off(wires: Wires, gone_s: float, at: int) -> None:
    """Nothing goes off before its time, everything by then; and no more charge flows than that time allows."""
    world = wires.bench.world
    last = {name: max(t for t, who, _ in wires.heard[:at] if who == name) for name in left(wires)}
    amps, before_c = abs(world.supply_amps) + abs(world.load_amps), passed(world)
    for spoken_s in sorted(set(last.values())):
        names = {name for name, at_s in last.items() if at_s == spoken_s}
        world.advance_to(max(world.t, spoken_s + SECONDS - 0.1))
        assert names <= set(left(wires)), f"{names} before their time"
        world.advance_to(max(world.t, spoken_s + SECONDS + 0.01))
        assert not names & set(left(wires)), f"{names} are still on"
    assert left(wires) == []
    assert abs(world.supply_amps) + abs(world.load_amps) <= 0.03
    if world.hooked == "pack":  # the mains of a UPS may just have come on, and its charger gives what it will
        assert passed(world) - before_c <= 1.02 * amps * SECONDS + 0.5
    world.advance_to(gone_s + 100.0)
    assert left(wires) == [], "and stays off"


def moments(one: Night, count: int) -> list[int]:
    """Numbers of messages while something is on, evenly apart: from the order to switch on up to the first off."""
    said = [message for _, _, message in one.wires.heard]
    first = next(n for n, message in enumerate(said) if message in ENERGISES)
    until = next(n for n, message in enumerate(said) if n > first and message in (b"OUTP OFF", b"INP OFF"))
    return [first + 1 + round((until - first - 1) * part / max(1, count - 1)) for part in range(count)]


@pytest.mark.parametrize(
    ("procedure", "count"),
    [("capacity", 3), ("charge", 3), ("c-rate", 1), ("voltage-floor", 1), ("charge-ceiling", 1)],
)
def test_the_computer_is_gone_and_the_instrument_goes_off(procedure: str, count: int, tmp_path: Path) -> None:
    whole = night(tmp_path, procedure)
    assert whole.exit_code == 0
    for at in moments(whole, count):
        wires, gone_s = vanish(tmp_path, procedure, at)
        assert left(wires), f"message {at}: something is on as the computer goes"
        goes_off(wires, gone_s, at)


@pytest.mark.slow
@pytest.mark.timeout(900)
@pytest.mark.parametrize("procedure", list(SHORT))
def test_wherever_the_computer_goes(procedure: str, tmp_path: Path) -> None:
    """At every message of the whole night, from the first look at the bench to the last word."""
    whole = night(tmp_path, procedure)
    step = max(1, len(whole.wires.heard) // 400)
    for at in range(0, len(whole.wires.heard), step):
        wires, gone_s = vanish(tmp_path, procedure, at)
        goes_off(wires, gone_s, at)


def test_without_a_watchdog_it_goes_on(tmp_path: Path) -> None:
    """What these tests would say if nothing acted: the load takes its current until its own low-volts stop."""
    plain = facts(SHORT["capacity"])
    at = moments(spend(tmp_path, SHORT["capacity"]), 3)[1]
    wires, gone_s = vanish(tmp_path, "capacity", at, plain)
    wires.bench.world.advance_to(gone_s + SECONDS + 1.0)
    assert left(wires) == ["load"]


# -- in real processes -------------------------------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.timeout(600)
@pytest.mark.parametrize("procedure", ["capacity", "charge"])
def test_run_and_guard_are_killed_at_once(
    procedure: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """At drawn instants, on a bench that keeps the machine's own time, by that bench's own state."""
    dogs = {name: Manners(shape="watchdog") for name in ("supply", "load")}
    monkeypatch.setattr(guarded, "serve", partial(guarded.serve, manners=dogs))
    draw, took = random.Random(f"alone/{procedure}"), []
    for number in range(4):
        with guarded.run(tmp_path / str(number), procedure, speed=1.0) as one:
            guarded.pause(draw)
            began_s = time.monotonic()
            os.kill(one.guard_pid(), signal.SIGKILL)
            one.process.kill()
            took.append(one.off_within_s(30.0, since=began_s))
            assert SECONDS - 1.5 <= took[-1] <= SECONDS + 0.5, "a turn of the loop before it"
    with capsys.disabled():
        print(f"\n{procedure}: run and guard killed, off after {', '.join(f'{one:.2f}' for one in took)} s")
