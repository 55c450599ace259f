"""Recordings that are read, though something about them is wrong; names that lead nowhere."""

from pathlib import Path
from typing import Any

import pytest
from command_kit import is_one_clear_complaint

from chrono.reader.line_grammar import encode_hello
from chrono.reader.recording_rows import board_row

RECORDINGS = Path(__file__).parents[2] / "recordings"
BANDS = RECORDINGS / "two-and-three-bands.tsv"
PLAIN = RECORDINGS / "plain-lines-4us.tsv"
NARROW = encode_hello(16_000_000, 16, "narrow", "0.1")


@pytest.fixture
def rig(tmp_path: Path) -> Path:
    path = tmp_path / "rig.toml"
    path.write_text('[gates]\nspacing = "300 mm"\n')
    return path


@pytest.mark.parametrize(
    "words", [("summary",), ("export",), ("check",), ("replay", "--at-once")]
)
def test_a_rig_that_states_other_lines_than_the_recording_holds_is_told_which(
    chrono: Any, rig: Path, words: tuple[str, ...]
) -> None:
    outcome = chrono(*words, PLAIN, "--rig", rig)
    assert outcome.code == 1
    assert 'the lines have the format plain: write lines = "plain" in the rig' in outcome.err


@pytest.fixture
def flashed(tmp_path: Path) -> Path:
    """A recording in whose middle the board comes back with a counter that wraps at once."""
    rows = BANDS.read_bytes().splitlines(keepends=True)
    middle = len(rows) // 2
    host_us = int(rows[middle].partition(b"\t")[0])
    path = tmp_path / "x.tsv"
    path.write_bytes(b"".join([*rows[:middle], board_row(host_us, NARROW), *rows[middle:]]))
    return path


@pytest.mark.parametrize(
    "words", [("summary",), ("export",), ("replay", "--at-once", "--no-dashboard"), ("check",)]
)
def test_an_impossible_counter_in_mid_file_keeps_the_shots_before_it(
    chrono: Any, flashed: Path, words: tuple[str, ...]
) -> None:
    outcome = chrono(words[0], flashed, *words[1:])
    assert outcome.code == 1, outcome.err
    assert "16 bits cannot be used" in outcome.err
    assert "ignores all lines until the board" in outcome.err
    assert outcome.out
    if words == ("export",):
        whole, kept = chrono("export", BANDS).out.splitlines(), outcome.out.splitlines()
        assert 10 < len(kept) < len(whole)
        assert [row.partition(",")[2] for row in kept[:-1]] == [
            row.partition(",")[2] for row in whole[: len(kept) - 1]
        ]


@pytest.mark.parametrize("command", ["summary", "export", "compare", "check", "replay"])
@pytest.mark.parametrize("name", ["loop.tsv", "loop.tsv/x.tsv"])
def test_links_in_a_circle_are_one_clear_line(
    chrono: Any, tmp_path: Path, command: str, name: str
) -> None:
    (tmp_path / "loop.tsv").symlink_to("loop.tsv")
    is_one_clear_complaint(chrono(command, name), name)
