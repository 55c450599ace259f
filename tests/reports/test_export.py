"""The exported table: golden files in every format, and nothing left of a failed export."""

import csv
import datetime
import importlib.util
import io
import json
import shutil
import subprocess
from pathlib import Path

import golden_kit
import numpy as np
import openpyxl
import pandas as pd
import pyarrow.parquet as pq
import pytest

from chrono.errors import OptionError, RecordingError
from chrono.reader.recording_rows import json_row
from chrono.reports import table_files
from chrono.reports.export_table import (
    COLUMNS,
    SHOT_COLUMNS,
    ExportTable,
    columns_text,
    shot_table,
)
from chrono.reports.table_files import FORMATS, write_table
from chrono.session.recording_loader import read_recording

HOUSE = Path(__file__).parents[2]
BANDS = HOUSE / "recordings" / "two-and-three-bands.tsv"
EVIL = "=cmd|'/c calc'!A0\x1b[31m"


def table_of(path: Path, with_statistics: bool = False) -> ExportTable:
    return shot_table(read_recording(path).session, path.name, with_statistics)


def with_rows(folder: Path, *rows: bytes, start: str | None = None) -> Path:
    """Return a demo recording with further records at its head, or of another start."""
    lines = BANDS.read_bytes().splitlines(keepends=True)
    head = [r for r in lines if b"\tfile\t" in r or b"\trig\t" in r]
    if start is not None:
        head[0] = json_row(0, "file", {"format": 1, "start": start})
    body = [r for r in lines[1:] if not any(b"\t%s\t" % o in r for o in (b"file", b"rig"))]
    if rows:
        body = [r for r in body if b"\tsetup\t" not in r]
    (folder / "x.tsv").write_bytes(b"".join([lines[0], *head, *rows, *body]))
    return folder / "x.tsv"


# -- golden files ------------------------------------------------------------------------


@pytest.mark.parametrize("name", golden_kit.FORMATS)
def test_a_format_holds_what_was_agreed(tmp_path: Path, name: str) -> None:
    agreed = (golden_kit.GOLDEN / name).read_text("utf-8")
    assert golden_kit.exported(name, tmp_path).splitlines() == agreed.splitlines()


def test_the_golden_files_hold_every_column_and_flagged_shots() -> None:
    text = (golden_kit.GOLDEN / "shots.csv").read_text("utf-8")
    rows = list(csv.DictReader(io.StringIO(text)))
    assert tuple(rows[0]) == COLUMNS
    assert len(rows) == 40
    assert any("companion" in row["flags"] for row in rows)
    assert any(row["counted"] == "false" for row in rows)


# -- other programs ------------------------------------------------------------------------


def test_pandas_reads_the_json_file_as_a_table_with_its_kinds(tmp_path: Path) -> None:
    write_table([table_of(BANDS)], tmp_path / "a.json")
    frame = pd.read_json(tmp_path / "a.json", orient="table", precise_float=True)
    assert frame.index.names == ["recording", "shot"]
    first = frame.loc[(BANDS.name, 1)]
    assert first["speed_mps"] == 21.737987
    assert first["time_utc"] == pd.Timestamp("2025-05-16T12:00:01.343517Z")
    assert frame["counted"].dtype == bool


def test_the_sheets_of_a_workbook_can_be_filtered_and_show_sensible_digits(tmp_path: Path):
    write_table([table_of(BANDS, with_statistics=True)], tmp_path / "a.xlsx")
    book = openpyxl.load_workbook(tmp_path / "a.xlsx")
    assert {sheet.title: sheet.auto_filter.ref for sheet in book} == {
        "shots": "A1:Q41",
        "setups": "A1:P3",
        "rig": f"A1:C{book['rig'].max_row}",
        "columns": f"A1:C{book['columns'].max_row}",
    }
    assert {sheet.freeze_panes for sheet in book} == {"A2"}
    shown = {
        head.value: cell.number_format
        for head, cell in zip(book["shots"][1], book["shots"][2], strict=True)
    }
    assert shown["speed_mps"] == "0.000"
    assert shown["U95_mps"] == "0.0000"
    assert shown["transit_us"] == "0.00"
    assert shown["shot"] == shown["setup"] == "General"
    assert book["shots"]["F2"].value == 21.737987  # all digits are in the cell
    assert book["setups"]["H2"].number_format == "0.0000"


@pytest.mark.long  # where the quick part runs there may be no R
def test_r_takes_counted_for_logical_with_decimal_commas(tmp_path: Path):
    script = shutil.which("Rscript")
    assert script, "R is needed: apt-get install r-base-core"
    write_table([table_of(BANDS)], tmp_path / "a.csv", decimal_comma=True)
    told = "x <- read.csv2('a.csv'); cat(class(x$counted), sum(x$counted), class(x$speed_mps))"
    done = subprocess.run(
        [script, "-e", told], cwd=tmp_path, capture_output=True, text=True, check=True
    )
    assert done.stdout == "logical 40 numeric"


def test_a_spreadsheet_with_decimal_commas_reads_the_numbers_as_they_are(tmp_path: Path):
    write_table([table_of(BANDS)], tmp_path / "point.csv")
    write_table([table_of(BANDS)], tmp_path / "comma.csv", decimal_comma=True)
    point = pd.read_csv(tmp_path / "point.csv")
    comma = pd.read_csv(tmp_path / "comma.csv", sep=";", decimal=",")
    pd.testing.assert_frame_equal(point, comma, check_exact=True)
    assert comma["body_length_mm"][0] == 40.036


def test_the_titles_of_a_workbook_stay_in_sight_and_are_as_wide_as_they_need(
    tmp_path: Path,
) -> None:
    write_table([table_of(BANDS, with_statistics=True)], tmp_path / "a.xlsx")
    book = openpyxl.load_workbook(tmp_path / "a.xlsx")
    for sheet in book:
        assert sheet.freeze_panes == "A2", "the first row"
        assert all(cell.font.bold for cell in sheet[1])
    shots = book["shots"]
    for letter, title in zip("BF", ("shot", "speed_mps"), strict=True):
        assert shots[f"{letter}1"].value == title
        assert shots.column_dimensions[letter].width >= len(title)


def test_a_workbook_has_typed_cells(tmp_path: Path) -> None:
    write_table([table_of(BANDS, with_statistics=True)], tmp_path / "a.xlsx")
    book = openpyxl.load_workbook(tmp_path / "a.xlsx")
    cells = dict(zip(COLUMNS, book["shots"][2], strict=True))
    assert {name: cells[name].data_type for name in ("shot", "speed_mps", "setup")} == {
        "shot": "n",
        "speed_mps": "n",
        "setup": "s",
    }
    assert cells["counted"].data_type == "b"
    moment = datetime.datetime(2025, 5, 16, 12, 0, 1, 344_000)
    assert abs(cells["time_utc"].value - moment) < datetime.timedelta(milliseconds=1)
    setups = list(book["setups"].iter_rows(min_row=2, values_only=True))
    assert [row[3:6] for row in setups] == [("two bands", 20, 20), ("three bands", 20, 20)]


def test_the_setups_of_a_workbook_have_the_statistics_of_its_shots(tmp_path: Path) -> None:
    write_table([table_of(BANDS, with_statistics=True)], tmp_path / "a.xlsx")
    shots = pd.read_excel(tmp_path / "a.xlsx", "shots").groupby("setup")["speed_mps"]
    setups = pd.read_excel(tmp_path / "a.xlsx", "setups").set_index("setup")
    for ours, theirs in (("mean", "mean"), ("s", "std"), ("median", "median"), ("max", "max")):
        told = setups[f"{ours}_mps"]
        assert np.allclose(told, shots.agg(theirs)[told.index], rtol=0, atol=2e-6), ours


def test_a_workbook_goes_on_in_another_sheet_where_one_is_full(tmp_path, monkeypatch) -> None:
    monkeypatch.setattr(table_files, "MOST_ROWS", 31)
    write_table([table_of(BANDS)], tmp_path / "a.xlsx")
    book = openpyxl.load_workbook(tmp_path / "a.xlsx")
    assert book["shots"].max_row == 31
    rows = [*book["shots"].iter_rows(min_row=2), *book["shots 2"].iter_rows(min_row=2)]
    assert [row[1].value for row in rows] == list(range(1, 41))
    assert book["shots 2"]["B1"].value == "shot"


def test_no_text_becomes_a_formula_in_any_format(tmp_path: Path) -> None:
    path = with_rows(tmp_path, json_row(0, "setup", {"name": EVIL}))
    for name in ("a.csv", "a.xlsx"):
        write_table([table_of(path)], tmp_path / name)
    write_table([table_of(path)], tmp_path / "comma.csv", decimal_comma=True)
    harmless = "'=cmd|'/c calc'!A0·[31m"
    assert set(pd.read_csv(tmp_path / "a.csv")["setup"]) == {harmless}
    assert set(pd.read_csv(tmp_path / "comma.csv", sep=";")["setup"]) == {harmless}
    cell = openpyxl.load_workbook(tmp_path / "a.xlsx")["shots"]["E2"]
    assert (cell.data_type, cell.value, cell.quotePrefix) == ("s", harmless[1:], True)


@pytest.mark.parametrize(
    ("start", "moment"),
    [
        ("2025-05-16T14:00:00+02:00", "2025-05-16T12:00:01.343517Z"),
        ("2025-12-31T23:59:59.999999-05:30", "2026-01-01T05:30:01.343516Z"),
        ("2025-05-16T14:00:00", None),
        ("yesterday", None),
        ("0001-01-01T00:00:00+14:00", None),
    ],
)
def test_the_calendar_is_told_where_the_start_has_its_offset(tmp_path, start, moment) -> None:
    table = table_of(with_rows(tmp_path, start=start))
    write_table([table], tmp_path / "a.json")
    assert json.loads((tmp_path / "a.json").read_text())["data"][0]["time_utc"] == moment


def test_parquet_says_of_each_recording_rig_setups_version_and_start(tmp_path: Path) -> None:
    paths = [BANDS, HOUSE / "recordings" / "noisy-hall.tsv", with_rows(tmp_path)]
    write_table(map(table_of, paths), tmp_path / "a.parquet")
    told = {
        k.decode(): json.loads(v)
        for k, v in pq.read_schema(tmp_path / "a.parquet").metadata.items()
    }
    assert told["program"].startswith("chrono-gates 0.")
    assert [each["recording"] for each in told["recordings"]] == [path.name for path in paths]
    assert [each["rig"] for each in told["recordings"]] == [0, 1, 0], "a rig stands there once"
    assert [rig["gates"]["spacing_m"] for rig in told["rigs"]] == [0.3, 0.3]
    assert told["recordings"][0]["started"] == "2025-05-16T14:00:00.000+02:00"
    assert told["recordings"][0]["setups"][1]["conditions"]["bands"] == "3"
    assert [field["name"] for field in told["schema"]["fields"]] == list(COLUMNS)


def test_small_recordings_share_a_row_group(tmp_path: Path, monkeypatch) -> None:
    monkeypatch.setattr(table_files, "ROW_GROUP", 100)
    write_table((table_of(BANDS) for _ in range(7)), tmp_path / "a.parquet")
    found = pq.ParquetFile(tmp_path / "a.parquet").metadata
    assert [found.row_group(i).num_rows for i in range(found.num_row_groups)] == [120, 120, 40]


# -- without pyarrow -------------------------------------------------------------------------


@pytest.fixture(name="no_arrow")
def _no_arrow(monkeypatch: pytest.MonkeyPatch) -> None:
    find = importlib.util.find_spec
    monkeypatch.setattr(
        table_files, "find_spec", lambda name: None if name == "pyarrow" else find(name)
    )
    monkeypatch.setitem(__import__("sys").modules, "pyarrow", None)


@pytest.mark.usefixtures("no_arrow")
@pytest.mark.parametrize("name", ["shots.csv", "shots-comma.csv", "shots.json", "xlsx.json"])
def test_all_formats_but_parquet_do_without_pyarrow(tmp_path: Path, name: str) -> None:
    agreed = (golden_kit.GOLDEN / name).read_text("utf-8")
    assert golden_kit.exported(name, tmp_path) == agreed


@pytest.mark.usefixtures("no_arrow")
def test_parquet_says_what_to_install_and_leaves_nothing(tmp_path: Path) -> None:
    with pytest.raises(OptionError, match="pip install pyarrow"):
        write_table([table_of(BANDS)], tmp_path / "a.parquet")
    assert list(tmp_path.iterdir()) == []


def test_plain_code_and_pyarrow_write_the_same_bytes_of_hard_numbers(
    tmp_path: Path, monkeypatch
) -> None:
    (columns,) = table_of(BANDS).chunks
    hard = [0.0, -0.0, 1e-6, 2.5e-5, 0.1, 22.0, -3.5, 123456789.123457, np.nan, 99999.0]
    columns["speed_mps"][:10] = hard
    head, written, by_arrow = table_of(BANDS).head, [], []
    arrow = table_files._write_by_arrow
    monkeypatch.setattr(
        table_files, "_write_by_arrow", lambda *all_: by_arrow.append(1) or arrow(*all_)
    )
    for rows in (41, 40, 80, 81):  # the fewest for which Arrow is loaded; twice there are 40
        monkeypatch.setattr(table_files, "WORTH_LOADING_ROWS", rows)
        times = 1 if rows < 50 else 2
        stream = io.BytesIO()
        tables = [ExportTable(head, [columns])] * times
        assert FORMATS[".csv"](tables, stream) == 40 * times
        written.append(stream.getvalue())
        assert len(by_arrow) == {41: 0, 40: 1, 80: 2, 81: 2}[rows]
    assert written[0] == written[1]
    assert written[2] == written[3] != written[0]


# -- the columns -----------------------------------------------------------------------------


def test_guide_and_help_tell_the_columns_from_the_one_source() -> None:
    rows = [f"| `{c.name}` | {c.kind} | {c.unit} | {c.meaning} |" for c in SHOT_COLUMNS]
    table = ["| column | kind | unit | meaning |", "| --- | --- | --- | --- |", *rows]
    assert "\n".join(table) in (HOUSE / "chrono/guide/columns.md").read_text("utf-8")
    lines = columns_text().splitlines()
    assert [line.split()[0] for line in lines] == list(COLUMNS)
    assert max(map(len, lines)) <= 90


def test_a_unit_in_a_columns_name_is_the_unit_that_is_told() -> None:
    endings = {"_mps": "m/s", "_s": "s", "_us": "us", "_mm": "mm"}
    for column in SHOT_COLUMNS:
        unit = next((u for end, u in endings.items() if column.name.endswith(end)), "")
        assert column.unit == unit, column.name


# -- nothing half ----------------------------------------------------------------------------


@pytest.mark.parametrize("suffix", FORMATS)
@pytest.mark.parametrize("trouble", [RecordingError("cut off"), KeyboardInterrupt()])
def test_a_failed_export_leaves_no_half_file(tmp_path: Path, suffix, trouble) -> None:
    def tables():
        yield table_of(BANDS)
        raise trouble

    with pytest.raises(type(trouble)):
        write_table(tables(), tmp_path / f"out{suffix}")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("name", ["a.xlsx", "a.parquet", "a.json"])
def test_a_decimal_comma_is_refused_where_there_is_none(tmp_path: Path, name: str) -> None:
    with pytest.raises(OptionError, match="decimal comma works only in CSV"):
        write_table([table_of(BANDS)], tmp_path / name, decimal_comma=True)
    assert list(tmp_path.iterdir()) == []
