"""Looking before switching on: each thing that can be wrong is refused in words, and looking only asks."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from harness.clock import VirtualClock
from harness.config import load_bench
from harness.connect import Connection, connect, open_simulated
from harness.errors import PreflightRefused
from harness.job import Home, Job, Ready, prepare
from harness.preflight import look
from harness.preflight_check import Check, refuse_if_bad
from harness.procedure import procedures
from harness.run import check
from harness.zero_amps import zero_limits
from sims.bench import NAMES

Looks = Callable[..., dict[str, list[Check]]]


@pytest.fixture
def looks(files: Any) -> Looks:
    """Look at the cabinet's bench after ``act`` was done to its simulated world."""
    written = files()

    def looked(
        act: Callable[[Any], None] = lambda sim: None,
        *,
        changes: tuple[tuple[str, str], ...] = (),
        sets: tuple[str, ...] = (),
        procedure: str = "capacity",
    ) -> dict[str, list[Check]]:
        made = written.edited("bench", *changes) if changes else written
        clock = VirtualClock()
        sim = open_simulated("cabinet", now=clock.now, seed=None)
        act(sim)
        ready = prepare(Job(procedures()[procedure], made.bench, made.pack, sets=sets, home=Home(clock, sim)))
        found: dict[str, list[Check]] = {}
        for one in check(ready):
            found.setdefault(one.word, []).append(one)
        return found

    return looked


def spoil(name: str, change: Callable[[bytes], bytes]) -> Callable[[Any], None]:
    """Every answer of an instrument is changed on its way."""

    def act(sim: Any) -> None:
        connect = sim.connect

        def connected(which: str) -> Any:
            talker = connect(which)
            feed = talker.feed
            if which == name:
                talker.feed = lambda data: change(feed(data)) if b"MEAS" in data else feed(data)
            return talker

        sim.connect = connected

    return act


def say(name: str, message: str) -> Callable[[Any], None]:
    return lambda sim: sim.connect(name).feed(message.encode() + b"\n")


REFUSED = [
    ("reads too high", spoil("meter", lambda _: b"30.5\n"), "pack volts", r"30\.500 V .*too high; expected 16\.00 to"),
    ("reads too low", spoil("meter", lambda _: b"12.1\n"), "pack volts", r"under its floor; .*cells_in_series = 8"),
    ("says nan", spoil("meter", lambda _: b"9.91E37\n"), "readings", r"meter_volts: not a number"),
    ("no number", spoil("meter", lambda _: b"hello\n"), "meter", r"MEAS:VOLT:DC\? got b'hello'"),
    ("sense lead off", spoil("load", lambda raw: b"25.1\n" if b"2" in raw else raw), "load", r"25\.100 V, meter 26\.1"),
    (
        "current",
        spoil("load", lambda raw: b"0.9\n" if raw[:2] in (b"0.", b"-0") else raw),
        "load",
        r"reads 0\.900 A with",
    ),
    ("cold", spoil("thermometer", lambda _: b"-3.0\n"), "temperature", r"pack at -3\.0 degC, .*from 5 to 40 degC"),
    ("probe gone", spoil("thermometer", lambda _: b"9.91E37\n"), "readings", r"thermometer_temp_c: not a number"),
    ("load on", say("load", "CURR 1;INP ON"), "load", r"is on already, not by this run; .*nightbench safe"),
    ("supply on", say("supply", "VOLT 27;CURR 1;OUTP ON"), "supply", r"is on already"),
]


@pytest.mark.parametrize(("act", "what", "text"), [row[1:] for row in REFUSED], ids=[row[0] for row in REFUSED])
def test_refused(looks: Looks, act: Callable[[Any], None], what: str, text: str) -> None:
    refused = looks(act)["refused"]
    assert [one for one in refused if one.what.startswith(what) and re.search(text, one.text)], refused
    assert all("nan" not in one.text.replace("not a number", "") for one in refused)


def test_a_load_that_has_tripped_is_not_used(looks: Looks) -> None:
    def trip(sim: Any) -> None:
        # Its own low-volts stop, set above the pack's volts, acts as soon as it is switched on.
        talker = sim.connect("load")
        talker.feed(b"VOLT:PROT:LOW:DEL 0;:VOLT:PROT:LOW 30;:CURR 1;:INP ON\n")
        sim.world.advance_to(sim.world.t + 1.0)

    (one,) = looks(trip)["refused"]
    assert one.what.startswith("load (sim:cabinet/load)")
    assert "find out why, clear it at the instrument" in one.text


def test_all_good(looks: Looks) -> None:
    found = looks()
    assert set(found) == {"good"}
    looked_at = {one.what.partition(" (")[0] for one in found["good"]}
    assert looked_at == ({*NAMES} - {"contactor", "shunt", "lug"}) | {"pack volts", "temperature"}


def test_old_entries_of_an_error_queue_are_told_and_no_reason_to_refuse(looks: Looks) -> None:
    found = looks(say("load", "NO:SUCH:THING 1"))
    assert "refused" not in found
    (note,) = found["note"]
    assert note.what.startswith("load")
    assert "old entries in its error queue: -113" in note.text


def test_a_pack_taken_as_full_that_is_not(looks: Looks) -> None:
    (note,) = looks(sets=("charge_first=false",))["note"]
    assert "a full pack rests at about 26.88 V" in note.text


def test_a_pack_charged_lately_has_not_rested(looks: Looks) -> None:
    (note,) = looks(spoil("meter", lambda _: b"27.60\n"))["note"]
    assert "charged lately, not rested yet" in note.text


def test_no_thermometer_is_a_note_for_a_discharge_and_refused_for_a_charge(looks: Looks) -> None:
    ambient = ((r'measures = "pack"\ntemp', 'measures = "ambient"\ntemp'),)
    for sets, word in ((("charge_first=false",), "note"), ((), "refused")):
        (one,) = [one for one in looks(changes=ambient, sets=sets)[word] if one.what == "temperature"]
        assert "no thermometer on the pack" in one.text


def test_the_first_refusal_and_how_many_more() -> None:
    good, bad = Check("a", "good", "fine"), Check("b", "refused", "wrong")
    refuse_if_bad((good,))
    with pytest.raises(PreflightRefused, match=r"^b: wrong$"):
        refuse_if_bad((good, bad))
    with pytest.raises(PreflightRefused, match=r"^b: wrong \(and 2 more: `nightbench check` lists them\)$"):
        refuse_if_bad((bad, bad, good, bad))


def test_what_counts_as_no_current(files: Any) -> None:
    # 3 x (0.05 % of 15 A); for the load 3 x (0.02 % of 25 A) is less than 20 mA.
    limits = zero_limits(load_bench(files().bench))
    assert limits == pytest.approx({"supply": 0.0225, "load": 0.020})


@pytest.mark.parametrize(
    ("free_mb", "forecast_s", "says"),
    [
        (5, 0.0, "5 MB free at {out}, at least 200 MB needed (its record of 0:00:00 (h:mm:ss) is about 0 MB)"),
        (200, 3600.0, "at least 222 MB needed (its record of 1:00:00 (h:mm:ss) is about 11 MB); make room"),
        (223, 3600.0, ""),
        (1550, 12 * 3600.0, "at least 1555 MB needed (10 times its record of 12:00:00 (h:mm:ss), about 130 MB"),
        (1560, 12 * 3600.0, ""),
        (float("nan"), 0.0, "at least 200 MB needed"),
    ],
)
def test_a_full_disk(
    free_mb: float, forecast_s: float, says: str, files: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import shutil
    from types import SimpleNamespace

    made = files()
    ready: Ready = prepare(Job(procedures()["charge"], made.bench, made.pack))
    connection: Connection = connect(ready.site.bench)
    rig, clock = connection.rig, connection.clock
    assert rig is not None
    monkeypatch.setattr(shutil, "disk_usage", lambda _: SimpleNamespace(free=1e6 * free_mb))
    checks = look(site=ready.site, rig=rig, clock=clock, charging=True, out=tmp_path, forecast_s=forecast_s)
    (disk,) = [one for one in checks if one.what == "disk"]
    assert (disk.word == "refused") is bool(says)
    assert says.format(out=tmp_path) in disk.text
