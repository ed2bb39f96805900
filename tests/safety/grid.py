"""The hazard grid: every row of DEVELOPERS.md's table of hazards, in every phase, of every installed procedure.

A cell is one fault at one moment of one run, judged by the simulated world. Where a hazard cannot be met there stands a
reason in words; what only real processes can show names the test that shows it. DEVELOPERS.md says how to add a row.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import night as nights
from campaign_units import Unit
from grid_judge import Hazard, judge
from grid_moments import PHASES, reference
from grid_named import NAMED, Named
from grid_play import play
from grid_rows_bench import ROWS as OF_THE_BENCH
from grid_rows_computer import ROWS as OF_THE_COMPUTER
from grid_rows_pack import ROWS as OF_THE_PACK
from grid_rows_ups import ROWS as OF_THE_UPS

from harness.procedure import Procedure, procedures

ROOT = Path(__file__).parents[2]
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
HAZARDS: dict[str, Hazard] = {**OF_THE_PACK, **OF_THE_UPS, **OF_THE_BENCH, **OF_THE_COMPUTER}
"""What goes wrong -> the row it is for, what is done and how a run may end."""

FIRST = {"preflight": "first word", "entering": "on", "holding": "in it", "ending": "last samples", "safe-off": "off"}
"""The moment of each phase that every procedure has."""

SHORT_IN = ("preflight", "ending", "safe-off")
"""Phases in which a night need not be long for anything to be seen."""


@dataclass(frozen=True, slots=True)
class Cell:
    """One fault in one phase of one kind of block of one procedure; ``why`` it cannot be met there, or ""."""

    hazard: str
    procedure: str
    kind: str
    phase: str
    why: str = ""

    @property
    def key(self) -> str:
        return f"{self.hazard} | {self.procedure} | {self.kind} | {self.phase}"

    @property
    def night(self) -> str:
        return "short" if self.phase in SHORT_IN else HAZARDS[self.hazard].night

    def moments(self) -> dict[str, int]:
        """Message numbers at which it may happen, the one every procedure has first."""
        whole = reference(self.procedure, self.kind, self.night, HAZARDS[self.hazard].variant)
        not_at = HAZARDS[self.hazard].not_at
        found = {moment: at for moment, at in whole.moments[self.phase].items() if moment not in not_at}
        first = FIRST[self.phase]
        if HAZARDS[self.hazard].begin is not None and self.phase == "preflight":
            return {first: found[first]}
        return {first: found[first]} | found

    def wrong(self, out: Path, moment: str = "") -> list[str]:
        """Play it at one of its moments; everything that is wrong afterwards."""
        hazard = HAZARDS[self.hazard]
        whole = reference(self.procedure, self.kind, self.night, hazard.variant)
        at = whole.moments[self.phase][moment or FIRST[self.phase]]
        before = hazard.begin is not None and self.phase == "preflight"
        scene = play(
            out,
            procedures()[self.procedure],
            self.kind,
            night=self.night,
            variant=hazard.variant,
            at=at,
            spoil=(lambda scene: None) if before else hazard.spoil,
            **({"facts": hazard.begin} if before and hazard.begin is not None else {}),  # type: ignore[arg-type]
        )
        return judge(scene, hazard, self.phase, whole, moment or FIRST[self.phase])


def kinds_of(procedure: Procedure) -> tuple[str, ...]:
    """The kinds of blocks in which a procedure has current flow."""
    return tuple(phase for phase in procedure.phases if phase != "rest")


def cells(known: Mapping[str, Procedure] | None = None, hazards: Mapping[str, Hazard] = HAZARDS) -> Iterator[Cell]:
    """Every cell there is, and every reason; a kind of block that a hazard knows nothing of has neither."""
    for name, procedure in (procedures() if known is None else known).items():
        for key, hazard in hazards.items():
            for kind in kinds_of(procedure):
                for phase in PHASES:
                    if kind in hazard.kinds:
                        yield Cell(key, name, kind, phase, hazard.not_in.get(phase, ""))
                    elif kind in hazard.why:
                        yield Cell(key, name, kind, phase, hazard.why[kind])


def units(keep: Callable[[Cell], bool] = lambda cell: True) -> list[Unit]:
    """Every cell at its first moment as a unit of a campaign. The other moments of a phase are spent in the same unit:
    where they lie is only known once the undisturbed run has been played."""
    return [Unit(f"grid | {cell.key}", partial(_spend, cell)) for cell in cells() if not cell.why and keep(cell)]


def _spend(cell: Cell, out: Path) -> list[str]:
    with nights.quick():
        return [f"{moment}: {what}" for moment in cell.moments() for what in cell.wrong(out, moment)]


# -- what must be there ------------------------------------------------------------------------------------------------


def rows(page: str) -> list[str]:
    """The hazards of the table in DEVELOPERS.md, by the words of their first cells."""
    section = page.partition("## Hazards and barriers")[2].partition("\n## ")[0]
    table = section.partition("| hazard | held outside")[2]
    return re.findall(r"^\| (.+?) \|", table, re.MULTILINE)


def lacking(
    page: str,
    known: Mapping[str, Procedure] | None = None,
    hazards: Mapping[str, Hazard] = HAZARDS,
    named: Mapping[str, Named] = NAMED,
) -> list[str]:
    """In words, every row without a proof, every proof without a row, and every hole in the grid."""
    there, proved = rows(page), {hazard.row for hazard in hazards.values()} | set(named)
    found = [f"no proof of hazard {row!r}" for row in there if row not in proved]
    found += [f"a proof of {row!r}, which is no row" for row in sorted(proved) if row not in there]
    known = procedures() if known is None else known
    met = {(hazards[cell.hazard].row, cell.procedure, cell.phase) for cell in cells(known, hazards)}
    for row in there:
        for name in known:
            found += [
                f"hazard {row!r} has neither cell nor reason in {phase} of {name}"
                for phase in PHASES
                if row not in named and (row, name, phase) not in met
            ]
    return found


def missing_tests(named: Mapping[str, Named] = NAMED) -> list[str]:
    """Tests that a proof is said to be, and that are not there."""
    return [f"{row}: no test {test}" for row, one in named.items() for test in one.tests if not _is_there(test)]


def _is_there(test: str) -> bool:
    file, _, name = test.partition("::")
    path = ROOT / file
    if not path.is_file():
        return False
    tree = ast.parse(path.read_text(encoding="utf-8"))
    return any(isinstance(node, ast.FunctionDef) and node.name == name for node in tree.body)
