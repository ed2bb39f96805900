"""What held a run beside its program, for its page: the guard, the stops seen to act, the table's weak rows."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping

from harness.result import Guarded


def guard_line(guard: Guarded | None) -> str:
    """The guard in words, "" where the result says nothing of one."""
    if guard is None:
        return ""
    if not guard.armed:
        return f"guard: none{f' ({guard.note})' if guard.note else ''}"
    seen = "; ".join(f"{one.what} {one.took_s:.2f} s, at most {one.within_s:g} s" for one in guard.rehearsed)
    return f"guard: armed; {f'seen to act: {seen}' if seen else 'not made to act before this run'}"


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
