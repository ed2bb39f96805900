"""What held a run beside its program, for its page: the guard, the stops seen to act, the table's weak rows."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping

from harness.folder import RunFolder
from harness.guard_log import guards_word
from harness.jsonlines import events
from harness.result import Guarded, load_result


def held_lines(folder: RunFolder) -> Iterator[str]:
    """All of it, a line each. Of a run without an end the guard is told by its record. Raises ``Usage``."""
    seen = list(events(folder))
    result = load_result(folder) if folder.result_json.exists() else None
    guard = (result and result.guard) or _guard_of(seen)
    if words := guard_line(guard, acted=guards_word(folder) is not None):
        yield words
    yield from table_lines(seen)


def _guard_of(seen: Iterable[Mapping[str, object]]) -> Guarded | None:
    """The guard by what was written when it was armed, or when it was said that there is none."""
    last = None
    for event in seen:
        last = event if event.get("kind") == "guard" else last
    if last is None:
        return None
    unreachable = last.get("unreachable")
    return Guarded(
        armed=last.get("armed") is True,
        unreachable=tuple(map(str, unreachable)) if isinstance(unreachable, list) else (),
        note=str(last.get("text") or ""),
    )


def guard_line(guard: Guarded | None, *, acted: bool) -> str:
    """The guard in words, "" where nothing is known of one. ``acted``: whether its log says that it switched off."""
    if guard is None:
        return ""
    if not guard.armed:
        return f"guard: none{f' ({guard.note})' if guard.note else ''}"
    seen = "; ".join(f"{one.what} {one.took_s:.2f} s, at most {one.within_s:g} s" for one in guard.rehearsed)
    words = [
        "guard: a process of its own, armed",
        f"seen to act before: {seen}" if seen else "not made to act before this run",
        *([f"out of its reach: {', '.join(guard.unreachable)}"] if guard.unreachable else []),
        "it acted, see Record" if acted else "it did not act",
    ]
    return "; ".join(words)


def table_lines(events: Iterable[Mapping[str, object]]) -> Iterator[str]:
    """Stops seen to act, and the last table of barriers in the record; nothing where there was none."""
    rows: dict[str, bool] = {}
    tried: dict[str, None] = {}
    for event in events:
        if event.get("kind") == "barriers":
            rows[str(event.get("hazard"))] = event.get("enough") is True
        elif event.get("kind") == "stop tried":
            tried[str(event.get("text") or event.get("instrument"))] = None
    if tried:
        yield f"stops seen to act: {'; '.join(tried)}"
    if rows:
        weak = [hazard for hazard, enough in rows.items() if not enough]
        yield f"barriers: fewer than two of: {'; '.join(weak)}" if weak else "barriers: two each"
