"""Settings of a serial port in the bench file: baud, data bits, parity, stop bits, flow control."""

from __future__ import annotations

from typing import Any

from drivers.wire_visa import SerialLine
from harness.keys import Keys

LINE_KEYS = ("baud", "data_bits", "parity", "stop_bits", "flow")

_WHOLE = {"baud": (50, 4_000_000), "data_bits": (5, 8), "stop_bits": (1, 2)}
_PARITY = {"none": "none", "n": "none", "even": "even", "e": "even", "odd": "odd", "o": "odd"}
_FLOW = ("none", "xon_xoff", "rts_cts")


def read_line(keys: Keys) -> SerialLine | None:
    """The settings of an ``ASRL`` address, 9600 baud 8N1 without flow control where the file does not say; None for any
    other address, where these keys are refused. Raises Usage."""
    given = [key for key in LINE_KEYS if keys.has(key)]
    address = keys.text("address", accepted="a VISA resource name or sim:SCENARIO/NAME")
    if not address.strip().upper().startswith("ASRL"):
        for key in given:
            keys.refuse(key, "a setting of a serial port, and this address is none", "take the line out")
        return None
    values: dict[str, Any] = {}
    for key, (low, high) in _WHOLE.items():
        if keys.has(key):
            values[key] = keys.whole(key, low=low, high=high)
    if keys.has("parity"):
        values["parity"] = _parity(keys)
    if keys.has("flow"):
        values["flow"] = keys.choice("flow", _FLOW)
    return SerialLine(**values)


def _parity(keys: Keys) -> str:
    """In words or by letter, in any case: manuals write 7E1."""
    accepted = '"none", "even" or "odd", or N, E, O'
    word = keys.text("parity", accepted=accepted)
    if word.casefold() not in _PARITY:
        keys.refuse("parity", "no parity", f"accepted: {accepted}")
    return _PARITY[word.casefold()]
