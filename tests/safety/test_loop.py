"""The sampling loop: stalls of the machine, lines that come back, instruments that stop by themselves, what is
remembered of the last samples."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from night import ON_A_PACK, SHORT, Fault, Night, Wires, connected, judge, obstinate, spend, truly_off

from harness.block import Block
from harness.clock import StandstillLost, VirtualClock
from harness.drift import SILENT_MOST, UNREAD_MOST, StateKeeper
from harness.interlocks import Interlocks
from harness.loop import Loop
from harness.reading import PATIENCE_S
from harness.rig import Rig
from harness.sample import Sample

NAN = float("nan")
LONGER = replace(SHORT["capacity"], start_share=0.10)
"""Some two minutes of discharge."""


class RunningClock(VirtualClock):
    """Bench time that goes on by itself, as machine time does; both pass when somebody waits or stalls."""

    runs_by_itself = True

    def wall(self) -> float:
        return self.now()


class StallingClock(VirtualClock):
    """Bench time in memory, and a machine whose time is set by hand."""

    def __init__(self) -> None:
        super().__init__()
        self.wall_s = 0.0

    def wall(self) -> float:
        return self.wall_s


# -- stalls ------------------------------------------------------------------------------------------------------------


def stalled(out: Path, seconds: float, *, at: int = 8, clock: VirtualClock | None = None) -> Night:
    """A night in which whoever shows the progress holds everything up once."""
    clock = clock or RunningClock()
    return spend(out, SHORT["capacity"], clock=clock, each=lambda n, _s: clock.sleep(seconds) if n == at else None)


@pytest.mark.parametrize("seconds", [0.5, 2.0, 2.9])
def test_a_short_stall_is_passed_over(seconds: float, tmp_path: Path) -> None:
    night = stalled(tmp_path, seconds)
    assert judge(night) == []
    assert night.exit_code == 0


@pytest.mark.parametrize("seconds", [3.2, 4.0, 20.0])
def test_a_long_one_ends_the_run(seconds: float, tmp_path: Path) -> None:
    night = stalled(tmp_path, seconds)
    assert truly_off(night.world)
    assert (night.exit_code, night.result.outcome) == (24, "tripped")
    assert "between two samples, limit 3.0 s" in night.result.end_reason


def test_two_hours_asleep(tmp_path: Path) -> None:
    """By then the load's own stop has ended the discharge; nothing is switched on again."""
    night = stalled(tmp_path, 7200.0)
    assert judge(night) == []
    assert night.exit_code in (21, 24)
    assert len(night.on_at()) == 1


def test_after_a_stall_the_first_turn_switches_off(tmp_path: Path) -> None:
    night = stalled(tmp_path, 20.0)
    stalled_s = max(b - a for (a, *_), (b, *_) in pairwise(night.wires.heard))
    assert stalled_s >= 19.0
    woke = next(t for (before, *_), (t, *_) in pairwise(night.wires.heard) if t - before > 19)
    assert next(t for t, _ in night.off_at() if t >= woke) == woke


def test_a_stall_at_rest_counts_as_well(tmp_path: Path) -> None:
    assert stalled(tmp_path, 4.0, at=2).exit_code == 24


def test_on_a_bench_that_stands_still_meanwhile_a_stall_is_no_gap(tmp_path: Path) -> None:
    clock = StallingClock()

    def each(number: int, _sample: Any) -> None:
        clock.wall_s += 3600.0 if number == 8 else 0.0

    assert spend(tmp_path, SHORT["capacity"], clock=clock, each=each).exit_code == 0


@pytest.mark.parametrize(
    ("seconds", "running", "code", "words"),
    [
        (0.99, True, 0, ""),
        (1.01, True, 24, "of machine time for one exchange, limit 1.0 s"),
        (2.9, False, 0, ""),
        (3.1, False, 24, "of machine time for one turn, limit 3.0 s"),
        (3.1, True, 24, "of machine time for one turn, limit 3.0 s"),
    ],
)
def test_an_exchange_that_takes_too_long(seconds: float, running: bool, code: int, words: str, tmp_path: Path) -> None:
    clock = StallingClock()
    clock.runs_by_itself = running  # type: ignore[misc]
    count = 0

    def arrange(wires: Wires) -> None:
        def before(_number: int, name: str, message: bytes) -> None:
            nonlocal count
            count += name == "meter" and bool(wires.bench.world.load.input_on)
            if name == "meter" and count == 5:
                clock.wall_s += seconds

        wires.before = before

    night = spend(tmp_path, SHORT["capacity"], clock=clock, arrange=arrange)
    assert judge(night) == []
    assert night.exit_code == code
    assert words in night.result.end_reason


def test_switching_off_slowly_is_no_gap(tmp_path: Path) -> None:
    """A load that obeys only when asked for the fifth time: two seconds and more at the end of the block."""
    count = 0

    def answer(text: bytes) -> bytes | None:
        nonlocal count
        count += text == b"INP OFF"
        return b"" if (text == b"INP OFF" and count < 5) or text in (b"FUNC CURR", b"CURR 0.000") else None

    def late(text: bytes) -> bytes | None:
        return answer(text) if held[0].bench.world.load.input_on or count else None

    held: list[Wires] = []

    def arrange(wires: Wires) -> None:
        held.append(wires)
        obstinate(wires, "load", late)

    night = spend(tmp_path, SHORT["capacity"], clock=RunningClock(), arrange=arrange)
    assert judge(night) == []
    assert night.exit_code == 0
    assert max(event["took_s"] for event in night.events("off")) > 2.0


class LostClock(VirtualClock):
    """A bench whose control line hangs up at ``at_s``: the wait fails once, then time passes by itself."""

    lost = False

    def __init__(self, at_s: float) -> None:
        super().__init__()
        self.at_s = at_s

    def sleep_until(self, t_s: float, **keys: Any) -> None:
        super().sleep_until(t_s, **keys)
        if self.now() >= self.at_s and not self.lost:
            self.lost = True
            raise StandstillLost("127.0.0.1:1", "hung up")


@pytest.mark.parametrize("at_s", [2.5, 6.0, 9.3, 14.0])
def test_the_benchs_own_clock_is_lost(at_s: float, tmp_path: Path) -> None:
    """In a rest, in the block, while switching off: the run ends, off."""
    night = spend(tmp_path, SHORT["capacity"], clock=LostClock(at_s))
    assert judge(night) == []
    assert night.exit_code == 23
    assert night.result.end_reason.startswith("clock lost: ")


# -- lines -------------------------------------------------------------------------------------------------------------


def test_with_every_line_dead_a_turn_is_cut_short(tmp_path: Path) -> None:
    wires, connection = connected(tmp_path, SHORT["capacity"])
    rig = connection.rig
    assert rig is not None
    wires.deaf |= set(wires.names)
    wires.heard.clear()
    began = wires.clock.now()
    turn = rig.read(wall=wires.clock.now)
    assert wires.clock.now() - began <= PATIENCE_S + 0.8
    assert {name for _, name, _ in wires.heard} == {"supply", "load"}
    assert turn.dead == set(wires.names)
    assert [flag for flag in turn.flags if "not asked" in flag] == [
        "meter: not asked, the others took too long",
        "thermometer: not asked, the others took too long",
    ]
    assert all(value != value for value in turn.readings.values())


def test_without_a_failure_nobody_is_left_out(tmp_path: Path) -> None:
    _, connection = connected(tmp_path, SHORT["capacity"])
    rig = connection.rig
    assert rig is not None
    slow = iter(range(1000))
    assert rig.read(wall=lambda: float(next(slow))).dead == frozenset()


@pytest.mark.parametrize("lost", [{"supply", "load", "meter", "thermometer"}, {"load", "meter"}, {"supply", "load"}])
def test_a_switch_that_fails_takes_several_at_once(lost: set[str], tmp_path: Path) -> None:
    """Off is sent within a few seconds however many deadlines have to be waited for."""
    held: list[Wires] = []
    struck: list[float] = []

    def each(number: int, _sample: Any) -> None:
        if number == 8:
            held[0].deaf |= lost
            struck.append(held[0].clock.now())

    night = spend(tmp_path, SHORT["capacity"], clock=RunningClock(), arrange=held.append, each=each)
    assert judge(night) == []
    assert night.exit_code in (90, 99)
    off_s = next(t for t, who in night.off_at() if who == "load" and t >= struck[0])
    assert off_s - struck[0] <= 6.0


def in_mid_run(out: Path, procedure: str) -> int:
    """The number of a message to the energised instrument, some turns after it was switched on."""
    heard = spend(out, SHORT[procedure]).wires.heard
    begun = next(i for i, (_, _, text) in enumerate(heard) if text in (b"INP ON", b"OUTP ON"))
    wanted = (SHORT[procedure].active, b"MEAS:VOLT?")
    return next(i for i, (_, *one) in enumerate(heard) if i > begun + 40 and tuple(one) == wanted)


@pytest.mark.parametrize("procedure", ON_A_PACK)
def test_a_line_that_comes_back_is_looked_at_at_once(procedure: str, tmp_path: Path) -> None:
    """It hangs up once, the instrument keeps everything: its whole state is read in the next turn, the run goes on."""
    active = SHORT[procedure].active
    whole = {"load": 7, "supply": 6}[active]
    at = in_mid_run(tmp_path, procedure)
    night = spend(tmp_path, SHORT[procedure], fault=Fault("drop", at))
    assert judge(night) == []
    assert night.exit_code == 0
    hit_s = night.wires.heard[at][0]
    turn = [text for t, who, text in night.wires.heard[at + 1 :] if who == active and hit_s < t <= hit_s + 1.0]
    asked = [text for text in turn if text.endswith(b"?") and not text.startswith((b"MEAS", b"*IDN"))]
    assert len(asked) >= whole


@pytest.mark.parametrize("procedure", ON_A_PACK)
def test_an_instrument_that_restarted_is_told_as_that(procedure: str, tmp_path: Path) -> None:
    night = spend(tmp_path, SHORT[procedure], fault=Fault("restart", in_mid_run(tmp_path, procedure)))
    assert judge(night) == []
    assert night.exit_code == 21
    assert "not by this run" in night.result.end_reason


def test_settings_that_can_not_be_read_back_end_the_run(tmp_path: Path) -> None:
    """It measures well, and answers one question with nonsense for ever: nobody would see it changed."""
    held: list[Wires] = []
    asked: list[float] = []

    def answer(text: bytes) -> bytes | None:
        if text == b"VOLT:PROT:LOW?" and held[0].bench.world.load.input_on:
            asked.append(held[0].clock.now())
            return b"WHO KNOWS\n"
        return None

    def arrange(wires: Wires) -> None:
        held.append(wires)
        obstinate(wires, "load", answer)

    night = spend(tmp_path, LONGER, arrange=arrange)
    assert judge(night) == []
    assert night.exit_code == 23
    assert f"load: low_volts could not be read back {UNREAD_MOST} times in a row" in night.result.end_reason
    assert asked[-1] - asked[0] <= 2 * 5.0 + 0.01


def test_a_silent_instrument_without_current_is_given_ten_turns(tmp_path: Path) -> None:
    night = spend(tmp_path, LONGER, fault=Fault("gone", 200), arrange=None)
    assert night.wires.faults[0].hit is not None
    held: list[Wires] = []

    def each(number: int, _sample: Any) -> None:
        if number == 8:
            held[0].gone.add("supply")

    night = spend(tmp_path, LONGER, arrange=held.append, each=each)
    assert judge(night) == []
    assert night.exit_code == 99
    assert f"supply did not answer {SILENT_MOST} times in a row" in night.result.end_reason


# -- an instrument stops by itself -------------------------------------------------------------------------------------


def test_a_load_that_gets_too_hot_says_so_and_gives_no_capacity(tmp_path: Path) -> None:
    held: list[Wires] = []

    def each(number: int, _sample: Any) -> None:
        if number == 8:
            held[0].bench.world.load.sink_temp_c = 120.0

    night = spend(tmp_path, LONGER, arrange=held.append, each=each)
    assert judge(night) == []
    assert (night.exit_code, night.result.outcome) == (21, "tripped")
    assert night.result.end_reason == "switched off by itself: load: over-temperature stop tripped"
    assert night.result.figures == {}
    assert len(night.on_at()) == 1


def test_a_load_that_throttles_is_seen(tmp_path: Path) -> None:
    """It carries less than it is told, without a word: ends, and no capacity is given."""
    held: list[Wires] = []

    def each(number: int, _sample: Any) -> None:
        if number == 8:
            port = held[0].bench.world.load
            port.amps_set *= 0.78
            held[0].bench.world.changed()

    night = spend(tmp_path, LONGER, arrange=held.append, each=each)
    assert judge(night) == []
    assert night.exit_code == 21
    assert night.result.end_reason.startswith("set against measured: 9.3")
    assert night.result.figures == {}


def test_a_supply_that_trips_its_own_over_volts_stop(tmp_path: Path) -> None:
    held: list[Wires] = []

    def each(number: int, _sample: Any) -> None:
        if number == 8:
            world = held[0].bench.world
            world.supply.over_volts = 13.0
            world.changed()

    night = spend(tmp_path, SHORT["charge"], arrange=held.append, each=each)
    assert judge(night) == []
    assert night.exit_code == 21
    assert night.result.end_reason.startswith("switched off by itself: supply: ")
    assert night.result.figures == {}


# -- settings, looked at alone -----------------------------------------------------------------------------------------


def keeper(out: Path) -> tuple[Wires, StateKeeper, Rig]:
    wires, connection = connected(out, SHORT["capacity"])
    assert connection.rig is not None
    return wires, StateKeeper(connection.rig), connection.rig


def test_an_output_that_is_on_and_should_not_be_is_not_remembered_as_right(tmp_path: Path) -> None:
    wires, states, _ = keeper(tmp_path)
    wires.bench.connect("supply").feed(b"OUTP ON\n")
    assert states.remember() == "supply: output was off, is on; not by this run"


def test_what_this_run_does_itself_is_expected(tmp_path: Path) -> None:
    wires, states, _ = keeper(tmp_path)
    assert states.remember() is None
    states.expect_switched("load", on=True)
    wires.bench.connect("load").feed(b"CURR 1;:INP ON\n")
    states.expect("load", "amps", 1.0)
    assert states.check_all() is None
    states.expect_switched("load", on=False)
    assert states.check_all() == "load: input was off, is on; not by this run"


@pytest.mark.parametrize(("period_s", "turns"), [(1.0, 5), (0.5, 10), (0.1, 50)])
def test_everything_is_read_within_five_seconds(period_s: float, turns: int, tmp_path: Path) -> None:
    wires, states, _ = keeper(tmp_path)
    states.remember()
    everything = {(name, text) for _, name, text in wires.heard if text.endswith(b"?") and b"IDN" not in text}
    wires.heard.clear()
    for _ in range(turns):
        assert states.check(period_s=period_s) is None
    read = {(name, text) for _, name, text in wires.heard}
    assert read == everything
    assert len(wires.heard) <= len(everything) + turns


def test_one_wrong_answer_is_asked_again(tmp_path: Path) -> None:
    wires, states, rig = keeper(tmp_path)
    states.remember()
    count = 0

    def answer(text: bytes) -> bytes | None:
        nonlocal count
        count += text == b"CURR?"
        return b"3.000\n" if text == b"CURR?" and count == 1 else None

    obstinate(wires, "load", answer)
    rig.drivers["load"].session.close()
    assert states.check_all() is None
    assert count >= 2


@pytest.mark.parametrize("reply", [b"9.91E37\n", b"0.002\n", b"-0.002\n"])
def test_a_setting_that_is_another_or_no_number(reply: bytes, tmp_path: Path) -> None:
    wires, states, rig = keeper(tmp_path)
    states.remember()
    obstinate(wires, "load", {b"CURR?": reply}.get)
    rig.drivers["load"].session.close()
    words = states.check_all()
    assert words is not None
    assert words.startswith("load: amps was 0, is ")


def test_the_grid_of_a_read_back_is_no_change(tmp_path: Path) -> None:
    wires, states, rig = keeper(tmp_path)
    states.remember()
    obstinate(wires, "load", {b"CURR?": b"0.001\n"}.get)
    rig.drivers["load"].session.close()
    assert states.check_all() is None


# -- what is remembered of the last samples ----------------------------------------------------------------------------


def sample(state: str, amps: float, volts: float) -> Sample:
    return Sample(
        elapsed_s=0.0,
        utc="",
        state=state,
        pack_volts=volts,
        pack_amps=amps,
        charge_ah=0.0,
        energy_wh=0.0,
        pack_temp_c=NAN,
    )


@pytest.mark.parametrize(
    ("phase", "rows", "amps", "volts"),
    [
        ("sink", [("sinking", 6.0, 12.0), ("sinking", 6.0, 11.9), ("sinking", 6.0, 11.8)], 6.0, 11.8),
        # the last one in which everything went missing
        ("sink", [("sinking", 6.0, 12.0), ("sinking", 6.0, 11.9), ("sinking", NAN, NAN)], 6.0, 11.9),
        # off already when the volts of the last one were read
        ("sink", [("sinking", 6.0, 12.0), ("sinking", 6.0, 11.9), ("sinking", 6.0, 12.3)], 6.0, 11.9),
        ("source", [("sourcing", -4.0, 14.0), ("sourcing", -4.0, 14.1), ("sourcing", -4.0, 13.7)], 4.0, 14.1),
        # one absurd current
        ("source", [("sourcing", -4.0, 14.0), ("sourcing", -1.7e10, 14.1)], 4.0, 14.1),
        # samples of another phase say nothing
        ("sink", [("resting", 0.0, 13.0), ("resting", 0.0, 13.0), ("sinking", 6.0, 12.4)], 6.0, 12.4),
        ("sink", [("resting", 0.0, 13.0)], NAN, NAN),
        ("rest", [("resting", 0.0, 13.0)], NAN, NAN),
        ("sink", [], NAN, NAN),
    ],
)
def test_before(phase: str, rows: list[tuple[str, float, float]], amps: float, volts: float, tmp_path: Path) -> None:
    wires, connection = connected(tmp_path, SHORT["capacity"])
    assert connection.rig is not None
    loop = Loop(rig=connection.rig, clock=wires.clock, interlocks=Interlocks(None, "capacity"), period_s=1.0)  # type: ignore[arg-type]
    loop._recent.extend(sample(*row) for row in rows)
    before = loop.before(Block(phase=phase, step_ohm=0.05))
    assert before.phase == phase
    assert [before.amps, before.pack_volts] == pytest.approx([amps, volts], nan_ok=True)


# -- readings ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "question", "reply", "flag"),
    [
        ("meter", b"MEAS:VOLT:DC?", b"12800\n", "meter_volts: 12800 is out of range"),
        ("meter", b"MEAS:VOLT:DC?", b"-12800\n", "meter_volts: -12800 is out of range"),
        ("meter", b"MEAS:VOLT:DC?", b"9.91E37\n", "meter_volts: not a number"),
        ("meter", b"MEAS:VOLT:DC?", b"9.9E37\n", "meter_volts: not a number"),
        ("load", b"MEAS:CURR?", b"1.7E10\n", "load_amps: 1.7e+10 is out of range"),
        ("thermometer", b"MEAS:TEMP?", b"850\n", "thermometer_temp_c: 850 is out of range"),
        ("thermometer", b"MEAS:TEMP?", b"-200\n", "thermometer_temp_c: -200 is out of range"),
        ("supply", b"MEAS:VOLT?", b"OVLD\n", "supply: no reading"),
        ("supply", b"MEAS:VOLT?", b"\n", "supply: no reading"),
    ],
)
def test_a_reading_that_was_never_measured(name: str, question: bytes, reply: bytes, flag: str, tmp_path: Path) -> None:
    wires, connection = connected(tmp_path, SHORT["capacity"])
    rig = connection.rig
    assert rig is not None
    obstinate(wires, name, {question: reply}.get)
    rig.drivers[name].session.close()
    turn = rig.read()
    assert flag in turn.flags
    assert next(column for column, value in turn.readings.items() if value != value).startswith(name)


@pytest.mark.parametrize("reply", [b"-12.8\n", b"26.1\n", b"0.0000\n"])
def test_a_reading_that_is_only_surprising_is_kept(reply: bytes, tmp_path: Path) -> None:
    wires, connection = connected(tmp_path, SHORT["capacity"])
    rig = connection.rig
    assert rig is not None
    obstinate(wires, "meter", {b"MEAS:VOLT:DC?": reply}.get)
    rig.drivers["meter"].session.close()
    assert rig.read().pack_volts == float(reply)
    assert rig.pack_volts() == float(reply)
