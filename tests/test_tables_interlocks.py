"""Each interlock and each procedure stands in every table it belongs to: a row that is missing is a failure."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from math import nan
from pathlib import Path

import pytest
from click.testing import CliRunner

from harness.block import STATE_WORDS
from harness.cli import main
from harness.config import load_bench, load_pack
from harness.findings import Facts, Finding, Watch
from harness.interlocks import CLASSES, TURN_WALL_LIMIT_S, WHERE, Standing
from harness.limits import envelope
from harness.off_order import ORDER
from harness.planning import plan_keys
from harness.procedure import procedures
from harness.sample import Sample

DEVELOPERS = (Path(__file__).parents[1] / "DEVELOPERS.md").read_text(encoding="utf-8")
PHASES = tuple(STATE_WORDS)


@dataclass(frozen=True)
class Trip:
    """Samples (changes to a good one) in a phase, after which the interlock must speak, with its exit code."""

    phase: str
    samples: list[dict[str, object]]
    watch: dict[str, object] = field(default_factory=dict)
    exit_code: int = 21


TRIPS = {
    "pack-opened": Trip("sink", [{}, {"pack_volts": 0.3}, {"pack_volts": 0.3}], {"active_amps": 0.0}, exit_code=22),
    "low-volts": Trip("sink", [{"pack_volts": 18.0}] * 3),
    "high-volts": Trip("source", [{"pack_volts": 30.5}] * 2),
    "over-current": Trip("sink", [{}, {}], {"active_amps": 3.0}),
    "wrong-sign": Trip("source", [{}, {}], {"active_amps": -1.0}),
    "temperature": Trip("source", [{"pack_temp_c": -1.0}] * 2),
    "heating": Trip("rest", [{"elapsed_s": 6.0 * n, "pack_temp_c": 22.0 + 0.6 * n} for n in range(11)]),
    "rise-above-room": Trip("sink", [{"elapsed_s": t, "pack_temp_c": 43.0} for t in (0.0, 10.0)], {"ambient_c": 22.0}),
    "tail": Trip("source", [{}], {"cv_s": 14401.0}),
    "charge-and-time": Trip("sink", [{}], {"block_s": 3601.0, "longest_s": 3600.0}),
    "set-against-measured": Trip("sink", [{}] * 5, {"active_amps": 1.8}),
    "currents-agree": Trip("sink", [{}] * 5, {"shunt_amps": 2.5}),
    "lead-resistance": Trip(
        "sink",
        [{"elapsed_s": t} for t in (0.0, 1.0, 2.0, 3.0, 4.0, 14.0)],
        {"joint_ohm": 0.100, "joint_before_ohm": 0.016},
    ),
    "voltmeters-agree": Trip("sink", [{}] * 6, {"volts_elsewhere": {"meter": 25.9}, "volts_doubt": {"meter": 0.05}}),
    "frozen": Trip(
        "sink",
        [
            {"elapsed_s": t, "readings": {"meter_volts": volts}}
            for t, volts in (*enumerate((26.0, 26.002, 25.998, 26.001, 26.003) * 12), (119.0, 26.003), (119.1, 26.003))
        ],
        exit_code=23,
    ),
    "reading-valid": Trip("rest", [{"pack_volts": nan}] * 3, exit_code=23),
    "drift-of-state": Trip("sink", [{}], {"drift": "load: amps was 2, is 3; not by this run"}),
    "loop-late": Trip("rest", [{}], {"turn_wall_s": TURN_WALL_LIMIT_S + 0.1}, exit_code=24),
    "guard-lost": Trip("rest", [{}], {"guard_silent_s": 3.1}),
    "record-behind": Trip("rest", [{}], {"record_age_s": 5.1}, exit_code=25),
    "nobody-there": Trip("sink", [{}], {"unwatched_s": 600.1}),
}
"""Interlock -> what makes it speak."""


# -- procedures, phases, interlocks ------------------------------------------------------------------------------------


def test_every_interlock_has_a_class_a_place_and_a_row() -> None:
    assert set(CLASSES) == set(WHERE) == set(TRIPS)


@pytest.mark.parametrize("key", CLASSES)
def test_every_procedure_and_phase_has_a_standing(key: str) -> None:
    installed = procedures()
    assert set(WHERE[key]) == set(installed), f"{key}: one row for each installed procedure"
    for name, procedure in installed.items():
        for phase in procedure.phases:
            standing = WHERE[key][name][phase]
            assert standing.word in ("armed", "replaced", "off")
            assert (standing.word == "armed") is (standing.reason == ""), f"{key}, {name}, {phase}: a reason is due"


@pytest.mark.parametrize("name", sorted(procedures()))
def test_phases_are_known_everywhere(name: str) -> None:
    procedure = procedures()[name]
    assert procedure.name == name
    assert set(procedure.phases) <= set(PHASES)
    assert set(procedure.phases) <= set(ORDER)
    assert all(key.description for key in plan_keys(procedure)), "every key of a plan is explained"


@pytest.fixture(scope="module")
def facts(tmp_path_factory: pytest.TempPathFactory) -> Facts:
    place = tmp_path_factory.mktemp("files")
    for kind in ("bench", "pack"):
        CliRunner().invoke(main, ["new", kind, str(place / f"{kind}.toml")])
    pack, bench = load_pack(place / "pack.toml"), load_bench(place / "bench.toml")
    return Facts(
        envelope=envelope(pack=pack, bench=bench),
        rated_ah=pack.rated_ah,
        nominal_volts=pack.nominal_volts,
        lithium=True,
        has_thermometer=True,
        amps_range=40.0,
    )


GOOD = Sample(
    elapsed_s=10.0,
    utc="2025-01-01T22:00:00.000Z",
    state="resting",
    pack_volts=26.0,
    pack_amps=0.0,
    charge_ah=0.0,
    energy_wh=0.0,
    pack_temp_c=22.0,
    readings={},
    flags=(),
)


def watching(phase: str) -> Watch:
    amps = 0.0 if phase == "rest" else 2.0
    return Watch(
        phase=phase,
        procedure="capacity",
        set_amps=amps,
        active_amps=amps,
        active_volts=GOOD.pack_volts,
        set_volts=28.8,
        gap_s=1.0,
        gap_limit_s=3.0,
    )


@pytest.mark.parametrize("key", CLASSES)
def test_every_interlock_speaks(key: str, facts: Facts) -> None:
    row = TRIPS[key]
    made = CLASSES[key](facts)
    for phase in (p for p in PHASES if any(p in rows and rows[p].word != "off" for rows in WHERE[key].values())):
        quiet = CLASSES[key](facts)
        assert [quiet.judge(GOOD, watching(phase)) for _ in range(12)] == [None] * 12
    found: Finding | None = None
    for number, changes in enumerate(row.samples):
        assert found is None or found.again, f"{key}: spoke after {number} samples"
        before = watching(row.phase)
        watch = before if key == "pack-opened" and number == 0 else replace(before, **row.watch)
        found = made.judge(replace(GOOD, **changes), watch)
    assert found is not None
    assert not found.again
    assert found.exit_code == row.exit_code
    assert found.text


def standings() -> dict[str, dict[str, dict[str, Standing]]]:
    """Groups of procedures with the very same rows: "capacity, charge" -> interlock -> phase -> standing."""
    groups: list[tuple[list[str], dict[str, dict[str, Standing]]]] = []
    for name in sorted(procedures()):
        rows = {key: WHERE[key][name] for key in CLASSES}
        for names, known in groups:
            if known == rows:
                names.append(name)
                break
        else:
            groups.append(([name], rows))
    return {", ".join(names): rows for names, rows in groups}


def interlock_lines() -> Iterator[str]:
    for names, rows in standings().items():
        yield f"Procedures: {names}"
        for key, phases in rows.items():
            what = (CLASSES[key].__doc__ or "").strip().splitlines()[0]
            yield f"| `{key}` | {what} | " + " | ".join(one.word for one in phases.values()) + " |"


@pytest.mark.parametrize("line", list(interlock_lines()))
def test_developers_has_the_table_of_interlocks(line: str) -> None:
    assert line in DEVELOPERS.splitlines()


def test_developers_has_no_interlock_that_is_gone() -> None:
    section = DEVELOPERS.partition("## Interlocks")[2].partition("\n## ")[0]
    assert re.findall(r"^\| `([a-z-]+)` \|", section, re.MULTILINE) == list(CLASSES) * len(standings())


@pytest.mark.parametrize("phase", ORDER)
def test_developers_has_the_order_of_switching_off(phase: str) -> None:
    assert f"| {phase} | {', then '.join(ORDER[phase])} |" in DEVELOPERS
