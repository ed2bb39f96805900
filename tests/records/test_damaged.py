"""Each file of a run's folder, damaged in each way, read by each command: clear words, nothing written over.

``ROWS`` says what a command makes of it: it ``works`` as if nothing were, it ``tells`` the file's name and works all
the same, it ``refuses`` in one line that names the file, or it refuses ``otherwise``, for another good reason.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterator, Sequence
from fnmatch import fnmatch
from pathlib import Path

import pytest
from damage import DAMAGE, Said, applies, call, snapshot
from died import died, ended
from test_every_procedure import ASKED

FILES = {
    "ended": (
        "result.json", "samples.csv", "samples.csv-metadata.json", "events.jsonl", "wire.jsonl.gz",
        "inputs/bench.toml", "inputs/pack.toml", "inputs/SHA256SUMS", "SHA256SUMS",
    ),
    "died": (
        "result.json", "samples.csv", "samples.csv-metadata.json", "events.jsonl",
        "inputs/bench.toml", "inputs/pack.toml", "inputs/SHA256SUMS",
    ),
}  # fmt: skip

USUAL = {("ended", "resume"): 2, ("died", "resume"): 11, ("died", "replay"): 2}
"""Exit code of a command that finds nothing amiss, where it is not 0: there is nothing to resume, nobody is there to
type a serial number, and the copy of the run that died has no exchanges."""

EXPORTS = ("csv", "parquet", "figures", "xml", "zip")
OF_SHAPE = "future folder link pipe"
READ_ON = "missing empty truncated zeros hole something-else"

ROWS: tuple[tuple[str, str, str, str, str], ...] = (
    # run, file, damage, command, what it makes of it; the first row that fits counts
    ("*", "result.json", "missing", "show", "tells"),
    ("*", "result.json", "missing", "runs", "works"),
    ("*", "result.json", "missing folder pipe", "fit", "otherwise"),  # it died and has no result
    ("ended", "result.json", "future", "resume", "otherwise"),  # its outcome can be read: it ended
    ("*", "result.json", "*", "runs", "tells"),
    ("*", "result.json", "*", "*", "refuses"),
    ("*", "*", "*", "runs", "works"),
    ("*", "samples.csv", "truncated", "csv parquet", "tells"),
    ("*", "samples.csv", "*", "csv parquet", "refuses"),
    ("*", "samples.csv-metadata.json", OF_SHAPE, "csv parquet", "refuses"),
    ("ended", "*", "*", "show csv parquet figures xml zip", "tells"),
    ("ended", "*", "*", "resume", "works"),
    ("ended", "*", "*", "json", "works"),
    ("ended", "samples.csv", "truncated", "fit", "works"),  # a curve less; what is left is said in the verdict
    ("ended", "samples.csv", "*", "fit", "refuses"),
    ("ended", "samples.csv-metadata.json", OF_SHAPE, "fit", "refuses"),
    ("*", "events.jsonl", "empty zeros something-else future link", "fit", "refuses"),
    ("*", "inputs/*.toml", "*", "fit", "refuses"),
    ("*", "inputs/SHA256SUMS", "missing empty", "fit resume show json", "works"),  # the result has the sums too
    ("*", "inputs/SHA256SUMS", "*", "fit", "refuses"),
    ("*", "*", "*", "fit", "works"),
    ("died", "*", "link pipe", "zip", "tells"),
    ("died", "*", "*", "csv parquet figures xml zip", "works"),
    ("died", "samples.csv", "truncated", "show", "tells"),
    ("died", "samples.csv", "truncated", "json", "works"),
    ("died", "samples.csv", "truncated", "resume", "tells"),
    ("died", "samples.csv-metadata.json", READ_ON, "*", "works"),
    ("died", "events.jsonl", "truncated", "json", "works"),
    ("died", "events.jsonl", "truncated", "resume show", "tells"),
    ("died", "*", "*", "show json", "tells"),
    ("died", "*", "*", "resume", "refuses"),
)


def _among(word: str, words: str) -> bool:
    return words == "*" or word in words.split()


def expected(run: str, file: str, damage: str, command: str) -> str:
    """What the table says."""
    kind = damage.replace(" ", "-")
    for runs, files, damages, commands, way in ROWS:
        fits = fnmatch(run, runs) and fnmatch(file, files)
        if fits and _among(kind, damages) and _among(command, commands):
            return way
    raise AssertionError(f"no row for {run}, {file}, {damage}, {command}")


def words_of(command: str, run: Path, beside: Path, other: str) -> tuple[str, ...]:
    """The command line. ``other``: a run of a UPS, without which there is no verdict."""
    to = beside / {"csv": "a.csv", "figures": "f.csv"}.get(command, f"a.{command}")
    of = ("--of", "figures") if command == "figures" else ()
    return {
        "runs": ("runs", "--out", str(run.parent)),
        "show": ("show", str(run)),
        "json": ("show", str(run), "--json"),
        "fit": ("fit", str(run), other),
        "resume": ("resume", str(run)),
        "replay": ("replay", str(run)),
        "report": ("report", str(run)),
    }.get(command, ("export", str(run), "--to", str(to), *of))


@pytest.fixture(scope="module")
def runs(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    place = tmp_path_factory.mktemp("whole")
    (bench, sets), (ups, of_ups) = ASKED["capacity"], ASKED["voltage-floor"]
    whole = ended(place, "capacity", *sets, scenario=bench)
    cut = died(whole, place, rows=20).path
    shutil.copy(whole.done.folder.samples_metadata, cut)
    floor = ended(place, "voltage-floor", *of_ups, scenario=ups).done.folder.path
    return {"ended": whole.done.folder.path, "died": cut, "floor": floor}


def damaged(source: Path, place: Path, file: str, damage: str) -> Path:
    """A copy of the run with that file damaged."""
    run = place / "runs" / source.name
    shutil.copytree(source, run)
    (run / ".running").unlink(missing_ok=True)
    DAMAGE[damage](run / file)
    return run


def wrong(said: Said, way: str, file: str, usual: int) -> str:
    """What is amiss with what was said; empty when nothing is."""
    if said.code == 1 or "Traceback" in said.text or "program error" in said.text:
        return "a program error"
    named = Path(file).name in said.text
    if way in ("works", "tells"):
        return f"exit code {said.code}" if said.code != usual else "not named" if way == "tells" and not named else ""
    if said.code != 2:
        return f"exit code {said.code}"
    return "not named" if way == "refuses" and not named else ""


def tried(run: str, file: str, source: Path, other: Path, place: Path, commands: Sequence[str]) -> Iterator[str]:
    """Every damage of one file under every command: what went wrong, a line each."""
    for damage in DAMAGE:
        if not applies(file, damage):
            continue
        here = place / damage.replace(" ", "-")
        folder = damaged(source, here, file, damage)
        before = snapshot(folder)
        for command in commands:
            way = expected(run, file, damage, command)
            said = call(*words_of(command, folder, here, str(other)))
            found = wrong(said, way, file, USUAL.get((run, command), 0))
            if found or snapshot(folder) != before:
                yield f"{damage}, {command} {way}: {found or 'FOLDER CHANGED'}: {said.text[:300]}"
            for left in here.glob("*.*"):
                assert way in ("works", "tells"), f"{command} left {left.name}"
                left.unlink()


COMMANDS = ("runs", "show", "json", *EXPORTS, "fit", "resume")


@pytest.mark.parametrize(("run", "file"), [(run, file) for run, files in FILES.items() for file in files])
def test_clear_words_and_nothing_written(run: str, file: str, runs: dict[str, Path], tmp_path: Path) -> None:
    assert list(tried(run, file, runs[run], runs["floor"], tmp_path, COMMANDS)) == []


@pytest.mark.parametrize("file", ["result.json", "wire.jsonl.gz", "samples.csv", "events.jsonl", "inputs/bench.toml"])
@pytest.mark.parametrize("damage", ["missing", "truncated", "something else", "future", "pipe"])
def test_replay_refuses_or_tells(file: str, damage: str, runs: dict[str, Path], tmp_path: Path) -> None:
    if not applies(file, damage):
        pytest.skip("no such damage")
    folder = damaged(runs["ended"], tmp_path, file, damage)
    before = snapshot(folder)
    said = call("replay", str(folder))
    assert "program error" not in said.text
    named = Path(file).name.removesuffix(".gz") in said.text
    assert (said.code == 2 and named) or (said.code == 1 and "NOT as recorded" in said.text), said
    assert snapshot(folder) == before


@pytest.mark.parametrize("file", ["result.json", "samples.csv", "events.jsonl", "inputs/pack.toml"])
@pytest.mark.parametrize("damage", ["truncated", "something else", "future"])
def test_report_refuses_or_says_so_on_its_page(file: str, damage: str, runs: dict[str, Path], tmp_path: Path) -> None:
    if not applies(file, damage):
        pytest.skip("no such damage")
    folder = damaged(runs["ended"], tmp_path, file, damage)
    before = snapshot(folder)
    said = call("report", str(folder))
    assert "program error" not in said.text
    after = snapshot(folder)
    if said.code:
        assert said.code == 2
        assert Path(file).name in said.text
    else:  # the record is left as it is; the page made of it may stand beside it
        assert Path(file).name in (folder / "report.html").read_text("utf-8")
        after = {name: told for name, told in after.items() if not name.startswith(("report.html", "plots"))}
    assert after == {name: told for name, told in before.items() if not name.startswith(("report.html", "plots"))}


def test_an_undamaged_run_is_read_by_all(runs: dict[str, Path], tmp_path: Path) -> None:
    for run in ("ended", "died"):
        place = tmp_path / run / "runs" / runs[run].name
        shutil.copytree(runs[run], place)
        (place / ".running").unlink(missing_ok=True)
        before = snapshot(place)
        for command in COMMANDS:
            said = call(*words_of(command, place, tmp_path / run, str(runs["floor"])))
            assert said.code == USUAL.get((run, command), 0), f"{run} {command}: {said}"
        assert snapshot(place) == before
