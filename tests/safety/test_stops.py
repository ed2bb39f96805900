"""A person stops the run, or the procedure fails, at every sample: off by the world's own truth, record whole, said so.

Signals are real ones, raised in this process; the handler only sets a flag.
"""

from __future__ import annotations

import signal
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from night import ON_A_PACK, SHORT, spend
from stopped_nights import EVERY_SAMPLE, SHOWN, stopped

from harness.samplefile import samples
from harness.signals import SIGNALS, StopFlag, name_of


def test_samples_of_the_short_nights(tmp_path: Path) -> None:
    for procedure, shown in SHOWN.items():
        count: list[int] = []
        spend(tmp_path, SHORT[procedure], each=lambda number, _sample, count=count: count.append(number))
        assert count == list(range(1, shown + 1))


def signals_at(at: int, *numbers: int) -> Callable[[int, Any], None]:
    def each(count: int, _sample: Any) -> None:
        if count == at:
            for number in numbers:
                signal.raise_signal(number)

    return each


@pytest.mark.parametrize(("procedure", "at"), EVERY_SAMPLE)
def test_stopped_at_every_sample(procedure: str, at: int, tmp_path: Path) -> None:
    number = SIGNALS[at % len(SIGNALS)]
    night = spend(tmp_path, SHORT[procedure], each=signals_at(at, number))
    stopped(night, name_of(number))
    assert night.folder is not None
    shown = list(samples(night.folder))
    # Nothing is measured after the wish was heard, nothing shown before it is lost.
    assert at <= len(shown) <= at + 2


@pytest.mark.parametrize("procedure", ON_A_PACK)
def test_twice_and_by_two_people(procedure: str, tmp_path: Path) -> None:
    night = spend(tmp_path, SHORT[procedure], each=signals_at(8, signal.SIGINT, signal.SIGINT, signal.SIGTERM))
    stopped(night, "SIGINT")


@pytest.mark.parametrize("procedure", ON_A_PACK)
@pytest.mark.parametrize("at", range(0, 48, 4))
def test_again_and_again_while_switching_off(procedure: str, at: int, tmp_path: Path) -> None:
    """After the first wish another one comes at a message of the way off: nothing of it is cut short."""
    asked: list[int] = []

    def arrange(wires: Any) -> None:
        def before(number: int, _name: str, _message: bytes) -> None:
            if asked and at <= number - asked[0] < at + 4:
                signal.raise_signal(signal.SIGINT)

        wires.before = before
        held.append(wires)

    held: list[Any] = []

    def each(count: int, _sample: Any) -> None:
        if count == 6:
            asked.append(len(held[0].heard))
            signal.raise_signal(signal.SIGTERM)

    stopped(spend(tmp_path, SHORT[procedure], arrange=arrange, each=each), "SIGTERM")


@pytest.mark.parametrize("procedure", ON_A_PACK)
def test_between_question_and_answer(procedure: str, tmp_path: Path) -> None:
    """A signal in the middle of an exchange: the answer is still read, and off is told once."""
    for at in range(172, 190, 3):

        def arrange(wires: Any, at: int = at) -> None:
            wires.before = lambda number, name, text: signal.raise_signal(signal.SIGINT) if number == at else None

        night = spend(tmp_path, SHORT[procedure], arrange=arrange)
        stopped(night, "SIGINT")
        active = [t for t, who in night.off_at() if who == SHORT[procedure].active]
        assert len(active) == 1


def test_what_stops_and_what_is_let_pass() -> None:
    """Caught while a run is on, each as it was before after it: the rest of a program is not ours."""
    frozen = [signal.SIGTTIN, signal.SIGTTOU]
    before = {number: signal.getsignal(number) for number in (*SIGNALS, *frozen)}
    with StopFlag() as flag:
        for number in frozen:
            signal.raise_signal(number)
        assert not flag.asked()
        signal.raise_signal(signal.SIGTSTP)
        signal.raise_signal(signal.SIGQUIT)
        assert (flag.name, flag.count) == ("SIGTSTP", 2)
    assert {number: signal.getsignal(number) for number in before} == before


def test_before_anything_was_switched_on(tmp_path: Path) -> None:
    def arrange(wires: Any) -> None:
        wires.before = lambda number, name, text: signal.raise_signal(signal.SIGINT) if number == 5 else None

    night = spend(tmp_path, SHORT["capacity"], arrange=arrange)
    assert night.exit_code == 20
    assert night.on_at() == []
    assert night.folder is None


def test_between_intent_and_switching_on(tmp_path: Path) -> None:
    """The wish comes with the very message that switches on: the first look after it switches off."""

    def arrange(wires: Any) -> None:
        wires.before = lambda number, name, text: signal.raise_signal(signal.SIGINT) if text == b"INP ON" else None

    night = spend(tmp_path, SHORT["capacity"], arrange=arrange)
    stopped(night, "SIGINT")
    (on_s, _), *_ = night.on_at()
    off_s = next(t for t, who in night.off_at() if who == "load" and t >= on_s)
    assert off_s - on_s <= 0.3
