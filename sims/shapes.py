"""Which shapes each instrument may have, what their dialects are called, and which relays share a box.

Not modelled: (this file holds names only).
"""

from __future__ import annotations

from collections.abc import Mapping

from sims import load_panel, supply_panel
from sims.manners import Manners

BOX_CHANNELS = {"mains": 1, "acload": 2, "contactor": 3}
"""Channel of each switch in a relay box."""

SHAPES: Mapping[str, tuple[str, ...]] = {
    "supply": supply_panel.SHAPES,
    "load": load_panel.SHAPES,
    **dict.fromkeys(BOX_CHANNELS, ("output", "route")),
}
"""Shapes of the instruments that have several; the first is the plain one."""

DIALECTS = {
    "supply": "scpi-supply",
    "load": "scpi-load",
    "shunt": "scpi-shunt-meter",
    **dict.fromkeys(BOX_CHANNELS, "scpi-switch"),
}
"""Dialect of a plain instrument that is not called after its role."""

PLAIN = {"", "single", "function", "output"}


def check_shape(name: str, shape: str) -> None:
    """Raise ValueError when an instrument has no such shape."""
    known = SHAPES.get(name, ())
    if shape and shape not in known:
        has = f"there are {', '.join(known)}" if known else "this instrument has one shape only, leave it out"
        raise ValueError(f"manners.{name}.shape = {shape!r}: {has}")


def wired_channel(manners: Manners) -> int:
    """Which channel of an instrument with several hangs on the bench."""
    return min(manners.wired_channel, manners.channels)


def one_box(manners: Mapping[str, Manners]) -> dict[str, Manners]:
    """Where one switch of a bench is a channel of a relay box, every switch is, and the manners are the box's."""
    box = next((manners[name] for name in BOX_CHANNELS if name in manners and manners[name].shape == "route"), None)
    return {name: box if box is not None and name in BOX_CHANNELS else own for name, own in manners.items()}


def box_of(manners: Mapping[str, Manners]) -> dict[str, str]:
    """Name -> whose address it shares, of the channels of a relay box but the first."""
    boxed = [name for name in BOX_CHANNELS if name in manners and manners[name].shape == "route"]
    return dict.fromkeys(boxed[1:], boxed[0]) if boxed else {}


def dialect_of(name: str, role: str, shape: str) -> str:
    """Name of the dialect that an instrument of this shape understands."""
    plain = DIALECTS.get(name, f"scpi-{role}")
    return plain if shape in PLAIN else f"{plain}-{shape}"


def channel_of(name: str, manners: Manners) -> int | None:
    """Channel to be written into a bench file; None where there are none."""
    if manners.shape == "route":
        return BOX_CHANNELS[name]
    return wired_channel(manners) if manners.shape in supply_panel.OF_SEVERAL else None
