"""Fill templates, and write HTML or PDF pages; a page needs no other file.

Text from files or users never becomes HTML code.
"""

import logging
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from markupsafe import Markup

from chrono import __version__
from chrono.errors import OptionError
from chrono.reports.atomic_file import check_new
from chrono.safe_text import plain

if TYPE_CHECKING:
    import jinja2


def render_page(template: str, **content: Any) -> str:
    """
    Fill the template of a page, and return the page as HTML.

    Parameters
    ----------
    template : str
        Name of a file in the folder `pages`.
    **content
        Values for the template. A `Markup` is inserted unchanged, other text as plain text.
    """
    return _pages().get_template(template).render(version=__version__, **content)


@cache
def _pages() -> "jinja2.Environment":
    import jinja2

    return jinja2.Environment(
        loader=jinja2.PackageLoader("chrono.reports", "pages"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        finalize=_harmless,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def _harmless(value: Any) -> Any:
    return plain(value) if isinstance(value, str) and not isinstance(value, Markup) else value


SYSTEM_PACKAGES = "libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0"
"""System packages that WeasyPrint needs, by their Debian names."""


def check_page(path: Path) -> str:
    """
    Check the file name of a page before the work begins, and return the ending of the name.

    Raises
    ------
    OptionError
        If a page cannot have this ending, if the file exists, or if a PDF cannot be made.
    """
    ending = check_new(path, (".html", ".pdf"))
    if ending == ".pdf":
        load_weasyprint()
    return ending


def page_bytes(html: str, ending: str) -> bytes:
    """Return a page as the bytes of an HTML or PDF file."""
    return printed(html) if ending == ".pdf" else html.encode()


def printed(html: str) -> bytes:
    """
    Return a page as a PDF with tags for screen readers, and download nothing.

    Raises
    ------
    OptionError
        If WeasyPrint is missing, if it needs a system library that is missing, or if it fails.
    """
    weasyprint = load_weasyprint()
    # WeasyPrint warns about each property that is only for screens.
    logging.getLogger("weasyprint").setLevel(logging.ERROR)
    fetcher = weasyprint.urls.URLFetcher(allowed_protocols=())
    page = weasyprint.HTML(string=html, url_fetcher=fetcher)
    try:
        pdf: bytes = page.write_pdf(pdf_tags=True)
    except AssertionError as trouble:  # it cannot break every page into sheets
        raise OptionError(
            "WeasyPrint cannot make a PDF of this page",
            hint="choose a file name that ends in .html, and print the page from a browser",
        ) from trouble
    return pdf


def load_weasyprint() -> Any:
    """Load and return the library WeasyPrint, which the program needs only for PDF files."""
    try:
        import weasyprint
        import weasyprint.urls
    except ImportError as trouble:
        raise OptionError(
            f"a PDF needs WeasyPrint, which cannot be loaded ({trouble})",
            hint="run pip install weasyprint; or choose a file name that ends in .html, and "
            "print the page from a browser",
        ) from trouble
    except OSError as trouble:
        raise OptionError(
            "the PDF cannot be made: WeasyPrint needs a library that this computer does not "
            f"have ({str(trouble).splitlines()[0]})",
            hint=f"run apt-get install {SYSTEM_PACKAGES}; or choose a file name that ends in "
            ".html, and print the page from a browser",
        ) from trouble
    return weasyprint
