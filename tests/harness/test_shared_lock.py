"""Two users of one computer, each with a state folder of their own, meet at one lock an instrument."""

from __future__ import annotations

import os
import stat
from pathlib import Path

import pytest

import harness.shared_lock
from harness.config import load_bench
from harness.errors import Busy, Usage
from harness.instrument_lock import holding, refuse_held
from harness.locks import BenchLock, address_lock
from harness.shared_lock import Held, SharedLock, common_place
from sims.bench import open_bench

NAMES = ("supply", "load", "meter", "thermometer")
AT = "TCPIP::127.0.0.1::{}::SOCKET"


@pytest.fixture
def common(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    place = tmp_path / "locks"
    place.mkdir()
    monkeypatch.setenv("NIGHTBENCH_LOCKS", str(place))
    return place


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    addresses = {name: AT.format(4000 + number) for number, name in enumerate(NAMES)}
    path = tmp_path / "bench.toml"
    path.write_text(open_bench("porch", now=lambda: 0.0).bench_toml(addresses), encoding="utf-8")
    return path


def user(name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NIGHTBENCH_STATE", str(tmp_path / name))


def test_another_user_s_harness_is_refused(
    bench: Path, common: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Ours: each of two users had a state folder, and so a lock, of their own, and both ran on one bench."""
    first, second = BenchLock(load_bench(bench)), BenchLock(load_bench(bench))
    user("one", tmp_path, monkeypatch)
    first.acquire()
    first.acquire_identities({"load": "OURS LOAD 77"})
    user("two", tmp_path, monkeypatch)
    with pytest.raises(Busy, match="is held by another run of another user of this computer, which may be live"):
        second.acquire()
    assert second.locks == []
    with pytest.raises(Busy, match=r"another user of this computer by another address of it"):
        second.acquire_identities({"load": "OURS LOAD 77"})
    with (
        pytest.raises(Busy, match="a run of another user of this computer holds this instrument"),
        holding(AT.format(4001)),
    ):
        pass
    monkeypatch.setattr("harness.instrument_lock.known_as", lambda _said: "OURS LOAD 77")
    with pytest.raises(Busy, match="a run of another user of this computer holds this instrument by another address"):
        refuse_held(b"OURS,LOAD,77,1.0", address=AT.format(5001))
    first.release()
    second.acquire()
    second.release()


def test_a_lock_goes_with_whoever_holds_it_and_its_file_stays(common: Path) -> None:
    one, two = SharedLock("a.lock"), SharedLock("a.lock")
    one.acquire()
    one.acquire()
    with pytest.raises(Held):
        two.acquire()
    one.release()
    one.release()
    two.acquire()
    (file,) = common.iterdir()
    assert file.name == "nightbench-a.lock"
    assert stat.S_IMODE(file.stat().st_mode) == 0o444, "whoever else comes may open it, whatever our umask"
    del two
    one.acquire()


def test_what_is_no_lock_file_is_neither_followed_nor_trusted(common: Path, tmp_path: Path) -> None:
    treasure = tmp_path / "treasure"
    treasure.write_text("kept", encoding="utf-8")
    for name, make in (
        ("link", lambda place: place.symlink_to(treasure)),
        ("dangling", lambda place: place.symlink_to(tmp_path / "made")),
        ("folder", lambda place: place.mkdir()),
        ("pipe", os.mkfifo),
    ):
        make(common / f"nightbench-{name}")
        with pytest.raises(Usage, match=f"nightbench-{name}: .*cannot keep other users of this computer off"):
            SharedLock(name).acquire()
    assert treasure.read_text(encoding="utf-8") == "kept"
    assert not (tmp_path / "made").exists()


def test_another_s_file_that_cannot_be_opened_is_refused(common: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def denied(*_: object) -> int:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("harness.shared_lock.os.open", denied)
    with pytest.raises(Usage, match="Permission denied: cannot keep other users"):
        SharedLock("a").acquire()


def test_a_file_that_was_taken_away_meanwhile_locks_nothing(common: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Between opening and locking it went: the lock is taken on the one that bears the name now."""
    place, plain, swaps = common / "nightbench-a", harness.shared_lock.fcntl.flock, [True]

    def flock(fd: int, how: int) -> None:
        plain(fd, how)
        if swaps and swaps.pop():
            place.unlink()

    monkeypatch.setattr("harness.shared_lock.fcntl.flock", flock)
    one, two = SharedLock("a"), SharedLock("a")
    one.acquire()
    with pytest.raises(Held):
        two.acquire()
    monkeypatch.setattr("harness.shared_lock.fcntl.flock", lambda fd, how: place.unlink())
    one.release()
    with pytest.raises(Usage, match="it goes away as soon as it is made"):
        one.acquire()


def test_who_is_refused_gives_back_their_own(
    bench: Path, common: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    user("one", tmp_path, monkeypatch)
    bad = common / f"nightbench-{address_lock(AT.format(4001)).name}"
    bad.mkdir()
    lock = BenchLock(load_bench(bench))
    with pytest.raises(Usage, match="cannot keep other users"):
        lock.acquire()
    bad.rmdir()
    BenchLock(load_bench(bench)).acquire()


@pytest.mark.parametrize(
    ("mode", "owner", "sound"),
    [
        (0o41777, 0, True),
        (0o41777, 1000, False),  # its owner may take away what is another's
        (0o40777, 0, False),  # everybody may
        (0o41755, 0, False),  # not everybody may lock
        (0o101777, 0, False),  # no folder
    ],
)
def test_which_folder_is_sound(mode: int, owner: int, sound: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("NIGHTBENCH_LOCKS")
    monkeypatch.setenv("TMPDIR", "/elsewhere")
    known = {"/run/lock": os.stat_result((mode, 0, 0, 0, owner, 0, 0, 0, 0, 0))}

    def looked(place: str) -> os.stat_result:
        if place not in known:
            raise FileNotFoundError(place)
        return known[place]

    monkeypatch.setattr("harness.shared_lock.os.stat", looked)
    assert common_place() == (Path("/run/lock") if sound else None)
    if not sound:
        SharedLock("a").acquire()  # nothing to meet at: one's own lock is what there is
        known["/tmp"] = os.stat_result((0o41777, 0, 0, 0, 0, 0, 0, 0, 0, 0))
        assert common_place() == Path("/tmp")


@pytest.mark.parametrize("given", ["locks", "/nowhere/at/all"])
def test_a_given_place_that_is_none(given: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NIGHTBENCH_LOCKS", given)
    with pytest.raises(Usage, match=r"NIGHTBENCH_LOCKS = .*no folder by its whole path"):
        common_place()
