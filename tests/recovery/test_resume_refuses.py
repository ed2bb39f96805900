"""What ``nightbench resume`` refuses, in one line; and nothing is ever switched on because a record says so."""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from died import Ended, died, ended
from filelock import FileLock

from harness.clock import VirtualClock
from harness.config import load_bench
from harness.errors import Busy, EarlierRunOpen, PlanRefused, PreflightRefused, Usage, UserError
from harness.folder import RunFolder
from harness.job import Home
from harness.locks import BenchLock
from harness.one_run import on_elsewhere, resumed_by_one
from harness.resume import Next, look_back, past_lines, ready_again
from harness.show import show_text
from sims.bench import SimBench
from sims.scenario import load_scenario

SETS = ("rates_it=0.2 0.5", "step_s=10", "rest_s=6")


class Heard(SimBench):
    """A simulated bench that keeps what was said to it."""

    def __init__(self) -> None:
        self.clock = VirtualClock()
        super().__init__(load_scenario("porch"), now=self.clock.now, seed=None)
        self.said: list[bytes] = []

    def connect(self, name: str) -> Any:
        talker, said = super().connect(name), self.said

        class Tapped:
            def feed(self, data: bytes) -> bytes:
                said.append(data)
                return bytes(talker.feed(data))

            def hang_up(self) -> None:
                talker.hang_up()

        return Tapped()

    @property
    def only_asked(self) -> bool:
        """Nothing but questions came."""
        return all(part.strip().endswith(b"?") for data in self.said for part in data.split(b"\n") if part.strip())


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Ended:
    made = ended(tmp_path_factory.mktemp("whole"), "c-rate", *SETS)
    assert made.done.exit_code == 0
    return made


@pytest.fixture
def folder(whole: Ended, tmp_path: Path) -> RunFolder:
    """Died in its second step."""
    return died(whole, tmp_path, rows=round(0.9 * whole.rows))


def serial(folder: RunFolder, role: str = "load") -> str:
    told = json.loads(folder.result_json.read_bytes())
    return next(one["serial"] for one in told["bench"]["instruments"] if one["role"] == role)


def again(folder: RunFolder, heard: Heard, *, seen_off: str = "", typed: str | None = None, **more: Any) -> Next:
    past = look_back(folder.path)
    home = Home(heard.clock, heard)
    words: dict[str, Any] = {"bench": None, "out": None, **more}
    return ready_again(past, seen_off=seen_off, say=lambda text: None, ask=lambda prompt: typed, home=home, **words)


def everything(folder: RunFolder) -> dict[Path, bytes]:
    return {place: place.read_bytes() for place in folder.path.rglob("*") if place.is_file()}


# -- it only reads, and asks -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("how", ["typed", "given"])
def test_the_bench_is_only_asked_and_the_folder_only_read(how: str, folder: RunFolder) -> None:
    bench, before = Heard(), everything(folder)
    word = {"typed": serial(folder)} if how == "typed" else {"seen_off": serial(folder)}
    following = again(folder, bench, **word)
    assert following.goes_on is None
    assert "begins anew" in following.words
    assert "nightbench run c-rate --bench " in following.words
    assert bench.said
    assert bench.only_asked
    assert everything(folder) == before


def test_what_happened_is_told(folder: RunFolder) -> None:
    with open(folder.samples_csv, "ab") as file:
        file.write(b"17.25,2025-01-01T22:00:00.000Z,sinking,12.8" + b"\0" * 4096)
    with open(folder.events_jsonl, "ab") as file:
        file.write(b'{"elapsed_s":17.3,"utc":"2025')
    text = " ".join(" ".join(past_lines(look_back(folder.path))).split())
    assert "c-rate, and it did not end normally" in text
    assert "SIMULATED" in text
    assert "after its start: sinking, 1" in text
    assert " V, 3.9" in text
    assert "left out: samples.csv: 1 torn record of 43 bytes and 4096 zero bytes at the end left out" in text
    assert "left out: events.jsonl: 1 torn record of 29 bytes at the end left out" in text
    assert "when its record ends the load was on, or about to be, set to 4 A" in text


def test_the_time_since_and_what_it_bounds(folder: RunFolder) -> None:
    from datetime import timedelta

    from harness.history import read_history

    died_at = read_history(folder).ended
    past = look_back(folder.path, now=died_at + timedelta(hours=8))
    assert past.gap is not None
    assert (past.gap.seconds, past.gap.least_ah, past.gap.most_ah) == (28800.0, 0.0, pytest.approx(1.3 * 8.0))
    text = " ".join(past_lines(past))
    assert "nobody looked for 8:00:00 (h:mm:ss); in it 0 to 10.4 Ah left the pack, not known better" in text
    past = look_back(folder.path, now=died_at - timedelta(hours=1))
    assert past.gap is None
    assert "how long nobody looked is not known" in " ".join(past_lines(past))


GUARD = """{"utc":"%s","what":"armed"}
{"utc":"%s","what":"acting","why":"the run has gone","state":"sink","killed":true}
{"utc":"%s","what":"off confirmed","took_s":1.25,"how":"by the instruments' own word"}
"""


def test_what_its_guard_did_bounds_the_charge(folder: RunFolder) -> None:
    from datetime import timedelta

    from harness.history import read_history

    died_at = read_history(folder).ended
    stamps = tuple((died_at + timedelta(seconds=after)).isoformat() for after in (-20, 1, 9))
    log = folder.path / "guard.log"
    log.write_text(GUARD % stamps)
    past = look_back(folder.path, now=died_at + timedelta(hours=8))
    assert past.gap is not None
    assert past.gap.seconds == 9.0
    assert past.gap.most_ah == pytest.approx(4.25 * 9 / 3600)
    for text in ("\n".join(past_lines(past)), show_text(folder)):
        words = " ".join(text.split())
        assert "its guard acted: the run has gone; off confirmed after 1.2 s, by the instruments' own word" in words
    log.write_text(log.read_text()[:-60])
    past = look_back(folder.path, now=died_at + timedelta(hours=8))
    assert past.gap is not None
    assert past.gap.seconds == 28800.0
    assert "it did NOT say that the bench was off" in " ".join(past_lines(past))
    log.write_bytes(b"\0" * 400)
    assert look_back(folder.path).guard is None


# -- refusals ----------------------------------------------------------------------------------------------------------


def nobody(folder: RunFolder, bench: Heard) -> Next:
    return again(folder, bench)


def wrong_word(folder: RunFolder, bench: Heard) -> Next:
    return again(folder, bench, typed="yes")


def of_the_other(folder: RunFolder, bench: Heard) -> Next:
    """The load was on; the supply's number says nothing about whether anybody has looked at the load."""
    return again(folder, bench, seen_off=serial(folder, "supply"))


def changed_file(folder: RunFolder, bench: Heard) -> Next:
    place = folder.inputs / "pack.toml"
    place.write_text(place.read_text().replace("rated_ah", "rated_ah ", 1))
    return again(folder, bench, seen_off=serial(folder))


def other_limits(folder: RunFolder, bench: Heard) -> Next:
    told = json.loads(folder.result_json.read_bytes())
    next(one for one in told["bench"]["limits"] if one["what"] == "low volts")["value"] = 9.4
    folder.result_json.write_text(json.dumps(told))
    return again(folder, bench, seen_off=serial(folder))


def other_instrument(folder: RunFolder, bench: Heard) -> Next:
    told = json.loads(folder.result_json.read_bytes())
    load = next(one for one in told["bench"]["instruments"] if one["role"] == "load")
    load["identity"] = load["identity"].replace(load["serial"], "another")
    folder.result_json.write_text(json.dumps(told))
    return again(folder, bench, seen_off=serial(folder))


def left_on(folder: RunFolder, bench: Heard) -> Next:
    bench.connect("load").feed(b"CURR 1;INP ON\n")
    bench.said.clear()
    return again(folder, bench, seen_off=serial(folder))


def other_bench(folder: RunFolder, bench: Heard) -> Next:
    text = (folder.inputs / "bench.toml").read_text().replace("lead_mohm = 16.0", "lead_mohm = 15.0", 1)
    place = folder.path.parent / "bench.toml"
    place.write_text(text)
    return again(folder, bench, seen_off=serial(folder), bench=str(place))


REFUSED: dict[str, tuple[Callable[[RunFolder, Heard], Next], type[UserError], str]] = {
    "nobody is there": (nobody, PreflightRefused, "nobody is there to say so"),
    "not a word off the thing": (wrong_word, PreflightRefused, "yes typed, not the serial number on the load itself"),
    "a word off another thing": (of_the_other, PreflightRefused, "look at the bench"),
    "a file was changed": (changed_file, Usage, "not as the run used it"),
    "other limits now": (other_limits, Usage, "low volts: 9.4 V when the run died, 9.6 V now"),
    "another instrument": (other_instrument, PreflightRefused, "put the same one back"),
    "something is on": (left_on, PreflightRefused, "is on"),
    "another bench file": (other_bench, Usage, "not the bench of that run"),
}


@pytest.mark.parametrize("what", REFUSED)
def test_refused(what: str, folder: RunFolder) -> None:
    act, kind, words = REFUSED[what]
    bench = Heard()
    with pytest.raises(kind, match=words) as caught:
        act(folder, bench)
    assert "\n" not in str(caught.value)
    assert bench.only_asked


def test_the_same_bench_at_another_address(folder: RunFolder) -> None:
    place = folder.path.parent / "bench.toml"
    place.write_text((folder.inputs / "bench.toml").read_text() + "\n# moved to another desk\n")
    assert again(folder, Heard(), seen_off=serial(folder), bench=str(place)).goes_on is None


def test_dialect_files_beside_the_bench_file_are_kept_with_the_run(tmp_path: Path) -> None:
    """So that the kept copy can be used like the file itself, from wherever it lies."""
    from importlib import resources

    dialect = resources.files("drivers").joinpath("dialects/scpi-load.toml").read_text()

    def own(text: str) -> str:
        return text.replace('dialect = "scpi-load"', 'dialect = "mine.toml"')

    place = tmp_path / "files"
    place.mkdir()
    whole = ended(place, "c-rate", "rates_it=0.2", "step_s=2", "rest_s=6", edit=own, beside={"mine.toml": dialect})
    assert whole.done.exit_code == 0
    folder = died(whole, tmp_path, rows=round(0.9 * whole.rows))
    assert (folder.inputs / "mine.toml").read_text() == dialect
    assert folder.changed_inputs() == ()
    assert again(folder, Heard(), seen_off=serial(folder)).goes_on is None
    given = place / "bench.toml"
    given.write_text((folder.inputs / "bench.toml").read_text())
    (place / "mine.toml").write_text(dialect)
    assert again(folder, Heard(), seen_off=serial(folder), bench=str(given)).goes_on is None
    (place / "mine.toml").write_text(dialect + "\n")
    with pytest.raises(Usage, match="not the bench of that run"):
        again(folder, Heard(), seen_off=serial(folder), bench=str(given))


def test_a_run_that_came_to_its_end(whole: Ended) -> None:
    with pytest.raises(Usage, match=r"came to its end \(finished\), nothing to resume"):
        look_back(whole.done.folder.path)


def test_a_run_whose_off_was_not_confirmed(folder: RunFolder) -> None:
    told = json.loads(folder.result_json.read_bytes())
    folder.result_json.write_text(json.dumps(told | {"outcome": "unsafe", "exit_code": 99}))
    with pytest.raises(Usage, match="treat the bench as live; `nightbench safe` first"):
        look_back(folder.path)


def test_a_run_that_is_on(folder: RunFolder) -> None:
    with FileLock(folder.path / ".running"), pytest.raises(Busy, match="this run is on"):
        look_back(folder.path)


# -- the run is on, or somebody else resumes it ------------------------------------------------------------------------


@pytest.fixture
def reached(folder: RunFolder, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A bench file of the run whose instruments are somewhere on the loopback: those have locks and notes."""
    monkeypatch.setenv("NIGHTBENCH_STATE", str(tmp_path / "state"))
    ports = iter(range(4101, 4200))
    text = (folder.inputs / "bench.toml").read_text(encoding="utf-8")
    given = tmp_path / "reached.toml"
    given.write_text(
        re.sub(r'"sim:[^"]+"', lambda _: f'"TCPIP::127.0.0.1::{next(ports)}::SOCKET"', text), encoding="utf-8"
    )
    return given


def copy_of(folder: RunFolder, place: Path) -> RunFolder:
    return RunFolder.open(shutil.copytree(folder.path, place / "copied" / "elsewhere"))


def test_a_copy_of_a_run_that_is_on(
    folder: RunFolder, reached: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Ours: a folder copied while its run was on looked like one that had died, and `show` said that it had."""
    copy = copy_of(folder, tmp_path)
    before, lock = everything(copy), BenchLock(load_bench(reached))
    monkeypatch.chdir(folder.path.parent)
    lock.mark_live(Path(folder.path.name))  # as a run does that was started with --out .
    monkeypatch.chdir(tmp_path)
    with FileLock(folder.path / ".running"):
        with pytest.raises(Busy, match=f"a copy: this run is on in {folder.path}; stop it where it runs"):
            look_back(copy.path)
        page = " ".join(show_text(copy).split())
        assert page.startswith("elsewhere: running SIMULATED: no real battery was measured. A copy: the run is on in")
        assert "did not end normally" not in page
    assert on_elsewhere(copy) is None, "it died: then its copy is one of a run that died"
    assert look_back(copy.path).result.outcome == "interrupted"
    assert everything(copy) == before
    with pytest.raises(EarlierRunOpen, match="it may be live"):
        again(copy, Heard(), seen_off=serial(folder), bench=str(reached))


def test_a_note_of_another_run_is_not_taken_for_this_one(folder: RunFolder, reached: Path, tmp_path: Path) -> None:
    other = copy_of(folder, tmp_path)
    told = json.loads(other.result_json.read_bytes())
    other.result_json.write_text(json.dumps(told | {"started": "2026-01-01T00:00:00.000Z"}))
    BenchLock(load_bench(reached)).mark_live(other.path)
    with FileLock(other.path / ".running"):
        assert on_elsewhere(folder) is None


def test_a_bench_on_which_a_run_is_on_is_left_to_it(folder: RunFolder, reached: Path, tmp_path: Path) -> None:
    """It is not said to be one that nobody looks after: `nightbench safe` would end that run."""
    lock, bench = BenchLock(load_bench(reached)), Heard()
    lock.acquire()
    lock.mark_live(tmp_path / "another-run")
    asked: list[str] = []
    with pytest.raises(Busy, match=r"is held by another run \(.*another-run\), which may be live"):
        ready_again(
            look_back(folder.path), bench=str(reached), out=None, seen_off="", say=asked.append, ask=asked.append,
            home=Home(bench.clock, bench),
        )  # fmt: skip
    assert (asked, bench.said) == ([], [])
    lock.release()


def test_two_who_resume_one_run(folder: RunFolder, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Ours: both asked for the same word, and both went on with one sweep."""
    monkeypatch.setenv("NIGHTBENCH_STATE", str(tmp_path / "state"))
    copy = copy_of(folder, tmp_path)
    for first, second in ((folder, folder), (folder, copy), (copy, folder)):
        refused = pytest.raises(Busy, match="another `resume` of this run is on")
        with resumed_by_one(first), refused, resumed_by_one(second):
            pytest.fail("both are in")
    with pytest.raises(Usage, match="of the run itself"), resumed_by_one(folder):
        raise Usage("of the run itself")
    monkeypatch.setenv("NIGHTBENCH_STATE", "/dev/null/nowhere")
    with resumed_by_one(folder):  # nothing to lock with: a bench in memory may be gone on with all the same
        pass


def test_a_plan_that_is_not_allowed_any_more(folder: RunFolder) -> None:
    told = json.loads(folder.result_json.read_bytes())
    told["plan"]["rates_it"] = "9"
    folder.result_json.write_text(json.dumps(told))
    with pytest.raises(PlanRefused, match="9 It asks"):
        again(folder, Heard(), seen_off=serial(folder))
