"""The parts of switching off one by one: order, time, eyes, telling; each value counted by hand."""

from __future__ import annotations

import math
from typing import Any

import pytest
from off_fakes import Clocks, FakeBench, FakeLoad, FakeSupply, Signs

from harness.off_order import ORDER, SINK_LAST_S, SINK_LAST_V, outputs
from harness.off_report import OffReport
from harness.off_seen import Eyes, Seen
from harness.off_telling import CONTACTOR_S, Telling
from harness.off_time import LOUD_S, OffTime
from harness.safeoff import LADDER_UNSAFE_S, Before, SafeOff

NAN = math.nan
SILENT = TimeoutError("silent")

# -- order -------------------------------------------------------------------------------------------------------------


def test_who_goes_when() -> None:
    """The table of DEVELOPERS.md, once more by hand: a row that went missing or two that were swapped."""
    assert ORDER == {
        "sink": ("load", "supply", "contactor"),
        "source": ("supply", "load", "contactor"),
        "rest": ("supply", "load", "mains", "ac-load", "contactor"),
        "stand-in": ("supply", "load", "ac-load", "mains", "contactor"),
        "stand-in, mains on": ("supply", "mains", "load", "ac-load", "contactor"),
        "stand-in, mains on, volts": ("mains", "supply", "load", "ac-load", "contactor"),
        "trace": ("mains", "supply", "load", "ac-load", "contactor"),
        "trace, amps": ("load", "mains", "supply", "ac-load", "contactor"),
        "unknown": ("supply", "load", "mains", "ac-load", "contactor"),
    }
    assert (SINK_LAST_V, SINK_LAST_S, LOUD_S, CONTACTOR_S, LADDER_UNSAFE_S) == (2.0, 3.0, 10.0, 1.2, 10.0)


NAMES = {"supply": "psu", "load": "eload"}


@pytest.mark.parametrize("phase", ORDER)
def test_outputs_in_their_order(phase: str) -> None:
    bench = FakeBench()
    for what in ("mains", "ac-load", "contactor"):
        bench.with_switch(what)
    names = [NAMES.get(role, role) for role in ORDER[phase]]
    found = outputs(bench, phase)  # type: ignore[arg-type]
    assert [name for name, _ in found] == names
    assert [driver for _, driver in found] == [bench.drivers[name] for name in names]
    without = outputs(bench, phase, but_contactor=True)  # type: ignore[arg-type]
    assert [name for name, _ in without] == names[:-1]


def test_what_is_not_there_is_left_out() -> None:
    bench = FakeBench()
    assert [name for name, _ in outputs(bench, "unknown")] == ["psu", "eload"]  # type: ignore[arg-type]
    del bench.drivers["psu"]
    assert [name for name, _ in outputs(bench, "unknown")] == ["eload"]  # type: ignore[arg-type]


# -- time --------------------------------------------------------------------------------------------------------------


def timed(bench: FakeBench) -> tuple[OffTime, Signs, list[float]]:
    signs, loud = Signs(), []
    time = OffTime(bench, bench.clock, signs=signs, loud=lambda: loud.append(bench.clock.wall_s - 5000.0))  # type: ignore[arg-type]
    return time, signs, loud


def test_how_long_it_took_is_that_of_the_faster_clock() -> None:
    bench = FakeBench()
    time, _, _ = timed(bench)
    bench.clock.now_s += 3.0
    assert time.took() == 3.0
    bench.clock.wall_s += 4.0
    assert time.took() == 4.0


@pytest.mark.parametrize(("now_s", "wall_s", "goes_on"), [(2.9, 2.9, True), (3.0, 0.0, False), (0.0, 3.0, False)])
def test_for_so_long_by_both_clocks(now_s: float, wall_s: float, goes_on: bool) -> None:
    bench = FakeBench()
    goes = timed(bench)[0].for_s(3.0)
    bench.clock.now_s += now_s
    bench.clock.wall_s += wall_s
    assert goes() is goes_on


@pytest.mark.parametrize(("after_s", "name", "boot_s", "is_open", "loud"), [
    (9.99, "", 0.0, True, False),
    (10.0, "", 0.0, True, True),
    # one that starts anew says nothing for so long
    (4.99, "psu", 5.0, False, False),
    (5.0, "psu", 5.0, False, True),
    (9.99, "psu", 5.0, True, False),
    (9.99, "nobody", 5.0, False, False),
])  # fmt: skip
def test_said_aloud_once_and_before_a_step_that_is_too_long(
    after_s: float, name: str, boot_s: float, is_open: bool, loud: bool
) -> None:
    bench = FakeBench()
    bench.drivers["psu"].session.boot_s, bench.drivers["psu"].session.is_open = boot_s, is_open
    time, signs, said = timed(bench)
    bench.clock.wall_s += after_s
    for _ in range(3):
        time.step(name)
    assert len(said) == loud
    assert time.was_loud is loud
    assert signs.heard == ["switching off"] * 3


def test_each_way_of_waiting_tells_its_own_and_may_be_said_aloud() -> None:
    bench = FakeBench()
    time, signs, said = timed(bench)
    time.wait(1.0)
    time.wait_proving(2.0)
    time.wait_on_purpose(3.0, "trace")
    assert signs.heard == ["switching off", "proving off", "trace"]
    assert (bench.clock.now_s, said) == (106.0, [])
    bench.clock.wall_s += 4.0
    time.wait_proving(0.5)
    assert said == [10.0]


def test_a_lost_clock_and_a_lost_screen_stop_nothing() -> None:
    bench = FakeBench(clock=Clocks(lost=True))

    def broken() -> None:
        raise OSError("no screen")

    time = OffTime(bench, bench.clock, signs=Signs(), loud=broken)  # type: ignore[arg-type]
    bench.clock.wall_s += 20.0
    time.wait(1.0)
    assert time.was_loud


# -- eyes --------------------------------------------------------------------------------------------------------------


def looked(bench: FakeBench, **zero_amps: float) -> tuple[dict[str, Seen], list[Any]]:
    told: list[Any] = []
    eyes = Eyes(
        zero_amps=zero_amps,
        wait=lambda seconds: told.append(("wait", seconds)),
        alive=lambda name: told.append(("alive", name)),
        failed=lambda name, text: told.append(("failed", name, text)),
    )
    seen = eyes.look(outputs(bench, "unknown"))  # type: ignore[arg-type]
    return seen, told


def test_two_currents_of_each_so_far_apart_and_its_word() -> None:
    bench = FakeBench()
    bench.drivers = {"psu": FakeSupply(bench, "psu", 0.01, 0.02, on=False), "eload": FakeLoad(bench, "eload", 6.0, 5.0)}
    bench.with_switch("contactor", on=False)
    seen, told = looked(bench)
    assert seen["psu"] == Seen(True, (0.01, 0.02))
    assert seen["eload"] == Seen(False, (6.0, 5.0))
    assert (seen["contactor"].off, seen["contactor"].switch) == (True, True)
    asked = [(name, what) for _, name, what in bench.said]
    assert asked[:2] == [("psu", "amps"), ("eload", "amps")]
    assert told[:3] == [("alive", "psu"), ("alive", "eload"), ("wait", 0.2)]
    assert [one for one in told if one[0] == "alive"][2:] == [
        ("alive", name) for name in ("psu", "psu", "eload", "eload", "contactor")
    ]


def test_whoever_fails_is_not_asked_again_in_a_pass() -> None:
    bench = FakeBench()
    bench.drivers = {"psu": FakeSupply(bench, "psu", SILENT), "eload": FakeLoad(bench, "eload", 6.0, SILENT)}
    seen, told = looked(bench)
    assert not seen["psu"].answered
    assert (seen["eload"].off, seen["eload"].amps[0]) == (None, 6.0)
    assert math.isnan(seen["eload"].amps[1])
    assert seen["eload"].answered
    assert bench.told("amps") == ["psu", "eload", "eload"]
    assert bench.told("ask") == []
    assert [one for one in told if one[0] == "failed"] == [("failed", "psu", "silent"), ("failed", "eload", "silent")]


def test_a_word_that_is_missing_is_not_off() -> None:
    bench = FakeBench()
    bench.drivers["psu"].fails["ask"] = SILENT
    seen, told = looked(bench)
    assert seen["psu"].off is None
    assert not seen["psu"].quiet(1.0)
    assert ("failed", "psu", "silent") in told


@pytest.mark.parametrize(
    ("seen", "quiet", "answered"),
    [
        (Seen(True, (0.02, -0.02)), True, True),
        (Seen(True, (0.0, 0.0201)), False, True),
        (Seen(True, (-0.0201, 0.0)), False, True),
        (Seen(True, (0.0, NAN)), False, True),
        (Seen(True, (NAN, NAN)), False, True),
        (Seen(False, (0.0, 0.0)), False, True),
        (Seen(None, (0.0, 0.0)), False, True),
        (Seen(None, (NAN, 0.0)), False, True),
        (Seen(None, (NAN, NAN)), False, False),
        (Seen(True, switch=True), True, True),
        (Seen(None, switch=True), False, False),
        (Seen(), False, False),
    ],
)
def test_quiet_and_answered(seen: Seen, quiet: bool, answered: bool) -> None:
    assert seen.quiet(0.02) is quiet
    assert seen.answered is answered


def test_what_counts_as_nothing_is_each_instruments_own() -> None:
    eyes = Eyes(zero_amps={"psu": 0.05}, wait=lambda s: None, alive=lambda n: None, failed=lambda n, t: None)
    assert (eyes.limit("psu"), eyes.limit("eload")) == (0.05, 0.02)


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


# -- the ladder --------------------------------------------------------------------------------------------------------


def driven(bench: FakeBench, before: Before = Before("rest"), **how: Any) -> tuple[OffReport, Signs, list[OffReport]]:  # noqa: B008
    signs, loud = Signs(), []
    off = SafeOff(rig=bench, clock=bench.clock, note=lambda *a, **k: None, signs=signs, loud=loud.append)  # type: ignore[arg-type]
    return off.drive(before, **how), signs, loud


def test_off_at_once() -> None:
    bench = FakeBench()
    report, signs, loud = driven(bench)
    assert (report.word, report.witness, report.tries, report.suspects) == ("confirmed", "none", 1, ())
    assert (report.last_amps, report.softened, report.contradicted, report.opened_contactor) == (
        0.0,
        False,
        False,
        False,
    )
    assert report.confirmed
    assert report.took_s == pytest.approx(0.2)
    assert signs.heard[-1] == "was off"
    assert loud == []


def test_told_again_every_half_second_over_a_fresh_line() -> None:
    bench = FakeBench()
    bench.drivers["eload"] = FakeLoad(bench, "eload", 6.0, 6.0, 6.0, 6.0, 0.0, obeys=3)
    report, _, _ = driven(bench, Before("sink"))
    assert report.confirmed
    assert [t for t, name, what in bench.said if (name, what) == ("eload", "off")] == [0.0, 0.5, 1.0]
    assert bench.told("soften") == []


def test_whoever_never_goes_off() -> None:
    bench = FakeBench()
    bench.drivers["eload"] = FakeLoad(bench, "eload", 6.0, obeys=0)
    bench.with_switch("contactor")
    report, signs, loud = driven(bench, Before("sink"), keeps_contactor=True)
    assert (report.word, report.suspects, report.last_amps) == ("not confirmed", ("eload",), 6.0)
    assert report.softened
    assert report.opened_contactor
    at = {what: t for t, name, what in reversed(bench.said) if (name, what) != ("psu", "off")}
    assert at["soften"] == pytest.approx(1.5, abs=0.21)
    opened = next(t for t, name, what in bench.said if (name, what) == ("contactor", "off"))
    assert 1.2 <= opened <= 2.0
    assert 10.0 <= report.took_s <= 10.8
    assert len(loud) == 1
    assert "was off" not in signs.heard


def test_given_up_after_four_tries_at_least() -> None:
    bench = FakeBench(clock=Clocks(exchange_s=2.0))
    bench.drivers["eload"] = FakeLoad(bench, "eload", 6.0, obeys=0)
    report, _, _ = driven(bench, Before("sink"))
    assert report.word == "not confirmed"
    assert report.tries == 4


@pytest.mark.parametrize(("volts", "word"), [(12.8, "not confirmed"), (NAN, "unreadable")])
def test_nothing_answers(volts: float, word: str) -> None:
    bench = FakeBench(volts=[volts])
    bench.drivers = {"psu": FakeSupply(bench, "psu", SILENT), "eload": FakeLoad(bench, "eload", SILENT)}
    report, _, _ = driven(bench)
    assert (report.word, report.suspects) == (word, ("psu", "eload"))
    assert math.isnan(report.last_amps)
    assert report.last_volts == pytest.approx(volts, nan_ok=True)


def test_a_current_that_ends_only_with_the_lowest_set_proves_nothing() -> None:
    bench = FakeBench(volts=[12.0])
    # says off all the time; its current ends with the one that was set
    bench.drivers["eload"] = FakeLoad(bench, "eload", *[6.0] * 8, 0.0)
    report, _, _ = driven(bench, Before("sink", 6.0, 12.0, NAN))
    assert report.word == "not confirmed"
    assert report.softened
    assert any("not proven open" in line for line in report.lines)


def test_a_contradiction_is_remembered() -> None:
    bench = FakeBench(volts=[12.0])
    notes: list[Any] = []
    off = SafeOff(rig=bench, clock=bench.clock, note=lambda *a, **k: notes.append((a, k)))  # type: ignore[arg-type]
    before = Before("sink", 6.0, 12.0, 0.020)
    assert off.drive(before).word == "not confirmed"
    assert off.contradicted is before
    later = off.drive(Before("rest"))
    assert (later.word, later.contradicted) == ("not confirmed", True), "nobody has seen the pack rebound"
    bench.volts = [12.061]
    assert off.drive(Before("rest")).confirmed


def test_an_earlier_doubt_wants_a_witness() -> None:
    bench = FakeBench(volts=[12.0])
    off = SafeOff(rig=bench, clock=bench.clock, note=lambda *a, **k: None)  # type: ignore[arg-type]
    off.doubt(Before("sink", 6.0, 12.0, 0.020))
    assert off.drive(Before("rest")).word == "not confirmed"


def test_a_fault_of_the_program_is_never_off() -> None:
    bench = FakeBench()
    bench.pack_volts = None  # type: ignore[assignment, method-assign]
    report, _, _ = driven(bench)
    assert report.word == "not confirmed"
    assert "program error" in report.lines[0]
    assert report.suspects == ("psu", "eload")


def test_errors_are_noted_once_each_with_how_often() -> None:
    bench = FakeBench()
    bench.drivers["psu"] = FakeSupply(bench, "psu", on=False)
    bench.drivers["psu"].fails["off"] = SILENT
    bench.drivers["eload"] = FakeLoad(bench, "eload", 6.0, 6.0, 0.0, obeys=2)
    notes: list[Any] = []
    off = SafeOff(rig=bench, clock=bench.clock, note=lambda kind, **k: notes.append((kind, k)))  # type: ignore[arg-type]
    off.drive(Before("rest"))
    assert ("instrument error", {"instrument": "psu", "text": "off sent: silent (2 times)"}) in notes


@pytest.mark.parametrize(
    ("subject", "switch", "known", "then", "asked"),
    [
        ("ups", True, None, False, 0),
        ("ups", True, True, False, 0),
        ("ups", False, None, None, 1),
        ("ups", False, True, True, 1),
        ("ups", False, False, False, 0),
        ("pack", False, None, None, 0),
    ],
)
def test_mains_is_off_or_somebody_is_asked(
    subject: str, switch: bool, known: bool | None, then: bool | None, asked: int
) -> None:
    bench = FakeBench(subject=subject, switched={"mains": known})
    if switch:
        bench.with_switch("mains")
    hands: list[int] = []
    off = SafeOff(rig=bench, clock=bench.clock, note=lambda *a, **k: None, by_hand=lambda: hands.append(1))  # type: ignore[arg-type]
    off.drive(Before("rest"))
    assert bench.switched["mains"] is then
    assert len(hands) == asked
