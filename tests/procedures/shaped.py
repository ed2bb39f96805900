"""One procedure on a simulated bench in memory whose instruments have habits of their own, and what came of it."""

from __future__ import annotations

import tempfile
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import Any

from harness.clock import VirtualClock
from harness.job import Done
from harness.procedure import procedures
from harness.result import Result
from harness.run import Home, Job, Watcher, prepare, run
from sims.bench import SimBench
from sims.manners import Manners
from sims.scenario import Scenario
from sims.serve import serve


def repr_toml(text: str) -> str:
    """A terminator as TOML writes it, the NULs that pad it left out: they carry nothing."""
    return '"' + text.replace("\0", "").replace("\r", "\\r").replace("\n", "\\n") + '"'


def shipped(name: str) -> str:
    """The text of a shipped dialect."""
    return (resources.files("drivers") / "dialects" / f"{name}.toml").read_text("utf-8")


def write_files(
    folder: Path, bench: SimBench, *, addresses: Mapping[str, str] | None = None, clock: Any = None
) -> None:
    """bench.toml, pack.toml, ups.toml, and a dialect file for each instrument with habits of the line."""
    if addresses is None:
        addresses = {name: f"sim:{bench.scenario}/{name}" for name in bench.names if name not in bench.shared}
    (folder / "bench.toml").write_text(bench.bench_toml(addresses, clock=clock, own_dialects=True), encoding="utf-8")
    for file, text in bench.dialect_files(shipped).items():
        (folder / file).write_text(text, encoding="utf-8")
    (folder / "pack.toml").write_text(bench.pack_toml(), encoding="utf-8")
    (folder / "ups.toml").write_text(bench.ups_toml(), encoding="utf-8")


@dataclass(frozen=True, slots=True)
class Ran:
    """A run that is over, and the bench it left."""

    done: Done
    bench: SimBench

    @property
    def result(self) -> Result:
        return self.done.result

    @property
    def values(self) -> dict[str, Any]:
        """Figures by id."""
        return {name: figure.value for name, figure in self.result.figures.items()}


class Eye(Watcher):
    """Acts at each sample shown."""

    def __init__(self, each: Callable[[Any], None] | None) -> None:
        self.each = each

    def show(self, sample: Any, watch: Any, interlocks: Any) -> None:
        if self.each is not None:
            self.each(sample)

    def acknowledged_unsafe(self, serial: str) -> bool:
        return True


@contextmanager
def served(place: Path, scenario: str, *, wire: str, manners: Mapping[str, Manners] | None = None) -> Iterator[Any]:
    """A stepped bench served by a thread of this process, its files below ``place``."""
    door = serve(scenario, wire=wire, stepped=True, manners=manners)
    over = threading.Event()
    thread = threading.Thread(target=door.run_forever, args=(over.is_set,), daemon=True)
    thread.start()
    try:
        write_files(place, door.bench, addresses=door.addresses, clock=door.clock_entry())
        yield door
    finally:
        over.set()
        thread.join()
        door.close()


def ran_there(place: Path, door: Any, procedure: str, *, sets: tuple[str, ...] = (), each: Any = None) -> Ran:
    """Run it on a bench of ``served``; ``each(sample)`` is called as the screen is."""
    one = procedures()[procedure]
    job = Job(
        one,
        place / "bench.toml",
        place / "pack.toml" if one.subject == "pack" else None,
        sets=sets,
        out=place / "runs",
        ups=place / "ups.toml" if one.subject == "ups" else None,
    )
    return Ran(run(prepare(job), watcher=Eye(each)), door.bench)


def ran(
    place: Path,
    facts: Scenario,
    procedure: str,
    *,
    manners: Mapping[str, Manners] | None = None,
    sets: tuple[str, ...] = (),
    each: Callable[[SimBench, Any], None] | None = None,
    arrange: Callable[[SimBench], None] | None = None,
    edit: Callable[[str], str] | None = None,
    beside: Mapping[str, str] | None = None,
) -> Ran:
    """Run it in memory; ``each(bench, sample)`` is called as the screen is, ``arrange(bench)`` before anything is said,
    ``edit`` changes the bench file, ``beside`` are files that stand beside it, by name."""
    clock = VirtualClock()
    bench = SimBench(facts, now=clock.now, seed=None, manners=manners)
    files = Path(tempfile.mkdtemp(dir=place))
    if arrange is not None:
        arrange(bench)
    write_files(files, bench)
    for name, text in (beside or {}).items():
        (files / name).write_text(text, encoding="utf-8")
    if edit is not None:
        (files / "bench.toml").write_text(edit((files / "bench.toml").read_text("utf-8")), encoding="utf-8")
    one = procedures()[procedure]
    job = Job(
        one,
        files / "bench.toml",
        files / "pack.toml" if one.subject == "pack" else None,
        sets=sets,
        out=files / "runs",
        home=Home(clock, bench),
        ups=files / "ups.toml" if one.subject == "ups" else None,
    )
    watcher = Eye(None if each is None else lambda sample: each(bench, sample))
    return Ran(run(prepare(job), watcher=watcher), bench)
