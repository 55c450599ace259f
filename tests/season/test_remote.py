"""Recordings at addresses: found and fetched by fsspec, with its errors in one clear line."""

import sys

import fsspec
import pandas as pd
import pyarrow.parquet as pq
import pytest
from command_kit import is_one_clear_complaint
from season_kit import BANDS, PLAIN

from chrono.errors import OptionError, RecordingError
from chrono.season.recording_finder import fetched, find_sources


@pytest.fixture(name="memory")
def _memory():
    """Give the files of fsspec's memory, a few recordings among them."""
    memory = fsspec.filesystem("memory")
    for name, source in (("a/x.tsv", PLAIN), ("b/x.tsv", BANDS), ("b/y.tsv", PLAIN)):
        memory.pipe(f"/season/{name}", source.read_bytes())
    memory.pipe("/season/.hidden/z.tsv", b"hidden")
    memory.pipe("/season/b/.z.tsv", b"hidden")
    memory.pipe("/season/b/notes.txt", b"none")
    yield memory
    memory.rm("/", recursive=True)


THREE = ["memory:///season/a/x.tsv", "memory:///season/b/x.tsv", "memory:///season/b/y.tsv"]


@pytest.mark.usefixtures("memory")
@pytest.mark.parametrize(
    "word", ["memory://season", "memory://season/*/*.tsv", "memory://season/**/*.tsv"]
)
def test_folders_and_patterns_at_an_address_mean_what_they_mean_here(word: str) -> None:
    found = find_sources([word])
    assert [source.where for source in found] == THREE
    assert [source.name for source in found] == [THREE[0], THREE[1], "y.tsv"]
    assert found[1].size_bytes == BANDS.stat().st_size


@pytest.mark.usefixtures("memory")
def test_commands_read_at_addresses_and_say_which(chrono) -> None:
    outcome = chrono("summary", "memory://season/b")
    assert outcome.code == 0
    assert outcome.out.startswith("x.tsv: 40 shots, 40 counted")
    assert "y.tsv: 60 shots" in outcome.out
    missing = chrono("summary", "memory://season/nothing.tsv")
    is_one_clear_complaint(missing, "memory://season/nothing.tsv", "there is no such file")


def test_what_is_wrong_with_a_copy_names_the_address(chrono, memory) -> None:
    memory.pipe("/season/c.tsv", b"name\tprice\n")
    is_one_clear_complaint(
        chrono("summary", "memory://season/c.tsv"), "memory://season/c.tsv: the first line"
    )
    memory.pipe("/season/cut.tsv", BANDS.read_bytes()[:-5])
    outcome = chrono("summary", "memory://season/cut.tsv")
    assert outcome.code == 1
    assert outcome.err.startswith("chrono: memory://season/cut.tsv: line ")


@pytest.mark.parametrize("address", ["nosuch://a/b.tsv", "memory://season/*.tsv"])
def test_an_address_that_leads_nowhere_is_told(address: str) -> None:
    with pytest.raises(RecordingError) as told:
        list(find_sources([address]))
    assert told.value.where == address


@pytest.mark.parametrize(("said", "told"), [(" no key ", "no key"), ("", "PermissionError")])
def test_an_error_of_a_server_is_told_by_its_words_or_else_by_its_kind(
    memory, monkeypatch, said: str, told: str
) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise PermissionError(said)

    with monkeypatch.context() as refusing:
        refusing.setattr(type(memory), "find", refuse)
        refusing.setattr(type(memory), "glob", refuse)
        with pytest.raises(RecordingError) as caught:
            find_sources(["memory://season"])
    assert caught.value.message == f"this address cannot be reached: {told}"


def test_without_fsspec_an_address_says_what_to_install(monkeypatch) -> None:
    monkeypatch.setitem(sys.modules, "fsspec.core", None)
    with (
        pytest.raises(OptionError, match="pip install distributed fsspec"),
        fetched("memory://x.tsv"),
    ):
        pass


@pytest.mark.usefixtures("memory")
def test_a_dataset_is_written_at_an_address_and_never_over_another(chrono, memory) -> None:
    call = ("export", "memory://season", "-o", "memory://out/")
    assert chrono(*call).code == 0
    assert memory.find("/out") == [
        "/out/day=2025-05-16/part-00000.parquet",
        "/out/day=2025-05-20/part-00000.parquet",
        "/out/day=2025-05-20/part-00001.parquet",
    ]
    assert pq.read_table("/out", filesystem=memory).num_rows == 160
    is_one_clear_complaint(chrono(*call), "memory://out/", "exists")
    is_one_clear_complaint(
        chrono(*call[:2], "-o", "memory://x.csv"), "/ at the end of the address"
    )


def test_folders_are_made_where_files_need_them(chrono, tmp_path) -> None:
    address = (tmp_path / "out").as_uri()
    assert chrono("export", BANDS, "-o", f"{address}/").code == 0
    (part,) = (tmp_path / "out").rglob("*.parquet")
    assert part == tmp_path / "out" / "day=2025-05-16" / "part-00000.parquet"


def test_a_dataset_that_fails_leaves_nothing(chrono, memory, tmp_path) -> None:
    memory.pipe("/season/z.tsv", b"none")
    for output in ("memory://out/", "out/"):
        is_one_clear_complaint(chrono("export", "memory://season", "-o", output), "z.tsv")
    assert not memory.exists("/out")
    assert not list(tmp_path.iterdir())


def test_a_dataset_here_holds_the_shots_of_each_day(chrono, tmp_path) -> None:
    outcome = chrono("export", BANDS, PLAIN, "-o", "season/")
    assert outcome.code == 0
    assert "the command wrote 100 shots to season/" in outcome.err
    found = pd.read_parquet(tmp_path / "season")
    assert found.groupby("day", observed=True).size().to_dict() == {
        "2025-05-16": 40,
        "2025-05-20": 60,
    }
    is_one_clear_complaint(chrono("export", BANDS, "-o", "season/"), "season/", "exists")
    is_one_clear_complaint(
        chrono("export", BANDS, "-o", "no/season/"),
        "no/season/: this folder cannot be written: No such file or directory\n",
    )


@pytest.mark.parametrize(
    ("start", "day"),
    [
        ("2025-05-16T00:30:00.000+02:00", "2025-05-15"),
        ("2025-05-15T23:30:00.000-02:00", "2025-05-16"),
        ("2025-05-16T14:00:00.000", "unknown"),
        ("some day", "unknown"),
    ],
)
def test_the_day_is_that_of_utc_and_a_folder_stands_for_none(
    chrono, tmp_path, start, day
) -> None:
    text = BANDS.read_bytes().replace(b"2025-05-16T14:00:00.000+02:00", start.encode())
    (tmp_path / "x.tsv").write_bytes(text)
    assert chrono("export", "x.tsv", "-o", "out/").code == 0
    (part,) = (tmp_path / "out").glob("*/*")
    assert part == tmp_path / "out" / f"day={day}" / "part-00000.parquet"
