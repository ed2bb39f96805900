"""Telling everything to switch off, and the ladder; each value counted by hand."""

from __future__ import annotations

import math

import pytest
from off_fakes import Clocks, FakeBench, Signs, timed

from harness.off_seen import Seen
from harness.off_telling import Telling

NAN = math.nan
SILENT = TimeoutError("silent")

# -- telling -----------------------------------------------------------------------------------------------------------


def telling(bench: FakeBench, *, keeps: bool = False) -> tuple[Telling, Signs]:
    time, signs, _ = timed(bench)
    return Telling(bench, time, keeps_contactor=keeps), signs  # type: ignore[arg-type]


def test_one_that_fails_keeps_nobody_from_being_told() -> None:
    bench = FakeBench()
    bench.drivers["psu"].fails["off"] = OSError("gone")
    one, _ = telling(bench)
    one.off("source")
    assert bench.told() == ["psu", "eload"]
    assert one.errors == [("psu", "off sent: gone")]
    assert one.tries == 1


def test_off_in_doubt_is_told_to_whoever_has_no_place_in_the_order_too() -> None:
    bench = FakeBench()
    bench.with_switch("mains")
    one, _ = telling(bench)
    one.off("sink")
    assert bench.told() == ["eload", "psu"]
    bench.said.clear()
    one.off("sink")
    assert bench.told() == ["eload", "psu", "mains"]


def test_whoever_starts_anew_goes_last() -> None:
    bench = FakeBench()
    bench.drivers["psu"].session.boot_s, bench.drivers["psu"].session.is_open = 5.0, False
    one, _ = telling(bench)
    one.off("source")
    assert bench.told() == ["eload", "psu"]
    bench.said.clear()
    one.off("source")
    assert bench.told() == ["psu", "eload"], "its line is open now"


@pytest.mark.parametrize(
    ("exchange_s", "told"), [(0.5, ["psu", "eload", "contactor"]), (1.2, ["psu", "contactor", "eload"])]
)
def test_a_contactor_does_not_wait_for_lines_that_take_long(exchange_s: float, told: list[str]) -> None:
    bench = FakeBench(clock=Clocks(exchange_s=exchange_s))
    bench.with_switch("contactor")
    one, _ = telling(bench)
    one.off("source")
    assert bench.told() == told


def test_a_contactor_that_stays_closed_opens_once_off_is_in_doubt() -> None:
    bench = FakeBench()
    bench.with_switch("contactor")
    one, _ = telling(bench, keeps=True)
    one.off("source")
    assert bench.told() == ["psu", "eload"]
    assert not one.opened_contactor
    one.open_contactor_too()
    one.open_contactor_too()
    assert bench.told() == ["psu", "eload", "contactor"]
    assert one.opened_contactor
    assert not one.keeps_contactor
    assert one.lines == ["contactor: opened, since off was in doubt"]


def test_a_contactor_that_does_not_answer_was_not_opened() -> None:
    bench = FakeBench()
    bench.with_switch("contactor").fails["off"] = SILENT
    one, _ = telling(bench, keeps=True)
    one.open_contactor_too()
    assert not one.opened_contactor
    assert one.errors == [("contactor", "off sent: silent")]


def test_a_contactor_that_was_not_kept_is_not_opened_beside_the_order() -> None:
    bench = FakeBench()
    bench.with_switch("contactor")
    one, _ = telling(bench)
    one.open_contactor_too()
    assert bench.told() == []
    assert not one.opened_contactor


@pytest.mark.parametrize(
    ("mains", "volts", "waited_s"),
    [
        ("switch", [24.0, 10.0, 2.0, 1.9], 0.6),
        ("switch", [24.0], 3.0),
        ("switch", [NAN], 0.0),
        ("off", [24.0, 1.0], 0.2),
        # where its mains may still be on, the node does not die
        ("by hand", [24.0, 1.0], 0.0),
        ("on", [24.0, 1.0], 0.0),
    ],
)
def test_a_sink_goes_last_once_the_node_is_dead(mains: str, volts: list[float], waited_s: float) -> None:
    bench = FakeBench(subject="ups", volts=volts)
    if mains == "switch":
        bench.with_switch("mains")
    elif mains != "by hand":
        bench.switched["mains"] = mains == "on"
    one, signs = telling(bench)
    one.off("trace")
    at = {name: t for t, name, what in bench.said if what == "off"}
    assert at["eload"] == pytest.approx(waited_s)
    assert at["psu"] == 0.0
    assert signs.heard.count("trace") == round(waited_s / 0.2)
    one.off("trace")
    assert [t for t, name, what in bench.said if (name, what) == ("eload", "off")][1] == at["eload"], "not again"


def test_only_a_load_that_traces_goes_on_sinking() -> None:
    bench = FakeBench(subject="ups", volts=[24.0])
    bench.with_switch("mains")
    one, _ = telling(bench)
    one.off("stand-in")
    assert {t for t, _, what in bench.said if what == "off"} == {0.0}


def test_a_fresh_line_and_control_taken_back() -> None:
    bench = FakeBench()
    bench.drivers["eload"].regains = True
    one, _ = telling(bench)
    one.renew(("psu", "eload"))
    assert not bench.drivers["psu"].session.is_open
    assert not bench.drivers["eload"].session.is_open
    assert bench.told("regain") == ["eload"]
    assert one.lines == ["eload: control taken back from its front panel"]


def test_whoever_says_on_is_asked_why_once() -> None:
    bench = FakeBench()
    one, _ = telling(bench)
    seen = {"psu": Seen(False, (1.0, 1.0)), "eload": Seen(True, (1.0, 1.0))}
    for _ in range(2):
        one.ask_why(seen, ("psu", "eload", "nobody"))
    assert bench.told("errors") == ["psu"]
    assert one.lines == ["psu does not obey; its error queue: one; two; three"]
    bench.drivers["eload"].fails["errors"] = SILENT
    one.ask_why({"eload": Seen(False)}, ("eload",))
    assert one.errors == []


def test_the_lowest_current_is_for_outputs_in_doubt() -> None:
    bench = FakeBench()
    bench.with_switch("mains")
    one, _ = telling(bench)
    one.soften(("eload", "mains"))
    assert bench.told("soften") == ["eload"]
    bench.drivers["psu"].fails["soften"] = SILENT
    one.soften(("psu",))
    assert one.lines == ["eload: told to its lowest current", "psu: lowest current: silent"]
