"""The simulated switch: order, contacts that follow, read-back of either, welded contacts."""

from __future__ import annotations

import random

import pytest

from sims.agenda import Agenda
from sims.switch import Switch, SwitchFacts


class Wired:
    """A switch with its own time, and the moves of its contacts with the time of each."""

    def __init__(self, answers: str = "command", seed: int = 0) -> None:
        self.t = 0.0
        self.moves: list[tuple[float, bool]] = []
        self.agenda = Agenda()
        self.switch = Switch(
            SwitchFacts(answers=answers),
            put=lambda closed: self.moves.append((self.t, closed)),
            agenda=self.agenda,
            now=lambda: self.t,
            identity="NIGHTBENCH,SIM-MAINS,test-5,1.0",
            draw=random.Random(seed),
            before=lambda: None,
        )
        self._talker = self.switch.engine.connect()

    def pass_to(self, t_s: float) -> None:
        while self.agenda.due_s <= t_s:
            self.t = self.agenda.due_s
            self.agenda.do_next()
        self.t = t_s

    def ask(self, message: str) -> str:
        return self._talker.feed(message.encode() + b"\n").decode().strip()


@pytest.mark.parametrize("seed", range(20))
def test_contacts_follow_five_to_twenty_milliseconds_later(seed: int) -> None:
    wired = Wired(seed=seed)
    wired.ask("OUTP ON")
    wired.pass_to(1.0)
    wired.ask("OUTP OFF")
    wired.pass_to(2.0)
    (closed_s, closed), (opened_s, opened) = wired.moves
    assert closed is True
    assert opened is False
    assert 0.005 <= closed_s <= 0.020
    assert 0.005 <= opened_s - 1.0 <= 0.020
    assert closed_s != opened_s - 1.0, "each move takes its own time"


@pytest.mark.parametrize(("answers", "at_once"), [("command", "1"), ("contacts", "0")])
def test_what_it_answers_before_the_contacts_arrive(answers: str, at_once: str) -> None:
    wired = Wired(answers)
    assert wired.ask("OUTP?") == "0"
    wired.ask("OUTP ON")
    assert wired.ask("OUTP?") == at_once
    wired.pass_to(0.020)
    assert wired.ask("OUTP?") == "1"


@pytest.mark.parametrize(("answers", "said"), [("command", "0"), ("contacts", "1")])
def test_welded_contacts_are_told_by_contacts_only(answers: str, said: str) -> None:
    wired = Wired(answers)
    wired.ask("OUTP 1")
    wired.pass_to(1.0)
    wired.switch.welded = True
    wired.ask("OUTP 0")
    wired.pass_to(2.0)
    assert wired.switch.closed
    assert len(wired.moves) == 1
    assert wired.ask("OUTP?") == said


def test_an_order_taken_back_in_time_moves_nothing() -> None:
    wired = Wired()
    wired.ask("OUTP ON")
    wired.pass_to(0.004)
    wired.ask("OUTP OFF")
    wired.pass_to(1.0)
    assert wired.moves == []
    wired.ask("OUTP ON;OUTP OFF;OUTP ON")
    wired.pass_to(2.0)
    assert [closed for _, closed in wired.moves] == [True]


def test_reset_opens() -> None:
    wired = Wired()
    wired.ask("OUTP:STAT ON")
    wired.pass_to(1.0)
    wired.ask("*RST")
    assert wired.ask("OUTPUT1:STATE?") == "0"
    wired.pass_to(2.0)
    assert [closed for _, closed in wired.moves] == [True, False]
    assert wired.ask("SYST:ERR?") == '0,"No error"'


def test_the_agenda_keeps_order() -> None:
    agenda, done = Agenda(), []
    for t_s, word in ((2.0, "c"), (1.0, "a"), (1.0, "b")):
        agenda.put(t_s, lambda word=word: done.append(word))
    while agenda.due_s < 9.0:
        agenda.do_next()
    assert done == ["a", "b", "c"]
