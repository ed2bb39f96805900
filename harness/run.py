"""One run from files to result: check, connect, look, energise through the procedure, prove off, write down."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from dataclasses import asdict, dataclass, replace
from datetime import datetime
from functools import partial
from pathlib import Path

from harness import alarms
from harness.barriers import Tried
from harness.bench import Bench
from harness.bench_of import bench_of
from harness.cleared_told import cleared_of, cleared_told
from harness.connect import Connection, connect
from harness.durable import RecordFailed
from harness.ending import Ending, ProgramError, attempt, not_begun, write_up
from harness.errors import PreflightRefused, Usage, UserError
from harness.folder import RunFolder, prepare_runs_dir
from harness.guarded_run import guarded
from harness.host import NOT_AWAKE, computer_checks, kept_awake
from harness.job import Done, Home, Job, Ready, Watcher, prepare
from harness.locks import BenchLock
from harness.onlookers import Onlookers
from harness.person import AtTheTerminal, NoOne, OnTheTape, Person, ServedPerson, SimulatedPerson
from harness.preflight import look
from harness.preflight_check import Check, checks_of, checks_told, refuse_if_bad
from harness.presence import Presence
from harness.recorder import Recorder
from harness.result import write_result
from harness.rig import Rig
from harness.run_aside import NotRecorded, StoppedEarly, gone_for_good, keep_dialects, quietly, serial_of_output
from harness.signals import StopFlag
from harness.site import Site
from harness.still_warm import watch_heat
from harness.surroundings import REAL, Surroundings
from harness.tape import COMPUTER, LEFT_ALONE
from harness.unattended import Cleared, allow, before_the_run, note_cleared
from harness.unsafe import keep_trying
from harness.wiring_up import wire_up
from harness.writeup import first_result

__all__ = ["Done", "Home", "Job", "ProgramError", "Ready", "UserError", "Watcher", "check", "prepare", "run"]


def check(ready: Ready, *, also: Callable[[Rig], tuple[Check, ...]] = lambda rig: ()) -> tuple[Check, ...]:
    """Connect and look; nothing is set, nothing energised. Raises ``UserError`` for what cannot even be asked.

    ``also`` looks at the instruments first."""
    lock = BenchLock(ready.site.bench)
    lock.acquire()
    try:
        connection = _connect(ready)
        try:
            lock.acquire_identities(connection.identities())
            assert connection.rig is not None
            watcher = Watcher()
            if connection.rig.simulated:
                wire_up(ready, connection.rig, _person(ready, connection, watcher), watcher)
            return (*also(connection.rig), *_look(ready, connection, out=None))
        finally:
            connection.close()
    finally:
        lock.release()


def _connect(ready: Ready) -> Connection:
    home, subject = ready.job.home, ready.site.subject
    if home is None:
        return connect(ready.site.bench, subject=subject)
    return connect(ready.site.bench, clock=home.clock, sim=home.sim, subject=subject)


def _person(ready: Ready, connection: Connection, watcher: Watcher) -> Person:
    """Who does by hand what nobody else can: on a simulated bench its own hands, where they can be reached."""
    rig = connection.rig
    assert rig is not None
    control = ready.site.bench.clock.control
    if connection.sim is not None:
        return SimulatedPerson(connection.sim)
    return ServedPerson(control) if rig.simulated and control else AtTheTerminal(watcher)


def _look(ready: Ready, connection: Connection, out: Path | None) -> tuple[Check, ...]:
    assert connection.rig is not None
    # What a simulated bench runs on may sleep, and run empty.
    tape = connection.clock.tape
    ask = partial(computer_checks, connection.clock)
    told = partial(tape.answer, COMPUTER, "computer", ask, absent=tuple, pack=checks_told, unpack=checks_of)
    computer: tuple[Check, ...] = () if connection.rig.simulated else told()
    checks = look(
        site=ready.site,
        rig=connection.rig,
        clock=connection.clock,
        charging=ready.charging,
        full=ready.takes_it_full,
        out=out,
        forecast_s=ready.forecast.seconds,
    )
    return (*checks, *computer)


def run(ready: Ready, *, watcher: Watcher | None = None, around: Surroundings = REAL) -> Done:
    """Do it. Raises ``UserError`` when refused (nothing energised, no folder left); else returns how it went."""
    watcher = watcher or Watcher()
    out = prepare_runs_dir(ready.job.out)
    lock = around.lock(ready.site.bench)
    lock.acquire()
    try:
        lock.check_closed()
        with around.flag(on_signal=watcher.signalled) as flag:
            connection = (around.connection or _connect)(ready)
            try:
                lock.acquire_identities(connection.identities())
                done = _looked_at(ready, connection, out, lock, flag, watcher, around)
                flag.asked()  # a stop that came from elsewhere while the last lines were written: no run follows it
                return replace(done, stop_asked=flag.name)
            finally:
                connection.close()
    finally:
        lock.release()


def _looked_at(
    ready: Ready,
    connection: Connection,
    out: Path,
    lock: BenchLock,
    flag: StopFlag,
    watcher: Watcher,
    around: Surroundings = REAL,
) -> Done:
    """Look at the bench, have typed what must be, and go on where nothing speaks against it."""
    rig, tape = connection.rig, connection.clock.tape
    assert rig is not None
    tape.answer(COMPUTER, LEFT_ALONE, lambda: ready.job.unattended, absent=lambda: False)
    person = OnTheTape(_person(ready, connection, watcher) if around.real else NoOne(), tape)
    wire_up(ready, rig, person, watcher)
    checks = _look(ready, connection, out)
    watcher.checked(ready, checks)
    refuse_if_bad(checks)
    if around.real:
        names, alone = ready.site.bench.alarms, ready.job.unattended
        alarms.try_before(names, ready.site.name, unattended=alone, say=watcher.say, stopped=flag.asked)
    cleared = tape.answer(
        COMPUTER,
        "cleared",
        lambda: allow(ready, rig, person, watcher, stopped=flag.asked),
        absent=lambda: Cleared(Tried()),
        pack=cleared_told,
        unpack=partial(cleared_of, ready),
    )
    if flag.asked():
        raise StoppedEarly(f"stopped by a person ({flag.name}) before anything was switched on")
    with kept_awake(wanted=around.real and not rig.simulated) as awake:
        awake = tape.answer(COMPUTER, "awake", lambda: awake, absent=lambda: awake)
        if awake.startswith(NOT_AWAKE) and ready.job.unattended:
            raise PreflightRefused(f"--unattended: computer: {awake}; nothing was switched on")
        if awake.startswith(NOT_AWAKE):
            watcher.say(f"note: computer: {awake}")
        checks = (*checks, Check("computer", "note", awake))
        return _recorded(ready, connection, out, lock, flag, checks, watcher, person, cleared, around)


@dataclass(frozen=True, slots=True)
class _Begun:
    """A run whose folder and record are there and whose bench is still off."""

    site: Site
    bench: Bench
    folder: RunFolder
    recorder: Recorder
    started: datetime
    onlookers: Onlookers

    def end(self, ready: Ready, ending: Ending) -> Done:
        self.onlookers.close()
        return write_up(ready, self.site, self.bench, self.folder, self.recorder, ending, self.started)


def _recorded(
    ready: Ready,
    connection: Connection,
    out: Path,
    lock: BenchLock,
    flag: StopFlag,
    checks: tuple[Check, ...],
    watcher: Watcher,
    person: Person,
    cleared: Cleared,
    around: Surroundings,
) -> Done:
    try:
        begun = _begin(ready, connection, out, flag, checks, watcher, person, around)
    except RecordFailed as error:
        raise NotRecorded(f"{error}; nothing was switched on") from error
    with begun.onlookers:
        return _through(begun, ready, connection, lock, flag, watcher, person, cleared, around)


def _through(
    begun: _Begun,
    ready: Ready,
    connection: Connection,
    lock: BenchLock,
    flag: StopFlag,
    watcher: Watcher,
    person: Person,
    cleared: Cleared,
    around: Surroundings,
) -> Done:
    """From a record that is begun and a bench that is off to the end of both."""
    bench = begun.bench
    note_cleared(ready, cleared, bench.note)
    bench.stopping.tell = quietly(watcher.warn)
    if cleared.watched_for:
        clock, why = bench.clock, cleared.watched_for
        bench.watched_by(Presence(person, why=why, now=clock.now, note=bench.note, instant=clock.instant))
    try:
        lock.mark_live(begun.folder.path, subject=ready.site.subject)
    except Usage as error:
        begun.end(ready, Ending("refused", error.exit_code, str(error)))
        raise
    say = quietly(watcher.say)
    begun.onlookers.tell_people(ready, say=say)
    unfit = guarded(ready, connection, bench, begun.folder, lock, say=say, stopped=flag.asked, arm=around.arm)
    ending = _energised(ready, bench, cleared, unfit)
    _seen_off(ready, begun, ending, lock, watcher)
    done = begun.end(ready, ending)
    watcher.ended(done)
    if around.real:
        last_c = bench.loop.pack_temp_c
        watch_heat(bench.rig, bench.clock, reason=ending.end_reason, last_c=last_c, say=say, asked=flag.asked)
    return done


def _energised(ready: Ready, bench: Bench, cleared: Cleared, unfit: UserError | None) -> Ending:
    """The procedure under its guard; the guard is let go, or told that off could not be confirmed."""
    try:
        if unfit is None:
            return attempt(ready, bench, before=before_the_run(ready, bench, cleared))
        return not_begun(bench, unfit)
    finally:
        if bench.guard is not None:
            off = bool(bench.off_reports) and bench.off_reports[-1].confirmed
            bench.guard.bye(off=off or gone_for_good(bench))


def _seen_off(ready: Ready, begun: _Begun, ending: Ending, lock: BenchLock, watcher: Watcher) -> None:
    """Go on trying where off was not confirmed; the note that the bench may be live goes once it was."""
    bench = begun.bench
    off = ending.outcome != "unsafe" or keep_trying(
        bench,
        say=quietly(watcher.say),
        acknowledged=lambda: gone_for_good(bench) or watcher.acknowledged_unsafe(serial_of_output(bench)),
    )
    if off:
        lock.mark_off()
    elif bench.before_doubt is not None:
        with suppress(Usage):  # the plain note is there already
            lock.mark_live(begun.folder.path, subject=ready.site.subject, doubt=asdict(bench.before_doubt))


def _begin(
    ready: Ready,
    connection: Connection,
    out: Path,
    flag: StopFlag,
    checks: tuple[Check, ...],
    watcher: Watcher,
    person: Person,
    around: Surroundings = REAL,
) -> _Begun:
    rig, clock = connection.rig, connection.clock
    assert rig is not None
    site = replace(ready.site, simulated=rig.simulated)
    started = clock.utc()
    folder = RunFolder.create(out, procedure=ready.job.procedure.name, name=site.name, started=started)
    folder.add_input("bench.toml", site.bench.text)
    for kind, file in (("pack.toml", site.pack_file), ("ups.toml", site.ups_file)):
        if file is not None:
            folder.add_input(kind, file.text)
    keep_dialects(site, folder)
    if around.real:
        folder.keep_room()
    make, columns = around.recorder or Recorder, rig.columns
    recorder: Recorder = make(folder, clock=clock, columns=columns, simulated=rig.simulated, zero_s=clock.now())
    connection.listen(recorder.exchange)
    watcher.started(replace(ready, site=site), folder)
    onlookers = Onlookers(folder, here=quietly(watcher.show))
    if around.real:
        onlookers.may_look_on(replace(ready, site=site), clock, flag)
    bench = bench_of(ready, site, rig, connection, recorder, flag, folder, show=onlookers.show, person=person)
    for item in checks:
        bench.note("preflight", what=item.what, word=item.word, text=item.text)
    # A run that is cut off must still tell what it was asked and on which bench.
    write_result(folder, first_result(ready, site, rig, folder, started))
    return _Begun(site, bench, folder, recorder, started, onlookers)
