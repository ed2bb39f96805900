"""``nightbench resume``: what happened to a run that died, how the bench is now, and what may follow.

Nothing is ever switched on because a record says so. The note that a run may be live wants `nightbench safe` first; a
person types a word off an instrument when the bench is off and wired as it was; files, limits, identities and the bench
itself are looked at again. Then what the procedure allows follows: for most a new run, which somebody has to start; a
sweep that can go on goes on as a run of its own, checked and armed like every other. The old folder is only read.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime
from functools import partial
from hashlib import sha256
from pathlib import Path
from typing import Any

import msgspec

from harness.block import ACTIVE
from harness.clock import WallClock
from harness.config_bench import BenchFile, ClockEntry, load_bench
from harness.derived import as_it_was, remains_of, result_of
from harness.entries import SIMULATED, figure_words, list_lines
from harness.errors import Busy, PreflightRefused, Usage
from harness.folder import INTERRUPTED, RUNNING, RunFolder
from harness.gap import Gap, gap_of, long_words
from harness.guard_log import GuardsWord, guards_word
from harness.history import History, read_history
from harness.job import Home, Ready, Watcher
from harness.locks import BenchLock
from harness.one_run import refuse_copy_of_a_live_one
from harness.plain import safe_text
from harness.preflight_check import Check, refuse_if_bad
from harness.procedure import Procedure, Remains
from harness.result import InstrumentUsed, Result
from harness.rig import Rig
from harness.run import Done, check, run
from harness.titles import TITLES
from harness.writeup import limits_in_force

Say = Callable[[str], None]
Ask = Callable[[str], str | None]
"""Puts a question to whoever sits there; None when nobody does."""


@dataclass(frozen=True, slots=True)
class Past:
    """A run that died: its record, what is left of its result, and the time since, with what that bounds."""

    folder: RunFolder
    history: History
    result: Result
    gap: Gap | None
    """``None``: the calendar clock stands before the end of the record, and nobody can tell how long it was."""
    guard: GuardsWord | None = None

    @property
    def document(self) -> dict[str, Any]:
        """For ``--json``."""
        gap = self.gap
        return {
            "folder": str(self.folder.path),
            "procedure": self.result.procedure,
            "outcome": self.result.outcome,
            "end_reason": self.result.end_reason,
            "simulated": self.result.simulated,
            "rows": len(self.history.rows),
            "left_out": list(self.history.left_out),
            "gap": None if gap is None else gap.event,
            "guard": "" if self.guard is None else self.guard.words,
            "figures": msgspec.to_builtins(self.result.figures),
            "lists": msgspec.to_builtins(self.result.lists),
        }


def look_back(place: Path | str, *, now: datetime | None = None) -> Past:
    """What a run that died left. Raises ``Usage`` for one that did not die or whose record is damaged, and ``Busy`` for
    one that is on."""
    folder = RunFolder.open(place)
    outcome = folder.outcome()
    if outcome == RUNNING:
        raise Busy(f"{folder.path}: this run is on; stop it where it runs, nothing was done here")
    if outcome == "unsafe":
        raise Usage(
            f"{folder.path}: off was NOT confirmed at its end: treat the bench as live; `nightbench safe` first"
        )
    refuse_copy_of_a_live_one(folder)
    if outcome != INTERRUPTED:
        raise Usage(f"{folder.path}: this run came to its end ({outcome}), nothing to resume; `show` tells it")
    history = read_history(folder)
    guard = guards_word(folder)
    # Whoever was seen off by the guard gave nothing any more: the charge of the gap ends there, and not now.
    until = guard.off_at if guard is not None and guard.off_at is not None else now or WallClock().utc()
    since_s = (until - history.ended).total_seconds()
    gap = gap_of(since_s, history.commanded, rated_ah=_rated_ah(folder)) if since_s >= 0.0 else None
    return Past(folder, history, result_of(folder), gap, guard)


def _rated_ah(folder: RunFolder) -> float:
    from harness.config import load_pack

    kept = folder.inputs / "pack.toml"
    try:
        return load_pack(kept).rated_ah if kept.is_file() else math.inf
    except Usage:
        return math.inf


def past_lines(past: Past) -> list[str]:
    """What happened, for a person."""
    history, rows = past.history, past.history.rows
    mark = f" ({SIMULATED})" if past.result.simulated else ""
    lines = [f"{past.folder.name}{mark}: {past.result.procedure}, and it did not end normally"]
    if rows:
        last = rows[-1]
        seen = ", ".join(
            f"{value:.5g} {unit}" if not math.isnan(value) else f"{what} unknown"
            for what, value, unit in (("volts", last.pack_volts, "V"), ("current", last.pack_amps, "A"))
        )
        lines.append(
            f"  {len(rows)} samples, the last {long_words(last.elapsed_s)} after its start: {last.state}, {seen}"
        )
    else:
        lines.append("  no sample was recorded")
    lines += [f"  left out: {text}" for text in history.left_out]
    lines.append(f"  when its record ends {_commanded_words(history)}")
    if past.guard is not None:
        lines.append(f"  {past.guard.words}")
    if past.gap is None:
        lines.append("  the calendar clock stands before the end of its record: how long nobody looked is not known")
    else:
        seen_off = past.guard is not None and past.guard.off_at is not None
        until = "until its guard saw it off" if seen_off else "since then"
        lines.append(f"  {until} nobody looked for {long_words(past.gap.seconds)}; in it {past.gap.words}")
    return [safe_text(line) for line in lines]


def _commanded_words(history: History) -> str:
    now = history.commanded
    mains = "; the UPS had mains" if history.mains_on else ""
    if now.phase == "rest":
        return f"nothing was switched on{mains}"
    return f"the {ACTIVE.get(now.phase, 'output')} was on, or about to be, set to {now.amps:g} A{mains}"


def figure_lines(result: Result) -> list[str]:
    """Figures that are left, or why there are none."""
    mark = f" {SIMULATED}" if result.simulated else ""
    lines = [f"  {TITLES.get(name, name):<26} {figure_words(one)}{mark}" for name, one in result.figures.items()]
    lines += [f"  {line}" for line in list_lines(result.lists, simulated=result.simulated)]
    return lines or ["  no figure is left of it", *dict.fromkeys(f"  {why}" for why in result.not_measured.values())]


@dataclass(frozen=True, slots=True)
class Next:
    """What follows: ``words`` for the person; ``goes_on`` is the run to be done now, if there is one."""

    words: str
    goes_on: Ready | None = None


def ready_again(
    past: Past, *, bench: str | None, out: str | None, seen_off: str, say: Say, ask: Ask, home: Home | None = None
) -> Next:
    """Ask the person, look at files and bench again; energises nothing. Raises ``UserError`` where that is refused."""
    ready = _files_again(past, bench=bench, out=out)
    if home is not None:
        ready = replace(ready, job=replace(ready.job, home=home))
    _nobody_has_it(ready.site.bench)
    _seen_off(past, seen_off=seen_off, ask=ask)
    refuse_if_bad(check(ready, also=partial(_same_instruments, past.result)))
    say("the bench answers as it did, is off, and passed its checks; nothing was switched on")
    return _next(past, ready)


def _nobody_has_it(bench: BenchFile) -> None:
    """A bench on which a run is on is left to it, and one that nobody has shown to be off is made safe first, whatever
    anybody types. Raises ``Busy`` and ``EarlierRunOpen``."""
    lock = BenchLock(bench)
    lock.acquire()
    try:
        lock.check_closed()
    finally:
        lock.release()


def _files_again(past: Past, *, bench: str | None, out: str | None) -> Ready:
    folder = past.folder
    here = Path(out) if out is not None else folder.path.resolve().parent
    ready = as_it_was(folder, past.result, bench=None if bench is None else Path(bench), out=here)
    if bench is not None:
        _same_but_where(folder.inputs / "bench.toml", ready.site.bench)
    was = {one.what: one.value for one in past.result.bench.limits} if past.result.bench is not None else {}
    for one in limits_in_force(ready.site):
        if one.what in was and was[one.what] != one.value:
            raise Usage(
                f"{one.what}: {was[one.what]} {one.unit} when the run died, {one.value} {one.unit} now; what was "
                "measured under other limits is not gone on with: begin anew with `run`"
            )
    return ready


def _same_but_where(kept: Path, given: BenchFile) -> None:
    """Addresses, and the clock of a served bench, may have changed since; nothing else. Raises ``Usage``."""
    try:
        before = load_bench(kept)
    except Usage:
        return  # a dialect file it names is elsewhere; limits and identities are held against each other all the same

    def bare(file: BenchFile) -> BenchFile:
        entries = tuple(replace(one, address="", line=None, dialect=_said(one.dialect)) for one in file.instruments)
        told = replace(file, path=kept, sha256="", text="", note="", operator="")
        return replace(told, instruments=entries, clock=ClockEntry())

    if bare(before) != bare(given):
        raise Usage(
            f"{given.path}: not the bench of that run: more than its addresses is another than in {kept}; begin anew "
            "with `run`"
        )


def _said(dialect: str) -> str:
    """The name of a shipped dialect, or what stands in a file of one."""
    return sha256(Path(dialect).read_bytes()).hexdigest() if dialect.endswith(".toml") else dialect


def _seen_off(past: Past, *, seen_off: str, ask: Ask) -> None:
    """A person has looked: they type the serial number off what was on. Raises ``PreflightRefused``."""
    what, wanted = _word_off_the_thing(past)
    typed: str | None = seen_off
    if not typed:
        typed = ask(f"Go and look. Is the bench off, and wired as it was? Then type {what}: ")
    if typed is None:
        raise PreflightRefused(
            "resume: somebody must look whether the bench is off and wired as it was; nobody is there to say so: "
            f"start it from a terminal, or add --seen-off and {what}"
        )
    if typed.strip() != wanted:
        raise PreflightRefused(
            f"resume: {safe_text(typed) or 'nothing'} typed, not {what}; nothing was switched on: look at the bench"
        )


def _word_off_the_thing(past: Past) -> tuple[str, str]:
    used = past.result.bench.instruments if past.result.bench is not None else ()
    role = ACTIVE.get(past.history.commanded.phase, "")
    outputs = [one for one in used if one.role in ("supply", "load") and one.serial]
    chosen = next((one for one in outputs if one.role == role), outputs[0] if outputs else None)
    if chosen is None:
        return "the name of what hangs on it, as in its file", past.result.name
    return f"the serial number on the {chosen.role} itself ({safe_text(chosen.name)})", chosen.serial


def _same_instruments(result: Result, rig: Rig) -> tuple[Check, ...]:
    """Every instrument of the run must be there again, and no other in its place."""
    used = {one.name: one for one in (result.bench.instruments if result.bench is not None else ())}
    found = []
    for name, driver in rig.drivers.items():
        one = driver.identity
        now = f"{one.maker},{one.model},{one.serial},{one.firmware}"
        before: InstrumentUsed | None = used.get(name)
        if before is None or before.identity != now:
            text = f"answers as {now}, in the run it was {'not there' if before is None else before.identity}"
            found.append(Check(name, "refused", f"{text}; put the same one back, or begin anew with `run`"))
    return tuple(found)


def _next(past: Past, ready: Ready) -> Next:
    procedure: Procedure = ready.job.procedure
    if procedure.go_on is None:
        return Next(f"{procedure.after_stop} {_command(past)}")
    remains: Remains = remains_of(past.history, ready=ready)
    stands = procedure.go_on.stands(remains)
    if not stands:
        return Next("Its measurement was over when it died: the figures above are all of them.")
    going_on = replace(procedure, run=partial(procedure.go_on.run, remains=remains))
    job = replace(ready.job, procedure=going_on, continued_from=past.folder.name)
    return Next(f"{procedure.after_stop} Where it stands: {stands}.", replace(ready, job=job))


def _command(past: Past) -> str:
    kept = {kind: past.folder.inputs / f"{kind}.toml" for kind in ("bench", "pack", "ups")}
    files = [f"--{kind} {place}" for kind, place in kept.items() if place.is_file()]
    return f"To begin anew: nightbench run {past.result.procedure} {' '.join(files)}"


def go_on(following: Next, watcher: Watcher) -> Done:
    """Do the run that goes on: checked, asked for, armed and recorded like every other."""
    assert following.goes_on is not None
    return run(following.goes_on, watcher=watcher)
