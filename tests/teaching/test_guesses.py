"""Estimates: read as people write them, kept beside the recording, read again."""

import json
import os
import threading
from dataclasses import replace
from pathlib import Path

import pytest

from chrono.errors import OptionError, RecordingError
from chrono.reports.guess_text import unread_guess_lines
from chrono.teaching.guesses import (
    Guess,
    files_of,
    guesses_path,
    keep_guess,
    read_estimate,
    read_guesses,
    settings_of,
)
from chrono.teaching.lab_bench import USUAL

GUESS = Guess("3b", 0.3, 0.1, 22.0, "monday.tsv", 7, settings_of(USUAL), "2026-01-02T10:00:00")


@pytest.mark.parametrize(
    ("text", "who", "guess_mps"),
    [
        ("0.3 m/s", "", 0.3),
        ("± 0.3 m/s", "", 0.3),
        ("0,3 m/s", "", 0.3),
        ("1 km/h", "", 1 / 3.6),
        ("2 %", "", 0.44),
        ("2000 ppm", "", 0.044),
        ("group 3: 2 %", "group 3", 0.44),
        ("a: b: 2 %", "a: b", 0.44),
        (": 2 %", "", 0.44),
        ("  3b :0.5 m/s ", "3b", 0.5),
    ],
)
def test_an_estimate_is_read_as_people_write_it(text, who, guess_mps) -> None:
    found_who, found = read_estimate(text, 22.0)
    assert found_who == who
    assert found == pytest.approx(guess_mps)


@pytest.mark.parametrize(
    "text", ["", "much", "0.3", "2", "-2 %", "0 m/s", "3 kg", "nan %", "1e9 m/s", "3b:"]
)
def test_what_is_no_estimate_is_refused_with_an_example(text) -> None:
    with pytest.raises(OptionError, match="not an estimate") as refused:
        read_estimate(text, 22.0)
    assert '"2 %"' in refused.value.hint


def test_a_name_is_harmless_and_short() -> None:
    who, _ = read_estimate("\x1b[31m" + "x" * 100 + ": 2 %", 22.0)
    assert "\x1b" not in who
    assert len(who) == 40


def test_an_estimate_is_judged_by_how_many_times_the_true_one_it_is() -> None:
    assert GUESS.ratio == pytest.approx(3)
    assert Guess("", 0.1, 0.0, 22.0).ratio == float("inf")


def test_the_file_lies_beside_the_recording_and_the_recording_is_not_touched(tmp_path) -> None:
    recording = tmp_path / "monday.tsv"
    recording.write_bytes(b"host_us\torigin\tline\n")
    path = guesses_path(recording, Path("elsewhere"))
    assert path == tmp_path / "monday.guesses.jsonl"
    keep_guess(path, GUESS)
    assert recording.read_bytes() == b"host_us\torigin\tline\n"
    assert guesses_path(None, tmp_path) == tmp_path / "lab.guesses.jsonl"
    assert guesses_path(Path("notes.txt"), tmp_path).name == "notes.txt.guesses.jsonl"


def test_what_is_kept_is_read_again_and_documented_line_by_line(tmp_path) -> None:
    path = tmp_path / "x.guesses.jsonl"
    other = Guess("Ünal 😀", 0.2, 0.25, 3.0, "no \udcff text.tsv")
    keep_guess(path, GUESS)
    keep_guess(path, other)
    found, others = read_guesses(path)
    assert found == [GUESS, replace(other, recording="no · text.tsv")]
    assert others == []
    lines = path.read_text("utf-8").splitlines()
    assert len(lines) == 2
    first = json.loads(lines[0])
    assert first["format"] == 1
    assert set(first) == {
        "format", "time", "who", "recording", "shot", "speed_mps", "guess_mps", "U95_mps",
        "settings", "kind",
    }  # fmt: skip
    assert first["settings"]["edges"] == "both"
    assert first["settings"]["spacing_m"] == 0.3


def test_a_line_that_was_cut_off_neither_swallows_the_next_nor_stops_the_reading(
    tmp_path,
) -> None:
    path = tmp_path / "x.guesses.jsonl"
    keep_guess(path, GUESS)
    whole = path.read_bytes()
    path.write_bytes(whole + whole[:20])
    keep_guess(path, GUESS)
    found, others = read_guesses(path)
    assert found == [GUESS, GUESS]
    assert unread_guess_lines(path, others) == [
        f"{path}:2: the program ignores this line, because it is not a guess"
    ]


@pytest.mark.parametrize(
    "line",
    [
        b"[]", b"3", b"{}", b"\xff\xfe", b"null",
        json.dumps({**json.loads('{"format": 2}')}).encode(),
        json.dumps({"format": 1, "who": "", "guess_mps": "x", "U95_mps": 1, "speed_mps": 1,
                    "recording": None, "shot": None, "settings": {}, "time": ""}).encode(),
        b'{"format": 1, "who": "", "guess_mps": NaN, "U95_mps": 1, "speed_mps": 1, '
        b'"recording": null, "shot": null, "settings": {}, "time": ""}',
        b'{"format": 1, "who": "", "guess_mps": 1%s, "U95_mps": 1, "speed_mps": 1, '
        b'"recording": null, "shot": null, "settings": {}, "time": ""}' % (b"0" * 400),
    ],
)  # fmt: skip
def test_a_line_that_is_no_guess_is_told_and_left_out(tmp_path, line) -> None:
    path = tmp_path / "x.guesses.jsonl"
    path.write_bytes(line + b"\n")
    found, others = read_guesses(path)
    assert found == []
    (told,) = unread_guess_lines(path, others)
    assert "x.guesses.jsonl:1" in told


def test_many_at_once_are_all_kept(tmp_path) -> None:
    path = tmp_path / "x.guesses.jsonl"
    threads = [threading.Thread(target=keep_guess, args=(path, GUESS)) for _ in range(30)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    found, others = read_guesses(path)
    assert len(found) == 30
    assert others == []


def test_where_nothing_can_be_written_that_is_said(tmp_path) -> None:
    with pytest.raises(RecordingError, match="not saved") as refused:
        keep_guess(tmp_path / "nowhere" / "x.guesses.jsonl", GUESS)
    assert "nowhere" in refused.value.where
    with pytest.raises(RecordingError, match="not saved"):
        keep_guess(tmp_path, GUESS)
    if os.path.exists("/dev/full"):  # noqa: PTH110
        with pytest.raises(RecordingError, match="No space"):
            keep_guess(Path("/dev/full"), GUESS)


def test_files_are_found_in_folders_beside_recordings_and_by_name(tmp_path) -> None:
    a, b = tmp_path / "a.guesses.jsonl", tmp_path / "b.guesses.jsonl"
    for path in (b, a):
        keep_guess(path, GUESS)
    (tmp_path / "a.tsv").write_text("")
    assert files_of([tmp_path]) == [a, b]
    assert files_of([tmp_path / "a.tsv"]) == [a]
    assert files_of([b, tmp_path]) == [b, a]
    for nothing in (tmp_path / "c.tsv", tmp_path / "c.guesses.jsonl", tmp_path / "none"):
        with pytest.raises(OptionError, match="no guesses"):
            files_of([nothing])
    (tmp_path / "empty").mkdir()
    with pytest.raises(OptionError, match="no guesses"):
        files_of([tmp_path / "empty"])


def test_a_file_that_cannot_be_read_is_said(tmp_path) -> None:
    with pytest.raises(RecordingError, match="cannot be read"):
        read_guesses(tmp_path / "none.guesses.jsonl")
