"""The guard over VXI-11: against a small server, on the loopback; and a killed run on a served bench behind one."""

from __future__ import annotations

import contextlib
import re
import socket
import struct
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from accepting import exactly
from guard_bench import given, served
from guard_fakes import TOLD
from scripted import Act, Script
from vxi11_line import CLEAR, LAST_FRAGMENT, WRITE, Vxi11Backend

from harness import guard, guard_lines, guard_vxi11
from harness.config import load_bench
from harness.connect import connect
from harness.guard_lines import Line
from harness.guard_orders import orders_of
from harness.guard_outputs import Output


class Server(Vxi11Backend):
    """``wrap(reply)`` makes what is sent of the bytes of an answer, ``accepted`` is its state, ``error`` the error of a
    procedure, ``asked`` program and procedure of each call."""

    def __init__(self, script: Script, folder: Path) -> None:
        self.wrap: Callable[[bytes], bytes] = whole
        self.accepted = 0
        self.error: dict[int, int] = {}
        self.asked: list[tuple[int, int]] = []
        super().__init__(script, folder)

    def _serve(self, client: socket.socket) -> None:
        with contextlib.suppress(OSError, EOFError), client:
            while True:
                (head,) = struct.unpack("!I", exactly(client, 4))
                call = exactly(client, head & ~LAST_FRAGMENT)
                number, _, _, program, _, procedure = struct.unpack("!6I", call[:24])
                self.asked.append((program, procedure))
                if procedure == guard_vxi11.GETPORT:
                    result = struct.pack("!I", self.port)
                else:
                    result = self._do(procedure, call[40:])
                if self.deaf:
                    continue
                if procedure in self.error:
                    result = struct.pack("!3I", self.error[procedure], 0, 0)
                reply = struct.pack("!6I", number, 1, 0, 0, 0, self.accepted) + result
                client.sendall(self.wrap(reply))


def whole(reply: bytes) -> bytes:
    return struct.pack("!I", LAST_FRAGMENT | len(reply)) + reply


def fragments(reply: bytes) -> bytes:
    pieces = [reply[at : at + 5] for at in range(0, len(reply), 5)]
    heads = [len(piece) for piece in pieces[:-1]] + [LAST_FRAGMENT | len(pieces[-1])]
    return b"".join(struct.pack("!I", head) + piece for head, piece in zip(heads, pieces, strict=True))


@pytest.fixture
def server(tmp_path: Path) -> Iterator[Server]:
    script = Script()
    script.replies |= {b"ON?": [b"0\n"], b"AMPS?": [b"0.001\n"]}
    one = Server(script, tmp_path)
    yield one
    one.stop()


def way(server: Server, **more: Any) -> dict[str, Any]:
    told = {"kind": "vxi11", "host": "127.0.0.1", "port": server.port, "device": "inst0", "shared": True}
    return told | {"terminator": "0a", "gap_s": None, "echo": False, "pace_s": 0.0, "boot_s": 0.0} | more


@pytest.fixture(autouse=True)
def _short(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(guard_lines, "REPLY_S", 0.1)
    monkeypatch.setattr("harness.guard_outputs.FRESH_APART_S", 0.0)


LINES = [[(text + "\n").encode().hex(), False] for text in ("REM", "OFF", "ON?", "AMPS?")]
SAID: dict[str, Any] = {
    **TOLD,
    "begin": [LINES[0]],
    "off": [LINES[1]],
    "ask": {**TOLD["ask"], "messages": [LINES[2]]},
    "amps": {**TOLD["amps"], "messages": [LINES[3]]},
}


def output(server: Server, **more: Any) -> Output:
    return Output("psu", Line(way(server, **more)), SAID)


@pytest.mark.parametrize("wrap", [whole, fragments])
def test_off_is_sent_and_confirmed(wrap: Callable[[bytes], bytes], server: Server) -> None:
    server.wrap = wrap
    one = output(server)
    assert one.switch_off()
    one.look()
    assert one.off.is_set(), one.last
    assert one.last == "says off, 0.001 A, 0.001 A"
    assert server.script.heard == [Script.CLEAR, b"REM", b"OFF", b"ON?", b"AMPS?", b"AMPS?"]
    one.let_go()
    assert server.asked[-1][1] == guard_vxi11.DESTROY_LINK


def test_its_port_from_the_port_mapper(server: Server, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(guard_vxi11, "PORT_MAPPER_PORT", server.port)
    assert output(server, port=0).switch_off()
    assert server.asked[0] == (100_000, guard_vxi11.GETPORT)
    assert server.asked[1] == (0x0607AF, guard_vxi11.CREATE_LINK)
    assert server.script.heard[-1] == b"OFF"


def test_a_message_in_pieces(server: Server) -> None:
    line = Line(way(server))
    line.open()
    line._whole._chunk = 2  # type: ignore[union-attr]
    line.send(b"OFF 1\n")
    assert [procedure for _, procedure in server.asked].count(WRITE) == 3
    line.close()


def test_who_has_no_clear_is_told_off_all_the_same(server: Server) -> None:
    server.error = {CLEAR: 8}
    one = output(server)
    assert one.switch_off()
    one.look()
    assert one.off.is_set(), one.last


@pytest.mark.parametrize(
    ("arrange", "words"),
    [
        ({"deaf": True}, "TimeoutError: "),
        ({"accepted": 1}, "ConnectionError: RPC: no such program (program 0x607af)"),
        ({"wrap": lambda reply: struct.pack("!I", LAST_FRAGMENT | 8) + reply[:8]}, "too short an answer (8 bytes)"),
        ({"wrap": lambda reply: struct.pack("!I", LAST_FRAGMENT | 1 << 30)}, "a record of more than"),
        ({"wrap": lambda reply: struct.pack("!I", LAST_FRAGMENT | len(reply)) + b"\1" + reply[1:]}, "another call"),
        ({"error": {guard_vxi11.CREATE_LINK: 9}}, "no more links"),
        ({"error": {WRITE: 11}}, "locked by somebody else"),
        ({"error": {WRITE: 77}}, "error 77"),
    ],
    ids=["silent", "wrong program", "short", "endless", "another's", "no links", "locked", "unknown"],
)
def test_what_may_be_wrong_there(arrange: dict[str, Any], words: str, server: Server) -> None:
    for key, value in arrange.items():
        setattr(server, key, value)
    one, began = output(server), time.monotonic()
    assert not one.switch_off()
    one.look()
    assert not one.off.is_set()
    assert words in one.last
    assert time.monotonic() - began < 1.0
    assert not one.line.is_open


def test_a_refused_port(server: Server) -> None:
    one = output(server)
    server.die()
    assert not one.switch_off()
    assert one.nobody_there


def test_a_silent_answer_is_no_word_and_the_line_is_new_after_it(server: Server) -> None:
    server.script.replies[b"ON?"] = []
    one = output(server)
    assert one.switch_off()
    assert one._ask("ask") == ""
    assert not one.line.is_open
    server.script.replies[b"ON?"] = [b"1\n"]
    assert one._ask("ask") == "1"
    one.let_go()


# -- a killed run ------------------------------------------------------------------------------------------------------


class Behind(Script):
    """Hands each message on to a socket of a served instrument, and its answer back."""

    def __init__(self, port: int) -> None:
        super().__init__()
        self._line = socket.create_connection(("127.0.0.1", port), timeout=2.0)

    def __call__(self, line: bytes) -> list[Act]:
        self.heard.append(line)
        self._line.sendall(line + b"\n")
        return [self._line.makefile("rb").readline()] if b"?" in line else []


def test_a_run_that_is_killed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Driver, orders and guard all by VXI-11; the run is a process of its own, and killed."""
    monkeypatch.setattr(guard_lines, "REPLY_S", 0.8)
    run = subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE)
    with contextlib.ExitStack() as ends, served(tmp_path, "tcp", {}) as bench:
        ends.callback(run.communicate)
        ends.callback(run.kill)
        place = tmp_path / "bench.toml"
        servers: list[Server] = []

        def behind(found: re.Match[str]) -> str:
            servers.append(Server(Behind(int(found[1])), tmp_path))
            ends.callback(servers[-1].stop)
            return f"TCPIP::127.0.0.1,{servers[-1].port}::inst0::INSTR"

        place.write_text(re.sub(r"TCPIP::127\.0\.0\.1::(\d+)::SOCKET", behind, place.read_text()))
        connection = connect(load_bench(place))
        ends.callback(connection.close)
        rig = connection.rig
        assert rig is not None
        assert rig.load is not None
        orders, unreachable = orders_of(rig)
        assert unreachable == ()
        assert {one["kind"] for one in orders["lines"].values()} == {"vxi11"}
        orders |= given(tmp_path, run.pid)
        one = guard.hear(orders, guard.sealed(orders), 0.0)
        rig.load.set_function("cc")
        rig.load.set_amps(amps=2.0)
        rig.load.switch(True)
        assert bench.bench.world.load.input_on
        one.act("test")
        assert run.wait(1) == -9
        assert not bench.bench.world.load.input_on
        assert {out.last.split(",")[0] for out in one.outputs.values()} == {"says off"}
