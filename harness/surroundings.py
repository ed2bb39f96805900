"""What a run takes of the machine it is on, where a replay of it takes something else: locks, lines, record, guard."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from harness.config import BenchFile
from harness.connect import Connection
from harness.guarding import Arm, armed
from harness.job import Ready
from harness.locks import BenchLock
from harness.signals import StopFlag


@dataclass(frozen=True, slots=True)
class Surroundings:
    """``lock`` keeps others off the bench; ``flag`` hears signals; ``connection`` opens instruments and ``recorder``
    begins the record (``None``: as ever); ``arm`` starts the guard's process. ``real``: whether anything that is done
    here is done to a bench, or is seen or kept by anybody."""

    real: bool = True
    lock: Callable[[BenchFile], Any] = BenchLock
    flag: Callable[..., StopFlag] = StopFlag
    connection: Callable[[Ready], Connection] | None = None
    recorder: Callable[..., Any] | None = None
    arm: Arm = armed


REAL = Surroundings()
