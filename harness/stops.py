"""What ends a run before its procedure is through.

These derive from ``BaseException`` so that no ``except Exception`` on the way can eat them. Whoever raises one has
switched everything off first.
"""

from __future__ import annotations


class RunStopped(BaseException):
    """The run is over and the bench has been driven off.

    ``exit_code`` and ``outcome`` are those of the table in DEVELOPERS.md; ``end_reason`` is words for people.
    """

    exit_code = 1
    outcome = "tripped"

    def __init__(self, end_reason: str, *, exit_code: int | None = None) -> None:
        super().__init__(end_reason)
        self.end_reason = end_reason
        if exit_code is not None:
            self.exit_code = exit_code


class Tripped(RunStopped):
    """An interlock found something; ``exit_code`` says of which kind (21 to 25)."""

    exit_code = 21


class StoppedByPerson(RunStopped):
    """A key, a signal or a stop mark."""

    exit_code = 20
    outcome = "stopped"


class NotOff(RunStopped):
    """Off could not be confirmed: the bench is to be treated as live."""

    exit_code = 99
    outcome = "unsafe"


OFF_UNREADABLE = 90
"""Exit code when after off neither a current nor any voltage could be read."""
