"""Files, folders and patterns: which recordings they mean, in which order, by which names."""

import os
from pathlib import Path

import pytest
from season_kit import season

from chrono.errors import OptionError, RecordingError
from chrono.season.recording_finder import find_sources, is_plainly_named, may_be_recordings


@pytest.fixture(name="folder")
def _folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    season(tmp_path / "season")
    (tmp_path / "season" / "notes.txt").write_text("no recording")
    (tmp_path / "season" / "day-0" / ".draft.tsv").write_text("hidden")
    (tmp_path / "season" / ".trash").mkdir()
    (tmp_path / "season" / ".trash" / "old.tsv").write_text("hidden")
    return tmp_path


def found(*words: str) -> list[str]:
    return [source.where for source in find_sources(words)]


THREE = ["noisy-hall.tsv", "plain-lines-4us.tsv", "two-and-three-bands.tsv"]
EVERY = [f"season/day-{day}/{name}" for day in (0, 1) for name in THREE]


@pytest.mark.usefixtures("folder")
@pytest.mark.parametrize(
    "words",
    [
        ("season",),
        ("season/",),
        ("season/day-*",),
        ("season/*/*",),
        ("season/**/*.tsv",),
        ("season/day-[01]/*.tsv",),
        ("season/day-0", "season/day-1"),
        ("season/day-0", "season"),
        (EVERY[0], "season"),
    ],
)
def test_folders_and_patterns_mean_all_recordings_once_sorted_without_hidden_ones(words):
    assert found(*words) == EVERY


@pytest.mark.usefixtures("folder")
def test_words_keep_their_order() -> None:
    assert found("season/day-1", "season/day-0") == EVERY[3:] + EVERY[:3]


@pytest.mark.usefixtures("folder")
def test_a_pattern_means_the_ending_that_it_says() -> None:
    assert found("season/*.txt") == ["season/notes.txt"]
    with pytest.raises(RecordingError, match="season/no"):
        find_sources(["season/no*"])


def test_a_hidden_file_is_meant_where_it_is_named(folder: Path) -> None:
    assert found("season/day-0/.draft.tsv") == ["season/day-0/.draft.tsv"]


def test_a_file_whose_name_looks_like_a_pattern_is_that_file(folder: Path) -> None:
    (folder / "a[1].tsv").write_text("x")
    (folder / "a1.tsv").write_text("x")
    assert found("a[1].tsv") == ["a[1].tsv"]
    assert is_plainly_named("a[1].tsv")
    assert not is_plainly_named("b[1].tsv")


@pytest.mark.usefixtures("folder")
def test_recordings_of_one_name_are_told_apart_by_their_way() -> None:
    assert [source.name for source in find_sources(["season"])] == EVERY
    assert [source.name for source in find_sources(["season/day-0"])] == THREE


def test_sizes_are_known_and_0_for_what_is_not_there(folder: Path) -> None:
    there, nowhere = find_sources([EVERY[2], "nowhere.tsv"])
    assert there.size_bytes == (folder / EVERY[2]).stat().st_size
    assert nowhere.size_bytes == 0


@pytest.mark.parametrize("word", ["empty", "empty/*", "season/*.csv", "nowhere*"])
def test_a_folder_or_pattern_without_recordings_is_told(folder: Path, word: str) -> None:
    (folder / "empty").mkdir()
    with pytest.raises(RecordingError, match="no recording was found") as told:
        find_sources(["season", word])
    assert told.value.where == word


@pytest.mark.usefixtures("folder")
def test_a_file_named_twice_is_refused_by_whatever_way() -> None:
    with pytest.raises(OptionError, match="named twice"):
        find_sources([EVERY[0], f"./season/../{EVERY[0]}"])


def test_a_file_that_links_lead_to_is_taken_once(folder: Path) -> None:
    (folder / "today").symlink_to(folder / "season" / "day-0")
    (folder / "season" / "day-1" / "best.tsv").symlink_to(folder / EVERY[0])
    assert found("season", "today") == EVERY
    with pytest.raises(OptionError, match="named twice"):
        find_sources([EVERY[0], f"today/{THREE[0]}"])


def test_links_to_folders_above_lead_into_no_circle(folder: Path) -> None:
    (folder / "season" / "day-0" / "up").symlink_to(folder / "season")
    assert found("season") == EVERY


@pytest.mark.usefixtures("folder")
def test_a_folder_that_must_not_be_looked_through_is_told(monkeypatch) -> None:
    look = os.scandir

    def refuse(place):
        if str(place).endswith("day-1"):
            raise PermissionError(13, "Permission denied", str(place))
        return look(place)

    monkeypatch.setattr(os, "scandir", refuse)  # root, who may run this, may look everywhere
    with pytest.raises(RecordingError, match="cannot be searched: Permission") as told:
        find_sources(["season"])
    assert told.value.where == "season/day-1"


@pytest.mark.usefixtures("folder")
@pytest.mark.parametrize(
    ("word", "is_one"),
    [
        ("season", True),
        ("season/*.tsv", True),
        ("nowhere.tsv", True),
        ("memory://a.tsv", True),
        ("/dev/ttyUSB0", False),
        ("COM3", False),
        ("socket://board:5000", False),
        ("virtual://two-bands", False),
    ],
)
def test_a_port_is_told_from_recordings(word: str, is_one: bool) -> None:
    assert may_be_recordings(word) is is_one
