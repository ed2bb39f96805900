"""The connectors of a bench's instruments: one a box, however many of its channels have names of their own.

Not modelled: several connectors on one instrument (a serial port beside a LAN socket).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from sims import reply_manners
from sims.front_panel import FrontPanel
from sims.line_manners import Port
from sims.manners import Manners


def build_ports(
    panels: Mapping[str, FrontPanel],
    *,
    manners: Mapping[str, Manners],
    now: Callable[[], float],
    line_now: Callable[[], float] | None = None,
) -> dict[str, Port]:
    """A port for each name; names that share an instrument share a port, with the manners of the first of them."""
    by_panel: dict[int, Port] = {}
    for name, panel in panels.items():
        if id(panel) not in by_panel:
            reply_manners.apply(panel.engine, manners[name])
            by_panel[id(panel)] = Port(
                panel.engine, manners[name], key=panel.key, restart=panel.restart, now=now, line_now=line_now
            )
    return {name: by_panel[id(panel)] for name, panel in panels.items()}
