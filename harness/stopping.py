"""Every way a run ends, and the one order they share: latch, switch off, write, raise.

What ended a run is remembered, so that a procedure that swallows it gets it again.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import NoReturn

from harness.block import Block, NotEnergised
from harness.findings import Finding
from harness.lifecycle import CLOSED, SETTLED, Lifecycle
from harness.logbook import Logbook
from harness.loop import Loop
from harness.safeoff import Before, OffReport, SafeOff
from harness.sample import Sample
from harness.signals import StopFlag
from harness.stops import OFF_UNREADABLE, NotOff, RunStopped, StoppedByPerson, Tripped
from harness.tape import COMPUTER

VOLTS_WORDS = ("high volts", "current the wrong way")
"""Findings that say that whoever pushes pushes too far: then that one goes off first."""

AMPS_WORDS = ("over-current", "something else on the node")
"""Findings that say that whoever is energised carries what it should not: a load then does not go last."""


def _cause(finding: Finding) -> str:
    if finding.words in AMPS_WORDS:
        return "amps"
    return "volts" if finding.words in VOLTS_WORDS else ""


class Stopping:
    """Ends a run. ``block`` tells what is commanded at this instant. All that raise, raise ``RunStopped``."""

    def __init__(self, *, loop: Loop, log: Logbook, off: SafeOff, flag: StopFlag, block: Callable[[], Block]) -> None:
        self.life = Lifecycle()
        self.off_reports: list[OffReport] = []
        self._loop, self._log, self._off, self._flag, self._block = loop, log, off, flag, block
        self._stopped: RunStopped | None = None
        self.tell: Callable[[str], None] = lambda text: None
        """Says on the screen what an interlock warns of; must not raise or wait."""

    def again(self) -> None:
        """Raise once more what has ended this run."""
        if self._stopped is not None:
            raise self._stopped
        if self.life.state in CLOSED:
            raise NotEnergised("this run is over")

    def need_idle(self, why: str) -> None:
        """Raise ``NotEnergised`` unless everything is off and the run goes on."""
        self.again()
        if self.life.state != "idle":
            raise NotEnergised(why)

    def if_asked(self) -> None:
        """End the run when a person or the system asked for it."""
        name = self._loop.clock.tape.came(COMPUTER, "stop", self._who_asked, nothing="")
        if not name:
            return
        self.life.move("trip")
        report = self.drive_off()
        reason = f"stopped by a person ({name})"
        self._log.note("stop", sync=True, text=reason)
        self.settle_off(report, reason=reason)
        self._stop(StoppedByPerson(reason))

    def _who_asked(self) -> str:
        return (self._flag.name or "asked") if self._flag.asked() else ""

    def if_record_failed(self) -> None:
        """End the run when its record cannot be kept."""
        if self._log.failed:
            self.trip(Finding("record failed", self._log.failed, exit_code=25))

    def trip(self, finding: Finding, sample: Sample | None = None) -> NoReturn:
        """End the run because of ``finding``, seen in ``sample``."""
        self._loop.clock.tape.ends(f"{finding.words}: {finding.text}")
        self.life.move("trip")
        report = self.drive_off(
            replace(self._loop.before(self._block()), cause=_cause(finding), doubted=finding.doubts_volts)
        )
        reason = f"{finding.words}: {finding.text}"
        if sample is not None:
            self._log.row(sample)
        self.note_errors()
        self._log.note("trip", sync=True, text=reason)
        self.settle_off(report, reason=reason)
        self._stop(Tripped(reason, exit_code=finding.exit_code))

    def at_exit(self, error: BaseException | None) -> None:
        """The bench is left, with ``error`` on the way out: off if that is not behind us; then what ended the run."""
        if self.life.state not in SETTLED:
            self.life.move("end" if self.life.state == "idle" else "trip")
            self.settle_off(self.drive_off(), reason=str(error) if error else "end of the run")
        if self._stopped is not None and error is not self._stopped:
            raise self._stopped
        if error is None and self._log.failed:
            # The last words of the run did not reach the disk: it must not pass for a finished one.
            self._stop(Tripped(f"record failed: {self._log.failed}", exit_code=25))

    def once_more(self, words: str, error: BaseException | None) -> None:
        """Something came on after all was seen off: off again, and the run has not finished well. What has ended it
        before, or ``error``, stays what ended it."""
        report = self.drive_off(Before())
        self.settle_off(report, reason=words)
        if self._stopped is None and error is None:
            self._stop(Tripped(words, exit_code=23))

    def drive_off(self, before: Before | None = None, *, keeps_contactor: bool = False) -> OffReport:
        """Everything off, whatever the state; booked for the result, not yet in the record."""
        before = self._loop.before(self._block()) if before is None else before
        report = self._off.drive(before, keeps_contactor=keeps_contactor)
        self.off_reports.append(report)
        return report

    def settle_off(self, report: OffReport, *, reason: str) -> None:
        """Book an off that has happened; raises ``NotOff`` when it was not confirmed."""
        self._log.note(
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
        self._stop(NotOff(f"off not confirmed after: {reason}", exit_code=code))

    @property
    def before_doubt(self) -> Before | None:
        """What was known before an off that the pack's volts contradicted; ``None`` when none was."""
        return self._off.contradicted

    def note_errors(self) -> None:
        """What instruments did wrong in the last turn goes into the record."""
        for text in self._loop.errors:
            self._log.note("instrument error", text=text)
        self._loop.errors = ()
        for text in self._loop.warnings:
            self._log.note("warning", text=text)
            self.tell(text)
        self._loop.warnings = ()

    def _stop(self, stop: RunStopped) -> NoReturn:
        self._stopped = stop
        raise stop
