"""What a run stands on: the files, the envelope made from them, and whether the bench is simulated."""

from __future__ import annotations

from dataclasses import dataclass

from harness.config import BenchFile, PackFile
from harness.config_ups import UpsFile
from harness.limits import Envelope


@dataclass(frozen=True, slots=True)
class Site:
    """Fixed for a run. Volts in ``envelope`` are at the terminals of what hangs on the bench, the ``subject``: a pack,
    or a UPS's battery side. A file that goes with the subject's only beside it is kept with the run all the same.
    """

    bench: BenchFile
    pack_file: PackFile | None
    envelope: Envelope
    simulated: bool = False
    ups_file: UpsFile | None = None

    @property
    def subject(self) -> str:
        """What hangs on the bench: "pack" or "ups"."""
        return self.envelope.subject

    @property
    def name(self) -> str:
        """Name of the subject."""
        return self.ups.name if self.subject == "ups" else self.pack.name

    @property
    def subject_words(self) -> str:
        """Where volts are taken, in words."""
        return "UPS's battery terminals" if self.subject == "ups" else "pack"

    @property
    def nominal_volts(self) -> float:
        """Nominal volts of the subject, V."""
        return self.envelope.nominal_v

    @property
    def pack(self) -> PackFile:
        """The pack file of a run that has one."""
        if self.pack_file is None:
            raise LookupError("this run has no pack file")
        return self.pack_file

    @property
    def ups(self) -> UpsFile:
        """The UPS file of a run that has one."""
        if self.ups_file is None:
            raise LookupError("this run has no UPS file")
        return self.ups_file

    @property
    def lithium(self) -> bool:
        """Whether a lithium pack hangs on the bench."""
        return self.subject == "pack" and self.pack.chemistry != "agm"
