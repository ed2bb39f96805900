"""The page in a real browser, one start for all of it: what a person sees, and the stop that really stops.

Ordinary: one browser, one page of a run made by hand. Slow: a served run stopped from the page, damage, a full disk.
"""

from __future__ import annotations

import os
import subprocess
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path
from threading import Event, Thread
from typing import Any

import pytest
from browser import CHROMIUM, DRIVER, chromium, served
from watched import Running

from harness.folder import RunFolder
from harness.stop_request import StopInbox

pytestmark = pytest.mark.skipif(
    not (CHROMIUM.exists() and DRIVER.exists()), reason="no chromium and chromedriver are installed: apt install both"
)
LONGEST_S = 20.0


@pytest.fixture(name="browser", scope="module")
def _browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    made = chromium(tmp_path_factory.mktemp("profile"))
    made.set_page_load_timeout(LONGEST_S)
    yield made
    made.quit()


class Page:
    def __init__(self, browser: Any) -> None:
        self.browser = browser

    def text(self, where: str) -> str:
        return str(self.browser.execute_script("return document.getElementById(arguments[0])?.innerText ?? ''", where))

    def script(self, words: str) -> Any:
        return self.browser.execute_script(f"return {words}")

    def until(self, true: Callable[[], Any], what: str) -> None:
        for _ in range(int(LONGEST_S / 0.05)):
            if true():
                return
            Event().wait(0.05)
        raise AssertionError(f"{what}; the page shows: {self.script('document.body.innerText')}")

    def press(self, where: str) -> None:
        self.browser.find_element("id", where).click()


@pytest.fixture(name="page")
def _page(browser: Any) -> Page:
    return Page(browser)


def _record(place: Path, count: int = 30) -> Running:
    run = Running(place, name="porch-4s")
    for number in range(count):
        run.goes_on(pack_volts=13.2 - number / 100)
    run.recorder.event("mark", text="<img src=x onerror=document.title='owned'>")
    run.says(nearest="low volts", nearest_share=0.04, unattended=True)
    return run


def test_a_run_is_seen_asked_to_stop_and_seen_to_end(page: Page, tmp_path: Path) -> None:
    run = _record(tmp_path)
    with served(run.folder) as where:
        page.browser.get(where)
        page.until(lambda: "porch-4s: running, unattended SIMULATED" in page.text("headline"), "no headline")
        assert "SIMULATED" in page.text("simulated")
        assert "12.910 V" in page.text("tiles")
        assert "low volts: 4 % of the way left" in page.text("margin-words")
        page.until(
            lambda: page.script("document.querySelectorAll('#plot .scatterlayer .trace').length") == 3, "no plot"
        )
        assert "onerror" in page.text("events")
        assert page.script("document.images.length") == 0
        assert "owned" not in page.browser.title
        for width in (1000, 390):
            page.browser.set_window_size(width, 900)
            page.until(
                lambda: page.script("document.documentElement.scrollWidth <= innerWidth"), "wider than its window"
            )
        run.goes_on(pack_volts=11.5)
        page.until(lambda: "11.500 V" in page.text("tiles"), "it does not follow")
        page.press("stop")
        page.press("no")
        assert StopInbox(run.folder).asked_by() == ""
        page.press("stop")
        assert page.script("document.activeElement.id") == "no"
        page.press("yes")
        page.until(lambda: "asked to stop" in page.text("told"), "not told")
        assert StopInbox(run.folder).asked_by() == "the page, from 127.0.0.1"
        run.ends("stopped", "stopped by a person (the page, from 127.0.0.1)", 20)
        page.until(lambda: "Stopped by a person" in page.text("ended"), "no end")
        assert "off confirmed" in page.text("ended")
        assert page.script("document.getElementById('stop').hidden")
        wrong = [one for one in page.browser.get_log("browser") if one["level"] == "SEVERE"]
        assert wrong == []


def test_without_its_key_nothing_is_shown(page: Page, tmp_path: Path) -> None:
    run = _record(tmp_path, 3)
    with served(run.folder, key="k" * 20) as where:
        page.browser.get(where)
        assert "refused: this page wants its key" in page.script("document.body.innerText")
        page.browser.get(f"{where}?key={'k' * 20}")
        page.until(lambda: "running" in page.text("headline"), "not let in")
        assert "key" not in page.browser.current_url
    run.dies()


@pytest.mark.slow
@pytest.mark.parametrize("name", ["samples.csv", "events.jsonl", "wire.jsonl", ".live.json", "marks"])
@pytest.mark.parametrize("how", ["gone", "garbage", "folder"])
def test_a_folder_damaged_under_the_page_is_told_and_the_page_goes_on(
    page: Page, tmp_path: Path, name: str, how: str
) -> None:
    run = _record(tmp_path)
    with served(run.folder) as where:
        page.browser.get(where)
        page.until(lambda: "running" in page.text("headline"), "no headline")
        place = run.folder.path / name
        if place.is_dir():
            place.rmdir()
        else:
            place.unlink()
        if how == "garbage":
            place.write_bytes(b'\xff{"\n' * 100)
        elif how == "folder":
            place.mkdir()
        if name in ("samples.csv", "events.jsonl"):
            page.until(lambda: name in page.text("trouble"), "nothing is told")
        page.press("stop")
        page.press("yes")
        page.until(lambda: page.text("told") not in ("", "asking..."), "no answer")
        if name == "marks" and how == "garbage":
            assert "NOT told" in page.text("told")
        else:
            assert StopInbox(run.folder).asked_by()
    run.dies()


@pytest.mark.slow
def test_a_page_whose_server_has_gone_says_so(page: Page, tmp_path: Path) -> None:
    run = _record(tmp_path)
    with served(run.folder) as where:
        page.browser.get(where)
        page.until(lambda: "running" in page.text("headline"), "no headline")
    page.until(lambda: "lost its server" in page.text("stale"), "it is not told")
    page.press("stop")
    page.press("yes")
    page.until(lambda: "NOT told" in page.text("told"), "it is not told")
    run.dies()


def _fill(place: Path) -> None:
    with suppress(OSError), open(place, "wb", buffering=0) as file:
        while file.write(bytes(4096)) == 4096:
            pass


@pytest.mark.slow
@pytest.mark.skipif(os.name != "posix" or os.getuid() != 0, reason="only root can mount a small disk")
def test_a_stop_gets_through_on_a_full_disk(page: Page, tmp_path: Path) -> None:
    place = tmp_path / "disk"
    place.mkdir()
    mounted = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", str(place)], check=False)
    if mounted.returncode:
        pytest.skip("no small disk can be mounted here")
    try:
        run = _record(place)
        _fill(place / "fill")
        with served(run.folder) as where:
            page.browser.get(where)
            page.until(lambda: "running" in page.text("headline"), "no headline")
            page.press("stop")
            page.press("yes")
            page.until(lambda: "asked to stop" in page.text("told"), "not told")
        assert StopInbox(run.folder).asked_by()
        run.dies()
    finally:
        subprocess.run(["umount", "-l", str(place)], check=False)


@pytest.mark.slow
def test_a_real_run_is_stopped_from_the_page(page: Page, tmp_path: Path) -> None:
    """A capacity run of its own on a bench served ten times as fast: off, exit code 20, and who asked."""
    from harness.job import Job, Watcher, prepare
    from harness.procedure import procedures
    from harness.run import run as run_job
    from sims.serve import serve

    bench, ended = serve("porch", speed=10.0), Event()
    thread = Thread(target=bench.run_forever, args=(ended.is_set,), daemon=True)
    thread.start()
    (tmp_path / "bench.toml").write_text(bench.bench_toml(), encoding="utf-8")
    (tmp_path / "pack.toml").write_text(bench.bench.pack_toml(), encoding="utf-8")
    begun, folders, done = Event(), [], []

    class Seen(Watcher):
        def started(self, ready: Any, folder: RunFolder) -> None:
            folders.append(folder)

        def show(self, *_told: Any) -> None:
            begun.set()

    sets = ("charge_first=false", "rest_s=2", "rest_after_s=2")
    files = (tmp_path / "bench.toml", tmp_path / "pack.toml")
    job = Job(procedures()["capacity"], *files, sets, out=tmp_path / "runs")
    watching = Thread(target=lambda: begun.wait(60.0) and _stop(page, folders[0]), daemon=True)
    watching.start()
    done.append(run_job(prepare(job), watcher=Seen()))
    watching.join(60.0)
    ended.set()
    thread.join()
    bench.close()
    assert (done[0].exit_code, done[0].result.outcome) == (20, "stopped")
    assert done[0].result.end_reason == "stopped by a person (the page, from 127.0.0.1)"
    assert done[0].result.off_confirmation is not None
    assert done[0].result.off_confirmation.confirmed


def _stop(page: Page, folder: RunFolder) -> None:
    with served(folder) as where:
        page.browser.get(where)
        page.until(lambda: "sinking" in page.text("tiles"), "it is not seen to discharge")
        page.until(lambda: "nearest limit" in page.text("margin-words"), "no nearest limit")
        page.press("stop")
        page.press("yes")
        page.until(lambda: "Stopped by a person" in page.text("ended"), "it is not seen to end")
