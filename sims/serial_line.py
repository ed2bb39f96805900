"""One direction of a serial line: bytes take the time their bit rate says.

Source: a start bit, 8 data bits and a stop bit make 10 bit times a byte (start-stop transmission, TIA-232; "8N1").

Not modelled: parity and other frame lengths, wrong rates (bytes then come out wrong on a real line), noise, flow
control, the FIFO of a UART.
"""

from __future__ import annotations

BITS_A_BYTE = 10

CHUNK_S = 0.005
"""Bytes are handed over in lots of about this much time, so that a fast line does not wake the loop at every byte."""


MOST_BYTES = 1 << 20
"""What is sent beyond these while they are still under way is lost, as in a buffer that runs over."""


class PacedLine:
    """Bytes go in at once and come out at ``baud`` bit/s; 0 is unpaced. Times are s on any one clock."""

    def __init__(self, *, baud: int) -> None:
        self._byte_s = BITS_A_BYTE / baud if baud else 0.0
        self._held = b""
        self._start_s = 0.0

    def put(self, data: bytes, *, now_s: float) -> None:
        """Bytes are sent; they follow those still under way."""
        if not self._held:
            self._start_s = now_s
        self._held = (self._held + data)[:MOST_BYTES]

    def take(self, *, now_s: float) -> bytes:
        """The bytes that have wholly arrived."""
        if not self._byte_s:
            return self.take_all()
        # A thousandth of a byte: whoever wakes up at ``due_s`` finds the byte there in spite of binary fractions.
        count = min(len(self._held), max(0, int((now_s - self._start_s) / self._byte_s + 1e-3)))
        out, self._held = self._held[:count], self._held[count:]
        self._start_s += count * self._byte_s
        return out

    def take_all(self) -> bytes:
        """All bytes, whether there is time for them or not."""
        out, self._held = self._held, b""
        return out

    @property
    def busy(self) -> bool:
        """True while bytes are under way."""
        return bool(self._held)

    @property
    def due_s(self) -> float | None:
        """When the next lot has arrived; None when nothing is under way."""
        if not self._held:
            return None
        lot = min(len(self._held), max(1, int(CHUNK_S / self._byte_s))) if self._byte_s else 0
        return self._start_s + lot * self._byte_s
