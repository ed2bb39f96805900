"""The guarded bench: the only thing a procedure can energise or wait with.

``sourcing`` and ``sinking`` are the only ways to put current on the node; ``samples`` and ``rest`` the only ways to
wait. Each turn of the loop goes: read, interlocks, write, hand over. To energise: write the intent, sync, act. To
switch off: act, then write. Off happens twice over: when a block is left, and when the bench is left; both are
confirmed by measurement.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace

from drivers.load import Load
from drivers.supply import Supply

from harness.clock import Clock
from harness.errors import PlanRefused, PreflightRefused
from harness.interlocks import Finding, Interlocks, Watch
from harness.lifecycle import CLOSED, Lifecycle
from harness.limits import own_low_stop_volts
from harness.marks import MarkInbox
from harness.recorder import Recorder, RecordFailed
from harness.rig import READ_ERRORS, Rig, Turn, VoltsPlace
from harness.safeoff import Before, OffReport, SafeOff
from harness.sample import Sample
from harness.signals import StopFlag
from harness.site import Site
from harness.stops import OFF_UNREADABLE, NotOff, RunStopped, StoppedByPerson, Tripped

STATE_EVERY_S = 5.0
"""Within this time every set-point, limit and output has been read back once."""

AGAIN_AFTER_S = 0.1
"""A single frightening sample is read again after this long before it counts."""

SHOW = Callable[[Sample, Watch, Interlocks], None]


class NotEnergised(RuntimeError):
    """A block's handle was used after the block was left."""


class Output:
    """What ``sourcing`` and ``sinking`` hand out; made by the bench only, dead once its block is left."""

    def __init__(self, bench: Bench, on_s: float) -> None:
        self._bench: Bench | None = bench
        self.on_s = on_s
        """Bench time of the acknowledged switching on, as ``elapsed_s`` of samples counts."""

    def _alive(self) -> Bench:
        if self._bench is None:
            raise NotEnergised("this block was left and its output is off; enter a new one")
        return self._bench

    def release(self) -> None:
        self._bench = None

    def set_amps(self, *, amps: float) -> None:
        """Change the current (A, positive); checked against the envelope, read back."""
        self._alive().change(amps=amps)

    def set_volts(self, *, volts: float) -> None:
        """Change the volts of a sourcing block (V); checked against the envelope, read back."""
        self._alive().change(volts=volts)


@dataclass(slots=True)
class Block:
    """What is commanded now, for the interlocks and for switching off."""

    phase: str = "rest"
    set_amps: float = 0.0
    set_volts: float = 0.0
    longest_s: float = math.inf
    began_s: float = 0.0
    charge_ah: float = 0.0
    step_ohm: float = math.nan


class Bench:
    """Context manager of one run. Raises ``RunStopped`` (a ``BaseException``) after having switched everything off."""

    def __init__(
        self,
        *,
        site: Site,
        rig: Rig,
        clock: Clock,
        recorder: Recorder,
        interlocks: Interlocks,
        flag: StopFlag,
        marks: MarkInbox | None = None,
        show: SHOW | None = None,
        zero_amps: dict[str, float] | None = None,
    ) -> None:
        self.site, self.rig, self.clock = site, rig, clock
        self._recorder, self._interlocks, self._flag = recorder, interlocks, flag
        self._marks, self._show = marks, show
        self.period_s = site.bench.loop_period_s
        self.life = Lifecycle()
        self.block = Block()
        self.off_reports: list[OffReport] = []
        self.trips: list[str] = []
        self._off = SafeOff(rig=rig, clock=clock, note=self.note, zero_amps=zero_amps)
        self._start = clock.now()
        self._last: Sample | None = None
        self._last_wall = clock.wall()
        self._charge_ah = self._energy_wh = 0.0
        self._record_failed: RecordFailed | None = None
        self._expected: list[tuple[str, str, Callable[[], object], object]] = []
        self._next_state = 0

    # -- entering and leaving ------------------------------------------------------------------------------------

    def __enter__(self) -> Bench:
        self._remember_states()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, _tb: object) -> None:
        if self.life.state in CLOSED:
            return
        self.life.move("end" if self.life.state == "idle" else "trip")
        self._settle_off(self._drive_off(), reason=str(error) if error else "end of the run")

    def elapsed(self) -> float:
        """Bench time since the run began, s."""
        return self.clock.now() - self._start

    @property
    def place(self) -> VoltsPlace:
        """Where the pack's volts are taken on this bench."""
        assert self.rig.place is not None
        return self.rig.place

    def held_volts(self, sample: Sample) -> float:
        """What the supply reads at its sensed terminals in ``sample``, V: the quantity it holds."""
        return sample.readings.get(f"{self.rig.supply_name}_volts", math.nan)

    def load_volts(self, sample: Sample) -> float:
        """What the load reads in ``sample``, V."""
        return sample.readings.get(f"{self.rig.load_name}_volts", math.nan)

    # -- energising ----------------------------------------------------------------------------------------------

    @contextmanager
    def sourcing(self, *, volts: float, amps_max: float, longest_s: float = math.inf) -> Iterator[Output]:
        """Charge: hold ``volts`` (V, at the supply's sensed terminals) with at most ``amps_max`` (A).

        Raises ``PlanRefused`` outside the envelope, ``PreflightRefused`` without a supply or a thermometer on the pack.
        """
        supply = self._need_supply()
        self._check_source(volts=volts, amps=amps_max)
        block = Block("source", amps_max, volts, longest_s, self.elapsed())
        with self._energised(block, supply, lambda: self._arm_supply(supply, volts, amps_max)) as output:
            yield output

    @contextmanager
    def sinking(self, *, amps: float, longest_s: float = math.inf) -> Iterator[Output]:
        """Discharge at constant current ``amps`` (A) through the load. Raises ``PlanRefused`` outside the envelope."""
        load = self._need_load()
        self._check_sink(amps=amps)
        block = Block("sink", amps, 0.0, longest_s, self.elapsed())
        with self._energised(block, load, lambda: self._arm_load(load, amps)) as output:
            yield output

    @contextmanager
    def _energised(self, block: Block, driver: Supply | Load, arm: Callable[[], None]) -> Iterator[Output]:
        self._stop_if_asked()
        self._expected = []
        self._guarded(arm)
        self._remember_states()
        clean = self._clean_sample()
        self.note("intent", sync=True, phase=block.phase, amps=block.set_amps, volts=block.set_volts)
        self._raise_if_record_failed()
        self._expected = []
        self.life.move(block.phase)
        self.block = block
        self._guarded(lambda: driver.switch(True))
        block.began_s = self.elapsed()
        self._remember_states()
        self.note("energised", sync=True, phase=block.phase, on_s=block.began_s)
        output = Output(self, block.began_s)
        self._before_on = clean
        try:
            yield output
        finally:
            output.release()
            self._leave_block()

    def _leave_block(self) -> None:
        if not self.life.energised:
            return
        self.life.move("release")
        self._expected = []
        report = self._drive_off()
        self.block = Block()
        self._settle_off(report, reason="end of the block")
        self._remember_states()

    def change(self, *, amps: float | None = None, volts: float | None = None) -> None:
        """Change a set-point of the running block; the envelope is asked again and the instrument read back."""
        block = self.block
        new_amps = block.set_amps if amps is None else amps
        new_volts = block.set_volts if volts is None else volts
        if block.phase == "source":
            supply = self._need_supply()
            self._check_source(volts=new_volts, amps=new_amps)
            act = self._both(lambda: supply.set_amps(amps=new_amps), lambda: supply.set_volts(volts=new_volts))
        else:
            load = self._need_load()
            self._check_sink(amps=new_amps)
            act = self._both(lambda: load.set_amps(amps=new_amps))
        self.note("intent", sync=True, phase=block.phase, amps=new_amps, volts=new_volts)
        self._expected = []
        self._guarded(act)
        block.set_amps, block.set_volts = new_amps, new_volts
        self._remember_states()

    @staticmethod
    def _both(*acts: Callable[[], None]) -> Callable[[], None]:
        def act() -> None:
            for one in acts:
                one()

        return act

    def _need_supply(self) -> Supply:
        if self.rig.supply is None:
            raise PreflightRefused("bench: no instrument with role = \"supply\"; add one to charge with")
        if self.rig.temp_name is None:
            raise PreflightRefused(
                "bench: no thermometer with measures = \"pack\"; a pack is never charged without one: add one, "
                "or charge the pack by other means and run capacity with --set charge_first=false"
            )
        return self.rig.supply

    def _need_load(self) -> Load:
        if self.rig.load is None:
            raise PreflightRefused("bench: no instrument with role = \"load\"; add one to discharge with")
        return self.rig.load

    def _check_source(self, *, volts: float, amps: float) -> None:
        env = self.site.envelope
        entry = self.site.bench.one("supply")
        assert entry is not None
        _within("charge volts", volts, env.target_v, "V", "the pack's charge volts")
        _within("charge amps", amps, env.charge_amps_max, "A", "what pack, fuse and leads bear while charging")
        _within("charge volts", volts, entry.max_volts, "V", f"max_volts of {entry.name}")
        _within("charge amps", amps, entry.max_amps, "A", f"max_amps of {entry.name}")

    def _check_sink(self, *, amps: float) -> None:
        entry = self.site.bench.one("load")
        assert entry is not None
        _within("discharge amps", amps, self.site.envelope.amps_max, "A", "what pack, fuse and leads bear")
        _within("discharge amps", amps, entry.max_amps, "A", f"max_amps of {entry.name}")
        watts = amps * self.site.envelope.target_v
        _within("discharge power of a full pack", watts, entry.max_watts, "W", f"max_watts of {entry.name}")

    def _arm_supply(self, supply: Supply, volts: float, amps: float) -> None:
        supply.arm_over_volts(volts=self.site.envelope.over_v)
        supply.set_amps(amps=amps)
        supply.set_volts(volts=volts)

    def _arm_load(self, load: Load, amps: float) -> None:
        entry = self.site.bench.one("load")
        assert entry is not None
        load.set_function("cc")
        load.set_amps(amps=amps)
        stop = own_low_stop_volts(self.site.envelope, lead_ohm=entry.lead_ohm or 0.0, amps=amps, sense=entry.sense)
        if entry.own_low_volts_stop:
            load.arm_low_volts(volts=stop, delay_s=1.0)
            self.note("limit change", instrument=entry.name, own_low_volts_stop=stop)

    def _guarded(self, act: Callable[[], None]) -> None:
        """Do one thing to an instrument; whatever goes wrong there ends the run, off first."""
        try:
            act()
        except READ_ERRORS as error:
            self.note("instrument error", text=str(error))
            self._trip(Finding("instrument", str(error), exit_code=23))

    # -- waiting -------------------------------------------------------------------------------------------------

    def samples(self, *, every_s: float | None = None, for_s: float | None = None) -> Iterator[Sample]:
        """Samples every ``every_s`` (default the loop period), endless or for ``for_s`` of bench time.

        The loop itself never runs slower than the bench's period: a longer ``every_s`` only thins what is recorded.
        """
        every = self.period_s if every_s is None else every_s
        thin = max(1, round(every / self.period_s))
        step = every / thin
        start = self.elapsed()
        due, count = start, 0
        while True:
            keep = count % thin == 0
            for sample in self._turn(due, keep):
                if keep:
                    yield sample
            count += 1
            due = start + count * step
            if for_s is not None and due > start + for_s + 1e-9:
                return
            # A late loop is caught by its interlock; after it the grid goes on from now, without a burst.
            if due < self.elapsed() - step:
                start, count, due = self.elapsed(), 0, self.elapsed()
                for_s = None if for_s is None else for_s - (self.elapsed() - start)

    def rest(self, *, for_s: float) -> Iterator[Sample]:
        """Samples for ``for_s`` with everything off."""
        if self.life.state != "idle":
            raise NotEnergised("rest is for a bench whose outputs are off; leave the block first")
        yield from self.samples(for_s=for_s)

    def _turn(self, due_s: float, keep: bool) -> Iterator[Sample]:
        self.clock.sleep_until(self._start + due_s, stop=self._flag.asked)
        self._stop_if_asked()
        sample, finding = self._look()
        if finding is not None and finding.again:
            self._write(sample)
            yield sample
            self.clock.sleep(AGAIN_AFTER_S)
            sample, finding = self._look()
            keep = True
        if finding is not None:
            self._trip(finding, sample)
        if keep:
            self._write(sample)
        if self._show is not None:
            self._show(sample, self._watch(0.0, 0.0), self._interlocks)
        yield sample

    def _look(self) -> tuple[Sample, Finding | None]:
        wall = self.clock.wall()
        turn = self.rig.read()
        drift = self._check_states()
        self._last_turn = turn
        sample = self._sample(turn)
        gap_s = 0.0 if self._last is None else sample.elapsed_s - self._last.elapsed_s
        turn_wall_s = self.clock.wall() - wall
        self._integrate(sample)
        sample = replace(sample, charge_ah=self._charge_ah, energy_wh=self._energy_wh)
        watch = replace(self._watch(gap_s, turn_wall_s), drift=drift, lost="; ".join(turn.errors) or None)
        self._last = sample
        self._take_marks()
        for text in turn.errors:
            self.note("instrument error", text=text)
        return sample, self._interlocks.judge(sample, watch)

    def _sample(self, turn: Turn) -> Sample:
        phase = self.block.phase
        amps = {"source": -turn.supply_amps, "sink": turn.load_amps, "rest": turn.pack_amps}[phase]
        if self.block.phase == "sink" and math.isnan(self.block.step_ohm) and amps > 0.5 * self.block.set_amps:
            self.block.step_ohm = (self._before_on.pack_volts - turn.pack_volts) / amps
        now = self.clock.utc()
        return Sample(
            elapsed_s=self.elapsed(),
            utc=now.strftime("%Y-%m-%dT%H:%M:%S.") + f"{now.microsecond // 1000:03d}Z",
            state=STATE_WORDS[phase],
            pack_volts=turn.pack_volts,
            pack_amps=amps,
            charge_ah=self._charge_ah,
            energy_wh=self._energy_wh,
            pack_temp_c=turn.pack_temp_c,
            readings=turn.readings,
            flags=turn.flags,
        )

    def _integrate(self, sample: Sample) -> None:
        """Net charge and energy of the run, by the trapezoid; with everything off the meters' offsets are not charge."""
        last, block = self._last, self.block
        if last is None or block.phase == "rest":
            return
        began = max(last.elapsed_s, block.began_s)
        amps = sample.pack_amps
        before = last.pack_amps if last.state == sample.state else amps
        if math.isnan(amps) or math.isnan(before):
            before = amps = before if math.isnan(amps) else amps
        if math.isnan(amps):
            return
        hours = (sample.elapsed_s - began) / 3600.0
        ah = 0.5 * (amps + before) * hours
        self._charge_ah += ah
        volts = sample.pack_volts if not math.isnan(sample.pack_volts) else 0.0
        self._energy_wh += ah * volts
        block.charge_ah += abs(ah)

    def _watch(self, gap_s: float, turn_wall_s: float) -> Watch:
        block, turn = self.block, self._last_turn
        source = block.phase == "source"
        return Watch(
            phase=block.phase,
            procedure=self._interlocks.procedure,
            set_amps=block.set_amps,
            set_volts=block.set_volts,
            block_s=self.elapsed() - block.began_s,
            longest_s=block.longest_s,
            block_charge_ah=block.charge_ah,
            active_amps=turn.supply_amps if source else turn.load_amps,
            active_volts=turn.supply_volts if source else turn.pack_volts,
            gap_s=gap_s,
            gap_limit_s=self._gap_limit(),
            turn_wall_s=turn_wall_s,
        )

    def _gap_limit(self) -> float:
        if not self.clock.runs_by_itself:
            return math.inf
        speed = getattr(self.clock, "speed", 1.0)
        # On a clock that runs faster than the machine, half a second of machine time is as long as it may stall.
        return max(3 * self.period_s, 0.5 * speed) if speed > 1 else max(3 * self.period_s, 3.0)

    def _clean_sample(self) -> Sample:
        """One sample at rest on which every channel is present and no interlock speaks."""
        sample, finding = self._look()
        if finding is not None:
            self._trip(finding, sample)
        self._write(sample)
        missing = [flag for flag in sample.flags if flag]
        if missing or math.isnan(sample.pack_volts):
            self._trip(Finding("no valid reading", "; ".join(missing) or "pack volts missing", exit_code=23), sample)
        return sample

    # -- states read back ----------------------------------------------------------------------------------------

    def _remember_states(self) -> None:
        """Take what the instruments hold now as what they must go on holding."""
        self._expected = []
        self._next_state = 0
        try:
            for name, driver in self.rig.drivers.items():
                if isinstance(driver, Supply | Load):
                    for key, ask in driver.state_queries():
                        self._expected.append((name, key, ask, ask()))
        except READ_ERRORS as error:
            self.note("instrument error", text=str(error))
            self._trip(Finding("instrument", str(error), exit_code=23))

    def _check_states(self) -> str | None:
        """Read back the next few settings; all of them within ``STATE_EVERY_S``. Words when one has changed."""
        count = math.ceil(len(self._expected) * self.period_s / STATE_EVERY_S)
        for _ in range(count):
            name, key, ask, expected = self._expected[self._next_state]
            self._next_state = (self._next_state + 1) % len(self._expected)
            try:
                if not _same(ask(), expected) and not _same(found := ask(), expected):
                    return f"{name}: {key} was {_word(expected)}, is {_word(found)}; not by this run"
            except READ_ERRORS as error:
                self.note("instrument error", text=str(error))
        return None

    # -- stopping ------------------------------------------------------------------------------------------------

    def _stop_if_asked(self) -> None:
        if not self._flag.asked():
            return
        self.life.move("trip")
        report = self._drive_off()
        reason = f"stopped by a person ({self._flag.name})"
        self.note("stop", sync=True, text=reason)
        self._settle_off(report, reason=reason)
        raise StoppedByPerson(reason)

    def _trip(self, finding: Finding, sample: Sample | None = None) -> None:
        """Latch, switch off, then write, then raise."""
        self.life.move("trip")
        report = self._drive_off()
        reason = f"{finding.words}: {finding.text}"
        self.trips.append(reason)
        if sample is not None:
            self._write(sample, guard=False)
        self.note("trip", sync=True, text=reason)
        self._settle_off(report, reason=reason)
        raise Tripped(reason, exit_code=finding.exit_code)

    def _drive_off(self) -> OffReport:
        last = self._last
        block = self.block
        before = Before(
            phase=block.phase,
            amps=abs(last.pack_amps) if last is not None and not math.isnan(last.pack_amps) else math.nan,
            pack_volts=last.pack_volts if last is not None else math.nan,
            step_ohm=block.step_ohm,
        )
        report = self._off.drive(before)
        self.off_reports.append(report)
        return report

    def drive_off_again(self, before: Before) -> OffReport:
        """Once more, after an off that was not confirmed."""
        report = self._off.drive(before)
        self.off_reports.append(report)
        self.note("off", sync=True, reason="tried again", result=report.word, how=list(report.lines))
        return report

    def _settle_off(self, report: OffReport, *, reason: str) -> None:
        """Book an off that has happened; raises ``NotOff`` when it was not confirmed."""
        self.note(
            "off",
            sync=True,
            reason=reason,
            result=report.word,
            witness=report.witness,
            took_s=round(report.took_s, 3),
            tries=report.tries,
            how=list(report.lines),
        )
        if report.confirmed:
            self.life.move("confirmed")
            return
        self.life.move("not confirmed")
        code = OFF_UNREADABLE if report.word == "unreadable" else NotOff.exit_code
        raise NotOff(f"off not confirmed after: {reason}", exit_code=code)

    # -- the record ----------------------------------------------------------------------------------------------

    def note(self, kind: str, *, sync: bool = False, **fields: object) -> None:
        """Write an event; a record that cannot be written never stops the bench from being switched off."""
        try:
            self._recorder.event(kind, sync=sync, **fields)
        except RecordFailed as error:
            self._record_failed = self._record_failed or error

    def _write(self, sample: Sample, *, guard: bool = True) -> None:
        try:
            self._recorder.sample(sample)
        except RecordFailed as error:
            self._record_failed = self._record_failed or error
        if guard:
            self._raise_if_record_failed()

    def _raise_if_record_failed(self) -> None:
        if self._record_failed is not None and self.life.state not in CLOSED:
            self._trip(Finding("record failed", str(self._record_failed), exit_code=25))

    def _take_marks(self) -> None:
        if self._marks is not None:
            for text in self._marks.poll():
                self.note("mark", text=text)

    def ask(self, prompt: str) -> None:
        """Put a question or an order to the operator into the record and on the screen."""
        self.note("ask", text=prompt)


STATE_WORDS = {"rest": "resting", "source": "sourcing", "sink": "sinking"}


def _within(what: str, value: float, limit: float | None, unit: str, whose: str) -> None:
    if limit is None:
        return
    if not (0 < value <= limit * (1 + 1e-9)):
        raise PlanRefused(f"plan: {what} = {value:g} {unit}: the limit is {limit:g} {unit} ({whose}); ask for less")


def _same(found: object, expected: object) -> bool:
    if isinstance(found, float) and isinstance(expected, float):
        return abs(found - expected) <= 1e-3 or math.isnan(expected)
    return found == expected


def _word(value: object) -> str:
    if isinstance(value, bool):
        return "on" if value else "off"
    return f"{value:g}" if isinstance(value, float) else str(value)


__all__ = ["Bench", "NotEnergised", "Output", "RunStopped"]
