"""Off could not be confirmed: it is said, it goes on being tried, and only a measurement or a person ends that."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from night import ON_A_PACK, SHORT, Night, Wires, cell_volts, spend, truly_off

from harness.unsafe import EVERY_S, GIVE_UP_S, HEAD, keep_trying


def lost_at(number: int, lose: Callable[[Wires], None]) -> dict[str, Any]:
    """Keys of ``spend``: the bench is spoilt at a sample."""
    held: list[Wires] = []

    def each(count: int, _sample: Any) -> None:
        if count == number:
            lose(held[0])

    return {"arrange": held.append, "each": each}


def back_after(wires: Wires, seconds: float, kind: str, name: str) -> None:
    """``name`` is lost now and can be reached again when so much bench time has passed."""
    getattr(wires, kind).add(name)
    back_s = wires.clock.now() + seconds
    plain = wires.connect

    def connect(who: str) -> Any:
        if wires.clock.now() >= back_s:
            getattr(wires, kind).discard(name)
        return plain(who)

    wires.connect = connect  # type: ignore[method-assign]


@pytest.mark.parametrize("kind", ["deaf", "gone"])
@pytest.mark.parametrize("procedure", ON_A_PACK)
def test_confirmed_after_all(procedure: str, kind: str, tmp_path: Path) -> None:
    active = SHORT[procedure].active
    keys = lost_at(8, lambda wires: back_after(wires, 90.0, kind, active))
    night = spend(tmp_path, SHORT[procedure], patient=True, **keys)
    assert truly_off(night.world)
    assert (night.exit_code, night.result.outcome) == (99, "unsafe"), "the night was one that somebody must look at"
    assert night.said[0].startswith(HEAD)
    assert night.said[-1].startswith("off confirmed after all: ")
    tried = [event for event in night.events("off") if event["reason"] == "tried again"]
    assert [event["result"] for event in tried][-1] == "confirmed"
    assert all(event["result"] != "confirmed" for event in tried[:-1])
    assert night.result.off_confirmation is not None
    assert night.result.off_confirmation.confirmed


def test_given_up_after_ten_minutes_and_said_so(tmp_path: Path) -> None:
    night = spend(tmp_path, SHORT["capacity"], patient=True, **lost_at(8, lambda wires: wires.deaf.add("load")))
    assert night.exit_code == 99
    assert night.said[-1].startswith(HEAD)
    assert "no longer trying" in night.said[-1]
    tried = [event["elapsed_s"] for event in night.events("off") if event["reason"] == "tried again"]
    assert len(tried) > 20
    gaps = [b - a for a, b in pairwise(tried)]
    assert max(gaps) <= EVERY_S + 16.0
    assert tried[-1] - tried[0] <= GIVE_UP_S
    # Meanwhile the load's own stop has ended it: the pack is inside its bounds.
    assert 2.0 < min(cell_volts(night.world)) < max(cell_volts(night.world)) < 3.8
    assert not night.world.load.input_on


def test_the_message_names_who_is_in_doubt(tmp_path: Path) -> None:
    night = spend(tmp_path, SHORT["charge"], **lost_at(8, lambda wires: wires.deaf.add("supply")))
    text = night.said[0]
    assert "supply (serial porch-1): asked off" in text
    assert "load (serial" not in text
    assert "last current: no answer" in text
    assert [event["text"] for event in night.events("unsafe")] == [text]
    for words in ("emergency off", "pull the battery fuse", "do not touch, leave the room", "Still trying every 10 s."):
        assert words in text


class StubBench:
    """As much of a bench as trying again needs; ``drive_off`` fails ``needed`` times."""

    def __init__(self, night: Night, needed: int) -> None:
        self.clock = night.clock
        self.stopping = self
        self.needed, self.tried = needed, 0
        self.off_reports = [_report("not confirmed")]
        self.before_doubt = None
        self.noted: list[str] = []
        self.rig = type("Rig", (), {"load_name": "load", "supply_name": "supply", "drivers": {}, "subject": "pack"})()
        self.site = type("Site", (), {"bench": type("File", (), {"fuse_amps": 20.0})()})()

    def note(self, kind: str, **_fields: Any) -> None:
        self.noted.append(kind)

    def drive_off(self, _before: Any) -> Any:
        self.tried += 1
        return _report("confirmed" if self.tried > self.needed else "not confirmed")


def _report(word: str) -> Any:
    from harness.safeoff import OffReport

    return OffReport(word, "none", ("a line",), 10.0, 4, float("nan"), float("nan"), ("load",))


@pytest.fixture(scope="module")
def quiet(tmp_path_factory: pytest.TempPathFactory) -> Night:
    return spend(tmp_path_factory.mktemp("quiet"), SHORT["capacity"])


def raising(*_: Any) -> bool:
    raise OSError("the terminal is gone")


def test_a_terminal_that_is_gone_does_not_end_it(quiet: Night) -> None:
    bench = StubBench(quiet, needed=3)
    assert keep_trying(bench, say=raising, acknowledged=raising)  # type: ignore[arg-type]
    assert bench.tried == 4


def test_a_clock_that_is_gone_does_not_end_it(quiet: Night, monkeypatch: pytest.MonkeyPatch) -> None:
    bench = StubBench(quiet, needed=3)
    monkeypatch.setattr(bench.clock, "sleep_until", raising)
    assert keep_trying(bench, say=lambda text: None, acknowledged=lambda: False)  # type: ignore[arg-type]
    assert bench.tried == 4


@pytest.mark.parametrize("after", [0, 1, 5])
def test_a_person_who_takes_over_ends_it(after: int, quiet: Night) -> None:
    bench = StubBench(quiet, needed=1000)
    assert not keep_trying(bench, say=lambda text: None, acknowledged=lambda: bench.tried >= after)  # type: ignore[arg-type]
    assert bench.tried == after


def test_who_takes_over_is_heard_between_two_tries(quiet: Night, monkeypatch: pytest.MonkeyPatch) -> None:
    """Ours: the serial number was looked for once in 10 s, and one line at a time."""
    bench = StubBench(quiet, needed=1000)
    looks = 0

    def sleep_until(_t_s: float, *, stop: Callable[[], bool]) -> None:
        nonlocal looks
        while not stop():  # in slices, as the wall clock does
            looks += 1

    monkeypatch.setattr(bench.clock, "sleep_until", sleep_until)
    assert not keep_trying(bench, say=lambda text: None, acknowledged=lambda: looks == 7)  # type: ignore[arg-type]
    assert (looks, bench.tried) == (7, 0)
