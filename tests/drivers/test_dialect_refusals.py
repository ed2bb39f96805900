"""Wrong dialect files: each is refused in one line with file, key, value, reason and what would be accepted."""

from __future__ import annotations

import pytest

from drivers.dialect import DialectRefused, load, parse

SUPPLY = """
kind = "supply"
words = "w"
identity = ["OURS,*"]
not_supported = ["sense"]
[line]
terminator = "\\n"
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
[remote]
set = "R"
[protection]
clear = "CLR"
[[trips]]
ask = "T?"
words = "hot"
"""

SELECT = SUPPLY.replace("[remote]", '[channels]\nhow = "select"\nset = "C {channel}"\nask = "C?"\nmost = 3\n[remote]')

LOAD = """
kind = "load"
words = "w"
[amps]
set = "I {}"
ask = "I?"
unit = "A"
decimals = 3
[input]
set_on = "O1"
set_off = "O0"
ask = "O?"
[function]
ask = "F?"
[function.set]
cc = "F1"
cv = "F2"
[function.reply]
cc = ["1"]
cv = ["2"]
[measured_volts]
ask = "MV?"
unit = "V"
[measured_amps]
ask = "MI?"
unit = "A"
"""

COMMANDS = "';' begins a second command; one text is one command"

# What a text may hold.
TEXTS = [
    (SUPPLY, 'set = "V {}"', 'set = "V {};O1"', f"volts.set = 'V {{}};O1': {COMMANDS}"),
    (SUPPLY, 'ask = "MV?"', 'ask = "MV?;MI?"', f"measured_volts.ask = 'MV?;MI?': {COMMANDS}"),
    (SUPPLY, 'set_off = "O0"', 'set_off = "O0;"', f"output.set_off = 'O0;': {COMMANDS}"),
    (SUPPLY, 'set = "R"', 'set = "R;O1"', f"remote.set = 'R;O1': {COMMANDS}"),
    (SUPPLY, 'clear = "CLR"', 'clear = ["CLR", "A;B"]', f"protection.clear = 'A;B': {COMMANDS}"),
    (SUPPLY, 'words = "w"', 'words = "w"\nerrors_ask = "E?;E?"', f"errors_ask = 'E?;E?': {COMMANDS}"),
    (SUPPLY, 'words = "w"', 'words = "w"\nidentity_ask = "I;O1"', f"identity_ask = 'I;O1': {COMMANDS}"),
    (SUPPLY, 'words = "w"', 'words = "w"\nidentity_ask = ""', "identity_ask = '': a text is due"),
    (SUPPLY, 'set = "V {}"', 'set = "V {}\\nO1"', "volts.set = 'V {}\\nO1': one line of printable ASCII is due"),
    (SUPPLY, 'set = "V {}"', 'set = "V {}\\rO1"', "volts.set = 'V {}\\rO1': one line of printable ASCII is due"),
    (SUPPLY, 'set = "V {}"', 'set = "V {}\\u0000"', "volts.set = 'V {}\\x00': one line of printable ASCII is due"),
    (SUPPLY, 'set = "V {}"', 'set = "V\\u00a0{}"', "one line of printable ASCII is due"),
    (SUPPLY, 'set = "V {}"', 'set = "\\uff36 {}"', "one line of printable ASCII is due"),
    (SUPPLY, 'words = "w"', 'words = "a\\nb"', "words = 'a\\nb': one line of printable ASCII is due"),
    (SUPPLY, 'words = "w"', 'words = "\\u001b[2J"', "words = '\\x1b[2J': one line of printable ASCII is due"),
    (SUPPLY, 'set = "V {}"', 'set = "V"', "volts.set = 'V': exactly one {} is due, where the number goes"),
    (SUPPLY, 'set = "V {}"', 'set = "V {} {}"', "exactly one {} is due"),
    (SUPPLY, 'set = "V {}"', 'set = "V {volts}"', "exactly one {} is due"),
    (SUPPLY, 'set = "V {}"', 'set = "V {} {x}"', "only {} and {channel} are places for something"),
    (SUPPLY, 'set = "V {}"', 'set = "V {0.__class__} {}"', "only {} and {channel} are places for something"),
    (SUPPLY, 'ask = "V?"', 'ask = "V? {}"', "volts.ask = 'V? {}': no number goes into it; take the {} out"),
    (SUPPLY, 'ask = "V?"', 'ask = ""', "volts.ask = '': a text is due"),
    (SUPPLY, 'ask = "V?"', 'ask = "  "', "volts.ask = '  ': a text is due"),
    (SUPPLY, 'terminator = "\\n"', 'terminator = "O"', "it holds the terminator of [line]"),
    (SUPPLY, 'set = "I {}"', 'set = "V {}"', "amps.set = 'V {}': the same text stands in volts.set"),
    (SUPPLY, 'set_off = "O0"', 'set_off = "O1"', "output.set_off = 'O1': the same text stands in output.set_on"),
    (SUPPLY, 'ask = "O?"', 'ask = "O1"', "output.ask = 'O1': it is also the order of output.set_on"),
]

# Two things read off one answer.
TWICE = [
    (SUPPLY, 'ask = "MI?"', 'ask = "MV?"', "measured_amps.ask = 'MV?': measured_volts is read off the same answer"),
    (SUPPLY, 'ask = "I?"', 'ask = "V?"', "amps.ask = 'V?': volts is read off the same answer; give each its own"),
    (
        SUPPLY,
        "[remote]",
        "[over_amps]\nask='O?'\nset_on='X1'\nset_off='X0'\n[remote]",
        "over_amps.ask = 'O?': output is",
    ),
]

# Channels.
CHANNELS = [
    (
        SUPPLY,
        'ask = "V?"',
        'ask = "V{channel}?"',
        "volts.ask = 'V{channel}?': {channel} is used and [channels] is missing",
    ),
    (SELECT, 'how = "select"', 'how = "suffix"', "channels.set = 'C {channel}': only with how = \"select\""),
    (
        SELECT,
        'set = "C {channel}"',
        'set = "C 1"',
        "channels.set = 'C 1': with how = \"select\" in [channels] it needs",
    ),
    (SELECT, 'set = "C {channel}"', 'set = ""', "channels.set = '': with how = \"select\" the text that selects"),
    (SELECT, 'set = "C {channel}"', 'set = "C {channel};O1"', f"channels.set = 'C {{channel}};O1': {COMMANDS}"),
    (SELECT, 'ask = "C?"', 'ask = "C{channel}?"', "channels.ask = 'C{channel}?': it is for the whole instrument"),
    (SELECT, 'ask = "C?"', "", "channels.ask = '': with joined = false the question which channel is selected is due"),
    (SELECT, "most = 3", "most = 3\nreply = 'C'", "channels.reply = 'C': exactly one {} is due"),
    (SELECT, "most = 3", "most = 0", "channels.most = 0: least = 1 to 99999 is due"),
    (SELECT, "most = 3", "most = 3.5", "channels.most = 3.5: expected `int`"),
    (
        SELECT,
        'how = "select"',
        'how = "name"',
        "channels.how = 'name': invalid enum value 'name'; accepted: none, select",
    ),
    (SELECT, '[remote]\nset = "R"', '[remote]\nset = "R{channel}"', "remote.set = 'R{channel}': it is for the whole"),
    (
        SUPPLY,
        "[remote]",
        '[channels]\nhow = "suffix"\nmost = 2\n[remote]',
        "volts.ask = 'V?': with how = \"suffix\" in [channels] it needs {channel}, or it would reach another channel",
    ),
    (SUPPLY, "[remote]", '[channels]\nhow = "list"\nmost = 2\n[remote]', "it needs {channel}"),
]

# Numbers, words and ranges.
VALUES = [
    (SUPPLY, "decimals = 2", "decimals = 10", "volts.decimals = 10: 0 to 9 is due"),
    (SUPPLY, "decimals = 2", "decimals = -1", "volts.decimals = -1: 0 to 9 is due"),
    (SUPPLY, "decimals = 2", "decimals = true", "volts.decimals = True: expected `int`, got `bool`"),
    (SUPPLY, "decimals = 2", "decimals = 2\nstep = -0.1", "volts.step = -0.1: above 0"),
    (SUPPLY, "decimals = 2", "decimals = 2\nstep = 0.125", "volts.step = 0.125: cannot be sent with decimals = 2"),
    (SUPPLY, "decimals = 2", "decimals = 2\nstep = inf", "volts.step = inf: a finite number is due"),
    (SUPPLY, "decimals = 2", "decimals = 2\nleast = 5\nmost = 4", "volts.most = 4.0: more than least = 5 is due"),
    (SUPPLY, "decimals = 2", "decimals = 2\nmost = nan", "volts.most = nan: a finite number is due"),
    (SUPPLY, "decimals = 2", "decimals = 2\nper_unit = 0", "volts.per_unit = 0.0: above 0"),
    (SUPPLY, "decimals = 2", "decimals = 2\nper_unit = -1000", "volts.per_unit = -1000.0: above 0"),
    (SUPPLY, 'unit = "V"', 'unit = "A"', "volts.unit = 'A': accepted: V, or an empty text"),
    (SUPPLY, 'unit = "V"', 'unit = "mV"', "volts.unit = 'mV': invalid enum value 'mV'; accepted: V, A, Ohm, W"),
    (SUPPLY, 'ask = "MV?"', 'ask = "MV?"\nreply = "U"', "measured_volts.reply = 'U': exactly one {} is due"),
    (SUPPLY, 'ask = "MV?"', 'ask = "MV?"\nreply = "{}{}"', "exactly one {} is due"),
    (SUPPLY, 'ask = "MV?"', 'ask = "MV?"\nreply = "U{}*"', "leaves open where the number begins or ends"),
    (SUPPLY, 'ask = "MV?"', 'ask = "MV?"\nreply = "*{}"', "leaves open where the number begins or ends"),
    (SUPPLY, 'ask = "MV?"', 'ask = "MV?"\nreply = "{channel}"', "exactly one {} is due"),
    (SUPPLY, 'ask = "T?"', 'ask = "T?"\nbit = 63', "trips[0].bit = 63: 0 to 62 is due"),
    (SUPPLY, 'ask = "T?"', 'ask = "T?"\nbit = -1', "trips[0].bit = -1: 0 to 62 is due"),
    (SUPPLY, 'ask = "O?"', 'ask = "O?"\nbit = 32', "output.bit = 32: 0 to 31 is due"),
    (SUPPLY, 'ask = "O?"', 'ask = "O?"\nbit = -1', "output.bit = -1: 0 to 31 is due"),
    (SUPPLY, 'ask = "O?"', 'ask = "O?"\nbit = 1\nreply_on = ["ON"]', "output.reply_on: bit is also given; take one"),
    (SUPPLY, 'ask = "O?"', 'ask = "O?"\nbit = 1\nreply_off = ["0", "OFF"]', "output.reply_off: bit is also given"),
    (SUPPLY, 'ask = "O?"', 'ask = "O?"\nform = "S{}"', "output.form = 'S{}': only with bit; without it the whole"),
    (SUPPLY, 'ask = "O?"', 'ask = "O?"\nbit = 1\nform = "S"', "output.form = 'S': exactly one {} is due"),
    (SUPPLY, 'ask = "O?"', 'ask = "O?"\nbit = 1\nreply = "S{}"', "output.reply: unknown key; "),
    (
        SUPPLY,
        'ask = "O?"',
        'ask = "O?"\nbit = 1\n[sense]\nset_on="S1"\nset_off="S0"\nask="O?"\nbit=1',
        "not_supported = 'sense'",
    ),
    (
        SUPPLY,
        'ask = "O?"',
        'ask = "O?"\nbit = 1\n[over_amps]\nset_on="S1"\nset_off="S0"\nask="O?"\nbit=1',
        "over_amps.ask = 'O?': output is read off the same answer; give each its own question",
    ),
    (SUPPLY, 'ask = "O?"', 'ask = "O?"\nreply_on = []', "output.reply_on: at least one answer is due"),
    (SUPPLY, 'ask = "O?"', 'ask = "O?"\nreply_on = ["01"]', "output.reply_on = '01': '1' is due"),
    (SUPPLY, 'ask = "O?"', 'ask = "O?"\nreply_on = ["on"]', "output.reply_on = 'on': 'ON' is due"),
    (SUPPLY, 'ask = "O?"', 'ask = "O?"\nreply_on = ["0"]', "'0': it also stands in reply_on; a reply must mean one"),
    (
        SUPPLY,
        "[remote]",
        "[mode]\nask='M?'\nmask=3\n[mode.reply]\n4='cv'\n[remote]",
        "mode.reply = '4': a whole number",
    ),
    (SUPPLY, "[remote]", "[mode]\nask='M?'\nmask=0\n[mode.reply]\n[remote]", "mode.mask = 0: 1 to 2**63 - 1 is due"),
    (SUPPLY, "[remote]", "[mode]\nask='M?'\nmask=3\n[mode.reply]\n1='hot'\n[remote]", "accepted: cv, cc, off, driven"),
    (SUPPLY, 'terminator = "\\n"', 'terminator = ""', "line.terminator = '': without one, gap_s is due"),
    (SUPPLY, 'terminator = "\\n"', 'terminator = "abcde"', "line.terminator = 'abcde': at most 4 ASCII characters"),
    (SUPPLY, 'terminator = "\\n"', "gap_s = 0", "line.gap_s = 0.0: above 0 and at most 0.4 s is due"),
    (SUPPLY, 'terminator = "\\n"', "gap_s = 2", "line.gap_s = 2.0: above 0 and at most 0.4 s is due"),
    (SUPPLY, 'terminator = "\\n"', "pace_s = -1", "line.pace_s = -1.0: 0 to 0.5 s is due"),
    (SUPPLY, 'terminator = "\\n"', "pace_s = 60", "line.pace_s = 60.0: 0 to 0.5 s is due"),
    (SUPPLY, 'terminator = "\\n"', "message_bytes = -5", "line.message_bytes = -5: 4 to 1000000 is due, or 0"),
    (SUPPLY, 'terminator = "\\n"', "boot_s = -1", "line.boot_s = -1.0: 0 to 10 s is due"),
    (SUPPLY, 'terminator = "\\n"', "boot_s = 11", "line.boot_s = 11.0: 0 to 10 s is due"),
    (SUPPLY, 'terminator = "\\n"', 'order_reply = " OK"', "line.order_reply = ' OK': one word of up to 40 characters"),
    (SUPPLY, 'terminator = "\\n"', 'order_reply = "OK\\n"', "line.order_reply = 'OK\\n': one line of printable ASCII"),
    (SUPPLY, 'terminator = "\\n"', f'order_reply = "{41 * "K"}"', "one word of up to 40 characters without blanks"),
    (SUPPLY, 'terminator = "\\n"', 'terminator = ";"\norder_reply = "O;K"', "it holds the terminator; leave the end"),
    (SUPPLY, 'terminator = "\\n"', "order_reply = 1", "line.order_reply = 1: expected `str`, got `int`"),
    (SUPPLY, 'terminator = "\\n"', "echo = 1", "line.echo = 1: expected `bool`, got `int`"),
    (SUPPLY, 'not_supported = ["sense"]', 'not_supported = ["senses"]', "not_supported = 'senses': no table that may"),
    (SUPPLY, 'not_supported = ["sense"]', 'not_supported = ["volts"]', "accepted: remote, over_volts, over_amps"),
    (SUPPLY, 'not_supported = ["sense"]', 'not_supported = ["trips"]', "'trips': [trips] is also given; take one of"),
    (SUPPLY, 'identity = ["OURS,*"]', 'identity = [""]', "identity = '': a pattern is empty"),
    (SUPPLY, 'identity = ["OURS,*"]', 'identity = "OURS,*"', "identity = 'OURS,*': expected `array`, got `str`"),
    (SUPPLY, 'clear = "CLR"', 'clear = "CLR"\nlatches = false', "with latches = false there is nothing to clear"),
    (SUPPLY, 'words = "w"', 'words = "w"\nname = "x"', "name: unknown key"),
    (SUPPLY, "[remote]", "[remotes]", "remotes: unknown key; did you mean remote? accepted: kind, words, identity"),
    (SUPPLY, "[protection]", "[protection]\nclears = 1", "protection.clears: unknown key; did you mean clear?"),
    (SUPPLY, 'terminator = "\\n"', 'terminators = "x"', "line.terminators: unknown key; did you mean terminator?"),
    (SUPPLY, "[remote]", "[channel]", "channel: unknown key; did you mean channels?"),
    (SUPPLY, 'kind = "supply"', 'kind = ["supply"]', "kind: "),
    (SUPPLY, 'kind = "supply"', "kind = 1", "kind"),
    (LOAD, 'cv = ["2"]', "", "function.reply: the same words as in set are due: cc, cv"),
    (LOAD, 'cv = ["2"]', 'cv = ["1"]', "function.reply.cv = '1': it also stands in cc; a reply must mean one thing"),
    (LOAD, 'cv = "F2"', 'cx = "F2"', "function.reply: the same words as in set are due: cc, cx"),
    (LOAD, 'cc = "F1"', 'cp = "F1"', "function.reply: the same words as in set are due: cp, cv"),
    (LOAD, 'cv = "F2"', 'cv = "F1"', "function.set.cv = 'F1': the same text stands in function.set.cc"),
]


def of(text: str) -> str:
    with pytest.raises(DialectRefused) as caught:
        parse(text, where="some/mine.toml")
    return str(caught.value)


@pytest.mark.parametrize(("file", "old", "new", "line"), TEXTS + TWICE + CHANNELS + VALUES)
def test_refused_with_file_key_value_and_reason(file, old, new, line):
    assert old in file
    said = of(file.replace(old, new, 1))
    assert said.startswith("some/mine.toml: ")
    assert line in said
    assert said.isprintable()


@pytest.mark.parametrize("file", [SUPPLY, SELECT, LOAD])
def test_the_files_these_are_made_of_are_right(file):
    assert parse(file, where="some/mine.toml").name == "mine"


def test_a_load_holds_a_current_constant_and_nothing_unknown():
    words = LOAD.replace('cc = "F1"', 'cp = "F1"').replace('cc = ["1"]', 'cp = ["1"]')
    assert "function.set: cc is missing" in of(words)
    words = LOAD.replace('cv = "F2"', 'short = "F2"').replace('cv = ["2"]', 'short = ["2"]')
    assert "function.set.short: no function; accepted: cc, cv, cr, cp" in of(words)


@pytest.mark.parametrize(("bytes_", "fits"), [(8, True), (7, True), (6, False)])
def test_texts_longer_than_the_instrument_takes(bytes_, fits):
    text = SUPPLY.replace('terminator = "\\n"', f"message_bytes = {bytes_}").replace('"OURS,*"', '"*"')
    text = text.replace('words = "w"', 'words = "w"\nidentity_ask = "ID?"\nerrors_ask = ""').replace(
        '"V {}"', '"VOLT {}"'
    )
    if fits:  # VOLT, a blank, one digit at least, the terminator
        assert parse(text, where="x.toml")
    else:
        assert "volts.set = 'VOLT {}': 7 bytes with all that goes with it; [line] message_bytes = 6" in of(text)


def test_what_goes_with_a_selection_counts_too():
    head = 'words = "w"\nidentity_ask = "ID?"\nerrors_ask = ""'
    text = SELECT.replace('words = "w"', head).replace('how = "select"', 'how = "select"\njoined = true')
    # "C 3;:CLR" and its end are 9, "C?;:C 3;:MV?;:C?" and its end 17.
    assert parse(text.replace('terminator = "\\n"', "message_bytes = 17"), where="x.toml")
    assert "measured_volts.ask = 'MV?': 17 bytes" in of(text.replace('terminator = "\\n"', "message_bytes = 16"))


NESTED = "a = " + "[" * 3000 + "]" * 3000


@pytest.mark.parametrize(
    ("text", "line"),
    [
        (NESTED, "nested too deep"),
        (".".join("a" * 3000) + " = 1", "nested too deep"),
        ("decimals = " + "9" * 5000, "give TOML"),
        ("[volts", "give TOML"),
        ("a = 1\na = 2", "give TOML"),
        ('"\\u001b[2J\\n" = 1', "unknown key; a key is one line of printable ASCII"),
        ("", "kind: missing; every dialect of this kind needs it; accepted: supply, load, meter"),
        ('kind = "\\u0000"', "printable ASCII"),
    ],
    ids=["brackets", "dots", "digits", "open", "twice", "odd key", "empty", "odd kind"],
)
def test_files_that_are_no_dialect_at_all(text, line):
    said = of(text)
    assert line in said
    assert said.isprintable()


@pytest.mark.parametrize("name", ["a\0b.toml", "nobody/there.toml", ".toml", "/.toml"])
def test_names_that_are_no_file(name):
    with pytest.raises(DialectRefused, match="cannot be read"):
        load(name)
