"""What the page's server answers: the page, its state, its trace, and a stop that is asked for."""

from __future__ import annotations

import asyncio
import hmac
import secrets
from collections.abc import Callable
from datetime import datetime
from functools import lru_cache
from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import FileResponse, HTMLResponse, JSONResponse, PlainTextResponse, Response
from starlette.routing import Route
from starlette.types import ASGIApp

from harness.errors import Usage
from harness.folder import RunFolder
from harness.page.gate import Gate, Rule
from harness.page.looker import Looker
from harness.plain import safe_text
from harness.report import look as inks
from harness.stop_request import ask_stop

STATIC = Path(__file__).parent / "static"
PLAIN_FILES = {"page.js": "text/javascript", "page.css": "text/css"}

STOP_WAIT_S = 5.0
"""Longest wait for the folder to take the line that asks for the stop, s."""


def page_app(folder: RunFolder, rule: Rule, *, wall: Callable[[], float], utc: Callable[[], datetime]) -> ASGIApp:
    """The page of one run, as an ASGI application."""
    looker = Looker(folder, wall=wall, utc=utc)
    word = secrets.token_urlsafe(16)
    """Whoever asks for the stop has read the page: another site's script cannot."""

    async def page(_request: Request) -> Response:
        return HTMLResponse(_page(folder.name, word))

    async def state(_request: Request) -> Response:
        return JSONResponse(looker.document(await looker.look()))

    async def trace(_request: Request) -> Response:
        return JSONResponse(looker.trace(await looker.look()))

    async def stop(request: Request) -> Response:
        if not hmac.compare_digest(request.headers.get("x-page-word", "").encode(), word.encode()):
            return JSONResponse({"told": False, "words": "the page is older than its server: load it again"}, 403)
        who = request.client.host if request.client is not None else "somebody"
        return JSONResponse(await _stop(folder, by=f"the page, from {who}"))

    async def plain(request: Request) -> Response:
        name = request.path_params["name"]
        if name not in PLAIN_FILES:
            return PlainTextResponse("there is no such thing here\n", status_code=404)
        return FileResponse(STATIC / name, media_type=PLAIN_FILES[name])

    async def plot_script(_request: Request) -> Response:
        place = plot_library()
        if place is None:
            return PlainTextResponse("// no plots: pip install 'nightbench[page]'\n", media_type="text/javascript")
        return FileResponse(place, media_type="text/javascript")

    routes = [
        Route("/", page),
        Route("/state.json", state),
        Route("/trace.json", trace),
        Route("/stop", stop, methods=["POST"]),
        Route("/plots.js", plot_script),
        Route("/{name}", plain),
    ]
    return Gate(Starlette(routes=routes), rule)


async def _stop(folder: RunFolder, *, by: str) -> dict[str, object]:
    """Ask for it, and say what came of that; a disk that hangs is not waited for."""
    try:
        await asyncio.wait_for(asyncio.to_thread(ask_stop, folder, by=by), STOP_WAIT_S)
    except Usage as error:
        return {"told": False, "words": safe_text(str(error))}
    except TimeoutError:
        words = "the run's folder does not answer, and the run may NOT have been told: press Ctrl-C where it runs"
        return {"told": False, "words": words}
    return {"told": True, "words": "asked to stop: wait here until it says that off was confirmed"}


def _page(name: str, word: str) -> str:
    here = Environment(loader=FileSystemLoader(STATIC), autoescape=True, undefined=StrictUndefined)
    pens = {"volts": inks.VOLTS, "amps": inks.AMPS, "temp": inks.TEMP}
    return here.get_template("page.html").render(
        name=safe_text(name),
        word=word,
        inks={"paper": inks.PAPER, "ink": inks.INK, "soft": inks.SOFT, "rule": inks.RULE, "wash": inks.WASH},
        pens={what: pen.ink for what, pen in pens.items()},
    )


@lru_cache(maxsize=1)
def plot_library() -> Path | None:
    """The script that draws plots, as its package brings it; ``None`` where that is not installed."""
    from importlib.util import find_spec

    spec = find_spec("plotly")
    if spec is None or spec.origin is None:
        return None
    place = Path(spec.origin).parent / "package_data" / "plotly.min.js"
    return place if place.is_file() else None
