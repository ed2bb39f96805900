"""Folders as a run leaves them that died: a run in memory that came to its end, cut off behind one of its rows.

What a process leaves that is killed between two rows is just that: the rows and events until then, the result as it
was first written, no lock. (That a killed process really leaves this is tried with real ones elsewhere.)
"""

from __future__ import annotations

import json
import shutil
import tempfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from harness.clock import VirtualClock
from harness.folder import RunFolder
from harness.procedure import procedures
from harness.run import Done, Home, Job, Watcher, prepare, run
from sims.bench import SimBench
from sims.scenario import Scenario, load_scenario

FIRST = (
    "schema",
    "procedure",
    "name",
    "simulated",
    "started",
    "plan",
    "bench",
    "cautions",
    "software",
    "hashes",
    "continued_from",
)
"""What stands in the result before anything was measured."""


@dataclass(frozen=True, slots=True)
class Ended:
    """A run in memory that came to its end, on its bench."""

    done: Done
    bench: SimBench
    clock: VirtualClock
    files: Path
    job: Job

    @property
    def rows(self) -> int:
        assert self.done.result.rows is not None
        return self.done.result.rows


def ended(
    place: Path,
    procedure: str,
    *sets: str,
    scenario: str | Scenario = "porch",
    edit: Callable[[str], str] = lambda text: text,
    watcher: Watcher | None = None,
    beside: Mapping[str, str] | None = None,
    clock: VirtualClock | None = None,
) -> Ended:
    """One whole run in memory. ``beside``: files beside the bench file, by name."""
    clock = clock or VirtualClock()
    facts = load_scenario(scenario) if isinstance(scenario, str) else scenario
    bench = SimBench(facts, now=clock.now, seed=None)
    files = Path(tempfile.mkdtemp(dir=place))
    addresses = {name: f"sim:{bench.scenario}/{name}" for name in bench.names}
    (files / "bench.toml").write_text(edit(bench.bench_toml(addresses, clock=None)), encoding="utf-8")
    for name, text in (beside or {}).items():
        (files / name).write_text(text, encoding="utf-8")
    (files / "pack.toml").write_text(bench.pack_toml(), encoding="utf-8")
    (files / "ups.toml").write_text(bench.ups_toml(), encoding="utf-8")
    kind = procedures()[procedure]
    job = Job(
        kind,
        files / "bench.toml",
        files / "pack.toml" if kind.subject == "pack" else None,
        sets=sets,
        out=files / "runs",
        home=Home(clock, bench),
        ups=files / "ups.toml" if kind.subject == "ups" else None,
    )
    return Ended(run(prepare(job), watcher=watcher or Watcher()), bench, clock, files, job)


def died(whole: Ended, place: Path, *, rows: int) -> RunFolder:
    """The folder of that run, had it died with so many rows written."""
    return cut(whole.done.folder, place, rows=rows)


def cut(source: RunFolder, place: Path, *, rows: int) -> RunFolder:
    """A copy of a run's folder as it was with so many rows written, and nobody holding it any more."""
    target = Path(tempfile.mkdtemp(dir=place)) / source.name
    target.mkdir(parents=True)
    shutil.copytree(source.inputs, target / "inputs")
    lines = source.samples_csv.read_bytes().splitlines(keepends=True)
    (target / "samples.csv").write_bytes(b"".join(lines[: 1 + rows]))
    events = source.events_jsonl.read_bytes().splitlines(keepends=True)
    kept = [line for line in events if json.loads(line).get("rows", 0) <= rows and b'"kind":"ended"' not in line]
    (target / "events.jsonl").write_bytes(b"".join(kept))
    result = json.loads(source.result_json.read_bytes())
    first: dict[str, Any] = {key: result[key] for key in FIRST if key in result}
    (target / "result.json").write_text(json.dumps(first), encoding="utf-8")
    return RunFolder.open(target)


def nearly_empty(share: float) -> Scenario:
    """The porch's bench with its pack so full."""
    nominal = load_scenario("porch")
    return replace(nominal, pack=replace(nominal.pack, start_share=(share,) * 4))
