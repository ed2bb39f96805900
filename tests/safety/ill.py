"""Nights drawn on ill-mannered instruments: habits, shapes, faults, people, second clients and wrong files; and their
judge, who asks the simulated world.

Everything of a night is drawn from its seed: the same seed is the same night. As a program it spends nights and prints
what is wrong with them: ``python tests/safety/ill.py 1000 2000`` for the seeds from 1000 on up to 2000.
"""

from __future__ import annotations

import os
import sys
import tempfile
from collections import Counter
from dataclasses import replace
from pathlib import Path
from typing import Any

import night as nights
from ill_bench import Spent, Watch, Wires, facts_of, own_files, spend
from ill_draw import Drawn, Hit, draw_manners, draw_night
from ill_files import edited
from ill_judge import OFF_WORDS, ON_WORDS, judge, left_on
from shaped import write_files

__all__ = [
    "Campaign",
    "Drawn",
    "Hit",
    "Spent",
    "Watch",
    "Wires",
    "draw_manners",
    "edited",
    "facts_of",
    "judge",
    "left_on",
    "own_files",
    "spend",
    "write_files",
]


class Campaign:
    """Spends nights; the nights without hits are kept for comparing."""

    def __init__(self, place: Path) -> None:
        self.place = place
        self._plain: dict[tuple[Any, ...], Spent] = {}
        self.codes: Counter[str] = Counter()

    def plain(self, drawn: Drawn) -> Spent:
        """The same run on instruments without habits."""
        key = (drawn.procedure, drawn.scenario, drawn.fitted)
        if key not in self._plain:
            bare = replace(drawn, manners={}, own=True, wrong="", hits=[])
            self._plain[key] = spend(self.place, bare)
        return self._plain[key]

    def count(self, drawn: Drawn) -> tuple[int, list[int], list[int]]:
        spent = spend(self.place, drawn, hits=False)
        heard = spent.wires.heard
        if len(heard) < 50:
            heard = self.plain(drawn).wires.heard
        ons = [n for n, (_, _, m) in enumerate(heard) if ON_WORDS.search(m)]
        offs = [n for n, (_, _, m) in enumerate(heard) if OFF_WORDS.search(m)]
        return len(heard), ons, offs

    def one(self, seed: int) -> tuple[Spent, list[str]]:
        drawn = draw_night(seed, self.count)
        spent = spend(self.place, drawn)
        self.codes[f"{'wrong file' if drawn.wrong else 'right file'} {spent.exit_code}"] += 1
        return spent, judge(spent, self.plain)


def main(words: list[str]) -> None:
    with tempfile.TemporaryDirectory() as folder, nights.quick():
        os.environ["NIGHTBENCH_STATE"] = folder
        campaign = Campaign(Path(folder))
        for seed in range(int(words[0]), int(words[1])):
            spent, wrong = campaign.one(seed)
            if wrong or "-v" in words:
                print(f"{spent.drawn}\n   -> {spent.exit_code} {spent.why[:300]}", flush=True)
                for text in wrong:
                    print(f"   !! {text[-1500:]}", flush=True)
        print(dict(sorted(campaign.codes.items())), flush=True)


if __name__ == "__main__":
    main(sys.argv[1:])
