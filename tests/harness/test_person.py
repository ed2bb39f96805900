"""The person at the bench: orders, whether they are done, what was noticed; at a terminal and on a simulated bench."""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterator

import pytest

from harness.errors import PreflightRefused
from harness.person import ORDERS, AtTheTerminal, HandsRefused, ServedPerson, SimulatedPerson


class Hands:
    """A simulated bench as far as a person goes."""

    def __init__(self, answer: str = "done") -> None:
        self.answer = answer
        self.heard: list[str] = []

    def do(self, order: str) -> str:
        self.heard.append(order)
        return self.answer

    def noticed(self) -> list[tuple[float, str]]:
        return [(1.0, "warning"), (2.5, "output off")]


@pytest.mark.parametrize("order", ORDERS)
def test_hands_in_memory(order: str) -> None:
    hands = Hands()
    person = SimulatedPerson(hands)
    person.order(order)
    assert (hands.heard, person.done(), person.marks()) == ([order], True, ("warning", "output off"))


def test_hands_that_will_not() -> None:
    with pytest.raises(HandsRefused, match="wire ups: an output is on"):
        SimulatedPerson(Hands("an output is on")).order("wire ups")


class Port:
    """A control port that answers what it is told to answer, one line each; then hangs up."""

    def __init__(self, *answers: bytes) -> None:
        self.heard: list[bytes] = []
        self._answers = answers
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.control = f"127.0.0.1:{self._listener.getsockname()[1]}"
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def _serve(self) -> None:
        connection, _ = self._listener.accept()
        with connection, connection.makefile("rb") as lines:
            for answer in self._answers:
                self.heard.append(lines.readline())
                connection.sendall(answer)

    def close(self) -> None:
        self._listener.close()
        self._thread.join(timeout=5.0)


@pytest.fixture
def ports() -> Iterator[list[Port]]:
    made: list[Port] = []
    yield made
    for port in made:
        port.close()


def test_hands_of_a_served_bench(ports: list[Port]) -> None:
    ports.append(Port(b"done\n", b'[[3.25, "warning"]]\n', b"err an output is on\n"))
    person = ServedPerson(ports[0].control)
    person.order("mains on")
    assert person.marks() == ("warning",)
    with pytest.raises(HandsRefused, match="wire pack: an output is on"):
        person.order("wire pack")
    assert ports[0].heard == [b"do mains on\n", b"noticed\n", b"do wire pack\n"]
    person.close()


@pytest.mark.parametrize("noise", [b"", b"nonsense\n", b"[1, 2]\n", b"{}\n", b"\xff\xfe\n"])
def test_a_served_bench_that_talks_nonsense_was_not_noticed_to_do_anything(ports: list[Port], noise: bytes) -> None:
    ports.append(Port(noise))
    assert ServedPerson(ports[0].control).marks() == ()


def test_a_served_bench_that_has_gone_away_does_nothing(ports: list[Port]) -> None:
    ports.append(Port())
    with pytest.raises(HandsRefused, match=r"gone away|does not answer"):
        ServedPerson(ports[0].control).order("mains off")


@pytest.mark.parametrize("control", ["127.0.0.1:1", "nowhere", "127.0.0.1:many"])
def test_no_served_bench(control: str) -> None:
    with pytest.raises(PreflightRefused, match="nobody is there"):
        ServedPerson(control)


class Broken:
    """A screen that has gone away."""

    def ordered(self, order: str) -> None: ...

    def has_done(self) -> bool:
        raise OSError("gone")

    def warned(self) -> tuple[str, ...]:
        raise OSError("gone")


def test_a_terminal_that_is_gone_has_done_nothing_and_noticed_nothing() -> None:
    person = AtTheTerminal(Broken())  # type: ignore[arg-type]
    person.order("mains off")
    assert (person.done(), person.marks()) == (False, ())
