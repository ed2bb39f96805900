"""Dialect files: the shipped ones load, anything wrong is refused with file, key and what would be accepted."""

from __future__ import annotations

import pytest

from drivers.dialect import ContactDialect, DialectRefused, SupplyDialect, kind_of, load, shipped

METER = 'kind = "meter"\nwords = "w"\n[measured_volts]\nask = "V?"\nunit = "V"\n'
SUPPLY = """
kind = "supply"
words = "w"
[volts]
set = "V {}"
ask = "V?"
unit = "V"
decimals = 2
[amps]
set = "I {}"
ask = "I?"
unit = "A"
decimals = 3
[output]
set_on = "O1"
set_off = "O0"
ask = "O?"
[measured_volts]
ask = "MV?"
unit = "V"
[measured_amps]
ask = "MI?"
unit = "A"
"""


def test_shipped_ones_are_of_their_kind():
    kinds = {
        "supply": ("scpi-supply", "-two-quadrant", "-select", "-suffix", "-list", "-watchdog"),
        "load": ("scpi-load", "-mode", "-watchdog"),
        "meter": ("scpi-meter",),
        "thermometer": ("scpi-thermometer",),
        "switch": ("scpi-switch", "-route"),
        "contact": ("scpi-contact",),
    }
    found = {name if name[0] != "-" else names[0] + name: kind for kind, names in kinds.items() for name in names}
    assert {name: kind_of(load(name)) for name in shipped()} == found | {"scpi-shunt-meter": "meter"}
    assert [load(name).name for name in shipped()] == list(shipped())


def test_a_file_of_ones_own(tmp_path):
    path = tmp_path / "mine.toml"
    path.write_text(SUPPLY, "utf-8")
    dialect = load(path)
    assert isinstance(dialect, SupplyDialect)
    assert (dialect.name, dialect.over_volts, dialect.volts.half_step) == ("mine", None, 0.005)
    assert (dialect.line.terminator, dialect.output.reply_on) == ("\n", ("1", "ON"))


@pytest.mark.parametrize(
    ("old", "new", "line"),
    [
        ('words = "w"', 'words = "w"\ncolour = 1', "colour: unknown key; accepted: kind, words"),
        ("[amps]", "[amp]", "amp: unknown key; did you mean amps?"),
        ("decimals = 2", "decimal = 2", "volts.decimal: unknown key; did you mean decimals? accepted: ask, set, unit"),
        ("decimals = 2", "", "volts.decimals: missing"),
        ("decimals = 2", 'decimals = "2"', "volts.decimals = '2': expected `int`"),
        ("decimals = 2", "decimals = 12", "volts.decimals = 12: 0 to 9 is due"),
        ("decimals = 2", "decimals = 2\nstep = nan", "volts.step = nan: a finite number is due"),
        ("decimals = 2", "decimals = 2\nstep = 0.0", "volts.step = 0.0: above 0 and below 1000 is due"),
        ('set = "V {}"', 'set = "V"', "exactly one {}"),
        ('set = "V {}"', 'set = "V {}\\nO1"', "volts.set = 'V {}\\nO1': one line of printable ASCII is due"),
        ('unit = "A"', 'unit = "mA"', "amps.unit = 'mA': invalid enum value 'mA'; accepted: V, A"),
        ('ask = "O?"', 'ask = "O?"\nreply_on = ["1"]\nreply_off = ["1"]', "a reply must mean one thing"),
        ('ask = "O?"', 'ask = "O?"\nreply_on = ["on"]', "output.reply_on = 'on': 'ON' is due"),
        ('kind = "supply"', 'kind = "scope"', "kind = 'scope': invalid value 'scope'; accepted: supply, load"),
        ('kind = "supply"', "", "kind: missing; every dialect of this kind needs it; accepted: supply, load"),
        ("[volts]", "[volts", "line"),
    ],
)
def test_refused_with_file_key_and_reason(tmp_path, old, new, line):
    assert old in SUPPLY
    path = tmp_path / "mine.toml"
    path.write_text(SUPPLY.replace(old, new, 1), "utf-8")
    with pytest.raises(DialectRefused) as caught:
        load(path)
    text = str(caught.value)
    assert text.startswith(f"{path}: ")
    assert line in text
    assert "\n" not in text


@pytest.mark.parametrize(
    ("extra", "line"),
    [
        ('[mode]\nask = "M?"\nmask = 3\n[mode.reply]\n4 = "cv"\n', "mode.reply = '4': a whole number within mask = 3"),
        ('[mode]\nask = "M?"\nmask = 3\n[mode.reply]\n2 = "hot"\n', "invalid enum value"),
        ('[[trips]]\nask = "T?"\nword = "hot"\n', "trips[0].word: unknown key; did you mean words?"),
    ],
)
def test_refused_in_optional_tables(tmp_path, extra, line):
    path = tmp_path / "mine.toml"
    path.write_text(SUPPLY + extra, "utf-8")
    with pytest.raises(DialectRefused) as caught:
        load(path)
    assert line in str(caught.value)


CONTACT = 'kind = "contact"\nwords = "w"\n[closed]\nask = "C?"\n'


def test_a_contact_of_ones_own_says_which_answer_is_closed(tmp_path):
    path = tmp_path / "mine.toml"
    path.write_text(CONTACT + 'reply_on = ["LOW"]\nreply_off = ["HIGH"]\n', "utf-8")
    dialect = load(path)
    assert isinstance(dialect, ContactDialect)
    assert (dialect.closed.reply_on, dialect.closed.reply_off) == (("LOW",), ("HIGH",))


@pytest.mark.parametrize(
    ("extra", "line"),
    [
        ('set_on = "C1"\n', "closed.set_on: unknown key; accepted: ask, reply_on, reply_off"),
        ('reply_off = ["1"]\n', "a reply must mean one thing"),
        ('reply_on = ["low"]\n', "'LOW' is due: answers are compared in capitals"),
        ('[position]\nask = "C?"\n', "position: unknown key"),
    ],
)
def test_what_a_contact_has_not(tmp_path, extra, line):
    path = tmp_path / "mine.toml"
    path.write_text(CONTACT + extra, "utf-8")
    with pytest.raises(DialectRefused) as caught:
        load(path)
    assert line in str(caught.value)


def test_no_such_name_says_which_there_are():
    with pytest.raises(
        DialectRefused, match=r"scpi-suply: no such dialect; did you mean scpi-supply\? accepted: scpi-"
    ):
        load("scpi-suply")


def test_no_such_file(tmp_path):
    with pytest.raises(DialectRefused, match=r"none\.toml: cannot be read"):
        load(tmp_path / "none.toml")


def test_not_utf8(tmp_path):
    path = tmp_path / "mine.toml"
    path.write_bytes(METER.replace('"w"', '"\xb5"').encode("latin-1"))
    with pytest.raises(DialectRefused, match="UTF-8"):
        load(path)


def test_a_file_with_a_mark_in_front(tmp_path):
    """Some editors begin a UTF-8 file with a byte order mark."""
    path = tmp_path / "mine.toml"
    path.write_bytes(b"\xef\xbb\xbf" + METER.encode())
    assert load(path).name == "mine"
