"""Pages that stand by themselves: templates, and the one place that fills them.

In: objects whose texts are ready for people; out: HTML that asks nothing of any network and
in which text from outside is text only.
"""

from functools import cache
from typing import TYPE_CHECKING, Any

from markupsafe import Markup

from chrono import __version__
from chrono.plain import plain

if TYPE_CHECKING:
    import jinja2


def page(template: str, **content: Any) -> str:
    """
    Return a page as HTML.

    Parameters
    ----------
    template : str
        Name of a file of this room.
    **content
        What it names. A `Markup` is put in as it is, every other text as text.
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
