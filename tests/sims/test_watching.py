"""Debouncing: what something slow sees of a fact, however often it looks."""

from __future__ import annotations

import math
from dataclasses import dataclass

from hypothesis import given
from hypothesis import strategies as st

from sims.contact import Contact
from sims.watching import Watched


@dataclass
class Happened:
    t_s: float
    what: str


def test_short_ones_are_missed_and_long_ones_carry_their_beginning() -> None:
    seen: list[tuple[float, bool]] = []
    events = [Happened(0.5, "on"), Happened(0.9, "something else")]
    watched = Watched(events, "on", "off", 0.3, False, lambda t_s, so: seen.append((t_s, so)))
    assert watched.follow(1.0) is False, "what was so before somebody looked is told by whoever begins to look"
    events += [Happened(2.0, "on"), Happened(2.2, "off"), Happened(3.0, "on"), Happened(3.4, "off")]
    assert watched.follow(3.5) is True
    assert seen == [(3.0, True)]
    assert watched.follow(3.7) is False
    assert seen == [(3.0, True), (3.4, False)]


def plainly(changes: list[float], t_s: float, steady_s: float) -> bool:
    """The fact at ``t_s``, changes counted only when they lasted; it begins as not so."""
    so = raw = False
    for begun_s, ended_s in zip(changes, [*changes[1:], math.inf], strict=False):
        if begun_s > t_s:
            break
        raw = not raw
        if min(ended_s, t_s) - begun_s >= steady_s:
            so = raw
    return so


@given(
    gaps=st.lists(st.integers(1, 40), max_size=12),
    looks=st.lists(st.integers(0, 400), min_size=1, max_size=8),
    steady=st.integers(0, 30),
)
def test_the_answer_does_not_depend_on_how_often_one_looks(gaps: list[int], looks: list[int], steady: int) -> None:
    changes = [float(sum(gaps[: n + 1])) for n in range(len(gaps))]
    events: list[Happened] = []
    watched = Watched(events, "on", "off", float(steady), False)
    for look in sorted(looks):
        for n in range(len(events), sum(t_s <= look for t_s in changes)):
            events.append(Happened(changes[n], "off" if n % 2 else "on"))
        assert watched.follow(float(look)) is plainly(changes, float(look), float(steady))


def test_a_contact_answers_what_has_lasted() -> None:
    events: list[Happened] = []
    now = 0.0
    contact = Contact(
        Watched(events, "on", "off", 0.02, False), now=lambda: now, identity="OURS,C,1,0", before=lambda: None
    )
    line = contact.engine.connect()

    def ask() -> bytes:
        return line.feed(b"SENS:CONT:CLOS?\n")

    assert ask() == b"0\n"
    events += [Happened(1.0, "on"), Happened(1.008, "off"), Happened(1.012, "on")]
    now = 1.02
    assert ask() == b"0\n"
    now = 1.04
    assert ask() == b"1\n"
    assert line.feed(b"SENSE:CONTACT:CLOSED?;:SYST:ERR?\n") == b'1;0,"No error"\n'
