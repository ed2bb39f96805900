"""The run's beats to its guard. They come from a turn of the sampling loop after its interlocks, from just before
something is switched on, and from each step of switching off; from nowhere else: no thread may speak for a loop that
hangs.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from harness.bench import Bench
    from harness.guarding import GuardLink


class Beats:
    """Tells the guard that this run goes on; nothing where there is no guard. Never raises and never waits."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self.guard: GuardLink | None = None
        self.samples = 0
        """Samples judged so far."""

    def guard_with(self, link: GuardLink | None) -> None:
        """From now on ``link`` hears of it, and its silence ends the run."""
        self.guard = link
        if link is not None:
            drivers = self._bench.rig.drivers
            self._bench.loop.guard_silent_s = link.silent_s
            self._bench.loop.guard_astray = lambda: link.astray(
                {name: driver.session.wire.address for name, driver in drivers.items()}
            )

    def loop_goes_on(self) -> None:
        """The loop decides on fresh readings, so many s of machine time old."""
        if self.guard is not None:
            loop = self._bench.loop
            state = loop.before(self._bench.block).order
            on_mains = state == "rest" and bool(self._bench.rig.switched.get("mains"))
            self.guard.beat("unknown" if on_mains else state, self.samples, loop.unwatched_wall_s)

    def switching_off(self) -> None:
        """One more step of switching off."""
        self._off("switching off")

    def proving_off(self) -> None:
        """All instruments say off and carry nothing; a witness is being waited for."""
        self._off("proving off")

    def still_on(self, state: str) -> None:
        """What goes last is left on for a moment, on purpose: ``state`` is the key of the table of orders."""
        self._off(state)

    def was_off(self) -> None:
        """Off was confirmed: from here on a disk that keeps the run waiting is no danger."""
        self._off("rest")

    def _off(self, state: str) -> None:
        if self.guard is not None:
            self.guard.beat(state, self.samples, 0.0)
