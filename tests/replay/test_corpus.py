"""Every recorded run of the corpus comes out again as it was: messages, samples, events, figures."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from corpus_files import CORPUS, GROUPS, contents, names, unpack

from harness.derived import result_of
from harness.folder import RunFolder
from harness.procedure import procedures
from harness.replay import replay
from harness.replay_words import lines_of

README = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")

MOST_BYTES = 400_000
"""The corpus is kept small: it is in every clone, and is played in every run of the tests."""


@pytest.mark.parametrize("name", names())
def test_comes_out_as_recorded(name: str, tmp_path: Path) -> None:
    for folder in unpack(name, tmp_path):
        done = replay(folder)
        assert done.same, "\n".join(lines_of(done))
        assert done.exchanges > 100, "it was played"


def test_the_index_names_what_is_packed() -> None:
    assert names() == sorted(name for group in GROUPS for name in contents(group))


def test_it_stays_small() -> None:
    assert sum(path.stat().st_size for path in CORPUS.iterdir()) <= MOST_BYTES


@pytest.fixture(scope="module")
def ends(tmp_path_factory: pytest.TempPathFactory) -> dict[str, set[str]]:
    """Of each procedure how its runs ended; "exit N" beside the words."""
    found: dict[str, set[str]] = {}
    for name in names():
        for folder in unpack(name, tmp_path_factory.mktemp("run")):
            result = result_of(folder)
            more = {result.end_reason, str(result.outcome), f"exit {result.exit_code}"}
            found.setdefault(result.procedure, set()).update(more)
    return found


def test_every_procedure_is_in_it_finished_stopped_tripped_and_killed(ends: dict[str, set[str]]) -> None:
    assert set(ends) == set(procedures())
    for procedure, how in ends.items():
        assert {"finished", "stopped", "interrupted"} <= how, procedure
        assert {"tripped", "unsafe"} & how, procedure


CODES = {"exit 0", "exit 20", "exit 21", "exit 23", "exit 24", "exit 25", "exit 40", "exit 99"}


def test_every_way_out_is_in_it(ends: dict[str, set[str]]) -> None:
    assert set().union(*ends.values()) >= CODES


HARD_TO_COME_BY = {
    "no charging current flowed", "load limited", "cut-off at other volts the second time",
    "drew far more than before", "driven by charger", "self-test, not a run on battery",
    "did not run on the stand-in", "drew less than half the power expected", "went off before a level was held",
    "restarts by itself", "volts were not as set", "charger stopped",
    "no end of the current up to the highest volts allowed", "driven by charger, as looked for",
    "the charger did not drive the supply's node", "..., not discharged", "mains came back",
    "a level held before the stop was not held after it", "end voltage", "anything with a limit in it",
    "nobody looked: the computer was asleep", "under the end volts from the start",
}  # fmt: skip
"""Of README's table, ends of which no run is kept: they end a phase like others, or want a long run of their own."""


def test_every_end_of_the_table_is_in_it_or_named(ends: dict[str, set[str]]) -> None:
    table = README.partition("**How a run ended**")[2].partition("**Exit codes:**")[0]
    words = [found[1] for found in re.finditer(r"^\| ([^|]+?) \|", table, re.MULTILINE)][1:]
    all_ends = set().union(*ends.values())
    missing = {word for word in words if word not in all_ends and set(word) != {"-"}}
    assert missing <= HARD_TO_COME_BY
    assert set(words) >= HARD_TO_COME_BY, "a word that the table does not have any more"
    assert len(set(words) - HARD_TO_COME_BY) >= 12


def test_older_records_are_played_too(tmp_path: Path) -> None:
    olds = [name for name in names() if name.startswith("form1-")]
    assert {name.removeprefix("form1-") for name in olds} >= set(procedures())
    (folder,) = unpack("form1-capacity", tmp_path)
    assert b'"form":1' in RunFolder(folder.path).wire_jsonl.read_bytes().splitlines()[0]
