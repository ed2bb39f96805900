"""What the page of one run says below its first sheet: pairs, rows and lines of plain words, section by section."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

from harness.digits import duration
from harness.entries import MEMBERS, figure_words, plain_words
from harness.limits_settings import SETTINGS
from harness.report.facts import RunFacts
from harness.report.happened import Happened, happened
from harness.report.page import Line, line_of
from harness.report.spoken import asked_words, condition_words, spoken
from harness.result import Entry, Figure, Limit, Result
from harness.show_barriers import guard_line, table_lines
from harness.titles import TITLES

Pairs = tuple[tuple[str, str], ...]
Facts = tuple[tuple[str, str, str], ...]
"""Name, words, and where they come from."""

HEADS = {"amps": "current", "it": "in It", "r_10s_ohm": "resistance at 10 s", "load_w": "AC load"}
"""Words over a column, where those within a line would not do."""

NEVER_MEASURED = "By no run of this program: volts of single cells, temperature inside them, chemistry."
NOT_CERTIFIED = (
    "What passed here is not certified by it, and nothing here says that a pack is safe: limits that were not reached "
    "were not tried."
)


@dataclass(frozen=True, slots=True)
class Rows:
    """A table: words of its columns, and its cells."""

    title: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class RunWords:
    """Sections of the page; an empty one is left out, save those whose emptiness says something."""

    figures: tuple[Line, ...] = ()
    lists: tuple[Rows, ...] = ()
    not_measured: Pairs = ()
    conditions: Pairs = ()
    asked: Pairs = ()
    off: Pairs = ()
    held: tuple[str, ...] = ()
    limits: Facts = ()
    changed_limits: tuple[str, ...] = ()
    instruments: Rows = field(default=Rows("", (), ()))
    wiring: tuple[str, ...] = ()
    events: Happened = field(default=Happened((), (), ()))
    record: Pairs = ()
    doubts: tuple[str, ...] = ()


def run_words(facts: RunFacts) -> RunWords:
    """Everything, from the facts."""
    result = facts.result
    bench = result.bench
    return RunWords(
        figures=tuple(line_of(name, one) for name, one in result.figures.items()),
        lists=tuple(_list(name, entries) for name, entries in result.lists.items()),
        not_measured=_not_measured(result),
        conditions=tuple((spoken(key), condition_words(one)) for key, one in result.conditions.items()),
        asked=tuple((spoken(key), asked_words(key, value)) for key, value in result.plan.items()),
        off=tuple(_off(facts)),
        held=_held(facts),
        limits=_limits(bench.limits if bench else ()),
        changed_limits=tuple(_changed(one) for one in (bench.limits if bench else ()) if _is_changed(one)),
        instruments=_instruments(result),
        wiring=tuple(_wiring(result)),
        events=happened(facts),
        record=tuple(_record(facts)),
        doubts=tuple(_doubts(facts)),
    )


def _not_measured(result: Result) -> Pairs:
    """Figures that are missing for the same reason stand together."""
    by_reason: dict[str, list[str]] = {}
    for name, why in result.not_measured.items():
        by_reason.setdefault(why, []).append(TITLES.get(name, name))
    return tuple((", ".join(names), why) for why, names in by_reason.items())


def _list(name: str, entries: tuple[Entry, ...]) -> Rows:
    keys = list(dict.fromkeys(key for entry in entries for key in entry))
    # Whether a step was held is what its end says already.
    keys = [key for key in keys if not (key == "held" and "step_end" in keys)]
    heads = tuple((TITLES | MEMBERS | HEADS).get(key, key.replace("_", " ")).rstrip(":") or key for key in keys)
    rows = tuple(tuple(_member(entry[key]) if key in entry else "" for key in keys) for entry in entries)
    return Rows(name.replace("_s", "").replace("_", " "), heads, rows)


def _member(value: object) -> str:
    return figure_words(value).partition(" (k =")[0] if isinstance(value, Figure) else plain_words(value)


def _off(facts: RunFacts) -> Iterator[tuple[str, str]]:
    off = facts.result.off_confirmation
    if off is None:
        yield "off", _without_proof(facts)
        return
    yield "off", "confirmed by measurement" if off.confirmed and off.witness else _own_word(off.confirmed)
    yield "seen by", off.witness or "no witness: the instruments' own word only"
    if off.last_amps is not None:
        yield "last current", f"{off.last_amps:.3g} A"
    else:
        yield "last current", "unknown: no answer"
    yield "last volts", "unknown: no answer" if off.last_volts is None else f"{off.last_volts:.5g} V"
    if off.after_s is not None:
        yield "from the first off to the proof", f"{off.after_s:.2g} s"
    yield "how", off.how or "not written"


def _own_word(confirmed: bool) -> str:
    return "confirmed, by the instruments' own word only" if confirmed else "NOT CONFIRMED: treat the bench as live"


def _without_proof(facts: RunFacts) -> str:
    if facts.seen_off:
        return "by its guard, after the run had died"
    return "nothing was energised" if facts.outcome == "refused" else "not written: unknown"


def _held(facts: RunFacts) -> tuple[str, ...]:
    found = [guard_line(facts.result.guard, acted=facts.guard is not None), *table_lines(facts.events)]
    found += [facts.guard.words] if facts.guard is not None else []
    return tuple(one for one in found if one)


def _is_changed(limit: Limit) -> bool:
    return bool(limit.reason) or limit.source.startswith("[limits]")


def _limit_name(limit: Limit) -> str:
    setting = SETTINGS.get(limit.what)
    return limit.what if setting is None else setting.what


def _limits(limits: tuple[Limit, ...]) -> Facts:
    """Changed ones first: they are what somebody has to stand for. What stands there twice is told once."""
    told: dict[tuple[str, float | None], tuple[str, str, str]] = {}
    for one in sorted(limits, key=lambda one: not _is_changed(one)):
        name = f"{_limit_name(one)}{' (CHANGED)' if _is_changed(one) else ''}"
        value = "none" if one.value is None else plain_words(one.value, one.unit)
        told.setdefault((_limit_name(one), one.value), (name, value, one.source))
    return tuple(told.values())


def _changed(limit: Limit) -> str:
    value = "none" if limit.value is None else plain_words(limit.value, limit.unit)
    why = f" Reason given: {limit.reason}." if limit.reason else " Made tighter; no reason is asked for that."
    return f"{_limit_name(limit)}: {value} ({limit.source}).{why}"


def _instruments(result: Result) -> Rows:
    rows = tuple(
        (
            one.name,
            one.role,
            f"{one.identity}; serial {one.serial or 'not given'}; asset {one.asset or 'not given'}; "
            f"{one.dialect} at {one.address}",
            one.calibrated or "date not given",
            f"{one.accuracy or 'none needed'}{'; ASSUMED, not off a data sheet' if one.accuracy_assumed else ''}",
        )
        for one in (result.bench.instruments if result.bench else ())
    )
    return Rows("", ("name", "role", "answers as", "calibrated", "accuracy"), rows)


def _wiring(result: Result) -> Iterator[str]:
    if result.bench is None:
        return
    yield from result.bench.wiring
    if result.bench.operator:
        yield f"operator: {result.bench.operator}"
    if result.bench.note:
        yield f"note: {result.bench.note}"


def _record(facts: RunFacts) -> Iterator[tuple[str, str]]:
    result = facts.result
    yield "folder", facts.folder.name
    yield "started", result.started
    yield "ended", result.ended or "not written"
    if result.duration_s is not None:
        yield "lasted", f"{duration(result.duration_s)} (h:mm:ss) of bench time"
    if result.continued_from:
        yield "goes on from", result.continued_from
    yield "end reason", result.end_reason or "not written"
    if facts.samples is not None:
        yield "samples", f"{facts.samples.rows}"
    if result.exit_code is not None:
        yield "exit code", str(result.exit_code)
    if result.software is not None:
        yield "made with", f"nightbench {result.software.nightbench}, Python {result.software.python}"
    for name, digest in result.hashes.items():
        yield f"inputs/{name}, SHA-256", digest


def _doubts(facts: RunFacts) -> Iterator[str]:
    """What is wrong with the record itself."""
    yield from facts.damage
    yield from facts.left_out
    yield from facts.changed


__all__ = ["NEVER_MEASURED", "NOT_CERTIFIED", "Rows", "RunWords", "run_words"]
