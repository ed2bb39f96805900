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

from drivers.load import Load
from drivers.supply import Supply
from harness.block import Block, NotEnergised, Output
from harness.clock import Clock, StandstillLost
from harness.errors import PreflightRefused
from harness.findings import Finding, Watch
from harness.interlocks import Interlocks
from harness.lifecycle import CLOSED, Lifecycle
from harness.limits import own_low_stop_volts
from harness.loop import Loop
from harness.marks import MarkInbox
from harness.recorder import Recorder, RecordFailed
from harness.rig import READ_ERRORS, Rig, VoltsPlace
from harness.safeoff import Before, OffReport, SafeOff
from harness.sample import Sample
from harness.setpoints import check_sink, check_source
from harness.signals import StopFlag
from harness.site import Site
from harness.stops import OFF_UNREADABLE, NotOff, StoppedByPerson, Tripped

AGAIN_AFTER_S = 0.1
"""A single frightening sample is read again after this long before it counts."""

Show = Callable[[Sample, Watch, Interlocks], None]


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
        show: Show | None = None,
        zero_amps: dict[str, float] | None = None,
    ) -> None:
        self.site, self.rig, self.clock = site, rig, clock
        self._recorder, self._flag = recorder, flag
        self._marks, self._show = marks, show
        self.period_s = site.bench.loop_period_s
        self.loop = Loop(rig=rig, clock=clock, interlocks=interlocks, period_s=self.period_s)
        self.life = Lifecycle()
        self.block = Block()
        self.off_reports: list[OffReport] = []
        self._off = SafeOff(rig=rig, clock=clock, note=self.note, zero_amps=zero_amps)
        self._record_failed: RecordFailed | None = None

    # -- entering, leaving, looking about --------------------------------------------------------------------------

    def __enter__(self) -> Bench:
        self._guarded(self.loop.states.remember)
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, _tb: object) -> None:
        if self.life.state in CLOSED:
            return
        self.life.move("end" if self.life.state == "idle" else "trip")
        self._settle_off(self._drive_off(), reason=str(error) if error else "end of the run")

    def elapsed(self) -> float:
        """Bench time since the run began, s."""
        return self.loop.elapsed()

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

    # -- energising ------------------------------------------------------------------------------------------------

    @contextmanager
    def sourcing(self, *, volts: float, amps_max: float, longest_s: float = math.inf) -> Iterator[Output]:
        """Charge: hold ``volts`` (V, at the supply's sensed terminals) with at most ``amps_max`` (A).

        Raises ``PlanRefused`` outside the envelope, ``PreflightRefused`` without a supply or a thermometer on the pack.
        """
        supply = self._need_supply()
        check_source(self.site, volts=volts, amps=amps_max)

        def arm() -> None:
            supply.arm_over_volts(volts=self.site.envelope.over_v)
            supply.set_amps(amps=amps_max)
            supply.set_volts(volts=volts)

        block = Block("source", amps_max, volts, longest_s)
        with self._energised(block, supply, arm) as output:
            yield output

    @contextmanager
    def sinking(self, *, amps: float, longest_s: float = math.inf) -> Iterator[Output]:
        """Discharge at constant current ``amps`` (A) through the load. Raises ``PlanRefused`` outside the envelope."""
        load = self._need_load()
        check_sink(self.site, amps=amps)

        def arm() -> None:
            load.set_function("cc")
            load.set_amps(amps=amps)
            self._arm_low_stop(load, amps)

        block = Block("sink", amps, 0.0, longest_s)
        with self._energised(block, load, arm) as output:
            yield output

    def _arm_low_stop(self, load: Load, amps: float) -> None:
        entry = self.site.bench.one("load")
        assert entry is not None
        if not entry.own_low_volts_stop:
            self.note("note", text=f"{entry.name} has no low-volts stop of its own: this run must be watched")
            return
        stop = own_low_stop_volts(self.site.envelope, lead_ohm=entry.lead_ohm or 0.0, amps=amps, sense=entry.sense)
        load.arm_low_volts(volts=stop, delay_s=1.0)
        self.note("limit change", instrument=entry.name, own_low_volts_stop=stop)

    @contextmanager
    def _energised(self, block: Block, driver: Supply | Load, arm: Callable[[], None]) -> Iterator[Output]:
        self._stop_if_asked()
        self.loop.states.forget()
        self._guarded(arm)
        self._guarded(self.loop.states.remember)
        block.volts_before_on = self._clean_sample().pack_volts
        self._stop_if_asked()
        self.note("intent", sync=True, phase=block.phase, amps=block.set_amps, volts=block.set_volts)
        self._raise_if_record_failed()
        self.loop.states.forget()
        block.began_s = self.elapsed()
        self.life.move(block.phase)
        self.block = block
        self._guarded(lambda: driver.switch(True))
        block.began_s = self.elapsed()
        output = Output(self, block.began_s)
        try:
            self._guarded(self.loop.states.remember)
            self.note("energised", sync=True, phase=block.phase, on_s=block.began_s)
            yield output
        finally:
            output.release()
            self._leave_block()

    def _leave_block(self) -> None:
        if not self.life.energised:
            return
        self.life.move("release")
        self.loop.states.forget()
        report = self._drive_off()
        self.block = Block(began_s=self.elapsed())
        self._settle_off(report, reason="end of the block")
        self._guarded(self.loop.states.remember)

    def change(self, *, amps: float | None = None, volts: float | None = None) -> None:
        """Change a set-point of the running block; the envelope is asked again and the instrument read back."""
        block = self.block
        new_amps = block.set_amps if amps is None else amps
        new_volts = block.set_volts if volts is None else volts
        if block.phase == "source":
            check_source(self.site, volts=new_volts, amps=new_amps)
        else:
            check_sink(self.site, amps=new_amps)
        self.note("intent", sync=True, phase=block.phase, amps=new_amps, volts=new_volts)
        self._raise_if_record_failed()
        self.loop.states.forget()
        self._guarded(lambda: self._set(block.phase, new_amps, new_volts))
        block.set_amps, block.set_volts = new_amps, new_volts
        self._guarded(self.loop.states.remember)

    def _set(self, phase: str, amps: float, volts: float) -> None:
        if phase == "source":
            supply = self._need_supply()
            supply.set_amps(amps=amps)
            supply.set_volts(volts=volts)
        else:
            self._need_load().set_amps(amps=amps)

    def _need_supply(self) -> Supply:
        if self.rig.supply is None:
            raise PreflightRefused('bench: no instrument with role = "supply"; add one to charge with')
        if self.rig.temp_name is None:
            raise PreflightRefused(
                'bench: no thermometer with measures = "pack"; a pack is never charged without one: add one, '
                "or charge the pack by other means and run capacity with --set charge_first=false"
            )
        return self.rig.supply

    def _need_load(self) -> Load:
        if self.rig.load is None:
            raise PreflightRefused('bench: no instrument with role = "load"; add one to discharge with')
        return self.rig.load

    def _guarded(self, act: Callable[[], None]) -> None:
        """Do one thing to an instrument; whatever goes wrong there ends the run, off first."""
        try:
            act()
        except READ_ERRORS as error:
            self._trip(Finding("instrument", str(error), exit_code=23))

    # -- waiting ---------------------------------------------------------------------------------------------------

    def samples(self, *, every_s: float | None = None, for_s: float | None = None) -> Iterator[Sample]:
        """Samples every ``every_s`` (default the loop period), endless or for ``for_s`` of bench time.

        The loop itself never runs slower than the bench's period: a longer ``every_s`` only thins what is recorded.
        """
        every = self.period_s if every_s is None else every_s
        thin = max(1, math.ceil(every / self.period_s - 1e-9))
        step = every / thin
        due = self.elapsed()
        end = math.inf if for_s is None else due + for_s
        count = 0
        while due <= end + 1e-9:
            yield from self._turn(due, keep=count % thin == 0)
            count += 1
            due += step
            # A loop that fell behind is caught by its interlock; what is left goes on from now, without a burst.
            due = max(due, self.elapsed()) if due < self.elapsed() - step else due

    def rest(self, *, for_s: float) -> Iterator[Sample]:
        """Samples for ``for_s`` with everything off."""
        if self.life.state != "idle":
            raise NotEnergised("rest is for a bench whose outputs are off; leave the block first")
        yield from self.samples(for_s=for_s)

    def _turn(self, due_s: float, *, keep: bool) -> Iterator[Sample]:
        try:
            self.clock.sleep_until(self.loop.start_s + due_s, stop=self._flag.asked)
        except StandstillLost as error:
            self._trip(Finding("clock lost", str(error), exit_code=23))
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
                self._show(sample, self.loop.watch(self.block), self.loop.interlocks)
            yield sample

    def _look(self) -> tuple[Sample, Finding | None]:
        sample, finding = self.loop.look(self.block)
        if finding is None:
            # Writing waits until nothing has to be switched off.
            self._note_errors()
            self._take_marks()
        return sample, finding

    def _note_errors(self) -> None:
        for text in self.loop.errors:
            self.note("instrument error", text=text)
        self.loop.errors = ()

    def _clean_sample(self) -> Sample:
        """One sample at rest on which every channel is present and no interlock speaks."""
        sample, finding = self._look()
        if finding is not None and finding.again:
            sample, finding = self._look()
        if finding is None and (sample.flags or math.isnan(sample.pack_volts)):
            text = "; ".join(sample.flags) or "pack volts missing"
            finding = Finding("no valid reading", f"before switching on: {text}", exit_code=23)
        if finding is not None:
            self._trip(finding, sample)
        self._write(sample)
        return sample

    # -- stopping --------------------------------------------------------------------------------------------------

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
        if sample is not None:
            self._write(sample, guard=False)
        self._note_errors()
        self.note("trip", sync=True, text=reason)
        self._settle_off(report, reason=reason)
        raise Tripped(reason, exit_code=finding.exit_code)

    def _drive_off(self) -> OffReport:
        last, block = self.loop.last, self.block
        before = Before(
            phase=block.phase,
            amps=abs(last.pack_amps) if last is not None and block.phase != "rest" else math.nan,
            pack_volts=last.pack_volts if last is not None else math.nan,
            step_ohm=block.step_ohm,
        )
        return self.drive_off(before)

    def drive_off(self, before: Before) -> OffReport:
        """Everything off, whatever the state; booked for the result, not yet in the record."""
        report = self._off.drive(before)
        self.off_reports.append(report)
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

    # -- the record ------------------------------------------------------------------------------------------------

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
        """Put a question or an order to the operator into the record."""
        self.note("ask", text=prompt)
