"""The recorder: the only writer of a run's samples, events and exchanges.

Each sample is in the kernel's hands before ``sample()`` returns, so a killed process loses none that was shown or
acted on. The disk is asked to hold them when 1 s of machine time has passed since the last time, by a thread that the
sampling loop does not wait for; and at once, before it goes on, with an intent to energise, a trip, a limit change and
at the end. A disk that takes nothing for 5 s has failed, and nobody waits longer for it. Trouble with the disk is
raised as ``RecordFailed``, save by ``close()``, which hands it back: closing must never hide why a run ended.
"""

from __future__ import annotations

import contextlib
import gzip
import os
import shutil
from collections.abc import Callable
from types import TracebackType
from typing import Protocol

import msgspec

from harness.clock import Clock
from harness.csvw import metadata
from harness.durable import AppendFile, Opener, RecordFailed, open_new, replace_file, sync_dir
from harness.folder import RunFolder
from harness.forms import FORMS
from harness.jsonlines import WireLine
from harness.plain import utc_stamp
from harness.sample import Sample
from harness.samplefile import RowWriter
from harness.syncer import Syncer
from harness.tape import Told

SYNC_EVERY_S = 1.0
"""Longest machine time between two syncs while samples come and the disk is well."""

GRID = 2.0**20
"""Steps a second on which the zero of a record lies: about a microsecond."""

CLOSE_WAIT_S = 5.0
"""Longest wait for the disk at the end."""

SYNCED_KINDS = frozenset({"intent", "trip", "limit change"})
"""Events that are on the disk before ``event()`` returns."""

PENDING_MOST = 20_000
"""Exchanges held in memory while the disk takes none; more are dropped and counted."""

_PENDING_FLUSH = 1_000


def on_grid(zero_s: float) -> float:
    """The zero of a record that was begun at ``zero_s`` of its clock."""
    return round(zero_s * GRID) / GRID


class ExchangeLike(Protocol):
    """What the tap of a wire hands over."""

    @property
    def name(self) -> str: ...
    @property
    def sent(self) -> bytes: ...
    @property
    def received(self) -> bytes | None: ...
    @property
    def error(self) -> str | None: ...


def plain_json(value: object) -> object:
    """What JSON has no form for: numbers of other libraries as floats, everything else as its text."""
    return float(value) if hasattr(value, "__float__") else str(value)


class Recorder:
    """Writes ``samples.csv``, its metadata, ``events.jsonl`` and ``wire.jsonl`` of one run.

    ``columns`` are the instruments' readings, named as in ``Sample.readings``. ``zero_s`` is the bench time that
    counts as 0 in the ``elapsed_s`` of events and exchanges.
    """

    def __init__(
        self,
        folder: RunFolder,
        *,
        clock: Clock,
        columns: tuple[str, ...],
        simulated: bool,
        zero_s: float = 0.0,
        opener: Opener = open_new,
    ) -> None:
        self._folder = folder
        self._clock = clock
        # On a grid as fine as the stamps, so that what is counted from here and this are together, to the bit, what
        # the clock has counted: a difference of two floats is not always.
        self._begun_s, self._zero_s = zero_s, on_grid(zero_s)
        self._rows = RowWriter(columns)
        self._encoder = msgspec.json.Encoder(enc_hook=plain_json)
        self._pending: list[bytes] = []
        self._closed = False
        self._failure: RecordFailed | None = None
        self.rows = 0
        self.exchanges_dropped = 0
        self._files: list[AppendFile] = []
        described = metadata(self._rows.names, simulated=simulated, title=folder.name)
        try:
            self._samples = self._start(AppendFile(folder.samples_csv, opener=opener), self._rows.header())
            self._events = self._start(AppendFile(folder.events_jsonl, opener=opener), self._head("events", simulated))
            self._wire = self._start(AppendFile(folder.wire_jsonl, opener=opener), self._head("wire", simulated))
            replace_file(folder.samples_metadata, described)
            for file in self._files:
                file.sync()
            self._sync_names()
            self._syncer = Syncer(self._files, wall=clock.wall)
            self._synced_at = clock.wall()
        except BaseException:
            for file in self._files:
                with contextlib.suppress(RecordFailed):
                    file.close()
            raise

    def _start(self, file: AppendFile, head: bytes) -> AppendFile:
        self._files.append(file)
        file.append(head)
        return file

    def _sync_names(self) -> None:
        try:
            sync_dir(self._folder.path)
        except OSError as error:
            raise RecordFailed(self._folder.path, "sync to disk", error) from error

    def _head(self, what: str, simulated: bool) -> bytes:
        head = {
            "recording": what,
            "form": FORMS[what],
            "run": self._folder.name,
            "simulated": simulated,
            "utc": utc_stamp(self._clock.utc()),
            "elapsed_s": self._elapsed_s(),
        }
        if what == "wire":
            # What a replay counts from: the clock's own count, to the bit.
            clock = self._clock
            speed = float(getattr(clock, "speed", 1.0))
            more = {"clock": clock.kind, "speed": speed, "zero_s": self._begun_s, "utc0": clock.utc0.isoformat()}
            head |= more
        return self._encoder.encode(head) + b"\n"

    def _elapsed_s(self) -> float:
        return round(self._clock.now() - self._zero_s, 6) + 0.0  # never -0

    def sample(self, sample: Sample) -> None:
        """Write one row and all exchanges before it, without waiting for the disk; raises ``RecordFailed``."""
        self._samples.append(self._rows.record(sample))
        self.rows += 1
        if self._pending:
            self._flush_exchanges()
        self._syncer.check()
        if self._clock.wall() - self._synced_at >= SYNC_EVERY_S:
            self._ask()

    def state(self) -> tuple[float, float]:
        """Age of the oldest row that the disk does not hold yet, s of machine time, and the bytes left there when it
        was last asked (inf before that). Never waits for the disk longer than a moment."""
        return self._syncer.late_s(), self._syncer.free_bytes

    def event(self, kind: str, *, sync: bool = False, **fields: object) -> None:
        """Write what happened, in plain words; ``sync`` makes the disk hold it first. Raises ``RecordFailed``."""
        line: dict[str, object] = {
            "elapsed_s": self._elapsed_s(),
            "utc": utc_stamp(self._clock.utc()),
            "kind": kind,
            "rows": self.rows,
        }
        if not fields.keys().isdisjoint(line):
            raise ValueError(f"event {kind!r}: elapsed_s, utc, rows are the recorder's own; name the field otherwise")
        line.update(fields)
        self._events.append(self._encoder.encode(line) + b"\n")
        if sync or kind in SYNCED_KINDS:
            self.sync()
        else:
            self._flush_exchanges()
            self._syncer.check()

    def exchange(self, exchange: ExchangeLike | Told) -> None:
        """Note one exchange, or one line of the tape; it is written with the next row or event. Never raises:
        what has no form in JSON is left out and counted."""
        # Called from inside the wire, also while switching off: trouble waits for the next sample or event.
        if isinstance(exchange, Told):
            at_s = self._clock.now() if exchange.at_s is None else exchange.at_s
            line = WireLine(at_s - self._zero_s, exchange.name, exchange.what, told=dict(exchange.told))
        else:
            received = exchange.received
            line = WireLine(
                self._clock.now() - self._zero_s,
                exchange.name,
                exchange.sent.decode("latin-1"),
                None if received is None else received.decode("latin-1"),
                exchange.error,
            )
        try:
            self._pending.append(self._encoder.encode(line))
        except Exception:  # text that no file can hold; on the way off nothing may come out of here
            self.exchanges_dropped += 1
            return
        if len(self._pending) % _PENDING_FLUSH == 0:
            self._overflow()

    def _overflow(self) -> None:
        with contextlib.suppress(RecordFailed):
            self._flush_exchanges()
        if len(self._pending) > PENDING_MOST:
            self.exchanges_dropped += len(self._pending) - PENDING_MOST
            del self._pending[PENDING_MOST:]

    def _flush_exchanges(self) -> None:
        if self._pending:
            self._wire.append(b"\n".join(self._pending) + b"\n")
            self._pending.clear()

    def sync(self) -> None:
        """Make the disk hold everything so far; raises the first ``RecordFailed`` after trying every file.

        Waits for the disk, 3 s at the most.
        """
        first: RecordFailed | None = None
        for act in (self._flush_exchanges, self._ask, self._syncer.wait):
            first = _first(first, act)
        if first is not None:
            raise first

    def _ask(self) -> None:
        self._syncer.request()
        self._synced_at = self._clock.wall()

    def make_room(self) -> None:
        """The disk takes no more: give back the space kept for the last words. Never raises."""
        self._folder.make_room()

    def close(self) -> RecordFailed | None:
        """Sync, compress the exchanges, close. Never raises; returns what failed, also when called again.

        A disk that does not answer is waited for ``CLOSE_WAIT_S``; the files are then left as the kernel has them.
        """
        if not self._closed:
            self._closed = True
            for act in (self._flush_exchanges, self._ask):
                self._failure = _first(self._failure, act)
            answers = self._syncer.close(wait_s=CLOSE_WAIT_S)
            # What the thread could not do is tried here once more; on a disk that hangs that would last for ever.
            self._failure = self._failure or (self._syncer.failure if answers else self._syncer.stall(CLOSE_WAIT_S))
            for file in self._files:
                if answers:
                    self._failure = _first(self._failure, file.sync)
                self._failure = _first(self._failure, file.close)
            if answers:
                self._failure = _first(self._failure, self._compress_wire)
        return self._failure

    def _compress_wire(self) -> None:
        plain, packed = self._folder.wire_jsonl, self._folder.wire_gz
        beside = packed.with_name(packed.name + ".part")
        try:
            with open(plain, "rb") as source, open(beside, "wb") as raw:
                # Level 1: a night is packed in well under a second; no time stamp, so equal runs give equal files.
                with gzip.GzipFile(fileobj=raw, mode="wb", compresslevel=1, mtime=0, filename="wire.jsonl") as target:
                    shutil.copyfileobj(source, target, 1 << 20)
                raw.flush()
                os.fsync(raw.fileno())
            os.replace(beside, packed)
            sync_dir(self._folder.path)
            plain.unlink()
        except OSError as error:
            with contextlib.suppress(OSError):
                beside.unlink()
            raise RecordFailed(packed, "compress the exchanges", error) from error

    def __enter__(self) -> Recorder:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def _first(earlier: RecordFailed | None, act: Callable[[], None]) -> RecordFailed | None:
    try:
        act()
    except RecordFailed as error:
        return earlier or error
    return earlier


__all__ = ["SYNC_EVERY_S", "ExchangeLike", "RecordFailed", "Recorder"]
