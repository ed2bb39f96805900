"""``nightbench simulate``: list, tell the truth, serve. Simulated benches are found through entry points."""

from __future__ import annotations

import json
import os
import tempfile
from collections.abc import Callable
from importlib import resources
from importlib.metadata import entry_points
from pathlib import Path
from typing import Any

from harness.clock import SHORTEST_PERIOD_S
from harness.config_bench import LOOP_PERIOD_S
from harness.connect import open_simulated, simulated_scenarios
from harness.digits import duration, symbol
from harness.errors import Usage
from harness.lines import wrapped
from harness.show import SIMULATED
from harness.signals import StopFlag
from harness.telling import words

HEAD = "# Written by `nightbench simulate`, anew each time it serves into this folder: copy it before you change it.\n"


LONGEST_PERIOD_S = LOOP_PERIOD_S[1]


def scenarios_text(as_json: bool) -> str:
    """The list of simulated benches."""
    found = simulated_scenarios()
    if as_json:
        return json.dumps({"scenarios": found})
    width = max(map(len, found))
    return wrapped(f"{name:<{width}}  {words}" for name, words in sorted(found.items()))


def truth_document(scenario: str, seed: int | None) -> dict[str, Any]:
    """The scenario's true figures under the ids of results."""
    sim = open_simulated(scenario, now=lambda: 0.0, seed=seed)
    document = {"scenario": scenario, "seed": seed, "simulated": True, "figures": sim.truth()}
    fit = sim.true_verdict()
    return document if fit is None else document | {"fit": fit}


def truth_text(scenario: str, seed: int | None) -> str:
    """The same for a person."""
    document = truth_document(scenario, seed)
    lines = []
    for name, figure in document["figures"].items():
        value = f"{figure['value']:.6g} {symbol(figure['unit'])}".rstrip()
        if isinstance(figure["value"], bool):
            value = "yes" if figure["value"] else "no"
        lines.append(f"{name:<26} {value}  {SIMULATED}")
    return wrapped([*lines, *_fit_lines(document.get("fit"))])


def _fit_lines(fit: dict[str, Any] | None) -> list[str]:
    """Whether pack and UPS fit in truth, rule by rule."""
    if fit is None:
        return []
    by = f", decided by: {fit['decides']}" if fit["decides"] else ""
    lines = [f"{fit['verdict']}{by}  {SIMULATED}"]
    lines += [f"  {line['about']:<24} {line['verdict']}: {line['sentence']}" for line in fit["lines"]]
    lines += [f"  at {one['load_w']:g} W for {duration(one['runtime_s']['value'])}" for one in fit["runtime_s"]]
    return lines


def serve_bench(
    scenario: str,
    *,
    wire: str,
    stepped: bool,
    speed: float | None,
    seed: int | None,
    files: str | None,
    with_parent: bool,
    tell: Callable[[dict[str, Any]], None],
) -> None:
    """Serve until a signal comes; ``tell`` hears once, when all are listening, where they are. Raises ``Usage``."""
    open_simulated(scenario, now=lambda: 0.0, seed=seed)
    if speed is not None and speed * SHORTEST_PERIOD_S > LONGEST_PERIOD_S:
        most = LONGEST_PERIOD_S / SHORTEST_PERIOD_S
        words(f"note: a run refuses this bench: at --speed {speed:g} its samples would come too fast, at most {most:g}")
    (entry,) = entry_points(group="nightbench.servers")
    serve: Callable[..., Any] = entry.load()
    place = _folder(files)
    try:
        served = serve(scenario, seed=seed, wire=wire, stepped=stepped, speed=1.0 if speed is None else speed)
    except (ValueError, OSError) as error:
        raise Usage(f"simulate: {error}") from error
    parent = os.getppid()
    with StopFlag() as flag, served:
        written = _write_files(served, place)
        told = {"scenario": scenario, "simulated": True, "instruments": dict(served.addresses)}
        tell({**told, **written, "control": served.control})
        served.run_forever(lambda: flag.asked() or (with_parent and os.getppid() != parent))


def _write_files(served: Any, place: Path) -> dict[str, str]:
    """The files that a run on this bench wants, and the dialects of its own; where they are. Raises ``Usage``."""
    for name, text in served.bench.dialect_files(_shipped_text).items():
        _refuse_a_persons(place / name)
        _write(place / name, text)
    texts = {"bench": served.bench_toml(), "pack": served.bench.pack_toml(), "ups": served.bench.ups_toml()}
    return {f"{kind}_file": str(_write(place / f"{kind}.toml", text)) for kind, text in texts.items()}


def _shipped_text(name: str) -> str:
    """The text of a shipped dialect."""
    return (resources.files("drivers") / "dialects" / f"{name}.toml").read_text("utf-8")


def _folder(files: str | None) -> Path:
    if files is None:
        return Path(tempfile.mkdtemp(prefix="nightbench-"))
    place = Path(files)
    try:
        place.mkdir(parents=True, exist_ok=True)
    except FileExistsError as error:
        raise Usage(f"simulate: --files {place}: there is a file of this name; name a folder") from error
    except OSError as error:
        raise Usage(f"simulate: --files {place}: {error.strerror or error}; name a folder you may write to") from error
    for name in ("bench.toml", "pack.toml", "ups.toml"):
        _refuse_a_persons(place / name)
    return place


def _refuse_a_persons(path: Path) -> None:
    """Only what an earlier ``simulate`` wrote is written anew."""
    try:
        ours = path.read_bytes().startswith(HEAD.encode())
    except FileNotFoundError:
        return
    except OSError:
        ours = False
    if not ours:
        raise Usage(f"simulate: {path}: there already, and not written by simulate; name another folder with --files")


def _write(path: Path, text: str) -> Path:
    try:
        path.write_text(HEAD + text, encoding="utf-8")
    except OSError as error:
        why = error.strerror or str(error)
        raise Usage(f"simulate: {path}: cannot be written ({why}); choose another --files") from error
    return path


def serving_text(told: dict[str, Any]) -> str:
    """What is said to a person once all are listening."""
    lines = [f"{SIMULATED} bench {told['scenario']}, listening on this machine only"]
    lines += [f"  {name:<12} {address}" for name, address in told["instruments"].items()]
    lines += [f"  {kind} file{'':<{8 - len(kind)}}{told[f'{kind}_file']}" for kind in ("bench", "pack", "ups")]
    lines += [
        "in another terminal:",
        f"  nightbench run capacity --bench {told['bench_file']} --pack {told['pack_file']}",
        "Ctrl-C ends it",
    ]
    return "\n".join(lines)
