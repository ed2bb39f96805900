"""What goes wrong with instruments, their lines, the computer and the people beside it."""

from __future__ import annotations

import os
import signal
from collections.abc import Callable

from grid_play import Scene

# -- instruments -------------------------------------------------------------------------------------------------------


def stop_of_its_own_is_dead(scene: Scene) -> None:
    """The load's low-volts stop and the supply's over-volts stop are set, read back, and do nothing."""
    scene.world.load.low_volts = 0.0
    scene.world.supply.over_volts = float("inf")
    scene.world.changed()


def comes_on_again(scene: Scene) -> None:
    """What carries the current comes on again by itself 0.3 s after it was told off, as a load with hysteresis does."""
    name, world = scene.active, scene.world

    def on() -> None:
        port = getattr(world, name)
        if name == "supply":
            port.output_on = True
        else:
            port.input_on = True
        world.changed()

    def answer(message: bytes) -> bytes | None:
        if message in (b"OUTP OFF", b"INP OFF") and not scene.held.get("again"):
            scene.held["again"] = True
            scene.bench._agenda.put(scene.clock.now() + 0.3, on)
        return None

    scene.answers[name] = answer
    if scene.held.get("now"):
        scene.bench._agenda.put(scene.clock.now() + 0.3, on)


def comes_on_after_off(scene: Scene) -> None:
    """The same, once "off" has been said already."""
    scene.held["now"] = scene.held["again"] = True
    comes_on_again(scene)


def readings(reply: bytes) -> Callable[[Scene], None]:
    """The voltmeter at the pack answers every question with ``reply``."""

    def spoil(scene: Scene) -> None:
        scene.answers["meter"] = lambda message: reply if message.startswith((b"MEAS", b"READ")) else None

    return spoil


def freezes(name: str) -> Callable[[Scene], None]:
    """The converter of an instrument hangs; "" is the one that carries the current."""

    def spoil(scene: Scene) -> None:
        scene.bench.wear.freeze(name or scene.active, at_s=scene.clock.now())

    return spoil


def late_answer(scene: Scene) -> None:
    """The next answer of each instrument comes with the one after it."""
    for name in scene.bench.names:
        scene.late[name] = 1


def swallows_orders(scene: Scene) -> None:
    """What carries the current takes every order without a word and does nothing, save "off"."""

    def answer(message: bytes) -> bytes | None:
        return None if message.endswith((b"?", b" OFF")) or b"?" in message else b""

    scene.answers[scene.active] = answer


def swallows_off_twice(scene: Scene) -> None:
    """The first two "off" are lost."""
    left = [2]

    def answer(message: bytes) -> bytes | None:
        if message in (b"OUTP OFF", b"INP OFF") and left[0] > 0:
            left[0] -= 1
            return b""
        return None

    scene.answers[scene.active] = answer


def off_has_no_effect(scene: Scene) -> None:
    """What carries the current says that it is off and that nothing flows, and goes on."""
    off: list[bool] = []

    def answer(message: bytes) -> bytes | None:
        if message in (b"OUTP OFF", b"INP OFF"):
            off.append(True)
            return b""
        if off and message in (b"OUTP?", b"INP?"):
            return b"0\n"
        return b"0.0000\n" if off and message.startswith(b"MEAS:CURR") else None

    scene.answers[scene.active] = answer


def restarts_at_opening(scene: Scene) -> None:
    """The line of what carries the current breaks, and opening it anew restarts the instrument."""
    name, bench = scene.active, scene.bench
    scene.broken[name] = scene.broken.get(name, 0) + 1
    bench.do(f"reset {name}")


def another_one_answers(scene: Scene) -> None:
    """The lines to supply and load break, and come back crossed."""
    for one, other in (("supply", "load"), ("load", "supply")):
        scene.broken[one] = scene.broken.get(one, 0) + 1
        scene.swapped[one] = other


def hangs(scene: Scene) -> None:
    """What carries the current neither answers nor obeys any more, and stays as it is."""
    scene.wires.deaf.add(scene.active)


def line_is_gone(scene: Scene) -> None:
    """The line to what carries the current is gone for good."""
    scene.wires.gone.add(scene.active)


def line_blinks(scene: Scene) -> None:
    """The line to what carries the current breaks, and can be opened again at once."""
    scene.broken[scene.active] = scene.broken.get(scene.active, 0) + 1


def load_overheats(scene: Scene) -> None:
    """The load's own stop for heat acts."""
    scene.world.load.sink_temp_c = 90.0
    scene.world.load.hot_tripped = True
    scene.world.changed()


def supply_trips(scene: Scene) -> None:
    """The supply's own over-volts stop acts."""
    scene.world.supply.over_volts_tripped = True
    scene.world.changed()


# -- people ------------------------------------------------------------------------------------------------------------


def walks_away(scene: Scene) -> None:
    """Whoever must stay has pressed no key for 590 s, and presses none any more."""
    scene.left_s = scene.clock.now() - 590.0


def knob(scene: Scene) -> None:
    """Somebody turns the current up at what carries it."""
    value = "7.5"
    scene.bench.do(f"turn {scene.active} amps {value}")


def limit_moved(scene: Scene) -> None:
    """A second client takes the instrument's own stop away."""
    text = b"VOLT:PROT:LOW 0\n" if scene.active == "load" else b"VOLT:PROT 43\n"
    scene.bench.connect(scene.active).feed(text)


def restarted(scene: Scene) -> None:
    """What carries the current is switched off and on again by hand: its settings are as at first."""
    scene.bench.do(f"reset {scene.active}")


def other_output_on(scene: Scene) -> None:
    """A second client switches on what this run does not use."""
    if scene.active == "load":
        scene.bench.connect("supply").feed(b"VOLT 5;CURR 0.2;OUTP ON\n")
    else:
        scene.bench.connect("load").feed(b"CURR 0.2;INP ON\n")


def interrupted_twice(scene: Scene) -> None:
    """Ctrl-C now, again with each of the next ten messages, and SIGTERM too."""
    plain, left = scene.wires.before, [10]
    os.kill(os.getpid(), signal.SIGINT)

    def before(number: int, who: str, message: bytes) -> None:
        plain(number, who, message)
        if left[0] > 0:
            left[0] -= 1
            os.kill(os.getpid(), signal.SIGTERM if left[0] % 2 else signal.SIGINT)

    scene.wires.before = before


# -- the computer ------------------------------------------------------------------------------------------------------


def vanishes(scene: Scene) -> None:
    """Program, guard and computer are gone: nobody says anything to anybody any more, and the person has gone home."""
    for name in scene.bench.names:
        scene.wires.deaf.add(name)
    scene.hands = lambda order: "nobody is there"
    scene.held["vanished"] = True


def stalls(scene: Scene) -> None:
    """The program stands still for 20 s, and the bench goes on."""
    scene.clock.pass_by(20.0)


def guard_dies(scene: Scene) -> None:
    """The guard does not answer any more."""
    scene.guard_died_s = scene.clock.now()


def falls_asleep(scene: Scene) -> None:
    """The computer has slept for two hours; the bench has not."""
    scene.clock.asleep_s += 7200.0


def calendar_set(scene: Scene) -> None:
    """The calendar is set back by an hour."""
    scene.clock.set_by_s -= 3600.0


def disk_full(scene: Scene) -> None:
    """Nothing more goes to the disk."""
    scene.disk.full = True


def disk_stalls(scene: Scene) -> None:
    """What is written does not reach the disk any more."""
    scene.disk_stalled_s = scene.clock.now()
