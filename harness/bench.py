"""The guarded bench: the only thing a procedure can energise or wait with.

``sourcing`` and ``sinking`` are the only ways to put current on the node; ``samples`` and ``rest`` the only ways to
wait. Each turn of the loop goes: read, interlocks, write, hand over. To energise: write the intent, sync, act. To
switch off: act, then write. Off happens twice over, when a block and when the bench is left, confirmed by measurement.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime
from functools import partial
from typing import TYPE_CHECKING, TypeVar

from harness.arming import arm_load, arm_supply, arm_trace, need_load, need_stand_in, need_supply
from harness.beats import Beats
from harness.block import Block, Output
from harness.circuits import Circuits
from harness.clock import Clock
from harness.energising import Energise, energised, remember
from harness.findings import Finding, Watch
from harness.interlocks import Interlocks
from harness.logbook import Logbook
from harness.loop import Loop
from harness.marks import MarkInbox
from harness.person import Person
from harness.presence import Presence
from harness.recorder import Recorder
from harness.rig import READ_ERRORS, Rig
from harness.safeoff import Before, OffReport, SafeOff
from harness.sample import Sample
from harness.setpoints import check_sink, check_source, check_stand_in, check_trace
from harness.signals import StopFlag
from harness.site import Site
from harness.steering import change, end_help
from harness.stopping import Stopping
from harness.tape import CLOCK
from harness.turning import Turns
from harness.unsafe import message
from harness.volts_place import VoltsPlace
from harness.watchdogs import Watchdogs

if TYPE_CHECKING:
    from harness.guarding import GuardLink
    from harness.result import Guarded

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
        self.site, self.rig, self.clock = site, rig, clock
        self.log = Logbook(recorder, marks)
        self.period_s = site.bench.loop_period_s
        self.loop = Loop(rig=rig, clock=clock, interlocks=interlocks, period_s=self.period_s)
        self.loop.record_state = recorder.state
        self.block = Block()
        self.circuits = Circuits(self)
        self.beats = Beats(self)
        self.guarded_by: Guarded | None = None
        """What the result says of it."""
        off = SafeOff(
            rig=rig,
            clock=clock,
            note=self.note,
            zero_amps=zero_amps,
            by_hand=self.circuits.mains_off_by_hand,
            signs=self.beats,
            loud=self._off_takes_long,
        )
        self.stopping = Stopping(loop=self.loop, log=self.log, off=off, flag=flag, block=lambda: self.block)
        self.life = self.stopping.life
        self.watchdogs = Watchdogs(clock, self.period_s, self.note)
        self.turns = Turns(self, flag=flag, show=show)
        self.presence: Presence | None = None

    # -- entering, leaving, looking about --------------------------------------------------------------------------

    def __enter__(self) -> Bench:
        try:
            remember(self)
            self.circuits.close_contactor()
        except BaseException as error:  # a context that was not entered is not left either
            self.__exit__(type(error), error, None)
            raise
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, _tb: object) -> None:
        try:
            self.stopping.at_exit(error)
        finally:
            off = bool(self.off_reports) and self.off_reports[-1].confirmed
            if words := self.watchdogs.disarm(off=off):
                self.stopping.once_more(words, error)

    def elapsed(self) -> float:
        """Bench time since the run began, s."""
        return self.loop.instant()

    def utc(self) -> datetime:
        """The calendar time now."""
        utc = self.clock.utc
        iso = datetime.isoformat
        return self.clock.tape.answer(CLOCK, "calendar", utc, absent=utc, pack=iso, unpack=datetime.fromisoformat)

    def watched_by(self, presence: Presence) -> None:
        """Somebody must stay with this run, and show that they do."""
        self.presence = presence
        self.loop.nobody_s, self.loop.watched_for = presence.unwatched_s, presence.why

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
        with energised(self, Block("source", amps_max, volts, longest_s), ((name, supply, arm),)) as output:
            yield output

    @contextmanager
    def sinking(self, *, amps: float, longest_s: float = math.inf) -> Iterator[Output]:
        """Discharge at constant current ``amps`` (A) through the load. Raises ``PlanRefused`` outside the envelope."""
        name, load = need_load(self.rig)
        check_sink(self.site, amps=amps)
        arm = partial(arm_load, load, site=self.site, note=self.note, amps=amps)
        with energised(self, Block("sink", amps, 0.0, longest_s), ((name, load, arm),)) as output:
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
        with energised(self, Block("stand-in", amps_max, volts, longest_s), ((name, supply, arm),)) as output:
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
        with energised(self, block, outputs) as output:
            yield output

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
        yield from self.turns.samples(every_s=self.period_s if every_s is None else every_s, for_s=for_s)

    def rest(self, *, for_s: float) -> Iterator[Sample]:
        """Samples for ``for_s`` with everything off."""
        self.stopping.need_idle("rest is for a bench whose outputs are off; leave the block first")
        yield from self.samples(for_s=for_s)

    def wait_until(self, t_s: float) -> None:
        """Wait until bench time ``t_s`` without a sample; less where a stop was asked for."""
        self.turns.wait_until(t_s)

    # -- the guard -------------------------------------------------------------------------------------------------

    @property
    def guard(self) -> GuardLink | None:
        """The line to the process that switches off when this one dies."""
        return self.beats.guard

    def guard_with(self, link: GuardLink | None) -> None:
        """Give the run its guard."""
        self.beats.guard_with(link)

    # -- switching off, and the record -----------------------------------------------------------------------------

    @property
    def off_reports(self) -> list[OffReport]:
        """How each off of this run went, in order."""
        return self.stopping.off_reports

    @property
    def before_doubt(self) -> Before | None:
        """What was known before an off that the pack's volts contradicted; ``None`` when none was."""
        return self.stopping.before_doubt

    def _off_takes_long(self, report: OffReport) -> None:
        if report.confirmed:
            self.stopping.tell(f"off confirmed after all: {'; '.join(report.lines)}")
        else:
            self.stopping.tell(message(self.rig, report, fuse_amps=self.site.bench.fuse_amps))

    def note(self, kind: str, *, sync: bool = False, **fields: object) -> None:
        """Write an event; a record that cannot be written never stops the bench from being switched off."""
        self.log.note(kind, sync=sync, **fields)

    def ask(self, prompt: str) -> None:
        """Put a question or an order to the operator into the record."""
        self.note("ask", text=prompt)
