"""Lists and documents the commands print: plain text for people, plain data for ``--json``."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import msgspec

from harness.cautions import CAUTIONS
from harness.folder import RunFolder
from harness.limits import Envelope
from harness.plain import safe_text
from harness.planning import plan_keys
from harness.procedure import procedures
from harness.result import load_result, to_json
from harness.run import Done, Ready, armed_lines
from harness.screen import barrier_lines, limit_lines, plan_lines, wrapped
from harness.show import LIVE, figure_words, verdict_sentence

TITLES = {
    "capacity_ah": "capacity",
    "capacity_wh": "energy",
    "mean_v": "mean volts",
    "rate_it": "rate in It",
    "retained_share": "share of the rated Ah",
    "end_v": "end voltage",
    "last_v": "last volts under load",
    "recovery_v": "volts after the rest",
    "temp_start_c": "temperature at the start",
    "temp_end_c": "temperature at the end",
    "rise_k": "temperature rise",
    "charge_in_ah": "charge put in",
    "charge_in_wh": "energy put in",
    "cv_s": "time at constant volts",
    "end_a": "current at the end",
    "charger_restarts": "restarts of the charger",
}
"""Words for figure ids."""


def procedures_document() -> dict[str, Any]:
    """Every procedure with its plan's keys."""
    return {
        name: {
            "about": procedure.about,
            "keys": [
                {"key": k.name, "kind": k.kind, "unit": k.unit, "default": k.default, "description": k.description}
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
            lines.append(f"    {key.name} ({key.kind}{unit}; {key.default}): {key.description}")
        lines.append("")
    return wrapped(tuple(lines)).rstrip()


def dry_text(ready: Ready) -> str:
    """What a run would do; nothing was talked to."""
    return wrapped(
        (
            *plan_lines(ready),
            "limits in force",
            *limit_lines(ready),
            "barriers",
            *barrier_lines(ready),
            "interlocks",
            *(f"  {line}" for line in armed_lines(ready.job.procedure.name)),
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
        "cautions": list(CAUTIONS),
        "talked_to": [],
    }


def runs_document(folders: Iterable[RunFolder]) -> list[dict[str, str]]:
    """Runs of a folder with their outcomes."""
    return [{"folder": str(folder.path), "outcome": folder.outcome()} for folder in folders]


def result_document(folder: RunFolder) -> str:
    """result.json as it stands."""
    return to_json(load_result(folder)).decode()


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
                "figures": {name: msgspec.to_builtins(figure) for name, figure in one.result.figures.items()},
            }
            for one in done
        ]
    }


def runs_done_text(done: list[Done]) -> str:
    """Verdict sentences first, then figures, off, and where the records are; 80 columns."""
    lines: list[str] = []
    for one in done:
        result = one.result
        mark = " SIMULATED" if result.simulated else ""
        lines.append(f"{result.procedure}, {safe_text(result.name)}: {headline(one)}{mark}")
        for name, figure in result.figures.items():
            lines.append(f"  {TITLES.get(name, name):<26} {figure_words(figure)}{mark}")
        if result.off_confirmation is not None and result.off_confirmation.confirmed:
            by = result.off_confirmation.witness or "the instrument's own word only"
            lines.append(f"  off confirmed, witness: {safe_text(by)}")
        elif result.outcome == "unsafe":
            lines.append(LIVE)
        lines.append(f"  record: {safe_text(str(one.folder.path))}")
    return wrapped(tuple(lines))


def headline(done: Done) -> str:
    """The one sentence."""
    result = done.result
    figure = result.figures.get("capacity_ah")
    rate = result.figures.get("rate_it")
    if result.outcome == "finished" and figure is not None and rate is not None:
        end = result.conditions.get("end_v")
        share = 100.0 * float(result.figures["retained_share"].value)
        to = f" down to {end.value:g} V" if end is not None and isinstance(end.value, float) else ""
        return (
            f"the pack gave {figure_words(figure)} at {float(rate.value):.2f} It{to}, "
            f"{share:.0f} % of its label; {result.end_reason}."
        )
    return verdict_sentence(result, outcome=result.outcome or "")
