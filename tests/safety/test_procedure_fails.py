"""A procedure that fails, swallows a stop or asks for what it may not: off, and said as what it is."""

from __future__ import annotations

import signal
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from night import SHORT, judge, spend, truly_off
from stopped_nights import EVERY_SAMPLE, stopped

from harness.bench import Bench
from harness.procedure import Found, procedures
from harness.safeoff import SafeOff
from harness.stops import RunStopped


class Wrong(Exception):
    """A fault of a procedure."""


def at_sample(number: int, act: Callable[[], None], name: str) -> Any:
    """The procedure, with ``act`` called as it is handed its ``number``-th sample."""
    procedure = procedures()[name]

    def run(bench: Bench, *, plan: Any) -> Found:
        plain, count = bench.samples, 0

        def counted(**keys: Any) -> Iterator[Any]:
            nonlocal count
            for sample in plain(**keys):
                count += 1
                if count == number:
                    act()
                yield sample

        bench.samples = counted  # type: ignore[method-assign]
        return procedure.run(bench, plan=plan)

    return replace(procedure, run=run)


def fail() -> None:
    raise Wrong("in the middle of it")


@pytest.mark.parametrize(("procedure", "at"), EVERY_SAMPLE)
def test_the_procedure_fails_at_every_sample(procedure: str, at: int, tmp_path: Path) -> None:
    night = spend(tmp_path, SHORT[procedure], procedure=at_sample(at, fail, procedure))
    assert night.exit_code == 1
    assert truly_off(night.world)
    assert [text for text in judge(night) if "program error" not in text] == []
    assert "Wrong: in the middle of it" in night.result.end_reason
    assert night.result.outcome == "tripped"
    assert [event["result"] for event in night.events("off")][-1] == "confirmed"


@pytest.mark.parametrize("error", [KeyboardInterrupt(), SystemExit(), SystemExit(0), GeneratorExit()], ids=repr)
def test_what_is_not_an_exception_is_a_fault_as_well(error: BaseException, tmp_path: Path) -> None:
    """Let through, a procedure that calls ``sys.exit`` would end as a good run without a result."""

    def leave() -> None:
        raise error

    night = spend(tmp_path, SHORT["capacity"], procedure=at_sample(6, leave, "capacity"))
    assert (night.exit_code, night.result.outcome) == (1, "tripped")
    assert night.result.end_reason.startswith(f"program error: {type(error).__name__}")
    assert truly_off(night.world)
    assert [event["result"] for event in night.events("off")][-1] == "confirmed"


# -- a procedure that will not be stopped ------------------------------------------------------------------------------


def own(run: Callable[[Bench], Any]) -> Any:
    """A procedure of somebody's own."""

    def wrapped(bench: Bench, *, plan: Any) -> Found:
        run(bench)
        return Found({}, "all went well")

    return replace(procedures()["capacity"], run=wrapped)


def swallowing(bench: Bench) -> None:
    """Catches whatever comes and tries to go on, three times over."""
    for _ in range(3):
        try:
            with bench.sinking(amps=8.0) as sink:
                for count, _sample in enumerate(bench.samples()):
                    if count == 3:
                        signal.raise_signal(signal.SIGINT)
                    sink.set_amps(amps=6.0)
        except BaseException:
            continue


def test_a_stop_that_is_swallowed_comes_again(tmp_path: Path) -> None:
    night = spend(tmp_path, SHORT["capacity"], procedure=own(swallowing))
    stopped(night, "SIGINT")
    assert len(night.on_at()) == 1


def test_a_trip_that_is_swallowed_is_no_finish(tmp_path: Path) -> None:
    def run(bench: Bench) -> None:
        for _ in range(3):
            try:
                with bench.sinking(amps=8.0, longest_s=3.0):
                    for _sample in bench.samples():
                        pass
            except RunStopped:
                continue

    night = spend(tmp_path, SHORT["capacity"], procedure=own(run))
    assert judge(night) == []
    assert (night.exit_code, night.result.outcome) == (21, "tripped")
    assert night.result.end_reason.startswith("charge or time")
    assert len(night.on_at()) == 1


def test_an_error_put_in_place_of_a_stop_does_not_hide_it(tmp_path: Path) -> None:
    def run(bench: Bench) -> None:
        try:
            with bench.sinking(amps=8.0, longest_s=3.0):
                for _sample in bench.samples():
                    pass
        finally:
            raise Wrong("while tidying up")

    night = spend(tmp_path, SHORT["capacity"], procedure=own(run))
    assert judge(night) == []
    assert night.exit_code == 21


def test_not_off_is_never_hidden_by_an_error(tmp_path: Path) -> None:
    """The worst message must not be lost behind a fault of the procedure."""

    def run(bench: Bench) -> None:
        try:
            with bench.sinking(amps=8.0):
                for count, _sample in enumerate(bench.samples()):
                    if count == 3:
                        held[0].deaf.add("load")
                        return
        finally:
            raise Wrong("while tidying up")

    held: list[Any] = []
    night = spend(tmp_path, SHORT["capacity"], procedure=own(run), arrange=held.append)
    assert judge(night) == []
    assert (night.exit_code, night.result.outcome) == (99, "unsafe")


NAUGHTY: dict[str, tuple[Callable[[Bench], Any], int]] = {
    "two outputs at once": (lambda bench: nested(bench, "sinking", "sourcing"), 1),
    "the same output twice": (lambda bench: nested(bench, "sinking", "sinking"), 1),
    "a rest within a block": (lambda bench: resting(bench), 1),
    "a handle after its block": (lambda bench: late(bench), 1),
}


def entered(bench: Bench, which: str) -> Any:
    return bench.sinking(amps=4.0) if which == "sinking" else bench.sourcing(volts=14.0, amps_max=2.0)


def nested(bench: Bench, outer: str, inner: str) -> None:
    with entered(bench, outer), entered(bench, inner):
        raise AssertionError("got in")


def resting(bench: Bench) -> None:
    with entered(bench, "sinking"):
        list(bench.rest(for_s=3.0))
        raise AssertionError("rested")


def late(bench: Bench) -> None:
    with entered(bench, "sinking") as sink:
        pass
    sink.set_amps(amps=5.0)
    raise AssertionError("was obeyed")


@pytest.mark.parametrize("what", NAUGHTY)
def test_misuse_is_refused_and_switches_off(what: str, tmp_path: Path) -> None:
    run, switched = NAUGHTY[what]
    night = spend(tmp_path, SHORT["capacity"], procedure=own(run))
    assert night.exit_code == 1
    assert "NotEnergised" in night.result.end_reason
    assert truly_off(night.world)
    assert len(night.on_at()) == switched
    # The second output was not even set up.
    assert not any(text.startswith(b"VOLT 14") for text in night.wires.sent("supply"))


@pytest.mark.parametrize(
    ("which", "keys"),
    [
        ("sinking", {"amps": 17.0}),
        ("sinking", {"amps": 0.0}),
        ("sinking", {"amps": -1.0}),
        ("sinking", {"amps": float("nan")}),
        ("sinking", {"amps": float("inf")}),
        ("sourcing", {"volts": 14.7, "amps_max": 2.0}),
        ("sourcing", {"volts": 14.4, "amps_max": 4.1}),
        ("sourcing", {"volts": float("nan"), "amps_max": 2.0}),
        ("sourcing", {"volts": 14.4, "amps_max": float("nan")}),
    ],
)
def test_a_set_point_outside_the_envelope_is_not_even_sent(which: str, keys: dict[str, float], tmp_path: Path) -> None:
    def run(bench: Bench) -> None:
        with getattr(bench, which)(**keys):
            raise AssertionError("got in")

    night = spend(tmp_path, SHORT["capacity"], procedure=own(run))
    assert night.exit_code == 10
    assert night.on_at() == []
    told = [text for text in night.wires.sent() if b"?" not in text and text not in (b"", b"OUTP OFF", b"INP OFF")]
    assert told == []


@pytest.mark.parametrize("amps", [17.0, 0.0, float("nan")])
def test_a_change_outside_the_envelope_ends_the_block(amps: float, tmp_path: Path) -> None:
    def run(bench: Bench) -> None:
        with bench.sinking(amps=8.0) as sink:
            sink.set_amps(amps=amps)

    night = spend(tmp_path, SHORT["capacity"], procedure=own(run))
    assert night.exit_code == 10
    assert truly_off(night.world)
    assert night.wires.sent("load").count(b"CURR 8.000") == 1


def test_a_change_inside_it_is_no_change_from_outside(tmp_path: Path) -> None:
    def run(bench: Bench) -> None:
        with bench.sinking(amps=8.0) as sink:
            for count, _sample in enumerate(bench.samples(for_s=12.0)):
                if count == 3:
                    sink.set_amps(amps=3.0)

    night = spend(tmp_path, replace(SHORT["capacity"], start_share=0.5), procedure=own(run))
    assert judge(night) == []
    assert night.exit_code == 0


# -- a fault of ours ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("where", ["harness.loop.Loop.look", "harness.interlocks.Interlocks.judge"])
@pytest.mark.parametrize("at", [4, 9])
def test_a_fault_of_the_loop_switches_off(where: str, at: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    owner, _, name = where.rpartition(".")
    module, _, kind = owner.rpartition(".")
    import importlib

    plain = getattr(getattr(importlib.import_module(module), kind), name)
    count = 0

    def wrong(*args: Any, **keys: Any) -> Any:
        nonlocal count
        count += 1
        if count == at:
            raise Wrong("of ours")
        return plain(*args, **keys)

    monkeypatch.setattr(where, wrong)
    night = spend(tmp_path, SHORT["capacity"])
    assert night.exit_code == 1
    assert truly_off(night.world)
    assert "Wrong: of ours" in night.result.end_reason


def test_a_fault_while_entering_the_bench_switches_off(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def wrong(*_: Any) -> None:
        raise Wrong("of ours")

    monkeypatch.setattr("harness.drift.StateKeeper.remember", wrong)
    night = spend(tmp_path, SHORT["capacity"])
    assert night.exit_code == 1
    assert len(night.off_at()) == 2
    assert night.events("off")


def test_a_fault_of_the_screen_ends_nothing(tmp_path: Path) -> None:
    def each(_count: int, _sample: Any) -> None:
        raise OSError("the terminal is gone")

    night = spend(tmp_path, SHORT["capacity"], each=each)
    assert judge(night) == []
    assert night.exit_code == 0


def test_the_latch_comes_before_switching_off(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever happens on the way off finds a run that can not energise any more."""
    seen: list[str] = []
    plain = SafeOff.drive
    benches: list[Bench] = []

    def drive(self: SafeOff, before: Any, **keys: Any) -> Any:
        seen.append(benches[0].life.state)
        return plain(self, before, **keys)

    def run(bench: Bench) -> None:
        benches.append(bench)
        with bench.sinking(amps=8.0, longest_s=3.0):
            for _sample in bench.samples():
                pass

    monkeypatch.setattr(SafeOff, "drive", drive)
    spend(tmp_path, SHORT["capacity"], procedure=own(run))
    assert seen == ["tripped"]
