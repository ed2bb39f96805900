"""Files that cannot be used: one line, exit 2, 10 or 11, nothing said to the bench that could switch anything on."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

PACK = [
    # key missing, misspelt, of the wrong type
    ((r"^rated_ah.*?\n", ""), 2, ("rated_ah", "missing", "0.1 to 1000 Ah")),
    ((r"^rated_ah", "rated_hours"), 2, ("rated_hours", "did you mean rated_ah?")),
    ((r"^end_volts", "end_volt"), 2, ("end_volt", "did you mean end_volts?")),
    ((r"^rated_ah = .*?$", 'rated_ah = "10"'), 2, ("a text, not a number", "without quotes")),
    ((r"^cells_in_series = .*?$", "cells_in_series = 8.0"), 2, ("not a whole number",)),
    ((r"^bms = true", "bms = 1"), 2, ("bms = 1", "true or false")),
    # impossible values
    ((r"^rated_ah = .*?$", "rated_ah = -10"), 2, ("rated_ah = -10", "negative")),
    ((r"^rated_ah = .*?$", "rated_ah = 0"), 2, ("rated_ah = 0", "zero")),
    ((r"^rated_ah = .*?$", "rated_ah = nan"), 2, ("not a number",)),
    ((r"^end_volts = .*?$", "end_volts = inf"), 2, ("infinite",)),
    ((r"^rated_ah = .*?$", "rated_ah = 10000"), 2, ("looks like mAh", "write 10)")),
    ((r"^cells_in_series = 8", "cells_in_series = 4"), 2, ("nominal_volts = 25.6", "12.8 V")),
    ((r"^charge_volts_max = .*?$", "charge_volts_max = 40"), 2, ("5 V a cell", "at most 30.4 V")),
    # out of order
    ((r"^end_volts = .*?$", "end_volts = 27"), 2, ("end_volts = 27", "below nominal")),
    ((r"^end_volts = .*?$", "end_volts = 2.5"), 2, ("volts per cell", "20")),
    ((r"^charge_volts_max = .*?$", "charge_volts_max = 20"), 2, ("never full below",)),
    ((r"^charge_temp_min_c = .*?$", "charge_temp_min_c = 50"), 2, ("not below charge_temp_max_c",)),
    # slips of writing
    ((r"^rated_ah = .*?$", "rated_ah = 10,5"), 2, ("decimal comma", "rated_ah = 10.5")),
    ((r"\A", "\ufeff"), 2, ("BOM", "UTF-8 without BOM")),
    ((r"^rated_ah", "rated_ah = 9\nrated_ah"), 2, ("given twice",)),
    # more than the instruments bear
    ((r"^rated_ah = .*?$", "rated_ah = 500"), 10, ("100 A", "the limit is 20 A", "rate_it <= ")),
]

BENCH = [
    ((r"sim:cabinet/load", "sim:cabinet/supply"), 2, ('also the address of "supply"',)),
    ((r"^lead_mohm = 20.0\n", ""), 2, ('sense = "remote"', "add lead_mohm")),
    ((r"^lead_mohm = 20.0", "lead_mohm = 0"), 2, ("lead_mohm = 0", "0.01 to 1000 mohm")),
    ((r"^lead_mohm = 20.0", "lead_mohm = 20000"), 2, ("above 1000 mohm",)),
    ((r"^max_volts = 40.0", "max_volts = 40,0"), 2, ("decimal comma", "max_volts = 40.0")),
    ((r"\A", "\ufeff"), 2, ("BOM",)),
    ((r"sim:cabinet/meter", "sim:cabinet/meterr"), 11, ("no instrument meterr", "thermometer")),
    ((r"sim:cabinet/", "sim:cabinett/"), 2, ("did you mean cabinet?",)),
    ((r'"scpi-load"', '"scpi-lod"'), 2, ('did you mean "scpi-load"?',)),
    ((r'"scpi-load"', '"scpi-meter"'), 2, ("it is for a meter", "choose a dialect for a load")),
    ((r'\[\[instrument\]\]\nname = "supply".*?\n\n', ""), 11, ("needs a supply", "charge_first=false")),
    ((r'\[\[instrument\]\]\nname = "thermometer".*', ""), 11, ("needs a thermometer", "charge_first=false")),
    ((r'^measures = "pack"\ntemp', 'measures = "ambient"\ntemp'), 11, ("no thermometer on the pack",)),
    ((r"^max_volts = 40.0", "max_volts = 24.0"), 10, ("gives 24 V", "needs 28.8 V")),
    ((r"^max_volts = 60.0", "max_volts = 20.0"), 10, ("bears 20 V (max_volts)",)),
]

MIXED_UP = [
    (("supply", "load"), "does not answer as a supply: OUTP? got no whole reply", "SIM-LOAD"),
    (("load", "meter"), "does not answer as a load: FUNC? got no whole reply", "SIM-METER"),
    (("meter", "thermometer"), "does not answer as a meter: MEAS:VOLT:DC? got no", "SIM-THERMOMETER"),
]
"""Two instruments each at the other's address, and no identity in the file to tell them by."""


def case(row: tuple[Any, ...]) -> str:
    return str(row[0][1])[:40] or str(row[0][0])[:40]


@pytest.fixture
def run(cli: Callable[..., Any], tmp_path: Path, sims: list[Any]) -> Callable[..., Any]:
    """``nightbench run capacity`` into a folder of its own, with the proof that nothing came of it but the refusal."""

    def ran(files: Any, *more: object, procedure: str = "capacity") -> Any:
        told = cli("run", procedure, *files.words(), "--out", tmp_path / "runs", *more)
        left = list((tmp_path / "runs").iterdir()) if (tmp_path / "runs").exists() else []
        assert left == []
        assert all(seen.only_asked and not seen.ever_on for seen in sims)
        return told

    return ran


@pytest.mark.parametrize(("change", "code", "words"), PACK, ids=map(case, PACK))
def test_pack_file_refused(run: Any, files: Any, change: tuple[str, str], code: int, words: tuple[str, ...]) -> None:
    run(files().edited("pack", change)).refused(code, *words)


@pytest.mark.parametrize(("change", "code", "words"), BENCH, ids=map(case, BENCH))
def test_bench_file_refused(run: Any, files: Any, change: tuple[str, str], code: int, words: tuple[str, ...]) -> None:
    run(files().edited("bench", change)).refused(code, *words)


@pytest.mark.parametrize(("pair", "words", "identity"), MIXED_UP)
@pytest.mark.parametrize("with_identity", [True, False])
def test_instruments_mixed_up(
    run: Any, files: Any, pair: tuple[str, str], words: str, identity: str, with_identity: bool
) -> None:
    one, other = pair
    swap = [(f'sim:cabinet/{one}"', 'X"'), (f'sim:cabinet/{other}"', f'sim:cabinet/{one}"')]
    swap += [('"X"', f'"sim:cabinet/{other}"')] + ([] if with_identity else [(r"^identity.*?\n", "")])
    told = run(files().edited("bench", *swap))
    expected = (identity, "the bench file expects") if with_identity else (identity, words, "dialect in the bench file")
    told.refused(11, *expected)


@pytest.mark.parametrize("role", ["supply", "thermometer"])
def test_a_charge_without_what_it_takes(run: Any, files: Any, role: str) -> None:
    bench = files().edited("bench", (rf'\[\[instrument\]\]\nname = "{role}".*?(?=\n\n|\Z)', ""))
    told = run(bench, procedure="charge")
    told.refused(11, f"charge needs a {role}", f'add an [[instrument]] with role = "{role}"')
    assert "charge_first" not in told.err, "a key of another procedure"


def test_a_folder_named_as_a_file(cli: Any, files: Any, tmp_path: Path) -> None:
    good = files()
    folder = tmp_path / "20250101T220000Z-capacity-cabinet"
    (folder / "inputs").mkdir(parents=True)
    (folder / "samples.csv").touch()
    cli("run", "capacity", "--bench", folder, "--pack", good.pack).refused(2, "the folder of a run", "inputs")
    cli("run", "capacity", "--bench", good.bench, "--pack", folder).refused(2, "the folder of a run", "inputs")
    cli("run", "capacity", "--bench", tmp_path, "--pack", good.pack).refused(2, "a folder, not a bench file")


@pytest.mark.parametrize(
    ("dialect", "words"),
    [("[[", "my.toml"), ("", "kind: missing"), ("kind = 'load'\nlowvolts.ask = 'VOLT?'", "did you mean low_volts?")],
)
def test_a_dialect_file_that_is_broken(run: Any, files: Any, dialect: str, words: str) -> None:
    good = files()
    (good.bench.parent / "my.toml").write_text(dialect, encoding="utf-8")
    run(good.edited("bench", ('"scpi-load"', '"my.toml"'))).refused(2, 'instrument "load": dialect', words)


def test_nobody_answers_at_the_address(run: Any, files: Any) -> None:
    good = files()
    # Port 1 of the loopback: nobody listens there, and nobody beyond this machine is asked.
    text = 'name = "b"\n[[instrument]]\nname = "sink"\nrole = "load"\naddress = "TCPIP::127.0.0.1::1::SOCKET"\n'
    good.bench.write_text(f'{text}dialect = "scpi-load"\nmax_volts = 60\nmax_amps = 10\n', encoding="utf-8")
    told = run(good, "--set", "charge_first=false")
    told.refused(11, "sink at TCPIP::127.0.0.1::1::SOCKET", "check power, cable and address", "nothing was switched on")
