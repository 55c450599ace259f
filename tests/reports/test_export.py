"""The exported table: golden rows in every format, and nothing left of a failed export."""

import json
from pathlib import Path

import pyarrow.parquet as pq
import pytest

from chrono.errors import RecordingError
from chrono.reports.export import COLUMNS, write_table
from chrono.session.recorded import read_recording

BANDS = Path(__file__).parents[2] / "recordings" / "two-and-three-bands.tsv"
GOLDEN = {  # the first shot of the demo session, as it was exported when this was written
    "recording": "two-and-three-bands.tsv",
    "shot": 1,
    "time_s": 1.343517,
    "setup": "two bands",
    "speed_mps": 21.73797,
    "u_mps": 0.024062,
    "U95_mps": 0.044383,
    "u_random_mps": 0.00016,
    "u_shared_mps": 0.024061,
    "transit_us": 13801.4375,
    "edges_used": "both",
    "body_length_mm": 40.036,
    "companion_speed_mps": None,
    "counted": True,
    "flags": "",
    "note": "",
}
CSV_HEAD = (
    '"recording","shot","time_s","setup","speed_mps","u_mps","U95_mps","u_random_mps",'
    '"u_shared_mps","transit_us","edges_used","body_length_mm","companion_speed_mps",'
    '"counted","flags","note"\n'
    '"two-and-three-bands.tsv",1,1.343517,"two bands",21.73797,0.024062,0.044383,0.00016,'
    '0.024061,13801.4375,"both",40.036,,true,"",""\n'
)


@pytest.fixture(name="exported", scope="module")
def _exported(tmp_path_factory: pytest.TempPathFactory):
    recorded = read_recording(BANDS)

    def write(suffix: str) -> Path:
        path = tmp_path_factory.mktemp("out") / f"out{suffix}"
        assert write_table([(recorded.name, recorded.session)], path) == 40
        return path

    return write


def test_csv_begins_with_these_bytes(exported) -> None:
    assert exported(".csv").read_bytes().startswith(CSV_HEAD.encode())


def test_json_begins_with_this_shot(exported) -> None:
    first = json.loads(exported(".json").read_text("utf-8"))[0]
    assert first == GOLDEN
    assert list(first) == list(GOLDEN) == list(COLUMNS)


def test_parquet_holds_these_columns_of_these_kinds(exported) -> None:
    table = pq.read_table(exported(".parquet"))
    assert table.slice(0, 1).to_pylist() == [GOLDEN]
    kinds = {field.name: str(field.type) for field in table.schema}
    assert kinds == {
        name: {str: "string", bool: "bool", int: "int64"}.get(type(value), "double")
        for name, value in GOLDEN.items()
    }


@pytest.mark.parametrize("suffix", [".csv", ".json", ".parquet"])
@pytest.mark.parametrize("trouble", [RecordingError("cut off"), KeyboardInterrupt()])
def test_a_failed_export_leaves_no_half_file(tmp_path: Path, suffix, trouble) -> None:
    recorded = read_recording(BANDS)

    def sessions():
        yield recorded.name, recorded.session
        raise trouble

    with pytest.raises(type(trouble)):
        write_table(sessions(), tmp_path / f"out{suffix}")
    assert list(tmp_path.iterdir()) == []
