"""One turn of the loop on the guarded bench: wait, read, interlocks, beat, write, hand over."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import asdict, replace
from functools import partial
from typing import TYPE_CHECKING

from harness.block import Block
from harness.clock import StandstillLost
from harness.findings import Finding
from harness.gap import Commanded, gap_of, long_words
from harness.host import HostWatch, Noticed
from harness.sample import Sample
from harness.signals import StopFlag
from harness.tape import CLOCK, COMPUTER, PERSON

if TYPE_CHECKING:
    from harness.bench import Bench, Show

AGAIN_AFTER_S = 0.1
"""A single frightening sample is read again after this long before it counts."""

AGAIN_MOST = 2
"""So often: what frightens may be another voltmeter the second time. 0.2 s after the first look it is decided."""

CLEAN_TRIES = 3

NOTHING_NOTICED: dict[str, float] = {}


class Turns:
    """Waits, looks and hands over for one bench; whatever it finds ends the run, off first."""

    def __init__(self, bench: Bench, *, flag: StopFlag, show: Show | None) -> None:
        self._bench, self._flag, self._show = bench, flag, show
        self._host = HostWatch(bench.clock)
        self._marks: tuple[str, ...] = ()

    def samples(self, *, every_s: float, for_s: float | None) -> Iterator[Sample]:
        """Samples every ``every_s``, endless or for ``for_s`` of bench time; the loop runs at least at its period."""
        bench = self._bench
        thin = max(1, math.ceil(every_s / bench.period_s - 1e-9))
        step = every_s / thin
        due, count = bench.elapsed(), 0
        tape = bench.clock.tape
        end = math.inf if for_s is None else due + for_s
        while due <= end + 1e-9:
            yield from self._turn(due, keep=count % thin == 0)
            count += 1
            due += step
            # A loop that fell behind is caught by its interlock; what is left goes on from now, without a burst.
            now_s = tape.came(CLOCK, "behind", partial(self._behind, due + step), nothing=0.0)
            due = max(due, now_s - bench.loop.start_s)

    def _turn(self, due_s: float, *, keep: bool) -> Iterator[Sample]:
        bench = self._bench
        bench.stopping.again()
        self.wait_until(bench.loop.start_s + due_s)
        bench.stopping.if_asked()
        sample, finding = self.look()
        for _ in range(AGAIN_MOST):
            if finding is None or not finding.again:
                break
            bench.log.row(sample)
            yield self._marked(sample)
            bench.stopping.again()
            self.wait_until(bench.clock.now() + AGAIN_AFTER_S)
            (sample, finding), keep = self.look(), True
        if finding is not None:
            bench.stopping.trip(finding, sample)
        self.awake()
        if keep:
            bench.log.row(sample)
            bench.stopping.if_record_failed()
            if self._show is not None:
                self._show(sample, bench.loop.watch(bench.block), bench.loop.interlocks)
            yield self._marked(sample)

    def _behind(self, latest_s: float) -> float:
        """Bench time now, s, where it is later than ``latest_s`` of the run; else 0."""
        now_s = self._bench.clock.now()
        return now_s if now_s - self._bench.loop.start_s > latest_s else 0.0

    def look(self) -> tuple[Sample, Finding | None]:
        """Read, judge, and show the guard that it was done."""
        bench, presence = self._bench, self._bench.presence
        if presence is not None:
            presence.look()
        sample, finding = bench.loop.look(bench.block)
        if finding is None or finding.again:
            bench.beats.samples += 1
            bench.beats.loop_goes_on()
            # Writing waits until nothing has to be switched off.
            bench.stopping.note_errors()
            if presence is not None:
                presence.write()
            self._marks += bench.log.take_marks(bench.clock.tape.came(PERSON, "marks", self._new_marks, nothing=()))
        return sample, finding

    def _new_marks(self) -> tuple[str, ...]:
        """From another terminal, and from whoever is here."""
        bench = self._bench
        return (*bench.log.marks(), *(() if bench.person is None else bench.person.marks()))

    def _marked(self, sample: Sample) -> Sample:
        """The sample with the marks that came since the last one that was handed over."""
        if not self._marks:
            return sample
        marks, self._marks = self._marks, ()
        return replace(sample, marks=marks)

    def clean_sample(self) -> None:
        """One sample at rest on which every channel is present and no interlock speaks; asked for a few times."""
        bench = self._bench
        for _ in range(CLEAN_TRIES):
            sample, finding = self.look()
            if finding is not None and not finding.again:
                bench.stopping.trip(finding, sample)
            bench.log.row(sample)
            bench.stopping.if_record_failed()
            why = "; ".join(sample.flags) or (finding.text if finding is not None else "")
            if not why and not math.isnan(sample.pack_volts):
                return
            self.wait_until(bench.clock.now() + AGAIN_AFTER_S)
        bench.stopping.trip(Finding("no valid reading", f"before switching on: {why or 'no pack volts'}", exit_code=23))

    def wait_until(self, t_s: float) -> None:
        """Wait until bench time ``t_s``; less where a stop was asked for, or the computer was asleep."""
        bench, why = self._bench, ""
        tape = bench.clock.tape
        asked = partial(tape.soon, COMPUTER, "stop", self._flag.asked)
        try:
            bench.clock.sleep_until(t_s, stop=lambda: asked() or self._host.slept())
        except StandstillLost as error:
            why = str(error)
        if not why and getattr(bench.clock, "lost", False):
            why = "its control line hung up while switching off"
        if why := tape.came(COMPUTER, "clock lost", lambda: why, nothing=""):
            bench.stopping.trip(Finding("clock lost", why, exit_code=23))
        self.awake()

    def _noticed(self) -> dict[str, float]:
        noticed = self._host.look()
        return asdict(noticed) if noticed.slept_s or noticed.step_s else NOTHING_NOTICED

    def awake(self, block: Block | None = None) -> None:
        """Whoever wakes up switches off first, and says then for how long nobody looked; a calendar clock that was
        set is noted and changes nothing. ``block``: what was on, where it has just been left."""
        bench = self._bench
        told = bench.clock.tape.came(COMPUTER, "woke", self._noticed, nothing=NOTHING_NOTICED)
        noticed, block = Noticed(**told), block or bench.block
        if noticed.slept_s:
            rated_ah = bench.site.pack.rated_ah if bench.site.subject == "pack" else math.inf
            gap = gap_of(noticed.slept_s, Commanded(block.phase, block.set_amps), rated_ah=rated_ah)
            try:
                words = f"the computer was asleep for {long_words(gap.seconds)}; in it {gap.words}"
                bench.stopping.trip(Finding("nobody looked", words, exit_code=24))
            finally:
                bench.note("gap", sync=True, text=f"the computer was asleep; {gap.words}", **gap.event)
        if noticed.step_s:
            by_s = round(noticed.step_s, 3)
            bench.note("clock step", text="the calendar clock was set; elapsed times do not know it", by_s=by_s)
