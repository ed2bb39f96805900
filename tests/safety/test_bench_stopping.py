"""Every way a run ends, alone: the latch first, then off, then what is written, then what is raised."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest
from bench_fakes import Did, Machine, Played, report, sample, tape_lines

from harness.block import Block, NotEnergised
from harness.findings import Finding
from harness.off_report import OffReport
from harness.safeoff import Before
from harness.signals import StopFlag
from harness.stopping import Stopping
from harness.stops import NotOff, StoppedByPerson, Tripped

GOOD = report()
BAD = report("not confirmed", tries=7)
KNOWN = Before("sink", 6.0, 12.0, 0.02)
SIGHT = sample(5.0)


class Made:
    """One ``Stopping`` with what stands beside it: ``did`` is what was done, in order; ``states`` those of the run when
    everything was told off."""

    def __init__(self, *offs: OffReport, state: str = "idle", failed: str = "") -> None:
        self.did: Did = []
        self.offs = list(offs) or [GOOD]
        self.states: list[str] = []
        self.flag = StopFlag()
        self.log = SimpleNamespace(
            failed=failed, note=self._note, row=lambda seen: self.did.append(("row", seen.elapsed_s))
        )
        self.clock = Machine()
        self.loop = SimpleNamespace(before=self._before, errors=(), warnings=(), clock=self.clock)
        off = SimpleNamespace(drive=self._drive, contradicted=None)
        self.off = off
        self.block = Block("sink", 6.0)
        self.one = Stopping(loop=self.loop, log=self.log, off=off, flag=self.flag, block=lambda: self.block)  # type: ignore[arg-type]
        self.one.life.state = state

    def _before(self, block: Block) -> Before:
        assert block is self.block
        return KNOWN

    def _note(self, kind: str, *, sync: bool = False, **fields: Any) -> None:
        self.did.append((kind, sync, fields))

    def _drive(self, before: Before, *, keeps_contactor: bool) -> OffReport:
        self.states.append(self.one.life.state)
        self.did.append(("drive", before, keeps_contactor))
        return self.offs.pop(0)


def off_noted(reason: str, told: OffReport = GOOD) -> tuple[Any, ...]:
    how = {"witness": "same instrument", "took_s": 0.4, "how": ["load says off"]}
    return "off", True, {"reason": reason, "result": told.word, "tries": told.tries, **how}


# -- a trip ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("state", ["idle", "sinking", "releasing"])
def test_a_trip(state: str) -> None:
    made = Made(state=state)
    made.loop.errors, made.loop.warnings = ("load: -222",), ("leads are warm",)
    said: list[str] = []
    made.one.tell = said.append
    with pytest.raises(Tripped) as stop:
        made.one.trip(Finding("frozen", "for a minute", exit_code=22, doubts_volts=True), SIGHT)
    assert (stop.value.end_reason, stop.value.exit_code) == ("frozen: for a minute", 22)
    assert made.states == ["tripped"]
    assert made.did == [
        ("drive", Before("sink", 6.0, 12.0, 0.02, doubted=True), False),
        ("row", 5.0),
        ("instrument error", False, {"text": "load: -222"}),
        ("warning", False, {"text": "leads are warm"}),
        ("trip", True, {"text": "frozen: for a minute"}),
        off_noted("frozen: for a minute"),
    ]
    assert said == ["leads are warm"]
    assert (made.loop.errors, made.loop.warnings) == ((), ())
    assert made.one.life.state == "off"
    assert made.one.off_reports == [GOOD]


@pytest.mark.parametrize(
    ("words", "cause"),
    [
        ("high volts", "volts"),
        ("current the wrong way", "volts"),
        ("over-current", "amps"),
        ("something else on the node", "amps"),
        ("low volts", ""),
    ],
)
def test_whose_fault_it_is_decides_the_order(words: str, cause: str) -> None:
    made = Made(state="tracing")
    with pytest.raises(Tripped):
        made.one.trip(Finding(words, "so"))
    assert made.did[0] == ("drive", Before("sink", 6.0, 12.0, 0.02, cause=cause), False)
    assert [kind for kind, *_ in made.did] == ["drive", "trip", "off"]


@pytest.mark.parametrize(("told", "code"), [(BAD, 99), (report("unreadable"), 90)])
def test_an_off_that_was_not_confirmed_is_worse_than_what_ended_the_run(told: OffReport, code: int) -> None:
    made = Made(told, state="sinking")
    with pytest.raises(NotOff, match="off not confirmed after: low volts: so") as stop:
        made.one.trip(Finding("low volts", "so"))
    assert stop.value.exit_code == code
    assert made.did[-1] == off_noted("low volts: so", told)
    assert made.one.life.state == "unsafe"
    with pytest.raises(NotOff) as again:
        made.one.again()
    assert again.value is stop.value


# -- a stop, a record --------------------------------------------------------------------------------------------------


def test_a_stop_is_asked_for() -> None:
    made = Made(state="sinking")
    made.one.if_asked()
    assert made.did == []
    made.flag.ask("SIGINT")
    with pytest.raises(StoppedByPerson) as stop:
        made.one.if_asked()
    reason = "stopped by a person (SIGINT)"
    assert (stop.value.end_reason, stop.value.exit_code) == (reason, 20)
    assert made.did == [("drive", KNOWN, False), ("stop", True, {"text": reason}), off_noted(reason)]
    assert made.states == ["tripped"]
    assert tape_lines(made.clock) == [("computer", "stop", {"value": "SIGINT", "looks": 2})]


@pytest.mark.parametrize(
    ("name", "elsewhere", "said"),
    [("", "", "asked"), ("", "the page", "the page"), ("SIGINT", "the page", "SIGINT")],
)
def test_by_whom_a_stop_was_asked_for(name: str, elsewhere: str, said: str) -> None:
    made = Made(state="sinking")
    made.flag.elsewhere = lambda: elsewhere
    if name or not elsewhere:
        made.flag.ask(name)
    with pytest.raises(StoppedByPerson) as stop:
        made.one.if_asked()
    assert stop.value.end_reason == f"stopped by a person ({said})"


def test_a_stop_of_the_tape_ends_the_run_and_one_asked_for_now_does_not() -> None:
    made = Made(state="sinking")
    made.clock.tape = Played("computer", "stop", "SIGHUP")
    with pytest.raises(StoppedByPerson, match="SIGHUP"):
        made.one.if_asked()
    made = Made(state="sinking")
    made.clock.tape = Played("computer", "marks", ())
    made.flag.ask("SIGINT")
    made.one.if_asked()
    assert made.did == []


def test_the_tape_is_told_why_before_anything_is_switched_off() -> None:
    """A replay that was about to be ended where the run was not says why."""
    made = Made(state="sinking")
    told: list[tuple[str, int]] = []
    made.clock.tape.ends = lambda reason: told.append((reason, len(made.did)))  # type: ignore[method-assign]
    with pytest.raises(Tripped):
        made.one.trip(Finding("low volts", "so"))
    assert told == [("low volts: so", 0)]


def test_a_record_that_failed() -> None:
    made = Made(state="sinking")
    made.one.if_record_failed()
    assert made.did == []
    made.log.failed = "disk full"
    with pytest.raises(Tripped) as stop:
        made.one.if_record_failed()
    assert (stop.value.end_reason, stop.value.exit_code) == ("record failed: disk full", 25)


# -- said again --------------------------------------------------------------------------------------------------------


def test_what_ended_the_run_is_said_again_whoever_swallows_it() -> None:
    made = Made()
    made.one.again()
    made.one.need_idle("leave it first")
    with pytest.raises(Tripped) as stop:
        made.one.trip(Finding("low volts", "so"))
    for ask in (made.one.again, lambda: made.one.need_idle("leave it first"), lambda: made.one.at_exit(None)):
        with pytest.raises(Tripped) as again:
            ask()
        assert again.value is stop.value


@pytest.mark.parametrize("state", ["tripped", "off", "unsafe"])
def test_a_run_that_is_over_does_nothing_more(state: str) -> None:
    with pytest.raises(NotEnergised, match="this run is over"):
        Made(state=state).one.again()


@pytest.mark.parametrize("state", ["sinking", "releasing", "ending"])
def test_within_a_block_nothing_else_begins(state: str) -> None:
    with pytest.raises(NotEnergised, match="leave it first"):
        Made(state=state).one.need_idle("leave it first")


# -- leaving the bench -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("state", "error", "during", "reason"),
    [
        ("idle", None, "ending", "end of the run"),
        ("idle", ValueError("a slip"), "ending", "a slip"),
        ("sinking", None, "tripped", "end of the run"),
        ("sinking", ValueError("a slip"), "tripped", "a slip"),
        ("releasing", ValueError("a slip"), "tripped", "a slip"),
    ],
)
def test_the_bench_is_left_off(state: str, error: Exception | None, during: str, reason: str) -> None:
    made = Made(state=state)
    made.one.at_exit(error)
    assert made.states == [during]
    assert made.did == [("drive", KNOWN, False), off_noted(reason)]
    assert made.one.life.state == "off"


@pytest.mark.parametrize("state", ["off", "unsafe"])
@pytest.mark.parametrize("error", [None, ValueError("a slip")])
def test_what_is_behind_the_run_is_not_done_again(state: str, error: Exception | None) -> None:
    made = Made(state=state)
    made.one.at_exit(error)
    assert made.did == []


@pytest.mark.parametrize("same", [False, True])
def test_what_ended_the_run_leaves_the_bench(same: bool) -> None:
    """It is raised where something else, or nothing, is on its way out; and is not raised where it is what is."""
    made = Made()
    with pytest.raises(Tripped) as stop:
        made.one.trip(Finding("low volts", "so"))
    if same:
        made.one.at_exit(stop.value)
        return
    with pytest.raises(Tripped) as again:
        made.one.at_exit(ValueError("in its way"))
    assert again.value is stop.value


def test_a_run_whose_last_words_were_not_written_has_not_finished() -> None:
    made = Made(failed="disk full")
    with pytest.raises(Tripped) as stop:
        made.one.at_exit(None)
    assert (stop.value.end_reason, stop.value.exit_code) == ("record failed: disk full", 25)
    Made(failed="disk full").one.at_exit(ValueError("says enough"))


# -- once more ---------------------------------------------------------------------------------------------------------


def test_what_came_on_after_the_end_is_switched_off_again() -> None:
    made = Made(state="off")
    with pytest.raises(Tripped) as stop:
        made.one.once_more("came on again", None)
    assert (stop.value.end_reason, stop.value.exit_code) == ("came on again", 23)
    assert made.did == [("drive", Before(), False), off_noted("came on again")]


@pytest.mark.parametrize(("stopped", "error"), [(True, False), (False, True), (True, True)])
def test_what_ended_the_run_before_stays_what_ended_it(stopped: bool, error: bool) -> None:
    made = Made(GOOD, GOOD)
    if stopped:
        with pytest.raises(Tripped):
            made.one.trip(Finding("low volts", "so"))
    else:
        made.one.at_exit(ValueError("a slip"))
    made.one.once_more("came on again", ValueError("a slip") if error else None)
    assert made.did[-2:] == [("drive", Before(), False), off_noted("came on again")]
    assert made.one.off_reports == [GOOD, GOOD]


# -- off ---------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("keeps", [False, True])
@pytest.mark.parametrize("before", [None, Before("rest")])
def test_off_is_booked(before: Before | None, keeps: bool) -> None:
    made = Made()
    assert made.one.drive_off(before, keeps_contactor=keeps) is GOOD
    assert made.did == [("drive", KNOWN if before is None else before, keeps)]
    assert made.one.off_reports == [GOOD]


def test_what_was_contradicted_is_kept() -> None:
    made = Made()
    assert made.one.before_doubt is None
    made.off.contradicted = KNOWN
    assert made.one.before_doubt is KNOWN
