"""A line protocol of our own invention, to prove that nothing assumes SCPI: a supply and a load that speak it.

One letter a command: a capital with digits sets, a small letter asks. Whole millivolts, milliamps and milliseconds,
padded with zeros, no unit, no sign unless below 0; a letter in front of each answer. Lines end with CR. ``I`` asks who
is there and is answered without a comma. No error queue: what it does not know it passes over.

There is a talkative variant of both: every order is answered with ``=>``, and what is on or off is told as bits of one
register.
"""

from __future__ import annotations

SUPPLY = """
kind = "supply"
words = "terse supply of the tests"
identity = ["TERSE SOURCE*"]
identity_ask = "I"
errors_ask = ""
not_supported = ["sense", "sink_amps"]

[line]
terminator = "\\r"
message_bytes = 8

[volts]
set = "V{}"
ask = "v"
reply = "V{}"
unit = "V"
per_unit = 1000
decimals = 0
least = 0
most = 40

[amps]
set = "A{}"
ask = "a"
reply = "A{}"
unit = "A"
per_unit = 1000
decimals = 0
step = 0.005
least = 0
most = 10

[output]
set_on = "S1"
set_off = "S0"
ask = "s"
reply_on = ["S1"]
reply_off = ["S0"]

[measured_volts]
ask = "u"
reply = "U{}"
unit = "V"
per_unit = 1000

[measured_amps]
ask = "j"
reply = "J{}"
unit = "A"
per_unit = 1000

[over_volts]
set = "P{}"
ask = "p"
reply = "P{}"
unit = "V"
per_unit = 1000
decimals = 0

[over_amps]
set_on = "R1"
set_off = "R0"
ask = "r"
reply_on = ["R1"]
reply_off = ["R0"]

[mode]
ask = "m"
mask = 3
form = "M{}"
reply = { 1 = "cv", 2 = "cc", 0 = "off" }

[protection]
clear = "C"
restores_output = true

[[trips]]
ask = "t"
bit = 0
reply = "T{}"
words = "over-volts protection tripped"
"""

LOAD = """
kind = "load"
words = "terse load of the tests"
identity = ["TERSE SINK*"]
identity_ask = "I"
errors_ask = ""
not_supported = ["sense"]

[line]
terminator = "\\r"
message_bytes = 8

[amps]
set = "A{}"
ask = "a"
reply = "A{}"
unit = "A"
per_unit = 1000
decimals = 0

[volts]
set = "V{}"
ask = "v"
reply = "V{}"
unit = "V"
per_unit = 1000
decimals = 0

[input]
set_on = "S1"
set_off = "S0"
ask = "s"
reply_on = ["S1"]
reply_off = ["S0"]

[function]
ask = "g"
set = { cc = "G1", cv = "G2", cr = "G3", cp = "G4" }
reply = { cc = ["G1"], cv = ["G2"], cr = ["G3"], cp = ["G4"] }

[measured_volts]
ask = "u"
reply = "U{}"
unit = "V"
per_unit = 1000

[measured_amps]
ask = "j"
reply = "J{}"
unit = "A"
per_unit = 1000

[low_volts]
set = "L{}"
ask = "l"
reply = "L{}"
unit = "V"
per_unit = 1000
decimals = 0

[low_volts_delay]
set = "D{}"
ask = "d"
reply = "D{}"
unit = "s"
per_unit = 1000
decimals = 0

[over_amps]
set = "P{}"
ask = "p"
reply = "P{}"
unit = "A"
per_unit = 1000
decimals = 0

[protection]
clear = "C"

[[trips]]
ask = "t"
bit = 1
reply = "T{}"
words = "own low-volts stop tripped"
"""


def talkative(text: str) -> str:
    """The dialect of the talkative variant of an instrument."""
    text = text.replace("message_bytes = 8\n", 'message_bytes = 8\norder_reply = "=>"\n')
    text = text.replace('ask = "s"\nreply_on = ["S1"]\nreply_off = ["S0"]', 'ask = "q"\nbit = 3\nform = "Q{}"')
    return text.replace('ask = "r"\nreply_on = ["R1"]\nreply_off = ["R0"]', 'ask = "q"\nbit = 4\nform = "Q{}"')


class Terse:
    """What both have: numbers by letter, and a switch that a trip holds off. ``order_reply`` is the answer to orders,
    "" for none.
    """

    identity = ""
    letters = ""

    def __init__(self, order_reply: str = "") -> None:
        self.order_reply = order_reply
        self.held = dict.fromkeys(self.letters, 0)
        self.on = self.before = False
        self.trips = 0
        self.heard: list[str] = []

    def __call__(self, line: bytes) -> bytes:
        text = line.decode("ascii")
        self.heard.append(text)
        answer = self.answer(text[:1], text[1:])
        if answer is None and text[:1].isupper() and self.order_reply:
            answer = self.order_reply
        return b"" if answer is None else answer.encode() + b"\r"

    def answer(self, letter: str, digits: str) -> str | None:
        if letter == "I":
            return self.identity
        if letter == "S" and digits in ("0", "1"):
            self.on = digits == "1" and not self.trips
        elif letter == "C":
            self.trips, self.on = 0, self.on or self.before
        elif letter in self.letters and digits.isdecimal():
            self.held[letter] = int(digits)
        self.watch()
        if digits:
            return None
        if letter.upper() in self.letters and letter.islower():
            return f"{letter.upper()}{self.held[letter.upper()]:05d}"
        return {
            "s": f"S{self.on:d}",
            "t": f"T{self.trips}",
            "q": f"Q{64 | self.held.get('R', 0) << 4 | self.on << 3 | self.trips:05d}",
            "u": f"U{self.volts():06d}",
            "j": f"J{self.amps():05d}",
        }.get(letter)

    def trip(self, bit: int) -> None:
        self.trips |= 1 << bit
        self.before, self.on = self.on, False

    def watch(self) -> None: ...

    def volts(self) -> int:
        return 0

    def amps(self) -> int:
        return 0


class TerseSupply(Terse):
    """Nothing hangs on it."""

    identity = "TERSE SOURCE 7"
    letters = "VAPR"

    def __init__(self, order_reply: str = "") -> None:
        super().__init__(order_reply)
        self.held["P"] = 99_999

    def answer(self, letter: str, digits: str) -> str | None:
        if letter == "r":
            return f"R{self.held['R']}"
        if letter == "A" and digits.isdecimal():
            digits = str(int(digits) // 5 * 5)  # it counts in fives and cuts off
        if letter == "m":
            return f"M{self.on:d}"
        return super().answer(letter, digits)

    def watch(self) -> None:
        if self.on and self.held["V"] > self.held["P"]:
            self.trip(0)

    def volts(self) -> int:
        return self.held["V"] if self.on else 0


class TerseLoad(Terse):
    """A source of 12.8 V with 50 mohm hangs on it."""

    identity = "TERSE SINK 3"
    letters = "AVLDPG"

    def __init__(self, order_reply: str = "") -> None:
        super().__init__(order_reply)
        self.held["G"] = 1

    def answer(self, letter: str, digits: str) -> str | None:
        if letter == "g":
            return f"G{self.held['G']}"
        return super().answer(letter, digits)

    def watch(self) -> None:
        if self.on and self.held["L"] > self.volts():
            self.trip(1)
            self.before = False

    def volts(self) -> int:
        return 12_800 - self.amps() // 20

    def amps(self) -> int:
        return self.held["A"] if self.on else 0
