"""Whole runs on instruments of every shape and habit: the figures are those of the plain instruments, to the digit.

Each shape and habit changes how an instrument is spoken to and not what it measures, and the noise of its readings is
drawn anew for each reading; so a run that asks for as many readings must find the same figures.
"""

from __future__ import annotations

import re
from dataclasses import replace
from importlib import resources
from pathlib import Path
from typing import Any

import pytest
from shaped import Ran, ran, ran_there, served

from sims.manners import Manners
from sims.scenario import Scenario, load_scenario

SHAPES = {
    "two-quadrant supply": {"supply": Manners(shape="two-quadrant")},
    "supply that selects": {"supply": Manners(shape="select")},
    "supply with suffixes": {"supply": Manners(shape="suffix", wired_channel=3)},
    "supply with channel lists": {"supply": Manners(shape="list", wired_channel=1)},
    "load with modes": {"load": Manners(shape="mode")},
    "relay box": dict.fromkeys(("mains", "acload", "contactor"), Manners(shape="route")),
}

HABITS = {
    "echo": Manners(echo=True),
    "CR LF": Manners(ends="\r\n"),
    "CR": Manners(ends="\r", hears="\r"),
    "NUL padding": Manners(ends="\n\0\0\0"),
    "no terminator": Manners(ends=""),
    "unit suffixes and quotes": Manners(unit_suffix=True, quoted=True),
    "comma decimals": Manners(comma=True),
    "numbers with exponents": Manners(nr3=True, plus_sign=True),
    "error queue in other words": Manners(error_words="unquoted"),
    "no exponent taken": Manners(no_exponent=True),
    "one question a message": Manners(compound="first"),
    "short input buffer": Manners(buffer_bytes=24),
    "remote command needed": Manners(remote_needed=True),
    "banner": Manners(banner="READY v1"),
    "command gap": Manners(gap_s=0.02),
    "orders answered": Manners(answers_orders="OK"),
    "deaf after an opening": Manners(deaf_s=2.0, defaults_at_open=True),
    "slow to answer": Manners(reply_delay_s=0.05),
    "grid cut off": Manners(grid="truncate"),
}

TAKES_TIME = ("no terminator", "command gap", "slow to answer", "deaf after an opening")
"""With these the readings are taken at other instants."""

FULL = {
    "supply": Manners(shape="select", echo=True, comma=True, unit_suffix=True, remote_needed=True),
    "load": Manners(shape="mode", ends="\r\n", quoted=True, plus_sign=True, nr3=True, answers_orders="OK"),
    "meter": Manners(ends="\n\0\0\0", plus_sign=True, error_words="prefixed", deaf_s=0.2),
}
"""Habits of every kind at once."""


def nearly_empty() -> Scenario:
    """The porch's pack just above its end: a discharge of a minute."""
    nominal = load_scenario("porch")
    return replace(nominal, pack=replace(nominal.pack, start_share=(0.021,) * 4))


CAPACITY = ("capacity", ("charge_first=false", "rate_it=1.5", "rest_s=2", "rest_after_s=2"))
SWEEP = ("voltage-floor", ("coarse_step_v=2", "mains_wait_s=30", "idle_s=10"))
"""Every stage of a sweep, with few levels and little waiting."""


WITH_A_PACK = ("supply", "load", "contactor")
"""What a run on a pack has a use for."""


def fitted(facts: Scenario, manners: dict[str, Manners]) -> Scenario:
    return replace(facts, fitted=(*facts.fitted, *(name for name in manners if name not in facts.fitted)))


def outside(one: Ran, plain: dict[str, Any]) -> list[str]:
    """Figures that differ from the plain bench's by more than their expanded uncertainty."""
    return [
        f"{name}: {figure.value} for {plain[name]}"
        for name, figure in one.result.figures.items()
        if not abs(figure.value - plain[name]) <= (figure.expanded_uncertainty or 0.0)
    ]


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> Any:
    place, known = tmp_path_factory.mktemp("plain"), {}

    def values(facts: Scenario, procedure: str, sets: tuple[str, ...]) -> dict[str, Any]:
        key = (facts.name, facts.fitted, procedure)
        if key not in known:
            one = ran(place, facts, procedure, sets=sets)
            assert one.done.exit_code == 0, one.result.end_reason
            assert one.values
            known[key] = one.values
        return known[key]

    return values


@pytest.mark.parametrize("shape", SHAPES)
def test_capacity_on_every_shape(shape: str, plain: Any, tmp_path: Path) -> None:
    procedure, sets = CAPACITY
    facts = fitted(nearly_empty(), {k: v for k, v in SHAPES[shape].items() if k in WITH_A_PACK})
    manners = {name: one for name, one in SHAPES[shape].items() if name in facts.fitted}
    one = ran(tmp_path, facts, procedure, manners=manners, sets=sets)
    assert one.done.exit_code == 0, one.result.end_reason
    assert one.values == plain(facts, procedure, sets)


@pytest.mark.parametrize("shape", SHAPES)
def test_floor_sweep_on_every_shape(shape: str, plain: Any, tmp_path: Path) -> None:
    facts = fitted(load_scenario("cabinet"), SHAPES[shape])
    one = ran(tmp_path, facts, SWEEP[0], manners=SHAPES[shape], sets=SWEEP[1])
    assert one.done.exit_code == 0, one.result.end_reason
    assert one.values == plain(facts, *SWEEP)


@pytest.mark.parametrize("habit", HABITS)
def test_capacity_with_every_habit(habit: str, plain: Any, tmp_path: Path) -> None:
    procedure, sets = CAPACITY
    facts = nearly_empty()
    one = ran(tmp_path, facts, procedure, manners=dict.fromkeys(facts.fitted, HABITS[habit]), sets=sets)
    assert one.done.exit_code == 0, one.result.end_reason
    if habit in TAKES_TIME:
        assert not outside(one, plain(facts, procedure, sets))
    else:
        assert one.values == plain(facts, procedure, sets)


@pytest.mark.parametrize("habit", [Manners(settle_s=0.3), Manners(reply_delay_s=0.05)], ids=["settles", "slow"])
def test_floor_sweep_on_a_supply_that_takes_its_time(habit: Manners, plain: Any, tmp_path: Path) -> None:
    facts = load_scenario("cabinet")
    one = ran(tmp_path, facts, SWEEP[0], manners={"supply": habit}, sets=SWEEP[1])
    assert one.done.exit_code == 0, one.result.end_reason
    assert not outside(one, plain(facts, *SWEEP))


# -- transports --------------------------------------------------------------------------------------------------------

WIRES = ("tcp", "pty", "hislip")
SOME = ("tcp", "pty", pytest.param("hislip", marks=pytest.mark.slow))
QUICK = ("charge_first=false", "rate_it=1.3", "rest_s=0", "rest_after_s=0")


def low(place: Path) -> str:
    """The cabinet's story with its pack nearly empty, as a file of one's own."""
    told = (resources.files("sims") / "scenarios" / "cabinet.toml").read_text("utf-8")
    shares = "start_share = [0.060, 0.061, 0.059, 0.062, 0.060, 0.058, 0.061, 0.060]"
    lower = re.sub(r"^start_share = .*$", shares, told, flags=re.MULTILINE)
    assert lower != told
    (place / "cabinet-low.toml").write_text(lower, encoding="utf-8")
    return str(place / "cabinet-low.toml")


@pytest.mark.parametrize("wire", WIRES)
def test_capacity_over_every_transport(wire: str, plain: Any, tmp_path: Path) -> None:
    story = low(tmp_path)
    with served(tmp_path, story, wire=wire) as door:
        one = ran_there(tmp_path, door, "capacity", sets=QUICK)
    assert one.done.exit_code == 0, one.result.end_reason
    expected = plain(load_scenario(story), "capacity", QUICK)
    assert one.values == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("wire", SOME)
def test_floor_sweep_over_every_transport(wire: str, plain: Any, tmp_path: Path) -> None:
    with served(tmp_path, "cabinet", wire=wire) as door:
        one = ran_there(tmp_path, door, SWEEP[0], sets=SWEEP[1])
    assert one.done.exit_code == 0, one.result.end_reason
    assert one.values == pytest.approx(plain(load_scenario("cabinet"), *SWEEP), rel=1e-9)


@pytest.mark.parametrize("wire", SOME)
def test_ill_mannered_over_every_transport(wire: str, plain: Any, tmp_path: Path) -> None:
    """Habits of every kind at once, on each transport."""
    manners = FULL
    if wire == "hislip":  # messages there have their ends, and nothing comes back but replies
        manners = manners | {"supply": replace(manners["supply"], echo=False)}
    with served(tmp_path, "cabinet", wire=wire, manners=manners) as door:
        one = ran_there(tmp_path, door, SWEEP[0], sets=SWEEP[1])
    assert one.done.exit_code == 0, one.result.end_reason
    assert not outside(one, plain(load_scenario("cabinet"), *SWEEP))


# -- whole nights: pytest -m slow tests/procedures/test_shapes_on_the_bench.py -----------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("shape", SHAPES)
def test_a_whole_night_on_every_shape(shape: str, plain: Any, tmp_path: Path) -> None:
    facts = fitted(load_scenario("porch"), {k: v for k, v in SHAPES[shape].items() if k in WITH_A_PACK})
    manners = {name: one for name, one in SHAPES[shape].items() if name in facts.fitted}
    one = ran(tmp_path, facts, "capacity", manners=manners)
    assert one.done.exit_code == 0, one.result.end_reason
    assert one.values == plain(facts, "capacity", ())


@pytest.mark.slow
@pytest.mark.parametrize("wire", WIRES)
def test_a_whole_night_over_every_transport(wire: str, plain: Any, tmp_path: Path) -> None:
    with served(tmp_path, "porch", wire=wire) as door:
        one = ran_there(tmp_path, door, "capacity")
    assert one.done.exit_code == 0, one.result.end_reason
    assert one.values == pytest.approx(plain(load_scenario("porch"), "capacity", ()), rel=1e-9)
