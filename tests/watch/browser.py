"""Debian's Chromium by its driver, and a page served by a thread of this process."""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import uvicorn

from harness.clock import WallClock
from harness.folder import RunFolder
from harness.page.app import page_app
from harness.page.serving import bound, rule_for

CHROMIUM, DRIVER = Path("/usr/bin/chromium"), Path("/usr/bin/chromedriver")
FLAGS = (
    "--headless=new", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync", "--disable-dev-shm-usage",
)  # fmt: skip


def chromium(profile: Path, *, width: int = 1000, height: int = 900) -> Any:
    """A browser of its own, with a profile of its own; whoever gets it quits it."""
    from selenium import webdriver

    options = webdriver.ChromeOptions()
    options.binary_location = str(CHROMIUM)
    for flag in (*FLAGS, f"--user-data-dir={profile}", f"--window-size={width},{height}"):
        options.add_argument(flag)
    return webdriver.Chrome(options=options, service=webdriver.ChromeService(executable_path=str(DRIVER)))


@contextmanager
def served(folder: RunFolder, *, key: str = "", address: str = "127.0.0.1") -> Iterator[str]:
    """The page's address. The folder is opened anew, as another process does: who holds a lock is told by thread."""
    listening: socket.socket = bound(address, 0)
    rule = replace(rule_for(address, listening.getsockname()[1]), key=key)
    clock = WallClock()
    config = uvicorn.Config(
        page_app(RunFolder.open(folder.path), rule, wall=clock.wall, utc=clock.utc),
        log_level="critical",
        lifespan="off",
        ws="none",
    )
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]}, daemon=True)
    listening.listen()
    thread.start()
    try:
        yield f"http://{address}:{rule.port}/"
    finally:
        server.should_exit = True
        thread.join(10.0)
        listening.close()
