"""What stands in a replay where a run has locks, signals and a guard: nothing that anybody outside would notice."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from harness.config import BenchFile
from harness.signals import StopFlag


class NoLock:
    """Keeps nobody off: a replay has no bench."""

    def __init__(self, bench: BenchFile) -> None: ...

    def acquire(self) -> None: ...

    def acquire_identities(self, identities: dict[str, str]) -> None: ...

    def check_closed(self) -> None: ...

    def mark_live(self, folder: Path, **more: Any) -> None: ...

    def mark_off(self) -> None: ...

    def live_notes(self) -> tuple[Path, ...]:
        return ()

    def release(self) -> None: ...


class NoSignals(StopFlag):
    """Ctrl-C ends the program that replays, as in any other; what ended the run is on its tape."""

    def __enter__(self) -> NoSignals:
        return self

    def __exit__(self, *_exc: object) -> None: ...


class QuietGuard:
    """Nobody watches, and nothing is on."""

    pid = 0

    def __init__(self, unreachable: tuple[str, ...]) -> None:
        self.unreachable = unreachable

    def beat(self, state: str, sample: int, age_s: float) -> None: ...

    def silent_s(self) -> float:
        return 0.0

    def astray(self, addresses: dict[str, str]) -> str:
        return ""

    def bye(self, off: bool) -> None: ...


def quiet_guard(
    orders: dict[str, Any], limits: Callable[[], str], unreachable: tuple[str, ...], wall: Callable[[], float]
) -> Any:
    """In the place of the process."""
    return QuietGuard(unreachable)
