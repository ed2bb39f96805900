"""What is data is complete: no procedure, phase, interlock, dialect, scenario, figure or exit code without its row.

Who adds one of them adds one row here; DEVELOPERS.md names which.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from importlib import resources
from importlib.metadata import entry_points
from math import nan
from pathlib import Path

import pytest
from click.testing import CliRunner

from drivers import dialect as dialects
from drivers.contact import Contact
from drivers.load import Load
from drivers.meter import Meter
from drivers.session import Session
from drivers.supply import Supply
from drivers.switch import PowerSwitch
from drivers.thermometer import Thermometer
from drivers.wire_memory import MemoryWire
from harness import errors, stops
from harness.block import STATE_WORDS
from harness.cli import main
from harness.clock import Clock
from harness.config import load_bench, load_pack
from harness.findings import Facts, Finding, Watch
from harness.interlocks import CLASSES, TURN_WALL_LIMIT_S, WHERE, Standing
from harness.limits import envelope
from harness.listing import TITLES
from harness.off_order import ORDER
from harness.planning import plan_keys
from harness.procedure import procedures
from harness.sample import Sample
from procedures.fit_work import IDS as VERDICT_IDS
from sims.bench import open_bench, scenarios

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
PHASES = tuple(STATE_WORDS)

# -- rows to add to ----------------------------------------------------------------------------------------------------

SUPPLY = {
    "VOLT?": "12.800",
    "CURR?": "+2.5E0",
    "OUTP?": "0",
    "MEAS:VOLT?": "12.79",
    "MEAS:CURR?": "0.001",
    "VOLT:PROT?": "15.0",
    "CURR:PROT:STAT?": "0",
    "SENS:REM?": "1",
    "VOLT:PROT:TRIP?": "0",
    "CURR:PROT:TRIP?": "0",
}
LOAD = {
    "CURR?": "2.000",
    "VOLT?": "26.000",
    "MEAS:VOLT?": "12.79",
    "MEAS:CURR?": "0.000",
    "VOLT:PROT:LOW?": "9.2",
    "VOLT:PROT:LOW:DEL?": "1",
    "VOLT:PROT:LOW:TRIP?": "0",
    "CURR:PROT?": "6.0",
    "SENS:REM?": "0",
    "STAT:QUES:COND?": "0",
}
WATCHDOG = {"SYST:COMM:WATC:TIME?": "10", "SYST:COMM:WATC?": "1", "SYST:COMM:WATC:TRIP?": "0"}
ANSWERS: dict[str, dict[str, str]] = {
    "scpi-supply": SUPPLY | {"STAT:QUES:COND?": "0"},
    "scpi-supply-two-quadrant": SUPPLY | {"STAT:QUES:COND?": "0", "CURR:NEG?": "5.000", "MEAS:CURR?": "-1.200"},
    "scpi-supply-select": SUPPLY | {"STAT:QUES:INST:ISUM2:COND?": "0", "INST:NSEL?": "2"},
    "scpi-supply-suffix": {
        "SOUR2:VOLT?": "12.800",
        "SOUR2:CURR?": "2.500",
        "OUTP2?": "0",
        "MEAS2:VOLT?": "12.79",
        "MEAS2:CURR?": "0.001",
        "SOUR2:VOLT:PROT?": "15.0",
        "SOUR2:CURR:PROT:STAT?": "0",
        "SENS2:REM?": "1",
        "STAT:QUES:INST:ISUM2:COND?": "0",
        "SOUR2:VOLT:PROT:TRIP?": "0",
        "SOUR2:CURR:PROT:TRIP?": "0",
    },
    "scpi-supply-list": {
        "VOLT? (@2)": "12.800",
        "CURR? (@2)": "2.500",
        "OUTP? (@2)": "0",
        "MEAS:VOLT? (@2)": "12.79",
        "MEAS:CURR? (@2)": "0.001",
        "VOLT:PROT? (@2)": "15.0",
        "CURR:PROT:STAT? (@2)": "0",
        "SENS:REM? (@2)": "1",
        "STAT:QUES:INST:ISUM2:COND?": "0",
        "VOLT:PROT:TRIP? (@2)": "0",
        "CURR:PROT:TRIP? (@2)": "0",
    },
    "scpi-supply-watchdog": SUPPLY | WATCHDOG | {"STAT:QUES:COND?": "0"},
    "scpi-load-watchdog": LOAD | WATCHDOG | {"INP?": "0", "FUNC?": "CURR"},
    "scpi-load": LOAD | {"INP?": "0", "FUNC?": "CURR"},
    "scpi-load-mode": LOAD | {"LOAD?": "0", "MODE?": "CC"},
    "scpi-meter": {"MEAS:VOLT:DC?": "12.8012"},
    "scpi-shunt-meter": {"MEAS:VOLT:DC?": "0.00501"},
    "scpi-thermometer": {"MEAS:TEMP?": "21.50"},
    "scpi-switch": {"OUTP?": "0"},
    "scpi-switch-route": {"ROUT:CLOS? (@2)": "0"},
    "scpi-contact": {"SENS:CONT:CLOS?": "1"},
}
"""Shipped dialect -> each question it asks (of channel 2), with an answer in the instrument's own words."""

SCENARIOS = {
    "asleep": "open, asleep or not connected",
    "cabinet": "good to go",
    "manners": "good to go",
    "porch": "good to go",
    "reversed": "reversed",
    "sink": "good to go",
    "swapped": "received b'NIGHTBENCH,SIM-LOAD,",
    "weak": "good to go",
    "wrong-cells": "under its floor",
}
"""Scenario -> what `nightbench check` says about it."""


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


# -- dialects ----------------------------------------------------------------------------------------------------------

DRIVERS = {
    "supply": Supply,
    "load": Load,
    "meter": Meter,
    "thermometer": Thermometer,
    "switch": PowerSwitch,
    "contact": Contact,
}


class Answering:
    """An instrument that knows the answers of one row and nothing else."""

    def __init__(self, answers: dict[str, str]) -> None:
        self.answers = {"*IDN?": "OURS,ROW,1,0", "SYST:ERR?": '0,"No error"', **answers}

    def feed(self, data: bytes) -> bytes:
        return b"".join(self.answer(line).encode() + b"\n" for line in data.decode("ascii").splitlines())

    def answer(self, line: str) -> str:
        asked = [one.removeprefix(":") for one in line.split(";") if "?" in one]
        return ";".join(self.answers[one] for one in asked)

    def hang_up(self) -> None: ...


def questions(one: dialects.AnyDialect) -> set[str]:
    asked = {part.ask.replace("{channel}", "2") for _, part in dialects.parts(one)}
    return asked | ({one.channels.ask} if one.channels.ask else set())


def test_every_dialect_has_a_row() -> None:
    assert set(dialects.shipped()) == set(ANSWERS)


@pytest.mark.parametrize("name", dialects.shipped())
def test_dialect_loads_and_its_answers_are_understood(name: str) -> None:
    one = dialects.load(name)
    assert set(ANSWERS[name]) == questions(one)
    kind = type(one).__name__.removesuffix("Dialect").lower()
    session = Session(MemoryWire(lambda: Answering(ANSWERS[name]), lambda seconds: None, name="it", address="memory"))
    session.open()
    driver = DRIVERS[kind](session, one, channel=None if one.channels.how == "none" else 2)
    if isinstance(driver, Supply | Load):
        assert driver.state()
        assert driver.tripped() is None
    if isinstance(driver, Supply):
        assert driver.mode() in ("cv", "cc", "off", "driven", "unknown")
    if isinstance(driver, PowerSwitch):
        assert driver.state() == {"position": False}
    if isinstance(driver, Contact):
        assert driver.closed()
    if isinstance(driver, Supply | Load | Meter):
        assert driver.measure_volts() == float(ANSWERS[name][one.measured_volts.ask.replace("{channel}", "2")])


@pytest.mark.parametrize("name", dialects.shipped())
def test_dialect_stands_in_readme(name: str) -> None:
    assert f"`{name}`" in README


# -- simulated benches -------------------------------------------------------------------------------------------------


def test_every_scenario_has_a_row() -> None:
    assert set(scenarios()) == set(SCENARIOS)


@pytest.mark.parametrize("name", sorted(scenarios()))
def test_scenario_loads_and_is_told_apart(name: str, tmp_path: Path) -> None:
    bench = open_bench(name, now=lambda: 0.0)
    assert scenarios()[name]
    addresses = {one: f"sim:{name}/{one}" for one in bench.names}
    texts = {"bench.toml": bench.bench_toml(addresses, own_dialects=True), "pack.toml": bench.pack_toml()}
    shipped = resources.files("drivers") / "dialects"
    texts |= bench.dialect_files(lambda one: (shipped / f"{one}.toml").read_text("utf-8"))
    for file, text in texts.items():
        (tmp_path / file).write_text(text, encoding="utf-8")
    words = ["check", "--bench", str(tmp_path / "bench.toml"), "--pack", str(tmp_path / "pack.toml")]
    outcome = CliRunner().invoke(main, words)
    assert outcome.exit_code == (0 if SCENARIOS[name] == "good to go" else 11), outcome.output
    assert SCENARIOS[name] in " ".join(outcome.output.split())


@pytest.mark.parametrize("path", sorted((ROOT / "sims").glob("*.py")), ids=lambda path: path.name)
def test_every_simulated_part_says_what_it_leaves_out(path: Path) -> None:
    text = ast.get_docstring(ast.parse(path.read_text(encoding="utf-8"))) or ""
    assert path.name == "__init__.py" or "Not modelled:" in text


GROUPS = ["nightbench.benches", "nightbench.servers", "nightbench.procedures", "nightbench.verdicts"]


@pytest.mark.parametrize("group", GROUPS)
def test_entry_points_load(group: str) -> None:
    found = list(entry_points(group=group))
    assert found
    for one in found:
        loaded = one.load()
        assert callable(getattr(loaded, "run", getattr(loaded, "judge", loaded)))


# -- figures -----------------------------------------------------------------------------------------------------------


def figure_ids(source: str) -> set[str]:
    """Keys under which a procedure files a ``figure(...)`` or ``Figure(...)``."""

    def is_figure(node: ast.expr | None) -> bool:
        return isinstance(node, ast.Call) and getattr(node.func, "id", "") in ("figure", "Figure")

    found = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Dict):
            found |= {k.value for k, v in zip(node.keys, node.values, strict=True) if is_figure(v)}
        elif isinstance(node, ast.Assign) and is_figure(node.value):
            found |= {one.slice.value for one in node.targets if isinstance(one, ast.Subscript)}
    return found


MEMBERS = {"amps", "min_v"}
"""Figures within entries of a list; they are printed under their ids."""


def test_figure_ids_are_seen() -> None:
    assert figure_ids('a = {"x_v": figure(1), "n": 2}\na["y_v"] = Figure(2)\nb = figure(3)') == {"x_v", "y_v"}


def test_every_figure_has_a_title_and_every_title_a_figure() -> None:
    used = set().union(*(figure_ids(path.read_text("utf-8")) for path in (ROOT / "procedures").glob("*.py")))
    assert used - MEMBERS | {*VERDICT_IDS, "runtime_s"} == set(TITLES)


def test_true_figures_go_by_the_same_ids() -> None:
    source = (ROOT / "sims" / "truth.py").read_text(encoding="utf-8")
    assert figure_ids(source)
    assert figure_ids(source) <= set(TITLES)


# -- exit codes --------------------------------------------------------------------------------------------------------


def codes_in_use() -> dict[int, set[str]]:
    """Exit code -> names that stand for it: classes of refusals and stops, and findings with a code of their own."""
    found: dict[int, set[str]] = {0: set(), 1: {"ProgramError"}, stops.OFF_UNREADABLE: {"OFF_UNREADABLE"}}
    for module in (errors, stops):
        for name, one in vars(module).items():
            if isinstance(one, type) and issubclass(one, errors.UserError | stops.RunStopped):
                found.setdefault(one.exit_code, set()).add(name)
    for path in (ROOT / "harness").glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "Finding":
                for keyword in node.keywords:
                    if keyword.arg == "exit_code" and isinstance(keyword.value, ast.Constant):
                        found.setdefault(int(keyword.value.value), set())
    return found


def table_of_codes(page: str) -> dict[int, str]:
    rows = re.findall(r"^\| (\d+) \| (.*) \|$", page, re.MULTILINE)
    assert len({code for code, _ in rows}) == len(rows), "a code twice"
    return {int(code): rest for code, rest in rows}


def test_readme_has_every_exit_code() -> None:
    assert set(table_of_codes(README)) == set(codes_in_use())


def test_developers_has_every_exit_code_and_who_raises_it() -> None:
    table = table_of_codes(DEVELOPERS)
    assert set(table) == set(codes_in_use())
    for code, names in codes_in_use().items():
        assert names - {"UserError", "RunStopped"} <= set(re.findall(r"`(\w+)`", table[code])), code
    assert max(table) < 126, "126 and up are the shell's (POSIX, 2.8.2)"


@pytest.mark.parametrize("kind", sorted({one.kind for one in Clock.__subclasses__()} | {"scaled"}))
def test_developers_has_every_clock(kind: str) -> None:
    assert re.search(rf"^\| {kind} \|", DEVELOPERS, re.MULTILINE)
