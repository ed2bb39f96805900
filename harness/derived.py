"""The result of a run that died, derived from its folder by whoever reads it: nothing in the folder is written.

Its figures are made of its samples by the procedure's own folds, and say "at least" where more may have followed.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import msgspec

from harness.errors import Usage, UserError
from harness.folder import INTERRUPTED, RunFolder
from harness.history import History, read_history
from harness.inside import refuse_link
from harness.job import Job, Ready, prepare
from harness.procedure import Found, Procedure, Remains, procedures
from harness.result import Result, load_result
from harness.volts_place import volts_place

DIED = "the run did not end normally"


def result_of(folder: RunFolder) -> Result:
    """What ``result.json`` says, or, of a run that died, what its record still tells. Raises ``Usage``."""
    result = load_result(folder)
    if result.outcome is not None or folder.outcome() != INTERRUPTED:
        return result
    try:
        history = read_history(folder)
    except Usage as error:
        return _interrupted(result, Found({}, DIED, {}, _missing(result, str(error))), rows=None)
    return _interrupted(result, _found(history), rows=len(history.rows), history=history)


def remains_of(history: History, *, ready: Ready | None = None) -> Remains:
    """The record beside the plan and the files it was made with. Raises ``UserError`` when they cannot be read."""
    ready = as_it_was(history.folder, history.result) if ready is None else ready
    place = volts_place(ready.site.bench, subject=ready.site.subject)
    if place is None:
        raise Usage(f"{history.folder.inputs / 'bench.toml'}: nobody reads volts on this bench")
    return Remains(history, ready.plan, ready.site, place)


def as_it_was(folder: RunFolder, result: Result, *, bench: Path | None = None, out: Path = Path("runs")) -> Ready:
    """The run's own job again: its plan on the files kept with it, or on another bench file. Talks to nothing. Raises
    ``Usage`` where a file is no longer what the run used: figures of another plan or bench are not its figures."""
    procedure = procedure_of(result)
    if changed := folder.changed_inputs():
        where = folder.inputs / changed[0]
        raise Usage(f"{where}: not as the run used it; take it from a backup, or begin anew with `run`")
    kept = {kind: folder.inputs / f"{kind}.toml" for kind in ("bench", "pack", "ups")}
    for place in kept.values():
        refuse_link(place)
    pack, ups = (kept[kind] if kept[kind].is_file() else None for kind in ("pack", "ups"))
    sets = tuple(f"{key}={_plan_word(value)}" for key, value in result.plan.items() if value is not None)
    return prepare(Job(procedure, bench or kept["bench"], pack, sets, out, ups=ups))


def procedure_of(result: Result) -> Procedure:
    """The procedure of a result. Raises ``Usage`` for one that is not installed."""
    known = procedures()
    if result.procedure not in known:
        raise Usage(f"{result.procedure}: no such procedure here; there are: {', '.join(known)}")
    return known[result.procedure]


def _plan_word(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    return repr(value) if isinstance(value, float) else str(value)


def _found(history: History) -> Found:
    try:
        procedure = procedure_of(history.result)
        if procedure.left is None:
            return Found({}, DIED, {}, dict.fromkeys(procedure.ids, f"{DIED}; nothing of it can be used"))
        return procedure.left(remains_of(history))
    except UserError as error:
        return Found({}, DIED, {}, _missing(history.result, str(error)))


def _missing(result: Result, why: str) -> dict[str, str]:
    known = procedures().get(result.procedure)
    return {} if known is None else dict.fromkeys(known.ids, why)


def _interrupted(result: Result, found: Found, *, rows: int | None, history: History | None = None) -> Result:
    return msgspec.structs.replace(
        result,
        outcome="interrupted",
        end_reason=found.end_reason,
        duration_s=None if history is None else history.ended_s,
        figures=dict(found.figures),
        lists=dict(found.lists),
        not_measured=dict(found.not_measured),
        conditions=dict(found.conditions),
        rows=rows,
    )
