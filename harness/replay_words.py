"""What is said of a replay: to a person, and to a program."""

from __future__ import annotations

from typing import Any

from harness.plain import safe_text
from harness.replay import Replayed


def document(replayed: Replayed) -> dict[str, Any]:
    """For ``--json``."""
    return {
        "folder": str(replayed.folder),
        "same": replayed.same,
        "whole": replayed.whole,
        "samples": replayed.samples,
        "events": replayed.events,
        "exchanges": replayed.exchanges,
        "figures": replayed.figures,
        "differences": [
            {"what": one.what, "where": one.where, "replay": one.replay, "record": one.record, "why": one.why}
            for one in replayed.differences
        ],
        "notes": list(replayed.notes),
    }


def lines_of(replayed: Replayed) -> list[str]:
    """What a person reads: one line when all is as recorded, else the first difference of each kind."""
    name = safe_text(replayed.folder.name)
    played = f"{replayed.samples} samples, {replayed.events} events, {replayed.exchanges} exchanges"
    figures = f", {replayed.figures} figures" if replayed.whole else ""
    notes = [f"  note: {note}" for note in replayed.notes]
    if replayed.same:
        return [f"{name}: as recorded: {played}{figures}", *notes]
    told = [f"{name}: NOT as recorded; the first of each kind that differs:"]
    for one in replayed.differences:
        told += [
            f"  {one.what}: {one.where}",
            f"    this version: {one.replay or 'nothing'}",
            f"    the record:   {one.record or 'nothing'}",
            *([f"    it was ending for: {safe_text(one.why)[:110]}"] if one.why else []),
        ]
    return [*told, *notes]
