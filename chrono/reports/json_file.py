"""The table of shots as one JSON object: a head, then a row a shot.

`schema` and `data` are laid out as pandas reads them with ``orient="table"``. The rows wait in
a temporary file, since what belongs in front of them is known only when all were read.
"""

import json
import shutil
from collections.abc import Iterable
from tempfile import SpooledTemporaryFile
from typing import IO

from chrono.reports.export import ShotTable, records_of
from chrono.reports.heads import Heads

IN_MEMORY_BYTES = 16 << 20


def write_json(tables: Iterable[ShotTable], stream: IO[bytes]) -> int:
    """
    Write recordings as JSON; return the number of rows.

    Its members are those of `Heads.texts` and `data`.
    """
    heads, rows = Heads(), 0
    with SpooledTemporaryFile(IN_MEMORY_BYTES) as waiting:
        for table in tables:
            heads.add(table.head)
            for columns in table.chunks:
                for record in records_of(columns):
                    waiting.write(b",\n" if rows else b"\n")
                    waiting.write(json.dumps(record, allow_nan=False).encode())
                    rows += 1
        waiting.seek(0)
        head = "".join(f'"{name}": {text},\n' for name, text in heads.texts().items())
        stream.write(f'{{{head}"data": ['.encode())
        shutil.copyfileobj(waiting, stream)
    stream.write(b"\n]}\n")
    return rows
