"""The runs a verdict is made from: opened, and refused in one line when they do not go together."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from harness.config import PackFile, UpsFile, load_pack, load_ups
from harness.derived import result_of
from harness.errors import Usage
from harness.folder import INTERRUPTED, RUNNING, RunFolder
from harness.jsonlines import events
from harness.result import Result

KNOWN = ("charge", "capacity", "c-rate", "voltage-floor", "charge-ceiling")
"""Procedures that a verdict can be made from."""

ON_A_UPS = ("voltage-floor", "charge-ceiling")

SAME_PACK = ("name", "serial", "asset", "chemistry", "cells_in_series", "rated_ah")
SAME_UPS = ("name", "serial", "asset", "nominal_dc_volts", "blocks", "rated_va", "rated_w")
"""Keys by which two files are of one and the same thing. Others may have been put right between two runs."""


@dataclass(frozen=True, slots=True, eq=False)
class Run:
    """One run with the files it used."""

    folder: RunFolder
    result: Result
    pack: PackFile | None
    ups: UpsFile | None

    @property
    def name(self) -> str:
        return self.folder.name

    @property
    def whole(self) -> bool:
        """Whether it came to its own end; else its figures cover only what was done."""
        return self.result.outcome == "finished"


def opened(folders: Sequence[RunFolder]) -> tuple[Run, ...]:
    """The runs, oldest first. Raises ``Usage`` for runs that cannot be judged together."""
    if not folders:
        raise Usage("fit: no runs; name the folders of a pack's and a UPS's runs, `nightbench runs` lists them")
    runs = tuple(sorted(map(_opened, folders), key=lambda run: (run.result.started, run.name)))
    _different_folders(runs)
    _one_world(runs)
    _same(runs, "pack", SAME_PACK, lambda run: run.pack)
    _same(runs, "UPS", SAME_UPS, lambda run: run.ups)
    return runs


def _opened(folder: RunFolder) -> Run:
    outcome = folder.outcome()
    if outcome == RUNNING:
        raise Usage(f"{folder.path}: this run is still on; wait until it has ended")
    if outcome == INTERRUPTED and not folder.result_json.is_file():
        raise Usage(f"{folder.path}: this run was interrupted and has no result; leave it out, or run it again")
    result = result_of(folder)
    if result.procedure not in KNOWN:
        raise Usage(f"{folder.path}: fit makes nothing of {result.procedure}; accepted: runs of {', '.join(KNOWN)}")
    if result.outcome in ("refused", "unsafe"):
        raise Usage(f"{folder.path}: this run came out {result.outcome}: {result.end_reason}; leave it out")
    if changed := folder.changed_inputs():
        where = folder.inputs / changed[0]
        raise Usage(f"{where}: not as the run used it; take the file from a backup, or run it again")
    measured = folder.inputs / ("ups.toml" if result.procedure in ON_A_UPS else "pack.toml")
    if not measured.is_file():
        raise Usage(f"{measured}: missing, it tells what was measured; take it from a backup, or leave this run out")
    if _recorded_simulated(folder) not in (None, result.simulated):
        words = "simulated, its events say real" if result.simulated else "real, its events say simulated"
        raise Usage(f"{folder.result_json}: says {words}; take the folder from a backup, or leave this run out")
    return Run(folder, result, _input(folder, "pack.toml", load_pack), _input(folder, "ups.toml", load_ups))


def _recorded_simulated(folder: RunFolder) -> bool | None:
    """What the first line of its events says, written while it ran; None where it says nothing."""
    if not folder.events_jsonl.is_file():
        return None
    reader = events(folder)
    next(reader.each(), None)
    told = reader.header.get("simulated")
    return told if isinstance(told, bool) else None


def _input(folder: RunFolder, name: str, load: Callable[..., Any]) -> Any:
    place = folder.inputs / name
    return load(place) if place.is_file() else None


def _different_folders(runs: Sequence[Run]) -> None:
    seen: dict[Any, Run] = {}
    for run in runs:
        place = run.folder.path.resolve()
        if place in seen:
            raise Usage(f"{run.folder.path}: named twice; name each run once")
        seen[place] = run


def _one_world(runs: Sequence[Run]) -> None:
    made = [next((run for run in runs if run.result.simulated is kind), None) for kind in (True, False)]
    if made[0] is not None and made[1] is not None:
        raise Usage(f"fit: {made[0].name} is simulated, {made[1].name} is real; name runs of one kind only")


def _same(runs: Sequence[Run], what: str, keys: Sequence[str], of: Callable[[Run], Any]) -> None:
    having = [(run, of(run)) for run in runs if of(run) is not None]
    if not having:
        raise Usage(f"fit: none of the runs has a {what} file; name runs made with --{what.lower()} FILE as well")
    first, wanted = having[0]
    for run, found in having[1:]:
        for key in keys:
            if getattr(found, key) != getattr(wanted, key):
                raise Usage(
                    f"fit: different {what}s: {key} is {getattr(wanted, key)!r} in {first.name} and "
                    f"{getattr(found, key)!r} in {run.name}; name runs of one {what} only"
                )
