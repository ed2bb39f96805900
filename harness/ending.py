"""How a run comes out: the procedure inside the bench, every way out of it, and the result that says so."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime

import msgspec

from harness.bench import Bench
from harness.errors import PlanRefused, PreflightRefused, SelfTestFailed, UserError
from harness.folder import RunFolder
from harness.job import Done, Ready
from harness.procedure import Found
from harness.recorder import Recorder, RecordFailed
from harness.result import Result, write_result
from harness.safeoff import Before
from harness.site import Site
from harness.stops import OFF_UNREADABLE, NotOff, RunStopped
from harness.sums import write_sums
from harness.writeup import first_result, off_confirmation, stamp


@dataclass(frozen=True, slots=True)
class Ending:
    """How the procedure came out."""

    outcome: str
    exit_code: int
    end_reason: str
    found: Found | None = None
    error: BaseException | None = None


class ProgramError(Exception):
    """A fault of this program; the bench was switched off and off confirmed before it was raised."""

    exit_code = 1

    def __init__(self, folder: RunFolder, error: BaseException) -> None:
        what = f"{type(error).__name__}: {error}"
        super().__init__(f"program error, bench off and confirmed: {what}; record in {folder.path}; please report it")
        self.folder = folder


def attempt(ready: Ready, bench: Bench, *, before: Callable[[], object] | None = None) -> Ending:
    """Run the procedure inside the bench, ``before`` first; every way out of it has switched everything off."""
    found: Found | None = None
    try:
        with bench:
            if before is not None:
                before()
            found = ready.job.procedure.run(bench, plan=ready.plan)
    except NotOff as stop:
        return Ending("unsafe", stop.exit_code, stop.end_reason, found)
    except RunStopped as stop:
        return Ending(stop.outcome, stop.exit_code, stop.end_reason, found)
    except (PlanRefused, PreflightRefused, SelfTestFailed) as error:
        return Ending("refused", error.exit_code, str(error), found)
    except BaseException as error:  # SystemExit too: let through, it would pass for a good end with its code 0
        bench.note("program error", sync=True, text=f"{type(error).__name__}: {error}")
        return Ending("tripped", 1, f"program error: {type(error).__name__}: {error}", found, error)
    return Ending("finished", 0, found.end_reason, found)


def not_begun(bench: Bench, error: UserError) -> Ending:
    """The run was not begun because of ``error``; what was tried before it may have left something on."""
    report = bench.stopping.drive_off(Before())
    bench.note("off", sync=True, reason=str(error), result=report.word, how=list(report.lines))
    if report.confirmed:
        return Ending("refused", error.exit_code, str(error))
    code = OFF_UNREADABLE if report.word == "unreadable" else NotOff.exit_code
    return Ending("unsafe", code, f"off not confirmed after: {error}")


def write_up(
    ready: Ready,
    site: Site,
    bench: Bench,
    folder: RunFolder,
    recorder: Recorder,
    ending: Ending,
    started: datetime,
) -> Done:
    """Close the record, write the result, let go of the folder. Raises ``ProgramError`` when the program failed."""
    folder.make_room()
    duration_s = bench.elapsed()  # while the record is still open for what it rests on
    if recorder.exchanges_dropped:
        lost = f"{recorder.exchanges_dropped} exchanges could not be written: wire.jsonl has gaps, a replay ends there"
        bench.note("warning", text=lost)
    bench.note("ended", outcome=ending.outcome, exit_code=ending.exit_code, reason=ending.end_reason)
    failed = recorder.close() or bench.log.failed
    result = _final(ready, site, bench, folder, recorder, ending, started, failed, duration_s)
    try:
        write_result(folder, result)
    except RecordFailed as error:
        if not result.exit_code:
            result = msgspec.structs.replace(result, outcome="tripped", exit_code=25, end_reason=str(error))
        failed = error
    if not (failed or bench.clock.tape.replaying):
        with suppress(RecordFailed):  # the record is whole without; `show` then says that there are no sums
            write_sums(folder, guard_goes_on=ending.outcome == "unsafe")
    folder.release()
    if ending.error is not None:
        raise ProgramError(folder, ending.error) from ending.error
    return Done(folder, result, result.exit_code or 0)


def _final(
    ready: Ready,
    site: Site,
    bench: Bench,
    folder: RunFolder,
    recorder: Recorder,
    ending: Ending,
    started: datetime,
    failed: RecordFailed | str,
    duration_s: float,
) -> Result:
    ids = ready.job.procedure.ids
    found = ending.found or Found({}, ending.end_reason, {}, dict.fromkeys(ids, f"the run ended: {ending.end_reason}"))
    lost = bool(failed) and ending.exit_code == 0
    return msgspec.structs.replace(
        first_result(ready, site, bench.rig, folder, started),
        ended=stamp(bench.clock.utc()),
        duration_s=duration_s,
        outcome="tripped" if lost else ending.outcome,
        exit_code=25 if lost else ending.exit_code,
        end_reason=f"record failed: {failed}" if lost else ending.end_reason,
        figures=dict(found.figures),
        lists=dict(found.lists),
        not_measured=dict(found.not_measured),
        conditions=dict(found.conditions),
        off_confirmation=off_confirmation(bench.off_reports),
        guard=bench.guarded_by,
        rows=recorder.rows,
    )
