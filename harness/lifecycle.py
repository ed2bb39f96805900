"""The states of a run, as data. What is not in the table cannot happen: a tripped run never energises again."""

from __future__ import annotations

ENERGISED = ("sourcing", "sinking", "standing in", "tracing")
_PHASES = dict(zip(("source", "sink", "stand-in", "trace"), ENERGISED, strict=True))

TABLE: dict[tuple[str, str], str] = {
    **{("idle", phase): state for phase, state in _PHASES.items()},
    **{(state, "release"): "releasing" for state in ENERGISED},
    **{(state, "trip"): "tripped" for state in ENERGISED},
    ("idle", "trip"): "tripped",
    ("idle", "end"): "ending",
    ("releasing", "confirmed"): "idle",
    ("releasing", "trip"): "tripped",
    ("releasing", "not confirmed"): "unsafe",
    ("tripped", "confirmed"): "off",
    ("tripped", "not confirmed"): "unsafe",
    ("tripped", "trip"): "tripped",
    ("ending", "confirmed"): "off",
    ("ending", "not confirmed"): "unsafe",
    ("ending", "trip"): "tripped",
    ("off", "trip"): "off",
    ("off", "end"): "off",
    ("off", "confirmed"): "off",
    ("off", "not confirmed"): "unsafe",
    ("unsafe", "trip"): "unsafe",
    ("unsafe", "end"): "unsafe",
}

CLOSED = ("tripped", "off", "unsafe")
"""States from which nothing energises any more in this run."""

SETTLED = ("off", "unsafe")
"""States in which switching off is behind the run, one way or the other."""


class IllegalMove(RuntimeError):
    """The program asked for something the table does not have; nothing was changed."""


class Lifecycle:
    """Where the run is; ``move`` raises ``IllegalMove`` and changes nothing when the table has no such row."""

    def __init__(self) -> None:
        self.state = "idle"

    def move(self, event: str) -> str:
        try:
            self.state = TABLE[self.state, event]
        except KeyError:
            raise IllegalMove(f"run is {self.state}: cannot {event}") from None
        return self.state

    @property
    def energised(self) -> bool:
        return self.state in ENERGISED
