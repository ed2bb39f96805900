"""Makes the corpus of recorded runs anew: ``python tests/replay/make_corpus.py [CASE...]``.

To be done where runs differ from the record on purpose (see DEVELOPERS.md); what it makes is looked at before it is
committed. Cases over sockets take real time, two minutes in all. Form 1 needs a checkout of the program as it was
before there was a tape, and is left as it is: ``--form1 TREE``.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import tomllib
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
ROOT = HERE.parents[1]


def main(words: list[str]) -> int:
    """Make those named, or all."""
    options = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["pytest"]["ini_options"]
    sys.path[:0] = [str(ROOT / one) for one in options["pythonpath"]]
    from corpus_files import names, put

    with tempfile.TemporaryDirectory() as place:
        if words[:1] == ["--form1"]:
            made, bad = form1(Path(words[1]).resolve(), Path(place)), 0
        else:
            made, bad = anew(words, Path(place))
        size = put(made, whole=not words or words[0] == "--form1")
    print(f"{len(names())} cases, {size} bytes in all, {bad} not as they should be")
    return 1 if bad else 0


def anew(words: list[str], place: Path) -> tuple[dict[str, Any], int]:
    """By the program as it is: the runs, and how many are not what their case says or do not come out again."""
    from corpus_cases import CASES

    from harness.derived import result_of
    from harness.replay import replay
    from harness.replay_words import lines_of

    made, bad = {}, 0
    for case in CASES:
        if words and case.name not in words:
            continue
        os.environ["NIGHTBENCH_STATE"] = str(place / case.name / "state")
        (place / case.name).mkdir()
        made[case.name] = folders = list(case.make(place / case.name))
        said = result_of(folders[-1])
        ended = "interrupted" if said.outcome == "interrupted" else said.end_reason
        wrong = "" if ended.startswith(case.says) else f"  NOT {case.says!r}"
        unlike = [line for one in map(replay, folders) if not one.same for line in lines_of(one)]
        bad += bool(wrong or unlike)
        print(f"{case.name}: {ended[:90]}{wrong}", *unlike, sep="\n", flush=True)
    return made, bad


def form1(tree: Path, place: Path) -> dict[str, Any]:
    """By a checkout of the program from before the tape."""
    from harness.folder import RunFolder

    path = os.pathsep.join(map(str, (tree, tree / "tests" / "safety", tree / "tests" / "procedures")))
    environment = os.environ | {"PYTHONPATH": path, "NIGHTBENCH_STATE": str(place / "state")}
    subprocess.run([sys.executable, HERE / "form1_runs.py", place / "out"], env=environment, cwd=tree, check=True)
    return {case.name: [RunFolder.open(one) for one in case.iterdir()] for case in sorted((place / "out").iterdir())}


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
