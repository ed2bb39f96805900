"""Bench files: the one clear line a person reads about each mistake."""

from __future__ import annotations

from pathlib import Path

import pytest
from bench_texts import BY_ROLE, LOAD, Changes, lines, refusal, write

from harness.config import load_bench

ONE: list[tuple[str, Changes, str]] = [
    ("load", {"role": '"laod"'}, 'role = "laod": not one of the words known here; did you mean "load"? accepted: '
     '"supply" or "load" or "meter" or "thermometer" or "switch" or "contact"'),
    ("load", {"role": None}, 'role: missing; accepted: '
     '"supply" or "load" or "meter" or "thermometer" or "switch" or "contact"'),
    ("load", {"role": '"contactor"'}, 'role = "contactor": not one of the words known here; did you mean "contact"? '
     'accepted: "supply" or "load" or "meter" or "thermometer" or "switch" or "contact"'),
    ("load", {"max_volt": "60"}, "max_volt = 60: no such key; did you mean max_volts?"),
    ("load", {"adress": '"x"', "address": None}, 'adress = "x": no such key; did you mean address?'),
    ("load", {"fuse_amps": "15"}, "fuse_amps = 15: stands in the wrong table; "
     "it belongs above the first heading in brackets"),
    ("load", {"speed": "2"}, "speed = 2: stands in the wrong table; it belongs below the heading [clock]"),
    ("load", {"sense": '"remote"'}, 'sense = "remote": a lost sense lead is known only by the drop that should be '
     "there, and no lead data is given; add lead_mohm (both conductors), or lead_length_m (one way) and lead_mm2"),
    ("load", {"sense": '"4-wire"'}, 'sense = "4-wire": not one of the words known here; accepted: "local" or "remote"'),
    ("load", {"lead_mohm": "0"}, "lead_mohm = 0: zero is not possible here; accepted: a number from 0.01 to 1000 mohm"),
    ("load", {"lead_mohm": "-5"}, "lead_mohm = -5: negative; accepted: a number from 0.01 to 1000 mohm"),
    ("load", {"lead_mohm": "1001"}, "lead_mohm = 1001: above 1000 mohm; accepted: a number from 0.01 to 1000 mohm"),
    ("load", {"lead_mohm": "nan"}, "lead_mohm = nan: nan (not a number) is not a value a bench can keep to; "
     "accepted: a number from 0.01 to 1000 mohm"),
    ("load", {"lead_mohm": "24", "lead_mm2": "2.5"}, "lead_mohm = 24: the leads are given twice, also by lead_mm2; "
     "keep one of the two"),
    ("load", {"lead_length_m": "1.5"}, "lead_length_m = 1.5: length and cross-section belong together, lead_mm2 is "
     "missing; add lead_mm2"),
    ("load", {"lead_mm2": "2.5"}, "lead_mm2 = 2.5: length and cross-section belong together, lead_length_m is "
     "missing; add lead_length_m"),
    ("load", {"lead_mm2": "2", "lead_length_m": "1"}, "lead_mm2 = 2: not a cross-section of IEC 60228; "
     "accepted: 0.5, 0.75, 1, 1.5, 2.5, 4, 6, 10, 16; or give lead_mohm"),
    ("load", {"lead_mm2": "0.5", "lead_length_m": "50"}, "lead_length_m = 50: 100 m of 0.5 mm2 have 3900 mohm; "
     "accepted: leads of at most 1000 mohm"),
    ("load", {"lead_mm2": "2.5", "lead_length_m": "0"}, "lead_length_m = 0: zero is not possible here; "
     "accepted: a number from 0.01 to 100 m (one way)"),
    ("load", {"measures": '"pack"'}, 'measures = "pack": a load has no such key; '
     "a key of: meter, thermometer; take the line out"),
    ("load", {"own_over_volts_stop": "true"}, "own_over_volts_stop = true: a load has no such key; "
     "a key of: supply; take the line out"),
    ("supply", {"own_low_volts_stop": "true"}, "own_low_volts_stop = true: a supply has no such key; "
     "a key of: load; take the line out"),
    ("meter", {"sense": '"local"'}, 'sense = "local": a meter has no such key; '
     "a key of: supply, load; take the line out"),
    ("meter", {"measures": None}, 'measures: missing; accepted: "pack" or "load" or "supply" or "shunt"'),
    ("meter", {"measures": '"ups"'}, 'measures = "ups": not one of the words known here; '
     'accepted: "pack" or "load" or "supply" or "shunt"'),
    ("thermometer", {"measures": '"load"'}, 'measures = "load": not one of the words known here; '
     'accepted: "pack" or "ambient" or "lug"'),
    ("load", {"volts_accuracy_range_pct": "0.02"}, "volts_accuracy_range_pct = 0.02: a share of volts_range, which is "
     "missing; add volts_range = full scale in V"),
    ("load", {"amps_accuracy_range_pct": "0.02"}, "amps_accuracy_range_pct = 0.02: a share of amps_range, which is "
     "missing; add amps_range = full scale in A"),
    ("load", {"volts_accuracy_reading_pct": "-0.1"}, "volts_accuracy_reading_pct = -0.1: negative; "
     "accepted: a number from 0 to 10 %"),
    ("load", {"max_amps": '"30 A"'}, 'max_amps = "30 A": a text, not a number; '
     "accepted: a number from 0.001 to 1000 A"),
    ("load", {"max_amps": "30000"}, "max_amps = 30000: above 1000 A, looks like mA (then write 30); "
     "accepted: a number from 0.001 to 1000 A"),
    ("load", {"calibrated": '"last spring"'}, 'calibrated = "last spring": not a date; '
     "accepted: a date such as 2025-03-31"),
    ("load", {"calibrated": "2025"}, "calibrated = 2025: a number, not a date alone; "
     "accepted: a date such as 2025-03-31"),
    ("load", {"calibrated": "2025-03-31T10:00:00Z"}, "calibrated = 2025-03-31 10:00:00+00:00: a date or time, not a "
     "date alone; accepted: a date such as 2025-03-31"),
    ("load", {"name": '"Sink 1"'}, 'name = "Sink 1": cannot head a column of the record; '
     "accepted: a short name of letters, digits and _ that begins with a letter"),
    ("load", {"name": '"pack"'}, 'name = "pack": pack_volts and pack_amps are columns of the pack itself; '
     "write another name"),
    ("load", {"identity": '""'}, 'identity = "": an empty text; accepted: a part of its answer to *IDN?'),
    ("load", {"dialect": '"scpi-laod"'}, 'dialect = "scpi-laod": no dialect of that name for a load; '
     'did you mean "scpi-load"? '),
    ("load", {"dialect": '"mine.toml"'}, 'dialect = "mine.toml": no file '),
    ("load", {"dialect": None}, "dialect: missing; accepted: one of "),
    ("load", {"address": None}, "address: missing; accepted: a VISA resource name or sim:SCENARIO/NAME"),
    ("load", {"address": '"192.0.2.10"'}, 'address = "192.0.2.10": not a VISA resource name; '
     "write TCPIP::192.0.2.10::INSTR, or TCPIP::192.0.2.10::PORT::SOCKET for a socket"),
    ("load", {"address": '"192.0.2.10:5025"'}, 'address = "192.0.2.10:5025": not a VISA resource name; '
     "write TCPIP::192.0.2.10::5025::SOCKET for a socket"),
    ("load", {"address": '"/dev/ttyUSB0"'}, 'address = "/dev/ttyUSB0": not a VISA resource name; '
     "write ASRL/dev/ttyUSB0::INSTR for a serial port"),
    ("load", {"address": '"COM3"'}, 'address = "COM3": not a VISA resource name; '
     "write ASRL3::INSTR for a serial port"),
    ("load", {"address": '"TCPIP::192.0.2.10::5025"'}, 'address = "TCPIP::192.0.2.10::5025": port 5025 without the '
     "word SOCKET; write TCPIP::192.0.2.10::5025::SOCKET"),
    ("load", {"address": '"sim:cabinet"'}, 'address = "sim:cabinet": not of the form sim:SCENARIO/NAME; accepted: '),
]  # fmt: skip


@pytest.mark.parametrize(("role", "changes", "line"), ONE, ids=[line[:40] for _, _, line in ONE])
def test_the_line_a_person_reads_about_one_instrument(tmp_path: Path, role: str, changes: Changes, line: str) -> None:
    table = BY_ROLE[role]
    text = refusal(write(tmp_path, lines(table, changes)))
    named = (table | changes)["name"]
    assert text.startswith(f"instrument {named}: ")
    said = text.removeprefix(f"instrument {named}: ")
    assert said == line or (line.endswith((" ", ": ")) and said.startswith(line))


TOP: list[tuple[str, str, str]] = [
    ("", "", "name: missing; accepted: a name for the bench"),
    ('name = "b"\nfuse_amp = 1\n', "", "fuse_amp = 1: no such key; did you mean fuse_amps?"),
    ('name = "b"\nmax_volts = 60\n', "", "max_volts = 60: stands in the wrong table; "
     "it belongs below a heading [[instrument]]"),
    ('name = "b"\ncontrol = "a:1"\n', "", 'control = "a:1": stands in the wrong table; '
     "it belongs below the heading [clock]"),
    ('name = "b"\nfuse_amps = 0\n', "", "fuse_amps = 0: zero is not possible here; "
     "accepted: a number from 0.1 to 1000 A"),
    ('name = "b"\nloop_period_s = 2\n', "", "loop_period_s = 2: above 1 s; accepted: a number from 0.05 to 1 s"),
    ('name = "b"\nloop_period_s = 0.01\n', "", "loop_period_s = 0.01: below 0.05 s; "
     "accepted: a number from 0.05 to 1 s"),
    ('name = "b"\nloop_period_s = true\n', "", "loop_period_s = true: true or false, not a number; "
     "accepted: a number from 0.05 to 1 s"),
    ('name = "b"\nclock = "wall"\n', "", 'clock = "wall": a text, not a table; '
     "accepted: a heading [clock] with its keys below"),
    ('name = "b"\n', '[clock]\nkind = "fast"\n', '[clock] kind = "fast": not one of the words known here; '
     'accepted: "wall" or "stepped" or "scaled"'),
    ('name = "b"\n', '[clock]\nkind = "stepped"\n', "[clock] control: missing, a stepped clock is told the time over "
     'it; write control = "HOST:PORT"'),
    ('name = "b"\n', '[clock]\nkind = "stepped"\ncontrol = "5030"\n', '[clock] control = "5030": not HOST:PORT with a '
     'port from 1 to 65535; for example "127.0.0.1:5030"'),
    ('name = "b"\n', '[clock]\nkind = "stepped"\ncontrol = "a:70000"\n', '[clock] control = "a:70000": not HOST:PORT '
     'with a port from 1 to 65535; for example "127.0.0.1:5030"'),
    ('name = "b"\n', '[clock]\nspeed = 10\n', '[clock] speed = 10: only a scaled clock has a speed, this one is '
     '"wall"; write kind = "scaled"'),
    ('name = "b"\n', '[clock]\nkind = "scaled"\n', "[clock] speed: missing; accepted: a number from 0.001 to 100000"),
    ('name = "b"\n', '[clock]\nkind = "scaled"\nspeed = inf\n', "[clock] speed = inf: inf (infinite) is not a value a "
     "bench can keep to; accepted: a number from 0.001 to 100000"),
    ('name = "b"\n', '[clock]\nfuse_amps = 3\n', "[clock] fuse_amps = 3: stands in the wrong table; "
     "it belongs above the first heading in brackets"),
]  # fmt: skip


@pytest.mark.parametrize(("top", "clock", "line"), TOP, ids=[line[:40] for _, _, line in TOP])
def test_the_line_a_person_reads_about_the_bench(tmp_path: Path, top: str, clock: str, line: str) -> None:
    assert refusal(write(tmp_path, lines(LOAD, {}), top=top, clock=clock)) == line


def test_no_instruments_or_not_as_tables(tmp_path: Path) -> None:
    heads = "accepted: one heading [[instrument]] for each, with its keys below"
    assert refusal(write(tmp_path)) == f"instrument: missing; {heads}"
    assert refusal(write(tmp_path, top='name = "b"\ninstrument = []\n')).endswith(f"not a list of tables; {heads}")
    assert refusal(write(tmp_path, top='name = "b"\ninstrument = [1]\n')).endswith(f"not a list of tables; {heads}")
    single = refusal(write(tmp_path, top='name = "b"\n[instrument]\nname = "sink"\n'))
    assert single == "instrument = {a table}: a single table; write the heading with two brackets: [[instrument]]"
    unnamed = refusal(write(tmp_path, lines(LOAD, {"name": None})))
    assert unnamed.startswith("instrument 1: name: missing")


def test_a_clock_served_in_scaled_time(tmp_path: Path) -> None:
    clock = '[clock]\nkind = "scaled"\nspeed = 20\ncontrol = "localhost:5030"\n'
    assert load_bench(write(tmp_path, lines(LOAD, {}), clock=clock)).clock.speed == 20.0
