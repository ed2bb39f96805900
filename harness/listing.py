"""Lists and documents the commands print: plain text for people, plain data for ``--json``."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Any

import msgspec

from harness.alarms import alarm_line
from harness.briefing import barrier_lines, interlock_lines, limit_lines, plan_lines
from harness.cautions import CAUTIONS
from harness.derived import result_of
from harness.entries import SIMULATED, figure_words, list_lines
from harness.errors import UserError
from harness.folder import RunFolder
from harness.headlines import headline
from harness.job import Done, Ready
from harness.limits import Envelope
from harness.lines import wrapped
from harness.plain import safe_text
from harness.planning import OPEN, plan_keys
from harness.procedure import procedures
from harness.result import Result, load_result, to_json
from harness.show_runs import runs_lines
from harness.titles import TITLES


def procedures_document() -> dict[str, Any]:
    """Every procedure with its plan's keys."""
    return {
        name: {
            "about": procedure.about,
            "keys": [
                {
                    "key": k.name,
                    "kind": k.kind,
                    "unit": k.unit,
                    "default": None if k.default == OPEN else k.default,
                    "description": k.description,
                }
                for k in plan_keys(procedure)
            ],
        }
        for name, procedure in procedures().items()
    }


def procedures_text() -> str:
    """The same for a person, 80 columns."""
    lines: list[str] = []
    for name, procedure in procedures().items():
        lines.append(f"{name}: {procedure.about}")
        for key in plan_keys(procedure):
            unit = f" in {key.unit}" if key.unit else ""
            default = OPEN if key.default == OPEN else f"default {key.default}"
            lines.append(f"    {key.name} ({key.kind}{unit}; {default}): {key.description}")
        lines.append("")
    return wrapped(tuple(lines)).rstrip()


def dry_text(ready: Ready, *, now: datetime | None = None) -> str:
    """What a run would do; nothing was talked to. ``now``: local time, to tell the end by the clock."""
    procedure = ready.job.procedure
    return wrapped(
        (
            *plan_lines(ready, now=now),
            "limits in force",
            *limit_lines(ready),
            "barriers",
            *barrier_lines(ready),
            alarm_line(ready.site.bench.alarms),
            "a run trips, switches off and ends on",
            *interlock_lines(procedure.name, procedure.phases),
            "cautions",
            *(f"  ! {line}" for line in CAUTIONS),
            "dry: nothing was talked to, nothing was switched on",
        )
    )


def dry_document(ready: Ready) -> dict[str, Any]:
    """The same as data."""
    forecast = ready.job.procedure.forecast(ready.plan, ready.site)
    envelope: Envelope = ready.site.envelope
    return {
        "procedure": ready.job.procedure.name,
        "plan": msgspec.to_builtins(ready.plan),
        "steps": [
            {"words": s.words, "seconds": s.seconds, "amps": s.amps, "charge_ah": s.charge_ah, "heat_wh": s.heat_wh}
            for s in forecast.steps
        ],
        "seconds": forecast.seconds,
        "limits": list(envelope.lines()),
        "alarms": list(ready.site.bench.alarms),
        "cautions": list(CAUTIONS),
        "talked_to": [],
    }


def runs_document(folders: Iterable[RunFolder]) -> dict[str, Any]:
    """Runs of a folder with their outcomes and figures; what an interrupted run left unsaid is null."""
    return {"runs": [_run_row(folder) for folder in folders]}


LEFT_UNSAID = ("procedure", "name", "started", "simulated", "figures", "lists", "verdicts")


def _run_row(folder: RunFolder) -> dict[str, Any]:
    row: dict[str, Any] = {"folder": str(folder.path), "outcome": folder.outcome()}
    try:
        result = load_result(folder)
    except UserError:
        return row | dict.fromkeys(LEFT_UNSAID)
    return row | {
        "procedure": result.procedure,
        "name": result.name,
        "started": result.started,
        "simulated": result.simulated,
        "figures": msgspec.to_builtins(result.figures),
        "lists": msgspec.to_builtins(result.lists),
        "verdicts": msgspec.to_builtins(result.verdicts),
    }


def result_document(folder: RunFolder) -> str:
    """result.json as it stands; of a run that died, what its record still tells."""
    return to_json(result_of(folder)).decode()


def runs_done_document(done: list[Done]) -> dict[str, Any]:
    """What has just been run: folders, outcomes, figures."""
    return {
        "runs": [
            {
                "folder": str(one.folder.path),
                "procedure": one.result.procedure,
                "outcome": one.result.outcome,
                "exit_code": one.exit_code,
                "end_reason": one.result.end_reason,
                "simulated": one.result.simulated,
                "figures": msgspec.to_builtins(one.result.figures),
                "lists": msgspec.to_builtins(one.result.lists),
            }
            for one in done
        ]
    }


def runs_done_text(done: list[Done]) -> str:
    """Verdict sentences first, then figures, off, and where the records are; 80 columns."""
    lines: list[str] = []
    for one in done:
        result = one.result
        mark = f" {SIMULATED}" if result.simulated else ""
        lines.append(f"{result.procedure}, {safe_text(result.name)}: {headline(result)}{mark}")
        for name, figure in result.figures.items():
            lines.append(f"  {TITLES.get(name, name):<26} {figure_words(figure)}{mark}")
        lines.extend(f"  {line}" for line in list_lines(result.lists, simulated=result.simulated))
        lines.extend(_off_lines(result))
        lines.append(f"  record: {safe_text(str(one.folder.path))}")
    return wrapped(lines)


def _off_lines(result: Result) -> Iterable[str]:
    off = result.off_confirmation
    if off is not None and off.confirmed:
        seen = f"seen by {safe_text(off.witness)}" if off.witness else "by the instruments' own word only"
        yield f"  off confirmed, {seen}"


def runs_text(folders: Sequence[RunFolder]) -> str:
    """The listing of a folder, oldest first."""
    return "\n".join(runs_lines(folders))


__all__ = [
    "TITLES",
    "dry_document",
    "dry_text",
    "headline",
    "procedures_document",
    "procedures_text",
    "result_document",
    "runs_document",
    "runs_done_document",
    "runs_done_text",
    "runs_text",
]
