"""Which guard a run gets, and what the record says of it; with a guard and a rehearsal by hand."""

from __future__ import annotations

import hashlib
import math
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from harness import guarded_run
from harness.errors import SelfTestFailed
from harness.guard_orders import NoGuard
from harness.guarded_run import REHEARSING, guard_for, guarded, longest_s
from harness.guarding import armed
from harness.rehearsal import NotInMemory
from harness.result import Guarded, Rehearsed
from harness.tape import Tape, Told

WHY = "no guard on this system"
DEAF = ("meter: why",)
SEEN = (Rehearsed(what="run dies", took_s=1.0, within_s=3.0),)


class Link:
    def __init__(self, unreachable: tuple[str, ...] = ()) -> None:
        self.unreachable, self.pid, self.byes = unreachable, 4711, [True][:0]

    def bye(self, off: bool) -> None:
        self.byes.append(off)


class Given:
    """A run on a bench that is ten times as fast as the machine; what was asked for and said is kept."""

    def __init__(self, unattended: bool, patch: pytest.MonkeyPatch, link: Link | None, why: str = "") -> None:
        self.heard: list[Told] = []
        self.tape = Tape(hear=self.heard.append)
        forecast = SimpleNamespace(seconds=1000.0, asks=("one", "two"))
        job = SimpleNamespace(unattended=unattended)
        self.ready: Any = SimpleNamespace(job=job, forecast=forecast, site=SimpleNamespace(envelope={"low_v": 1}))
        self.links, self.notes, self.said = [None][:0], [("", {"": None})][:0], [""][:0]
        self.bench: Any = SimpleNamespace(
            rig="the rig", period_s=1.0, clock=SimpleNamespace(speed=10.0, tape=self.tape), note=self.note,
            guard_with=self.links.append, guarded_by=None,
        )  # fmt: skip
        self.asked: dict[str, Any] = {}
        self.folder: Any = SimpleNamespace(path=Path("run"))
        self.lock: Any = SimpleNamespace(live_notes=lambda: (Path("live"),))
        self.seen: Any = SEEN
        self.memory = False

        def start(rig: str, **how: Any) -> Link | None:
            self.asked = {"rig": rig, **how}
            return link

        def rehearse(ready: Any, connection: Any, folder: Any, *, note: Any, stopped: Any) -> Any:
            assert (ready, connection, folder, note) == (self.ready, "connection", self.folder, self.bench.note)
            assert not stopped()
            if isinstance(self.seen, Exception):
                raise self.seen
            return self.seen

        patch.setattr(guarded_run, "start", start)
        patch.setattr(guarded_run, "why_not", lambda: why)
        patch.setattr(guarded_run, "rehearse", rehearse)
        patch.setattr(guarded_run, "in_memory", lambda ready: self.memory)

    def note(self, kind: str, sync: bool = False, **more: Any) -> None:
        self.notes.append((kind, {"sync": sync, **more}))

    def link(self) -> Any:
        return guard_for(self.ready, self.bench, self.folder, self.lock)

    def whole(self) -> Any:
        return guarded(
            self.ready, "connection", self.bench, self.folder, self.lock,  # type: ignore[arg-type]
            say=self.said.append, stopped=lambda: False,
        )  # fmt: skip


def told(armed: bool, unreachable: list[str], text: str, **more: Any) -> tuple[str, dict[str, Any]]:
    return "guard", {"sync": True, "armed": armed, "unreachable": unreachable, "text": text, **more}


def test_what_is_asked_of_it(monkeypatch: pytest.MonkeyPatch) -> None:
    link = Link()
    one = Given(False, monkeypatch, link)
    assert one.link() is link
    limits = one.asked.pop("limits_hash")
    assert limits() == hashlib.sha256(b'{"low_v":1}').hexdigest()
    one.ready.site.envelope = {"low_v": 2}
    assert limits() == hashlib.sha256(b'{"low_v":2}').hexdigest(), "those in force now"
    assert one.asked == {
        "rig": "the rig", "journal": Path("run/guard.log"), "longest_s": 1200.0, "period_s": 0.1,
        "live_notes": (Path("live"),), "arm": armed, "tape": one.tape,
    }  # fmt: skip
    assert [(told.name, told.what, dict(told.told)) for told in one.heard] == [
        ("computer", "pid of the guard", {"value": 4711})
    ]
    assert one.notes == [told(True, [], "", pid=4711)]
    assert one.bench.guarded_by == Guarded(armed=True)
    assert longest_s(one.ready) == 3 * 1000.0 + 7200.0 + 2 * 900.0 == 12_000.0
    assert math.isfinite(longest_s(one.ready))


def test_in_a_record_that_tells_no_process_it_is_none(monkeypatch: pytest.MonkeyPatch) -> None:
    """0 is the number of no process that could be told anything (POSIX.1-2017, kill)."""
    one = Given(False, monkeypatch, Link())

    class Mute(Tape):
        def answer(self, name: str, what: str, ask: Any, *, absent: Any, **_: Any) -> Any:
            return absent()

    one.bench.clock.tape = Mute()
    one.link()
    assert one.notes == [told(True, [], "", pid=0)]


def test_on_a_clock_of_the_machine(monkeypatch: pytest.MonkeyPatch) -> None:
    one = Given(False, monkeypatch, Link())
    one.bench.clock = SimpleNamespace(tape=one.tape)
    one.link()
    assert (one.asked["longest_s"], one.asked["period_s"]) == (12_000.0, 1.0)


@pytest.mark.parametrize("unattended", [True, False])
def test_in_memory_there_is_none(unattended: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    one = Given(unattended, monkeypatch, None)
    assert one.link() is None
    assert (one.notes, one.bench.guarded_by) == ([], None)


def test_on_a_system_without_one_a_run_with_a_person_beside_it_goes_on(monkeypatch: pytest.MonkeyPatch) -> None:
    one = Given(False, monkeypatch, Link(), why=WHY)
    assert one.link() is None
    assert one.asked == {}
    assert one.notes == [told(False, [], WHY)]
    assert one.bench.guarded_by == Guarded(armed=False, note=WHY)


def test_on_a_system_without_one_a_run_that_is_left_alone_asks_for_it(monkeypatch: pytest.MonkeyPatch) -> None:
    one = Given(True, monkeypatch, Link(), why=WHY)
    one.link()
    assert one.asked["rig"] == "the rig", "which refuses"


def test_a_run_that_is_left_alone_wants_all_within_reach(monkeypatch: pytest.MonkeyPatch) -> None:
    link = Link(DEAF)
    one = Given(True, monkeypatch, link)
    with pytest.raises(NoGuard, match=r"guard: meter: why; stay with this run \(without --unattended\)"):
        one.link()
    assert link.byes == [True]
    assert one.notes == []


def test_with_a_person_beside_it_whom_it_does_not_reach_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    link = Link(DEAF)
    one = Given(False, monkeypatch, link)
    assert one.whole() is None
    assert link.byes == []
    assert one.links == [link]
    assert one.notes == [told(True, ["meter: why"], "", pid=4711)]
    assert one.said == ["note: guard: meter: why"]
    assert one.bench.guarded_by == Guarded(armed=True, unreachable=DEAF)


def test_before_a_run_that_is_left_alone_it_is_seen_to_act(monkeypatch: pytest.MonkeyPatch) -> None:
    link = Link()
    one = Given(True, monkeypatch, link)
    assert one.whole() is None
    assert (one.said, one.links) == ([REHEARSING], [link])
    assert one.bench.guarded_by == Guarded(armed=True, rehearsed=SEEN)


def test_in_memory_nothing_can_be_rehearsed_and_that_is_written(monkeypatch: pytest.MonkeyPatch) -> None:
    one = Given(True, monkeypatch, None)
    one.memory, one.seen = True, NotInMemory("in memory")
    assert one.whole() is None
    assert one.said == []
    assert one.notes == [("rehearsed", {"sync": False, "text": "in memory"})]
    assert one.links == [None]
    assert one.bench.guarded_by == Guarded(armed=False, note="in memory")


def test_with_a_person_beside_it_in_memory_there_is_nothing_to_say(monkeypatch: pytest.MonkeyPatch) -> None:
    one = Given(False, monkeypatch, None)
    assert one.whole() is None
    assert (one.said, one.notes, one.links, one.bench.guarded_by) == ([], [], [None], None)


@pytest.mark.parametrize("error", [SelfTestFailed("it did not act"), NoGuard("it did not arm")])
def test_whatever_goes_wrong_is_handed_back(error: Exception, monkeypatch: pytest.MonkeyPatch) -> None:
    one = Given(True, monkeypatch, Link())
    one.seen = error
    assert one.whole() is error
    assert (one.links, one.bench.guarded_by) == ([], None)
