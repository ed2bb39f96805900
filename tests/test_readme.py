"""README.md and DEVELOPERS.md say what is so: commands parse, short ones run, files exist, words are those in use."""

from __future__ import annotations

import re
import shlex
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from harness.cautions import CAUTIONS
from harness.cli import main
from harness.config_bench import BENCH_KEYS, CLOCK_KEYS
from harness.config_instrument import INSTRUMENT_KEYS
from harness.config_pack import PACK_KEYS
from harness.config_ups import SITE_FACTS, UPS_KEYS
from harness.errors import Usage
from harness.limits_settings import SETTINGS
from harness.listing import TITLES
from harness.planning import plan_keys, read_plan
from harness.procedure import procedures

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
PAGES = {"README.md": README, "DEVELOPERS.md": DEVELOPERS}

SET_UP = "python3 -m venv --without-pip .venv && python3 -m pip --python .venv/bin/python install -q -e "
DEMO = SET_UP + ". && .venv/bin/nightbench demo"
TESTS = SET_UP + "'.[test]' && .venv/bin/pytest -n 4 -q"

LONG = (
    r"run (?!.*--dry)",  # a whole night, measured elsewhere
    r"simulate \S+ .*--(stepped|speed|files)",  # serves until it is ended
    r"simulate \S+ --truth",  # a whole night of ideal instruments
    r"(mark|show|fit|compare|resume|report|replay|export) ",  # need runs of that name
    r"qualify (?!.*--dry)",  # most of a day, measured elsewhere
    r"runs$",  # needs a run
    r"safe |stops |check .*--unattended",  # below, with what they need
    r"instruments$|instruments --probe (?!sim:)",  # would look at this machine's ports and its network
)
"""Commands that are parsed but not run here, and why."""


@dataclass(slots=True)
class Shown:
    """A command of a page, and the output shown below it ("..." stands for any lines)."""

    page: str
    command: str
    output: list[str] = field(default_factory=list)

    @property
    def words(self) -> list[str]:
        return shlex.split(self.command)[1:]

    @property
    def is_long(self) -> bool:
        return any(re.match(pattern, self.command.partition(" ")[2]) for pattern in LONG)


def shown(page: str, text: str) -> Iterator[Shown]:
    for block in re.findall(r"^ *```console\n(.*?)^ *```", text, re.DOTALL | re.MULTILINE):
        current: Shown | None = None
        for line in block.splitlines():
            line = line.strip()
            if line.startswith("$ "):
                if current is not None:
                    yield current
                current = Shown(page, line[2:])
            elif current is not None:
                current.output.append(line)
        if current is not None:
            yield current


COMMANDS = [one for page, text in PAGES.items() for one in shown(page, text)]
OURS = [one for one in COMMANDS if one.command.startswith("nightbench")]


def as_shown(expected: list[str], got: str) -> bool:
    pattern = r"\n".join(".*?" if line == "..." else re.escape(line) for line in expected)
    return re.fullmatch(pattern, got.strip("\n"), re.DOTALL) is not None


def one_line(text: str) -> str:
    return " ".join(text.split())


# -- the two commands --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("command", [DEMO, TESTS])
def test_each_of_the_two_commands_stands_there_once(command: str) -> None:
    assert README.splitlines().count(command) == 1


def test_there_are_only_these_two_set_ups() -> None:
    assert re.findall(r"^python3.*", README, re.MULTILINE) == [DEMO, TESTS]


def test_the_checking_script_takes_its_command_from_the_page() -> None:
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    assert "README.md" in script
    assert "pip install" not in script
    (pattern,) = re.findall(r"grep -E '([^']+)' README\.md", script)
    assert [line for line in README.splitlines() if re.search(pattern, line)] == [TESTS]


def test_the_job_comes_first() -> None:
    before = README.partition(DEMO)[0]
    paragraphs = [part for part in before.split("\n\n") if part and not part.startswith(("#", "```"))]
    assert len(paragraphs) == 2, "one paragraph with the job, one line before the first command"


# -- commands ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("one", OURS, ids=lambda one: one.command)
def test_command_parses(one: Shown) -> None:
    name, *rest = one.words
    command = main.get_command(click.Context(main), name)
    assert command is not None, f"{one.page}: there is no command {name}"
    context = command.make_context(name, list(rest))
    if "sets" in context.params:
        asked = context.params["procedure"] or "capacity"
        assert asked in procedures()
        read_plan(procedures()[asked], tuple(context.params["sets"]))


def test_short_commands_run_in_the_order_shown(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    ran = 0
    seen: set[str] = set()
    for one in OURS:
        if one.page != "README.md" or one.is_long or one.command in seen:
            continue
        seen.add(one.command)
        outcome = CliRunner().invoke(main, one.words)
        assert outcome.exit_code == 0, f"{one.command}: {outcome.output}"
        assert not one.output or as_shown(one.output, outcome.stdout), f"{one.command} printed: {outcome.stdout}"
        ran += 1
    assert ran >= 6


def test_unattended_check_and_safe_run_on_the_starting_files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    for kind in ("bench", "pack"):
        assert CliRunner().invoke(main, ["new", kind, f"{kind}.toml"]).exit_code == 0
    words = "--bench bench.toml --pack pack.toml --set charge_first=false"
    # What is left alone was watched once before; without that first run the check is refused for that and nothing else.
    watched = f"run capacity {words} --set rest_s=0 --set rest_after_s=0 --set rate_it=0.5".split()
    wanted = [
        (f"check {words} --unattended", 11),
        (watched, 0),
        ("safe --bench bench.toml", 0),
        ("stops --bench bench.toml", 0),
    ]
    for command, code in wanted:
        if isinstance(command, str):
            assert any(one.command == f"nightbench {command}" for one in OURS), command
            command = command.split()
        outcome = CliRunner().invoke(main, command)
        assert outcome.exit_code == code, outcome.output
        assert code == 0 or "no run of this plan with somebody there" in " ".join(outcome.output.split())
        assert code == 0 or "refused: 1" in outcome.output


def test_a_bench_served_in_one_terminal_is_met_from_another(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (serve,) = [one for one in OURS if "--stepped" in one.command and one.page == "README.md"]
    monkeypatch.chdir(tmp_path)
    server = subprocess.Popen([sys.executable, "-m", "harness.cli", *serve.words], stdout=subprocess.PIPE, text=True)
    try:
        assert server.stdout is not None
        said = [server.stdout.readline()]
        while said[-1] and "Ctrl-C" not in said[-1]:
            said.append(server.stdout.readline())
        assert "cabinet" in said[0], "the server ended early"
        met = [one for one in OURS if "served/bench.toml" in one.command]
        assert met
        checked = CliRunner().invoke(main, ["check", "--bench", "served/bench.toml", "--pack", "served/pack.toml"])
        assert checked.exit_code == 0, checked.output
        assert "TCPIP::127.0.0.1::" in checked.output
    finally:
        server.terminate()
        server.wait(timeout=20)
        assert server.stdout is not None
        server.stdout.close()


@pytest.mark.parametrize(
    ("expected", "got", "same"),
    [
        (["..."], "anything\nat all\n", True),
        (["a", "...", "z"], "a\nb\nc\nz\n", True),
        (["...", "end"], "one\nend\n", True),
        (["a"], "b\n", False),
        (["a", "...", "z"], "a\nb\n", False),
        (["..."], "", True),
    ],
)
def test_shown_output_is_compared(expected: list[str], got: str, same: bool) -> None:
    assert as_shown(expected, got) is same


# -- words -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("caution", CAUTIONS)
def test_the_page_holds_every_caution(caution: str) -> None:
    assert caution in one_line(README.partition("## Cautions")[2])


def ticked(text: str) -> list[str]:
    """What stands between back-ticks in running text, code blocks left out."""
    bare = re.sub(r"^ *```.*?^ *```", "", text, flags=re.DOTALL | re.MULTILINE)
    return re.findall(r"`([^`\n]+)`", bare)


def paths(text: str) -> set[str]:
    tops = {path.name for path in ROOT.iterdir()} - {"runs"}
    words = {word for tick in ticked(text) for word in tick.split() if re.fullmatch(r"[\w./<>*-]+", word)}
    links = set(re.findall(r"\]\(([^)#]+)\)", text))
    return links | {word for word in words if word.split("/")[0] in tops and ("/" in word or "." in word[1:])}


@pytest.mark.parametrize("page", PAGES)
def test_every_file_named_is_there(page: str) -> None:
    named = {name for name in paths(PAGES[page]) if not re.search(r"[<*]|^\.venv", name)}
    assert named
    assert [name for name in sorted(named) if not (ROOT / name).exists()] == []


@pytest.mark.parametrize("page", PAGES)
def test_every_option_named_is_there(page: str) -> None:
    known = {"-h", "--help", "--version"}
    for command in main.commands.values():
        known |= {text for parameter in command.params for text in parameter.opts if text.startswith("-")}
    elsewhere = {"--hypothesis-profile", "--strict", "--nightbench-runs"}
    for program in ("campaign", "mutation"):
        source = (ROOT / f"tests/safety/{program}.py").read_text(encoding="utf-8")
        elsewhere |= set(re.findall(r'add_argument\(\s*"(--[a-z-]+)"', source))
    named = {found for tick in ticked(PAGES[page]) for found in re.findall(r"(?<![\w-])--[a-z-]+", tick)}
    assert named - known - elsewhere == set()


@pytest.mark.parametrize("page", PAGES)
def test_every_command_named_is_there(page: str) -> None:
    named = {found for tick in ticked(PAGES[page]) for found in re.findall(r"^nightbench ([a-z]+)", tick)}
    assert named <= set(main.commands)


@pytest.mark.parametrize("command", sorted(main.commands))
def test_every_command_stands_in_readme(command: str) -> None:
    assert f"nightbench {command}" in README


KEYS = {*BENCH_KEYS, *CLOCK_KEYS, *INSTRUMENT_KEYS, *PACK_KEYS, *UPS_KEYS, *SITE_FACTS} - {"clock", "instrument"}


@pytest.mark.parametrize("key", sorted(KEYS))
def test_every_key_of_the_files_is_explained(key: str) -> None:
    assert key in ticked(README.partition("## The three files")[2])


def test_the_keys_explained_are_keys() -> None:
    section = README.partition("## The three files")[2].partition("## Reading the result")[0]
    rows = re.findall(r"^\| (`.*?) \|", section, re.MULTILINE)
    explained = {key for row in rows for key in re.findall(r"`(\w+)`", row)}
    assert explained <= {*INSTRUMENT_KEYS, *PACK_KEYS, *UPS_KEYS, *SITE_FACTS, *SETTINGS}
    assert len(explained) > 30


@pytest.mark.parametrize("figure", sorted(TITLES))
def test_every_figure_is_explained(figure: str) -> None:
    assert f"`{figure}`" in README.partition("## Reading the result")[2]


def reasons() -> set[str]:
    """Texts of the procedures that are set as the reason of an end: constants of a file with ``end_reason`` in it."""
    found = set()
    for path in (ROOT / "procedures").glob("*.py"):
        text = path.read_text(encoding="utf-8")
        if "end_reason" in text:
            named = re.findall(r'^([A-Z_]+) = "([a-z ,]+)"$', text, re.MULTILINE)
            found |= {words for name, words in named if len(re.findall(rf"\b{name}\b", text)) > 1}
    return found


@pytest.mark.parametrize("reason", sorted(reasons()))
def test_every_way_to_finish_is_explained(reason: str) -> None:
    assert f"| {reason} |" in README


def test_ways_to_finish_were_found() -> None:
    assert {"end volts reached", "end current reached", "pack opened"} <= reasons()


def test_plan_keys_named_are_keys() -> None:
    known = {key.name for procedure in procedures().values() for key in plan_keys(procedure)}
    named = set(re.findall(r"--set ([a-z_]+)=", README))
    assert named
    assert named <= known
    with pytest.raises(Usage):
        read_plan(procedures()["capacity"], ("no_such_key=1",))
