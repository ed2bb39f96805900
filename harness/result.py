"""``result.json``: what was asked, on which bench, and what was found.

The structs are the format: the published schema ``schemas/result.schema.json`` (JSON Schema 2020-12) is made from them.
Units are UCUM codes. Every number is finite: what could not be measured is absent and named in ``not_measured``.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from pathlib import Path
from typing import Annotated, Literal

import msgspec
from msgspec import Meta

from harness.badjson import BAD_JSON
from harness.durable import replace_file
from harness.errors import Usage
from harness.folder import RunFolder
from harness.forms import known_form
from harness.inside import open_inside

SCHEMA: Literal["nightbench/result/1"] = "nightbench/result/1"
SCHEMA_FILE = Path(__file__).parent / "schemas" / "result.schema.json"

Outcome = Literal["finished", "stopped", "tripped", "interrupted", "refused", "unsafe"]
Plain = float | int | bool | str | None
ID = re.compile(r"[a-z][a-z0-9_]*")
"""Shape of a figure's and of a list's id; the unit stands at its end (``_v``, ``_a``, ``_ah``, ``_s``, ``_ohm``)."""

Unit = Annotated[str, Meta(description="UCUM code, case-sensitive; 1 for a plain number, empty for words")]


class _Record(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Common to all: unknown keys are refused, so that a misspelt one is not taken for an absent one."""


class BudgetLine(_Record, frozen=True, kw_only=True):
    """One source of uncertainty of a figure."""

    source: str
    standard_uncertainty: Annotated[float, Meta(ge=0, description="As it acts on the figure, in the unit given")]
    unit: Unit
    basis: Annotated[str, Meta(description="Where the number comes from: data sheet, assumed class, observed spread")]

    def __post_init__(self) -> None:
        _finite(f"budget line {self.source!r}", standard_uncertainty=self.standard_uncertainty)


class Figure(_Record, frozen=True, kw_only=True):
    """One measured value; ``value`` plus or minus ``expanded_uncertainty`` is a 95 % interval (JCGM 100, the GUM)."""

    value: float | bool
    unit: Unit
    expanded_uncertainty: Annotated[float, Meta(ge=0)] | None = None
    coverage_factor: Annotated[float, Meta(gt=0)] | None = None
    dof: Annotated[float, Meta(gt=0, description="Effective degrees of freedom; null when unlimited")] | None = None
    budget: tuple[BudgetLine, ...] = ()
    basis: Annotated[str, Meta(description="How the value was come by, in words")] = ""
    bound: Annotated[
        Literal["", "at least", "at most"], Meta(description="What is sought lies on that side of the value")
    ] = ""

    def __post_init__(self) -> None:
        _finite("figure", value=self.value, U=self.expanded_uncertainty, k=self.coverage_factor, dof=self.dof)


Entry = dict[str, Figure | Plain]
"""One entry of a list, such as one step of a stair: figures by id, and plain words or numbers beside them."""


class Verdict(_Record, frozen=True, kw_only=True):
    """One judgement: what it is about, which way it went, the sentence a person reads, and what it rests on."""

    about: str
    verdict: Literal["pass", "pass with conditions", "fail", "cannot tell", "not judged"]
    sentence: str
    runs: Annotated[tuple[str, ...], Meta(description="Folders of the runs it rests on")] = ()
    settles: Annotated[str, Meta(description="What would settle a doubt; empty when there is none")] = ""


class Condition(_Record, frozen=True, kw_only=True):
    """Something a figure holds under: rate, cut-off, temperature, where volts were measured."""

    value: Plain
    unit: Unit = ""


class InstrumentUsed(_Record, frozen=True, kw_only=True):
    """One instrument of the bench as it answered and as its bench file describes it."""

    name: str
    role: str
    address: str
    identity: Annotated[str, Meta(description="Its own answer to *IDN?")]
    dialect: str
    calibrated: Annotated[str, Meta(description="Date, or empty when the bench file gives none")] = ""
    accuracy: Annotated[str, Meta(description="Terms used for uncertainty, in words")] = ""
    accuracy_assumed: bool = False
    asset: str = ""
    serial: str = ""


class Limit(_Record, frozen=True, kw_only=True):
    """One limit that was in force; ``reason`` is given when it differs from what the files ask."""

    what: str
    value: float | None
    unit: Unit
    source: str
    reason: str = ""


class BenchUsed(_Record, frozen=True, kw_only=True):
    """The bench of the run."""

    name: str
    instruments: tuple[InstrumentUsed, ...] = ()
    limits: tuple[Limit, ...] = ()
    wiring: tuple[str, ...] = ()
    operator: str = ""
    note: str = ""


class OffConfirmation(_Record, frozen=True, kw_only=True):
    """How it is known that the bench was off at the end."""

    confirmed: bool
    how: Annotated[str, Meta(description="By a witness, by the instrument's own reading, or why not, in words")]
    witness: Annotated[str, Meta(description="Instrument that saw it, empty when none did")] = ""
    last_amps: float | None = None
    last_volts: float | None = None
    after_s: Annotated[float, Meta(description="From the first off command to the proof, s")] | None = None


class Rehearsed(_Record, frozen=True, kw_only=True):
    """What the guard was seen to do before this run, on its own lines and at a harmless current."""

    what: str
    took_s: Annotated[float, Meta(ge=0, description="From the accident until off was confirmed, machine time")]
    within_s: Annotated[float, Meta(gt=0, description="Longest it may take")]


class Guarded(_Record, frozen=True, kw_only=True):
    """The process that would have switched off, had this run died."""

    armed: bool
    unreachable: Annotated[tuple[str, ...], Meta(description="Instruments it could not switch off, and why")] = ()
    rehearsed: tuple[Rehearsed, ...] = ()
    note: Annotated[str, Meta(description="Why there was none, or why nothing was rehearsed; else empty")] = ""


class Software(_Record, frozen=True, kw_only=True):
    """What ran."""

    nightbench: str
    python: str = ""
    platform: str = ""
    packages: dict[str, str] = {}


class Result(_Record, frozen=True, kw_only=True):
    """Everything ``result.json`` holds. ``outcome`` is null until the run is over."""

    procedure: str
    name: Annotated[str, Meta(description="Pack or UPS")]
    simulated: bool
    started: Annotated[str, Meta(description="RFC 3339, UTC")]
    schema: Literal["nightbench/result/1"] = SCHEMA
    outcome: Outcome | None = None
    exit_code: int | None = None
    end_reason: str = ""
    ended: Annotated[str, Meta(description="RFC 3339, UTC; empty while the run is on")] = ""
    duration_s: Annotated[float, Meta(ge=0, description="Bench time")] | None = None
    plan: dict[str, Plain] = {}
    figures: dict[str, Figure] = {}
    lists: Annotated[dict[str, tuple[Entry, ...]], Meta(description="steps, pulses, runtime_s: entries in order")] = {}
    not_measured: Annotated[dict[str, str], Meta(description="Figure id and why it is absent")] = {}
    verdicts: tuple[Verdict, ...] = ()
    conditions: dict[str, Condition] = {}
    bench: BenchUsed | None = None
    off_confirmation: OffConfirmation | None = None
    guard: Guarded | None = None
    cautions: tuple[str, ...] = ()
    rows: Annotated[int, Meta(ge=0, description="Samples recorded")] | None = None
    software: Software | None = None
    hashes: Annotated[dict[str, str], Meta(description="Input file and its SHA-256")] = {}
    continued_from: Annotated[str, Meta(description="Folder name of the run that this one took up again")] = ""


def _finite(what: str, **numbers: float | None) -> None:
    for name, number in numbers.items():
        if number is not None and not math.isfinite(number):
            raise ValueError(f"{what}: {name} is {number}; leave it out and say why in not_measured")


def check_ids(result: Result) -> None:
    """Raises ``ValueError`` for an id that is none, one that is used twice, or one both measured and not measured."""
    ids = (*result.figures, *result.lists)
    members = (key for entries in result.lists.values() for entry in entries for key in entry)
    _well_made((*ids, *members))
    for name in ids:
        if name in result.not_measured or (name in result.figures and name in result.lists):
            raise ValueError(f"result: {name} is there twice: as figure, as list or as not measured; keep one")


def _well_made(names: Iterable[str]) -> None:
    for name in names:
        if not ID.fullmatch(name):
            raise ValueError(f"result: {name!r} is no id; wanted lower-case letters, digits and _, such as capacity_ah")


def to_json(result: Result) -> bytes:
    """The document, indented, checked against its own types; raises ``ValueError`` when it would not read back."""
    check_ids(result)
    raw = msgspec.json.encode(result)
    try:
        msgspec.json.decode(raw, type=Result)
    except msgspec.ValidationError as error:
        raise ValueError(f"result: {error}") from error
    return msgspec.json.format(raw, indent=2) + b"\n"


def write_result(folder: RunFolder, result: Result) -> None:
    """Put ``result.json`` in place, old or new and never half; raises ``RecordFailed``."""
    replace_file(folder.result_json, to_json(result))


def load_result(source: RunFolder | Path | str) -> Result:
    """Read a run's ``result.json``; raises ``Usage`` in one line."""
    path = source.result_json if isinstance(source, RunFolder) else Path(source)
    try:
        with open_inside(path) as file:
            raw = file.read()
    except FileNotFoundError as error:
        raise Usage(f"{path}: not there: the run did not end normally; samples.csv is still good") from error
    except OSError as error:
        raise Usage(f"{path}: cannot be read ({error.strerror})") from error
    try:
        found = msgspec.json.decode(raw)
    except BAD_JSON as error:
        raise Usage(f"{path}: no JSON ({error}); take the file from a backup, samples.csv is not touched") from error
    known_form(path, "result", found.get("schema") if isinstance(found, dict) else None)
    try:
        return msgspec.convert(found, type=Result)
    except msgspec.ValidationError as error:
        raise Usage(f"{path}: {error}; the file was changed, or written by another version") from error


def schema_json() -> bytes:
    """The published schema, made from the structs above."""
    (root,), definitions = msgspec.json.schema_components([Result], ref_template="#/$defs/{name}")
    document = {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "result.json of a nightbench run",
        **root,
        "$defs": definitions,
    }
    return msgspec.json.format(msgspec.json.encode(document), indent=2) + b"\n"


def write_schema() -> Path:
    """Make ``schemas/result.schema.json`` anew; run this when a struct above changed."""
    SCHEMA_FILE.parent.mkdir(exist_ok=True)
    SCHEMA_FILE.write_bytes(schema_json())
    return SCHEMA_FILE
