"""Whatever stands in a dialect file, it is a dialect or it is refused in one line."""

from __future__ import annotations

from importlib import resources

from hypothesis import example, given
from hypothesis import strategies as st

from drivers.dialect import DialectRefused, parse, shipped

SHIPPED = {name: (resources.files("drivers") / "dialects" / f"{name}.toml").read_text("utf-8") for name in shipped()}

WORDS = """kind words volts amps output ask set set_on unit decimals step reply line channels how most trips bit mode
mask function cc remote protection watchdog seconds armed trip clear terminator pace_s identity least per_unit form
reply_on order_reply boot_s x"""
KEYS = st.sampled_from(WORDS.split()) | st.text(max_size=3)
VALUES_ANY = st.recursive(
    st.sampled_from(["supply", "load", "meter", "V", "A", "V {}", "{channel}", "select", "suffix", "*", "\n", "1", ""])
    | st.text(max_size=4)
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.datetimes(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(KEYS, inner, max_size=4),
    max_leaves=12,
)


def toml(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return '"' + "".join(f"\\U{ord(c):08X}" for c in value) + '"'
    if isinstance(value, list):
        return "[" + ", ".join(toml(one) for one in value) + "]"
    if isinstance(value, dict):
        return "{" + ", ".join(f"{toml(key)} = {toml(one)}" for key, one in value.items()) + "}"
    if isinstance(value, float | int):
        return str(value)
    return value.isoformat()


@given(table=st.dictionaries(KEYS, VALUES_ANY, max_size=8))
def test_any_toml_is_a_dialect_or_refused_in_one_line(table):
    table = {key: one for key, one in table.items() if not _surrogate((key, one))}
    text = "\n".join(f"{toml(key)} = {toml(one)}" for key, one in table.items())
    _dialect_or_one_line(text)


def _surrogate(value: object) -> bool:
    return any(0xD800 <= ord(c) <= 0xDFFF for c in repr(value))


@example(name="scpi-supply-list", place=("volts", "set"), value={"a": 1})
@given(
    name=st.sampled_from(shipped()),
    place=st.tuples(KEYS, KEYS) | st.tuples(KEYS),
    value=VALUES_ANY.filter(lambda value: not _surrogate(value)),
)
def test_a_shipped_file_with_anything_in_one_place(name, place, value):
    text = SHIPPED[name]
    lines = [line for line in text.splitlines() if not line.startswith(f"{place[-1]} =")]
    if len(place) == 2 and f"[{place[0]}]" in lines:
        lines.insert(lines.index(f"[{place[0]}]") + 1, f"{toml(place[1])} = {toml(value)}")
    else:
        lines.insert(0, f"{toml(place[-1])} = {toml(value)}")
    _dialect_or_one_line("\n".join(lines))


@given(st.text(max_size=60))
def test_any_text_is_refused_in_one_line(text):
    _dialect_or_one_line(text)


def _dialect_or_one_line(text: str) -> None:
    try:
        parse(text, where="any.toml")
    except DialectRefused as refused:
        said = str(refused)
        assert said.startswith("any.toml: ")
        assert said.isprintable()
