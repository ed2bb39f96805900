"""``nightbench watch RUN --page``: where the page is served, and to whom."""

from __future__ import annotations

import ipaddress
import secrets
import socket
from collections.abc import Callable

from harness.clock import WallClock
from harness.errors import Usage
from harness.folder import RunFolder
from harness.page.gate import KEY, Rule
from harness.plain import safe_text

EVERYWHERE = ("0.0.0.0", "::")
MOST_AT_ONCE = 32
"""Connections that are served at once."""


def is_loopback(address: str) -> bool:
    """Whether only this machine can reach it."""
    try:
        return ipaddress.ip_address(address).is_loopback
    except ValueError:
        return False


def rule_for(address: str, port: int, *, names: tuple[str, ...] = ()) -> Rule:
    """Who may ask a page at this address: anybody on this machine, elsewhere whoever has the key."""
    literal = f"[{address}]" if ":" in address else address
    own = {literal, *names} if address not in EVERYWHERE else {socket.gethostname(), *names}
    if is_loopback(address):
        return Rule(frozenset({*own, "localhost"}), port)
    return Rule(frozenset(own), port, any_address=address in EVERYWHERE, key=secrets.token_urlsafe(24))


def bound(address: str, port: int) -> socket.socket:
    """A socket that listens there; raises ``Usage``."""
    try:
        ipaddress.ip_address(address)
        kind = socket.AF_INET6 if ":" in address else socket.AF_INET
        made = socket.socket(kind, socket.SOCK_STREAM)
        made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        made.bind((address, port))
    except ValueError as error:
        raise Usage(
            f"--listen {safe_text(address)}: not an address of this machine; 127.0.0.1 is for this machine alone, "
            "0.0.0.0 for everybody who has the page's key"
        ) from error
    except (OSError, OverflowError) as error:
        why = getattr(error, "strerror", None) or error
        raise Usage(f"--listen {safe_text(address)} --port {port}: cannot listen there ({why}); name others") from error
    return made


def addresses(rule: Rule, address: str) -> str:
    """What to open."""
    shown = "127.0.0.1" if address == "0.0.0.0" else "::1" if address == "::" else address
    literal = f"[{shown}]" if ":" in shown else shown
    if rule.any_address:
        literal = socket.gethostname()
    return f"http://{literal}:{rule.port}/" + (f"?{KEY}={rule.key}" if rule.key else "")


def serve_page(
    folder: RunFolder, *, address: str, port: int, names: tuple[str, ...] = (), say: Callable[[str], None]
) -> None:
    """Serve the page until Ctrl-C. Raises ``Usage`` where it cannot be served."""
    try:
        import uvicorn

        from harness.page.app import page_app
        from harness.page.hurried import Hurried
    except ImportError as error:
        raise Usage(f"--page: {error.name} is not installed; pip install 'nightbench[page]'") from error
    listening = bound(address, port)
    rule = rule_for(address, listening.getsockname()[1], names=names)
    clock = WallClock()
    app = page_app(folder, rule, wall=clock.wall, utc=clock.utc)
    config = uvicorn.Config(
        app,
        http=Hurried,
        log_level="warning",
        access_log=False,
        server_header=False,
        limit_concurrency=MOST_AT_ONCE,
        timeout_keep_alive=5,
        timeout_graceful_shutdown=2,
        h11_max_incomplete_event_size=16_384,
        lifespan="off",
        ws="none",
    )
    say(f"the page of {safe_text(folder.name)}: {addresses(rule, address)}")
    if rule.key:
        say(
            "whoever has this address can watch the run and stop it; it goes over the network unencrypted: where "
            "others share the network leave --listen out and come by `ssh -L` instead"
        )
    say("Ctrl-C ends the page, not the run.")
    listening.listen()
    uvicorn.Server(config).run(sockets=[listening])
