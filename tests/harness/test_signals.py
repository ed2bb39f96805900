"""The stop flag: signals set it, nothing that happens in a handler gets out of it, and what was there before is put
back."""

from __future__ import annotations

import signal
import subprocess
import sys
from collections.abc import Iterator
from typing import Any

import pytest

from harness.signals import IGNORED, SIGNALS, StopFlag, name_of


@pytest.fixture(autouse=True)
def _as_before() -> Iterator[None]:
    before = [signal.getsignal(number) for number in SIGNALS]
    yield
    assert [signal.getsignal(number) for number in SIGNALS] == before


@pytest.mark.parametrize("number", SIGNALS)
def test_a_signal_sets_it(number: int) -> None:
    with StopFlag() as flag:
        assert not flag.asked()
        signal.raise_signal(number)
        assert flag.asked()
        assert (flag.name, flag.count) == (name_of(number), 1)


def test_the_first_is_named_and_all_are_counted() -> None:
    said: list[str] = []
    with StopFlag(on_signal=said.append) as flag:
        for number in (signal.SIGTERM, signal.SIGINT, signal.SIGINT):
            signal.raise_signal(number)
        assert (flag.name, flag.count) == ("SIGTERM", 3)
    assert said == ["SIGTERM"] * 3


@pytest.mark.parametrize("error", [OSError("gone"), ValueError(), RuntimeError("reentrant call")])
def test_what_fails_while_it_is_told_stays_inside(error: Exception) -> None:
    def fails(_name: str) -> None:
        raise error

    with StopFlag(on_signal=fails) as flag:
        signal.raise_signal(signal.SIGINT)
        assert flag.asked()


def test_asked_without_a_signal() -> None:
    flag = StopFlag()
    flag.ask("the other end")
    flag.ask("somebody else")
    assert flag.asked()
    assert (flag.name, flag.count) == ("the other end", 2)


def test_what_was_there_before_is_put_back() -> None:
    seen: list[int] = []

    def mine(number: int, _frame: Any) -> None:
        seen.append(number)

    before = signal.signal(signal.SIGTERM, mine)
    try:
        with StopFlag() as flag:
            signal.raise_signal(signal.SIGTERM)
            assert flag.asked()
        assert seen == []
        signal.raise_signal(signal.SIGTERM)
        assert seen == [signal.SIGTERM]
    finally:
        signal.signal(signal.SIGTERM, before)


def test_put_back_after_an_error_too() -> None:
    with pytest.raises(RuntimeError), StopFlag():
        raise RuntimeError


def test_one_within_the_other() -> None:
    with StopFlag() as outer:
        with StopFlag() as inner:
            signal.raise_signal(signal.SIGHUP)
        assert (outer.count, inner.count) == (0, 1)
        signal.raise_signal(signal.SIGHUP)
        assert (outer.count, inner.count) == (1, 1)


@pytest.fixture
def everything_put_back() -> Iterator[None]:
    numbers = (*SIGNALS, *IGNORED)
    before = [signal.getsignal(number) for number in numbers]
    yield
    for number, handler in zip(numbers, before, strict=True):
        signal.signal(number, handler)


@pytest.mark.usefixtures("everything_put_back")
@pytest.mark.parametrize(("signalled", "ignored"), [(True, True), (False, False)])
def test_a_program_that_ends_after_a_signal_hears_no_more(
    signalled: bool, ignored: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Else a key that is pressed again would end it before its exit code is out."""
    monkeypatch.setattr(StopFlag, "process_ends", True)
    before = {number: signal.getsignal(number) for number in (*SIGNALS, *IGNORED)}
    with StopFlag() as flag:
        if signalled:
            signal.raise_signal(signal.SIGTERM)
        else:
            flag.ask("the other end")
    now = {number: signal.getsignal(number) for number in (*SIGNALS, *IGNORED)}
    assert now == (dict.fromkeys(now, signal.SIG_IGN) if ignored else before)


def test_a_program_that_goes_on_hears_the_next_signal() -> None:
    assert StopFlag.process_ends is False
    before = signal.getsignal(signal.SIGTERM)
    with StopFlag():
        signal.raise_signal(signal.SIGTERM)
    assert signal.getsignal(signal.SIGTERM) is before


@pytest.mark.parametrize("number", IGNORED)
def test_reading_or_writing_from_the_background_freezes_nothing(number: signal.Signals) -> None:
    before = signal.getsignal(number)
    with StopFlag() as flag:
        assert signal.getsignal(number) is signal.SIG_IGN
        signal.raise_signal(number)
        assert not flag.asked()
    assert signal.getsignal(number) is before


@pytest.mark.usefixtures("everything_put_back")
def test_a_handler_that_was_not_set_from_here_becomes_the_systems_own(monkeypatch: pytest.MonkeyPatch) -> None:
    flag = StopFlag()
    with flag:
        flag._before[signal.SIGUSR2] = None
    assert signal.getsignal(signal.SIGUSR2) is signal.SIG_DFL


ENDS = "import os, signal; signal.signal({0}, signal.SIG_DFL); os.kill(os.getpid(), {0})"
FAULTS = {signal.SIGILL, signal.SIGTRAP, signal.SIGABRT, signal.SIGBUS, signal.SIGFPE, signal.SIGSEGV, signal.SIGSYS}
"""A fault of the program itself: what comes back from a handler only meets it again."""

NOT_CAUGHT = {signal.SIGKILL, signal.SIGSTOP, signal.SIGPIPE, signal.SIGXFSZ}
"""The first two by nobody; the last two Python ignores."""


def test_what_asks_for_the_end() -> None:
    """Ours: a power-fail signal sent to all killed a run. All that would end or freeze one by default means stop; what
    is left alone does nothing."""
    assert {name_of(one) for one in IGNORED} == {"SIGTTIN", "SIGTTOU"}
    assert {signal.SIGINT, signal.SIGHUP, signal.SIGTSTP, signal.SIGPROF} < set(SIGNALS)
    assert not (FAULTS | NOT_CAUGHT) & set(SIGNALS)
    for number in signal.valid_signals() - set(SIGNALS) - set(IGNORED) - FAULTS - NOT_CAUGHT:
        left = subprocess.run([sys.executable, "-S", "-c", ENDS.format(int(number))], check=False, timeout=20.0)
        assert left.returncode == 0, number


def test_one_without_a_name_has_a_number() -> None:
    assert name_of(signal.SIGRTMIN + 1) == f"signal {signal.SIGRTMIN + 1}"
