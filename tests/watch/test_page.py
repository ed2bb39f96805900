"""The page's server asked in memory: what it answers, whom it refuses, and the one thing that changes anything."""

from __future__ import annotations

import asyncio
import re
from pathlib import Path
from typing import Any

import httpx
import pytest
from watched import Running

from harness.clock import WallClock
from harness.folder import RunFolder
from harness.page.app import page_app
from harness.page.gate import Rule
from harness.stop_request import StopInbox

BASE = "http://127.0.0.1:8000"


class Asking:
    """Requests of one after the other to a page of its own."""

    def __init__(self, folder: RunFolder, *, key: str = "") -> None:
        clock = WallClock()
        rule = Rule(frozenset({"127.0.0.1"}), 8000, key=key)
        self._app = page_app(RunFolder.open(folder.path), rule, wall=clock.wall, utc=clock.utc)
        self.cookies: dict[str, str] = {}

    def __call__(self, method: str, where: str, **how: Any) -> httpx.Response:
        async def ask() -> httpx.Response:
            transport = httpx.ASGITransport(app=self._app)
            async with httpx.AsyncClient(transport=transport, base_url=BASE, cookies=self.cookies) as client:
                return await client.request(method, where, **how)

        return asyncio.run(ask())


@pytest.fixture(name="run")
def _run(tmp_path: Path) -> Running:
    made = Running(tmp_path, name="<script>alert(1)</script>")
    made.goes_on(3)
    made.recorder.event("mark", text="<img src=x onerror=alert(2)>")
    made.says(nearest="low volts", nearest_share=0.2)
    return made


def test_page_state_and_trace(run: Running) -> None:
    ask = Asking(run.folder)
    page = ask("GET", "/")
    assert page.status_code == 200
    assert "<script>alert" not in page.text
    assert "default-src 'none'" in page.headers["content-security-policy"]
    assert page.headers["x-frame-options"] == "DENY"
    state = ask("GET", "/state.json").json()
    assert (state["on"], state["simulated"], state["nearest_share"]) == (True, True, 0.2)
    trace = ask("GET", "/trace.json").json()
    assert trace["volts"] == [13.0] * 3
    assert trace["hours"] == [1 / 3600, 2 / 3600, 3 / 3600]
    assert ask("GET", "/page.js").status_code == 200
    assert len(ask("GET", "/plots.js").content) > 1_000_000
    for where in ("/../app.py", "/%2e%2e/app.py", "/app.py", "/page.html", "/static/page.js"):
        assert ask("GET", where).status_code == 404


def test_a_stop_wants_the_page_itself(run: Running) -> None:
    ask, inbox = Asking(run.folder), StopInbox(run.folder)
    word = re.search(r'name="page-word" content="([^"]+)"', ask("GET", "/").text)
    assert word is not None
    right = {"origin": BASE, "x-page-word": word[1]}
    for headers in ({}, {"origin": BASE}, {"x-page-word": word[1]}, {**right, "origin": "http://evil.example"},
                    {**right, "host": "evil.example:8000"}, {**right, "x-page-word": "wrong"}):  # fmt: skip
        assert ask("POST", "/stop", headers=headers).status_code == 403
    assert ask("GET", "/stop", headers=right).status_code in (404, 405)
    assert inbox.asked_by() == ""
    assert ask("POST", "/stop", headers=right).json()["told"] is True
    assert inbox.asked_by() == "the page, from 127.0.0.1"
    run.ends("stopped", "stopped by a person (the page, from 127.0.0.1)", 20)
    late = ask("POST", "/stop", headers=right).json()
    assert (late["told"], "not on" in late["words"]) == (False, True)


def test_with_a_key_it_travels_once_in_the_address(run: Running) -> None:
    ask = Asking(run.folder, key="secret-key")
    for where in ("/", "/state.json", "/page.js", "/?key=wrong"):
        assert ask("GET", where).status_code == 403
    first = ask("GET", "/?key=secret-key")
    assert (first.status_code, first.headers["location"]) == (303, "/")
    cookie = first.headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=strict" in cookie
    ask.cookies = {"nightbench-8000": "secret-key"}
    assert "secret-key" not in ask("GET", "/").text


@pytest.mark.parametrize("name", ["samples.csv", "events.jsonl", ".live.json", "result.json", "marks"])
@pytest.mark.parametrize("how", ["gone", "empty", "garbage", "folder"])
def test_a_damaged_folder_is_told_and_takes_nothing_down(run: Running, name: str, how: str) -> None:
    ask, place = Asking(run.folder), run.folder.path / name
    assert ask("GET", "/state.json").json()["rows"] == 3
    if place.is_dir():
        place.rmdir()
    place.unlink(missing_ok=True)
    if how == "folder":
        place.mkdir()
    elif how != "gone":
        place.write_bytes(b"" if how == "empty" else b'\xff{"\n' * 50)
    state = Asking(run.folder)("GET", "/state.json").json()
    assert "headline" in state
    assert Asking(run.folder)("GET", "/trace.json").status_code == 200
    if name in ("samples.csv", "events.jsonl") and how in ("gone", "garbage", "folder"):
        assert any(name in word for word in state["trouble"])
