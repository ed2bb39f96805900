"""What somebody else, an instrument or the pack does in mid-run: noticed in time, off by the world's own truth."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from night import ON_A_PACK, SHORT, Night, Short, Wires, facts, judge, spend, truly_off

from harness.drift import EVERY_S
from harness.jsonlines import exchanges
from sims.bms import Bms, BmsSpec

SLACK_S = 0.01
"""Answers of a bench in memory take no time; only the clean samples lie a fraction of a second apart."""

RESTING = replace(
    SHORT["capacity"], sets=("charge_first=false", "rate_it=1.5", "rest_s=20", "rest_after_s=20"), procedure="capacity"
)


class Somebody:
    """A second client: at the ``at``-th sample (from 1) in ``state`` it says something to an instrument, once."""

    def __init__(self, name: str, text: str, *, state: str, at: int, after: str = "") -> None:
        self.name, self.text, self.state, self.at = name, text, state, at
        self.after = after
        """The samples count only once the run has been in this state."""
        self.said_s = float("nan")
        self._seen = 0
        self._states: set[str] = set()

    def spend(self, out: Path, short: Short) -> Night:
        return spend(out, short, arrange=self._arrange, each=self._each)

    def _arrange(self, wires: Wires) -> None:
        self._wires = wires

    def _each(self, _number: int, sample: Any) -> None:
        self._states.add(sample.state)
        self._seen += sample.state == self.state and (not self.after or self.after in self._states)
        if self._seen == self.at and self.said_s != self.said_s:
            self.said_s = self._wires.clock.now()
            self._wires.bench.connect(self.name).feed(self.text.encode() + b"\n")

    def late_s(self, night: Night) -> float:
        """From what was said until the run told something to switch off."""
        return min(t for t, _ in night.off_at() if t >= self.said_s) - self.said_s


# -- a set-point or a limit is changed ---------------------------------------------------------------------------------

WHILE_DISCHARGING = [
    ("load", "CURR 11.5", "load: amps was 12, is 11.5"),
    ("load", "CURR 12.5", "load: amps was 12, is 12.5"),
    ("load", "VOLT:PROT:LOW 0", "load: low_volts was 9.2, is 0"),
    ("load", "VOLT:PROT:LOW:DEL 5", "load: low_volts_delay_s was 1, is 5"),
    ("load", "CURR:PROT 20", "load: over_amps was 40, is 20"),
    ("load", "SENS:REM OFF", "load: remote_sense was on, is off"),
    ("supply", "VOLT 5", "supply: volts was 0, is 5"),
    ("supply", "CURR 1", "supply: amps was 0, is 1"),
    ("supply", "VOLT:PROT 20", "supply: over_volts was 44, is 20"),
    ("supply", "CURR:PROT:STAT ON", "supply: over_amps was off, is on"),
    ("supply", "SENS:REM OFF", "supply: remote_sense was on, is off"),
    ("supply", "VOLT 5;OUTP ON", "supply: "),
]
WHILE_CHARGING = [
    ("supply", "CURR 3.9", "supply: amps was 4, is 3.9"),
    ("supply", "VOLT 14.2", "supply: volts was 14.4, is 14.2"),
    ("supply", "VOLT 14.6", "supply: volts was 14.4, is 14.6"),
    ("supply", "VOLT:PROT 40", "supply: over_volts was 15, is 40"),
    ("supply", "SENS:REM OFF", "supply: remote_sense was on, is off"),
    ("load", "CURR 1", "load: amps was 0, is 1"),
    ("load", "FUNC VOLT", "load: function was cc, is cv"),
    ("load", "VOLT:PROT:LOW 1", "load: low_volts was 0, is 1"),
    ("load", "INP ON", "load: input was off, is on"),
]
CHANGES = [
    *[("capacity", "sinking", *row) for row in WHILE_DISCHARGING],
    *[("charge", "sourcing", *row) for row in WHILE_CHARGING],
]


@pytest.mark.parametrize(("procedure", "state", "name", "text", "words"), CHANGES)
def test_a_change_is_noticed_within_five_seconds(
    procedure: str, state: str, name: str, text: str, words: str, tmp_path: Path
) -> None:
    somebody = Somebody(name, text, state=state, at=5)
    night = somebody.spend(tmp_path, SHORT[procedure])
    assert judge(night) == []
    assert (night.exit_code, night.result.outcome) == (21, "tripped")
    assert night.result.end_reason.startswith(f"changed from outside: {words}")
    assert "not by this run" in night.result.end_reason
    assert somebody.late_s(night) <= EVERY_S + SLACK_S
    assert night.result.figures == {}


@pytest.mark.parametrize("at", range(2, 7))
def test_whenever_it_is_changed(at: int, tmp_path: Path) -> None:
    """Settings are read back in turn: at no place of the turn does it take longer."""
    for name, text in (("load", "VOLT:PROT:LOW 0"), ("supply", "SENS:REM OFF")):
        somebody = Somebody(name, text, state="sinking", at=at)
        night = somebody.spend(tmp_path, SHORT["capacity"])
        assert judge(night) == []
        assert night.exit_code == 21
        assert somebody.late_s(night) <= EVERY_S + SLACK_S


@pytest.mark.parametrize("procedure", ON_A_PACK)
def test_somebody_who_only_looks_on_changes_nothing(procedure: str, tmp_path: Path) -> None:
    alone = spend(tmp_path, SHORT[procedure]).result
    held: list[Wires] = []

    def ask(_number: int, _sample: Any) -> None:
        for name in held[0].names:
            held[0].bench.connect(name).feed(b"*IDN?;:SYST:ERR?\n")
            held[0].bench.connect(name).feed(b"NO:SUCH?\n")  # an error of his own, in the instrument's queue

    night = spend(tmp_path, SHORT[procedure], arrange=held.append, each=ask)
    assert judge(night) == []
    assert (night.exit_code, night.result.end_reason) == (0, alone.end_reason)
    assert {name: one.value for name, one in night.result.figures.items()} == {
        name: one.value for name, one in alone.figures.items()
    }


# -- the current is ended from outside ---------------------------------------------------------------------------------

ENDED = [
    ("capacity", "sinking", "load", "INP OFF"),
    ("capacity", "sinking", "load", "CURR 0"),
    ("capacity", "sinking", "load", "FUNC RES"),
    ("capacity", "sinking", "load", "*RST"),
    ("charge", "sourcing", "supply", "OUTP OFF"),
    ("charge", "sourcing", "supply", "CURR 0"),
    ("charge", "sourcing", "supply", "VOLT 5"),
    ("charge", "sourcing", "supply", "*RST"),
]


@cache
def ended(out: Path, procedure: str, state: str, name: str, text: str) -> list[tuple[list[str], float, str, bool]]:
    """What is wrong, how late it was switched off, how the run says that it ended, whether it has figures."""
    found = []
    for at in range(3, 8):
        somebody = Somebody(name, text, state=state, at=at)
        night = somebody.spend(out, SHORT[procedure])
        result = night.result
        found.append(
            (judge(night), somebody.late_s(night), f"{result.exit_code} {result.end_reason}", result.figures != {})
        )
    return found


@pytest.fixture
def out(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.getbasetemp()


@pytest.mark.parametrize("row", ENDED)
def test_off_within_five_seconds_when_somebody_ends_the_current(row: tuple[str, str, str, str], out: Path) -> None:
    for wrong, late_s, _, _ in ended(out, *row):
        assert wrong == []
        assert late_s <= EVERY_S + SLACK_S


@pytest.mark.parametrize("row", ENDED)
def test_somebody_who_ends_the_current_is_not_taken_for_the_pack(row: tuple[str, str, str, str], out: Path) -> None:
    """A capacity that ends where somebody switched the load off is no capacity: not finished, and no figure."""
    ends = [(reason, figures) for _, _, reason, figures in ended(out, *row)]
    assert [one for one in ends if not one[0].startswith("21 changed from outside") or one[1]] == []


# -- something is switched on by somebody ------------------------------------------------------------------------------

SWITCHED_ON = [
    ("supply", "VOLT 13.8;CURR 2;OUTP ON"),
    ("supply", "VOLT 5;CURR 1;OUTP ON"),  # under the pack: on, and no current to see
    ("load", "CURR 2;INP ON"),
    ("load", "INP ON"),  # at 0 A, as it stood
    ("load", "FUNC RES;RES 10;INP ON"),
]


@pytest.mark.parametrize("after", ["", "sinking"], ids=["before the discharge", "after it"])
@pytest.mark.parametrize(("name", "text"), SWITCHED_ON)
def test_switched_on_at_rest(name: str, text: str, after: str, tmp_path: Path) -> None:
    somebody = Somebody(name, text, state="resting", at=4, after=after)
    night = somebody.spend(tmp_path, RESTING)
    assert judge(night) == []
    assert (night.exit_code, night.result.outcome) == (21, "tripped")
    assert night.result.end_reason.partition(":")[0] in ("changed from outside", "current while off")
    assert somebody.late_s(night) <= EVERY_S + SLACK_S
    assert [who for _, who in night.on_at()] == (["load"] if after else []), "the run itself switches on no more"


MOMENTS = {
    "before anything is set": b"FUNC CURR",
    "between setting and switching on": b"VOLT:PROT:LOW:DEL 1",
    "together with the run": b"INP ON",
}


@pytest.mark.parametrize("moment", MOMENTS)
@pytest.mark.parametrize(("name", "text"), SWITCHED_ON[:2])
def test_switched_on_while_the_run_gets_ready(name: str, text: str, moment: str, tmp_path: Path) -> None:
    done: list[float] = []

    def arrange(wires: Wires) -> None:
        def before(_number: int, _who: str, message: bytes) -> None:
            if message.startswith(MOMENTS[moment]) and not done:
                done.append(wires.clock.now())
                wires.bench.connect(name).feed(text.encode() + b"\n")

        wires.before = before

    night = spend(tmp_path, SHORT["capacity"], arrange=arrange)
    assert done, "the message is said in every run"
    assert judge(night) == []
    assert night.exit_code == 21
    assert "supply: " in night.result.end_reason
    assert min(t for t, _ in night.off_at() if t >= done[0]) - done[0] <= EVERY_S + SLACK_S
    assert len(night.on_at()) == (moment == "together with the run")


@pytest.mark.parametrize(("name", "text"), SWITCHED_ON)
def test_on_before_the_run_began(name: str, text: str, tmp_path: Path) -> None:
    night = spend(
        tmp_path, SHORT["capacity"], arrange=lambda wires: wires.bench.connect(name).feed(text.encode() + b"\n")
    )
    assert night.exit_code == 11
    assert night.on_at() == []
    assert night.folder is None
    assert name in str(night.refusal)


# -- the pack's own switch ---------------------------------------------------------------------------------------------


def opening(delay_s: float) -> Callable[[Wires], None]:
    """A pack whose BMS opens ``delay_s`` after a current over 11 A began, and closes again once nothing pulls."""

    def arrange(wires: Wires) -> None:
        pack = wires.bench.world.pack
        spec: BmsSpec = pack.bms.spec
        pack.bms = Bms(replace(spec, amps_slow=11.0, amps_slow_delay_s=delay_s))

    return arrange


FULLER = replace(RESTING, start_share=0.3, sets=("charge_first=false", "rate_it=1.5", "rest_s=2", "rest_after_s=20"))


def opened(out: Path, delay_s: float) -> Night:
    night = spend(out, FULLER, scenario=facts(FULLER), arrange=opening(delay_s))
    assert judge(night) == []
    assert night.folder is not None
    said = [one.sent for one in exchanges(night.folder)]
    assert said.count(b"INP ON\n") == 1
    assert said.count(b"OUTP ON\n") == 0
    words = [event.what for event in night.world.events]
    assert words[0] == "bms: discharge over-current, discharge path opened"
    assert words[-1] == "bms: discharge over-current, released"
    return night


@pytest.mark.parametrize("delay_s", [5.3, 6.7, 9.5])
def test_a_pack_that_opens_and_closes_again_is_not_loaded_again(delay_s: float, tmp_path: Path) -> None:
    night = opened(tmp_path, delay_s)
    assert (night.exit_code, night.result.outcome, night.result.end_reason) == (0, "finished", "pack opened")
    opened_s = night.world.events[0].t_s
    assert min(t for t, _ in night.off_at() if t >= opened_s) - opened_s <= 2.0 + SLACK_S
    night.world.advance_to(night.world.t + 600.0)
    assert truly_off(night.world), "closed again, and nothing flows"
    true_ah = 12.0 * delay_s / 3600.0
    found = night.result.figures["capacity_ah"]
    # Counted to the last sample before the opening; what flowed after it was not seen.
    assert 0.0 <= true_ah - found.value <= 12.0 * 1.01 / 3600.0


def test_whenever_the_pack_opens_it_is_the_pack_that_is_told(tmp_path: Path) -> None:
    ends = [(delay_s, opened(tmp_path, delay_s).result.end_reason) for delay_s in (5.1, 6.3, 7.4, 8.2, 9.3, 10.5)]
    assert [end for end in ends if end[1] != "pack opened"] == []
