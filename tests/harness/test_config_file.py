"""What can be wrong with the file itself, before a single key is looked at."""

from __future__ import annotations

import gzip
import hashlib
import os
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.config import load_bench, load_pack
from harness.errors import Usage
from harness.starters import starter_text
from harness.tomlfile import BYTES_MAX, read_toml

Load = Callable[[Path], object]
LOADERS: list[tuple[str, Load]] = [("bench", load_bench), ("pack", load_pack)]


def refusal(load: Load, path: Path) -> str:
    with pytest.raises(Usage) as caught:
        load(path)
    line = str(caught.value)
    assert line.isprintable(), line
    assert caught.value.exit_code == 2
    assert caught.value.__cause__ is None or "\n" not in line
    assert "; " in line, "says what would be accepted"
    return line


def outcome(load: Load, path: Path) -> str | None:
    """The line of a refusal, None when the file was accepted."""
    try:
        load(path)
    except Usage as error:
        return str(error)
    return None


BYTES = [
    (b"", "is empty; write a KIND file with `nightbench new KIND FILE`"),
    (b"\n  \n\t\n", "is empty; write a KIND file"),
    (b"# only a remark\n", "holds no keys at all; write a KIND file"),
    (b'\xef\xbb\xbfname = "x"\n', "begins with a byte-order mark (BOM, bytes EF BB BF); save it as UTF-8 without BOM"),
    ('name = "x"\n'.encode("utf-16"), "is UTF-16 (begins with a byte-order mark, BOM); save it as UTF-8 without BOM"),
    ('name = "x"\n'.encode("utf-16-le"), "is not a text file (it holds zero bytes); name a KIND file (TOML, UTF-8)"),
    (b'name = "x"\nnote = "K\xe4fig"\n', "line 2: byte 0xE4 is not UTF-8 text; save the file as UTF-8"),
    (gzip.compress(b"x" * 99, mtime=0), "is not a text file"),
    (b"\x89PNG\r\n\x1a\n\x00\x00", "is not a text file"),
    (b"#" * (BYTES_MAX + 1), f"more than {BYTES_MAX} bytes"),
    (b"x = " + b"[" * 5000 + b"]" * 5000, "is nested too deep"),
    (b"x = " + b"9" * 5000, "not TOML"),
    (b"elapsed_s,utc,state\n0.0,x,rest\n", "line 1: elapsed_s,utc,state: not TOML"),
    (b'{"schema": 1}\n', "not TOML"),
    (b'name = "x\n', "not TOML"),
]


@pytest.mark.parametrize(("kind", "load"), LOADERS)
@pytest.mark.parametrize(("data", "words"), BYTES, ids=[words[:24] for _, words in BYTES])
def test_bytes_that_are_no_settings(tmp_path: Path, kind: str, load: Load, data: bytes, words: str) -> None:
    path = tmp_path / "file.toml"
    path.write_bytes(data)
    line = refusal(load, path)
    assert line.startswith(f"{path}: ")
    assert words.replace("KIND", kind) in line


@pytest.mark.parametrize(("kind", "load"), LOADERS)
def test_places_that_are_no_file(tmp_path: Path, kind: str, load: Load) -> None:
    missing = refusal(load, tmp_path / "absent.toml")
    assert missing == (
        f"{tmp_path / 'absent.toml'}: no such file, wanted as the {kind} file; "
        f"write one with `nightbench new {kind} FILE`"
    )
    assert refusal(load, tmp_path) == (
        f"{tmp_path}: a folder, not a {kind} file; name the file in it, for example {tmp_path / kind}.toml"
    )
    (tmp_path / "x.toml").write_text("x = 1")
    assert "a part of its path is not a folder" in refusal(load, tmp_path / "x.toml" / "y.toml")
    assert "cannot be read" in refusal(load, tmp_path / "zero\0byte")
    assert "no such file" in refusal(load, tmp_path / "line\nbreak\x1b[31m.toml")
    os.mkfifo(tmp_path / "pipe")
    assert refusal(load, tmp_path / "pipe") == (
        f"{tmp_path / 'pipe'}: not an ordinary file but a device or a pipe; name a {kind} file (TOML)"
    )


@pytest.mark.parametrize("inside", ["samples.csv", "events.jsonl", "result.json"])
def test_the_folder_of_a_run(tmp_path: Path, inside: str) -> None:
    (tmp_path / inside).touch()
    line = refusal(load_bench, tmp_path)
    assert line == (
        f"{tmp_path}: the folder of a run, not a bench file; "
        f"the files that run used are in {tmp_path / 'inputs'}; name one of them"
    )


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (PermissionError(13, "Permission denied"), "may not be read by this user; change its permissions"),
        (OSError(5, "Input/output error"), "cannot be read: [Errno 5] Input/output error"),
    ],
)
def test_a_file_that_cannot_be_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, error: OSError, words: str
) -> None:
    path = tmp_path / "bench.toml"
    path.write_text(starter_text("bench"))

    def refuse(self: Path, *args: object, **kwargs: object) -> None:
        raise error

    # By a stand-in, since root may read anything and tests often run as root.
    monkeypatch.setattr(Path, "open", refuse)
    assert words in refusal(load_bench, path)


LINES = [
    ("rated_ah = 10,5", "line 2: rated_ah = 10,5: a decimal comma; write a point: rated_ah = 10.5"),
    ("rated_ah = -1,25  # Ah", "line 2: rated_ah = -1,25: a decimal comma; write a point: rated_ah = -1.25"),
    ("name = 'again'", "line 2: name is given twice in the same table; keep one of the two"),
    ("name = cabinet", 'line 2: name = cabinet: neither a number, a text in quotes, true nor false; write name = "cab'),
    ("bms = True", "line 2: bms = True: neither a number, a text in quotes, true nor false; write bms = true"),
    ("note = “fine”", "line 2: note = “fine”: curly quotation marks; write straight ones"),
    ("rated_ah 10", "line 2: rated_ah 10: not TOML"),
    ("rated_ah =", "line 2: rated_ah =: not TOML"),
    ("note = 'a", "not TOML"),
    ("[clock]\n[clock]", "line 3: [clock] is given twice in the same table"),
    ("clock.kind = 'wall'\n[clock]", "is given twice in the same table"),
]


@pytest.mark.parametrize(("line", "words"), LINES, ids=[line for line, _ in LINES])
def test_lines_that_are_not_toml(tmp_path: Path, line: str, words: str) -> None:
    path = tmp_path / "pack.toml"
    path.write_text(f"name = 'cabinet'\n{line}\n", encoding="utf-8")
    assert words in refusal(load_pack, path)


@pytest.mark.parametrize("ends", ["\n", "\r\n"])
def test_both_line_ends_are_read_and_the_hash_is_of_the_bytes(tmp_path: Path, ends: str) -> None:
    path = tmp_path / "pack.toml"
    path.write_bytes(starter_text("pack").replace("\n", ends).encode())
    pack = load_pack(path)
    assert pack.rated_ah == 10.0
    assert pack.path == path
    assert pack.text.encode() == path.read_bytes()
    assert pack.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()


@given(data=st.binary(max_size=60) | st.text(max_size=60).map(str.encode))
def test_any_bytes_are_a_table_or_one_line(tmp_path_factory: pytest.TempPathFactory, data: bytes) -> None:
    path = tmp_path_factory.getbasetemp() / "any.toml"
    path.write_bytes(data)
    line = outcome(lambda path: read_toml(path, kind="pack"), path)
    assert line is None or line.isprintable()


@given(where=st.integers(0, 3000), put=st.sampled_from(["=", "[", "nan", '"', ",", "\n", "1e999", "'", "#", "\t", "é"]))
def test_a_slip_of_the_keyboard_is_a_file_or_one_line(
    tmp_path_factory: pytest.TempPathFactory, where: int, put: str
) -> None:
    text = starter_text("bench")
    path = tmp_path_factory.getbasetemp() / "slip.toml"
    path.write_text(text[:where] + put + text[where:], encoding="utf-8")
    line = outcome(load_bench, path)
    assert line is None or (line.isprintable() and line.startswith(f"{path}: "))
