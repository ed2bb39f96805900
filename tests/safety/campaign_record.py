"""The durable record of a campaign: one line of JSON for each unit that was spent, and what it all comes to.

A line is written and flushed when its unit is over. A torn last line, of a campaign that was killed, is left out and
its unit spent again. Each line carries a hash of the sources it was spent on; lines of other sources do not count.
"""

from __future__ import annotations

import hashlib
import json
from collections import Counter
from collections.abc import Iterator
from dataclasses import asdict, dataclass, field
from pathlib import Path

from campaign_units import NOTE, NUISANCE, unsafe

ROOT = Path(__file__).parents[2]
SOURCES = ("harness", "drivers", "procedures", "sims", "tests/safety")
SUFFIXES = (".py", ".toml", ".json")


def hash_of_sources(root: Path = ROOT) -> str:
    """Of every source file a unit's outcome may depend on, by path and content."""
    found = hashlib.sha256()
    for folder in SOURCES:
        for path in sorted((root / folder).rglob("*")):
            if path.suffix in SUFFIXES and path.is_file():
                found.update(f"{path.relative_to(root)}\0".encode() + path.read_bytes() + b"\0")
    return found.hexdigest()[:16]


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of one unit. ``seconds`` of machine time, ``cpu_s`` of it spent by its process."""

    part: str
    key: str
    words: list[str] = field(default_factory=list)
    seconds: float = 0.0
    cpu_s: float = 0.0
    sources: str = ""

    @property
    def unsafe(self) -> list[str]:
        return unsafe(self.words)

    @property
    def nuisances(self) -> list[str]:
        return [text for text in self.words if text.startswith(NUISANCE)]

    @property
    def notes(self) -> list[str]:
        return [text.removeprefix(NOTE) for text in self.words if text.startswith(NOTE)]


class Record:
    """``done.jsonl`` in ``place``. What was spent on the same sources before is in ``outcomes``, by part and key."""

    def __init__(self, place: Path, sources: str) -> None:
        place.mkdir(parents=True, exist_ok=True)
        self.path, self.sources = place / "done.jsonl", sources
        self.outcomes: dict[tuple[str, str], Outcome] = {}
        self.of_others = 0
        """Lines of other sources."""
        self._cut_torn_end()
        for outcome in self._lines():
            if outcome.sources == sources:
                self.outcomes[outcome.part, outcome.key] = outcome
            else:
                self.of_others += 1

    def add(self, outcome: Outcome) -> None:
        """Keep one more; it is in the file when this returns."""
        self.outcomes[outcome.part, outcome.key] = outcome
        with self.path.open("a", encoding="utf-8") as file:
            file.write(json.dumps(asdict(outcome), ensure_ascii=False) + "\n")

    def of(self, part: str, keys: set[str]) -> list[Outcome]:
        """The outcomes of a part, of those keys."""
        return [one for (name, key), one in self.outcomes.items() if name == part and key in keys]

    def _cut_torn_end(self) -> None:
        if not self.path.exists():
            return
        data = self.path.read_bytes()
        whole = data[: data.rfind(b"\n") + 1]
        if len(whole) < len(data):
            with self.path.open("r+b") as file:
                file.truncate(len(whole))

    def _lines(self) -> Iterator[Outcome]:
        if not self.path.exists():
            return
        for number, line in enumerate(self.path.read_text("utf-8").splitlines(), 1):
            try:
                yield Outcome(**json.loads(line))
            except (ValueError, TypeError) as error:
                raise SystemExit(f"{self.path}, line {number}: {error}; damaged before its end: move it away") from None


@dataclass(frozen=True, slots=True)
class Tally:
    """What a part has come to."""

    part: str
    whole: int
    outcomes: list[Outcome]

    @property
    def unsafe(self) -> list[Outcome]:
        return [one for one in self.outcomes if one.unsafe]

    @property
    def nuisances(self) -> list[Outcome]:
        return [one for one in self.outcomes if one.nuisances]

    @property
    def notes(self) -> Counter[str]:
        """How often each note was made."""
        return Counter(note for one in self.outcomes for note in one.notes)

    def __str__(self) -> str:
        done, seconds = len(self.outcomes), sum(one.seconds for one in self.outcomes)
        cpu_s = sum(one.cpu_s for one in self.outcomes)
        share = 100.0 * done / self.whole if self.whole else 100.0
        each = f"{seconds / done:.3f} s and {cpu_s / done:.3f} s of CPU each" if done else "-"
        return (
            f"{self.part}: {done} of {self.whole} ({share:.1f} %), unsafe {len(self.unsafe)}, "
            f"nuisance trips {len(self.nuisances)}, {each}"
        )
