"""A whole unattended night of the 12 V bench: a process that is left alone, once to its end, once killed at two.

Minutes each; what is said is printed:

    pytest -n 0 -m slow -s tests/recovery/test_whole_night.py
"""

from __future__ import annotations

import json
import time
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
from evening import PLAN, Evening, Told, evening, kill, until_bedtime

from harness.folder import RunFolder
from harness.jsonlines import events
from harness.samplefile import samples
from sims.bench import open_bench

pytestmark = [pytest.mark.slow, pytest.mark.timeout(1800)]

TWO_AM, MORNING = datetime(2025, 3, 2, 2, 0), datetime(2025, 3, 2, 7, 0)
OFF_WITHIN_S = 2.0
"""From the kill until everything is off, s of machine time."""


def of(kind: str, folder: Path) -> list[dict[str, Any]]:
    return [one for one in events(RunFolder.open(folder)) if one["kind"] == kind]


def left_alone(folder: Path) -> None:
    """What must have come before an unattended run switches anything on."""
    assert len(of("acknowledged", folder)) >= 10
    assert all(row["enough"] for row in of("barriers", folder))
    rehearsed = of("rehearsed", folder)
    assert len(rehearsed) == 3, "the guard was made to act three times over"
    assert of("present", folder) == [], "and nobody was asked to press anything"


def test_to_its_end(tmp_path: Path) -> None:
    with evening(tmp_path) as at:
        until_bedtime(at)
        told = at.typed("run", *PLAN, "--unattended")
        assert told.code == 0, told.text
        assert at.is_off()
        left_alone(at.new())
        assert len(of("stop tried", at.new())) == 1
        at.typed("runs", "--out", "runs")
        page = at.typed("show", at.new().relative_to(tmp_path))
        assert "end volts reached" in page.text
        result = json.loads((at.new() / "result.json").read_bytes())
        found = result["figures"]["capacity_ah"]
        true_ah = open_bench("porch", now=lambda: 0.0).truth()["capacity_ah"]["value"]
        assert abs(found["value"] - float(true_ah)) <= found["expanded_uncertainty"]


def test_killed_at_two_in_the_morning(tmp_path: Path) -> None:
    with evening(tmp_path) as at:
        until_bedtime(at)
        folder = killed_at(at, TWO_AM)
        left_alone(folder)
        morning(at, folder)


def killed_at(at: Evening, instant: datetime) -> Path:
    """Begin the night, kill it at ``instant`` of the bench's calendar, and see the guard switch off."""
    process = at.start("run", *PLAN, "--unattended", earlier=instant - at.clock())
    try:
        at.until(lambda: at.clock() >= instant or process.poll() is not None, "two in the morning", 1200.0)
        assert process.poll() is None, process.communicate()
        assert at.control.truth()["load_on"], "it is in the middle of its discharge"
        seen = at.new() / "samples.csv"
        rows = seen.read_bytes().count(b"\r\n") - 1
        began, when = time.monotonic(), at.clock()
        process.kill()
        at.until(at.is_off, "off", 20.0)
        took_s = time.monotonic() - began
        at.say(process.communicate()[1].rstrip())
    finally:
        kill(process)
    folder = at.new()
    at.say(f"[{when:%H:%M:%S}] KILL; everything off {took_s:.3f} s later by the bench's own truth")
    assert took_s <= OFF_WITHIN_S
    at.until(lambda: b"off confirmed" in (folder / "guard.log").read_bytes(), "the guard's last word")
    at.say((folder / "guard.log").read_text(encoding="utf-8"))
    kept = len(list(samples(RunFolder.open(folder))))
    assert kept >= rows, "what was on the disk before is there after"
    at.say(f"{rows} rows seen before the kill, {kept} kept")
    return folder


def morning(at: Evening, folder: Path) -> None:
    """Hours later somebody comes: what happened, what is known of it, and nothing is switched on."""
    at.passes(MORNING)
    before = {place: place.read_bytes() for place in folder.rglob("*") if place.is_file()}
    name = folder.relative_to(at.place)
    assert at.is_off()
    assert "interrupted: it did not end normally" in at.typed("runs", "--out", "runs").text
    page = at.typed("show", name)
    assert "did not end normally" in page.text
    assert "Its guard switched off, and the instruments said so" in page.text
    assert "its guard acted: the run is gone; off confirmed after" in page.text
    assert "at least" in page.text
    refused = at.typed("run", *PLAN)
    assert refused.code == 30, refused.text
    assert "nightbench safe" in refused.text
    assert at.typed("resume", name).code == 30
    assert at.typed("safe", "--bench", "bench.toml").code == 0
    asked = at.typed("resume", name)
    assert asked.code == 11, "nobody sits there to type what stands on the load"
    told = at.typed("resume", name, "--seen-off", "porch-2")
    assert told.code == 0, told.text
    bounded(told)
    assert at.is_off()
    assert {place: place.read_bytes() for place in before} == before, "the old folder is only read"
    assert at.new() == folder, "and no new run was begun"
    at.typed("runs", "--out", "runs")


def bounded(told: Told) -> None:
    for words in (
        "it did not end normally",
        "the load was on",
        "its guard acted",
        "off confirmed",
        "until its guard saw it off nobody looked for",
        "at least",
        "nothing was switched on",
        "To begin anew: nightbench run capacity",
    ):
        assert words in told.text, words
