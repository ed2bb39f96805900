"""Names, remarks and answers of instruments that would like to be more than words."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from report_runs import Parsed, Runs

from harness.derived import result_of
from harness.report.facts import RunFacts, gather
from harness.report.page import for_css
from harness.report.plots import Curve, Drawn, Panel, Picture, drawn, save_data
from harness.report.run_report import page_of
from harness.result import Limit, Result

HOSTILE = (
    "<script>alert(1)</script>",
    "\"'><img src=x onerror=alert(2)>",
    "</style><style>@import url(http://192.0.2.1/)",
    "</title><base href=http://192.0.2.1/>",
    "{{ 7 * 7 }} {% for x in y %}",
    "\x1b[31mred\x1b]0;title\x07",
    "abc\u202edcba\u200b\ufeff",
    "line\nbreak\r\x00\udc80",
    "&lt;b&gt; &amp;",
    "x" * 400,
)


def spoilt(result: Result, word: str) -> Result:
    """Every text of a result replaced by ``word``, save what is read as a key of ours."""
    document: dict[str, Any] = msgspec.to_builtins(result)
    kept = {"procedure", "outcome", "schema", "verdict", "bound", "unit", "role"}

    def spoil(value: Any, key: str = "") -> Any:
        if isinstance(value, dict):
            return {name: spoil(one, name) for name, one in value.items()}
        if isinstance(value, list | tuple):
            return [spoil(one, key) for one in value]
        return word if isinstance(value, str) and key not in kept else value

    return msgspec.convert(spoil(document), type=Result)


def with_word(facts: RunFacts, word: str) -> RunFacts:
    told = tuple(
        {key: word if isinstance(value, str) and key not in ("kind", "utc") else value for key, value in one.items()}
        for one in (*facts.events, {"kind": "trip", "elapsed_s": 1.0, "text": "x"}, {"kind": "mark", "text": "x"})
    )
    return replace(facts, result=spoilt(facts.result, word), events=told, damage=(word,), left_out=(word,))


@pytest.fixture(scope="module")
def facts(runs: Runs) -> RunFacts:
    folder = runs.folder("c-rate", "unsafe")
    return gather(folder, result_of(folder))


def shape(html: str) -> list[tuple[str, tuple[str, ...]]]:
    """Elements and names of their attributes: what a browser makes of a page, without its words."""
    return [(one.name, tuple(one.attributes)) for one in Parsed(html).tags]


@pytest.mark.parametrize("word", HOSTILE)
def test_a_hostile_word_is_a_word(facts: RunFacts, word: str) -> None:
    html = page_of(with_word(facts, word), [])
    assert shape(html) == shape(page_of(with_word(facts, re.sub(r"[^\n]+", "word", word)), []))
    assert not [mark for mark in html if mark != "\n" and not mark.isprintable()]
    assert "\u202e" not in html


@settings(max_examples=15)
@given(word=st.text(min_size=1, max_size=40).filter(lambda text: bool(text.strip())))
def test_no_word_changes_the_page(facts: RunFacts, word: str) -> None:
    # Some words make lines longer; none makes another element.
    assert set(shape(page_of(with_word(facts, word), []))) == set(shape(page_of(with_word(facts, "word"), [])))


@given(text=st.text())
def test_the_inside_of_a_css_string_stays_inside(text: str) -> None:
    assert not set(str(for_css(text))) & set("\"'\\<>{};\n\r\f")


@pytest.mark.parametrize("word", HOSTILE)
def test_a_hostile_word_in_a_plot_is_drawn(word: str, tmp_path: Path) -> None:
    curve = Curve(x=np.array([0.5, 0.5]), y=np.arange(2.0), kind="bars", names=(word, "$x_1$"))
    picture = Picture(name="budget", title=word, words=word, columns={"source": [word]}, panels=(
        Panel(y_words=word, x_words=word, curves=(curve,)),))  # fmt: skip
    made = drawn(picture, simulated=True)
    assert isinstance(made, Drawn)
    text = save_data(picture, tmp_path, simulated=True).read_text(encoding="utf-8")
    assert "\x1b" not in text
    assert "\x00" not in text


@pytest.mark.parametrize("word", ["=1+1", "+1", "-1 A", "@SUM(A1)", "\t=1"])
def test_no_cell_is_a_formula(word: str, tmp_path: Path) -> None:
    picture = Picture(name="p", title="", words="", panels=(), columns={"source": [word]})
    _, row, _ = save_data(picture, tmp_path, simulated=False).read_text(encoding="utf-8").split("\n")
    assert row.strip('"').lstrip()[:1] not in ("=", "+", "-", "@")


def test_a_reason_for_a_changed_limit_stands_high_up(facts: RunFacts) -> None:
    bench = facts.result.bench
    assert bench is not None
    limit = Limit(what="rise_above_room_k", value=28.0, unit="K", source="[limits] of the pack file, usually 20",
                  reason="cellar in July")  # fmt: skip
    result = msgspec.structs.replace(facts.result, bench=msgspec.structs.replace(bench, limits=(*bench.limits, limit)))
    html = Parsed(page_of(replace(facts, result=result), []))
    assert "rise above the room: 28 K" in html.text("changed-limits")
    assert "cellar in July" in html.text("changed-limits")
    assert "(CHANGED)" in html.text("limits")
    assert html.order("changed-limits", "figures")[0] == "changed-limits"
