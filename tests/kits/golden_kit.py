"""The golden files of the export: what each format held of one recording when it was agreed.

Formats that are no text are held as text: what other libraries read from them. After a change
that is meant, ``python tests/kits/golden_kit.py`` writes them anew; look at the difference.
"""

import json
import tempfile
from pathlib import Path
from typing import Any

from chrono import __version__
from chrono.reader.recording_rows import json_row
from chrono.reports.export_table import shot_table
from chrono.reports.table_files import write_table
from chrono.session.recording_loader import read_recording

HOUSE = Path(__file__).parents[2]
RECORDING = HOUSE / "recordings" / "noisy-hall.tsv"
GOLDEN = HOUSE / "tests" / "reports" / "golden"
FORMATS = {
    "shots.csv": ("out.csv", False),
    "shots-comma.csv": ("out.csv", True),
    "shots.json": ("out.json", False),
    "parquet.json": ("out.parquet", False),
    "xlsx.json": ("out.xlsx", False),
}
"""Golden file: the file that is exported, whether with decimal commas."""


SET_ASIDE = 7
REASON = "hit the frame"


def with_one_set_aside(folder: Path) -> Path:
    """Copy the recording, with one more row that sets a shot aside."""
    key = int(read_recording(RECORDING).session.log.shots["key"][SET_ASIDE - 1])
    content = RECORDING.read_bytes()
    last_us = int(content.splitlines()[-1].split(b"\t")[0])
    mark = {"action": "set-aside", "shot": key, "text": REASON}
    path = folder / RECORDING.name
    path.write_bytes(content + json_row(last_us, "mark", mark))
    return path


def exported(name: str, folder: Path) -> str:
    """Return what the format of a golden file holds of the recording now."""
    written, with_comma = FORMATS[name]
    path = folder / written
    session = read_recording(with_one_set_aside(folder)).session
    table = shot_table(session, RECORDING.name)
    write_table([table], path, with_comma)
    readers = {".parquet": _parquet_text, ".xlsx": _workbook_text}
    text = readers.get(path.suffix, lambda p: p.read_text("utf-8"))(path)
    path.unlink()
    return text.replace(f"chrono-gates {__version__}", "chrono-gates VERSION")


def _parquet_text(path: Path) -> str:
    import pyarrow.parquet as pq

    table = pq.read_table(path)
    head = {key.decode(): json.loads(value) for key, value in table.schema.metadata.items()}
    kinds = {field.name: str(field.type) for field in table.schema}
    return _lines({"head": head, "kinds": kinds}, table.to_pylist())


def _workbook_text(path: Path) -> str:
    import openpyxl

    book = openpyxl.load_workbook(path)
    rows = [[sheet.title, *row] for sheet in book for row in sheet.iter_rows(values_only=True)]
    return _lines({"sheets": book.sheetnames, "about": book.properties.description}, rows)


def _lines(head: dict[str, Any], rows: list[Any]) -> str:
    told = [json.dumps(head, ensure_ascii=False)]
    told += [json.dumps(row, ensure_ascii=False, default=_iso) for row in rows]
    return "\n".join(told) + "\n"


def _iso(value: Any) -> str:
    return value.isoformat()


if __name__ == "__main__":
    GOLDEN.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as place:
        for golden in FORMATS:
            (GOLDEN / golden).write_text(exported(golden, Path(place)), "utf-8")
