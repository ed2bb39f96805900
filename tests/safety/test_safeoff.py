"""Switching off: its order, its proof, its ladder, and that nothing that goes wrong on the way stops it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from night import SHORT, Wires, connected, obstinate, truly_off

from drivers.load import Load
from drivers.supply import Supply
from harness.clock import VirtualClock
from harness.connect import Connection
from harness.off_order import ORDER
from harness.rig import Rig
from harness.safeoff import LADDER_UNSAFE_S, Before, OffReport, SafeOff
from harness.stops import RunStopped
from harness.unsafe import HEAD, message
from harness.witness import LEAST_STEP_V, Witness

ON_A_PACK = ("sink", "source", "rest", "unknown")


def of_pack(phase: str) -> tuple[str, ...]:
    """The order as far as a bench without switches has it."""
    return tuple(role for role in ORDER[phase] if role in OFF)


OFF = {"supply": b"OUTP OFF", "load": b"INP OFF"}
MOST_S = 16.0
"""Longest an off may take on a bench whose instruments are silent one deadline at a time, s of bench time."""


class Live:
    """A bench with one output on, by hand: 6 A out of the pack, or 4 A into it."""

    def __init__(self, out: Path, phase: str, arrange: Callable[[Wires], None] | None = None) -> None:
        self.noted: list[tuple[str, dict[str, Any]]] = []
        self.wires, self.connection = connected(out, SHORT["capacity"], arrange=arrange)
        world = self.wires.bench.world
        rest_v = world.volts_at("pack")
        port = "load" if phase == "sink" else "supply"
        by_hand = {
            "sink": b"CURR 6;:INP ON\n",
            "source": b"VOLT 14.4;CURR 4;:OUTP ON\n",
            "rest": b"\n",
            "unknown": b"\n",
        }
        self.wires.bench.connect(port).feed(by_hand[phase])
        self.pass_time(1.0)
        amps = abs(world.pack_amps)
        step_ohm = abs(world.volts_at("pack") - rest_v) / amps if amps > 1 else float("nan")
        self.pass_time(2.0)
        self.before = Before(phase, amps, world.volts_at("pack"), step_ohm)
        self.on_s = self.clock.now()
        self.wires.heard.clear()

    @property
    def clock(self) -> VirtualClock:
        return self.wires.clock

    def pass_time(self, seconds: float) -> None:
        self.clock.sleep(seconds)
        self.wires.bench.advance()

    def note(self, kind: str, **fields: Any) -> None:
        self.noted.append((kind, fields))

    def off(self, **changes: Any) -> OffReport:
        zero = {"supply": 0.022, "load": 0.060}
        rig = self.connection.rig
        assert rig is not None
        self.safe_off = SafeOff(rig=rig, clock=self.clock, note=self.note, zero_amps=zero)
        for key, value in changes.items():
            setattr(self.safe_off, key, value)
        report = self.safe_off.drive(self.before)
        self.wires.bench.advance()
        assert report.took_s <= MOST_S
        return report

    def offs(self) -> list[str]:
        return [who for _, who, text in self.wires.heard if text == OFF.get(who)]


# -- order -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("phase", ON_A_PACK)
def test_order_on_the_wire(phase: str, tmp_path: Path) -> None:
    live = Live(tmp_path, phase)
    report = live.off()
    assert report.confirmed
    assert truly_off(live.wires.bench.world)
    assert live.offs() == list(of_pack(phase))
    # Before anything is asked, everything was told.
    assert [text for _, _, text in live.wires.heard[:2]] == [OFF[who] for who in of_pack(phase)]
    assert [t for t, _, _ in live.wires.heard[:2]] == [live.on_s] * 2


@pytest.mark.parametrize(("phase", "last"), [("sink", "supply"), ("source", "load"), ("unknown", "load")])
def test_what_pushes_goes_first_and_a_sink_last_unless_the_pack_is_what_is_left(phase: str, last: str) -> None:
    assert of_pack(phase)[-1] == last
    assert set(of_pack(phase)) == {"supply", "load"}


@pytest.mark.parametrize("lost", ["supply", "load"])
@pytest.mark.parametrize("phase", ON_A_PACK)
def test_nobody_waits_for_one_that_has_to_start_again(phase: str, lost: str, tmp_path: Path) -> None:
    """Its line was lost, and it is deaf for 5 s after each opening: it is told off after that, the other at once."""
    live = Live(tmp_path, phase)
    assert live.connection.rig is not None
    wire = live.connection.rig.drivers[lost].session.wire
    wire.close()
    wire.boot_s = 5.0
    report = live.off()
    told_s = {who: t - live.on_s for t, who, text in reversed(live.wires.heard) if text == OFF.get(who)}
    assert told_s.pop(lost) == pytest.approx(5.0)
    assert list(told_s.values()) == [0.0]
    assert report.confirmed
    assert truly_off(live.wires.bench.world)


@pytest.mark.parametrize("kind", ["mute", "deaf", "gone"])
@pytest.mark.parametrize("lost", ["supply", "load"])
@pytest.mark.parametrize("phase", ["sink", "source"])
def test_both_outputs_are_told_though_one_is_lost(phase: str, lost: str, kind: str, tmp_path: Path) -> None:
    live = Live(tmp_path, phase)
    getattr(live.wires, kind).add(lost)
    report = live.off()
    other = "load" if lost == "supply" else "supply"
    first = next(t for t, who, text in live.wires.heard if (who, text) == (other, OFF[other]))
    assert first - live.on_s <= 1.0, "waited for the one that is lost"
    assert not report.confirmed
    assert report.suspects == (lost,)
    assert truly_off(live.wires.bench.world) is (kind == "mute" or of_pack(phase)[0] != lost)


# -- proof -------------------------------------------------------------------------------------------------------------


def test_a_discharge_is_proven_off_by_the_rebound(tmp_path: Path) -> None:
    report = Live(tmp_path, "sink").off()
    assert (report.word, report.witness) == ("confirmed", "other instrument (meter)")
    assert any("pack rebounded" in line for line in report.lines)


def test_a_charge_is_proven_off_by_falling_back(tmp_path: Path) -> None:
    report = Live(tmp_path, "source").off()
    assert (report.word, report.witness) == ("confirmed", "other instrument (meter)")
    assert any("pack fell back" in line for line in report.lines)


def test_without_a_current_there_is_only_the_instruments_own_word(tmp_path: Path) -> None:
    report = Live(tmp_path, "rest").off()
    assert (report.word, report.witness) == ("confirmed", "none")
    assert report.lines[-1] == "off, by the instrument's own word only"


def liar(port: str) -> Callable[[bytes], bytes | None]:
    """Says off, reads 0, and does nothing of what it is told about it."""
    own = {b"INP?": b"0\n", b"OUTP?": b"0\n", b"MEAS:CURR?": b"0.0000\n"}
    deaf_to = (OFF[port], b"CURR 0.000", b"FUNC CURR")
    return lambda text: own.get(text, b"" if text in deaf_to else None)


@pytest.mark.parametrize(("phase", "port"), [("sink", "load"), ("source", "supply")])
def test_says_off_reads_nothing_and_the_pack_says_otherwise(phase: str, port: str, tmp_path: Path) -> None:
    live = Live(tmp_path, phase, lambda wires: obstinate(wires, port, liar(port)))
    report = live.off()
    assert report.word == "not confirmed"
    assert any("did NOT" in line for line in report.lines)
    assert report.took_s >= LADDER_UNSAFE_S
    assert not truly_off(live.wires.bench.world)
    rig = live.connection.rig
    assert rig is not None
    text = message(rig, report, fuse_amps=20.0)
    assert text.startswith(HEAD)
    assert port in text
    assert "20 A" in text
    assert "last current: 0.0" in text


HARD = {OFF["load"]: b"", b"FUNC CURR": b"", b"CURR 0.000": b""}
"""A load that obeys nothing on the way off. (A change of function alone would open the simulated one's input.)"""


def test_a_lie_about_the_current_alone_is_seen_through(tmp_path: Path) -> None:
    answer = {b"MEAS:CURR?": b"0.0000\n", **HARD}.get
    report = Live(tmp_path, "sink", lambda wires: obstinate(wires, "load", answer)).off()
    assert report.word == "not confirmed"
    assert report.suspects == ("load",)
    assert any("says ON" in line for line in report.lines)


def test_says_off_and_still_carries_current(tmp_path: Path) -> None:
    answer = {b"INP?": b"0\n", **HARD}.get
    report = Live(tmp_path, "sink", lambda wires: obstinate(wires, "load", answer)).off()
    assert report.word == "not confirmed"
    assert report.last_amps == pytest.approx(6.0, abs=0.1)


@pytest.mark.parametrize("reply", [b"9.91E37\n", b"\n", b"OVLD\n", b"nan\n"])
def test_a_current_that_is_not_a_number_is_never_nothing(reply: bytes, tmp_path: Path) -> None:
    live = Live(tmp_path, "sink")
    obstinate(live.wires, "load", {b"MEAS:CURR?": reply}.get)
    rig = live.connection.rig
    assert rig is not None
    rig.drivers["load"].session.close()
    report = live.off()
    assert report.word == "not confirmed"
    assert report.suspects == ("load",)


def test_nobody_answers(tmp_path: Path) -> None:
    live = Live(tmp_path, "sink")
    live.wires.deaf |= set(live.wires.names)
    report = live.off()
    assert report.word == "unreadable"
    assert report.suspects == ("supply", "load")
    rig = live.connection.rig
    assert rig is not None
    text = message(rig, report, fuse_amps=None, trying=False)
    assert "last current: no answer; pack: no answer" in text
    assert "Still trying" not in text


def test_only_the_voltmeter_answers_is_readable(tmp_path: Path) -> None:
    live = Live(tmp_path, "sink")
    live.wires.deaf |= {"supply", "load"}
    report = live.off()
    assert report.word == "not confirmed"
    assert report.last_volts > 5.0


@pytest.mark.parametrize("lost", [{"meter"}, {"thermometer"}, {"meter", "thermometer"}])
@pytest.mark.parametrize("kind", ["deaf", "gone"])
def test_a_dead_voltmeter_or_thermometer_costs_one_deadline_at_most(kind: str, lost: set[str], tmp_path: Path) -> None:
    live = Live(tmp_path, "sink")
    getattr(live.wires, kind).update(lost)
    report = live.off()
    assert report.confirmed
    assert report.took_s <= 1.5
    assert report.witness == ("none" if "meter" in lost else "other instrument (meter)")
    assert not any(who == "thermometer" for _, who, _ in live.wires.heard), "nobody asked for a temperature"


# -- ladder ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("needed", [1, 2, 3, 6])
def test_asked_again_until_it_obeys(needed: int, tmp_path: Path) -> None:
    count = 0

    def answer(text: bytes) -> bytes | None:
        nonlocal count
        count += text == OFF["load"]
        return b"" if text == OFF["load"] and count < needed else None

    def hold(text: bytes) -> bytes | None:
        return b"" if text in (b"CURR 0.000", b"FUNC CURR") else answer(text)

    live = Live(tmp_path, "sink", lambda wires: obstinate(wires, "load", hold))
    report = live.off()
    assert report.confirmed
    assert report.tries == count == needed
    assert truly_off(live.wires.bench.world)


def test_rungs_of_the_ladder(tmp_path: Path) -> None:
    """Asked again every half second over a fresh line; told to its lowest current from 1.5 s on; 10 s; then unsafe."""
    live = Live(tmp_path, "sink")
    obstinate(live.wires, "load", {OFF["load"]: b"", b"FUNC CURR": b""}.get)
    rig = live.connection.rig
    assert rig is not None
    rig.drivers["load"].session.close()
    opened = rig.drivers["load"].session.openings
    report = live.off()
    # Lowest current obeyed: the current is gone, yet it still says that it is on.
    assert abs(live.wires.bench.world.load_amps) < 0.02
    assert report.word == "not confirmed"
    assert report.softened
    assert rig.drivers["load"].session.openings - opened == report.tries
    softened = [t - live.on_s for t, _, text in live.wires.heard if text == b"CURR 0.000"]
    assert len(softened) == 1
    assert 1.4 <= softened[0] <= 2.0
    assert 15 <= report.tries <= 22
    assert LADDER_UNSAFE_S <= report.took_s <= LADDER_UNSAFE_S + 1.0


def test_the_lowest_current_is_never_nought_volts(tmp_path: Path) -> None:
    live = Live(tmp_path, "source", lambda wires: obstinate(wires, "supply", {OFF["supply"]: b""}.get))
    assert live.off().word == "not confirmed"
    told = [text for _, who, text in live.wires.heard if who == "supply" and b"?" not in text]
    assert b"CURR 0.000" in told
    assert not any(text.startswith(b"VOLT") for text in told)


def test_a_current_that_only_the_lowest_setting_ended_is_no_proof_of_an_open_output(tmp_path: Path) -> None:
    """It says off and no current flows, but the input is still closed: whoever raises the setting is live again."""
    says = {OFF["load"]: b"", b"INP?": b"0\n", b"FUNC CURR": b""}
    live = Live(tmp_path, "sink", lambda wires: obstinate(wires, "load", says.get))
    report = live.off()
    assert report.word == "not confirmed"
    assert report.softened
    assert "load: told to its lowest current" in report.lines
    assert "current ended only with the lowest current set: the output is not proven open" in report.lines
    assert live.wires.bench.world.load.input_on
    assert abs(live.wires.bench.world.load_amps) < 0.02


@pytest.mark.parametrize("phase", ["sink", "source"])
def test_once_contradicted_only_a_witness_confirms(tmp_path: Path, phase: str) -> None:
    """It says off and reads nothing while the current goes on: asked again later, its word is still worth nothing."""
    name = "load" if phase == "sink" else "supply"
    says = {OFF[name]: b"", b"INP?": b"0\n", b"OUTP?": b"0\n", b"MEAS:CURR?": b"0.000\n"}
    says |= {b"CURR 0.000": b"", b"FUNC CURR": b""}
    live = Live(tmp_path, phase, lambda wires: obstinate(wires, name, says.get))
    first = live.off()
    assert (first.word, first.contradicted) == ("not confirmed", True)
    later = live.safe_off.drive(Before())
    assert (later.word, later.contradicted) == ("not confirmed", True)
    if phase == "source":
        # Near its end a discharged pack no longer comes back to where it was; one that was being charged does.
        live.wires.bench.world.supply.output_on = False
        live.wires.bench.world.changed()
        assert live.safe_off.drive(Before()).confirmed


class FastClock(VirtualClock):
    """Bench time that runs away: one silent line uses up the ladder's ten seconds at once, as on a scaled clock."""

    def sleep_until(self, t_s: float, **keys: Any) -> None:
        super().sleep_until(t_s + 20.0 * (t_s - self.now()), **keys)


def test_time_that_runs_away_does_not_shorten_the_ladder(tmp_path: Path) -> None:
    live = Live(tmp_path, "sink")
    obstinate(live.wires, "load", HARD.get)
    rig = live.connection.rig
    assert rig is not None
    rig.drivers["load"].session.close()
    report = SafeOff(rig=rig, clock=FastClock(), note=live.note).drive(live.before)
    assert report.tries >= 4
    assert report.softened


class StandingClock(VirtualClock):
    """Bench time that stands still while machine time goes on: the control line of a stepped bench has hung up."""

    def __init__(self) -> None:
        super().__init__()
        self.wall_s = 0.0

    def sleep_until(self, t_s: float, **keys: Any) -> None:
        self.wall_s += 0.3
        raise OSError("no time left")

    def wall(self) -> float:
        return self.wall_s


def test_time_that_stands_still_does_not_make_it_last_for_ever(tmp_path: Path) -> None:
    live = Live(tmp_path, "sink")
    obstinate(live.wires, "load", HARD.get)
    rig = live.connection.rig
    assert rig is not None
    rig.drivers["load"].session.close()
    report = SafeOff(rig=rig, clock=StandingClock(), note=live.note).drive(live.before)
    assert report.word == "not confirmed"
    assert LADDER_UNSAFE_S <= report.took_s <= 12.0


# -- whatever goes wrong on the way ------------------------------------------------------------------------------------


class Wrong(Exception):
    """Nothing that any driver is known to raise."""


@pytest.mark.parametrize("error", [Wrong("of the driver"), ValueError("x"), AssertionError(), MemoryError()])
@pytest.mark.parametrize("verb", ["off", "measure_amps", "output_is_on", "input_is_on", "soften", "session.close"])
@pytest.mark.parametrize("phase", ["sink", "source"])
def test_no_driver_call_stops_the_others(
    phase: str, verb: str, error: Exception, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    live = Live(tmp_path, phase)
    rig = live.connection.rig
    assert rig is not None
    calls = []

    def wrong(*_: Any) -> None:
        calls.append(verb)
        raise error

    for kind in (Supply, Load):
        owner, _, name = verb.rpartition(".")
        if owner:
            for driver in rig.drivers.values():
                monkeypatch.setattr(driver.session, name, wrong)
            # Else nothing would have to be closed.
            obstinate(live.wires, "load", {b"INP?": b"1\n"}.get)
        elif hasattr(kind, name):
            monkeypatch.setattr(kind, name, wrong)
    if verb == "soften":
        monkeypatch.setattr(Load, "measure_amps", lambda self: 6.0)
        monkeypatch.setattr(Supply, "measure_amps", lambda self: 4.0)
    report = live.off()
    world = live.wires.bench.world
    assert calls or (verb == "session.close" and report.confirmed)
    if verb == "off":
        assert len(calls) == 2 * report.tries, "both were told, each time"
        assert report.confirmed is truly_off(world)
    else:
        assert not world.supply.output_on
        assert not world.load.input_on
    if verb in ("measure_amps", "output_is_on", "input_is_on", "soften"):
        assert report.word == "not confirmed"


def raising(*_: Any, **__: Any) -> None:
    raise Wrong("in what is not the bench")


def test_whoever_listens_in_does_not_spoil_it(tmp_path: Path) -> None:
    live = Live(tmp_path, "sink")
    rig = live.connection.rig
    assert rig is not None
    for driver in rig.drivers.values():
        driver.session.wire.tap = raising
    live.connection.rig = Rig(bench_file=rig.bench_file, drivers=rig.drivers)
    report = live.off()
    assert report.confirmed
    assert truly_off(live.wires.bench.world)


def test_a_record_that_can_not_be_kept_does_not_stop_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    live = Live(tmp_path, "sink")
    live.wires.gone.add("supply")
    monkeypatch.setattr(live, "note", raising)
    assert live.off().suspects == ("supply",)
    assert not live.wires.bench.world.load.input_on


def test_errors_are_noted_only_after_everything_was_told(tmp_path: Path) -> None:
    """A disk that hangs while it is told of the first instrument must not keep the second one on."""
    live = Live(tmp_path, "sink")
    live.wires.gone.add("load")
    told: list[list[str]] = []
    live.note = lambda kind, **fields: told.append(live.offs())  # type: ignore[method-assign]
    live.off()
    assert told
    assert all("supply" in offs for offs in told)


def test_the_same_error_is_noted_once(tmp_path: Path) -> None:
    live = Live(tmp_path, "sink")
    live.wires.gone.add("supply")
    live.off()
    assert len(live.noted) == len({fields["text"] for _, fields in live.noted})
    assert any("times)" in fields["text"] for _, fields in live.noted)


def test_a_fault_of_this_program_is_never_taken_for_off(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    live = Live(tmp_path, "sink")
    monkeypatch.setattr(Witness, "ask", raising)
    report = live.off()
    assert report.word == "not confirmed"
    assert any("program error: Wrong" in line for line in report.lines)
    assert report.suspects == ("supply", "load")
    assert truly_off(live.wires.bench.world)


def test_a_stop_in_the_middle_of_it_passes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What derives from BaseException is not swallowed; the offs were sent before."""
    live = Live(tmp_path, "sink")

    def stopped(*_: Any) -> None:
        raise RunStopped("by somebody")

    monkeypatch.setattr(Witness, "ask", stopped)
    with pytest.raises(RunStopped):
        live.off()
    assert truly_off(live.wires.bench.world)


# -- the witness alone -------------------------------------------------------------------------------------------------


class Volts:
    """A rig that reads these pack volts one after the other, the last for ever."""

    def __init__(self, connection: Connection, *values: float) -> None:
        self._rig, self.values = connection.rig, list(values)
        self.asked = 0

    def __getattr__(self, name: str) -> Any:
        return getattr(self._rig, name)

    def pack_volts(self) -> float:
        self.asked += 1
        return self.values.pop(0) if len(self.values) > 1 else self.values[0]


NAN = float("nan")


@pytest.mark.parametrize(
    ("before", "after", "verdict"),
    [
        # 6 A x 20 mohm, half of it: 60 mV
        (Before("sink", 6.0, 12.0, 0.020), [12.061], True),
        (Before("sink", 6.0, 12.0, 0.020), [12.059], False),
        (Before("sink", 6.0, 12.0, 0.020), [12.01, 12.02, 12.061], True),
        (Before("sink", 6.0, 12.0, 0.020), [11.0], False),
        (Before("source", 6.0, 14.0, 0.020), [13.939], True),
        (Before("source", 6.0, 14.0, 0.020), [13.941], False),
        (Before("source", 6.0, 14.0, 0.020), [14.0, 13.95, 13.93], True),
        (Before("source", 6.0, 14.0, 0.020), [14.5], False),
        # too small a step, or none known: after a charge at least no rise, after a discharge nothing to be said
        (Before("source", 0.4, 14.0, 0.020), [14.019], True),
        (Before("source", 0.4, 14.0, 0.020), [14.021], False),
        (Before("source", NAN, 14.0, NAN), [14.0], True),
        (Before("source", 6.0, 14.0, -0.001), [14.1], False),
        (Before("sink", 0.4, 12.0, 0.020), [12.0], None),
        (Before("sink", NAN, 12.0, 0.020), [12.0], None),
        (Before("sink", 6.0, 12.0, NAN), [12.0], None),
        (Before("sink", 6.0, 12.0, -0.020), [12.0], None),
        # nothing to compare with, or an open pack
        (Before("sink", 6.0, NAN, 0.020), [12.0], None),
        (Before("source", 6.0, NAN, 0.020), [12.0], None),
        (Before("sink", 6.0, 0.3, 0.020), [0.3], None),
        (Before("rest", NAN, 12.0, NAN), [12.0], None),
        (Before(), [12.0], None),
        # the voltmeter dies
        (Before("sink", 6.0, 12.0, 0.020), [NAN], None),
        (Before("sink", 6.0, 12.0, 0.020), [12.0, NAN], None),
        (Before("source", 6.0, 14.0, 0.020), [NAN], None),
    ],
)
def test_witness(before: Before, after: list[float], verdict: bool | None, tmp_path: Path) -> None:
    _, connection = connected(tmp_path, SHORT["capacity"])
    waited: list[float] = []
    witness = Witness(Volts(connection, *after), before, wait=waited.append)  # type: ignore[arg-type]
    assert witness.ask() is verdict
    assert (witness.who == "none") is (verdict is None)
    assert sum(waited) <= 2.0 + 1e-9
    assert not any("nan" in line for line in witness.lines)


def test_a_voltmeter_that_died_is_not_asked_again(tmp_path: Path) -> None:
    _, connection = connected(tmp_path, SHORT["capacity"])
    rig = Volts(connection, NAN)
    witness = Witness(rig, Before("sink", 6.0, 12.0, 0.020), wait=lambda seconds: None)  # type: ignore[arg-type]
    for _ in range(5):
        assert witness.ask() is None
    assert rig.asked == 1


def test_the_least_step_is_looked_for(tmp_path: Path) -> None:
    _, connection = connected(tmp_path, SHORT["capacity"])
    edge = Before("sink", 1.0, 12.0, 2 * LEAST_STEP_V)
    rig = Volts(connection, 12.0 + LEAST_STEP_V + 1e-6)
    assert Witness(rig, edge, wait=lambda seconds: None).ask() is True  # type: ignore[arg-type]
