"""The starting files: load as they stand, name a key of every kind, overwrite nothing."""

from __future__ import annotations

import tomllib
from importlib import resources
from pathlib import Path

import pytest

from harness.config import load_bench, load_pack, load_ups
from harness.config_bench import BENCH_KEYS
from harness.config_instrument import INSTRUMENT_KEYS
from harness.config_pack import PACK_KEYS
from harness.config_ups import SITE_KEYS, UPS_KEYS
from harness.errors import Usage
from harness.limits import envelope
from harness.starters import KINDS, starter_text, write_starter


def test_they_load_as_they_stand_and_stack(tmp_path: Path) -> None:
    ups = load_ups(write_starter("ups", tmp_path / "ups.toml"))
    assert ups.site is not None
    # Without it the highest volts tried lie under those of the full pack, and the whole job ends with "cannot tell".
    assert ups.label_ceiling_v == 27.3
    assert ups.site.guessed() == ("load_w_max", "ambient_min_c", "ambient_max_c")
    bench = load_bench(write_starter("bench", tmp_path / "bench.toml"))
    pack = load_pack(write_starter("pack", tmp_path / "pack.toml"))
    assert {entry.role for entry in bench.instruments} == {"supply", "load", "meter", "thermometer"}
    made = envelope(pack=pack, bench=bench)
    assert made.cut_off_v == 20.0
    assert made.attended_only == made.charge_attended_only == made.charge_refused == ""
    assert not any(entry.volts_accuracy.assumed for entry in bench.instruments if entry.role != "thermometer")


@pytest.mark.parametrize(
    "address", ["TCPIP::192.0.2.10::5025::SOCKET", "ASRL/dev/ttyUSB0::INSTR", "USB::0x1234::0x5678::A1::INSTR"]
)
def test_it_loads_with_a_persons_own_address(tmp_path: Path, address: str) -> None:
    head, first, *rest = starter_text("bench").split("[[instrument]]")
    only_the_load = rest[0].replace("sim:cabinet/load", address)
    assert "role" in first
    path = tmp_path / "bench.toml"
    path.write_text(head + "[[instrument]]" + only_the_load)
    assert load_bench(path).instruments[0].address == address


@pytest.mark.parametrize(
    ("kind", "keys"), [("bench", BENCH_KEYS + INSTRUMENT_KEYS), ("pack", PACK_KEYS), ("ups", UPS_KEYS + SITE_KEYS)]
)
def test_every_key_is_shown(kind: str, keys: tuple[str, ...]) -> None:
    text = starter_text(kind)
    assert [key for key in keys if key not in text] == []


@pytest.mark.parametrize("kind", KINDS)
def test_what_is_written_is_what_is_shipped(tmp_path: Path, kind: str) -> None:
    path = write_starter(kind, tmp_path / "new.toml")
    assert path.read_bytes() == resources.files("harness").joinpath("starters", f"{kind}.toml").read_bytes()


@pytest.mark.parametrize("kind", [kind for kind in KINDS if kind != "dialect"])
def test_a_line_turned_on_still_loads(tmp_path: Path, kind: str) -> None:
    """Every `# key = value` of the file is a value that would be accepted where it stands."""
    lines = starter_text(kind).splitlines()
    top_only = lines[: lines.index("[[instrument]]")] if kind == "bench" else lines
    load = {"bench": load_bench, "pack": load_pack, "ups": load_ups}[kind]
    shown = 0
    for number, line in enumerate(lines):
        bare = line.removeprefix("# ")
        if bare == line or " = " not in bare or not bare.split(" = ")[0].isidentifier():
            continue
        if bare.startswith("kind"):
            bare = "[clock]\n" + bare
        path = tmp_path / "on.toml"
        path.write_text("\n".join([*lines[:number], bare, *lines[number + 1 :]]))
        load(path)
        shown += 1
    assert shown >= 4
    assert tomllib.loads("\n".join(top_only))


def test_nothing_is_overwritten(tmp_path: Path) -> None:
    path = tmp_path / "pack.toml"
    path.write_text("mine")
    with pytest.raises(Usage, match=r"pack\.toml: exists already and is left as it is; choose another name"):
        write_starter("pack", path)
    assert path.read_text() == "mine"


def test_a_link_to_nowhere_is_not_followed(tmp_path: Path) -> None:
    (tmp_path / "link.toml").symlink_to(tmp_path / "elsewhere.toml")
    with pytest.raises(Usage, match="exists already"):
        write_starter("pack", tmp_path / "link.toml")
    assert not (tmp_path / "elsewhere.toml").exists()


@pytest.mark.parametrize(
    ("kind", "where", "words"),
    [
        ("pack", "no/such/pack.toml", "folder .* does not exist"),
        ("pack", "", "a folder; name the file"),
        ("pack", "zero\0byte", "cannot be written"),
        ("bech", "x.toml", "no starting file of the kind bech; did you mean bench"),
        ("contactor", "x.toml", "accepted: bench, pack, ups or dialect"),
    ],
)
def test_refusals(tmp_path: Path, kind: str, where: str, words: str) -> None:
    with pytest.raises(Usage, match=words) as caught:
        write_starter(kind, tmp_path / where)
    assert "\n" not in str(caught.value)
    assert caught.value.exit_code == 2
