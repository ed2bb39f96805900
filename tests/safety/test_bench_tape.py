"""What the parts of the bench put on the tape of a run, and that in a replay the tape is heard and nothing else."""

from __future__ import annotations

from datetime import UTC, datetime
from types import SimpleNamespace
from typing import Any

import pytest
from bench_fakes import BEGAN_S, Machine, Played, made_turns, tape_lines

from harness.bench import Bench
from harness.clock import StandstillLost
from harness.stops import StoppedByPerson, Tripped
from harness.tape import CLOCK, COMPUTER, PERSON, Tape, Told

# -- what is put there -------------------------------------------------------------------------------------------------


def test_of_a_quiet_run_nothing_is_told() -> None:
    turns, bench, _ = made_turns()
    bench.person = SimpleNamespace(marks=tuple)
    list(turns.samples(every_s=1.0, for_s=5.0))
    turns.clean_sample()
    assert tape_lines(bench.clock) == []


def test_marks_from_elsewhere_and_from_whoever_is_here() -> None:
    turns, bench, _ = made_turns()
    bench.log.given = [("a", "b")]
    bench.person = SimpleNamespace(marks=lambda: ("beeps",))
    turns.look()
    assert tape_lines(bench.clock) == [(PERSON, "marks", {"value": ("a", "b", "beeps"), "looks": 1})]
    assert bench.log.taken == ["a", "b", "beeps"]


def test_that_it_fell_behind() -> None:
    """Bench time, on the clock's own count."""
    turns, bench, _ = made_turns()
    for seen in turns.samples(every_s=1.0, for_s=4.0):
        if seen.elapsed_s == 2.0:
            bench.clock.sleep(2.5)
    assert tape_lines(bench.clock) == [(CLOCK, "behind", {"value": BEGAN_S + 4.5, "looks": 3})]


def test_that_its_clock_was_lost_once() -> None:
    """The clock that hangs up in a wait is lost from then on: what it said then is what is told."""
    turns, bench, did = made_turns()

    def lost() -> None:
        bench.clock.lost = True
        raise StandstillLost("here", "hung up")

    bench.clock.in_wait = lost
    with pytest.raises(Tripped, match="hung up"):
        turns.wait_until(BEGAN_S + 5.0)
    text = "clock: control = here: the simulated bench stopped answering: hung up"
    assert tape_lines(bench.clock) == [(COMPUTER, "clock lost", {"value": text, "looks": 1})]
    assert [kind for kind, *_ in did] == ["trip"]


@pytest.mark.parametrize(("slept_s", "set_s"), [(3600.0, 0.0), (0.0, 3600.0), (3600.0, -60.0)])
def test_what_befell_the_computer(slept_s: float, set_s: float) -> None:
    turns, bench, _ = made_turns()
    bench.clock.asleep_s, bench.clock.set_s = slept_s, set_s
    if slept_s:
        with pytest.raises(Tripped):
            turns.awake()
    else:
        turns.awake()
    ((name, what, told),) = tape_lines(bench.clock)
    assert (name, what, told["looks"]) == (COMPUTER, "woke", 1)
    assert told["value"] == pytest.approx({"slept_s": slept_s, "step_s": set_s}, abs=1e-3)


def test_instants_that_go_into_figures() -> None:
    """Only where bench time does not follow from the waits alone."""
    for exact, lines in ((True, []), (False, [Told(CLOCK, "instant", {}, 7.0)])):
        told: list[Told] = []
        tape = Tape(hear=told.append, exact=exact)
        loop = SimpleNamespace(instant=lambda tape=tape: tape.instant(lambda: 7.0) - 2.0)
        assert Bench.elapsed(SimpleNamespace(loop=loop)) == 5.0  # type: ignore[arg-type]
        assert told == lines


def test_what_stands_for_a_loop_that_kept_up() -> None:
    """In a replay it is handed back where nothing is told: a time before the run began."""
    turns, bench, _ = made_turns()
    asked: dict[str, Any] = {}

    class Listening(Tape):
        def came(self, name: str, what: str, look: Any, *, nothing: Any) -> Any:
            asked[what] = nothing
            return super().came(name, what, look, nothing=nothing)

    bench.clock.tape = Listening()
    list(turns.samples(every_s=1.0, for_s=1.0))
    assert asked["behind"] == 0.0


# -- what is heard -----------------------------------------------------------------------------------------------------


def played(name: str, what: str, value: Any) -> tuple[Any, Any, Any]:
    turns, bench, did = made_turns()
    bench.clock.tape = Played(name, what, value)
    return turns, bench, did


def test_marks_of_the_tape_and_no_others() -> None:
    turns, bench, _ = played(PERSON, "marks", ("then",))
    bench.log.given = [("now",)]
    assert next(turns.samples(every_s=1.0, for_s=None)).marks == ("then",)
    assert bench.log.taken == ["then"]


def test_behind_as_the_tape_has_it() -> None:
    turns, bench, _ = played(CLOCK, "behind", BEGAN_S + 3.5)
    list(turns.samples(every_s=1.0, for_s=5.0))
    assert bench.loop.looked_at_s == [0, 3.5, 4.5]


def test_a_stop_of_the_tape_ends_a_wait_and_one_asked_for_now_does_not() -> None:
    turns, bench, _ = played(COMPUTER, "stop", "SIGINT")
    turns.wait_until(BEGAN_S + 5.0)
    assert bench.elapsed() == 0.0
    turns, bench, _ = played(COMPUTER, "marks", ())
    bench.flag.ask("SIGINT")
    turns.wait_until(BEGAN_S + 5.0)
    assert bench.elapsed() == 5.0


def test_a_clock_that_was_lost_then_ends_the_run() -> None:
    turns, _, did = played(COMPUTER, "clock lost", "hung up")
    with pytest.raises(Tripped):
        turns.wait_until(BEGAN_S + 5.0)
    assert (did[0][1].words, did[0][1].text) == ("clock lost", "hung up")


def test_a_sleep_of_the_tape_ends_the_run_and_one_of_now_does_not() -> None:
    turns, bench, did = played(COMPUTER, "woke", {"slept_s": 3600.0, "step_s": 5.0})
    with pytest.raises(Tripped):
        turns.awake()
    assert [did[0][1].words, did[1][0], did[1][1]["seconds"]] == ["nobody looked", "gap", 3600.0]
    turns, bench, did = played(COMPUTER, "stop", "")
    bench.clock.asleep_s = 3600.0
    turns.awake()
    assert did == []


def test_the_calendar() -> None:
    clock = Machine()
    bench: Any = SimpleNamespace(clock=clock)
    now = Bench.utc(bench)
    assert now == clock.utc()
    assert tape_lines(clock) == [(CLOCK, "calendar", {"value": now.isoformat()})]

    class Told1999(Tape):
        def answer(self, name: str, what: str, ask: Any, *, absent: Any, unpack: Any, **_more: Any) -> Any:
            assert (name, what, absent()) == (CLOCK, "calendar", now)
            return unpack("1999-12-31T23:59:59+00:00")

    clock.tape = Told1999()
    assert Bench.utc(bench) == datetime(1999, 12, 31, 23, 59, 59, tzinfo=UTC)


def test_a_stop_from_the_fakes_is_the_persons() -> None:
    turns, bench, _ = made_turns()
    bench.flag.elsewhere = lambda: "the page"
    with pytest.raises(StoppedByPerson):
        next(turns.samples(every_s=1.0, for_s=None))
