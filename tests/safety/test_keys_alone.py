"""Keys that no person presses: a book on the keyboard, a heap of lines pasted, half a line; and a terminal that hands
over each key. Time is the test's own.
"""

from __future__ import annotations

import fcntl
import os
import pty
import select
import struct
import sys
import termios
from collections.abc import Iterator

import pytest

from harness.asking import entered, typed_line
from harness.keyboard import MOST_LINES, REPEAT_S, Keyboard


class At:
    """A keyboard on a real pseudo-terminal, its clock, and what it said."""

    def __init__(self, terminal: int) -> None:
        self.terminal, self.now, self.said = terminal, 100.0, list[str]()
        self.keyboard = Keyboard(
            say=self.said.append, ring=self.said.append, new_line=lambda: None, wall=lambda: self.now
        )

    def types(self, keys: bytes) -> None:
        os.write(self.terminal, keys)
        wanted = len(keys.replace(b"\x04", b""))
        while keys[-1:] in b"\r\n\x04" and there() < wanted:  # the system hands them over by and by
            pass

    def heard(self, after_s: float = 0.0) -> bool:
        self.now += after_s
        return self.keyboard.heard()


@pytest.fixture
def at(monkeypatch: pytest.MonkeyPatch) -> Iterator[At]:
    terminal, shell = pty.openpty()
    with open(shell, encoding="utf-8") as keys:
        monkeypatch.setattr(sys, "stdin", keys)
        monkeypatch.setattr("harness.asking.interactive", lambda: True)
        yield At(terminal)
    os.close(terminal)


def test_a_book_on_the_keyboard_shows_nobody(at: At) -> None:
    """Ours: whatever repeated Enter kept a run going that somebody had to stay with."""
    seen = []
    for _ in range(700):
        at.types(b"\n\n\n")
        seen.append(at.heard(1.0))
    assert seen == [True] + 699 * [False], "the moment at which it was put there"
    assert len([words for words in at.said if "shows nobody" in words]) == 1
    assert not at.heard(REPEAT_S), "it was taken away"
    at.types(b"\n")
    assert at.heard()


def test_a_heap_of_lines_is_one_key(at: At) -> None:
    """Ours: lines pasted at once were taken one at a look, and each showed somebody for ten minutes more."""
    at.types(b"\n" * MOST_LINES)
    assert [at.heard(1.0) for _ in range(100)] == [True] + 99 * [False]
    at.types(b"one\n\ntwo\n")
    assert at.heard()
    assert at.keyboard.marks() == ("one", "two")
    assert not at.heard(60.0)


def test_a_book_does_not_say_that_the_mains_are_off(at: At) -> None:
    at.keyboard.ordered("Switch the mains OFF")
    for _ in range(60):
        at.types(b"\n\n")
        at.now += 0.5
        assert not at.keyboard.has_done()
    at.now += REPEAT_S
    at.types(b"\n")
    assert at.keyboard.has_done()


def test_half_a_line_holds_up_nobody(at: At) -> None:
    """Ours: Ctrl-D in the middle of a line, with the load on: the loop waited for the end of the line, and a stop with
    it, until the guard killed the run."""
    at.types(b"door op\x04")
    assert not at.heard()
    at.types(b"ened\n")
    assert at.heard()
    assert at.keyboard.marks() == ("door opened",)
    at.types(b"LD-7\x04")
    assert entered() is None
    at.types(b"\x04")
    assert select.select([sys.stdin], [], [], 5.0)[0]
    assert entered() == "LD-7", "the end of the input ends it too"


@pytest.mark.parametrize("ahead", [b"8\n", b"8\n\n4\n", b"8", b"8\x04", b"\n"])
def test_what_was_typed_ahead_answers_nothing(at: At, ahead: bytes) -> None:
    """Ours: lines typed while a bench was looked at answered the question that came next."""
    for question, answer in (("Cells: ", "16"), ("Ah: ", "100")):
        at.types(ahead)
        if ahead == b"8\x04":
            assert not at.heard()  # taken from the system, and not a line yet
        answers = iter([answer.encode() + b"\n"])

        def typing(answers: Iterator[bytes] = answers) -> bool:
            at.types(next(answers, b""))
            return False

        assert typed_line(question, stop=typing) == answer


def test_a_stop_comes_through_half_a_line(at: At) -> None:
    looks = iter([b"8\x04", b""])

    def stopped() -> bool:
        at.types(keys := next(looks))
        return not keys

    assert typed_line("? ", stop=stopped) is None


def test_a_terminal_without_line_editing(at: At) -> None:
    mode = termios.tcgetattr(sys.stdin)
    mode[0] &= ~termios.ICRNL
    mode[3] &= ~(termios.ICANON | termios.ECHO)
    termios.tcsetattr(sys.stdin, termios.TCSANOW, mode)
    for key in (b"h", b"o", b"t"):
        at.types(key)
        assert not at.heard()
    at.types(b"\r")
    assert at.heard()
    assert at.keyboard.marks() == ("hot",)


def test_a_program_in_the_background_is_nobodys_keyboard(at: At, monkeypatch: pytest.MonkeyPatch) -> None:
    """Reading there fails (POSIX.1-2017, 11.1.4): nobody is there, and that is all."""

    def fails(*_: object) -> bytes:
        raise OSError(5, "Input/output error")

    at.types(b"ls\n")
    monkeypatch.setattr("harness.asking.os.read", fails)
    assert not at.heard()

    def typing() -> bool:
        at.types(b"ls\n")
        return False

    assert typed_line("? ", stop=typing) is None


def there() -> int:
    """Bytes that can be read."""
    return int(struct.unpack("i", fcntl.ioctl(sys.stdin, termios.FIONREAD, b"1234"))[0])
