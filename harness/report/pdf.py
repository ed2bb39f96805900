"""A page as PDF, with the extra: the same sheets that a browser prints."""

from __future__ import annotations

import importlib.util
import logging
from pathlib import Path
from typing import Any

from harness.durable import replace_file
from harness.errors import Usage

MISSING = "--pdf: weasyprint is not installed; install nightbench[pdf], or print report.html to PDF with a browser"


# What a browser prints in a grid is set in blocks here: so a section may go on over the edge of a sheet.
SHEETS = """
.main { display: flex !important } .main > div { flex: 1 1 0 !important }
section, .next { display: block !important }
section > h2, .next h2 { padding-top: 1mm !important; margin-bottom: .6mm !important; border-top-width: 2px !important }
section > .body, .next ol { border-top: 0 !important; padding-top: 0 !important }
"""


def pdf_ready() -> None:
    """Raises ``Usage`` in one line without the extra."""
    if importlib.util.find_spec("weasyprint") is None:
        raise Usage(MISSING)


def write_pdf(page: Path) -> Path:
    """``report.pdf`` beside ``report.html``; raises ``Usage`` without the extra and ``RecordFailed``.

    Nothing is fetched: a page holds all it shows.
    """
    pdf_ready()
    try:
        import weasyprint
    except OSError as error:  # it needs libraries of the system besides
        raise Usage(f"--pdf: weasyprint cannot be used here ({error}); print report.html with a browser") from error
    # What it does not know of a style sheet is no matter of a person's.
    logging.getLogger("weasyprint").setLevel(logging.CRITICAL)
    made: Any = weasyprint.HTML(filename=str(page), url_fetcher=_fetcher(weasyprint)).write_pdf(
        stylesheets=[weasyprint.CSS(string=SHEETS)]
    )
    place = page.with_suffix(".pdf")
    replace_file(place, made)
    return place


def _fetcher(weasyprint: Any) -> Any:
    """Data within the page, and nothing else: no file, no network."""
    return weasyprint.urls.URLFetcher(allowed_protocols=("data",))
