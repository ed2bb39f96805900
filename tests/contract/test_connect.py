"""From a bench file to drivers: who is let in, what is said before that (questions only), and what is closed again."""

from __future__ import annotations

import socket
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

import harness.connect
from drivers.load import Load
from drivers.meter import Meter
from drivers.supply import Supply
from drivers.thermometer import Thermometer
from drivers.wire import Lost
from harness.clock import ScaledClock, SteppedClock, VirtualClock, WallClock
from harness.config import BenchFile, load_bench
from harness.connect import connect, make_clock, open_simulated, simulated_scenarios
from harness.errors import PreflightRefused, Usage
from sims.bench import open_bench

SIM = open_bench("porch", now=lambda: 0.0)


@pytest.fixture
def bench(tmp_path: Path) -> Callable[..., BenchFile]:
    """The porch's bench in memory; texts replaced, a [clock] table added."""

    def made(*changes: tuple[str, str], clock: dict[str, object] | None = None) -> BenchFile:
        text = SIM.bench_toml({name: f"sim:porch/{name}" for name in SIM.names}, clock=clock)
        for old, new in changes:
            assert old in text
            text = text.replace(old, new)
        path = tmp_path / "bench.toml"
        path.write_text(text, encoding="utf-8")
        return load_bench(path)

    return made


@pytest.fixture
def heard(monkeypatch: pytest.MonkeyPatch) -> list[bytes]:
    """All that any instrument in memory is told."""
    said: list[bytes] = []
    real = harness.connect.open_simulated

    def listened(scenario: str, **how: Any) -> Any:
        sim = real(scenario, **how)
        connect_ = sim.connect

        def connected(name: str) -> Any:
            talker = connect_(name)
            feed = talker.feed

            def fed(data: bytes) -> bytes:
                said.append(data)
                return feed(data)

            talker.feed = fed
            return talker

        sim.connect = connected
        return sim

    monkeypatch.setattr(harness.connect, "open_simulated", listened)
    return said


def test_each_role_gets_its_driver_and_only_its_identity_is_asked(bench: Any, heard: list[bytes]) -> None:
    connection = connect(bench())
    assert connection.rig is not None
    kinds = {name: type(driver) for name, driver in connection.rig.drivers.items()}
    assert kinds == {"supply": Supply, "load": Load, "meter": Meter, "thermometer": Thermometer}
    assert connection.rig.simulated
    assert heard == [b"*IDN?\n"] * 4
    connection.close()


REFUSED = [
    ((("SIM-LOAD,porch-2", "SIM-LOAD,porch-9"),), PreflightRefused, "expects 'NIGHTBENCH,SIM-LOAD,porch-9'"),
    ((("sim:porch/meter", "sim:porch/metre"),), PreflightRefused, "no instrument metre on the simulated bench porch"),
    ((("sim:porch/", "sim:porhc/"),), Usage, "did you mean porch?"),
    ((('"scpi-load"', '"scpi-supply"'),), Usage, "it is for a supply, the role is load"),
]


@pytest.mark.parametrize(("changes", "kind", "words"), REFUSED)
def test_refused(bench: Any, heard: list[bytes], changes: Any, kind: type[Exception], words: str) -> None:
    with pytest.raises(kind) as refusal:
        connect(bench(*changes))
    assert words in str(refusal.value)
    assert "\n" not in str(refusal.value)
    assert set(heard) <= {b"*IDN?\n"}


@pytest.mark.parametrize("name", SIM.names)
def test_an_answer_that_is_no_identity_is_refused(
    bench: Any, heard: list[bytes], monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    """Ours: asked who it is an instrument answers with a number, as one does whose late reply came first."""
    tapped = harness.connect.open_simulated

    def answering(scenario: str, **how: Any) -> Any:
        sim = tapped(scenario, **how)
        connect_ = sim.connect

        def connected(who: str) -> Any:
            talker = connect_(who)
            feed = talker.feed
            talker.feed = lambda data: b"12.8\n" if data == b"*IDN?\n" and who == name else feed(data)
            return talker

        sim.connect = connected
        return sim

    monkeypatch.setattr(harness.connect, "open_simulated", answering)
    role = name.upper()
    changed = (f'identity = "NIGHTBENCH,SIM-{role},porch-{SIM.names.index(name) + 1}"\n', "")
    with pytest.raises(PreflightRefused, match=f"{name}: .*is not an identity.*nothing was switched on"):
        connect(bench(changed))
    assert set(heard) <= {b"*IDN?\n", b"SYST:ERR?\n"}, "orders go to nobody"


@pytest.mark.parametrize("which", ["all", "one"])
def test_simulated_and_real_are_told_apart_by_what_they_answer(
    bench: Any, monkeypatch: pytest.MonkeyPatch, which: str
) -> None:
    # Nobody has a real instrument here: the maker's name by which a simulated one is known is changed instead.
    identity = harness.connect._makers

    def told(drivers: Any) -> dict[str, str]:
        makers = identity(drivers)
        return {name: "ACME" if which == "all" or name == "load" else maker for name, maker in makers.items()}

    monkeypatch.setattr(harness.connect, "_makers", told)
    if which == "all":
        connection = connect(bench())
        assert connection.rig is not None
        assert not connection.rig.simulated
    else:
        with pytest.raises(PreflightRefused, match="meter, supply, thermometer answer as simulated, load as real"):
            connect(bench())


@pytest.mark.parametrize(
    "clock", [{"kind": "stepped", "control": "127.0.0.1:9"}, {"kind": "scaled", "speed": 10.0}], ids=lambda c: c["kind"]
)
def test_a_simulated_clock_with_real_instruments(bench: Any, monkeypatch: pytest.MonkeyPatch, clock: Any) -> None:
    monkeypatch.setattr(harness.connect, "SIMULATED_MAKER", "nobody")
    with pytest.raises(PreflightRefused, match="is for a simulated bench, load answers as a real instrument"):
        connect(bench(clock=clock), clock=VirtualClock())


# -- clocks ------------------------------------------------------------------------------------------------------------


def test_a_bench_in_memory_lives_by_a_virtual_clock(bench: Any) -> None:
    assert isinstance(make_clock(bench()), VirtualClock)


@pytest.fixture
def closed_ports(bench: Any) -> Callable[..., BenchFile]:
    """Four addresses of the loopback at which nobody listens."""
    changes = [(f"sim:porch/{name}", f"TCPIP::127.0.0.1::{n}::SOCKET") for n, name in enumerate(SIM.names, 1)]
    return lambda **how: bench(*changes, **how)


def test_a_bench_on_a_line_lives_by_the_clock_its_file_names(closed_ports: Any) -> None:
    assert type(make_clock(closed_ports())) is WallClock
    assert isinstance(make_clock(closed_ports(clock={"kind": "scaled", "speed": 20.0})), ScaledClock)
    with pytest.raises(Usage, match="50 ms"):
        make_clock(closed_ports(clock={"kind": "scaled", "speed": 21.0}))
    with pytest.raises(PreflightRefused, match="nightbench simulate --stepped"):
        make_clock(closed_ports(clock={"kind": "stepped", "control": "127.0.0.1:1"}))


@pytest.fixture
def control() -> Iterator[tuple[str, socket.socket]]:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        yield f"127.0.0.1:{listener.getsockname()[1]}", listener


def test_a_shared_clock_stays_open_when_a_run_closes_its_lines(bench: Any) -> None:
    class Watched(VirtualClock):
        closed = 0

        def close(self) -> None:
            self.closed += 1

    shared = Watched()
    connect(bench(), clock=shared).close()
    assert shared.closed == 0
    own = connect(bench())
    own.clock = shared
    own.close()
    assert shared.closed == 1


def test_nothing_stays_open_after_a_refusal(closed_ports: Any, control: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    address, _ = control
    monkeypatch.setattr(SteppedClock, "_say", lambda self, line: 0.0)
    closed: list[str] = []
    monkeypatch.setattr(SteppedClock, "close", lambda self: closed.append(self._control))
    with pytest.raises(PreflightRefused, match=r"supply at TCPIP::127\.0\.0\.1::1::SOCKET"):
        connect(closed_ports(clock={"kind": "stepped", "control": address}))
    assert closed == [address]


# -- for switching off: whatever can be reached ------------------------------------------------------------------------


def test_lenient_goes_on_without_instruments_and_without_their_clock(closed_ports: Any) -> None:
    connection = connect(closed_ports(clock={"kind": "stepped", "control": "127.0.0.1:1"}), lenient=True)
    assert type(connection.clock) is WallClock
    assert connection.rig is not None
    assert set(connection.rig.drivers) == set(SIM.names)
    assert not connection.rig.simulated
    with pytest.raises(Lost):
        _ = connection.rig.drivers["load"].identity
    connection.close()


def test_lenient_lets_a_stranger_be_switched_off(bench: Any) -> None:
    connection = connect(bench(("SIM-LOAD,porch-2", "SIM-LOAD,porch-9")), lenient=True)
    assert connection.rig is not None
    assert connection.rig.load is not None
    connection.rig.load.off()


# -- the list of simulated benches -------------------------------------------------------------------------------------


def test_simulated_benches_are_found_by_name() -> None:
    assert set(simulated_scenarios()) >= {"cabinet", "porch", "reversed"}
    assert open_simulated("porch", now=lambda: 0.0, seed=3).seed == 3
    with pytest.raises(Usage, match=r"scenario = chabinet: no such simulated bench; did you mean cabinet\?"):
        open_simulated("chabinet", now=lambda: 0.0, seed=None)


def test_what_is_heard_is_what_is_recorded(bench: Any) -> None:
    connection = connect(bench())
    heard: list[tuple[str, bytes]] = []
    connection.listen(lambda exchange: heard.append((exchange.name, exchange.sent)))
    assert heard == [(name, b"*IDN?\n") for name in SIM.names], "also what was said before there was a record"
    assert connection.rig is not None
    assert connection.rig.load is not None
    connection.rig.load.measure_volts()
    assert heard[4:] == [("load", b"MEAS:VOLT?\n")]
