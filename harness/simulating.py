"""``nightbench simulate``: list, tell the truth, serve. Simulated benches are found through entry points."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Callable
from importlib.metadata import entry_points
from pathlib import Path
from typing import Any

import click

from harness.connect import open_simulated, simulated_scenarios
from harness.digits import symbol
from harness.errors import Usage
from harness.signals import StopFlag


def scenarios_text(as_json: bool) -> str:
    """The list of simulated benches."""
    found = simulated_scenarios()
    if as_json:
        return json.dumps({"scenarios": found})
    return "\n".join(f"{name:<12} {words}" for name, words in sorted(found.items()))


def truth_document(scenario: str, seed: int | None) -> dict[str, Any]:
    """The scenario's true figures under the ids of results."""
    sim = open_simulated(scenario, now=lambda: 0.0, seed=seed)
    return {"scenario": scenario, "seed": seed, "simulated": True, "figures": sim.truth()}


def truth_text(scenario: str, seed: int | None) -> str:
    """The same for a person."""
    figures = truth_document(scenario, seed)["figures"]
    return "\n".join(
        f"{name:<16} {figure['value']:.6g} {symbol(figure['unit'])}  SIMULATED" for name, figure in figures.items()
    )


def serve_bench(
    scenario: str,
    *,
    wire: str,
    stepped: bool,
    speed: float | None,
    seed: int | None,
    files: str | None,
    as_json: bool,
) -> None:
    """Serve until a signal comes; one line when all are listening."""
    open_simulated(scenario, now=lambda: 0.0, seed=seed)
    (entry,) = entry_points(group="nightbench.servers")
    serve: Callable[..., Any] = entry.load()
    place = Path(files) if files else Path(tempfile.mkdtemp(prefix="nightbench-"))
    try:
        place.mkdir(parents=True, exist_ok=True)
        served = serve(scenario, seed=seed, wire=wire, stepped=stepped, speed=1.0 if speed is None else speed)
    except ValueError as error:
        raise Usage(f"simulate: {error}") from error
    except OSError as error:
        raise Usage(f"simulate: --files {place}: {error.strerror or error}") from error
    with StopFlag() as flag, served:
        click.echo(_line(served, scenario, place) if as_json else _words(served, scenario, place))
        click.get_text_stream("stdout").flush()
        served.run_forever(flag.asked)


def _write(served: Any, place: Path) -> tuple[Path, Path]:
    bench, pack = place / "bench.toml", place / "pack.toml"
    bench.write_text(served.bench_toml(), encoding="utf-8")
    pack.write_text(served.bench.pack_toml(), encoding="utf-8")
    return bench, pack


def _line(served: Any, scenario: str, place: Path) -> str:
    bench, pack = _write(served, place)
    document = {
        "scenario": scenario,
        "instruments": dict(served.addresses),
        "bench_file": str(bench),
        "pack_file": str(pack),
        "ups_file": None,
        "control": served.control,
    }
    return json.dumps(document)


def _words(served: Any, scenario: str, place: Path) -> str:
    bench, pack = _write(served, place)
    lines = [f"simulated bench {scenario}, listening on this machine only"]
    lines += [f"  {name:<12} {address}" for name, address in served.addresses.items()]
    lines += [f"  bench file   {bench}", f"  pack file    {pack}"]
    lines += [f"try: nightbench run capacity --bench {bench} --pack {pack}", "Ctrl-C ends it"]
    return "\n".join(lines)
