"""What the guard is told of a bench, on one in memory; every message by hand."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import msgspec
import pytest

from drivers.exchange import Exchange
from drivers.session import Session
from drivers.wire import Timeout
from harness import guard, guard_orders
from harness.clock import VirtualClock
from harness.config import load_bench
from harness.connect import connect
from harness.guard_orders import NoGuard, orders_of
from harness.guard_ways import NotReachable
from harness.rig import Rig
from sims.bench import SimBench, open_bench
from sims.manners import Manners

ANSWERING = Manners(remote_needed=True, answers_orders="OK", shape="select")
COMMA = Manners(comma=True)


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., tuple[Rig, SimBench]]:
    """Of a scenario, with these habits; each instrument is reached by its address in memory."""
    monkeypatch.setattr(guard_orders, "way_of", lambda session: {"to": session.wire.address})

    def made(scenario: str, **manners: Manners) -> tuple[Rig, SimBench]:
        clock = VirtualClock()
        one = open_bench(scenario, now=clock.now, manners=manners)
        for name, text in one.dialect_files(_shipped).items():
            (tmp_path / name).write_text(text, encoding="utf-8")
        addresses = {name: f"sim:{scenario}/{name}" for name in one.names if name not in one.shared}
        place = tmp_path / "bench.toml"
        place.write_text(one.bench_toml(addresses, clock=None, own_dialects=True), encoding="utf-8")
        rig = connect(load_bench(place), clock=clock, sim=one).rig
        assert rig is not None
        return rig, one

    return made


def _shipped(name: str) -> str:
    return (Path(guard.__file__).parents[1] / "drivers" / "dialects" / f"{name}.toml").read_text(encoding="utf-8")


def said(messages: list[list[Any]]) -> list[tuple[str, bool]]:
    return [(bytes.fromhex(text).decode(), answered) for text, answered in messages]


def test_of_a_bench_for_a_ups(bench: Any) -> None:
    orders, unreachable = orders_of(bench("cabinet")[0])
    assert unreachable == ()
    assert orders["kinds"] == {"supply": "supply", "load": "load", "mains": "mains", "acload": "ac-load"}
    assert orders["lines"] == {f"sim:cabinet/{name}": {"to": f"sim:cabinet/{name}"} for name in orders["kinds"]}
    assert orders["serials"] == {
        "supply": "cabinet-1", "load": "cabinet-2", "mains": "cabinet-5", "acload": "cabinet-6"
    }  # fmt: skip
    assert orders["order"]["trace"] == [["mains", 0.0], ["supply", 0.0], ["load", 3.0], ["acload", 0.0]]
    assert orders["order"]["trace, amps"][0] == ["load", 0.0]
    assert {one[1] for told in orders["order"].values() for one in told} == {0.0, 3.0}
    assert orders["alarm"][0].startswith("*** OFF NOT CONFIRMED")
    assert "battery fuse (30 A)" in orders["alarm"][2]
    load, mains = orders["outputs"]["load"], orders["outputs"]["mains"]
    assert said(load["begin"]) == [("\n", False)], "half an earlier message is ended first"
    assert said(load["off"]) == [("INP OFF\n", False)]
    assert said(load["ask"]["messages"]) == [("INP?\n", False)]
    assert said(load["amps"]["messages"]) == [("MEAS:CURR?\n", False)]
    assert said(load["soften"]) == [("FUNC CURR\n", False), ("CURR 0.000\n", False)]
    assert {key: load["ask"][key] for key in ("off_replies", "on_replies", "bit", "form")} == {
        "off_replies": ["0", "OFF"], "on_replies": ["1", "ON"], "bit": None, "form": "(.+?)"
    }  # fmt: skip
    assert {key: load["amps"][key] for key in ("form", "comma", "per_unit")} == {
        "form": "(.+?)", "comma": False, "per_unit": 1.0
    }  # fmt: skip
    assert (load["line"], load["zero_amps"]) == ("sim:cabinet/load", 0.02)
    assert said(mains["off"]) == [("OUTP OFF\n", False)]
    assert (mains["amps"], mains["soften"], mains["zero_amps"]) == (None, [], 0.0)


def test_without_mains_to_switch_no_load_waits(bench: Any) -> None:
    orders, _ = orders_of(bench("porch")[0])
    assert orders["order"]["trace"] == [["supply", 0.0], ["load", 0.0]]
    assert said(orders["outputs"]["supply"]["soften"]) == [("CURR 0.000\n", False)]


def test_an_instrument_that_answers_orders_and_wants_remote_and_a_channel(bench: Any) -> None:
    supply = orders_of(bench("porch", supply=ANSWERING, load=COMMA)[0])[0]["outputs"]["supply"]
    assert [one for one in said(supply["begin"]) if "OUTP" not in one[0]] == [
        ("\n", False), ("SYST:REM\n", True), ("INST:NSEL 2\n", True)
    ]  # fmt: skip
    assert said(supply["off"]) == [("OUTP OFF\n", True)]
    assert said(supply["ask"]["messages"]) == [("INST:NSEL 2;:OUTP?\n", True)]
    assert said(supply["soften"]) == [("INST:NSEL 2;:CURR 0.000\n", True)]


def test_a_decimal_comma(bench: Any) -> None:
    outputs = orders_of(bench("porch", load=COMMA)[0])[0]["outputs"]
    assert (outputs["load"]["amps"]["comma"], outputs["supply"]["amps"]["comma"]) == (True, False)


def test_whom_it_does_not_reach_and_who_is_left(bench: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    def way(session: Session) -> dict[str, Any]:
        if session.wire.address.endswith("load"):
            raise NotReachable("it is on another planet")
        return {"to": session.wire.address}

    monkeypatch.setattr(guard_orders, "way_of", way)
    orders, unreachable = orders_of(bench("porch")[0])
    assert unreachable == ("load (load): it is on another planet",)
    assert set(orders["outputs"]) == set(orders["kinds"]) == set(orders["serials"]) == {"supply"}
    assert set(orders["lines"]) == {"sim:porch/supply"}
    assert orders["order"]["sink"] == [["load", 0.0], ["supply", 0.0]], "its place in the order stays"


@pytest.mark.parametrize(("least", "lowest"), [(None, "CURR 0.000\n"), (0.1, "CURR 0.100\n"), (-5.0, "CURR 0.000\n")])
def test_the_lowest_current_an_instrument_can_hold(least: float | None, lowest: str, bench: Any) -> None:
    """Of a supply that sinks as well its range begins below 0 A."""
    supply = bench("porch")[0].supply
    amps = msgspec.structs.replace(supply.dialect.amps, least=least)
    supply.dialect = msgspec.structs.replace(supply.dialect, amps=amps)
    assert said(guard_orders._soften(supply)) == [(lowest, False)]


def test_what_is_the_order_and_what_comes_before_it(bench: Any) -> None:
    """A line that could not be opened at first has nothing of it; and an instrument may be asked in two messages."""
    rig, _ = bench("porch")
    load = rig.load

    class Asked(type(load)):  # type: ignore[misc]
        off_texts = ("INP OFF", "SYST?\nINP?")

        def off(self) -> None:
            self.session.wire.tap(Exchange("load", b"", None, "Lost: nobody there"))
            super().off()

    load.__class__ = Asked
    told = orders_of(rig)[0]["outputs"]["load"]
    assert said(told["begin"]) == [("\n", False)]
    assert said(told["off"]) == [("INP OFF\n", False)]
    assert said(told["ask"]["messages"]) == [("SYST?\n", False), ("INP?\n", False)]


# -- who does not obey -------------------------------------------------------------------------------------------------


def test_the_exit_code_of_a_run_without_its_guard() -> None:
    assert NoGuard.exit_code == 40


def test_one_that_stays_on(bench: Any) -> None:
    rig, one = bench("porch")
    one.world.load.input_on = True
    rig.load.off = lambda: rig.load.session.tell_whoever("*CLS")
    with pytest.raises(NoGuard, match="guard: load was told off and says that it is on; look at it before anything"):
        orders_of(rig)


@pytest.mark.parametrize(("what", "name"), [("supply", "supply"), ("mains", "mains"), ("load", "load")])
def test_each_is_asked_by_its_own_question(what: str, name: str, bench: Any) -> None:
    rig, _ = bench("cabinet")
    driver = rig.drivers[name]
    question = {"supply": "output_is_on", "mains": "is_on", "load": "input_is_on"}[what]
    setattr(driver, question, lambda: True)
    with pytest.raises(NoGuard, match=f"guard: {name} was told off and says that it is on"):
        orders_of(rig)


def _silent(*_: Any) -> None:
    raise Timeout("no answer within 0.8 s", instrument="load", address="sim:porch/load")


@pytest.mark.parametrize(
    ("what", "said"), [("off", "load did not take its off: "), ("input_is_on", "load does not say whether it is off: ")]
)
def test_one_that_is_silent(what: str, said: str, bench: Any) -> None:
    rig, _ = bench("porch")
    taps = [lambda exchange: None]
    rig.load.session.wire.tap = taps[0]
    setattr(rig.load, what, _silent)
    with pytest.raises(NoGuard, match=f"guard: {said}.*no answer within 0.8 s; nothing was switched on") as error:
        orders_of(rig)
    assert error.value.exit_code == 40
    assert rig.load.session.wire.tap is taps[0]


@pytest.mark.parametrize("listened", [True, False])
def test_who_listens_in_goes_on_hearing(listened: bool, bench: Any) -> None:
    rig, _ = bench("porch")
    heard: list[Exchange] = []
    tap = heard.append if listened else None
    rig.load.session.wire.tap = tap
    load = orders_of(rig)[0]["outputs"]["load"]
    assert rig.load.session.wire.tap is tap
    assert said(load["off"]) == [("INP OFF\n", False)]
    assert (b"INP OFF\n" in [one.sent for one in heard]) is listened


def test_one_without_a_serial_number(bench: Any) -> None:
    rig, _ = bench("porch")
    rig.load.__class__ = type("Nameless", (type(rig.load),), {"identity": property(_silent)})
    assert orders_of(rig)[0]["serials"] == {"supply": "porch-1", "load": ""}


@pytest.mark.parametrize(
    ("form", "pattern"), [("{}", "(.+?)"), ("CH1 *, {} A", r"CH1\ .*?,\ (.+?)\ A"), ("a.{}", r"a\.(.+?)")]
)
def test_a_form_as_a_pattern(form: str, pattern: str) -> None:
    assert guard_orders._pattern(form) == pattern
