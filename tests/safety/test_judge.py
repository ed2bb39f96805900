"""The judge of nights can be displeased: by every thing it is there for. One that cannot proves nothing."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from campaign_faults import draw_pair, two_faults
from campaign_units import NOTE
from night import SHORT, Fault, Night, Wires, judge, spend, truly_off
from night_broken import BROKEN, no_bms, no_load_stop
from night_judge import _in_time
from pairs_allowed import ALLOWED, allowed

from sims.scenario import load_scenario


def capacity(out: Path) -> Night:
    return spend(out, SHORT["capacity"])


def floor(out: Path) -> Night:
    return spend(out, SHORT["voltage-floor"])


def load_on(night: Night) -> None:
    night.wires.bench.connect("load").feed(b"CURR 4;:INP ON\n")


def supply_on(night: Night) -> None:
    night.wires.bench.connect("supply").feed(b"VOLT 13;CURR 1;:OUTP ON\n")


def mains_on(night: Night) -> None:
    night.wires.bench.do("mains on")


def code(number: int) -> Callable[[Night], None]:
    def put(night: Night) -> None:
        night.exit_code = number

    return put


def peak(name: str, value: float) -> Callable[[Night], None]:
    return lambda night: setattr(night.wires.extremes, name, value)


def once_more(night: Night) -> None:
    night.wires.heard.append((night.clock.now(), night.short.active, b"INP ON"))


def stranger_on(night: Night) -> None:
    night.wires.strange.add("load")
    night.wires._strangers().connect("load").feed(b"CURR 1;:INP ON\n")


def quiet_99(night: Night) -> None:
    night.exit_code = 99
    night.said.clear()


DISPLEASED = {
    "load left on": (capacity, load_on, "left on: load"),
    "supply left on": (capacity, supply_on, "left on: supply"),
    "mains left on": (floor, mains_on, "left on: mains"),
    "exit code that says off": (capacity, load_on, "exit 0 says off, the world says on"),
    "exit code that says that nothing was energised": (capacity, code(11), "exit 11 says nothing was energised"),
    "exit code that is none": (capacity, code(7), "exit 7 is not in the table"),
    "99 and nobody told": (capacity, quiet_99, "not off, and nobody was told"),
    "another code than the result's": (capacity, code(21), "exit 21, but 0 in the result"),
    "cell under its floor": (capacity, peak("cell_low", 1.99), "cells at 1.990"),
    "cell over its top": (capacity, peak("cell_high", 3.81), "3.810 V"),
    "cells of no known volts": (capacity, peak("cell_low", float("nan")), "cells at nan"),
    "UPS's node too high": (floor, peak("ups_node_high", 31.3), "31.30 V at the UPS"),
    "too much out of the pack": (capacity, peak("pack_amps_high", 99.0), "99.00 A of the pack"),
    "too much into the pack": (capacity, peak("pack_amps_low", -99.0), "-99.00 to"),
    "too much at the UPS": (floor, peak("ups_amps_high", 40.0), "40.00 A at the UPS"),
    "hot pack": (capacity, peak("temp_high", 61.0), "pack at 61.0 degC"),
    "switched on twice": (capacity, once_more, "switched on 2 times"),
    "a stranger switched on": (capacity, stranger_on, "a stranger's load was switched on"),
}


@pytest.fixture(scope="module")
def _pleased(tmp_path_factory: pytest.TempPathFactory) -> None:
    for make in (capacity, floor):
        night = make(tmp_path_factory.mktemp("pleased"))
        assert truly_off(night.world)
        assert judge(night) == []


@pytest.mark.usefixtures("_pleased")
@pytest.mark.parametrize("what", DISPLEASED)
def test_the_judge_is_displeased(what: str, tmp_path: Path) -> None:
    make, spoil, words = DISPLEASED[what]
    night = make(tmp_path)
    spoil(night)
    assert any(words in text for text in judge(night)), judge(night)


def under_load(out: Path) -> int:
    """Number of a message to the load while it carries current."""
    said = [(who, message) for _, who, message in capacity(out).wires.heard]
    on = said.index(("load", b"INP ON"))
    return said.index(("load", b"MEAS:CURR?"), on + 60)


def test_off_that_comes_too_late(tmp_path: Path) -> None:
    night = spend(tmp_path, SHORT["capacity"], fault=Fault("mute", under_load(tmp_path)))
    assert judge(night) == []
    begun_s = night.on_at()[0][0]
    night.wires.heard[:] = [(t + 30.0 if t > begun_s else t, who, told) for t, who, told in night.wires.heard]
    assert any(text.startswith("off sent 3") and "fell silent" in text for text in judge(night))


@pytest.mark.parametrize(
    ("mains_s", "load_s", "wrong"),
    [
        # The mains within 6 s, the load that takes its charger's current within 3.2 s of that.
        (3.2, 6.4, False),
        (5.9, 9.1, False),
        (6.1, 9.3, True),
        (3.2, 9.3, True),
        (None, 5.9, False),
        (None, 6.1, True),
    ],
)
def test_a_load_may_sink_on_once_the_mains_was_told(
    mains_s: float | None, load_s: float, wrong: bool, tmp_path: Path
) -> None:
    night = spend(tmp_path, SHORT["charge-ceiling"])
    fault = Fault("deaf", 3, hit="load", hit_s=100.0)
    told = [(mains_s, "mains", b"OUTP OFF"), (load_s, "load", b"INP OFF")]
    after = [(100.0 + t, who, message) for t, who, message in told if t is not None]
    # An off of before it was switched on again is none of this fault.
    before = [(90.0, "load", b"INP ON"), (95.0, "load", b"INP OFF"), (99.0, "load", b"INP ON")]
    night.wires.heard[:] = [*before, (100.0, "load", b"CURR?"), *after]
    night.wires.faults = (fault,)
    assert ("fell silent" in str(_in_time(night))) is wrong


def test_what_was_left_on_is_watched_and_not_passed(tmp_path: Path) -> None:
    """Out of reach the load goes on; its own stop must end it, and without one the hours after the run show it."""
    lost = Fault("gone", under_load(tmp_path))
    held = spend(tmp_path, SHORT["capacity"], fault=lost)
    assert held.exit_code == 99
    assert not truly_off(held.world)
    assert judge(held) == []
    dead = spend(tmp_path, SHORT["capacity"], fault=replace(lost, hit=None), arrange=no_load_stop)
    assert judge(dead, alone_s=0.0) == []
    assert "the load's own low-volts stop did not end it" in judge(dead)


def test_without_any_barrier_cells_go_under(tmp_path: Path) -> None:
    def bare(wires: Wires) -> None:
        no_bms(wires)
        no_load_stop(wires)

    night = spend(tmp_path, SHORT["capacity"], arrange=bare, fault=Fault("gone", under_load(tmp_path)))
    assert night.exit_code == 99
    assert any(text.startswith("pack: a cell is pushed past full or empty") for text in judge(night))


# -- the list of what no program can hold ------------------------------------------------------------------------------


def test_each_pair_on_the_list_can_come_and_says_why() -> None:
    assert len({(one.stays_on, one.broken) for one in ALLOWED}) == len(ALLOWED)
    for one in ALLOWED:
        assert one.broken in BROKEN or one.broken == f"{one.stays_on} restarted"
        assert one.why


def test_a_pair_is_allowed_only_with_both_of_it(tmp_path: Path) -> None:
    night = spend(tmp_path, SHORT["capacity"], fault=Fault("gone", under_load(tmp_path)))
    assert allowed(night.wires, "load's stop dead")
    assert allowed(night.wires, "supply's stop dead") == ""
    assert allowed(night.wires, "") == ""
    assert allowed(capacity(tmp_path).wires, "load's stop dead") == ""


def test_pairs_reach_the_list_and_what_is_broken(tmp_path: Path) -> None:
    broken = {draw_pair(f"1/{n}").broken for n in range(400)}
    assert broken == {"", *BROKEN}
    words = two_faults(next(f"1/{n}" for n in range(400) if draw_pair(f"1/{n}").broken == "load welded"), tmp_path)
    assert all(text.startswith(NOTE) for text in words)


def test_the_bounds_are_those_of_the_packs_on_these_benches() -> None:
    for short in SHORT.values():
        facts = load_scenario(short.scenario)
        assert facts.pack.chemistry == "lifepo4"
        assert facts.fuse_amps > 0.0
