"""CSV by plain code: with `;` and decimal commas for spreadsheets, or without pyarrow.

With a point and a comma between the cells these are the bytes that pyarrow writes.
"""

from collections.abc import Callable, Iterable, Iterator
from decimal import Decimal
from typing import IO, Any

from chrono.plain import cell
from chrono.reports.columns import COLUMNS
from chrono.reports.export import Columns, ShotTable, Texts, moment_texts


def write_comma_csv(tables: Iterable[ShotTable], stream: IO[bytes]) -> int:
    """Write recordings as CSV with `;` and decimal commas; return the number of rows."""
    return _write(tables, stream, ";", ",")


def write_point_csv(tables: Iterable[ShotTable], stream: IO[bytes]) -> int:
    """Write recordings as CSV with `,` and decimal points; return the number of rows."""
    return _write(tables, stream, ",", ".")


def _write(
    tables: Iterable[ShotTable], stream: IO[bytes], separator: str, decimal_sign: str
) -> int:
    rows = 0
    stream.write((separator.join(map(_quoted, COLUMNS)) + "\n").encode())
    for table in tables:
        for columns in table.chunks:
            lines = [separator.join(cells) for cells in _rows(columns, decimal_sign)]
            stream.write("".join(f"{line}\n" for line in lines).encode())
            rows += len(lines)
    return rows


def _rows(columns: Columns, decimal_sign: str) -> Iterator[tuple[str, ...]]:
    texts = [_cells(values, decimal_sign) for values in columns.values()]
    return zip(*texts, strict=True)


def _cells(values: Any, decimal_sign: str) -> Iterable[str]:
    if isinstance(values, Texts):
        each = [_quoted(cell(text)) for text in values.each]
        return (each[place] for place in values.place.tolist())
    if values.dtype.kind == "M":
        return ("" if text is None else _quoted(text) for text in moment_texts(values))
    words: dict[str, Callable[[Any], str]] = {"b": _yes_or_no, "i": str, "f": _number}
    word = words[values.dtype.kind]
    return (word(value).replace(".", decimal_sign) for value in values.tolist())


def _quoted(text: str) -> str:
    doubled = text.replace('"', '""')
    return f'"{doubled}"'


def _yes_or_no(value: bool) -> str:
    return "true" if value else "false"


def _number(value: float) -> str:
    """Return the shortest digits that mean the number, without an exponent."""
    if value != value:
        return ""
    return f"{Decimal(repr(value)):f}".removesuffix(".0")
