"""Serial ports: their names, their settings, and how they are opened without disturbing what hangs on them.

The port is opened by PySerial itself, with all settings at once and each of them read back: through the VISA back end
it would be opened at 9600 first and changed afterwards, and some settings would be dropped on the way.
"""

from __future__ import annotations

import contextlib
import re
import sys
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from drivers.wire_stream import Stream

PARITIES = ("none", "even", "odd", "mark", "space")
FLOWS = ("none", "xon_xoff", "rts_cts", "dtr_dsr")
DATA_BITS = (5, 6, 7, 8)
STOP_BITS = (1, 1.5, 2)

_ADDRESS = re.compile(r"ASRL(.+?)(?:::INSTR)?", re.IGNORECASE)
_WINDOWS = re.compile(r"(?:\\\\\.\\)?(?:COM)?(\d+)", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class SerialLine:
    """Settings of a serial port; each is read back after it was set. ``baud`` is in bit/s.

    Words and their first letters are accepted, small or capital: "even" and "E". Raises ``ValueError`` for everything
    else, with what would be accepted.
    """

    baud: int = 9600
    data_bits: int = 8
    parity: str = "none"
    stop_bits: float = 1
    flow: str = "none"

    def __post_init__(self) -> None:
        if isinstance(self.baud, bool) or not isinstance(self.baud, int) or not 50 <= self.baud <= 4_000_000:
            raise ValueError(f"baud = {self.baud!r}: accepted: a whole number from 50 to 4000000 (bit/s)")
        for key, accepted in (("data_bits", DATA_BITS), ("stop_bits", STOP_BITS)):
            value = getattr(self, key)
            if isinstance(value, bool) or value not in accepted:
                raise ValueError(f"{key} = {value!r}: accepted: {', '.join(map(str, accepted))}")
        object.__setattr__(self, "parity", _word("parity", self.parity, PARITIES))
        object.__setattr__(self, "flow", _word("flow", self.flow, FLOWS))


def _word(key: str, value: object, accepted: tuple[str, ...]) -> str:
    text = str(value).strip().casefold().replace("-", "_").replace("/", "_") if isinstance(value, str) else ""
    if text in accepted:
        return text
    # Letters as on a data sheet (9600 7E1); those of flow would be of no use: none of its words is known by one.
    for word in accepted if key == "parity" else ():
        if text == word[0]:
            return word
    letters = f" (or {', '.join(word[0].upper() for word in accepted)})" if key == "parity" else ""
    raise ValueError(f"{key} = {value!r}: accepted: {', '.join(accepted)}{letters}")


def port_name(address: str, *, platform: str = sys.platform) -> str:
    """The name by which the system knows the port of an ``ASRL...`` address. Raises ``ConnectionError`` with a hint."""
    found = _ADDRESS.fullmatch(address.strip())
    port = found[1].strip() if found else ""
    windows = _WINDOWS.fullmatch(port)
    if not port or "::" in port:
        raise ConnectionError("no serial port after ASRL; write ASRL/dev/ttyUSB0::INSTR or ASRL3::INSTR (COM3)")
    if platform == "win32":
        return f"COM{int(windows[1])}" if windows else port
    if windows:
        raise ConnectionError(f"COM{int(windows[1])} is a name of Windows; write ASRL/dev/ttyUSB0::INSTR or the like")
    if platform == "darwin" and port.startswith("/dev/tty."):
        better = port.replace("/dev/tty.", "/dev/cu.")
        raise ConnectionError(f"{port} waits for a carrier that no instrument gives (macOS); write ASRL{better}::INSTR")
    return port


def open_port(name: str, line: SerialLine) -> Any:
    """A port of PySerial, open. Nothing is done to DTR and RTS beyond what the system does on opening: both stay on."""
    import serial

    port: Any = serial.serial_for_url(name, do_not_open=True)
    for key, value in _settings(line).items():
        setattr(port, key, value)
    port.open()
    _keep_lines_up(port)
    return port


def _keep_lines_up(port: Any) -> None:
    """Do not let DTR fall when the port is closed: its rise at the next opening restarts many an instrument, which
    would then be restarted by each attempt to bring the line back. (POSIX termios, HUPCL.) The first opening after the
    cable was plugged in raises it all the same; no program can help that.
    """
    try:
        import termios

        attributes = termios.tcgetattr(port.fileno())
        attributes[2] &= ~termios.HUPCL
        termios.tcsetattr(port.fileno(), termios.TCSANOW, attributes)
    except Exception:  # Windows has no such thing, nor have ports that are none
        return


def _settings(line: SerialLine) -> dict[str, object]:
    return {
        "baudrate": line.baud,
        "bytesize": line.data_bits,
        "parity": line.parity[0].upper(),
        "stopbits": line.stop_bits,
        "xonxoff": line.flow == "xon_xoff",
        "rtscts": line.flow == "rts_cts",
        "dsrdtr": line.flow == "dtr_dsr",
    }


class SerialStream(Stream):
    """A port of PySerial. Its time-out is set once: changing it re-configures the port on every call."""

    def __init__(
        self,
        name: str,
        *,
        line: SerialLine,
        timeout_s: float,
        opened: Callable[[str, SerialLine], Any] = open_port,
    ) -> None:
        self._slice_s = timeout_s / 16
        self._lower = opened(name, line)
        try:
            self._lower.timeout = self._slice_s
            self._lower.write_timeout = timeout_s
            self._read_back(line)
            # What an earlier session did not read would be taken for our first answer.
            self._lower.reset_input_buffer()
        except BaseException:
            with contextlib.suppress(Exception):  # closing must not hide why
                self._lower.close()
            raise

    def send(self, data: bytes, *, within_s: float) -> None:
        self._lower.write(data)

    def receive(self, within_s: float) -> bytes:
        # Whole slices, so that neither a clock nor a port re-configuration is needed: at most one slice late.
        for _ in range(max(1, round(within_s / self._slice_s))):
            if first := self._lower.read(1):
                return bytes(first) + self.waiting()
        return b""

    def waiting(self) -> bytes:
        count = self._lower.in_waiting
        return bytes(self._lower.read(count)) if count else b""

    def close(self) -> None:
        self._lower.close()

    def _read_back(self, line: SerialLine) -> None:
        """A port that cannot do a setting may drop it without a word; then nothing is sent through it."""
        for key, value in _settings(line).items():
            if getattr(self._lower, key) != value:
                setattr(self._lower, key, value)
            if (held := getattr(self._lower, key)) != value:
                raise ConnectionError(f"serial port: {key} = {value} was set, {held} is held; the port cannot do it")
