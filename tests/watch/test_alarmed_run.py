"""Whole runs with alarms: tested before, told at the end by a process of its own, and never disturbed by it."""

from __future__ import annotations

import json
import sys
import threading
from pathlib import Path
from typing import Any

import pytest

from harness import alarms
from harness.errors import PreflightRefused
from harness.job import Done, Job, Watcher, prepare
from harness.procedure import procedures
from harness.run import run
from sims.bench import open_bench

SECRET = "tok-5e5e5e5e"
TELLS = "import sys; open(sys.argv[1], 'a').write(sys.stdin.read())"
SETS = ("charge_first=false", "rate_it=1.3", "rest_s=0", "rest_after_s=0")


class Bench:
    """Bench and pack file of the porch, whose alarm writes to ``said``."""

    def __init__(self, place: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        self.place, self.said = place, place / "said"
        monkeypatch.setenv("XDG_CONFIG_HOME", str(place / "own"))
        monkeypatch.setattr(alarms, "_took_it", {})
        monkeypatch.setattr(alarms, "_started", [])
        sim = open_bench("porch", now=lambda: 0.0)
        text = sim.bench_toml({name: f"sim:porch/{name}" for name in sim.names})
        (place / "bench.toml").write_text(f'alarms = ["phone"]\n{text}', encoding="utf-8")
        (place / "pack.toml").write_text(sim.pack_toml(), encoding="utf-8")
        self.alarm(TELLS)

    def alarm(self, code: str) -> None:
        file = self.place / "own" / "nightbench" / "alarms.toml"
        file.parent.mkdir(parents=True, exist_ok=True)
        words = [sys.executable, "-I", "-S", "-c", code, str(self.said), SECRET]
        file.write_text(f"[phone]\ncommand = {json.dumps(words)}\n", encoding="utf-8")
        file.chmod(0o600)

    def run(self, watcher: Watcher | None = None, *, unattended: bool = False) -> Done:
        files = self.place / "bench.toml", self.place / "pack.toml"
        job = Job(procedures()["capacity"], *files, SETS, out=self.place / "runs", unattended=unattended)
        return run(prepare(job), watcher=watcher)

    def hears(self, words: str) -> str:
        for _ in range(400):
            text = self.said.read_text() if self.said.exists() else ""
            if words in text:
                return text
            threading.Event().wait(0.05)
        raise AssertionError(f"{words!r} was not told: {text!r}")


@pytest.fixture(name="bench")
def _bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Bench:
    return Bench(tmp_path, monkeypatch)


def test_tested_before_and_told_at_the_end(bench: Bench) -> None:
    done = bench.run()
    text = bench.hears(f"SIMULATED: ended, finished: {done.folder.name}")
    assert text.startswith("TEST, all is well: porch-4s")
    (teller,) = alarms._started
    assert teller.wait(20.0) == 0
    for file in done.folder.path.rglob("*"):
        assert not file.is_file() or SECRET.encode() not in file.read_bytes(), file
    assert b'alarms = ["phone"]' in (done.folder.inputs / "bench.toml").read_bytes()


def test_its_process_dies_and_the_run_goes_on(bench: Bench) -> None:
    class Kills(Watcher):
        def show(self, *_told: Any) -> None:
            for one in alarms._started:
                one.kill()

    done = bench.run(Kills())
    assert (done.exit_code, done.result.outcome) == (0, "finished")
    (teller,) = alarms._started
    assert teller.wait(20.0) == -9


def test_one_that_cannot_be_told_refuses_a_night_and_is_a_note_otherwise(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench.alarm("raise SystemExit(4)")
    said: list[str] = []

    class Hears(Watcher):
        def say(self, text: str) -> None:
            said.append(text)

    assert bench.run(Hears()).exit_code == 0
    assert "note: alarms: alarm phone: not sent: its command ended with 4" in said
    monkeypatch.setattr("harness.job.refuse_unattended", lambda _ready: None)  # what else speaks against it
    before = sorted((bench.place / "runs").iterdir())
    with pytest.raises(PreflightRefused, match=r"alarm phone: not sent.*nothing was switched on"):
        bench.run(unattended=True)
    assert sorted((bench.place / "runs").iterdir()) == before
    for one in alarms._started:
        one.kill()
        one.wait(20.0)
