"""What a run does for those who look on: at its terminal, from outside, and far away.

None of it holds up the run, or ends it by going wrong. A replay has nobody outside.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from typing import TYPE_CHECKING, Any

from harness import alarms
from harness.live import LiveWriter
from harness.stop_request import StopInbox

if TYPE_CHECKING:
    from harness.clock import Clock
    from harness.folder import RunFolder
    from harness.job import Ready
    from harness.signals import StopFlag


class Onlookers:
    """Context manager of one run. ``here`` shows a sample at the terminal and must not raise. Nothing here raises."""

    def __init__(self, folder: RunFolder, *, here: Callable[..., None]) -> None:
        self._folder, self._here = folder, here
        self._live: LiveWriter | None = None
        self._outside = False

    def may_look_on(self, ready: Ready, clock: Clock, flag: StopFlag) -> None:
        """From now on the run tells outside where it stands, and hears a stop that is asked for from there."""
        self._outside = True
        flag.elsewhere = StopInbox(self._folder).asked_by
        with suppress(Exception):
            self._live = LiveWriter(self._folder, ready, clock=clock.kind, wall=clock.wall)

    def tell_people(self, ready: Ready, *, say: Callable[[str], None]) -> None:
        """Start whoever tells people far away. It outlives the run, and nobody waits for it."""
        if self._outside:
            alarms.start(ready.site.bench.alarms, self._folder.path, say=say)

    def show(self, *told: Any) -> None:
        """A sample, what watches it, and the interlocks."""
        if self._live is not None:
            with suppress(Exception):
                self._live.show(*told)
        self._here(*told)

    def close(self) -> None:
        """The run is over: it stands nowhere any more."""
        if self._live is not None:
            with suppress(Exception):
                self._live.close()

    def __enter__(self) -> Onlookers:
        return self

    def __exit__(self, *_exc: object) -> None:
        self.close()
