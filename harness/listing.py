"""Lists and documents the commands print: plain text for people, plain data for ``--json``."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Any

import msgspec

from harness.briefing import barrier_lines, interlock_lines, limit_lines, plan_lines
from harness.cautions import CAUTIONS
from harness.entries import SIMULATED, figure_words, list_lines
from harness.errors import UserError
from harness.folder import INTERRUPTED, RunFolder
from harness.job import Done, Ready
from harness.limits import Envelope
from harness.lines import wrapped
from harness.plain import safe_text
from harness.planning import OPEN, plan_keys
from harness.procedure import procedures
from harness.result import Result, load_result, to_json
from harness.show import runs_lines, verdict_sentence

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
    "floor_v": "voltage floor",
    "last_good_v": "lowest volts held",
    "first_bad_v": "volts where it dropped",
    "floor_a": "current at the floor",
    "dc_w": "power at the floor",
    "warn_v": "volts at the warning",
    "highest_good_v": "highest volts still good",
    "latched": "latches when it is off",
    "restart_v": "volts at which it restarts",
    "idle_a": "idle current",
    "idle_w": "idle power",
    "p_ac_w": "AC load",
    "lead_drop_v": "drop over the leads",
    "warn_to_off_v": "volts from warning to off",
    "ceiling_v": "charge ceiling",
    "open_v": "volts of the open charger",
    "charger_r_ohm": "resistance of the charger",
    "charge_a": "current of the charger",
    "knee_v": "volts where its limit ends",
    "boost_v": "boost volts",
    "float_v": "float volts",
    "held_it_max": "highest rate held, in It",
    "held_a_max": "highest current held",
    "charge_share": "share of charge at ceiling",
    "usable_ah": "usable charge",
    "usable_wh": "usable energy",
    "floor_margin_v": "margin above the pack's end",
    "charge_current_margin_a": "margin of charge current",
    "discharge_current_margin_a": "margin of discharge current",
    "load_w_max": "largest load",
    "runtime_s": "runtime",
}
"""Words for figure ids."""


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
    """result.json as it stands; of a run that died, with the outcome that its folder shows."""
    result = load_result(folder)
    if result.outcome is None and folder.outcome() == INTERRUPTED:
        result = msgspec.structs.replace(result, outcome="interrupted")
    return to_json(result).decode()


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


def headline(result: Result) -> str:
    """The one sentence."""
    if result.outcome == "finished" and "capacity_ah" in result.figures:
        return _capacity_sentence(result)
    if result.outcome == "finished" and "charge_in_ah" in result.figures:
        return f"the pack took {figure_words(result.figures['charge_in_ah'])}; {result.end_reason}."
    return verdict_sentence(result, outcome=result.outcome or "")


def _capacity_sentence(result: Result) -> str:
    """Charge with rate, end, temperature and share of the label: none of them means much without the others."""
    figures = result.figures
    parts = [f"the pack gave {figure_words(figures['capacity_ah'])}"]
    if rate := figures.get("rate_it"):
        parts.append(f"at {float(rate.value):.2f} It")
    if "end_v" in figures:
        parts.append(f"down to {float(figures['end_v'].value):g} V")
    elif "last_v" in figures:
        parts.append(f"until it opened, last seen at {float(figures['last_v'].value):.2f} V")
    begun = f", begun at {float(figures['temp_start_c'].value):.0f} degC" if "temp_start_c" in figures else ""
    share = figures.get("retained_share")
    of_label = f", {100.0 * float(share.value):.0f} % of its label" if share else ""
    return f"{' '.join(parts)}{begun}{of_label}; {result.end_reason}."


def runs_text(folders: Sequence[RunFolder]) -> str:
    """The listing of a folder, oldest first."""
    return "\n".join(runs_lines(folders))
