"""The witness of an off alone: which order it belongs to, and the step of a pack's volts, by whom it is seen."""

from __future__ import annotations

import math

import pytest
from bench_fakes import NAN, Node

from harness.safeoff import Before

# -- what was known before ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("before", "order"),
    [
        (Before(), "unknown"),
        (Before("sink", cause="amps"), "sink"),
        (Before("source", cause="volts"), "source"),
        (Before("rest", mains=True), "rest"),
        (Before("trace"), "trace"),
        (Before("trace", cause="volts"), "trace"),
        (Before("trace", cause="amps"), "trace, amps"),
        (Before("stand-in", mains=False), "stand-in"),
        (Before("stand-in", mains=False, cause="volts"), "stand-in"),
        (Before("stand-in", mains=True), "stand-in, mains on"),
        # where it is not known whether there is mains, there may be
        (Before("stand-in", mains=None), "stand-in, mains on"),
        (Before("stand-in", mains=True, cause="amps"), "stand-in, mains on"),
        (Before("stand-in", mains=True, cause="volts"), "stand-in, mains on, volts"),
    ],
)
def test_which_order_it_is(before: Before, order: str) -> None:
    assert before.order == order


def test_half_the_step_at_switching_on_must_come_back() -> None:
    assert Before("sink", 6.0, 12.0, 0.020).step_v == pytest.approx(0.060)
    assert math.isnan(Before("sink", 6.0, 12.0).step_v)
    assert Before("sink").doubted is False


# -- a pack ------------------------------------------------------------------------------------------------------------

SINK = Before("sink", 8.0, 12.0, 0.0625)  # 250 mV
SOURCE = Before("source", 8.0, 14.0, 0.0625)
FLAT = Before("source", 0.4, 14.0, 0.020)  # 4 mV, too small to be told
LEAST = Before("sink", 1.0, 12.0, 0.010)
ASLEEP = Before("sink", 8.0, 2.0, 0.0625)


@pytest.mark.parametrize(
    ("before", "volts", "verdict", "waits", "line"),
    [
        (SINK, [12.25], True, 0, "pack rebounded: 12.000 V to 12.250 V, at least 250 mV expected"),
        (SINK, [12.0, 12.2, 12.3], True, 2, "pack rebounded: 12.000 V to 12.300 V, at least 250 mV expected"),
        (SINK, [12.0] * 10 + [12.3], True, 10, "pack rebounded: 12.000 V to 12.300 V, at least 250 mV expected"),
        (SINK, [12.0] * 11 + [12.3], False, 10, "pack did NOT rebound: 12.000 V to 12.000 V, at least 250 mV expected"),
        (SOURCE, [13.75], True, 0, "pack fell back: 14.000 V to 13.750 V, at least 250 mV expected"),
        (SOURCE, [14.3], False, 10, "pack did NOT fall back: 14.000 V to 14.300 V, at least 250 mV expected"),
        (SINK, [12.0, NAN, 12.3], None, 1, ""),
        (FLAT, [14.02], True, 0, "pack 14.000 V before, 14.020 V after: not rising"),
        (FLAT, [14.03], False, 0, "pack 14.000 V before, 14.030 V after: RISING"),
        # 5 mV are told from noise, and what is under them is not
        (LEAST, [12.1], True, 0, "pack rebounded: 12.000 V to 12.100 V, at least 5 mV expected"),
        (Before("sink", 1.0, 12.0, 0.0099), [12.1], None, 0, ""),
        # terminals under 2 V are open or asleep
        (ASLEEP, [2.25], True, 0, "pack rebounded: 2.000 V to 2.250 V, at least 250 mV expected"),
        (Before("sink", 8.0, 1.99, 0.0625), [2.3], None, 0, ""),
        (Before("sink", 8.0, NAN, 0.0625), [12.3], None, 0, ""),
        (Before("rest", 8.0, 12.0, 0.0625), [12.3], None, 0, ""),
        (Before("unknown", 8.0, 12.0, 0.0625), [12.3], None, 0, ""),
    ],
)  # fmt: skip
def test_a_pack_steps_back(before: Before, volts: list[float], verdict: bool | None, waits: int, line: str) -> None:
    node = Node(*volts, subject="pack")
    witness = node.witness(before)
    assert witness.ask() is verdict
    assert witness.lines == ([f"{line} (other instrument (meter))"] if line else [])
    assert witness.who == ("other instrument (meter)" if line else "none")
    assert node.waited == pytest.approx([0.2] * waits)


@pytest.mark.parametrize(
    ("phase", "place", "who"),
    [
        ("sink", "load", "same instrument"),
        ("sink", "supply", "other instrument (supply)"),
        ("source", "supply", "same instrument"),
        ("source", "load", "other instrument (load)"),
        ("source", "", "other instrument ()"),
    ],
)
def test_whose_word_it_is(phase: str, place: str, who: str) -> None:
    witness = Node(13.0, subject="pack", place=place).witness(Before(phase, 8.0, 13.0, 0.0625))
    assert witness.ask() is False
    assert witness.who == who


DOUBTED = Before("sink", 8.0, 12.0, 0.0625, elsewhere={"supply": 11.0, "load": 11.5}, doubted=True)


@pytest.mark.parametrize(
    ("before", "now", "volts", "verdict", "line"),
    [
        (DOUBTED, {"supply": 11.0, "load": 11.75}, 12.0, True, "rebounded by load: 11.500 V to 11.750 V"),
        (DOUBTED, {"supply": 11.25, "load": 11.5}, 12.0, True, "rebounded by supply: 11.000 V to 11.250 V"),
        (DOUBTED, {"load": 11.74}, 12.0, False, "did NOT rebound: 12.000 V to 12.000 V"),
        (DOUBTED, {}, 12.0, False, "did NOT rebound: 12.000 V to 12.000 V"),
        # its own voltmeter has seen it: nobody else is asked
        (DOUBTED, {"load": 11.75}, 12.25, True, "rebounded: 12.000 V to 12.250 V"),
        (
            Before("sink", 8.0, 12.0, 0.0625, elsewhere={"load": 11.5}),
            {"load": 11.75},
            12.0,
            False,
            "did NOT rebound: 12.000 V to 12.000 V",
        ),
        (
            Before("source", 8.0, 14.0, 0.0625, elsewhere={"supply": 14.5}, doubted=True),
            {"supply": 14.25},
            14.0,
            True,
            "fell back by supply: 14.500 V to 14.250 V",
        ),
        (
            Before("source", 8.0, 14.0, 0.0625, elsewhere={"supply": 14.5}, doubted=True),
            {"supply": 14.75},
            14.0,
            False,
            "did NOT fall back: 14.000 V to 14.000 V",
        ),
    ],
)
def test_another_voltmeter_where_that_of_the_pack_is_doubted(
    before: Before, now: dict[str, float], volts: float, verdict: bool, line: str
) -> None:
    node = Node(volts, subject="pack")
    node.elsewhere = now
    witness = node.witness(before)
    assert witness.ask() is verdict
    assert witness.lines[0].startswith(f"pack {line}")
    if " by " in line:
        name = line.partition(" by ")[2].partition(":")[0]
        active = "load" if before.phase == "sink" else "supply"
        assert witness.who == ("same instrument" if name == active else f"other instrument ({name})")


def test_each_pass_has_its_own_words_and_a_dead_voltmeter_is_asked_once() -> None:
    node = Node(14.03, NAN, 14.0, subject="pack")
    witness = node.witness(FLAT)
    assert math.isnan(witness.volts)
    assert (witness.ask(), len(witness.lines), witness.volts) == (False, 1, 14.03)
    assert (witness.ask(), witness.lines, witness.volts) == (None, [], 14.03)
    assert (witness.ask(), node.asked) == (None, 2)
