"""Switching on and leaving alone: everything in its order, and what keeps an output from being switched on."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from types import SimpleNamespace
from typing import Any

import pytest
from bench_fakes import BEGAN_S, NAN, Did, report

from harness.block import Block, NotEnergised
from harness.energising import _not_stalled, energised, remember
from harness.lifecycle import Lifecycle
from harness.off_report import OffReport
from harness.stops import StoppedByPerson, Tripped

READY = [
    *("idle?", "asked?", "forget", "guarded", "arm load", "guarded", "watchdog load", "guarded", "remember"),
    *("clean", "asked?", "awake"),
]
"""What comes before the intent."""

ON = ["guarded", "look load", "expect load on", "beat", "guarded", "load on"]


class Driver:
    def __init__(self, did: Did, name: str) -> None:
        self.name, self._did = name, did
        self.session = SimpleNamespace(held=self._held)

    @contextmanager
    def _held(self) -> Iterator[None]:
        self._did.append("line kept")
        yield
        self._did.append("line free")

    def switch(self, on: bool) -> None:
        self._did.append(f"{self.name} {'on' if on else 'off'}")


class Made:
    """A bench of which energising asks all it asks, at rest at 12.5 V and 20 degC; ``did`` is what was done, in
    order. ``found`` are words of whoever looks at settings, ``stop`` where a person asks for the end."""

    def __init__(self, *, subject: str = "pack", told: OffReport | None = None, names: tuple[str, ...] = ("load",)):
        self.did: Did = []
        self.told = told or report()
        self.found: dict[str, str] = {}
        self.ends_at, self.asked = 0, 0
        self.rested = [12.5]
        self.now_s = BEGAN_S
        did = self.did
        self.states = SimpleNamespace(
            forget=lambda: did.append("forget"),
            remember=lambda: self._says("remember"),
            look_at=lambda name: self._says(f"look {name}"),
            expect_switched=lambda name, on: did.append(f"expect {name} {'on' if on else 'off'}"),
            all_off=lambda but: did.append(("all off", but)),
        )
        loop = SimpleNamespace(
            states=self.states, pack_temp_c=20.0, unwatched_s=0.5, gap_most_s=3.0, rested_volts=self._rested
        )
        self.bench: Any = SimpleNamespace(
            loop=loop,
            life=Lifecycle(),
            block=Block(),
            clock=SimpleNamespace(now=lambda: self.now_s),
            elapsed=lambda: self.now_s - BEGAN_S,
            site=SimpleNamespace(subject=subject, envelope=SimpleNamespace(**BAND)),
            guarded=self._guarded,
            note=lambda kind, **fields: did.append((kind, fields)),
            wait_until=lambda t_s: did.append(("wait until", t_s)),
            watchdogs=SimpleNamespace(arm=lambda driver: did.append(f"watchdog {driver.name}")),
            turns=SimpleNamespace(clean_sample=lambda: did.append("clean"), awake=self._awake),
            beats=SimpleNamespace(loop_goes_on=lambda: did.append("beat")),
            rig=SimpleNamespace(switch=lambda what: f"the {what}"),
            stopping=SimpleNamespace(
                need_idle=lambda why: did.append("idle?"),
                if_asked=self._asked,
                if_record_failed=lambda: did.append("record?"),
                drive_off=self._off,
                settle_off=lambda told, reason: did.append(("settle", told, reason)),
                trip=self._trip,
            ),
        )
        self.drivers = tuple((name, Driver(did, name), partial(did.append, f"arm {name}")) for name in names)

    def _says(self, what: str) -> str | None:
        self.did.append(what)
        return self.found.get(what)

    def _rested(self, phase: str) -> float:
        return self.rested.pop(0) if len(self.rested) > 1 else self.rested[0]

    def _guarded(self, act: Callable[[], Any]) -> Any:
        self.did.append("guarded")
        return act()

    def _asked(self) -> None:
        self.did.append("asked?")
        self.asked += 1
        if self.asked == self.ends_at:
            raise StoppedByPerson("asked")

    def _awake(self, left: Block | None = None) -> None:
        self.did.append("awake" if left is None else f"awake after {left.phase}")

    def _off(self, *, keeps_contactor: bool = False) -> OffReport:
        self.did.append(("drive off", self.bench.life.state, keeps_contactor))
        self.bench.life.move("confirmed")
        return self.told

    def _trip(self, finding: Any) -> None:
        self.did.append("trip")
        self.bench.life.state = "off"
        raise Tripped(f"{finding.words}: {finding.text}", exit_code=finding.exit_code)

    def run(self, block: Block) -> None:
        with energised(self.bench, block, self.drivers):
            self.did.append("in")


BAND = {
    **{"charge_temp_min_c": 5.0, "charge_temp_max_c": 40.0},
    **{"discharge_temp_min_c": 0.0, "discharge_temp_max_c": 45.0},
}


def test_everything_in_its_order() -> None:
    made, block = Made(), Block("sink", 6.0)
    with energised(made.bench, block, made.drivers) as output:
        assert made.bench.block is block
        assert made.bench.life.state == "sinking"
        made.did.append("in")
        made.now_s += 60.0
    intent = {"sync": True, "phase": "sink", "amps": 6.0, "volts": 0.0}
    assert made.did == [
        *READY,
        *(("intent", intent), "record?"),
        *("line kept", *ON, "line free", ("energised", {"phase": "sink", "on_s": 0.0}), "in"),
        *(("drive off", "releasing", True), ("all off", "the contactor")),
        *(("settle", made.told, "end of the block"), "awake after sink"),
    ]
    assert block.volts_before_on == 12.5
    assert (made.bench.block.phase, made.bench.block.began_s) == ("rest", 60.0)
    with pytest.raises(NotEnergised, match="this block was left"):
        output.set_amps(amps=1.0)


def test_a_block_begins_once_it_is_on() -> None:
    """What switching on itself takes is no part of it; until then its beginning is when it was begun."""
    made, block, seen = Made(), Block("sink", 6.0), []
    made.now_s += 10.0

    def slowly(name: str) -> None:
        seen.append((block.began_s, made.bench.life.state))
        made.now_s += 1.5

    made.states.look_at = slowly
    with energised(made.bench, block, made.drivers) as output:
        assert (block.began_s, output.on_s) == (11.5, 11.5)
    assert seen == [(10.0, "sinking")]


def test_a_stall_of_a_length_nobody_knows_is_one() -> None:
    with pytest.raises(Tripped, match="sampling late"):
        _not_stalled(Made().bench, NAN, 1)


@pytest.mark.parametrize(("names", "took_s", "ends"), [(("load",), 3.0, False), (("load",), 3.1, True)])
def test_a_stall_while_switching_on_is_no_beginning(names: tuple[str, ...], took_s: float, ends: bool) -> None:
    """The program stood still behind "on". The block began when it woke up: the stall was between no two samples, and
    the step at switch-on, by which off is proved, was taken from volts 20 s on: off was not confirmed, out loud."""
    made, block = Made(names=names), Block("sink", 6.0)

    def slowly(name: str, on: bool) -> None:
        made.now_s += took_s

    made.states.expect_switched = slowly
    if not ends:
        made.run(block)
        return
    with pytest.raises(Tripped, match=r"sampling late: 3 s for switching on, limit 3 s") as caught:
        made.run(block)
    assert caught.value.exit_code == 24
    assert "in" not in made.did


def test_each_of_two_outputs_has_its_time() -> None:
    made = Made(names=("supply", "load"))

    def slowly(name: str, on: bool) -> None:
        made.now_s += 2.9

    made.states.expect_switched = slowly
    made.run(Block("trace", 1.0))
    assert "in" in made.did


def test_two_outputs_one_after_the_other() -> None:
    made = Made(names=("supply", "load"))
    made.run(Block("trace", 1.0))
    switched = [
        one for one in made.did if one in ("supply on", "load on", "arm supply", "arm load", "clean", "remember")
    ]
    assert switched == ["arm supply", "arm load", "remember", "clean", "supply on", "load on"]


@pytest.mark.parametrize(
    ("subject", "rested", "looks", "before_v"),
    [("pack", [NAN, 12.4], 2, 12.4), ("pack", [12.5], 1, 12.5), ("ups", [NAN], 1, NAN)],
)
def test_a_packs_volts_at_rest_are_known_before_it_is_on(
    subject: str, rested: list[float], looks: int, before_v: float
) -> None:
    made, block = Made(subject=subject), Block("sink", 6.0)
    made.rested = rested
    made.run(block)
    assert made.did.count("clean") == looks
    assert [one for one in made.did if one[0] == "wait until"] == [("wait until", 100.1)][: looks - 1]
    assert block.volts_before_on == pytest.approx(before_v, nan_ok=True)


@pytest.mark.parametrize(("phase", "temp_c"), [("source", 4.9), ("source", NAN), ("sink", 45.1)])
def test_a_pack_too_cold_or_too_warm_for_what_is_about_to_begin(phase: str, temp_c: float) -> None:
    made = Made()
    made.bench.loop.pack_temp_c = temp_c
    with pytest.raises(Tripped, match="temperature: before switching on: ") as stop:
        made.run(Block(phase, 1.0))
    assert stop.value.exit_code == 21
    assert "load on" not in made.did


@pytest.mark.parametrize(("ends_at", "last"), [(1, ["idle?", "asked?"]), (2, ["clean", "asked?"])])
def test_a_person_who_asks_for_the_end_before_it_is_on(ends_at: int, last: list[str]) -> None:
    made = Made()
    made.ends_at = ends_at
    with pytest.raises(StoppedByPerson):
        made.run(Block("sink", 6.0))
    assert made.did[-2:] == last


@pytest.mark.parametrize(
    ("where", "words"), [("remember", "load: amps was 6, is 3"), ("look load", "before switching on: load: restarted")]
)
def test_what_was_changed_from_outside_is_not_switched_on(where: str, words: str) -> None:
    made = Made()
    made.found[where] = words.removeprefix("before switching on: ")
    with pytest.raises(Tripped, match=f"changed from outside: {words}"):
        made.run(Block("sink", 6.0))
    assert made.did[-1] == "trip"
    assert "load on" not in made.did


def test_whatever_the_block_is_left_by_it_is_off() -> None:
    made = Made()
    with pytest.raises(KeyError), energised(made.bench, Block("sink", 6.0), made.drivers):
        raise KeyError("a slip")
    assert ("drive off", "releasing", True) in made.did


def test_a_block_that_a_stop_has_ended_is_left_without_more() -> None:
    made = Made()
    with energised(made.bench, Block("sink", 6.0), made.drivers) as output:
        made.bench.life.state = "off"
    assert made.did[-1][0] == "energised"
    with pytest.raises(NotEnergised):
        output.help_off()


def test_why_it_was_left_is_written() -> None:
    made, block = Made(), Block("sink", 6.0)
    with energised(made.bench, block, made.drivers):
        block.reason = "end volts"
    assert ("settle", made.told, "end volts") in made.did


@pytest.mark.parametrize(("unwatched_s", "late"), [(3.0, False), (3.1, True)])
def test_a_block_that_nobody_looked_at_ends_the_run(unwatched_s: float, late: bool) -> None:
    made = Made()
    made.bench.loop.unwatched_s = unwatched_s
    if not late:
        made.run(Block("sink", 6.0))
        return
    with pytest.raises(Tripped, match="sampling late: 3 s without a sample while on, limit 3 s") as stop:
        made.run(Block("sink", 6.0))
    assert stop.value.exit_code == 24
    assert made.did[-2:] == ["awake after sink", "trip"]


def test_an_off_that_opened_the_contactor_ends_the_run() -> None:
    made = Made(told=report(opened_contactor=True))
    with pytest.raises(Tripped, match="off late: ") as stop:
        made.run(Block("sink", 6.0))
    assert stop.value.exit_code == 21


def test_currents_that_were_lowered_on_the_way_off_are_what_is_remembered() -> None:
    made = Made(told=report(softened=True))
    made.run(Block("sink", 6.0))
    assert made.did[-2:] == ["guarded", "remember"]
    made.found["remember"] = "load: input was off, is on"
    with pytest.raises(Tripped, match="changed from outside: load: input was off, is on"):
        remember(made.bench)
