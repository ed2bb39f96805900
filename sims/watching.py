"""Following one yes-or-no fact of the bench through its events, the way something slower than the bench sees it.

Not modelled: nothing; what sees the fact says what it leaves out.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Protocol


class Event(Protocol):
    """What happened by itself: bench time s and words."""

    @property
    def t_s(self) -> float: ...
    @property
    def what(self) -> str: ...


@dataclass
class Watched:
    """A fact that is so from event ``on`` to event ``off``; a change counts once it has lasted ``steady_s``.

    ``changed`` is called with the bench time at which the fact changed, and what it is now, for each one that counts.
    """

    events: Sequence[Event]
    on: str
    off: str
    steady_s: float
    so: bool
    changed: Callable[[float, bool], None] = lambda t_s, so: None
    _raw: bool = field(init=False)
    _since_s: float = field(init=False, default=0.0)
    _read: int = field(init=False)

    def __post_init__(self) -> None:
        self._raw = self.so
        self._read = len(self.events)

    def follow(self, t_s: float) -> bool:
        """What has been seen of the fact by bench time ``t_s``; to be called in order of time."""
        while self._read < len(self.events):
            event = self.events[self._read]
            self._read += 1
            if event.what in (self.on, self.off) and (event.what == self.on) != self._raw:
                self._settle(event.t_s)
                self._raw, self._since_s = not self._raw, event.t_s
        self._settle(t_s)
        return self.so

    def _settle(self, t_s: float) -> None:
        if self._raw != self.so and t_s - self._since_s >= self.steady_s:
            self.so = self._raw
            self.changed(self._since_s, self.so)
