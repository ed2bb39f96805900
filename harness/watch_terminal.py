"""``nightbench watch`` in a terminal: redrawn every second; in a pipe plain lines. It only reads the run's folder."""

from __future__ import annotations

import math
import sys
from collections.abc import Callable, Iterator
from typing import TextIO

from harness.clock import Clock, WallClock
from harness.folder import RunFolder
from harness.following import Follower, Seen
from harness.plain import safe_text
from harness.watching import (
    BLOCKS,
    KINDS_WATCHED,
    PLAIN,
    Quiet,
    end_lines,
    event_line,
    headline,
    look_lines,
    plain_line,
    silence_words,
)

LOOK_EVERY_S = 1.0
LINE_EVERY_S = 60.0
"""In a pipe: seconds between two lines while nothing happens."""

HOW_TO_STOP = "Ctrl-C ends the watching, not the run. To stop the run: nightbench watch {path} --stop"


def watch_run(
    folder: RunFolder,
    *,
    out: TextIO | None = None,
    clock: Clock | None = None,
    stopped: Callable[[], bool] = lambda: False,
) -> Seen:
    """Watch until the run is over or ``stopped()``; the last look. Raises ``BrokenPipeError`` when nobody reads."""
    out, clock = out or sys.stdout, clock or WallClock()
    follower = Follower(folder)
    return (_drawn if out.isatty() else _told)(follower, out, clock, stopped)


def _drawn(follower: Follower, out: TextIO, clock: Clock, stopped: Callable[[], bool]) -> Seen:
    from rich.console import Console
    from rich.live import Live as Drawing
    from rich.text import Text

    console = Console(file=out, highlight=False)
    blocks = BLOCKS if "utf" in (out.encoding or "").lower() else PLAIN
    path, quiet = str(follower.folder.path), Quiet()
    with Drawing(console=console, auto_refresh=False, transient=False) as drawing:
        while True:
            seen = follower.look()
            width, height = console.size.width, console.size.height
            lines = look_lines(
                seen,
                name=follower.folder.name,
                trace=follower.trace,
                silent_s=quiet.push(seen, wall_s=clock.now(), utc=clock.utc()),
                width=width,
                blocks=blocks,
            )
            if seen.is_on:
                lines = [*lines[: max(3, height - 3)], "", HOW_TO_STOP.format(path=path)]
            drawing.update(Text("\n".join(lines), no_wrap=not seen.is_on, overflow="fold"), refresh=True)
            if stopped() or not (seen.is_on or seen.behind):
                return seen
            if not seen.behind:
                clock.sleep(LOOK_EVERY_S, stop=stopped)


def _told(follower: Follower, out: TextIO, clock: Clock, stopped: Callable[[], bool]) -> Seen:
    """Plain lines: at the beginning, when something happens, now and then, at the end."""
    quiet, told = Quiet(), Told()
    seen = follower.look()
    _say(out, headline(seen, follower.folder.name))
    while True:
        silent_s = quiet.push(seen, wall_s=clock.now(), utc=clock.utc())
        for line in told.lines(seen, silent_s=silent_s, now_s=clock.now()):
            _say(out, line)
        if stopped() or not (seen.is_on or seen.behind):
            break
        if not seen.behind:
            clock.sleep(LOOK_EVERY_S, stop=stopped)
        seen = follower.look()
    for line in (*(f"note: {one}" for one in seen.trouble), *end_lines(seen)):
        _say(out, safe_text(line))
    return seen


def _say(out: TextIO, line: str) -> None:
    out.write(line + "\n")
    out.flush()


class Told:
    """What is worth a line in a pipe, each once. What happened before the watching began is not told again."""

    def __init__(self) -> None:
        self._said_s, self._state = -math.inf, ""
        self._heard: int | None = None
        self._silent = False

    def lines(self, seen: Seen, *, silent_s: float, now_s: float) -> Iterator[str]:
        """After one look at ``now_s``, s."""
        new = 0 if self._heard is None else seen.happened - self._heard
        self._heard = seen.happened
        for one in seen.events[-new:] if new > 0 else ():
            if one.get("kind") in KINDS_WATCHED:
                yield event_line(one)
        words = silence_words(silent_s, seen)
        if words and not self._silent:
            yield words
        self._silent = bool(words)
        state = seen.last.state if seen.last is not None else ""
        if seen.is_on and (state != self._state or now_s - self._said_s >= LINE_EVERY_S):
            self._said_s, self._state = now_s, state
            yield plain_line(seen)
