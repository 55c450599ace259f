"""Handle special characters and write errors on standard output and standard error."""

import codecs
import errno
import os
import shutil
import sys
import unicodedata
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import TextIO

STAND_INS = {
    "±": "+-",
    "—": "-",
    "–": "-",
    "−": "-",
    "…": "...",
    "·": "*",
    "×": "x",
    "√": "sqrt ",
    "∞": "infinite",
    "²": "^2",
    "³": "^3",
    "₀": "0",
    "°": "deg",
    "≤": "<=",
    "≥": ">=",
    "≈": "~",
    "→": "->",
    "↑": "up",
    "↓": "down",
    "µ": "u",
    "μ": "u",
    "Δ": "D",
    "δ": "d",
    "ε": "e",
    "κ": "k",
    "θ": "theta",
    "σ": "s",
    "Σ": "sum ",
    "ρ": "rho",
    "π": "pi",
    "Ω": "ohm",
    "█": "#",
    "▀": "#",
    "▄": "#",
    "⚠": "!",
    "─": "-",
    "│": "|",
    "└": "+",
    "┤": "+",
    "┬": "+",
    "■": "#",
    "◆": "*",
    "●": "*",
    "○": "o",
    "▲": "^",
    "▼": "v",
    "✖": "x",
    "✚": "+",
    "←": "<-",
    "∓": "-+",
    "≪": "<<",
    "⌊": "[",
    "⌋": "]",
    "∛": "cbrt ",
    "∫": "integral ",
    "½": "1/2",
    "¹": "^1",
    "⁴": "^4",
    "⁺": "^+",
    "ⁿ": "^n",
    "₁": "1",
    "₂": "2",
    "₊": "+",
    "₋": "-",
    "§": "section ",
    "ℓ": "l",
    "Γ": "Gamma",
    "γ": "gamma",
    "ν": "nu",
    "χ": "chi",
    "├": "+",
    "┼": "+",
    **dict.fromkeys("▉▊▋▌▍▎", "#"),
    "▏": "|",
    "◂": "<",
    "▸": ">",
}
"""ASCII replacements for the special characters in our texts."""

_HANDLER = "chrono-stand-in"
_COLUMNS = 80


def text_columns() -> int:
    """Return the width of standard output: 80 columns, or fewer on a narrow terminal."""
    if not sys.stdout.isatty():
        return _COLUMNS
    return min(shutil.get_terminal_size().columns, _COLUMNS)


def stand_in(error: UnicodeError) -> tuple[str, int]:
    """Return ASCII text for characters that a stream cannot show."""
    if not isinstance(error, UnicodeEncodeError):
        raise error
    text = error.object[error.start : error.end]
    return "".join(STAND_INS.get(c) or _without_marks(c) for c in text), error.end


def _without_marks(sign: str) -> str:
    """Return a letter without its accent, "" for an accent alone, `?` for any other sign."""
    if unicodedata.category(sign) == "Mn":
        return ""
    if not sign.isalpha():
        return "?"
    return "".join(c for c in unicodedata.normalize("NFKD", sign) if c.isascii()) or "?"


codecs.register_error(_HANDLER, stand_in)


def prepare() -> None:
    """Keep the program running if a stream is closed or cannot show a character."""
    _stand_for_closed()
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors=_HANDLER)


def _stand_for_closed() -> None:
    """Open a replacement for standard input, output or error if it is closed at the start."""
    # Writing to the read-only replacement of stdout fails, as on a full disk.
    places = ("stdin", os.O_RDONLY), ("stdout", os.O_RDONLY), ("stderr", os.O_WRONLY)
    for name, access in places:
        if getattr(sys, name) is None:
            number = os.open(os.devnull, access)
            stream = os.fdopen(number, "r" if name == "stdin" else "w", encoding="utf-8")
            setattr(sys, name, stream)
            setattr(sys, f"__{name}__", stream)


def carried(text: str) -> str:
    """Replace the characters of a text that standard output cannot show."""
    encoding = sys.stdout.encoding or "ascii"
    return text.encode(encoding, _HANDLER).decode(encoding)


def carries_braille() -> bool:
    """Return True if standard output can show pictures made of Braille characters."""
    return _carries(sys.stdout, "\u28ff\u2524")


def carries_blocks(stream: TextIO) -> bool:
    """Return True if a stream can show pictures made of block characters."""
    return _carries(stream, "▀▄█")


def takes_colours(stream: TextIO) -> bool:
    """Return True if a stream is a terminal with colours, and the user wants colours."""
    if os.environ.get("NO_COLOR") or os.environ.get("TERM", "dumb") == "dumb":
        return False
    return stream.isatty()


def _carries(stream: TextIO, signs: str) -> bool:
    try:
        signs.encode(stream.encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        return False
    return True


def why(error: OSError) -> str:
    """Return a text that states why writing to a stream failed."""
    if isinstance(error, BrokenPipeError):
        return "another program read the output, but it has ended"
    return "the output is closed" if error.errno == errno.EBADF else str(error.strerror)


def abandon_output() -> None:
    """Discard all output that is not written yet, so that the program ends without an error."""
    with suppress(OSError, ValueError):
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, sys.stdout.fileno())
        os.close(nowhere)


@contextmanager
def flushed() -> Iterator[None]:
    """At the end of the ``with`` block, write out all output that waits in the buffer."""
    yield
    sys.stdout.flush()
