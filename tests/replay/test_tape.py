"""Whatever a run was told while it was on, it is told again when its tape is played: value by value, in order."""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.clock import VirtualClock
from harness.folder import RunFolder
from harness.jsonlines import RecordedExchange, RecordedTold
from harness.outside import Outside
from harness.recorder import Recorder
from harness.replay_clock import ReplayClock
from harness.replay_tape import Over, ReplayTape
from harness.tape import CLOCK, COMPUTER, PERSON, Tape, Told

NOON = datetime(2025, 3, 1, 12, tzinfo=UTC)


class Live:
    """A run that is on: its tape, the lines that it wrote, and a clock that is moved by hand."""

    def __init__(self, *, exact: bool) -> None:
        self.lines: list[RecordedExchange | RecordedTold] = []
        self.now_s = 0.0
        self.tape = Tape(hear=self._hear, exact=exact)

    def _hear(self, told: Told) -> None:
        at_s = self.now_s if told.at_s is None else told.at_s
        kept = msgspec.json.decode(msgspec.json.encode(dict(told.told)))
        self.lines.append(RecordedTold(at_s, told.name, told.what, kept))

    def exchange(self, sent: bytes) -> bytes:
        self.tape.exchanged()
        self.lines.append(RecordedExchange(self.now_s, "load", sent, b"1", None))
        return b"1"


def played(live: Live, *, exact: bool) -> tuple[ReplayTape, ReplayClock]:
    clock = ReplayClock(kind="virtual" if exact else "wall", speed=1.0, zero_s=0.0, utc0=NOON)
    return ReplayTape(live.lines, clock), clock


numbers = st.floats(allow_nan=True, allow_infinity=True)
steps = st.lists(
    st.one_of(
        st.tuples(st.just("wait"), st.floats(0.0, 100.0)),
        st.tuples(st.just("ask"), st.sampled_from([b"A?", b"B?"])),
        st.tuples(st.just("stop"), st.sampled_from(["", "", "SIGINT"])),
        st.tuples(st.just("marks"), st.sampled_from([(), (), ("a", "b")])),
        st.tuples(st.just("done"), st.booleans()),
        st.tuples(st.just("behind"), st.sampled_from([0.0, 0.0, 3.25])),
        st.tuples(st.just("answer"), st.text(max_size=5) | st.integers()),
        st.tuples(st.just("instant"), st.none()),
        st.tuples(st.just("took"), st.tuples(st.floats(0, 20), st.floats(0, 20))),
        st.tuples(st.just("turn"), st.tuples(numbers, numbers, numbers, numbers)),
    ),
    max_size=40,
)


def told_by(tape: Tape, step: str, value: Any, now: Callable[[], float]) -> Any:
    """What one step of a run gets; in a replay ``value`` must not matter."""
    match step:
        case "stop":
            return tape.came(COMPUTER, "stop", lambda: value, nothing="")
        case "marks":
            return tape.came(PERSON, "marks", lambda: value, nothing=())
        case "done":
            return tape.came(PERSON, "done", lambda: value, nothing=False)
        case "behind":
            return tape.came(CLOCK, "behind", lambda: value, nothing=0.0)
        case "answer":
            return tape.answer(PERSON, "asked x", lambda: value, absent=lambda: None)
        case "instant":
            return tape.instant(now)
        case "took":
            return tape.took(*value)
        case _:
            wall_s, silent_s, free, alone_s = value
            return tape.turn(
                Outside(
                    now(),
                    0.5 * now(),
                    "x",
                    turn_wall_s=wall_s,
                    guard_silent_s=silent_s,
                    disk_free_bytes=free,
                    unwatched_s=alone_s,
                )
            )


def same(a: Any, b: Any) -> bool:
    return repr(a) == repr(b)  # nan is like nan


@settings(max_examples=150)
@given(steps=steps, exact=st.booleans())
def test_what_was_told_is_told_again(steps: list[tuple[str, Any]], exact: bool) -> None:
    live = Live(exact=exact)
    first: list[Any] = []
    for step, value in steps:
        if step == "wait":
            live.now_s += value
            first.append(None)
        elif step == "ask":
            first.append(live.exchange(value))
        else:
            first.append(told_by(live.tape, step, value, lambda: live.now_s))
    tape, clock = played(live, exact=exact)
    other = {"stop": "SIGHUP", "marks": ("z",), "done": True, "behind": 9.0, "answer": "else", "instant": None}
    for (step, value), was in zip(steps, first, strict=True):
        if step == "wait":
            clock.sleep(value)
        elif step == "ask":
            assert tape.exchange("load", value).received == was
        elif step == "took":
            # In a replay machine time does not pass: what it was is on the tape.
            assert same(told_by(tape, step, (value[0], 0.0), clock.now), was)
        elif step == "turn":
            found = told_by(tape, step, (0.0, 0.0, 1.0, 0.0), clock.now)
            assert same(found, was), (found, was)
        else:
            assert same(told_by(tape, step, other[step], clock.now), was), step
    assert tape.left() is None


def test_what_came_by_itself_comes_where_it_was_looked_for_as_often() -> None:
    live = Live(exact=True)
    for stops in (False, False, True):
        live.tape.came(COMPUTER, "stop", lambda stops=stops: "SIGINT" if stops else "", nothing="")
    tape, _ = played(live, exact=True)
    found = [tape.came(COMPUTER, "stop", lambda: "no", nothing="") for _ in range(4)]
    assert found == ["", "", "SIGINT", ""]


def test_a_wait_ends_early_where_the_next_look_finds_something() -> None:
    live = Live(exact=True)
    for stops in (False, True):
        live.tape.came(COMPUTER, "stop", lambda stops=stops: "SIGINT" if stops else "", nothing="")
    tape, _ = played(live, exact=True)
    assert not tape.soon(COMPUTER, "stop", lambda: True)
    tape.came(COMPUTER, "stop", lambda: "", nothing="")
    assert tape.soon(COMPUTER, "stop", lambda: False)


def test_what_nobody_looked_for_is_not_lost() -> None:
    """A run that has changed looks elsewhere: it gets it at its next look."""
    live = Live(exact=True)
    live.tape.came(PERSON, "marks", lambda: ("hot",), nothing=())
    live.exchange(b"A?")
    tape, _ = played(live, exact=True)
    tape.exchange("load", b"A?")
    assert tape.came(PERSON, "marks", tuple, nothing=()) == ("hot",)


def test_an_answer_that_is_not_there_is_what_stands_for_it() -> None:
    tape, _ = played(Live(exact=True), exact=True)
    assert tape.answer(PERSON, "asked x", lambda: "live", absent=lambda: "nobody knows") == "nobody knows"


@pytest.mark.parametrize(
    ("sent", "differs", "ended"), [(b"B?", True, False), (b"A?", False, False)], ids=["another message", "the same"]
)
def test_messages(sent: bytes, differs: bool, ended: bool) -> None:
    live = Live(exact=True)
    live.exchange(b"A?")
    tape, _ = played(live, exact=True)
    if differs:
        with pytest.raises(Over):
            tape.exchange("load", sent)
        with pytest.raises(Over):
            tape.exchange("load", b"A?")
        assert tape.difference is not None
        assert tape.difference.expected == ("load", b"A?")
        return
    tape.exchange("load", sent)
    assert not tape.over
    with pytest.raises(Over):
        tape.exchange("load", sent)
    assert tape.ended


# -- what a turn rests on ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("given", "judged"),
    [
        ({"turn_wall_s": 0.0499}, {"turn_wall_s": 0.0}),
        ({"turn_wall_s": 0.05}, {"turn_wall_s": 0.05}),
        ({"turn_wall_s": 1.23456}, {"turn_wall_s": 1.235}),
        ({"turn_wall_s": math.nan}, {"turn_wall_s": math.nan}),
        ({"guard_silent_s": math.inf}, {"guard_silent_s": math.inf}),
        ({"guard_silent_s": 3.0004}, {"guard_silent_s": 3.001}),
        ({"record_age_s": 1.99}, {"record_age_s": 0.0}),
        ({"disk_free_bytes": 123_456_789.0}, {"disk_free_bytes": 123_000_000.0}),
        ({"disk_free_bytes": math.inf}, {"disk_free_bytes": math.inf}),
        ({"disk_free_bytes": math.nan}, {"disk_free_bytes": math.nan}),
        ({"disk_free_bytes": 0.0}, {"disk_free_bytes": 0.0}),
        ({"unwatched_s": 1.23456}, {"unwatched_s": 1.23456}),
    ],
)
def test_it_is_judged_as_it_is_kept(given: dict[str, float], judged: dict[str, float]) -> None:
    """The disk's room is rounded down; what is not a number stays so, and is inside no limit."""
    found = Outside(0.0, 0.0, "x", **given).told()  # type: ignore[arg-type]
    for key, value in judged.items():
        assert same(getattr(found, key), value)


@given(free=st.floats(0.0, 1e18))
def test_never_more_room_than_there_is(free: float) -> None:
    told = Outside(0.0, 0.0, "x", disk_free_bytes=free).told().disk_free_bytes
    assert 0.99 * free - 1.0 <= told <= free


def test_what_is_not_told_is_as_ever() -> None:
    """A quiet turn tells its stamp and its calendar and nothing else."""
    live = Live(exact=True)
    live.tape.turn(Outside(1.0, 1.0, "x", disk_free_bytes=5e9))
    live.tape.turn(Outside(2.0, 2.0, "y", disk_free_bytes=5.001e9, turn_wall_s=0.01))
    first, second = live.lines
    assert isinstance(first, RecordedTold)
    assert isinstance(second, RecordedTold)
    assert first.told == {"stamp_s": 1.0, "utc": "x", "disk_free_bytes": 5e9}
    assert second.told == {"stamp_s": 2.0, "utc": "y"}


def test_a_line_that_no_file_can_hold_is_left_out_and_counted(tmp_path: Path) -> None:
    """It comes from inside the loop, and on the way off: nothing may come out of it."""
    clock = VirtualClock()
    folder = RunFolder.create(tmp_path, procedure="capacity", name="a", started=clock.utc())
    with Recorder(folder, clock=clock, columns=(), simulated=True) as recorder:
        for value in ("\udcff", 10**30, math.inf, b"\xff", object(), {"\udcff": 1}):
            recorder.exchange(Told(PERSON, "marks", {"value": value}))
    assert recorder.exchanges_dropped == 2
    folder.release()
