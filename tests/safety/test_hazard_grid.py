"""Every hazard, in every phase, of every installed procedure: a sample of the grid here, all of it with -m slow."""

from __future__ import annotations

import random
import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import grid
import pytest
from click.testing import CliRunner
from grid_judge import Hazard, judge
from grid_moments import OFF, ON, PHASES, reference
from grid_play import play
from hypothesis import given
from hypothesis import strategies as st

from drivers import dialect as dialects
from drivers.dialect_parts import Setting
from drivers.number_texts import sendable
from harness.cli import main
from harness.procedure import procedures

SAMPLED = 10
"""Cells spent in the ordinary suite; which ones is drawn from a seed that never changes."""

DEVELOPERS = grid.DEVELOPERS


def _sample() -> list[grid.Cell]:
    """Every hazard of the table once or never, the phases in turn, the costly nights left to the campaign."""
    draw = random.Random(20261127)
    cheap = [c for c in grid.cells() if not c.why and c.night == "short" and c.hazard not in COSTLY]
    draw.shuffle(cheap)
    taken: dict[str, grid.Cell] = {}
    for phase in PHASES * len(cheap):
        found = next((c for c in cheap if c.phase == phase and grid.HAZARDS[c.hazard].row not in taken), None)
        if found is not None and len(taken) < SAMPLED:
            taken[grid.HAZARDS[found.hazard].row] = found
    return list(taken.values())


COSTLY = ("its line is gone for good", "it neither answers nor obeys any more", "program, guard and computer vanish")


@pytest.mark.parametrize("cell", _sample(), ids=lambda cell: cell.key)
def test_a_drawn_cell(cell: grid.Cell, tmp_path: Path) -> None:
    assert cell.wrong(tmp_path) == []


@pytest.mark.slow
@pytest.mark.timeout(1200)
@pytest.mark.parametrize("hazard", grid.HAZARDS)
def test_every_cell(hazard: str, tmp_path: Path) -> None:
    wrong = {
        f"{cell.key} | {moment}": found
        for cell in grid.cells()
        if cell.hazard == hazard and not cell.why
        for moment in cell.moments()
        if (found := cell.wrong(tmp_path, moment))
    }
    assert wrong == {}


# -- left to itself: program, guard and computer gone ------------------------------------------------------------------

VANISHED = [c for c in grid.cells() if c.hazard == COSTLY[2] and c.phase == "holding"]


def _slow_twin(cell: grid.Cell) -> Any:
    """A capacity run that charges is left with the same supply on as a charge: once is enough here."""
    twin = (cell.procedure, cell.kind) == ("capacity", "source")
    return pytest.param(cell, marks=pytest.mark.slow) if twin else cell


@pytest.mark.parametrize(
    "cell", [_slow_twin(cell) for cell in VANISHED], ids=lambda cell: f"{cell.procedure}, {cell.kind}"
)
def test_the_bench_alone_ends_inside_its_bounds(cell: grid.Cell, tmp_path: Path) -> None:
    """Nobody says anything any more: by its own stops and set-points, for a night, every procedure."""
    assert cell.wrong(tmp_path) == []


def test_every_procedure_is_left_to_itself() -> None:
    assert {(c.procedure, c.kind) for c in VANISHED} == {
        (name, kind) for name, one in procedures().items() for kind in grid.kinds_of(one)
    }


# -- the moments of a phase --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", sorted(procedures()))
def test_moments_lie_where_they_are_said_to_lie(name: str, tmp_path: Path) -> None:
    procedure = procedures()[name]
    for kind in grid.kinds_of(procedure):
        whole = reference(name, kind, "short", "plain")
        assert whole.ends[0] == 0, whole.ends
        scene = play(tmp_path, procedure, kind)
        heard, at = scene.wires.heard, {phase: list(whole.moments[phase].values()) for phase in PHASES}
        assert heard[at["entering"][0]][2] in ON
        assert heard[at["safe-off"][0] - 1][2] in OFF
        assert all(number < scene.started_at for number in at["preflight"])
        assert scene.started_at < min(at["entering"]) < min(at["holding"]) <= max(at["holding"])
        assert max(at["holding"]) <= at["ending"][0] < at["safe-off"][0]


# -- the judge ---------------------------------------------------------------------------------------------------------


def _deaf_to_off(scene: Any) -> None:
    scene.answers["supply"] = lambda message: b"" if message == b"OUTP OFF" else None


def test_the_judge_sees_what_is_left_on(tmp_path: Path) -> None:
    """A supply that cannot be told off, and a hazard that allows nothing but a finish."""
    whole = reference("charge", "source", "short", "plain")
    at = whole.moments["holding"]["in it"]
    scene = play(tmp_path, procedures()["charge"], "source", at=at, spoil=_deaf_to_off)
    hazard = Hazard("", _deaf_to_off, ("source",), {"holding": ("0",)})
    assert any(what.startswith("ended with 99") for what in judge(scene, hazard, "holding", whole))
    scene.exit_code = 0
    assert "exit 0 says off, the world says: supply on" in judge(scene, hazard, "holding", whole)
    scene.exit_code, scene.peaks.cell_least_v, scene.peaks.node_v = 21, 1.9, 99.0
    scene.peaks.ons = [(0.0, "load")] * 5
    words = "; ".join(judge(scene, hazard, "holding", whole))
    for part in ("cells at 1.900", "node at 99.00 V", "switched on 5 times", "ended with 21"):
        assert part in words
    scene.said.clear()
    scene.exit_code = 99
    assert "exit 99, and nobody was told" in judge(scene, hazard, "holding", whole)


# -- the table is complete, and says so when it is not -----------------------------------------------------------------


def test_units_have_keys_of_their_own() -> None:
    keys = [unit.key for unit in grid.units()]
    assert len(keys) == len(set(keys))
    assert len(keys) == len([cell for cell in grid.cells() if not cell.why])


def test_a_row_without_a_proof_is_told() -> None:
    made_up = DEVELOPERS.replace("| short circuit |", "| a meteorite | - | - | - |\n| short circuit |", 1)
    assert grid.lacking(made_up) == [
        "no proof of hazard 'a meteorite'",
        *(
            f"hazard 'a meteorite' has neither cell nor reason in {phase} of {name}"
            for name in procedures()
            for phase in PHASES
        ),
    ]


def test_a_proof_without_a_row_is_told() -> None:
    without = re.sub(r"^\| short circuit \|.*\n", "", DEVELOPERS, flags=re.MULTILINE)
    assert grid.lacking(without) == ["a proof of 'short circuit', which is no row"]


def test_a_new_procedure_has_cells_without_a_line_of_code(tmp_path: Path) -> None:
    again = replace(procedures()["capacity"], name="made-up")
    known = {"made-up": again}
    assert grid.lacking(DEVELOPERS, known) == []
    assert len([c for c in grid.cells(known) if not c.why]) == len(
        [c for c in grid.cells() if c.procedure == "capacity" and not c.why]
    )


def test_a_new_kind_of_block_has_neither_cell_nor_reason() -> None:
    odd = replace(procedures()["capacity"], name="made-up", phases=("rest", "pulse"))
    told = grid.lacking(DEVELOPERS, {"made-up": odd})
    played = [row for row in grid.rows(DEVELOPERS) if row not in grid.NAMED]
    assert told == [
        f"hazard {row!r} has neither cell nor reason in {phase} of made-up" for row in played for phase in PHASES
    ]


def test_a_test_that_is_not_there_is_told() -> None:
    named = {"it": grid.Named("", ("tests/safety/test_hazard_grid.py::test_nowhere", "tests/none.py::test_it"))}
    assert len(grid.missing_tests(named)) == 2


# -- what is neither a run nor a process -------------------------------------------------------------------------------


def _options(command: Any, path: str = "") -> Iterator[tuple[str, str]]:
    for one in command.params:
        yield path, " ".join(one.opts)
    for name, inner in getattr(command, "commands", {}).items():
        yield from _options(inner, f"{path} {name}")


def test_no_option_goes_round_a_look() -> None:
    options = list(_options(main))
    assert len(options) > 20
    banned = re.compile(r"force|skip|ignore|no-check|override|unsafe|yes|assume|trust", re.IGNORECASE)
    assert [one for one in options if banned.search(one[1])] == []
    assert CliRunner().invoke(main, ["run", "capacity", "--force"]).exit_code == 2


@given(value=st.floats(0.001, 1000.0), kept=st.integers(1, 12))
def test_no_part_of_a_set_point_is_more_than_the_whole(value: float, kept: int) -> None:
    """What a dead program leaves of a number in a line. With an exponent 1.2 of 1.2E-1 would be ten times as much; no
    shipped dialect asks for one."""
    text, _ = sendable(Setting(ask="V?", set="V {}", unit="V", decimals=3), value)
    assert "E" not in text.upper()
    assert float(text[:kept].rstrip(".") or 0.0) <= float(text)


@pytest.mark.parametrize("name", dialects.shipped())
def test_no_shipped_dialect_sends_an_exponent(name: str) -> None:
    one = dialects.load(name)
    assert not getattr(one, "exponent", False)
    assert not any(getattr(part, "exponent", None) for _, part in dialects.parts(one))
