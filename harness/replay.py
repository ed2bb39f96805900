"""``nightbench replay``: a recorded run once more, its tape in the place of instruments, clock, person and computer.

It is the very run-through of ``run``: files from the record, plan as it was settled, connect, look, energise, switch
off, work out the figures. What is sent, each sample, each event and the result are held against the record. Nothing
here reaches an instrument, opens a line, a socket or a port, takes a lock, starts a process or hears a signal; the
recorded folder is only read, and what the run-through leaves stands in a folder that is thrown away.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import partial
from itertools import chain
from pathlib import Path
from tempfile import TemporaryDirectory

from msgspec.structs import replace as replace_fields

from drivers.wire_errors import WireError
from harness.connect import Connection, connect
from harness.derived import as_it_was, remains_of
from harness.ending import ProgramError
from harness.errors import Busy, Usage, UserError
from harness.folder import INTERRUPTED, RUNNING, RunFolder
from harness.history import before_of, read_history
from harness.inside import is_inside
from harness.job import Ready
from harness.jsonlines import TapeReader, events, tape_of
from harness.plain import safe_text
from harness.replay_clock import ReplayClock, clock_as_recorded
from harness.replay_form1 import ALIKE, Form1Tape
from harness.replay_record import EXACTLY, OF_THE_DAY, AgainstRecord, Difference, unlike_results
from harness.replay_stand_ins import NoLock, NoSignals, quiet_guard
from harness.replay_tape import Line, Over, ReplayTape, SentOtherwise
from harness.replay_wire import Lines
from harness.result import Result, load_result
from harness.run import run
from harness.samplefile import samples
from harness.stops import RunStopped
from harness.sums import UNKNOWN, changes
from harness.surroundings import Surroundings
from harness.tape import LEFT_ALONE

FROM_THE_BEGINNING = ("procedure", "name", "simulated", "started", "plan", "bench", "cautions", "hashes")
"""Fields of a result that are written before anything is measured, and stay."""

HEAD_LINES = 20_000
"""So many lines at most are looked through for how the run was started."""


@dataclass(frozen=True, slots=True)
class Replayed:
    """How a replay came out. ``differences``: the first of each kind, in the order message, sample, event, figure,
    result; empty when all is as recorded. ``whole``: the run had come to its end, and so did the replay."""

    folder: Path
    differences: tuple[Difference, ...]
    whole: bool
    samples: int
    events: int
    exchanges: int
    figures: int
    notes: tuple[str, ...] = ()

    @property
    def same(self) -> bool:
        """Whether nothing differs."""
        return not self.differences


@dataclass(slots=True)
class _Playing:
    """One run as it is played."""

    folder: RunFolder
    result: Result
    ready: Ready
    clock: ReplayClock
    tape: ReplayTape
    record: AgainstRecord
    exact: bool

    def connection(self, ready: Ready) -> Connection:
        return connect(
            ready.site.bench, clock=self.clock, subject=ready.site.subject, lines=Lines(self.tape, self.clock)
        )


def replay(place: RunFolder | Path | str) -> Replayed:
    """Play a run. Raises ``Usage`` for a record that cannot be played, ``Busy`` for a run that is on."""
    folder = place if isinstance(place, RunFolder) else RunFolder.open(place)
    if folder.outcome() == RUNNING:
        raise Busy(f"{folder.path}: this run is on; replay it when it is over")
    with TemporaryDirectory(prefix="nightbench-replay-") as thrown_away, _own_state(Path(thrown_away)):
        playing = _set_up(folder, Path(thrown_away))
        made, refused = _played(playing)
        if playing.tape.damage is not None:
            raise Usage(f"{folder.path}: {playing.tape.damage}")
        return _report(playing, made, refused)


@contextmanager
def _own_state(folder: Path) -> Iterator[None]:
    """What a run remembers of instruments from one night to the next is neither read nor written."""
    name = "NIGHTBENCH_STATE"
    before = os.environ.get(name)
    os.environ[name] = str(folder / "state")
    try:
        yield
    finally:
        if before is None:
            del os.environ[name]
        else:
            os.environ[name] = before


# -- what is played ----------------------------------------------------------------------------------------------------


def _set_up(folder: RunFolder, thrown_away: Path) -> _Playing:
    result = load_result(folder)
    reader = tape_of(folder)
    left_alone, lines = _begun(reader)
    ready = _ready(folder, result, thrown_away / "runs", left_alone=left_alone)
    form = reader.header.get("form", 1)
    clock = clock_as_recorded(reader.header, ready.site.bench)
    rows, happened = samples(folder), events(folder)
    whole = folder.outcome() != INTERRUPTED
    if form == 1:
        told = Form1Tape(lines, clock, rows=samples(folder), happened=events(folder), ready=ready)
        record = AgainstRecord(told, clock, rows=rows, happened=happened, alike=ALIKE, whole=whole)
        told.record = record
        ready = replace(ready, job=replace(ready.job, unattended=told.left_alone))
        return _Playing(folder, result, ready, clock, told, record, exact=False)
    tape = ReplayTape(lines, clock)
    record = AgainstRecord(tape, clock, rows=rows, happened=happened, whole=whole)
    return _Playing(folder, result, ready, clock, tape, record, exact=True)


def _begun(reader: TapeReader) -> tuple[bool, Iterator[Line]]:
    """Whether the run was to be left alone, which its tape tells near the beginning; and all its lines."""
    head: list[Line] = []
    lines = iter(reader)
    for line in lines:
        head.append(line)
        if getattr(line, "what", "") == LEFT_ALONE:
            return getattr(line, "told", {}).get("value") is True, chain(head, lines)
        if len(head) >= HEAD_LINES:
            break
    return False, chain(head, lines)


def _ready(folder: RunFolder, result: Result, out: Path, *, left_alone: bool) -> Ready:
    ready = as_it_was(folder, result, out=out)
    for entry in ready.site.bench.instruments:
        if entry.dialect.endswith(".toml") and not is_inside(Path(entry.dialect), folder.inputs):
            raise Usage(
                f'{folder.inputs / "bench.toml"}: instrument "{entry.name}": dialect = {safe_text(entry.dialect)}: '
                "outside the run's folder, and may have changed since; put the file the run used into inputs/"
            )
    procedure = ready.job.procedure
    if result.continued_from:
        if procedure.go_on is None:
            raise Usage(f"{folder.result_json}: continued_from: {procedure.name} is never taken up again")
        history = read_history(before_of(folder, result))
        procedure = replace(procedure, run=partial(procedure.go_on.run, remains=remains_of(history, ready=ready)))
    job = replace(ready.job, procedure=procedure, unattended=left_alone, continued_from=result.continued_from)
    return replace(ready, job=job)


# -- playing -----------------------------------------------------------------------------------------------------------


def _played(playing: _Playing) -> tuple[Result | None, str]:
    """The result of the replay, where it came to one; and why it was refused before it began."""
    around = Surroundings(
        real=False,
        lock=NoLock,
        flag=NoSignals,
        connection=playing.connection,
        recorder=playing.record.begun,
        arm=quiet_guard,
    )
    playing.clock.tape = playing.tape
    try:
        return run(playing.ready, around=around).result, ""
    except Over as over:
        _for_a_fault(playing.tape, over)
        return None, ""
    except ProgramError as error:
        if isinstance(error.__cause__, KeyboardInterrupt):
            raise KeyboardInterrupt from error
        if playing.tape.over:
            _for_a_fault(playing.tape, error.__cause__)
            return None, ""
        return load_result(error.folder), ""
    except UserError as refusal:
        return None, "" if playing.tape.over else str(refusal)


def _for_a_fault(tape: ReplayTape, over: BaseException | None) -> None:
    """Where an error of the program was on its way out, the first message that is another one is only its off."""
    while over is not None:
        if not isinstance(over, Over | RunStopped | WireError) and isinstance(over, Exception):
            tape.ends(f"{type(over).__name__}: {over}")
        over = over.__context__


def _report(playing: _Playing, made: Result | None, refused: str) -> Replayed:
    record, tape, result = playing.record, playing.tape, playing.result
    whole = playing.folder.outcome() != INTERRUPTED
    sent = tape.difference
    if whole and sent is None and made is not None:
        sent = tape.left()
    found: list[Difference | None] = []
    if refused:
        found.append(Difference("run", "before it began", f"refused: {safe_text(refused)}", "it began"))
    elif sent is not None or (whole and tape.ended):
        found.append(_sent_words(sent, record, tape))
    at_end = record.left() if whole and made is not None and sent is None else None
    found += [record.first_sample or _of(at_end, "sample"), record.first_event or _of(at_end, "event")]
    if made is not None and whole:
        found += _first_of_each(made, result, playing)
    elif not whole and not refused and (begun := _as_begun(playing)) is not None:
        found += _first_of_each(begun, result, playing)
    return Replayed(
        folder=playing.folder.path,
        differences=tuple(one for one in found if one is not None),
        whole=whole,
        samples=record.rows,
        events=record.events,
        exchanges=tape.exchanges,
        figures=len(result.figures) if whole else 0,
        notes=tuple(_notes(playing, whole)),
    )


def _of(difference: Difference | None, what: str) -> Difference | None:
    return difference if difference is not None and difference.what == what else None


def _as_begun(playing: _Playing) -> Result | None:
    """What stands in the result from the beginning on: all that a run that died has said there."""
    made = sorted(playing.ready.job.out.glob("*/result.json"))
    if not made or playing.result.outcome is not None:
        return None
    begun = load_result(RunFolder.open(made[0].parent))
    return replace_fields(playing.result, **{name: getattr(begun, name) for name in FROM_THE_BEGINNING})


def _first_of_each(made: Result, kept: Result, playing: _Playing) -> Iterator[Difference]:
    seen: set[str] = set()
    # On a clock that passes by itself the run began a moment before its record.
    but = OF_THE_DAY if playing.clock.exact else OF_THE_DAY | {"started"}
    for one in unlike_results(made, kept, EXACTLY if playing.exact else ALIKE, but=but):
        if one.what not in seen:
            seen.add(one.what)
            yield one


def _sent_words(sent: SentOtherwise | None, record: AgainstRecord, tape: ReplayTape) -> Difference:
    where = f"message {tape.exchanges + 1}, after {record.rows} samples"
    if record.rows:
        where += f" ({record.last_s:.3f} s after the start)"
    if sent is None:
        return Difference("message", where, "there is one", "", why=tape.ending)
    now = "" if sent.sent is None else f"to {sent.name}: {_said(sent.sent)}"
    was = "" if sent.expected is None else f"to {sent.expected[0]}: {_said(sent.expected[1])}"
    return Difference("message", where, now, was, why=tape.ending if sent.sent is not None else "")


def _said(message: bytes) -> str:
    return safe_text(message.decode("latin-1").rstrip("\r\n"))[:100] or "(the line opened anew)"


def _notes(playing: _Playing, whole: bool) -> Iterator[str]:
    yield from (text for text in changes(playing.folder) if text != UNKNOWN)
    if not playing.exact:
        yield "recorded without a tape: times are those of the exchanges, figures agree to 1e-6"
    if not whole:
        yield "the run did not come to its end: played as far as its tape goes"
