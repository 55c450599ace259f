"""Write and read single rows of a recording, and escape special bytes from the board.

A row is ``host_us<TAB>origin<TAB>text<NEWLINE>``. This module does not read or write files.
"""

import json
import re
from collections.abc import Iterable
from dataclasses import asdict
from functools import lru_cache
from math import isfinite
from typing import Any, NamedTuple

from chrono.reader.line_grammar import MAX_DIGITS, PARSERS, Event, Hello, LineDamage
from chrono.rigs.line_kinds import FRAMED, LINE_KINDS, LineKind

HEADER = b"host_us\torigin\tline\n"
"""The first line of every recording."""

CUT_MARK = b"\\cut\n"
"""This text ends an incomplete row. No board line or JSON record can contain this text."""

BOARD = "board"
HELLO = "hello"
JSON_ORIGINS = frozenset({"file", "rig", "link", "setup", "mark"})
SHORTEST_RECORD = len(b"0\tboard\t")
"""A row with fewer bytes is always damaged."""

MAX_ROW_BYTES = 1_000_000
"""A row with more bytes counts as damaged."""

MAX_JSON_LEVELS = 16
"""A JSON record with more nested levels counts as damaged."""

SHORT_RECORD_BYTES = 1000
"""The program keeps parsed records that are not longer, for rows with the same text."""

ENOUGH = 4
"""If this many lines are of one kind, the board sends this kind of lines."""

_ORIGINS = {origin.encode(): origin for origin in (BOARD, *JSON_ORIGINS)}
_UNSAFE = re.compile(rb"[^ -\[\]-~]")
_ESCAPED = re.compile(rb"\\(?:x([0-9A-F]{2})|([t\\])|)")
_HOST = re.compile(rb"[0-9]{1,%d}" % MAX_DIGITS)


class Row(NamedTuple):
    """
    The content of one row of a recording.

    Attributes
    ----------
    host_us : int
        Time of the computer's clock since the session's start [us].
    origin : str
        Origin of the row: `hello` for a board's hello, empty if the row is not a record.
    content : Event, dict, LineDamage or None
        The board's event, the JSON object or fields of a hello, or the reason why the row
        cannot be used. None for an empty line of the board.
    """

    host_us: int
    origin: str
    content: Event | dict[str, Any] | LineDamage | None


def escape(line: bytes) -> bytes:
    """Turn a line of a board into printable ASCII without tabs; `unescape` reverses this."""
    return _UNSAFE.sub(_escape_byte, line)


def unescape(text: bytes) -> bytes:
    """
    Return the original bytes of a line to which `escape` was applied.

    Raises
    ------
    ValueError
        If a backslash does not begin ``\\xHH``, ``\\t`` or ``\\\\``.
    """
    return _ESCAPED.sub(_unescape_one, text) if b"\\" in text else text


def _escape_byte(match: re.Match[bytes]) -> bytes:
    byte = match[0]
    return {b"\t": b"\\t", b"\\": b"\\\\"}.get(byte) or b"\\x%02X" % byte[0]


def _unescape_one(match: re.Match[bytes]) -> bytes:
    code, letter = match.groups()
    if code:
        return bytes.fromhex(code.decode())
    if letter:
        return b"\t" if letter == b"t" else b"\\"
    raise ValueError("a backslash is not followed by a valid escape character")


def board_row(host_us: int, line: bytes) -> bytes:
    """
    Return the row for one line from the board.

    Parameters
    ----------
    host_us : int
        Time of the computer's clock since the session's start [us].
    line : bytes
        The line exactly as received, without its newline.
    """
    return b"%d\tboard\t%s\n" % (host_us, escape(line))


def json_row(host_us: int, origin: str, data: dict[str, Any]) -> bytes:
    """
    Return the row for a record of this program, such as a setup or a mark.

    Raises
    ------
    ValueError
        If `data` contains NaN or an infinity, or if `parse_row` cannot read the row.
    """
    row = f"{host_us}\t{origin}\t{json.dumps(data, allow_nan=False)}\n".encode("ascii")
    read = parse_row(row[:-1], FRAMED)
    if read.origin not in JSON_ORIGINS or not isinstance(read.content, dict):
        raise ValueError(f"the program could not read back its record of kind {origin!r}")
    return row


def parse_row(row: bytes, lines: LineKind) -> Row:
    """Read one row without its newline; one ``\\r`` at its end is ignored."""
    host, _, rest = row.removesuffix(b"\r").partition(b"\t")
    name, tab, text = rest.partition(b"\t")
    if not tab:
        return _no_record("the row does not have three fields with tabs between them")
    if not _HOST.fullmatch(host):
        return _no_record("the time in the row is not a whole number of microseconds")
    origin = _ORIGINS.get(name)
    if origin is None:
        return _no_record("the origin of the row is unknown")
    if len(row) > MAX_ROW_BYTES:
        return Row(int(host), origin, LineDamage("the row is longer than 1 MB"))
    if origin != BOARD:
        return Row(int(host), origin, _parse_json(text))
    content = _parse_board(text, lines)
    if isinstance(content, Hello):
        return Row(int(host), HELLO, asdict(content))
    return Row(int(host), BOARD, content)


def _no_record(reason: str) -> Row:
    return Row(0, "", LineDamage(f"damaged row: {reason}"))


def _parse_board(text: bytes, lines: LineKind) -> Event | Hello | LineDamage | None:
    try:
        return PARSERS[lines.name](unescape(text))
    except ValueError as exc:
        return LineDamage(str(exc))


def kind_of(texts: Iterable[str]) -> LineKind | None:
    """Return the kind of lines that a board sends, or None if `texts` does not show it."""
    lines = [text.encode("ascii", "replace") for text in texts]
    for kind in LINE_KINDS.values():
        if sum(isinstance(_parse_board(line, kind), Event | Hello) for line in lines) >= ENOUGH:
            return kind
    return None


def _parse_json(text: bytes) -> dict[str, Any] | LineDamage:
    return _parse_kept(text) if len(text) <= SHORT_RECORD_BYTES else _parse_new(text)


def _parse_new(text: bytes) -> dict[str, Any] | LineDamage:
    try:
        data = _DECODER.decode(text.decode())
        if not isinstance(data, dict):
            return LineDamage("the record is not a group of named values in braces {}")
        brackets = text.count(b"{") + text.count(b"[")
        if brackets > MAX_JSON_LEVELS and _deeper_than(MAX_JSON_LEVELS, data):
            return LineDamage(f"the record nests more than {MAX_JSON_LEVELS} pairs of brackets")
        return _without_surrogates(data) if b"\\u" in text else data
    except (ValueError, RecursionError) as exc:
        return LineDamage(f"the JSON text is not valid: {str(exc)[:80]}")


_parse_kept = lru_cache(maxsize=100)(_parse_new)
"""Setups in turn have the same text again and again. The program never changes a parsed record,
so rows may share it."""


def _refused(word: str) -> float:
    raise ValueError(f"{word} is not a number")


def _finite(text: str) -> float:
    value = float(text)
    return value if isfinite(value) else _refused(text[:20])


def _whole(text: str) -> int:
    if len(text.lstrip("-")) > MAX_DIGITS:
        raise ValueError("a whole number has more than 18 digits")
    return int(text)


_DECODER = json.JSONDecoder(parse_constant=_refused, parse_float=_finite, parse_int=_whole)


def _deeper_than(levels: int, value: object) -> bool:
    if isinstance(value, dict):
        value = list(value.values())
    if not isinstance(value, list):
        return False
    return levels == 0 or any(_deeper_than(levels - 1, inner) for inner in value)


def _without_surrogates(data: dict[str, Any]) -> dict[str, Any]:
    """Replace half characters, which cannot be written to a file, by ``?``."""
    text = json.dumps(data, ensure_ascii=False)
    clean = text.encode("utf-8", "replace").decode()
    if clean == text:
        return data
    replaced: dict[str, Any] = json.loads(clean)
    return replaced
