"""The witness of an off alone: the node of a UPS, which is dead, falls, or is held up by something."""

from __future__ import annotations

from typing import Any

import pytest
from bench_fakes import NAN, Node

from harness.safeoff import Before

# -- the node of a UPS -------------------------------------------------------------------------------------------------

STAND_IN, TRACE = Before("stand-in", 5.0, 24.0), Before("trace", 2.0, 27.0)
HELD = "node 24.000 V to 24.000 V in 10 s: HELD UP by something"


@pytest.mark.parametrize(
    ("volts", "verdict", "waits", "line"),
    [
        ([0.99], True, 0, "node at 0.990 V: dead"),
        ([-0.99], True, 0, "node at -0.990 V: dead"),
        ([1.0, 0.5], True, 1, "node at 0.500 V: dead"),
        ([24.0, 12.0, 0.3], True, 2, "node at 0.300 V: dead"),
        ([24.0], False, 10, HELD),
        ([-24.0], False, 10, "node -24.000 V to -24.000 V in 10 s: HELD UP by something"),
        ([-24.0] * 10 + [-12.0], True, 10, "node -24.000 V to -12.000 V in 10 s: falling, nothing drives it"),
        ([200.0] * 10 + [199.0], True, 10, "node 200.000 V to 199.000 V in 10 s: falling, nothing drives it"),
        ([200.0] * 10 + [199.1], False, 10, "node 200.000 V to 199.100 V in 10 s: HELD UP by something"),
        ([24.0] * 11 + [12.0], False, 10, HELD),
        ([1.0], False, 10, "node 1.000 V to 1.000 V in 10 s: HELD UP by something"),
    ],
)
@pytest.mark.parametrize("before", [STAND_IN, TRACE, Before()])
def test_a_node_is_dead_or_falls(before: Before, volts: list[float], verdict: bool, waits: int, line: str) -> None:
    node = Node(*volts)
    witness = node.witness(before)
    assert witness.ask() is verdict
    assert witness.lines == [f"{line} (other instrument (meter))"]
    assert node.waited == [1.0] * waits
    assert node.switched == {"mains": False}


@pytest.mark.parametrize(
    ("before", "subject", "of_node"),
    [
        (Before("trace", 2.0, 27.0), "pack", True),
        (Before("unknown", 8.0, 12.0, 0.0625), "ups", True),
        (Before("unknown", 8.0, 12.0, 0.0625), "pack", False),
        (Before("rest", 8.0, 12.0, 0.0625), "ups", False),
        (Before("sink", 8.0, 12.0, 0.0625), "ups", False),
    ],
)
def test_of_what_the_volts_are(before: Before, subject: str, of_node: bool) -> None:
    witness = Node(0.5, subject=subject).witness(before)
    witness.ask()
    assert any(line.startswith("node") for line in witness.lines) is of_node


@pytest.mark.parametrize(("other_v", "verdict"), [(1.99, True), (NAN, True), (2.0, False), (24.0, False)])
def test_a_lead_that_has_come_off_reads_nothing_as_well(other_v: float, verdict: bool) -> None:
    node = Node(0.1)
    node.highest = [("supply", other_v)]
    witness = node.witness(STAND_IN)
    assert witness.ask() is verdict
    if not verdict:
        words = f"node at 0.100 V, but supply reads {other_v:.3f} V: HELD UP by something"
        assert witness.lines == [f"{words} (other instrument (meter))"]


@pytest.mark.parametrize(("other_v", "told"), [(0.002, True), (0.99, True), (1.0, False), (24.0, False), (NAN, False)])
def test_a_voltmeter_that_stands_still_is_named_and_still_counts(other_v: float, told: bool) -> None:
    """Ours: a meter froze at 24 V, everything was off, and the alarm said nothing but that something held the node."""
    node = Node(24.0)
    node.highest = [("supply", other_v)]
    witness = node.witness(STAND_IN)
    assert witness.ask() is False, "another voltmeter outweighs nothing"
    more = f"; no other voltmeter sees more than the {other_v:.3f} V of supply: look whether this one stands still"
    assert witness.lines == [f"{HELD}{more if told else ''} (other instrument (meter))"]


def test_a_node_that_others_stand_in_for_is_not_said_to_stand_still() -> None:
    node = Node(NAN)
    node.highest = [("load", 24.0)] * 11 + [("load", 0.0)]
    witness = node.witness(STAND_IN)
    assert witness.ask() is False
    assert witness.lines == [f"{HELD} (other instrument (load))"]


@pytest.mark.parametrize(
    ("volts", "highest", "verdict", "who", "waits"),
    [
        # the others' word alone never makes it off, and makes it on
        ([NAN], [("load", 0.2)], None, "other instrument (load)", 0),
        ([NAN], [("load", 24.0)], False, "other instrument (load)", 10),
        ([NAN], [("supply", 24.0)], False, "same instrument", 10),
        ([NAN], [("", NAN)], None, "none", 0),
        # two voltmeters say nothing of a fall: from the second one's first reading on
        ([24.0, NAN], [("load", 23.0)], False, "other instrument (load)", 10),
        ([24.0, NAN], [("load", 23.0)] * 9 + [("load", 12.0)], None, "other instrument (load)", 10),
        ([24.0, 24.0, NAN], [("", NAN)], None, "none", 2),
    ],
)
def test_a_voltmeter_of_the_node_that_dies(
    volts: list[float], highest: list[tuple[str, float]], verdict: bool | None, who: str, waits: int
) -> None:
    node = Node(*volts)
    node.highest = list(highest)
    witness = node.witness(STAND_IN)
    assert witness.ask() is verdict
    assert (witness.who, len(node.waited)) == (who, waits)


def test_what_a_person_switches_is_asked_for_again() -> None:
    """Where no switch of the bench gives the UPS its mains, a node that is held up says nothing against what was told
    off; it is told, and it is not known any more whether there is mains."""
    node = Node(24.0, mains=None)
    witness = node.witness(STAND_IN)
    assert witness.ask() is None
    words = "the UPS's charger is live on an open node until its mains is switched off by hand"
    assert witness.lines == [f"node 24.000 V to 24.000 V in 10 s: {words}"]
    assert (witness.who, node.switched) == ("none", {"mains": None})
    dead = Node(0.1, mains=None)
    assert dead.witness(STAND_IN).ask() is True
    assert dead.switched == {"mains": False}


@pytest.mark.parametrize("mains", ["a switch", None])
def test_a_dead_node_of_a_ups_whose_output_lives(mains: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("harness.mains_away.MainsAway.still_there", lambda self: True)
    node = Node(0.1, mains=mains)
    node.highest = [("supply", 0.1)]
    witness = node.witness(STAND_IN)
    assert witness.ask() is (None if mains is None else False)
    assert "node at 0.100 V: dead, but the UPS's output is alive" in witness.lines[0]
    assert "stands still" not in witness.lines[0]
    held = Node(24.0).witness(STAND_IN)
    assert held.ask() is False
    assert "output" not in held.lines[0]
