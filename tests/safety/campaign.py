"""The whole safety campaign, one command: ``python tests/safety/campaign.py --budget MINUTES --seed N``.

Parts: ``singles`` (every message of a short night of every procedure, spoilt in every way), ``pairs`` of faults,
``nights`` without a fault in which nothing may speak, ``grid`` (hazards by phases by procedures). Units are spent in an
order drawn from the seed by two processes; each is one line of ``done.jsonl`` in ``--place``. Run again, it goes on
where it was. It ends with 1 when anything unsafe was ever found on these sources, or more nights than one were ended
for nothing. ``--unit PART:KEY`` spends one unit alone and prints what is wrong with it.
"""

from __future__ import annotations

import argparse
import hashlib
import importlib.util
import os
import random
import sys
import tempfile
import time
from collections.abc import Iterator
from itertools import zip_longest
from pathlib import Path

HERE = Path(__file__).parent
sys.path[:0] = [str(folder) for folder in (HERE, HERE.parent / "procedures") if str(folder) not in sys.path]

import campaign_faults  # noqa: E402
import campaign_nights  # noqa: E402
from campaign_pool import MOST_PROCESSES, spend_all, spent  # noqa: E402
from campaign_record import ROOT, Outcome, Record, Tally, hash_of_sources  # noqa: E402
from campaign_units import Unit  # noqa: E402
from night import quick  # noqa: E402

PARTS = ("singles", "pairs", "nights", "grid")

NUISANCES_MOST = 1
"""So many of the thousand nights may be ended for nothing (judgement: more teaches people to change limits)."""

TOLD_EVERY_S = 30.0

IN_MEMORY = Path("/dev/shm")
"""Where there is one, thousands of folders cost no disk."""


def units_of(part: str, seed: int) -> dict[str, Unit]:
    """The units of a part by key; the seed draws what is drawn in it."""
    match part:
        case "singles":
            found = campaign_faults.singles()
        case "pairs":
            found = campaign_faults.pairs(seed)
        case "nights":
            found = campaign_nights.nights(seed)
        case _:
            found = iter(_grid())
    return {unit.key: unit for unit in found}


def _grid() -> list[Unit]:
    if importlib.util.find_spec("grid") is None:
        return []
    import grid

    return list(grid.units())


def in_order(whole: dict[str, dict[str, Unit]], seed: int) -> list[tuple[str, str]]:
    """Every unit, shuffled by the seed within its part; the parts by turns, so that a small one is soon whole."""
    shuffled = []
    for part in sorted(whole):
        jobs = [(part, key) for key in whole[part]]
        random.Random(f"order/{seed}/{part}").shuffle(jobs)
        shuffled.append(jobs)
    return [job for row in zip_longest(*shuffled) for job in row if job is not None]


def tallies(record: Record, whole: dict[str, dict[str, Unit]]) -> Iterator[Tally]:
    for part, units in whole.items():
        yield Tally(part, len(units), record.of(part, set(units)))


def told(outcome: Outcome) -> Iterator[str]:
    for text in outcome.unsafe:
        yield f"UNSAFE {outcome.part}:{outcome.key}: {text}"
    for text in outcome.nuisances:
        yield f"{outcome.part}:{outcome.key}: {text}"


def scratch_of(place: Path) -> Path:
    """Where the nights of the campaign in ``place`` are spent: the same each time, so that nothing piles up."""
    name = hashlib.sha256(str(place.resolve()).encode()).hexdigest()[:12]
    return (IN_MEMORY if IN_MEMORY.is_dir() else Path(tempfile.gettempdir())) / f"nightbench-campaign-{name}"


def campaign(place: Path, *, parts: tuple[str, ...], seed: int, budget_s: float, processes: int) -> int:
    """Spend units for ``budget_s``; the exit code."""
    began = time.monotonic()
    record = Record(place, hash_of_sources())
    whole = {part: units_of(part, seed) for part in parts}
    jobs = [job for job in in_order(whole, seed) if job not in record.outcomes]
    before = len(record.outcomes)
    print(f"sources {record.sources}, seed {seed}, {place}: {before} units done before", flush=True)
    if record.of_others:
        print(f"{record.of_others} lines of other sources do not count", flush=True)
    due, until_s = began + TOLD_EVERY_S, began + budget_s
    for outcome in spend_all(
        jobs, units_of, around=quick, seed=seed, scratch=scratch_of(place), until_s=until_s, processes=processes
    ):
        kept = Outcome(outcome.part, outcome.key, outcome.words, outcome.seconds, outcome.cpu_s, record.sources)
        record.add(kept)
        for line in told(kept):
            print(line, flush=True)
        if time.monotonic() >= due:
            due = time.monotonic() + TOLD_EVERY_S
            print(f"{time.monotonic() - began:.0f} s: {'; '.join(map(str, tallies(record, whole)))}", flush=True)
    return _report(list(tallies(record, whole)), time.monotonic() - began)


def _report(found: list[Tally], took_s: float) -> int:
    print(f"\nafter {took_s:.0f} s:")
    for tally in found:
        print(f"{tally}\n   {', '.join(f'{n} x {note}' for note, n in sorted(tally.notes.items())) or '-'}")
        for outcome in (*tally.unsafe, *tally.nuisances):
            print("\n".join(f"   {line}" for line in told(outcome)))
    unsafe, nuisances = sum(len(t.unsafe) for t in found), sum(len(t.nuisances) for t in found)
    print(f"unsafe {unsafe}, nuisance trips {nuisances}, of {sum(len(t.outcomes) for t in found)} units", flush=True)
    return 1 if unsafe or nuisances > NUISANCES_MOST else 0


def one_unit(name: str, seed: int) -> int:
    """Spend one unit in this process and print its words."""
    part, _, key = name.partition(":")
    with tempfile.TemporaryDirectory() as folder, quick():
        os.environ["NIGHTBENCH_STATE"] = folder
        outcome = spent(part, units_of(part, seed)[key], Path(folder))
    print("\n".join(outcome.words))
    return 1 if outcome.unsafe else 0


def main(words: list[str]) -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n\n")[0])
    parser.add_argument("--budget", type=float, default=10.0, help="minutes after which no unit is begun")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--part", choices=(*PARTS, "all"), default="all")
    parser.add_argument("--place", type=Path, default=ROOT / ".campaign", help="folder of the record")
    parser.add_argument("--processes", type=int, default=MOST_PROCESSES, help=f"at most {MOST_PROCESSES}")
    parser.add_argument("--unit", metavar="PART:KEY", help="spend this one and print all of its words")
    given = parser.parse_args(words)
    if given.unit:
        return one_unit(given.unit, given.seed)
    parts = PARTS if given.part == "all" else (given.part,)
    budget_s, processes = 60.0 * given.budget, given.processes
    return campaign(given.place, parts=parts, seed=given.seed, budget_s=budget_s, processes=processes)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
