"""The bench file: instruments, how they are wired, how well they measure, which clock the bench runs on."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from harness.addresses import normal, simulated
from harness.config_instrument import INSTRUMENT_KEYS, read_instrument
from harness.instrument_entry import InstrumentEntry
from harness.keys import Keys
from harness.tomlfile import TomlFile, read_toml

BENCH_KEYS = ("name", "operator", "note", "loop_period_s", "fuse_amps", "cut_outs", "alarms", "clock", "instrument")
CLOCK_KEYS = ("kind", "control", "speed")
CLOCK_KINDS = ("wall", "stepped", "scaled")

CUT_OUTS = ("pack", "lug", "cold", "smoke")
"""What may stand in the contactor's coil line: thermal cut-outs on pack and lug, a thermostat against cold, smoke."""


LOOP_PERIOD_S = (0.05, 1.0)
"""Shortest and longest loop period: interlocks and the pack's own pace count on a reading every second."""


@dataclass(frozen=True, slots=True)
class ClockEntry:
    """Which clock: real time, a served bench stepped over ``control`` (HOST:PORT), or one that runs ``speed`` times."""

    kind: str = "wall"
    control: str = ""
    speed: float = 1.0


@dataclass(frozen=True, slots=True)
class BenchFile:
    """A bench as its file says; ``text`` and ``sha256`` are those of the file on disk."""

    name: str
    loop_period_s: float
    instruments: tuple[InstrumentEntry, ...]
    clock: ClockEntry
    fuse_amps: float | None
    operator: str
    note: str
    path: Path
    sha256: str
    text: str
    cut_outs: frozenset[str] = frozenset()
    """What opens the pack's contactor without anybody's help: words of ``CUT_OUTS``."""
    alarms: tuple[str, ...] = ()
    """Who is told about a run: names of tables in the user's own alarms file."""

    def one(self, role: str) -> InstrumentEntry | None:
        """The first instrument of ``role``, None where the bench has none."""
        return next((entry for entry in self.instruments if entry.role == role), None)

    def switching(self, what: str) -> InstrumentEntry | None:
        """The switch that interrupts ``what`` (mains, ac-load, contactor), None where there is none."""
        return next((entry for entry in self.instruments if entry.switches == what), None)

    def sensing(self, what: str) -> InstrumentEntry | None:
        """The contact that ``what`` (warning, ac-output) closes, None where nothing tells."""
        return next((entry for entry in self.instruments if entry.senses == what), None)

    def all(self, role: str) -> tuple[InstrumentEntry, ...]:
        """Every instrument of ``role``, in the order of the file."""
        return tuple(entry for entry in self.instruments if entry.role == role)


def load_bench(path: str | Path) -> BenchFile:
    """The bench file at ``path``. Raises Usage, one line, for anything missing, unknown, mistyped or impossible."""
    file = read_toml(path, kind="bench")
    keys = Keys(file.top, file=str(file.path))
    keys.known(BENCH_KEYS, elsewhere=_elsewhere())
    return BenchFile(
        name=keys.text("name", accepted="a name for the bench", longest=60),
        loop_period_s=keys.number("loop_period_s", unit="s", low=LOOP_PERIOD_S[0], high=LOOP_PERIOD_S[1], default=1.0),
        clock=_clock(file, keys),
        fuse_amps=keys.number_or_none("fuse_amps", unit="A", low=0.1, high=1000.0),
        cut_outs=_cut_outs(keys),
        alarms=keys.names("alarms", what="tables in your own alarms.toml"),
        operator=keys.text("operator", accepted="who runs the bench, in quotes", default=""),
        note=keys.text("note", accepted="a note in quotes", default="", longest=1000),
        instruments=_instruments(file, keys),
        path=file.path,
        sha256=file.sha256,
        text=file.text,
    )


def _cut_outs(keys: Keys) -> frozenset[str]:
    accepted = f"words of {', '.join(CUT_OUTS)}, apart by blanks"
    words = keys.text("cut_outs", accepted=accepted, default="").replace(",", " ").split()
    for word in words:
        if word not in CUT_OUTS:
            keys.refuse("cut_outs", f"{word}: not one of the words known here", f"accepted: {accepted}")
    return frozenset(words)


def _elsewhere() -> dict[str, str]:
    places = dict.fromkeys(INSTRUMENT_KEYS, "it belongs below a heading [[instrument]]")
    return places | dict.fromkeys(CLOCK_KEYS, "it belongs below the heading [clock]")


def _instruments(file: TomlFile, top: Keys) -> tuple[InstrumentEntry, ...]:
    belongs = "it belongs above the first heading in brackets"
    elsewhere = {key: belongs for key in BENCH_KEYS if key not in ("name", "note", "instrument", "clock")}
    elsewhere |= dict.fromkeys(CLOCK_KEYS, "it belongs below the heading [clock]")
    entries: list[InstrumentEntry] = []
    for number, table in enumerate(top.tables("instrument"), start=1):
        name = table.get("name")
        called = f'instrument "{name}"' if isinstance(name, str) and name.strip() else f"instrument {number}"
        keys = Keys(table, file=str(file.path), where=f"{called}: ")
        keys.known(INSTRUMENT_KEYS, elsewhere=elsewhere)
        entry = read_instrument(keys, folder=file.path.parent)
        _unlike_the_others(keys, entry, entries)
        entries.append(entry)
    return tuple(entries)


def _unlike_the_others(keys: Keys, entry: InstrumentEntry, others: list[InstrumentEntry]) -> None:
    for other in others:
        if other.name.casefold() == entry.name.casefold():
            keys.refuse("name", "the name of two instruments", "give each one a name of its own")
        _one_place_each(keys, entry, other)
        if other.role == entry.role and entry.role in ("supply", "load"):
            keys.refuse("role", f'"{other.name}" is the {entry.role} already', f"one {entry.role} on a bench")
        for key in ("switches", "senses"):
            if getattr(entry, key) and getattr(entry, key) == getattr(other, key):
                keys.refuse(key, f'"{other.name}" does that already', "one instrument for each")
        mine, theirs = simulated(entry.address), simulated(other.address)
        if (mine and mine[0]) != (theirs and theirs[0]):
            keys.refuse(
                "address",
                f'not on the same bench as "{other.name}" at {other.address}',
                "all instruments real, or all of one simulated scenario",
            )


def _one_place_each(keys: Keys, entry: InstrumentEntry, other: InstrumentEntry) -> None:
    """Two entries may share an address as two channels of one instrument, spoken to in one way."""
    if normal(other.address) != normal(entry.address):
        return
    same = "" if other.address == entry.address else f" (written {other.address} there)"
    if entry.channel is None or other.channel is None:
        remedy = "give each one its own address, or each one its channel"
        keys.refuse("address", f'also the address of "{other.name}"{same}', remedy)
    if entry.channel == other.channel:
        keys.refuse("channel", f'also the channel of "{other.name}" at this address', "give each one its own channel")
    for key in ("identity", "line"):
        if getattr(entry, key) != getattr(other, key):
            keys.refuse("address", f'"{other.name}" is there too, with another {key}', "write the same in both")
    if entry.channel is not None and entry.dialect != other.dialect and entry.role == other.role:
        keys.refuse("dialect", f'"{other.name}" at this address speaks {other.dialect}', "write the same in both")


def _clock(file: TomlFile, top: Keys) -> ClockEntry:
    keys = Keys(top.table("clock"), file=str(file.path), where="[clock] ")
    keys.known(CLOCK_KEYS, elsewhere=dict.fromkeys(BENCH_KEYS, "it belongs above the first heading in brackets"))
    kind = keys.choice("kind", CLOCK_KINDS, default="wall")
    control = keys.text("control", accepted='"HOST:PORT" of the served bench', default="")
    if control:
        host, _, port = control.rpartition(":")
        if not host or not (port.isascii() and port.isdecimal() and 1 <= int(port) <= 65535):
            keys.refuse("control", "not HOST:PORT with a port from 1 to 65535", 'for example "127.0.0.1:5030"')
    elif kind == "stepped":
        keys.refuse("control", "missing, a stepped clock is told the time over it", 'write control = "HOST:PORT"')
    if keys.has("speed") and kind != "scaled":
        keys.refuse("speed", f'only a scaled clock has a speed, this one is "{kind}"', 'write kind = "scaled"')
    speed = keys.number("speed", unit="", low=0.001, high=100000.0, default=None if kind == "scaled" else 1.0)
    return ClockEntry(kind=kind, control=control, speed=speed)
