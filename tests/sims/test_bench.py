"""The simulated bench as its clients see it: bytes through the instruments of a scenario."""

from __future__ import annotations

import tomllib
from itertools import pairwise

import pytest

from sims.bench import NAMES, SimBench, open_bench, scenarios
from sims.scenario import UnknownScenario, drawn, load_scenario


class Hands:
    """A bench, its time, and a session with every instrument."""

    def __init__(self, scenario: str = "cabinet", seed: int | None = None) -> None:
        self.t = 0.0
        self.bench: SimBench = open_bench(scenario, now=lambda: self.t, seed=seed)
        self._talkers = {name: self.bench.connect(name) for name in self.bench.names}

    def ask(self, name: str, message: str) -> str:
        return self._talkers[name].feed(message.encode() + b"\n").decode().removesuffix("\n")

    def number(self, name: str, message: str) -> float:
        return float(self.ask(name, message))

    def no_errors(self) -> bool:
        return all(self.ask(name, "SYST:ERR?") == '0,"No error"' for name in self.bench.names)


@pytest.fixture
def hands() -> Hands:
    return Hands()


@pytest.mark.parametrize("name", [name for name in NAMES if name not in ("contactor", "shunt", "lug")])
def test_identities(hands: Hands, name: str) -> None:
    number = NAMES.index(name) + 1
    assert hands.ask(name, "*IDN?").startswith(f"NIGHTBENCH,SIM-{name.upper()},cabinet-{number},")
    assert len(hands.ask(name, "*IDN?")) <= 72  # IEEE 488.2-1992 10.14, from memory


SUPPLY_TEXTS = [
    ("VOLT 28.8", "VOLT?", 28.8),
    ("CURR 5", "CURR?", 5.0),
    ("OUTP ON", "OUTP?", 1),
    ("OUTP OFF", "OUTP?", 0),
    ("VOLT:PROT 30", "VOLT:PROT?", 30.0),
    ("CURR:PROT:STAT ON", "CURR:PROT:STAT?", 1),
    ("SENS:REM OFF", "SENS:REM?", 0),
    ("SENS:REM ON", "SENS:REM?", 1),
    ("VOLT:PROT:CLE", "VOLT:PROT:TRIP?", 0),
    ("SOURCE:VOLTAGE 12.345", "SOUR:VOLT:LEV:IMM:AMPL?", 12.345),
    ("CURR 20 mA", "CURR?", 0.02),
    ("CURR:PROT:CLE", "CURR:PROT:TRIP?", 0),
]
LOAD_TEXTS = [
    ("CURR 2", "CURR?", 2.0),
    ("VOLT 24", "VOLT?", 24.0),
    ("RES 10", "RES?", 10.0),
    ("POW 50", "POW?", 50.0),
    ("INP ON", "INP?", 1),
    ("INP OFF", "INP?", 0),
    ("VOLT:PROT:LOW 19.2", "VOLT:PROT:LOW?", 19.2),
    ("VOLT:PROT:LOW:DEL 0.5", "VOLT:PROT:LOW:DEL?", 0.5),
    ("VOLT:PROT:CLE", "VOLT:PROT:LOW:TRIP?", 0),
    ("CURR:PROT 25", "CURR:PROT?", 25.0),
    ("SENS:REM OFF", "SENS:REM?", 0),
    ("INPUT:STATE OFF", "STAT:QUES:COND?", 0),
]


@pytest.mark.parametrize(
    ("name", "sent", "asked", "value"),
    [("supply", *row) for row in SUPPLY_TEXTS] + [("load", *row) for row in LOAD_TEXTS],
)
def test_settings_read_back_as_programmed(hands: Hands, name: str, sent: str, asked: str, value: float) -> None:
    hands.ask(name, sent)
    assert hands.number(name, asked) == pytest.approx(value, abs=1e-9)
    assert hands.no_errors()


@pytest.mark.parametrize("word", ["CURR", "VOLT", "RES", "POW"])
def test_load_functions(hands: Hands, word: str) -> None:
    hands.ask("load", f"FUNC {word}")
    assert hands.ask("load", "FUNC?") == word
    assert hands.no_errors()


@pytest.mark.parametrize(
    ("name", "message"),
    [
        ("supply", "VOLT 40.1"),
        ("supply", "CURR 15.1"),
        ("supply", "VOLT -1"),
        ("load", "CURR 41"),
        ("load", "POW 601"),
        ("load", "RES 0"),
    ],
)
def test_settings_beyond_the_rating_are_refused(hands: Hands, name: str, message: str) -> None:
    hands.ask(name, message)
    assert hands.ask(name, "SYST:ERR?").startswith("-222,")


def test_discharge_is_seen_by_all(hands: Hands) -> None:
    rest_v = hands.number("meter", "MEAS:VOLT:DC?")
    hands.ask("load", "FUNC CURR;CURR 2;INP ON")
    hands.t = 60.0
    assert hands.number("load", "MEAS:CURR?") == pytest.approx(2.0, abs=0.022)
    assert hands.number("meter", "MEAS:VOLT:DC?") < rest_v - 0.05
    assert hands.number("load", "MEAS:VOLT?") == pytest.approx(hands.number("meter", "MEAS:VOLT:DC?"), abs=0.02)
    hands.ask("load", "SENS:REM OFF")
    drop = hands.number("meter", "MEAS:VOLT:DC?") - hands.number("load", "MEAS:VOLT?")
    assert drop == pytest.approx(2.0 * 0.020, abs=0.02)
    assert hands.bench.world.pack_amps == pytest.approx(2.0, abs=0.03)


def test_charge_modes(hands: Hands) -> None:
    hands.ask("supply", "VOLT 28.8;CURR 5;OUTP ON")
    hands.t = 1.0
    assert hands.ask("supply", "STAT:QUES:COND?") == "1"
    assert hands.number("supply", "MEAS:CURR?") == pytest.approx(5.0, abs=0.013)
    assert hands.bench.world.pack_amps == pytest.approx(-5.0, abs=0.02)
    hands.ask("supply", "VOLT 26.3;CURR 15")
    hands.t = 2.0
    assert hands.ask("supply", "STAT:QUES:COND?") == "2"
    # Below the pack: driven from outside, a one-quadrant supply regulates nothing and reads no current.
    hands.ask("supply", "VOLT 20")
    hands.t = 10.0
    assert hands.ask("supply", "STAT:QUES:COND?") == "0"
    assert hands.number("supply", "MEAS:CURR?") == pytest.approx(0.0, abs=0.008)
    hands.ask("supply", "OUTP OFF")
    assert hands.ask("supply", "STAT:QUES:COND?;:OUTP?") == "0;0"


def test_over_volts_stop_latches_until_cleared(hands: Hands) -> None:
    hands.ask("supply", "VOLT:PROT 26;:VOLT 28;CURR 5;OUTP ON")
    hands.t = 1.0
    assert hands.ask("supply", "OUTP?;:VOLT:PROT:TRIP?") == "0;1"
    hands.ask("supply", "OUTP ON")
    assert hands.ask("supply", "SYST:ERR?").startswith("-221,")
    assert hands.ask("supply", "OUTP?") == "0"
    hands.ask("supply", "VOLT:PROT 30;PROT:CLE;:OUTP ON")
    hands.t = 2.0
    assert hands.ask("supply", "OUTP?;:VOLT:PROT:TRIP?") == "1;0"


def test_over_current_stop_of_the_supply_latches(hands: Hands) -> None:
    hands.ask("supply", "CURR:PROT:STAT ON;:VOLT 28.8;CURR 5;OUTP ON")
    hands.t = 5.0
    assert hands.ask("supply", "OUTP?;:CURR:PROT:TRIP?") == "0;1"


def test_low_volts_stop_latches_until_cleared(hands: Hands) -> None:
    hands.ask("load", "VOLT:PROT:LOW 26.5;LOW:DEL 0.5")
    hands.ask("load", "CURR 2;INP ON")
    hands.t = 0.3
    assert hands.ask("load", "INP?") == "1"
    hands.t = 1.0
    assert hands.ask("load", "INP?;:VOLT:PROT:LOW:TRIP?;:STAT:QUES:COND?") == "0;1;1"
    assert hands.ask("load", "STAT:QUES?;QUES?") == "1;0"
    hands.ask("load", "INP ON")
    assert hands.ask("load", "SYST:ERR?").startswith("-221,")
    hands.ask("load", "VOLT:PROT:LOW 0")
    hands.ask("load", "VOLT:PROT:CLE;:INP ON")
    hands.t = 5.0
    assert hands.ask("load", "INP?;:VOLT:PROT:LOW:TRIP?") == "1;0"


def test_over_current_stop_of_the_load(hands: Hands) -> None:
    hands.ask("load", "CURR:PROT 3;:CURR 3;INP ON")
    hands.t = 2.0
    assert hands.ask("load", "INP?;:CURR:PROT:TRIP?") == "1;0"
    hands.ask("load", "CURR 4")
    hands.t = 3.0
    assert hands.ask("load", "INP?;:CURR:PROT:TRIP?;:STAT:QUES:COND?") == "0;1;2"


def test_a_change_of_function_opens_the_input(hands: Hands) -> None:
    hands.ask("load", "CURR 2;INP ON;FUNC RES")
    assert hands.ask("load", "INP?;FUNC?") == "0;RES"


def test_reset_switches_off(hands: Hands) -> None:
    hands.ask("load", "CURR 2;INP ON;*RST")
    hands.ask("supply", "VOLT 20;CURR 1;OUTP ON;*RST")
    assert hands.ask("load", "INP?;CURR?;FUNC?") == "0;0.0000;CURR"
    assert hands.ask("supply", "OUTP?;VOLT?;CURR?") == "0;0.0000;0.0000"


def test_the_probe_lags_behind_a_step() -> None:
    hands = Hands()
    before = hands.number("thermometer", "MEAS:TEMP?")
    assert before == pytest.approx(22.5, abs=0.5)
    hands.t = 1e-3
    hands.ask("meter", "*OPC?")
    kelvin = hands.bench.world.pack.cells.kelvin
    for index in range(len(kelvin)):
        kelvin[index] += 10.0
    hands.t = 1.0
    assert hands.number("thermometer", "MEAS:TEMP?") < before + 2.0
    hands.t = 120.0
    assert hands.number("thermometer", "MEAS:TEMP?") == pytest.approx(before + 10.0, abs=0.6)


def test_time_never_goes_back_on_the_bench(hands: Hands) -> None:
    hands.t = 10.0
    hands.ask("meter", "*OPC?")
    hands.t = 5.0
    hands.ask("meter", "*OPC?")
    assert hands.bench.world.t == 10.0


def test_the_same_seed_plays_the_same_bench() -> None:
    def transcript(seed: int | None) -> list[str]:
        hands = Hands(seed=seed)
        lines = []
        for turn in range(5):
            hands.t = float(turn)
            lines += [hands.ask("meter", "MEAS:VOLT:DC?"), hands.ask("thermometer", "MEAS:TEMP?")]
        return lines

    assert transcript(None) == transcript(None)
    assert transcript(7) == transcript(7)
    assert transcript(7) != transcript(8) != transcript(None)


def test_there_is_no_such_instrument_or_scenario(hands: Hands) -> None:
    with pytest.raises(KeyError, match="it has supply, load, meter, thermometer"):
        hands.bench.connect("oscilloscope")
    with pytest.raises(UnknownScenario, match="cabinet"):
        open_bench("nowhere", now=lambda: 0.0)


@pytest.mark.parametrize("name", sorted(scenarios()))
def test_every_scenario_opens_and_writes_its_files(name: str) -> None:
    hands = Hands(name)
    facts = load_scenario(name)
    assert facts.story
    assert scenarios()[name] == facts.summary
    addresses = {one: f"sim:{name}/{one}" for one in hands.bench.names}
    written = tomllib.loads(hands.bench.bench_toml(addresses, clock={"kind": "stepped", "control": "127.0.0.1:1"}))
    shared = hands.bench.shared
    assert [row["address"] for row in written["instrument"]] == [addresses[shared.get(one, one)] for one in addresses]
    assert written["clock"] == {"kind": "stepped", "control": "127.0.0.1:1"}
    assert "clock" not in tomllib.loads(hands.bench.bench_toml(addresses, clock=None))
    pack = tomllib.loads(hands.bench.pack_toml())
    assert pack["rated_ah"] == facts.pack.rated_ah
    assert pack["nominal_volts"] == pytest.approx(3.2 * pack["cells_in_series"])
    assert tomllib.loads(hands.bench.ups_toml())["blocks"] * 12 == facts.ups.nominal_dc_volts


def test_a_file_states_what_the_errors_were_drawn_from(hands: Hands) -> None:
    written = tomllib.loads(hands.bench.bench_toml({name: name for name in NAMES}))
    by_role = {row["role"]: row for row in written["instrument"]}
    facts = hands.bench.facts
    for role, source in (("supply", facts.supply), ("load", facts.load)):
        for key in ("volts_accuracy_reading_pct", "volts_accuracy_range_pct", "amps_accuracy_range_pct"):
            assert by_role[role][key] == getattr(source, key)
        assert by_role[role]["volts_range"] == source.volts_max
        assert hands.ask(role, "*IDN?").startswith(by_role[role]["identity"] + ",")
    assert by_role["thermometer"]["temp_accuracy_k"] == facts.thermometer.accuracy_k


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_declared_leads_are_the_real_ones_rounded(seed: int) -> None:
    bench = Hands(seed=seed).bench
    written = tomllib.loads(bench.bench_toml({name: name for name in NAMES}))
    declared = {row["role"]: row.get("lead_mohm") for row in written["instrument"]}
    assert declared["load"] == pytest.approx(1e3 * bench.world.leads.r_load, abs=0.5)
    assert declared["supply"] == pytest.approx(1e3 * bench.world.leads.r_supply, abs=0.5)


def test_draws_stay_inside_their_bands() -> None:
    nominal = load_scenario("cabinet")
    packs = [drawn(nominal, seed=seed).pack for seed in range(40)]
    for pack in packs:
        assert all(0.9 * 10.2 < ah < 1.1 * 10.2 for ah in pack.capacity_ah)
        assert all(0.2 < share < 0.5 for share in pack.start_share)
        assert max(pack.start_share) - min(pack.start_share) < 0.012
    assert all(one != other for one, other in pairwise(packs))
    # By their texts: a fact that a UPS has not is nan, and from Python 3.13 on records with a nan are never equal.
    assert repr(drawn(nominal, seed=3)) == repr(drawn(nominal, seed=3))


# The scenarios of wrong wiring.


def test_reversed_pack_reads_negative() -> None:
    assert Hands("reversed").number("meter", "MEAS:VOLT:DC?") == pytest.approx(-26.1, abs=0.3)


def test_sleeping_pack_shows_a_few_hundred_millivolts() -> None:
    assert 0.0 < Hands("asleep").number("meter", "MEAS:VOLT:DC?") < 1.0


def test_stranger_rests_far_below_the_label() -> None:
    hands = Hands("wrong-cells")
    pack = tomllib.loads(hands.bench.pack_toml())
    assert hands.number("meter", "MEAS:VOLT:DC?") < pack["end_volts"] - 3.0


def test_swapped_addresses_answer_as_each_other() -> None:
    hands = Hands("swapped")
    written = tomllib.loads(hands.bench.bench_toml({name: name for name in NAMES}))
    expected = {row["name"]: row["identity"] for row in written["instrument"]}
    assert "SIM-SUPPLY" in hands.ask("load", "*IDN?")
    assert "SIM-LOAD" in hands.ask("supply", "*IDN?")
    assert expected["load"] not in hands.ask("load", "*IDN?")
    assert expected["meter"] in hands.ask("meter", "*IDN?")


def test_swapped_load_commands_do_nothing_but_errors() -> None:
    hands = Hands("swapped")
    hands.ask("load", "INP ON")
    assert hands.ask("load", "SYST:ERR?").startswith("-113,")
    assert hands.bench.world.load_amps == 0.0
