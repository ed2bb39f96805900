"""One harness an instrument: the second is refused, a killed run is not forgotten, a bench in memory needs no lock."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from lock_benches import (  # noqa: F401 - fixtures among them
    NAMES,
    PORTS,
    bench_at,
    bench_fixture,
    lock_on,
    other_fixture,
    state_fixture,
    unusable,
)

from harness.config import load_bench
from harness.errors import Busy, EarlierRunOpen
from harness.locks import SOME_RUN, BenchLock
from sims.bench import open_bench

# -- two at once -------------------------------------------------------------------------------------------------------


def test_two_processes_race_and_exactly_one_wins(bench: Path, other: Any) -> None:
    """Ten rounds; the two files name the same instruments in opposite order, so that neither may wait for the other."""
    two = [other(bench), other(bench_at(bench.parent, PORTS, backwards=True))]
    for number in range(10):
        for one in (two, two[::-1])[number % 2]:
            one.tell("take")
        answers = [one.answer() for one in two]
        assert sorted(answer.partition(":")[0] for answer in answers) == ["busy", "done"], answers
        assert [one.does("give") for one in two] == ["done", "done"]


def test_locks_are_taken_in_one_order_whatever_the_file_says(bench: Path) -> None:
    """Taken in two orders, each of two could take what the other one lacks, and both be refused."""
    orders = []
    for path in (bench, bench_at(bench.parent, PORTS, backwards=True)):
        lock = lock_on(path)
        lock.acquire()
        orders.append([one.place for one in lock.locks])
        lock.release()
    assert orders[0] == orders[1]
    assert len(set(orders[0])) == len(NAMES)


def test_the_second_is_refused_and_hears_of_the_first(bench: Path, other: Any, cli: Any, tmp_path: Path) -> None:
    first = other(bench)
    assert first.does("take") == "done"
    second = lock_on(bench)
    with pytest.raises(Busy, match=r"held by another run, which may be live; stop that run") as refusal:
        second.acquire()
    assert refusal.value.exit_code == 12
    assert second.locks == [], "what it had taken already is given back"
    assert first.does(f"live {tmp_path / 'runs' / 'first-run'}") == "done"
    pack = tmp_path / "pack.toml"
    pack.write_text(open_bench("porch", now=lambda: 0.0).pack_toml(), encoding="utf-8")
    words = ("--bench", bench, "--pack", pack)
    for command in (("run", "charge", *words, "--out", tmp_path / "runs"), ("check", *words)):
        cli(*command).refused(12, "held by another run (", "first-run", f"nightbench safe --bench {bench}")
    assert not list((tmp_path / "runs").glob("*")), "the refused run leaves no folder"
    first.kill()
    second.acquire()


@pytest.mark.parametrize("shared", NAMES)
def test_one_shared_instrument_is_enough(shared: str, bench: Path, state: Path) -> None:
    first = lock_on(bench)
    first.acquire()
    ports = {name: port if name == shared else port + 100 for name, port in PORTS.items()}
    second = lock_on(bench_at(bench.parent / "second", ports))
    with pytest.raises(Busy, match=rf"second/bench\.toml: {shared} \("):
        second.acquire()
    first.release()
    second.acquire()
    with pytest.raises(Busy):
        first.acquire()


def test_benches_that_share_nothing_do_not_meet(bench: Path) -> None:
    first = lock_on(bench)
    second = lock_on(bench_at(bench.parent / "second", {name: port + 100 for name, port in PORTS.items()}))
    first.acquire()
    second.acquire()
    assert len(first.locks) == len(second.locks) == len(NAMES)


def test_giving_back_twice_is_fine(bench: Path) -> None:
    lock = lock_on(bench)
    lock.acquire()
    lock.release()
    lock.release()
    lock.acquire()


# -- a run that was killed ---------------------------------------------------------------------------------------------


def test_a_killed_run_counts_as_live_until_safe_has_switched_off(
    on_sockets: Any, other: Any, cli: Any, tmp_path: Path, state: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    served = on_sockets.files
    killed = other(served.bench)
    assert killed.does("take") == "done"
    assert killed.does(f"live {tmp_path / 'killed-run'}") == "done"
    killed.kill()
    words = ("run", "charge", *served.words(), "--out", tmp_path / "runs")
    for _ in range(2):  # looking does not clear it
        cli(*words).refused(30, "killed-run", "may be live", f"`nightbench safe --bench {served.bench}`")
    # A safe that cannot reach every instrument has shown nothing for the one it did not reach.
    deaf = served.edited("bench", (r"(?<=role = \"load\"\naddress = \")[^\"]+", "TCPIP::127.0.0.1::1::SOCKET"))
    with monkeypatch.context() as patch:
        patch.setattr("harness.safeoff.LADDER_UNSAFE_S", 0.5)
        assert cli("safe", "--bench", deaf.bench).exit_code == 99
    cli(*words).refused(30, "killed-run")
    assert on_sockets.seen.only_asked or not on_sockets.seen.ever_on
    assert cli("safe", "--bench", served.bench).exit_code == 0
    assert not list(state.glob("*.live.json"))
    lock_on(served.bench).check_closed()
    assert not (tmp_path / "runs").exists() or not list((tmp_path / "runs").iterdir())


def test_a_bench_that_shares_one_instrument_with_it_is_held_too(bench: Path, tmp_path: Path) -> None:
    lock_on(bench).mark_live(tmp_path / "killed-run")
    ports = {name: port if name == "load" else port + 100 for name, port in PORTS.items()}
    with pytest.raises(EarlierRunOpen, match=r"load \(.*killed-run ended without showing that the bench was off"):
        lock_on(bench_at(tmp_path / "second", ports)).check_closed()
    lock_on(bench_at(tmp_path / "third", {name: port + 100 for name, port in PORTS.items()})).check_closed()


@pytest.mark.parametrize("note", ["", "{", "[]", '"run"', "{}", '{"run": ""}', "\udcff", "0" * 5000])
def test_a_note_that_cannot_be_read_still_counts(note: str, bench: Path, state: Path, tmp_path: Path) -> None:
    """A computer that lost its power may leave a note of no bytes, or of any."""
    lock = lock_on(bench)
    lock.mark_live(tmp_path / "run")
    for place in state.glob("*.live.json"):
        place.write_bytes(note.encode("utf-8", "surrogateescape"))
    with pytest.raises(EarlierRunOpen, match=SOME_RUN):
        lock.check_closed()
    lock.mark_off()
    lock.check_closed()


# -- a bench in memory -------------------------------------------------------------------------------------------------


def test_a_bench_in_memory_takes_no_lock(
    files: Any, cli: Any, quick: tuple[str, ...], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("NIGHTBENCH_STATE", str(unusable("below a file", tmp_path)))
    here = files()
    lock = lock_on(here.bench)
    lock.acquire()
    assert lock.locks == []
    lock.mark_live(tmp_path / "run")
    lock_on(here.bench).check_closed()
    assert cli("check", *here.words()).exit_code == 0
    told = cli("run", "charge", *here.words(), "--set", "longest_s=5", "--out", tmp_path / "runs")
    assert told.exit_code == 21


# -- one instrument, two addresses -------------------------------------------------------------------------------------


def test_an_instrument_is_locked_by_what_it_is_as_well(bench: Path, tmp_path: Path) -> None:
    elsewhere = bench_at(tmp_path / "elsewhere", {name: port + 1000 for name, port in PORTS.items()})
    one, other = BenchLock(load_bench(bench)), BenchLock(load_bench(elsewhere))
    one.acquire()
    one.acquire_identities({"load": "OURS LOAD 77"})
    other.acquire()
    with pytest.raises(Busy) as caught:
        other.acquire_identities({"supply": "OURS SUPPLY 78", "load": "OURS LOAD 77"})
    assert "load (OURS LOAD 77) is held by another run by another address of it" in str(caught.value)
    one.release()
    other.acquire()
    other.acquire_identities({"load": "OURS LOAD 77"})
    other.release()


def test_who_is_refused_by_identity_holds_nothing_back(bench: Path, tmp_path: Path) -> None:
    elsewhere = bench_at(tmp_path / "elsewhere", {name: port + 1000 for name, port in PORTS.items()})
    one, other, third = (BenchLock(load_bench(path)) for path in (bench, elsewhere, elsewhere))
    one.acquire_identities({"load": "OURS LOAD 77"})
    other.acquire()
    with pytest.raises(Busy):
        other.acquire_identities({"load": "OURS LOAD 77"})
    third.acquire()
    third.release()
    one.release()


