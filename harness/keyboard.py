"""Lines typed while a run is on, and what each of them says: somebody is there, a remark, or that something is done.

One Enter never answers for another: a key pressed before something was asked for, or at once after it, is no answer to
it, and a remark is a remark. A key that something lies on, or a heap of lines pasted at once, is one key pressed once.
"""

from __future__ import annotations

import math
from collections.abc import Callable

from harness.asking import entered

HASTE_S = 1.5
"""Machine time within which nobody has changed a plug, s (judgement)."""

REPEAT_S = 3.0
"""Enter again within this, s of machine time, shows nobody (judgement): longer than the loop ever leaves the keyboard
alone, so a key that repeats by itself never gets there."""

MOST_LINES = 1000
"""So many are taken at one look: whatever is pasted, the loop goes on."""


class Keyboard:
    """``say`` and ``ring`` put words on the screen, the second with a bell; ``new_line()`` tells the screen that the
    terminal went to another line by itself; ``wall()`` is machine time, s. Nothing here waits."""

    def __init__(
        self,
        *,
        say: Callable[[str], None],
        ring: Callable[[str], None],
        new_line: Callable[[], None],
        wall: Callable[[], float],
    ) -> None:
        self._say, self._ring, self._new_line, self._wall = say, ring, new_line, wall
        self._order = ""
        """What a person has been asked to do and has not yet said to be done."""
        self._ordered_wall = self._enter_wall = -math.inf
        self._done = self._heard = self._wanted = self._repeats = False
        self._marks: tuple[str, ...] = ()

    def _listen(self) -> None:
        """Take the lines that were typed: left where they are, each of a heap would show somebody later on."""
        for _ in range(MOST_LINES):
            if (line := entered()) is None:
                return
            self._new_line()
            if not self._repeated(line):
                self._take(line)

    def _repeated(self, line: str) -> bool:
        """Whether it is an Enter that comes too soon after another; said once."""
        before, self._enter_wall = self._enter_wall, -math.inf if line else self._wall()
        again = not line and self._wall() - before < REPEAT_S
        if again and not self._repeats:
            self._say(f">>> Enter within {REPEAT_S:g} s of Enter shows nobody: let the key go, then press it again")
        self._repeats = again
        return again

    def _take(self, line: str) -> None:
        self._heard = True
        self._marks += (line,) if line else ()
        if not self._order:
            return
        if line or self._wall() - self._ordered_wall < HASTE_S:
            why = "noted" if line else "that was too soon to be about this"
            self._say(f">>> {why}; still to be done: {self._order}, then press Enter alone")
            return
        self._order, self._done = "", True

    def ordered(self, what: str) -> None:
        """Ask for ``what`` to be done, loudly; the answer is looked for by ``has_done``."""
        self._listen()  # a key pressed before it was asked is no answer
        self._order, self._done, self._ordered_wall = what, False, self._wall()
        self._ring(f">>> {what}, then press Enter")

    def has_done(self) -> bool:
        """Whether Enter alone was pressed since ``ordered``."""
        self._listen()
        done, self._done = self._done, False
        return done

    def marks(self) -> tuple[str, ...]:
        """Remarks typed since the last look."""
        self._listen()
        marks, self._marks = self._marks, ()
        return marks

    def heard(self) -> bool:
        """Whether a line was typed since the last look, an empty one too."""
        self._listen()
        heard, self._heard = self._heard, False
        if heard and self._wanted:
            self._wanted = False
            self._say("heard")
        return heard

    def wanted(self, words: str) -> None:
        """Ask for a key, loudly; while something is to be done as well, any line but Enter alone is one."""
        self._wanted = True
        self._ring(f">>> {words}")
        if self._order:
            self._say(f"    or type a word and Enter, if this is not done yet: {self._order}")
