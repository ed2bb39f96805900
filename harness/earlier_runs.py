"""What earlier runs in a folder show about leaving one alone: was this plan watched before, was the BMS seen to act.

Read only; a folder that cannot be read shows nothing.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec

from harness.config import BenchFile, PackFile
from harness.digits import duration
from harness.errors import UserError
from harness.folder import RunFolder, list_runs, safe_name
from harness.jsonlines import events
from harness.result import Result, load_result

if TYPE_CHECKING:
    from harness.job import Ready

FIRST_S = 1800.0
"""So much of it from its first switching on, s of bench time, is as good as the whole: a rest shows nothing."""

OPENED = {"pack opened": "low", "pack opened while charging": "high"}
"""End reasons by which the BMS (or the fuse, which would have stayed open) was seen to act, and on which side."""


def _results(out: Path, procedure: str = "") -> Iterator[tuple[RunFolder, Result]]:
    """Newest first."""
    try:
        found = list_runs(out)
    except UserError:
        return
    for folder in reversed(found):
        if procedure and f"-{safe_name(procedure)}-" not in folder.name:
            continue
        try:
            yield folder, load_result(folder)
        except UserError:
            continue


def watched_before(ready: Ready, identities: Mapping[str, str] | None = None) -> str:
    """Why no earlier run counts as this one's first, with what to do; "" when one does.

    It must have had the same procedure, plan, bench and pack file, and the same instruments (``identities``, by name;
    None: not known yet), and have come to its end with something measured, or gone on for ``FIRST_S`` after it had
    switched something on until somebody stopped it.
    """
    out, nearest = ready.job.out, ""
    for folder, result in _results(out, ready.job.procedure.name):
        why = _differs(ready, result, folder.input_hashes(), identities) or _shows_nothing(folder, result)
        if not why:
            return ""
        nearest = nearest or f"; the last one, {folder.name}: {why}"
    return (
        f"no run of this plan with somebody there in {out}{nearest}; run it once without --unattended, to its end or "
        f"for {duration(FIRST_S)} (h:mm:ss)"
    )


def _differs(ready: Ready, result: Result, hashes: Mapping[str, str], identities: Mapping[str, str] | None) -> str:
    if result.procedure != ready.job.procedure.name:
        return f"it was {result.procedure}"
    plan = msgspec.to_builtins(ready.plan)
    keys = [key for key in plan if result.plan.get(key) != plan[key]]
    if keys:
        return f"its plan had {keys[0]} = {result.plan.get(keys[0])}, not {plan[keys[0]]}"
    files: dict[str, BenchFile | PackFile] = {"bench.toml": ready.site.bench, "pack.toml": ready.site.pack}
    for name, file in files.items():
        if hashes.get(name) != file.sha256:
            return f"{file.path} was another then"
    if identities is not None and result.bench is not None:
        then = {one.name: one.identity for one in result.bench.instruments}
        changed = [name for name, said in identities.items() if then.get(name) != said]
        if changed:
            return f"{changed[0]} was another instrument then"
    return ""


def _shows_nothing(folder: RunFolder, result: Result) -> str:
    """Why a run of the same plan does not count, "" when it does."""
    if result.outcome == "finished":
        return "" if result.figures or result.lists else f"it measured nothing ({result.end_reason})"
    if result.outcome != "stopped":
        return f"it ended early ({result.outcome or 'interrupted'})"
    watched_s = (result.duration_s or 0.0) - _first_on_s(folder)
    if watched_s >= FIRST_S:
        return ""
    on = f"{duration(watched_s)} after it first switched on" if watched_s >= 0.0 else "before it switched anything on"
    return f"it ended early (stopped {on})"


def _first_on_s(folder: RunFolder) -> float:
    """When it first switched something on, s after its beginning; inf when it never did or nothing says so."""
    try:
        for event in events(folder):
            if event.get("kind") == "energised" and isinstance(on_s := event.get("on_s"), int | float):
                return float(on_s)
    except UserError:
        pass
    return math.inf


def bms_seen(ready: Ready, *, simulated: bool | None = None) -> dict[str, str]:
    """The day (RFC 3339 date) on which this pack's BMS was last seen to open: in a discharge ("low"), while charging
    ("high"). The same pack is one of the same name and pack file, on a bench as real as this one: ``simulated`` by what
    its instruments answer, None while nobody was asked."""
    found: dict[str, str] = {}
    for folder, result in _results(ready.job.out):
        side = OPENED.get(result.end_reason.partition(",")[0])
        same = result.name == ready.site.name and folder.input_hashes().get("pack.toml") == ready.site.pack.sha256
        same = same and simulated in (None, result.simulated)
        if side and same and side not in found:
            found[side] = result.started[:10]
    return found
