"""The connectors of a bench's instruments: one a box, however many of its channels have names of their own.

Not modelled: several connectors on one instrument (a serial port beside a LAN socket).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from sims import reply_manners
from sims.front_panel import FrontPanel
from sims.line_manners import Port
from sims.local_key import LocalKey
from sims.manners import Manners
from sims.talk import Engine


def build_ports(
    engines: Mapping[str, Engine],
    *,
    panels: Mapping[str, FrontPanel],
    manners: Mapping[str, Manners],
    now: Callable[[], float],
    line_now: Callable[[], float] | None = None,
) -> dict[str, Port]:
    """A port for each name; names that share an engine share a port, with the manners of the first of them."""
    by_engine: dict[int, Port] = {}
    for name, engine in engines.items():
        if id(engine) not in by_engine:
            by_engine[id(engine)] = _port(engine, panels.get(name), manners[name], now=now, line_now=line_now)
    return {name: by_engine[id(engine)] for name, engine in engines.items()}


def _port(
    engine: Engine,
    panel: FrontPanel | None,
    manners: Manners,
    *,
    now: Callable[[], float],
    line_now: Callable[[], float] | None,
) -> Port:
    reply_manners.apply(engine, manners)
    if panel is not None:
        return Port(engine, manners, key=panel.key, restart=panel.restart, now=now, line_now=line_now)
    key = LocalKey(remote_needed=manners.remote_needed)
    if manners.remote_needed:
        engine.add(*key.commands())

    def restart() -> None:
        engine.handle(b"*RST;*CLS")
        key.restart()

    return Port(engine, manners, key=key, restart=restart, now=now, line_now=line_now)
