"""Whatever comes on the guard's lines of whole messages: an answer, nothing, or an error of a line; nothing else."""

from __future__ import annotations

import ctypes
import socket
import struct
from contextlib import suppress

from fake_usb import BULK, INTO
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.guard_usb import UsbTmc
from harness.guard_usb_place import Place
from harness.guard_vxi11 import LAST_FRAGMENT, Rpc, Vxi11

WORDS = st.lists(st.sampled_from([0, 1, 2, 5, 15, 16, 1 << 16, LAST_FRAGMENT, 0xFFFF_FFFF]), max_size=12)


class OneAnswer(Vxi11):
    """On a line on which these bytes come, whatever is asked."""

    def __init__(self, came: bytes) -> None:
        super().__init__({}, connect_s=0.1, reply_s=0.1, most_bytes=1000)
        rpc = Rpc.__new__(Rpc)
        ours, theirs = socket.socketpair()
        rpc._program, rpc._most, rpc._number, rpc._socket = (1, 1), 1000, 0, ours
        self._rpc = rpc
        with theirs:
            theirs.sendall(came)
            theirs.shutdown(socket.SHUT_WR)
            with suppress(OSError):
                self.got = self.read()
        self._hang_up()

    got: bytes | None = None


@settings(max_examples=60, deadline=None)
@given(WORDS, WORDS, st.booleans())
def test_over_vxi11(head: list[int], rest: list[int], framed: bool) -> None:
    body = struct.pack(f"!{len(rest)}I", *rest)
    if framed:  # an answer to this call, as far as its head goes
        body = struct.pack("!6I", 1, 1, 0, 0, 0, 0) + body
        came = struct.pack("!I", LAST_FRAGMENT | len(body)) + body
    else:
        came = struct.pack(f"!{len(head)}I", *head) + body
    got = OneAnswer(came).got
    assert got is None or got in body


@settings(max_examples=60, deadline=None)
@given(st.binary(max_size=40), st.booleans(), st.integers(0, 60))
def test_over_usb(came: bytes, headed: bool, size: int) -> None:
    if headed:
        came = struct.pack("<BBBBIB3x", 2, 1, 254, 0, size, 1) + came
    left = [came]

    def ioctl(fd: int, code: int, told: bytearray, mutate: bool) -> int:
        assert code == BULK
        endpoint, length, _, at = struct.unpack("@IIIP", told)
        if endpoint != INTO:
            return int(length)
        if not left:
            raise TimeoutError
        ctypes.memmove(at, left[0], len(left[0]))
        return len(left.pop())

    one = UsbTmc({}, connect_s=0.1, reply_s=0.1, most_bytes=1000, calls=(None, ioctl, None))
    one._fd, one._place, one._tag = 0, Place("", 0, 2, INTO, 64), 0
    with suppress(OSError):
        got = one.read()
        assert got is None or (headed and got == came[12 : 12 + size] and len(got) == size)
