"""Mutation run over the safety core: does a test fail for every small fault that can be made in it?

    python tests/safety/mutation.py [--budget MINUTES] [--seed N] [--module NAME] [--place DIR]

It works in copies of the tree under DIR, two processes at most, and goes on where it was left: a mutant is done while
the function it stands in is as it was. Exit code 1 while a part has a survivor nobody has explained. DEVELOPERS.md
says how to read it.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import random
import resource
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from mutants import Mutant
from mutation_carry import carry
from mutation_list import PARTS, ROOT, Part, all_of, files_of, gated
from mutation_map import Map
from mutation_plan import MOST_S, independent_of, limit_s, tests_for
from mutation_survivors import explained

COPIED = ("drivers", "harness", "procedures", "sims", "tests", "pyproject.toml", "README.md", "DEVELOPERS.md")
MEASURED = ("harness", "safety", "procedures", "drivers", "contract", "recovery", "field")
"""Folders of tests that can reach a gated file."""

HERE = Path(__file__).parent

CHUNK = 60
"""Mutants of one file that a process takes at once."""

WORKERS = 2

MEASURING_SHARE = 1 / 3
"""Of the time given, what measuring may take: the tests nearest to the part come first, the rest another time."""

QUICK_S = 0.1
"""A test that takes no longer than this and has killed others of a file is asked first."""


@dataclass(slots=True)
class Campaign:
    """One place: the tree whose tests were measured, the trees mutants are tried in, and what was found."""

    place: Path
    deep: bool = False
    unmeasured: int = 0
    """Test files of which it is not known what they reach."""
    done: dict[str, dict[str, Any]] = field(default_factory=dict)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    @property
    def now(self) -> Path:
        """The tree as it is tried."""
        return self.place / "now"

    def take(self, commit: str) -> None:
        """Copy the tree, so that whoever edits it meanwhile disturbs nothing."""
        copy_tree(self.now, commit)
        then = self.place / "then"
        if then.exists():
            carry(self.place / "map", then, self.now)
            shutil.rmtree(then)
        shutil.copytree(self.now, then)
        for n in range(WORKERS):
            copied(self.now, self.place / f"tree-{n}")
        if (self.place / "done.jsonl").exists():
            for line in (self.place / "done.jsonl").read_text(encoding="utf-8").splitlines():
                one = json.loads(line)
                self.done[one["key"] + one["unit"]] = one

    def measure(self, until: float = math.inf, parts: tuple[Part, ...] = PARTS) -> None:
        """Which test reaches which line; once, and again for whatever has no record. When the time is over what was
        measured must do."""
        missing = self._missing(parts)
        if not missing:
            return
        print(f"measuring which tests reach what: {len(missing)} test files")
        files = json.dumps(sorted(gated(self.place / "then")))
        halves = [missing[n::WORKERS] for n in range(WORKERS)]
        tree = self.place / "then"
        command = [str(HERE / "mutation_map.py"), str(self.place / "map"), files]
        running = [_python([*command, *half], tree, start_new_session=True) for half in halves if half]
        for one in running:
            try:
                one.wait(None if until == math.inf else max(0.0, until - time.monotonic()))
            except subprocess.TimeoutExpired:
                os.killpg(one.pid, signal.SIGKILL)
                one.wait()
        self.unmeasured = len(self._missing(parts))
        if self.unmeasured:
            print(f"{self.unmeasured} of them are left for the next call; what survives until then is tried again")

    def _missing(self, parts: tuple[Part, ...]) -> list[str]:
        return [one for one in measured_tests(self.place / "then", parts) if not self._record(one).exists()]

    def _record(self, test_file: str) -> Path:
        return self.place / "map" / (test_file.replace("/", "-") + ".json")

    def word(self, mutant: Mutant) -> str:
        """What became of it: killed, survived, timed out, or "" for not done."""
        one = self.done.get(mutant.key + mutant.unit)
        return "" if one is None else str(one["word"])

    def hasty(self, mutant: Mutant) -> bool:
        """Whether it survived when fewer test files had been measured than now."""
        one = self.done.get(mutant.key + mutant.unit, {})
        return one.get("word") == "survived" and one.get("unmeasured", 0) > self.unmeasured

    def wrote(self, mutant: Mutant, one: dict[str, Any]) -> None:
        one |= {"unit": mutant.unit, "unmeasured": self.unmeasured}
        with self._lock, (self.place / "done.jsonl").open("a", encoding="utf-8") as file:
            self.done[mutant.key + mutant.unit] = one
            file.write(json.dumps(one) + "\n")

    def run(self, chunks: Iterator[tuple[str, Part, list[Mutant]]], until: float) -> None:
        """Try what is due, until the time is over."""
        seen = Map(self.place / "map")
        files = tuple(sorted(gated(self.now)))

        def works(n: int) -> None:
            while time.monotonic() < until:
                with self._lock:
                    chunk = next(chunks, None)
                if chunk is None:
                    return
                self._chunk(n, chunk, seen, files, until)

        threads = [threading.Thread(target=works, args=(n,)) for n in range(WORKERS)]
        for one in threads:
            one.start()
        for one in threads:
            one.join()

    def _chunk(
        self, n: int, chunk: tuple[str, Part, list[Mutant]], seen: Map, files: tuple[str, ...], until: float
    ) -> None:
        file, part, mutants = chunk
        tree, job = self.place / f"tree-{n}", self.place / f"job-{n}"
        shutil.copy2(self.now / file, tree / file)
        by_key, given = {one.key: one for one in mutants}, []
        for mutant in mutants:
            tests = tests_for(mutant, part, seen, self.now, files, 1e9 if self.deep else MOST_S)
            if tests:
                more = {"at": mutant.at, "end": mutant.end, "new": mutant.new}
                given.append({"key": mutant.key, **more, "tests": tests, "limit_s": limit_s(tests, seen)})
            else:
                self.wrote(mutant, {"key": mutant.key, "word": "survived", "by": "no test runs it", "seconds": 0.0})
        quick = [test for test, seconds in seen.tests.items() if seconds < QUICK_S]
        told = {"file": file, "preload": independent_of(file, self.now), "quick": quick, "mutants": given}
        job.write_text(json.dumps(told), encoding="utf-8")
        process = _python([str(HERE / "mutation_worker.py"), str(job)], tree, stdout=subprocess.PIPE)
        timer = threading.Timer(max(0.0, until - time.monotonic()), process.terminate)
        timer.start()
        assert process.stdout is not None
        for line in process.stdout:
            if line.startswith("{"):
                one = json.loads(line)
                self.wrote(by_key[one["key"]], one)
        process.wait()
        timer.cancel()
        shutil.copy2(self.now / file, tree / file)


def _python(words: list[str], tree: Path, **how: Any) -> subprocess.Popen[str]:
    env = {**os.environ, "PYTHONPATH": str(tree), "NIGHTBENCH_STATE": str(tree / "state")}
    return subprocess.Popen([sys.executable, "-P", *words], cwd=tree, env=env, text=True, **how)


def copy_tree(to: Path, commit: str) -> None:
    """The tree as it is, or as a commit has it."""
    shutil.rmtree(to, ignore_errors=True)
    to.mkdir(parents=True)
    if commit:
        packed = subprocess.run(["git", "-C", str(ROOT), "archive", commit], stdout=subprocess.PIPE, check=True).stdout
        subprocess.run(["tar", "x", "-C", str(to)], input=packed, check=True)
        return
    for name in COPIED:
        if (ROOT / name).is_dir():
            shutil.copytree(ROOT / name, to / name, ignore=shutil.ignore_patterns("__pycache__", ".*"))
        else:
            shutil.copy2(ROOT / name, to / name)


def copied(tree: Path, to: Path) -> None:
    """A copy with everything compiled, so that a mutant costs only what it changes."""
    shutil.rmtree(to, ignore_errors=True)
    shutil.copytree(tree, to)
    folders = [str(to / one) for one in ("drivers", "harness", "procedures", "sims", "tests")]
    subprocess.run([sys.executable, "-m", "compileall", "-q", *folders], check=False)


def measured_tests(tree: Path, parts: tuple[Part, ...] = PARTS) -> list[str]:
    """The test files that are measured, those that look closest at ``parts`` first."""
    patterns = [*(one for part in (*parts, *PARTS) for one in part.first), *(f"{name}/test_*.py" for name in MEASURED)]
    found = (path for pattern in patterns for path in sorted((tree / "tests").glob(pattern)))
    return list(dict.fromkeys(str(path.relative_to(tree)) for path in found))


def due(campaign: Campaign, parts: tuple[Part, ...], draw: random.Random, again: bool) -> list[Any]:
    """What is not done yet, in chunks; ``again``: and whatever has survived without being explained."""
    known, chunks = explained(), []
    for part in parts:
        of_part = []
        for file in files_of(part, campaign.now):
            left = [
                one
                for one in all_of(file, part, campaign.now)
                if not (word := campaign.word(one))
                or ((again or campaign.hasty(one)) and word == "survived" and one.key not in known)
            ]
            draw.shuffle(left)
            of_part += [(file, part, left[n : n + CHUNK]) for n in range(0, len(left), CHUNK)]
        draw.shuffle(of_part)
        chunks += of_part
    return chunks


def report(campaign: Campaign, parts: tuple[Part, ...], *, show: int) -> int:
    """Print what is known; 1 while a part has a survivor nobody has explained."""
    known, bad = explained(), 0
    print(
        f"{'part':12} {'mutants':>7} {'done':>6} {'killed':>6} {'timed out':>9} {'equivalent':>10} {'open':>5}  score"
    )
    open_ones: list[Mutant] = []
    for part in parts:
        mutants = [one for file in files_of(part, campaign.now) for one in all_of(file, part, campaign.now)]
        words = Counter(campaign.word(one) for one in mutants)
        left = [one for one in mutants if campaign.word(one) == "survived"]
        unknown = [one for one in left if one.key not in known]
        dead, done = words["killed"] + words["timed out"], len(mutants) - words[""]
        score = dead / (dead + len(unknown)) if dead + len(unknown) else 1.0
        bad += bool(unknown) and score < part.bar
        print(
            f"{part.name:12} {len(mutants):7} {done:6} {words['killed']:6} {words['timed out']:9} "
            f"{len(left) - len(unknown):9} {len(unknown):5}  {100 * score:.1f} % of {100 * part.bar:.0f} %"
        )
        open_ones += unknown
        for one in mutants:
            if one.key in known and campaign.word(one) == "killed":
                print(f"explained, but killed: take it off the list: {one.key}")
    for mutant in open_ones[:show]:
        print(f"{mutant.file}:{mutant.line}: {mutant.key}")
    if open_ones[show:]:
        print(f"... and {len(open_ones) - show} more; --show N shows more of them")
    return 1 if bad else 0


def main() -> int:
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--budget", type=float, default=60.0, help="minutes after which it stops")
    asked.add_argument("--seed", type=int, default=0, help="order in which mutants are tried")
    asked.add_argument("--module", default="", help="one part: " + ", ".join(part.name for part in PARTS))
    asked.add_argument("--place", type=Path, default=ROOT / ".mutation", help="where it works and remembers")
    asked.add_argument("--commit", default="", help="try a commit instead of the tree as it is")
    asked.add_argument("--again", action="store_true", help="try survivors that are not explained once more")
    asked.add_argument("--deep", action="store_true", help="ask all tests that reach a mutant, however long they take")
    asked.add_argument("--show", type=int, default=40, help="survivors to print")
    told = asked.parse_args()
    began, budget_s = time.monotonic(), 60 * told.budget
    until = began + budget_s
    parts = tuple(part for part in PARTS if told.module in ("", part.name))
    if not parts:
        asked.error(f"no part {told.module!r}")
    campaign = Campaign(told.place.resolve(), told.deep)
    campaign.take(told.commit)
    campaign.measure(began + MEASURING_SHARE * budget_s, parts)
    chunks = due(campaign, parts, random.Random(told.seed), told.again)
    campaign.run(iter(chunks), until)
    code = report(campaign, parts, show=told.show)
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    print(f"processor time of this call: {used.ru_utime + used.ru_stime:.0f} s")
    return code


if __name__ == "__main__":
    sys.exit(main())
