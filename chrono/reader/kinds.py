"""Which kind of lines a board sends, told from some of them."""

from collections.abc import Iterable
from typing import get_args

from chrono.reader.line_grammar import PARSERS, LineDamage, Lines
from chrono.reader.recording_rows import unescape

ENOUGH = 4
"""So many lines of one kind are no chance; the first line of five may be a piece of one."""


def kind_of(texts: Iterable[str]) -> Lines | None:
    """
    Return the kind of which lines are, None if too few are of one kind.

    Parameters
    ----------
    texts : iterable of str
        Lines as a recording holds them.
    """
    lines = [text.encode("ascii", "replace") for text in texts]
    for kind in get_args(Lines):
        if sum(_is_one(line, kind) for line in lines) >= ENOUGH:
            return kind
    return None


def _is_one(line: bytes, kind: Lines) -> bool:
    try:
        found = PARSERS[kind](unescape(line))
    except ValueError:
        return False
    return found is not None and not isinstance(found, LineDamage)
