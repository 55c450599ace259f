"""Pages as files: HTML as it is, or PDF, laid out by WeasyPrint by their style for paper."""

import logging
from pathlib import Path
from typing import Any

from chrono.errors import OptionError
from chrono.reports.newfile import check_new

SYSTEM_PACKAGES = "libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0"
"""What WeasyPrint needs of the system, as Debian names it."""


def check_page(path: Path) -> str:
    """
    Return the ending of a page's file, before any work is done for it.

    Raises
    ------
    OptionError
        If it is no page's, the file exists, or there is nothing to make a PDF with.
    """
    ending = check_new(path, (".html", ".pdf"))
    if ending == ".pdf":
        load_weasyprint()
    return ending


def page_bytes(html: str, ending: str) -> bytes:
    """Return a page as its file holds it."""
    return printed(html) if ending == ".pdf" else html.encode()


def printed(html: str) -> bytes:
    """
    Return a page as a tagged PDF; nothing is fetched for it.

    Raises
    ------
    OptionError
        If WeasyPrint, or what it needs of the system, is not there.
    """
    weasyprint = load_weasyprint()
    # It warns of each property that is for screens only.
    logging.getLogger("weasyprint").setLevel(logging.ERROR)
    fetcher = weasyprint.urls.URLFetcher(allowed_protocols=())
    pdf: bytes = weasyprint.HTML(string=html, url_fetcher=fetcher).write_pdf(pdf_tags=True)
    return pdf


def load_weasyprint() -> Any:
    """Return WeasyPrint, loaded when the first page is printed; see `printed`."""
    try:
        import weasyprint
        import weasyprint.urls
    except ImportError as trouble:
        raise OptionError(
            f"a PDF needs WeasyPrint, which cannot be loaded ({trouble})",
            hint="pip install weasyprint, or chrono-gates with its extra [pdf]; or print the "
            ".html from a browser",
        ) from trouble
    except OSError as trouble:
        raise OptionError(
            f"WeasyPrint lacks a library of the system ({str(trouble).splitlines()[0]})",
            hint=f"apt-get install {SYSTEM_PACKAGES}; or print the .html from a browser",
        ) from trouble
    return weasyprint
