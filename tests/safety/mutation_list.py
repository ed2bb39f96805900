"""What the mutation run is about, as data: which modules, how much of each must be killed, and mutants made by hand."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from mutants import Mutant, by_hand, mutants_of

ROOT = Path(__file__).parents[2]


@dataclass(frozen=True, slots=True)
class Part:
    """Files (patterns), the share of their mutants that must be killed, and the test files (patterns) that look at
    them closest, which are asked first. ``tables``: the strings of its module-level tables are orders."""

    name: str
    files: tuple[str, ...]
    bar: float
    first: tuple[str, ...]
    tables: bool = False


PARTS = (
    Part(
        "interlocks",
        ("harness/interlock*.py", "harness/findings.py"),
        1.0,
        ("harness/test_interlock*.py", "test_tables_interlocks.py"),
    ),
    Part(
        "limits",
        ("harness/limits*.py", "harness/envelope.py"),
        1.0,
        ("harness/test_limits*.py",),
    ),
    Part(
        "safeoff",
        ("harness/safeoff*.py", "harness/off_*.py"),
        1.0,
        ("safety/test_safeoff.py", "safety/test_off_*.py"),
        tables=True,
    ),
    Part("lifecycle", ("harness/lifecycle.py",), 1.0, ("harness/test_lifecycle.py",), tables=True),
    Part("signals", ("harness/signals.py",), 1.0, ("harness/test_signals.py",)),
    Part(
        "guard",
        ("harness/guard*.py",),
        1.0,
        ("safety/test_guard_*.py",),
    ),
    Part(
        "numbers",
        ("drivers/number_texts.py", "drivers/scpi.py", "drivers/replies.py"),
        0.95,
        ("drivers/test_number_texts.py", "drivers/test_scpi_*.py", "contract/test_replies.py"),
    ),
    Part(
        "detectors",
        ("procedures/detectors.py",),
        0.95,
        (
            "procedures/test_counter.py",
            "procedures/test_end_volts.py",
            "procedures/test_opened.py",
            "procedures/test_taper.py",
        ),
    ),
    Part(
        "bench",
        (
            "harness/bench.py",
            "harness/beats.py",
            "harness/turning.py",
            "harness/energising.py",
            "harness/witness.py",
            "harness/stopping.py",
        ),
        0.90,
        ("safety/test_bench_*.py", "safety/test_loop*.py", "safety/test_off_witness.py"),
    ),
    Part("recorder", ("harness/recorder.py",), 0.90, ("harness/test_recorder*.py",)),
)

WORDS_ONLY: dict[str, frozenset[str]] = {
    "harness/interlock.py": frozenset({"said"}),
    "drivers/scpi.py": frozenset({"_hint"}),
    "harness/off_seen.py": frozenset({"Eyes.say"}),
    "harness/limits.py": frozenset({"_unwatched", "_temperature_notes", "_bms_notes"}),
    "harness/envelope.py": frozenset({"Envelope.lines", "Envelope._changes", "Envelope._ups_lines", "_at_most"}),
}
"""Functions whose answer is words for people, by file: no fault of what the program does can be made there."""

GUARD_TESTS = (
    "tests/safety/test_guard_alone.py",
    "tests/safety/test_guard_lines.py",
    "tests/safety/test_guard_beside.py",
    "tests/safety/test_guard_reach.py",
    "tests/safety/test_guard_rehearsal.py",
    "tests/safety/test_real_process.py",
)
"""Tests in which the guard runs as a process of its own, where no line can be seen to be run."""

BY_HAND: tuple[tuple[str, str, str, str], ...] = (
    (
        "harness/interlock.py",
        "return self.count >= self.needed\n",
        "return self.count >= self.needed - 1\n",
        "one sample less",
    ),
    (
        "harness/interlock.py",
        "return self.count >= self.needed\n",
        "return self.count >= self.needed + 1\n",
        "one more",
    ),
    (
        "harness/stopping.py",
        '        self.life.move("trip")\n        report = self.drive_off(\n            replace',
        "        report = self.drive_off(\n            replace",
        "latch removed",
    ),
    (
        "harness/stopping.py",
        '        self.life.move("trip")\n        report = self.drive_off(\n            replace',
        '        self.life.move("trip")\n        self._log.note("trip", sync=True, text=finding.text)\n'
        "        report = self.drive_off(\n            replace",
        "a trip is written before it switches off",
    ),
    (
        "harness/stopping.py",
        "        report = self.drive_off()\n        reason = f",
        '        self._log.note("stop", sync=True, text="")\n        report = self.drive_off()\n        reason = f',
        "a stop is written before it switches off",
    ),
    (
        "harness/turning.py",
        "        sample, finding = bench.loop.look(bench.block)\n",
        "        bench.beats.loop_goes_on()\n        sample, finding = bench.loop.look(bench.block)\n",
        "beat moved before the interlocks",
    ),
    (
        "harness/turning.py",
        "        try:\n            bench.clock.sleep_until",
        "        bench.beats.loop_goes_on()\n        try:\n            bench.clock.sleep_until",
        "a wait beats as well",
    ),
    (
        "harness/energising.py",
        "    output = Output(bench, block.began_s)\n",
        '    bench.note("intent", sync=True)\n    output = Output(bench, block.began_s)\n',
        "the intent is written once more after switching on",
    ),
    ("harness/safeoff.py", "return witness.ask()", "return None", "witness dropped"),
    (
        "harness/guard_outputs.py",
        'return self._within(self.told["off"]) or self._within(self.told["off"])',
        'return self._within(self.told["off"])',
        "retry removed",
    ),
    (
        "harness/guard_acting.py",
        "signal.pidfd_send_signal(self.pidfd, signal.SIGKILL)",
        "pass",
        "kill removed from the fence",
    ),
)
"""Pattern of the file, what stands there, what stands there instead, and its name: faults no operator makes."""


def files_of(part: Part, root: Path = ROOT) -> list[str]:
    """Its files, relative to ``root``."""
    return sorted({str(path.relative_to(root)) for pattern in part.files for path in root.glob(pattern)})


def gated(root: Path = ROOT) -> dict[str, Part]:
    """File -> its part."""
    return {file: part for part in PARTS for file in files_of(part, root)}


def all_of(file: str, part: Part, root: Path = ROOT) -> Iterator[Mutant]:
    """The mutants of one file, those by hand first."""
    source = (root / file).read_text(encoding="utf-8")
    for pattern, old, new, name in BY_HAND:
        if Path(file).match(pattern) and old in source:
            yield by_hand(file, source, old, new, name)
    yield from mutants_of(file, source, skip=WORDS_ONLY.get(file, frozenset()), tables=part.tables)
