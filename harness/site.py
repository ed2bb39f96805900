"""What a run stands on: the files, the envelope made from them, and whether the bench is simulated."""

from __future__ import annotations

from dataclasses import dataclass

from harness.config import BenchFile, PackFile
from harness.limits import Envelope


@dataclass(frozen=True, slots=True)
class Site:
    """Fixed for a run. Volts in ``envelope`` are at pack level."""

    bench: BenchFile
    pack: PackFile
    envelope: Envelope
    simulated: bool = False

    @property
    def lithium(self) -> bool:
        return self.pack.chemistry != "agm"
