"""What an instrument was set to and read back, held against whatever is read of it later.

Between the read-back of a stop and the look at all settings somebody may take that stop away; what is found then would
pass for what was set.
"""

from __future__ import annotations


class Given:
    """Settings by their part of the dialect; a number or a word is compared where it is read for any other reason."""

    def __init__(self) -> None:
        self._held: dict[object, tuple[str, object]] = {}
        self._strayed: dict[str, tuple[object, object]] = {}

    def forget(self) -> None:
        """What was set up to now need not hold any more."""
        self._held.clear()
        self._strayed.clear()

    def drop(self, part: object) -> None:
        """It is about to be set."""
        self._held.pop(part, None)

    def hold(self, part: object, what: str, held: object) -> None:
        """It was set to ``held``, and read back so; ``what`` are words for people."""
        self._held[part] = (what, held)
        self._strayed.pop(what, None)

    def notice(self, part: object, found: object) -> None:
        """It reads ``found``."""
        if part in self._held:
            what, held = self._held[part]
            if found != held:
                self._strayed[what] = (held, found)

    def strayed(self) -> dict[str, tuple[object, object]]:
        """Words for each setting that has been read otherwise since than it was set -> as set, as read."""
        return dict(self._strayed)
