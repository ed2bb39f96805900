"""The guarded bench: the only thing a procedure can energise or wait with.

``sourcing`` and ``sinking`` are the only ways to put current on the node; ``samples`` and ``rest`` the only ways to
wait. Each turn of the loop goes: read, interlocks, write, hand over. To energise: write the intent, sync, act. To
switch off: act, then write. Off happens twice over, when a block and when the bench is left, confirmed by measurement.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING, TypeVar

from drivers.load import Load
from drivers.supply import Supply
from harness.arming import (
    arm_load,
    arm_supply,
    arm_trace,
    need_load,
    need_stand_in,
    need_supply,
    too_cold_or_warm,
)
from harness.block import Block, Output
from harness.circuits import Circuits
from harness.clock import Clock, StandstillLost
from harness.findings import Finding, Watch
from harness.gap import Commanded, gap_of, long_words
from harness.host import HostWatch
from harness.interlocks import Interlocks
from harness.logbook import Logbook
from harness.loop import Loop
from harness.marks import MarkInbox
from harness.person import Person
from harness.recorder import Recorder
from harness.rig import READ_ERRORS, Rig, VoltsPlace
from harness.safeoff import Before, OffReport, SafeOff
from harness.sample import Sample
from harness.setpoints import check_sink, check_source, check_stand_in, check_trace
from harness.signals import StopFlag
from harness.site import Site
from harness.steering import change, end_help
from harness.stopping import Stopping

if TYPE_CHECKING:
    from harness.guarding import GuardLink
    from harness.result import Guarded

AGAIN_AFTER_S = 0.1
"""A single frightening sample is read again after this long before it counts."""

CLEAN_TRIES = 3

Energise = tuple[str, Supply | Load, Callable[[], None]]
"""An output to be switched on: its name, its driver, and what it is told before."""

Show = Callable[[Sample, Watch, Interlocks], None]
T = TypeVar("T")


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
        person: Person | None = None,
    ) -> None:
        self.person = person
        self._marks: tuple[str, ...] = ()
        self.site, self.rig, self.clock = site, rig, clock
        self.log = Logbook(recorder, marks)
        self._flag, self._show = flag, show
        self.period_s = site.bench.loop_period_s
        self.loop = Loop(rig=rig, clock=clock, interlocks=interlocks, period_s=self.period_s)
        self.loop.record_state = recorder.state
        self.host = HostWatch(clock)
        self.block = Block()
        self.circuits = Circuits(self)
        by_hand = self.circuits.mains_off_by_hand
        self.guard: GuardLink | None = None
        self.guarded_by: Guarded | None = None
        """What the result says of it."""
        self._samples = 0
        off = SafeOff(
            rig=rig,
            clock=clock,
            note=self.note,
            zero_amps=zero_amps,
            by_hand=by_hand,
            alive=partial(self._off_beat, "switching off"),
            was_off=partial(self._off_beat, "rest"),
        )
        self.stopping = Stopping(loop=self.loop, log=self.log, off=off, flag=flag, block=lambda: self.block)
        self.life = self.stopping.life

    # -- entering, leaving, looking about --------------------------------------------------------------------------

    def __enter__(self) -> Bench:
        try:
            self._remember()
            self.circuits.close_contactor()
        except BaseException as error:  # a context that was not entered is not left either
            self.__exit__(type(error), error, None)
            raise
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, _tb: object) -> None:
        self.stopping.at_exit(error)

    def elapsed(self) -> float:
        """Bench time since the run began, s."""
        return self.loop.elapsed()

    @property
    def place(self) -> VoltsPlace:
        """Where the pack's volts are taken."""
        assert self.rig.place is not None
        return self.rig.place

    def held_volts(self, sample: Sample) -> float:
        """What the supply reads at its sensed terminals, V: the quantity it holds."""
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
        name, supply = need_supply(self.rig)
        check_source(self.site, volts=volts, amps=amps_max)
        arm = partial(arm_supply, supply, site=self.site, note=self.note, volts=volts, amps=amps_max)
        with self._energised(Block("source", amps_max, volts, longest_s), ((name, supply, arm),)) as output:
            yield output

    @contextmanager
    def sinking(self, *, amps: float, longest_s: float = math.inf) -> Iterator[Output]:
        """Discharge at constant current ``amps`` (A) through the load. Raises ``PlanRefused`` outside the envelope."""
        name, load = need_load(self.rig)
        check_sink(self.site, amps=amps)
        arm = partial(arm_load, load, site=self.site, note=self.note, amps=amps)
        with self._energised(Block("sink", amps, 0.0, longest_s), ((name, load, arm),)) as output:
            yield output

    @contextmanager
    def standing_in(self, *, volts: float, amps_max: float, longest_s: float = math.inf) -> Iterator[Output]:
        """The supply in place of a UPS's battery: ``volts`` (V, at its sensed terminals), at most ``amps_max`` (A).

        The UPS's own charger may drive the node above that while it has mains. Raises ``PlanRefused`` outside the
        envelope, ``PreflightRefused`` without a supply.
        """
        name, supply = need_stand_in(self.rig)
        check_stand_in(self.site, volts=volts, amps=amps_max)
        arm = partial(arm_supply, supply, site=self.site, note=self.note, volts=volts, amps=amps_max)
        with self._energised(Block("stand-in", amps_max, volts, longest_s), ((name, supply, arm),)) as output:
            yield output

    @contextmanager
    def tracing(
        self,
        *,
        volts: float,
        amps_max: float,
        longest_s: float = math.inf,
        helped_volts: float | None = None,
        helped_amps: float = 0.0,
    ) -> Iterator[Output]:
        """The load in place of a UPS's battery, at constant ``volts`` (V): it takes what the charger gives, at most
        ``amps_max`` (A). ``helped_volts`` and ``helped_amps``: the supply beside it, for a charger that must see a
        battery before it starts; ``Output.help_off`` ends that.

        Raises ``PlanRefused`` outside the envelope, ``PreflightRefused`` without the instruments.
        """
        name, load = need_load(self.rig)
        check_trace(self.site, volts=volts, amps=amps_max)
        outputs: tuple[Energise, ...] = ((name, load, partial(arm_trace, load, note=self.note, volts=volts)),)
        if helped_volts is not None:
            helper, supply = need_stand_in(self.rig)
            check_stand_in(self.site, volts=helped_volts, amps=helped_amps)
            arm = partial(arm_supply, supply, site=self.site, note=self.note, volts=helped_volts, amps=helped_amps)
            outputs = ((helper, supply, arm), *outputs)
        block = Block("trace", amps_max, volts, longest_s, function="cv", amps_most=amps_max)
        if helped_volts is not None:
            block.helped, block.helped_amps = True, helped_amps
        with self._energised(block, outputs) as output:
            yield output

    @contextmanager
    def _energised(self, block: Block, outputs: tuple[Energise, ...]) -> Iterator[Output]:
        self.stopping.need_idle("one output at a time: leave the block first")
        self.stopping.if_asked()
        self.loop.states.forget()
        for _, _, arm in outputs:
            self.guarded(arm)
        self._remember()
        self._clean_sample()
        if self.site.subject == "pack" and math.isnan(self.loop.rested_volts(block.phase)):
            self.wait_until(self.clock.now() + AGAIN_AFTER_S)
            self._clean_sample()
        block.volts_before_on = self.loop.rested_volts(block.phase)
        why = too_cold_or_warm(self.site, phase=block.phase, temp_c=self.loop.pack_temp_c)
        if why is not None:
            self.stopping.trip(Finding("temperature", f"before switching on: {why}"))
        self.stopping.if_asked()
        self._awake()
        self.note("intent", sync=True, phase=block.phase, amps=block.set_amps, volts=block.set_volts)
        self.stopping.if_record_failed()
        block.began_s = self.elapsed()
        self.life.move(block.phase)
        self.block = block
        for name, driver, _ in outputs:
            # What was just remembered must still hold: only the switch may have moved.
            self._switch_on(name, driver)
        block.began_s = self.elapsed()
        output = Output(self, block.began_s)
        try:
            self.note("energised", phase=block.phase, on_s=block.began_s)
            yield output
        finally:
            output.release()
            self._leave_block()

    def _switch_on(self, name: str, driver: Supply | Load) -> None:
        """On, and only as it was armed: an instrument that restarted since then has other limits. Its line is not
        opened anew between the look at them and the order."""
        with driver.session.held():
            words = self.guarded(partial(self.loop.states.look_at, name))
            if words is not None:
                self.stopping.trip(Finding("changed from outside", f"before switching on: {words}"))
            self.loop.states.expect_switched(name, on=True)
            # The guard hears of it before it is so: from here on its patience is short.
            self._beat(self.loop.unwatched_wall_s)
            self.guarded(partial(driver.switch, True))

    def _leave_block(self) -> None:
        if not self.life.energised:
            return
        self.life.move("release")
        unwatched_s, reason = self.loop.unwatched_s, self.block.reason or "end of the block"
        report = self.stopping.drive_off(keeps_contactor=True)
        self.loop.states.all_off(but=self.rig.switch("contactor"))
        left, self.block = self.block, Block(began_s=self.elapsed())
        self.stopping.settle_off(report, reason=reason)
        self._awake(left)
        if unwatched_s > self.loop.gap_most_s:
            text = f"{unwatched_s:.0f} s without a sample while on, limit {self.loop.gap_most_s:g} s"
            self.stopping.trip(Finding("sampling late", text, exit_code=24))
        if report.softened:
            self._remember()

    def change(self, *, amps: float | None = None, volts: float | None = None) -> None:
        """Change a set-point of the running block; the envelope is asked again and the instrument read back."""
        change(self, amps=amps, volts=volts)

    def leave_because(self, reason: str) -> None:
        """Why the running block is about to be left."""
        self.block.reason = reason

    def end_help(self) -> None:
        """Switch off the supply that stands beside a tracing load."""
        end_help(self)

    # -- the UPS's mains and its AC load ---------------------------------------------------------------------------

    def can_switch(self, what: str) -> str:
        """How ``mains`` or ``ac-load`` is switched: by a "switch", by a "person", or "" when by nobody."""
        return self.circuits.can_switch(what)

    def tells(self, what: str) -> str:
        """How a ``warning`` or the loss of the ``ac-output`` becomes known: by a "contact", a "mark", or "" never."""
        return self.circuits.tells(what)

    def mains(self, *, on: bool) -> Iterator[Sample]:
        """Switch the UPS's mains, or have it switched; samples until that is done and one after it."""
        yield from self.circuits.switch_over("mains", "mains", on)

    def ac_load(self, *, on: bool) -> Iterator[Sample]:
        """The same for the load on the UPS's output."""
        yield from self.circuits.switch_over("ac-load", "ac load", on)

    def _remember(self) -> None:
        words = self.guarded(self.loop.states.remember)
        if words is not None:
            self.stopping.trip(Finding("changed from outside", words))

    def guarded(self, act: Callable[[], T]) -> T:
        """Do one thing to an instrument; whatever goes wrong there ends the run, off first."""
        try:
            return act()
        except READ_ERRORS as error:
            self.stopping.trip(Finding("instrument", str(error), exit_code=23))

    # -- waiting ---------------------------------------------------------------------------------------------------

    def samples(self, *, every_s: float | None = None, for_s: float | None = None) -> Iterator[Sample]:
        """Samples every ``every_s`` (default the loop period), endless or for ``for_s`` of bench time.

        The loop itself never runs slower than the bench's period: a longer ``every_s`` only thins what is recorded.
        """
        every = self.period_s if every_s is None else every_s
        thin = max(1, math.ceil(every / self.period_s - 1e-9))
        step = every / thin
        due, count = self.elapsed(), 0
        end = math.inf if for_s is None else due + for_s
        while due <= end + 1e-9:
            yield from self._turn(due, keep=count % thin == 0)
            count += 1
            due += step
            # A loop that fell behind is caught by its interlock; what is left goes on from now, without a burst.
            due = max(due, self.elapsed()) if due < self.elapsed() - step else due

    def rest(self, *, for_s: float) -> Iterator[Sample]:
        """Samples for ``for_s`` with everything off."""
        self.stopping.need_idle("rest is for a bench whose outputs are off; leave the block first")
        yield from self.samples(for_s=for_s)

    def _turn(self, due_s: float, *, keep: bool) -> Iterator[Sample]:
        self.stopping.again()
        self.wait_until(self.loop.start_s + due_s)
        self.stopping.if_asked()
        sample, finding = self._look()
        if finding is not None and finding.again:
            self.log.row(sample)
            yield self._marked(sample)
            self.stopping.again()
            self.wait_until(self.clock.now() + AGAIN_AFTER_S)
            (sample, finding), keep = self._look(), True
        if finding is not None:
            self.stopping.trip(finding, sample)
        self._awake()
        if keep:
            self.log.row(sample)
            self.stopping.if_record_failed()
            if self._show is not None:
                self._show(sample, self.loop.watch(self.block), self.loop.interlocks)
            yield self._marked(sample)

    def wait_until(self, t_s: float) -> None:
        try:
            self.clock.sleep_until(t_s, stop=lambda: self._flag.asked() or self.host.slept())
        except StandstillLost as error:
            self.stopping.trip(Finding("clock lost", str(error), exit_code=23))
        if getattr(self.clock, "lost", False):
            self.stopping.trip(Finding("clock lost", "its control line hung up while switching off", exit_code=23))
        self._awake()

    def _awake(self, block: Block | None = None) -> None:
        """Whoever wakes up switches off first, and says then for how long nobody looked; a calendar clock that was
        set is noted and changes nothing. ``block``: what was on, where it has just been left."""
        noticed, block = self.host.look(), block or self.block
        if noticed.slept_s:
            rated_ah = self.site.pack.rated_ah if self.site.subject == "pack" else math.inf
            gap = gap_of(noticed.slept_s, Commanded(block.phase, block.set_amps), rated_ah=rated_ah)
            try:
                words = f"the computer was asleep for {long_words(gap.seconds)}; in it {gap.words}"
                self.stopping.trip(Finding("nobody looked", words, exit_code=24))
            finally:
                self.note("gap", sync=True, text=f"the computer was asleep; {gap.words}", **gap.event)
        if noticed.step_s:
            by_s = round(noticed.step_s, 3)
            self.note("clock step", text="the calendar clock was set; elapsed times do not know it", by_s=by_s)

    def _look(self) -> tuple[Sample, Finding | None]:
        sample, finding = self.loop.look(self.block)
        if finding is None or finding.again:
            self._samples += 1
            self._beat(self.loop.unwatched_wall_s)
            # Writing waits until nothing has to be switched off.
            self.stopping.note_errors()
            self._marks += self.log.take_marks(() if self.person is None else self.person.marks())
        return sample, finding

    def guard_with(self, link: GuardLink | None) -> None:
        """The process that switches off when this one dies. It hears of each turn of this loop and of each step of
        switching off, and of nothing else: no thread may speak for a loop that hangs."""
        self.guard = link
        if link is not None:
            self.loop.guard_silent_s = link.silent_s

    def _beat(self, age_s: float) -> None:
        """Show the guard that this loop goes on, deciding on readings ``age_s`` old, s of machine time."""
        if self.guard is not None:
            state = self.loop.before(self.block).order
            on_mains = state == "rest" and bool(self.rig.switched.get("mains"))
            self.guard.beat("unknown" if on_mains else state, self._samples, age_s)

    def _off_beat(self, state: str) -> None:
        """Switching off goes on, or off was confirmed: then a disk that keeps the run waiting is no danger."""
        if self.guard is not None:
            self.guard.beat(state, self._samples, 0.0)

    def _marked(self, sample: Sample) -> Sample:
        """The sample with the marks that came since the last one that was handed over."""
        if not self._marks:
            return sample
        marks, self._marks = self._marks, ()
        return replace(sample, marks=marks)

    def _clean_sample(self) -> None:
        """One sample at rest on which every channel is present and no interlock speaks; asked for a few times."""
        for _ in range(CLEAN_TRIES):
            sample, finding = self._look()
            if finding is not None and not finding.again:
                self.stopping.trip(finding, sample)
            self.log.row(sample)
            self.stopping.if_record_failed()
            why = "; ".join(sample.flags) or (finding.text if finding is not None else "")
            if not why and not math.isnan(sample.pack_volts):
                return
            self.wait_until(self.clock.now() + AGAIN_AFTER_S)
        self.stopping.trip(Finding("no valid reading", f"before switching on: {why or 'no pack volts'}", exit_code=23))

    # -- switching off, and the record -----------------------------------------------------------------------------

    @property
    def off_reports(self) -> list[OffReport]:
        """How each off of this run went, in order."""
        return self.stopping.off_reports

    @property
    def before_doubt(self) -> Before | None:
        """What was known before an off that the pack's volts contradicted; ``None`` when none was."""
        return self.stopping.before_doubt

    def note(self, kind: str, *, sync: bool = False, **fields: object) -> None:
        """Write an event; a record that cannot be written never stops the bench from being switched off."""
        self.log.note(kind, sync=sync, **fields)

    def ask(self, prompt: str) -> None:
        """Put a question or an order to the operator into the record."""
        self.note("ask", text=prompt)
