"""The ladder of switching off: each rung and each word of its report, counted by hand."""

from __future__ import annotations

import math
from typing import Any

import pytest
from off_fakes import Clocks, FakeBench, FakeLoad, FakeSupply, Signs

from harness.off_report import OffReport
from harness.safeoff import Before, SafeOff

NAN = math.nan
SILENT = TimeoutError("silent")


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
