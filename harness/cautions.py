"""The cautions this program prints wherever a person may act on it."""

from __future__ import annotations

CAUTIONS: tuple[str, ...] = (
    "Not a safety device: no safety integrity is claimed; it is the last of several barriers, never the first.",
    "Local electrical, fire and workplace rules, the makers' manuals and the cell data sheet rule over this text; work "
    "on mains, inside a UPS or on earthing belongs to licensed, competent persons.",
    "Fit a DC fuse at the pack terminal and a contactor that opens when unpowered.",
    "UPS output and inside stay live without mains; the battery side may be at mains potential.",
    "Lithium: no charge below 0 degC, no revival of a pack found under its floor, no BMS bypass, never unwatched "
    "without two barriers that do not run on the computer.",
    "Lead-acid: hydrogen; ventilate, no sparks.",
    "A pack can deliver hundreds of amperes: rings off, insulated tools, eye protection.",
    "Swelling, smell or hiss: leave, close the door, call the fire service; the fumes are toxic.",
    "When the computer is off, asleep or dead, only fuse, instrument limits and BMS act.",
    "After any stop: measure before touching; disconnect the pack, since idle supplies drain it.",
    "Tested against simulators; your instruments were tested only by the rehearsal you ran.",
    "Measured by no run: volts of single cells, temperature inside them, chemistry.",
    "Passed here is not certified: nothing here replaces IEC 62619, IEC 62133-2, IEC 62040-1 or UN 38.3.",
)
