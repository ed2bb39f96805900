"""A run in plain text, 80 columns, for a terminal, a pipe or a mail; and the lines that list runs.

Everything printed here came from files that anybody may have edited, so it is made safe before it is printed.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from harness.digits import duration
from harness.entries import SIMULATED, figure_words, list_lines, plain_words, verdict_lines
from harness.errors import UserError
from harness.folder import INTERRUPTED, RUNNING, RunFolder
from harness.guard_log import guards_word
from harness.jsonlines import EventReader, events
from harness.lines import section, wrap
from harness.one_run import on_elsewhere
from harness.result import Limit, OffConfirmation, Result
from harness.show_record import record_parts

LIVE = "*** OFF NOT CONFIRMED - TREAT THE BENCH AS LIVE ***"
_SENTENCES = {
    "finished": "Finished: {reason}.",
    "stopped": "Stopped by a person: {reason}.",
    "tripped": "Tripped: {reason}.",
    "refused": "Refused: {reason}. Nothing was energised.",
    "unsafe": LIVE + " {reason}.",
    INTERRUPTED: "The run did not end normally. Whether the bench is off is unknown: measure before touching it.",
    RUNNING: "The run is on.",
}

GUARD_SAW = (
    "The run did not end normally. Its guard switched off, and the instruments said so: measure before touching."
)

_COPY = "A copy: the run is on in {place}, and may have something switched on. Here is what was copied."
_COVER = "The figures cover only what was done."


def verdict_sentence(result: Result, *, outcome: str) -> str:
    """The one thing to read: the verdicts if the run has any, else how it ended."""
    reason = result.end_reason.rstrip(".") or "no reason given"
    ending = _SENTENCES.get(outcome, "{reason}.").format(reason=reason)
    if outcome == "stopped" and reason.startswith("stopped by a person"):
        ending = f"{reason.capitalize()[0]}{reason[1:]}."
    if outcome in ("stopped", "tripped", INTERRUPTED):
        ending += f" {_COVER}" if result.figures else " No figures."
    if outcome != "finished" or not result.verdicts:
        return ending
    return " ".join(f"{one.verdict.capitalize()}: {one.sentence}" for one in result.verdicts)


def show_text(folder: RunFolder) -> str:
    """The whole page for one run, also for one that was interrupted or is on; raises ``Usage``."""
    outcome = folder.outcome()
    if (elsewhere := on_elsewhere(folder)) is not None:
        parts = [*_title(folder.name, RUNNING, simulated=is_simulated(folder)), *wrap(_COPY.format(place=elsewhere))]
    elif outcome in (INTERRUPTED, RUNNING) and not folder.result_json.exists():
        parts = [*_title(folder.name, outcome, simulated=is_simulated(folder)), *wrap(_SENTENCES[outcome])]
        parts += wrap("result.json is not there: what was asked and found is not known; the rest is below.")
    else:
        parts = list(_result_lines(_result_of(folder), folder.name, outcome, seen_off=_seen_off(folder, outcome)))
    parts += record_parts(folder)
    return "\n".join(parts) + "\n"


def _seen_off(folder: RunFolder, outcome: str) -> bool:
    """Whether the guard of a run that died saw its bench off."""
    word = guards_word(folder) if outcome == INTERRUPTED else None
    return word is not None and word.off_at is not None


def _result_of(folder: RunFolder) -> Result:
    """What the result says; of a run that died, what its record still tells."""
    from harness.derived import result_of  # brings every procedure along: only when a page is made

    return result_of(folder)


def _title(name: str, outcome: str, *, simulated: bool) -> list[str]:
    lines = wrap(f"{name}: {outcome}")
    if simulated:
        lines.append(f"{SIMULATED}: no real battery was measured.")
    return [*lines, ""]


def _result_lines(result: Result, name: str, outcome: str, *, seen_off: bool) -> Iterator[str]:
    yield from _title(name, outcome, simulated=result.simulated)
    sentence = verdict_sentence(result, outcome=outcome)
    yield from wrap(sentence.replace(_SENTENCES[INTERRUPTED], GUARD_SAW) if seen_off else sentence)
    if outcome == "finished":
        yield from section("Verdicts", [line for one in result.verdicts for line in _folded(verdict_lines(one))])
    yield from section("Figures", _figure_lines(result))
    yield from section("Lists", _folded(list_lines(result.lists, simulated=result.simulated)))
    yield from section("Not measured", _pairs(result.not_measured))
    yield from section("Conditions", _pairs({k: plain_words(c.value, c.unit) for k, c in result.conditions.items()}))
    asked = {key: "not asked" if value is None else plain_words(value) for key, value in result.plan.items()}
    yield from section("Asked", _pairs(asked))
    yield from section("End", _end_lines(result, outcome, seen_off=seen_off))
    if result.bench is not None:
        yield from section("Limits in force", [line for one in result.bench.limits for line in _limit_lines(one)])
        yield from section("Instruments", _instrument_lines(result))
        yield from section("Wiring", [line for one in result.bench.wiring for line in wrap(one, 2, 2)])
    yield from section("Cautions", [line for one in result.cautions for line in wrap(f"! {one}", 2, 2)])


def _figure_lines(result: Result) -> list[str]:
    lines: list[str] = []
    for key, figure in result.figures.items():
        mark = f"  {SIMULATED}" if result.simulated else ""
        lines += wrap(f"{key:<18} {figure_words(figure)}{mark}", 2, 4)
        if figure.basis:
            lines += wrap(figure.basis, 6, 2)
    return lines


def _folded(lines: Iterable[str]) -> list[str]:
    return [folded for one in lines for folded in wrap(one.strip(), 2 + len(one) - len(one.lstrip()), 4)]


def _pairs(pairs: dict[str, str]) -> list[str]:
    return [line for key, text in pairs.items() for line in wrap(f"{key:<18} {text}", 2, 19)]


def _end_lines(result: Result, outcome: str, *, seen_off: bool) -> list[str]:
    pairs = {"outcome": outcome, "end reason": result.end_reason or "not written", "started": result.started}
    if result.continued_from:
        pairs["goes on from"] = result.continued_from
    if result.ended:
        pairs["ended"] = result.ended
    if result.duration_s is not None:
        pairs["lasted"] = f"{duration(result.duration_s)} (h:mm:ss)"
    pairs["off"] = "by its guard, see below" if seen_off else _off_words(result.off_confirmation, outcome)
    return _pairs(pairs)


def _off_words(off: OffConfirmation | None, outcome: str) -> str:
    if off is None:
        return "nothing was energised" if outcome == "refused" else "not written: unknown"
    words = [f"{'confirmed' if off.confirmed else 'NOT CONFIRMED'}: {off.how}"]
    words.append(f"seen by {off.witness}" if off.witness else "no witness: the instrument's own word only")
    if off.last_amps is not None:
        words.append(f"last current {off.last_amps:.3g} A")
    if off.last_volts is not None:
        words.append(f"last volts {off.last_volts:.5g} V")
    if off.after_s is not None:
        words.append(f"after {off.after_s:.2g} s")
    return "; ".join(words)


def _limit_lines(limit: Limit) -> list[str]:
    changed = f"; CHANGED: {limit.reason}" if limit.reason else ""
    value = "none" if limit.value is None else plain_words(limit.value, limit.unit)
    return wrap(f"{limit.what}: {value} ({limit.source}{changed})", 2, 4)


def _instrument_lines(result: Result) -> list[str]:
    lines = []
    for one in result.bench.instruments if result.bench else ():
        calibrated = f"calibrated {one.calibrated}" if one.calibrated else "calibration date not given"
        accuracy = f"; {one.accuracy}{' (ASSUMED)' if one.accuracy_assumed else ''}" if one.accuracy else ""
        lines += wrap(f"{one.name} ({one.role}): {one.identity}; {one.dialect}; {calibrated}{accuracy}", 2, 4)
    return lines


def is_simulated(folder: RunFolder) -> bool:
    """Whether its record says that no real battery was measured."""
    try:
        return _header(events(folder)).get("simulated") is True
    except UserError:
        return False


def _header(reader: EventReader) -> dict[str, object]:
    next(iter(reader), None)
    return reader.header


__all__ = ["LIVE", "SIMULATED", "figure_words", "is_simulated", "show_text", "verdict_sentence"]
