"""The stop flag: signals set it, nothing that happens in a handler gets out of it, and what was there before is put
back."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from typing import Any

import pytest

from harness.signals import SIGNALS, StopFlag


@pytest.fixture(autouse=True)
def _as_before() -> Iterator[None]:
    before = [signal.getsignal(number) for number in SIGNALS]
    yield
    assert [signal.getsignal(number) for number in SIGNALS] == before


@pytest.mark.parametrize("number", SIGNALS)
def test_a_signal_sets_it(number: signal.Signals) -> None:
    with StopFlag() as flag:
        assert not flag.asked()
        signal.raise_signal(number)
        assert flag.asked()
        assert (flag.name, flag.count) == (number.name, 1)


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
