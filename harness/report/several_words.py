"""What a page about several runs says of each of them: read once, told side by side, what is alike told once."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from harness.derived import result_of
from harness.folder import RunFolder
from harness.headlines import headline
from harness.report.facts import RunFacts, gather
from harness.report.run_words import Pairs, Rows, RunWords, run_words

Off = tuple[str, str, str, str]


@dataclass(frozen=True, slots=True)
class OneRun:
    """A run with everything a page of its own would say of it."""

    facts: RunFacts
    words: RunWords
    number: int

    @property
    def short(self) -> str:
        """How the page calls it; its folder's name stands once."""
        return f"run {self.number}"

    @property
    def name(self) -> str:
        return self.facts.folder.name

    @property
    def sentence(self) -> str:
        """How it came out, with a capital."""
        said = headline(self.facts.result)
        return f"{said[:1].upper()}{said[1:]}"

    @property
    def conditions(self) -> Pairs:
        return self.words.conditions


def read_runs(folders: Sequence[RunFolder]) -> tuple[OneRun, ...]:
    """In order of time. Raises ``UserError`` for a run without a result that can be read."""
    found = [gather(folder, result_of(folder)) for folder in folders]
    found.sort(key=lambda facts: (facts.result.started, facts.folder.name))
    return tuple(OneRun(facts, run_words(facts), number) for number, facts in enumerate(found, 1))


def short_names(runs: Sequence[OneRun], names: Sequence[str]) -> str:
    """``runs 2, 3`` for folder names; one that is none of the runs by its name."""
    known = {run.name: str(run.number) for run in runs}
    return f"{'run' if len(names) == 1 else 'runs'} {', '.join(known.get(name, name) for name in names)}"


def off_rows(runs: Iterable[OneRun]) -> tuple[Off, ...]:
    """Run, whether off was confirmed, by whom it was seen, how."""
    return tuple(_off(run) for run in runs)


def _off(run: OneRun) -> Off:
    told = dict(run.words.off)
    after = f", {told['from the first off to the proof']}" if "from the first off to the proof" in told else ""
    return run.short, told["off"], f"{told.get('seen by', '')}{after}", told.get("how", "")


def instrument_rows(runs: Sequence[OneRun]) -> Rows:
    """Each instrument once; in which runs, where not in all."""
    used: dict[tuple[str, ...], list[str]] = {}
    for run in runs:
        for row in run.words.instruments.rows:
            used.setdefault(row, []).append(str(run.number))
    heads = next((run.words.instruments.heads for run in runs if run.words.instruments.rows), ())
    if all(len(where) == len(runs) for where in used.values()):
        return Rows("", heads, tuple(used))
    named = ("all" if len(where) == len(runs) else ", ".join(where) for where in used.values())
    return Rows("", (*heads, "in runs"), tuple((*row, where) for row, where in zip(used, named, strict=True)))


def alike(runs: Sequence[OneRun], lines: Iterable[tuple[str, str]]) -> Iterator[str]:
    """Lines as (folder's name, text): a text of every run once, others headed by their runs."""
    told: dict[str, list[str]] = {}
    for name, text in lines:
        told.setdefault(text, []).append(name)
    for text, names in told.items():
        yield text if len(names) == len(runs) else f"{short_names(runs, names)}: {text}"


def doubts(runs: Sequence[OneRun]) -> tuple[str, ...]:
    """What is wrong with the records."""
    return tuple(alike(runs, ((run.name, text) for run in runs for text in run.words.doubts)))


def changed_limits(runs: Sequence[OneRun]) -> tuple[str, ...]:
    """Limits that somebody changed."""
    return tuple(alike(runs, ((run.name, text) for run in runs for text in run.words.changed_limits)))


def happened(runs: Sequence[OneRun]) -> tuple[str, ...]:
    """What ended runs, and times without a look."""
    each = ((run.short, text) for run in runs for text in (*run.words.events.ended, *run.words.events.gaps))
    return tuple(f"{short}: {text}" for short, text in each)


def wiring(runs: Sequence[OneRun]) -> tuple[str, ...]:
    """Where volts were taken, operators and notes."""
    return tuple(alike(runs, ((run.name, text) for run in runs for text in run.words.wiring)))
