"""How long the guard listens and to whom, and what becomes of what it hears; with sockets and a clock by hand."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from test_guard_parts import a_guard
from test_guard_pulse import SEAL

from harness import guard as guard_itself
from harness.guard import Ear, _listen
from harness.guard_acting import Guard
from harness.guard_pulse import OFF_STATE, Broken

# -- the ear -----------------------------------------------------------------------------------------------------------


class Selects:
    """What was watched and how long; ``ready`` comes in turn, then nothing. Each takes ``takes_s`` of the clock."""

    def __init__(self, *ready: list[Any], takes_s: float = 0.0) -> None:
        self.ready, self.takes_s, self.now = list(ready), takes_s, 1000.0
        self.asked: list[tuple[list[Any], float]] = []

    def select(self, read: list[Any], write: Any, broken: Any, wait_s: float) -> tuple[list[Any], list[Any], list[Any]]:
        self.asked.append((list(read), wait_s))
        assert len(self.asked) < 9, "it listens for ever"
        self.now += self.takes_s
        return (self.ready.pop(0) if self.ready else []), [], []

    def monotonic(self) -> float:
        return self.now


class Link:
    """Gives what is there, and then the end of the line, or an error in its place."""

    def __init__(self, *came: bytes | Exception) -> None:
        self.came = list(came)

    def recv(self, size: int) -> bytes:
        one = self.came.pop(0) if self.came else b""
        if isinstance(one, Exception):
            raise one
        return one


def an_ear(monkeypatch: pytest.MonkeyPatch, selects: Selects, link: Any, woken: Any = "woken") -> Ear:
    monkeypatch.setattr(guard_itself, "select", selects)
    monkeypatch.setattr(guard_itself, "time", selects)
    return Ear(link, woken)


def test_no_process_is_watched_until_it_is_known() -> None:
    assert Ear(Link(), Link()).watched < 0  # type: ignore[arg-type]


@pytest.mark.parametrize(("watched", "also"), [(-1, []), (0, [0]), (7, [7])])
def test_who_is_watched_and_how_long(watched: int, also: list[int], monkeypatch: pytest.MonkeyPatch) -> None:
    selects, link = Selects(), Link()
    ear = an_ear(monkeypatch, selects, link)
    ear.watched = watched
    assert ear.next(5.0) == ""
    assert selects.asked == [([link, "woken", *also], 5.0)]


def test_what_comes_in_pieces_has_one_time_for_all(monkeypatch: pytest.MonkeyPatch) -> None:
    link = Link(b"be", b"at\nbye", b"!\n")
    selects = Selects([link], [link], [link], takes_s=2.0)
    ear = an_ear(monkeypatch, selects, link)
    assert (ear.next(3.0), ear.next(3.0)) == ("beat", "bye!")
    assert [wait_s for _, wait_s in selects.asked] == [3.0, 1.0, 3.0]


def test_a_time_that_is_over_is_no_wait(monkeypatch: pytest.MonkeyPatch) -> None:
    link = Link(b"half a line")
    selects = Selects([link], takes_s=4.0)
    assert an_ear(monkeypatch, selects, link).next(3.0) == ""
    assert [wait_s for _, wait_s in selects.asked] == [3.0, 0.0]


def test_the_line_is_heard_before_anything_else_is(monkeypatch: pytest.MonkeyPatch) -> None:
    link = Link(b"bye\n")
    ear = an_ear(monkeypatch, Selects([link, "woken", 7], [7], ["woken", 7]), link)
    ear.watched = 7
    assert ear.next(1.0) == "bye", "what it has said counts, whoever died since"
    assert ear.next(1.0) is None, "its process is gone"
    with pytest.raises(Broken, match="asked to end"):
        ear.next(1.0)


@pytest.mark.parametrize("came", [b"", ConnectionResetError("gone")])
def test_a_line_that_has_ended(came: bytes | Exception, monkeypatch: pytest.MonkeyPatch) -> None:
    link = Link(came)
    assert an_ear(monkeypatch, Selects([link]), link).next(1.0) is None
    assert Ear(Link(came), Link())._received() == b""  # type: ignore[arg-type]


@pytest.mark.parametrize(("held", "ended"), [(1_000_000, False), (1_000_001, True)])
def test_a_line_without_an_end(held: int, ended: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    link = Link(b"\n")
    ear = an_ear(monkeypatch, Selects([link]), link)
    ear._held = b"x" * held
    assert (ear.next(1.0) is None) is ended


# -- what it listens for -----------------------------------------------------------------------------------------------


class Lines:
    """An ear that hears these in turn; ``waits`` is how long it was to listen."""

    def __init__(self, *lines: str | None) -> None:
        self.lines, self.waits, self.watched = list(lines), [0.0][:0], -1

    def next(self, wait_s: float) -> str | None:
        self.waits.append(wait_s)
        return self.lines.pop(0)


class Says:
    """The line to the run: what is said on it; ``error`` is raised from the second word on."""

    def __init__(self, error: OSError | None = None) -> None:
        self.said, self.error = [b""][:0], error

    def sendall(self, data: bytes) -> None:
        self.said.append(data)
        if self.error and len(self.said) > 1:
            raise self.error


def a_beat(count: int, state: str = "sink", at_s: float = 1000.0) -> str:
    return f"beat {count} {round(at_s * 1e9)} {state} 1 0 {SEAL}"


@pytest.fixture
def guard(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Guard:
    """Its clock stands at 1000 s, half a second after it heard its run."""
    monkeypatch.setattr(guard_itself, "time", SimpleNamespace(monotonic=lambda: 1000.0))
    one = a_guard(tmp_path)
    one.pulse.heard_s, one.pulse.ends_s = 999.5, 2000.0
    return one


def test_it_looks_beside_the_run_after_each_beat_and_in_each_silence(
    guard: Guard, monkeypatch: pytest.MonkeyPatch
) -> None:
    helped: list[int] = []
    monkeypatch.setattr(guard, "beside", lambda: helped.append(1))
    ear, link = Lines("", "", a_beat(1), None), Says()
    assert _listen(link, ear, guard) == "the run is gone"  # type: ignore[arg-type]
    assert len(helped) == 3
    assert link.said == [b"armed\n", b"seq 1 ok\n"]
    assert ear.waits == [59.5, 59.5, 59.5, 5.0], "so long a run may rest, and with something on"


def test_it_waits_no_longer_than_the_run_may_be_left_alone(guard: Guard, slept: list[float]) -> None:
    ear = Lines(None)
    guard.pulse.state, guard.pulse.off_since_s = guard_itself.SWITCHING, 999.0
    assert _listen(Says(), ear, guard) == "the run is gone"  # type: ignore[arg-type]
    assert ear.waits == [2.0], "three seconds after its first order it is helped; silence would be one after 4.5 s"


@pytest.mark.parametrize("last", ["bye", "unsafe"])
def test_the_last_word_of_a_run_is_the_last(last: str, guard: Guard) -> None:
    ear, link = Lines(a_beat(1, OFF_STATE), last), Says()
    why = _listen(link, ear, guard)  # type: ignore[arg-type]
    assert why == {"bye": "", "unsafe": "the run could not confirm off"}[last]
    assert link.said == [b"armed\n", b"seq 1 ok\n", last.encode() + b"\n"]
    assert ear.lines == []


@pytest.mark.parametrize("error", [BrokenPipeError(), ConnectionResetError()])
def test_what_a_run_said_before_it_hung_up_is_still_read(error: OSError, guard: Guard) -> None:
    ear, link = Lines(a_beat(1), a_beat(2, OFF_STATE), "bye"), Says(error)
    assert _listen(link, ear, guard) == ""  # type: ignore[arg-type]
    assert guard.pulse.over


def test_a_line_that_breaks_is_a_reason(guard: Guard) -> None:
    ear, link = Lines(a_beat(1)), Says(OSError("no buffer"))
    assert _listen(link, ear, guard) == "the line to the run broke: no buffer"  # type: ignore[arg-type]
