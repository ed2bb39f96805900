"""What must come before what: a look at the temperature before a charge, off before the record, and the note that a
bench may be live for as long as nobody has seen it off."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from night import SHORT, spend
from test_wear import WORN

import harness.run
from harness.config import load_bench
from harness.ending import Ending
from harness.locks import BenchLock
from harness.recorder import Recorder
from harness.safeoff import SafeOff
from sims.cell import ZERO_C_IN_K


@pytest.mark.parametrize(("temp_c", "ons"), [(-2.0, 0), (2.0, 1)])
def test_a_pack_that_got_cold_after_the_look_is_not_charged(temp_c: float, ons: int, tmp_path: Path) -> None:
    """At rest a wider band holds: only the look just before switching on keeps the first seconds of current away."""

    def arrange(wires: Any) -> None:
        def before(_number: int, name: str, message: bytes) -> None:
            if name == "supply" and b"PROT" in message and b"?" not in message:
                cells, probe = wires.bench.world.pack.cells, wires.bench._fitting.thermometer
                cells.kelvin = [ZERO_C_IN_K + temp_c for _ in cells.kelvin]
                probe.probe_c = probe._place_c = temp_c

        wires.before = before

    night = spend(tmp_path, SHORT["charge"], arrange=arrange)
    assert len(night.on_at()) == ons, night.result.end_reason
    if not ons:
        assert night.exit_code == 21
        assert night.result.end_reason.startswith("temperature: before switching on: pack at -")


def test_off_comes_before_the_record(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A disk that hangs takes seconds: nothing is written between the sample that trips and off."""
    order: list[str] = []

    def told(kind: type, name: str, words: str) -> None:
        real = getattr(kind, name)

        def wrapped(self: Any, *given: Any, **more: Any) -> Any:
            order.append(given[0] if words == "event" else words)
            try:
                return real(self, *given, **more)
            finally:
                order.append(f"{words} over")

        monkeypatch.setattr(kind, name, wrapped)

    told(Recorder, "event", "event")
    told(Recorder, "sample", "row")
    told(SafeOff, "drive", "drive")
    one = WORN["the supply's output jumps by half a volt"]
    night = spend(tmp_path, one.short, arrange=lambda wires: one.breaks(wires.bench.wear, one.at_s))
    assert night.exit_code == 21, night.result.end_reason
    assert order.count("trip") == 1
    off = order.index("drive")
    assert order[off : off + 4] == ["drive", "drive over", "row", "row over"], "the row that tripped comes after off"
    assert order.index("trip") > off


@pytest.fixture
def lock(tmp_path: Path) -> Iterator[BenchLock]:
    bench = load_bench(Path(harness.run.__file__).parent / "starters" / "bench.toml")
    far = tuple(
        replace(one, address=f"TCPIP::127.0.0.1::{number}::SOCKET") for number, one in enumerate(bench.instruments, 1)
    )
    made = BenchLock(replace(bench, instruments=far))
    made.mark_live(tmp_path / "some-run")
    yield made
    made.mark_off()


@pytest.mark.parametrize(
    ("outcome", "after_all", "live"), [("unsafe", False, True), ("unsafe", True, False), ("tripped", False, False)]
)
def test_the_note_stays_until_off_was_seen(
    outcome: str, after_all: bool, live: bool, lock: BenchLock, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(harness.run, "keep_trying", lambda *_, **__: after_all)
    begun: Any = SimpleNamespace(bench=SimpleNamespace(before_doubt=None))
    watcher: Any = SimpleNamespace(say=lambda text: None)
    harness.run._seen_off(None, begun, Ending(outcome, 99, ""), lock, watcher)  # type: ignore[arg-type]
    assert any(note.exists() for note in lock.live_notes()) is live
