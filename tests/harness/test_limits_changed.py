"""The table ``[limits]`` of a pack file: what is granted, what is refused and how, and where it then stands."""

from __future__ import annotations

from dataclasses import replace
from math import inf, nan, nextafter
from pathlib import Path

import pytest
from click.testing import CliRunner

from harness.cli import main
from harness.config import load_bench, load_pack
from harness.envelope import Envelope
from harness.errors import PlanRefused, Usage
from harness.interlocks import CLASSES
from harness.limits import envelope
from harness.limits_asked import Asked, granted
from harness.limits_settings import REASON, SETTINGS, Usual
from harness.site import Site
from harness.writeup import UCUM, limits_in_force

WHY = '"the maker of the pack allows it in writing"'


@pytest.fixture
def files(tmp_path: Path) -> Path:
    for kind in ("bench", "pack"):
        assert CliRunner().invoke(main, ["new", kind, str(tmp_path / f"{kind}.toml")]).exit_code == 0
    return tmp_path


def with_limits(files: Path, *lines: str) -> Envelope:
    """The envelope of the starting files with a table ``[limits]`` of these lines. Raises what reading them raises."""
    text = (files / "pack.toml").read_text(encoding="utf-8")
    mine = files / "mine.toml"
    mine.write_text("\n".join((text, "[limits]", *lines, "")), encoding="utf-8")
    return envelope(pack=load_pack(mine), bench=load_bench(files / "bench.toml"))


# -- granted -----------------------------------------------------------------------------------------------------------

GRANTED = [
    # a hard one tighter: 8 LiFePO4 cells trip at 19.2 V and 29.6 V
    ("low_volts", 19.6, False),
    ("high_volts", 29.4, False),
    ("unattended_temp_max_c", 45.0, False),
    ("heating_k_per_min", 1.0, False),
    ("joint_watts", 1.0, False),
    ("lead_ratio", 1.5, False),
    # an adjustable one tighter
    ("heating_margin_k", 1.0, False),
    ("rise_above_room_k", 15.0, False),
    ("tail_longest_s", 7200.0, False),
    ("frozen_s", 30.0, False),
    # and looser, by whoever says why
    ("rise_above_room_k", 30.0, True),
    ("thermometers_apart_k", 15.0, True),
    ("charge_out_share", 1.5, True),
    ("charge_in_share", 1.3, True),
    ("tail_longest_s", 8 * 3600.0, True),
    ("set_apart_pct", 5.0, True),
    ("frozen_s", 300.0, True),
    ("voltmeters_apart_mv", 100.0, True),
]


@pytest.mark.parametrize(("key", "value", "looser"), GRANTED)
def test_granted(files: Path, key: str, value: float, looser: bool) -> None:
    plain = with_limits(files)
    env = with_limits(files, f"{key} = {value}", *([f"{key}{REASON} = {WHY}"] if looser else []))
    assert env.limit(key) == value
    (changed,) = env.changed
    assert (changed.key, changed.value, changed.usual) == (key, value, plain.limit(key))
    assert changed.reason == (WHY.strip('"') if looser else "")
    assert env.sha256 != plain.sha256
    assert any(f"{value:g} {SETTINGS[key].unit}" in line for line in env.lines())


def test_the_reason_is_in_the_hash(files: Path) -> None:
    one = with_limits(files, "frozen_s = 90", 'frozen_s_reason = "a slow meter, checked"')
    other = with_limits(files, "frozen_s = 90", 'frozen_s_reason = "a slow meter, not checked"')
    assert one.sha256 != other.sha256


def test_the_usual_value_changes_nothing(files: Path) -> None:
    assert with_limits(files, "rise_above_room_k = 20").sha256 == with_limits(files).sha256


@pytest.mark.parametrize("key", SETTINGS)
def test_what_stands_in_the_result(files: Path, key: str) -> None:
    env = with_limits(files, "rise_above_room_k = 25", f"rise_above_room_k{REASON} = {WHY}")
    site = Site(load_bench(files / "bench.toml"), load_pack(files / "mine.toml"), env)
    (limit,) = (one for one in limits_in_force(site) if one.what == key)
    assert limit.unit == UCUM[SETTINGS[key].unit]
    assert limit.value == env.limit(key)
    if key == "rise_above_room_k":
        assert limit.reason == WHY.strip('"')
        assert limit.source == "[limits] of the pack file, usually 20"
    else:
        assert (limit.source, limit.reason) == ("usual", "")


BOUNDS = {
    # what may be asked for at all; a hard one is never looser than usual besides
    "low_volts": (0.5, 1000.0, "higher", True),
    "high_volts": (0.5, 1000.0, "lower", True),
    "unattended_temp_max_c": (25.0, 90.0, "lower", True),
    "heating_k_per_min": (0.2, 3.0, "lower", True),
    "heating_margin_k": (0.5, 7.5, "lower", False),
    "rise_above_room_k": (10.0, 30.0, "lower", False),
    "thermometers_apart_k": (2.0, 20.0, "lower", False),
    "joint_watts": (0.2, 2.0, "lower", True),
    "lead_ratio": (1.3, 2.0, "lower", True),
    "charge_out_share": (1.0, 1.5, "lower", False),
    "charge_in_share": (1.0, 1.5, "lower", False),
    "tail_longest_s": (600.0, 86400.0, "lower", False),
    "tail_rise_pct": (5.0, 50.0, "lower", False),
    "set_apart_pct": (1.0, 10.0, "lower", False),
    "frozen_s": (20.0, 300.0, "lower", False),
    "voltmeters_apart_mv": (5.0, 200.0, "lower", False),
}


def test_bounds() -> None:
    assert {key: (one.low, one.high, one.careful, one.hard) for key, one in SETTINGS.items()} == BOUNDS


USUAL = Usual(lithium=True, low_v=9.6, high_v=14.8, unattended_temp_max_c=50.0)


@pytest.mark.parametrize("key", SETTINGS)
def test_the_tightest_is_granted_and_a_hair_less_is_not(key: str) -> None:
    one = SETTINGS[key]
    tightest, away = (one.high, inf) if one.careful == "higher" else (one.low, -inf)
    (changed,) = granted((Asked(key, tightest, ""),), usual=USUAL, where="pack.toml")
    assert (changed.value, changed.usual, changed.reason) == (tightest, one.usual(USUAL), "")
    with pytest.raises(PlanRefused, match="out of bounds"):
        granted((Asked(key, nextafter(tightest, away), ""),), usual=USUAL, where="pack.toml")


@pytest.mark.parametrize("key", SETTINGS)
def test_whoever_asks_for_the_usual_value_changes_nothing(key: str) -> None:
    assert granted((Asked(key, SETTINGS[key].usual(USUAL), ""),), usual=USUAL, where="pack.toml") == ()


@pytest.mark.parametrize("value", [nan, inf, -inf])
@pytest.mark.parametrize("key", SETTINGS)
def test_what_is_no_number_is_not_granted(key: str, value: float) -> None:
    with pytest.raises(PlanRefused):
        granted((Asked(key, value, WHY),), usual=USUAL, where="pack.toml")


@pytest.mark.parametrize("key", [key for key, one in SETTINGS.items() if not one.hard])
def test_the_loosest_is_granted_to_whoever_says_why(key: str) -> None:
    one = SETTINGS[key]
    (changed,) = granted((Asked(key, one.high, WHY),), usual=USUAL, where="pack.toml")
    assert changed.value == one.high


def test_usual_values_that_hang_on_the_chemistry() -> None:
    lead = replace(USUAL, lithium=False)
    for key, with_lithium, without in (("charge_in_share", 1.15, 1.3), ("tail_longest_s", 14400.0, 43200.0)):
        assert SETTINGS[key].usual(USUAL) == with_lithium
        assert SETTINGS[key].usual(lead) == without
    assert [SETTINGS[key].usual(USUAL) for key in ("low_volts", "high_volts", "unattended_temp_max_c")] == [
        9.6, 14.8, 50.0
    ]  # fmt: skip


@pytest.mark.parametrize(("letters", "accepted"), [(9, False), (10, True), (300, True), (301, False)])
def test_how_much_a_reason_must_say(files: Path, letters: int, accepted: bool) -> None:
    lines = ("frozen_s = 61", f'frozen_s_reason = "{"x" * letters}"')
    if accepted:
        assert with_limits(files, *lines).limit("frozen_s") == 61
    else:
        with pytest.raises(Usage):
            with_limits(files, *lines)


@pytest.mark.parametrize("value", ["1e9", "-1e9"])
def test_what_is_a_number_at_all_is_told_by_its_bounds(files: Path, value: str) -> None:
    with pytest.raises(PlanRefused):
        with_limits(files, f"frozen_s = {value}", f"frozen_s_reason = {WHY}")


@pytest.mark.parametrize("value", ["1000000000.5", "-1.001e9"])
def test_what_is_no_number_of_anything_is_refused_when_it_is_read(files: Path, value: str) -> None:
    with pytest.raises(Usage):
        with_limits(files, f"frozen_s = {value}", f"frozen_s_reason = {WHY}")


# -- refused -----------------------------------------------------------------------------------------------------------

REFUSED = [
    # hard ones are never loosened, whatever anybody says
    (("low_volts = 19.1",), PlanRefused, "looser than 19.2 V, and this limit may only be made tighter; use at least"),
    (("low_volts = 19.1", f"low_volts_reason = {WHY}"), PlanRefused, "may only be made tighter"),
    (("high_volts = 29.7", f"high_volts_reason = {WHY}"), PlanRefused, "use at most 29.6"),
    (("unattended_temp_max_c = 51", f"unattended_temp_max_c_reason = {WHY}"), PlanRefused, "use at most 50"),
    (("heating_k_per_min = 3.1",), PlanRefused, "may only be made tighter; use at most 3"),
    (("joint_watts = 2.5", f"joint_watts_reason = {WHY}"), PlanRefused, "may only be made tighter; use at most 2"),
    # levels keep their order
    (("low_volts = 20.0",), PlanRefused, "cut-off 20 V is not above low volts 20 V"),
    (("high_volts = 28.8",), PlanRefused, "high volts 28.8 V is not above target 28.8 V"),
    # adjustable ones: with a reason, inside their bounds
    (("rise_above_room_k = 21",), PlanRefused, 'nobody says why; add rise_above_room_k_reason = "..."'),
    (("rise_above_room_k = 31", f"rise_above_room_k_reason = {WHY}"), PlanRefused, "from 10 to 30 K"),
    (("rise_above_room_k = 9",), PlanRefused, "from 10 to 30 K"),
    (("charge_out_share = 1.51", f"charge_out_share_reason = {WHY}"), PlanRefused, "from 1 to 1.5"),
    (("frozen_s = 19",), PlanRefused, "from 20 to 300 s"),
    (("tail_longest_s = 14401",), PlanRefused, "looser than the usual 14400 s"),
    (("frozen_s = 61", 'frozen_s_reason = "because"'), Usage, "too short to be a reason"),
    (("frozen_s = 61", 'frozen_s_reason = ""'), Usage, "an empty text"),
    (("frozen_s = 61", "frozen_s_reason = 7"), Usage, "not a text"),
    ((f"frozen_s_reason = {WHY}",), Usage, "a reason, but no frozen_s beside it"),
    # no numbers
    (("frozen_s = nan",), Usage, "nan (not a number)"),
    (("frozen_s = inf",), Usage, "inf (infinite)"),
    (('frozen_s = "30"',), Usage, "a text, not a number"),
    (("frozen_s = true",), Usage, "true or false, not a number"),
    # no such limit, no such table
    (("over_current = 3",), Usage, "no such key"),
    (("frozen = 30",), Usage, "did you mean frozen_s?"),
]


@pytest.mark.parametrize(("lines", "kind", "says"), REFUSED)
def test_refused(files: Path, lines: tuple[str, ...], kind: type[Exception], says: str) -> None:
    with pytest.raises(kind) as caught:
        with_limits(files, *lines)
    text = str(caught.value)
    assert says in text
    assert "\n" not in text


def test_a_limit_above_the_table_is_told_where_it_belongs(files: Path) -> None:
    pack = files / "pack.toml"
    pack.write_text("frozen_s = 30\n" + pack.read_text(encoding="utf-8"), encoding="utf-8")
    with pytest.raises(Usage, match=r"it belongs below the heading \[limits\]"):
        load_pack(pack)


@pytest.mark.parametrize("value", [nan, inf, -inf])
@pytest.mark.parametrize("key", SETTINGS)
def test_what_is_no_number_is_refused_wherever_it_comes_from(files: Path, key: str, value: float) -> None:
    pack = replace(load_pack(files / "pack.toml"), limits=(Asked(key, value, WHY),))
    with pytest.raises(PlanRefused):
        envelope(pack=pack, bench=load_bench(files / "bench.toml"))


@pytest.mark.parametrize("key", SETTINGS)
def test_a_hair_over_is_over(files: Path, key: str) -> None:
    """Every limit moved past what it may be, with the best of reasons: exit code 10."""
    one, usual = SETTINGS[key], with_limits(files).limit(key)
    away = inf if one.careful == "lower" else -inf
    over = nextafter(usual if one.hard else one.high, away)
    with pytest.raises(PlanRefused) as caught:
        with_limits(files, f"{key} = {over!r}", f"{key}{REASON} = {WHY}")
    assert caught.value.exit_code == 10
    assert key in str(caught.value)


# -- the data sheet, and the table -------------------------------------------------------------------------------------


def test_the_data_sheet_wins_over_the_chemistry(files: Path) -> None:
    """What the pack file says of ends and temperatures holds, where it is the careful side of what trips."""
    pack = load_pack(files / "pack.toml")
    bench = load_bench(files / "bench.toml")
    row = envelope(pack=pack, bench=bench)
    mine = envelope(pack=replace(pack, end_volts=21.0, charge_volts_max=28.0, charge_temp_max_c=40.0), bench=bench)
    assert (row.cut_off_v, row.target_v, row.charge_temp_max_c) == (20.0, 28.8, 45.0)
    assert (mine.cut_off_v, mine.target_v, mine.charge_temp_max_c) == (21.0, 28.0, 40.0)
    assert (mine.low_v, mine.high_v) == (row.low_v, row.high_v)


def test_every_setting_is_somebodys() -> None:
    used = [one.key for make in CLASSES.values() for one in make.settable]  # type: ignore[attr-defined]
    assert sorted(used) == sorted(SETTINGS)


@pytest.mark.parametrize("key", SETTINGS)
def test_readme_has_every_setting(key: str, files: Path) -> None:
    one, usual = SETTINGS[key], with_limits(files).limit(key)
    kind = "tighter only" if one.hard else f"{one.low:g} to {one.high:g}, looser with a reason"
    value = "as the levels above" if key in ("low_volts", "high_volts") else f"{usual:g}"
    unit = one.unit or "-"
    readme = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8").splitlines()
    assert f"| `{key}` | {one.what} | {unit} | {value} | {kind} |" in readme
