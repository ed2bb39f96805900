"""Telling everything to switch off, and the ladder; each value counted by hand."""

from __future__ import annotations

import math
from typing import Any

import pytest
from off_fakes import Clocks, FakeBench, FakeLoad, FakeSupply, Signs, timed

from harness.off_report import OffReport
from harness.off_seen import Seen
from harness.off_telling import Telling
from harness.safeoff import Before, SafeOff

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
    assert "proving off" in signs.heard
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
    assert bench.told("errors") == ["eload"]
    assert not any("own word" in line for line in report.lines)


def test_given_up_after_four_tries_at_least() -> None:
    bench = FakeBench(clock=Clocks(exchange_s=2.0))
    bench.drivers["eload"] = FakeLoad(bench, "eload", 6.0, obeys=0)
    report, _, _ = driven(bench, Before("sink"))
    assert report.word == "not confirmed"
    assert report.tries == 4
    assert report.took_s < 100.0


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


def test_one_that_said_off_and_carried_current_proves_nothing_whatever_another_says() -> None:
    bench = FakeBench(volts=[12.0])
    bench.drivers["psu"] = FakeSupply(bench, "psu", *[1.0] * 8, 0.0)
    bench.drivers["eload"] = FakeLoad(bench, "eload", *[6.0] * 10, 0.0, obeys=6)
    report, _, _ = driven(bench, Before("sink", 6.0, 12.0, NAN))
    assert (report.word, report.softened) == ("not confirmed", True)


def test_one_that_answers_is_readable() -> None:
    bench = FakeBench()
    bench.drivers = {"psu": FakeSupply(bench, "psu", SILENT), "eload": FakeLoad(bench, "eload", 6.0, obeys=0)}
    assert driven(bench)[0].word == "not confirmed"


def test_the_last_current_is_the_last_and_what_is_unknown_is_unknown() -> None:
    bench = FakeBench()
    bench.drivers["eload"] = FakeLoad(bench, "eload", *[6.0, 5.0] * 60, obeys=0)
    assert driven(bench)[0].last_amps == 5.0
    bench = FakeBench()
    bench.drivers = {"psu": FakeSupply(bench, "psu", 1.0, obeys=0), "eload": FakeLoad(bench, "eload", NAN, obeys=0)}
    assert math.isnan(driven(bench)[0].last_amps)
    bench = FakeBench()
    bench.drivers = {"psu": FakeSupply(bench, "psu", 1.0, obeys=0), "eload": FakeLoad(bench, "eload", -6.0, obeys=0)}
    bench.with_switch("contactor", obeys=0)
    assert driven(bench)[0].last_amps == 6.0, "the largest, whichever way; a switch has none"


def test_what_was_seen_in_an_earlier_off_is_not_told_of_a_later_one() -> None:
    bench, loud = FakeBench(), []
    off = SafeOff(rig=bench, clock=bench.clock, note=lambda *a, **k: None, loud=loud.append)  # type: ignore[arg-type]
    assert off.drive(Before("rest")).confirmed
    bench.clock.exchange_s = 6.0
    off.drive(Before("rest"))
    assert loud[0].took_s >= 6.0
    assert loud[0].lines == ()


def test_a_contactor_opens_unless_the_run_goes_on() -> None:
    bench = FakeBench()
    bench.with_switch("contactor")
    driven(bench)
    assert bench.told() == ["psu", "eload", "contactor"]
    bench.said.clear()
    driven(bench, keeps_contactor=True)
    assert bench.told() == ["psu", "eload"]


def test_a_node_that_only_its_charger_holds_up_is_no_current_of_an_instrument() -> None:
    """Nothing is softened for it; the contactor opens in the end all the same."""
    bench = FakeBench(subject="ups", volts=[24.0])
    bench.with_switch("mains")
    bench.with_switch("contactor")
    report, _, _ = driven(bench, Before("stand-in", mains=True), keeps_contactor=True)
    assert (report.word, report.softened, report.opened_contactor) == ("not confirmed", False, True)
    assert bench.told("soften") == []


def test_off_at_last_is_said_as_loud_as_that_it_was_not() -> None:
    def bench() -> FakeBench:
        one = FakeBench()
        one.drivers["eload"] = FakeLoad(one, "eload", obeys=21)
        return one

    report, signs, loud = driven(bench())
    assert report.confirmed
    assert [one.word for one in loud] == ["not confirmed", "confirmed"]
    assert signs.heard[-1] == "was off"

    def broken(report: OffReport) -> None:
        raise OSError("no screen")

    one = bench()
    assert SafeOff(rig=one, clock=one.clock, note=lambda *a, **k: None, loud=broken).drive(Before("rest")).confirmed  # type: ignore[arg-type]
    assert driven(FakeBench())[2] == []


def test_a_report_says_nothing_it_was_not_told() -> None:
    report = OffReport("confirmed", "none", (), 0.1, 1, 0.0, 12.0)
    assert (report.suspects, report.softened, report.contradicted, report.opened_contactor) == ((), False, False, False)


def test_a_contradiction_is_remembered() -> None:
    bench = FakeBench(volts=[12.0])
    notes: list[Any] = []
    off = SafeOff(rig=bench, clock=bench.clock, note=lambda *a, **k: notes.append((a, k)))  # type: ignore[arg-type]
    before = Before("sink", 6.0, 12.0, 0.020)
    assert off.drive(before).word == "not confirmed"
    assert off.contradicted is before
    assert bench.told("soften") == ["psu", "eload"], "whoever it is"
    later = off.drive(Before("rest"))
    assert (later.word, later.contradicted) == ("not confirmed", True), "nobody has seen the pack rebound"
    bench.volts = [12.061]
    proven = off.drive(Before("rest"))
    assert (proven.word, proven.witness) == ("confirmed", "other instrument (meter)")
    assert not any("own word" in line for line in proven.lines)


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
    assert not report.softened
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
    signs = Signs()
    off = SafeOff(
        rig=bench,  # type: ignore[arg-type]
        clock=bench.clock,  # type: ignore[arg-type]
        note=lambda *a, **k: None,
        by_hand=lambda: hands.append(1),
        signs=signs,
    )
    assert off.drive(Before("rest")).confirmed
    assert signs.heard[-1] == "was off"
    assert bench.switched["mains"] is then
    assert len(hands) == asked
