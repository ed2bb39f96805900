"""Off is believed of what was asked last, of more than one answer where one said otherwise, and of a node that somebody
still sees."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from campaign_faults import WHOLE, alone
from night import SHORT, Fault, Night, Wires, judge, obstinate, spend, truly_off
from night_broken import welded_mains, welded_supply
from night_wires import WITH_OUTPUT

CEILING = SHORT["charge-ceiling"]


@pytest.mark.parametrize("procedure", SHORT)
def test_who_restarts_while_off_is_proven_is_looked_at_again(procedure: str, tmp_path: Path) -> None:
    # Ours: the very last question, for the volts of the node, broke; the load had come back with its input on.
    said = alone(SHORT[procedure])
    last_off = max(n for n, one in enumerate(said) if one.message in (b"OUTP OFF", b"INP OFF"))
    hit = [n for n in range(last_off + 1, len(said)) if said[n].who in WITH_OUTPUT]
    assert len(hit) >= 4
    for at in hit:
        night = spend(tmp_path, SHORT[procedure], fault=Fault("restart-on", at))
        assert truly_off(night.world), said[at]
        assert judge(night) == []


def test_a_voltmeter_that_always_breaks_its_line_does_not_keep_off_from_being_proven(tmp_path: Path) -> None:
    """It has nothing else to tell: everybody is looked at once more, and then off is confirmed."""

    def arrange(wires: Wires) -> None:
        def before(number: int, name: str, message: bytes) -> None:
            off = (b"INP OFF") in wires.sent("load")
            if off and name in ("load", "supply") and message == b"MEAS:VOLT?":
                broke.append(number)
                raise ConnectionResetError("the line breaks at this question")

        wires.before = before

    broke: list[int] = []
    night = spend(tmp_path, CEILING, arrange=arrange)
    assert broke
    assert (night.exit_code, night.why) == (0, "traced")
    assert judge(night) == []


def welded(out: Path, lost: str) -> Night:
    """The switch of the mains welds, and this voltmeter is lost once everything was told to switch off."""

    def arrange(wires: Wires) -> None:
        welded_mains(wires)

        def before(number: int, name: str, message: bytes) -> None:
            if (name, message) == ("load", b"INP OFF"):
                wires.gone.add(lost)

        wires.before = before

    return spend(out, replace(CEILING, fitted=WHOLE), arrange=arrange)


@pytest.mark.parametrize("lost", ["meter", "thermometer"])
def test_a_charger_that_goes_on_is_seen_without_the_meter_too(lost: str, tmp_path: Path) -> None:
    # Ours: the meter was lost just then, nobody else was asked for volts, and "open" was believed of a welded switch.
    night = welded(tmp_path, lost)
    assert night.world.ups.mains_on
    assert night.exit_code == 99
    assert judge(night) == []


def test_another_voltmeter_is_the_witness_of_a_dead_node(tmp_path: Path) -> None:
    def arrange(wires: Wires) -> None:
        def before(number: int, name: str, message: bytes) -> None:
            if (name, message) == ("load", b"INP OFF"):
                wires.gone.add("meter")

        wires.before = before

    night = spend(tmp_path, replace(CEILING, fitted=WHOLE), arrange=arrange)
    assert (night.exit_code, judge(night)) == (0, [])
    off = night.result.off_confirmation
    assert off is not None
    assert off.witness in ("same instrument", "other instrument (supply)")
    assert ": dead (" in off.how


@pytest.mark.parametrize(("lies", "code"), [(1, 99), (0, 99)])
def test_off_after_on_is_believed_of_two_answers(lies: int, code: int, tmp_path: Path) -> None:
    # Ours: of nine answers of a supply that could not be switched off one was wrong, and the run ended as off.
    left, on_after_off = [lies], [0]

    def answer(message: bytes) -> bytes | None:
        if message == b"OUTP OFF":
            on_after_off[0] += 1
        if message == b"OUTP?" and on_after_off[0] >= 4 and left[0]:
            left[0] -= 1
            return b"0\n"
        return None

    def arrange(wires: Wires) -> Any:
        welded_supply(wires)
        obstinate(wires, "supply", answer)

    night = spend(tmp_path, CEILING, arrange=arrange)
    assert left == [0]
    assert night.world.supply.output_on
    assert night.exit_code == code
    assert judge(night) == []
