"""Where the volts of what hangs on the bench are taken: a meter on it, then sense leads, then leads by arithmetic."""

from __future__ import annotations

from dataclasses import dataclass

from harness.config import BenchFile


@dataclass(frozen=True, slots=True)
class VoltsPlace:
    """Where the pack's volts are taken: instrument, and the lead resistance to correct for (0 with sense leads).

    ``subject``: with "ups" the battery terminals of a UPS are in the pack's place.
    """

    name: str
    kind: str
    ohm: float
    sign: float
    subject: str = "pack"
    drop_known: bool = True
    """``False``: read behind leads of which the bench file says nothing."""

    @property
    def words(self) -> str:
        if not self.drop_known:
            return f"measured at the terminals of {self.name}; the drop in its leads is not known"
        if self.ohm == 0.0:
            where = "pack terminals" if self.subject == "pack" else "UPS's battery terminals"
            return f"measured at the {where} by {self.name}"
        return f"computed from {self.name} and its declared leads of {1000 * self.ohm:.1f} mohm"


def volts_place(bench_file: BenchFile, *, subject: str) -> VoltsPlace | None:
    """The best witness of the subject's terminals: a meter on them, then sense leads, then leads by arithmetic."""
    for entry in bench_file.instruments:
        if entry.role == "meter" and entry.measures == "pack":
            return VoltsPlace(entry.name, "meter", 0.0, 0.0, subject)
    for role, sign in (("load", 1.0), ("supply", -1.0)):
        side = bench_file.one(role)
        if side is not None and side.sense == "remote":
            return VoltsPlace(side.name, role, 0.0, sign, subject)
    for role, sign in (("load", 1.0), ("supply", -1.0)):
        side = bench_file.one(role)
        if side is not None:
            ohm = side.lead_ohm
            return VoltsPlace(side.name, role, ohm or 0.0, sign, subject, drop_known=ohm is not None)
    return None
