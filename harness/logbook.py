"""What a run writes, kept out of the way of switching off: trouble with the record is remembered, never raised here."""

from __future__ import annotations

from collections.abc import Iterable

from harness.marks import MarkInbox
from harness.recorder import Recorder
from harness.sample import Sample


class Logbook:
    """Rows, events and operator's marks of one run. ``failed`` says why the record could not be kept, "" while it can;
    whoever may stop the run looks at it once nothing is left to be switched off."""

    def __init__(self, recorder: Recorder, marks: MarkInbox | None) -> None:
        self._recorder, self._marks = recorder, marks
        self.failed = ""

    def note(self, kind: str, *, sync: bool = False, **fields: object) -> None:
        """Write an event."""
        for last_try in (bool(self.failed), True):
            try:
                self._recorder.event(kind, sync=sync, **fields)
                return
            except Exception as error:  # the disk's fault or ours: the bench comes first
                self._fail(error)
            if last_try:
                return

    def row(self, sample: Sample) -> None:
        """Write a sample."""
        try:
            self._recorder.sample(sample)
        except Exception as error:
            self._fail(error)

    def _fail(self, error: Exception) -> None:
        # What comes now are the last words: that it was switched off and how that was proven.
        self.failed = self.failed or str(error)
        self._recorder.make_room()

    def marks(self) -> tuple[str, ...]:
        """What an operator has sent from another terminal since the last look."""
        return tuple(self._marks.poll()) if self._marks is not None else ()

    def take_marks(self, marks: Iterable[str]) -> tuple[str, ...]:
        """Write them down, and hand them over."""
        taken = tuple(marks)
        for text in taken:
            self.note("mark", text=text)
        return taken
