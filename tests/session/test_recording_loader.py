"""Recordings read whole: one loop, the rig at their head, the rate of their counter."""

import binascii
import json
from itertools import islice
from pathlib import Path

import numpy as np
import pytest

from chrono.arrays import machine_code
from chrono.errors import CalibrationError, RecordingError
from chrono.reader import row_decoding
from chrono.reader.recording_reader import RecordingReader
from chrono.reader.recording_rows import board_row, json_row
from chrono.reports.findings_text import clock_doubt
from chrono.rigs.rig_file import default_rig, parse_rig, rig_record, with_host_clock
from chrono.session import recording_loader as module
from chrono.session.readiness_check import check_recording
from chrono.session.recording_loader import add_rig, first_rig, read_all, read_recording
from chrono.virtual.scenarios import parse_play, rig_text
from chrono.virtual.virtual_board import simulate_recording, true_rig

HEAD = b"host_us\torigin\tline\n"
LONG = "two-bands?shots=60&seed=3"
SHORT = "two-bands?shots=3"
PLAIN = "plain-board?shots=4"


def recording(folder: Path, address: str, rig: dict | None = None) -> Path:
    play = parse_play(f"virtual://{address}")
    rig = rig or rig_record(parse_rig(rig_text(play.scenario)))
    path = folder / "x.tsv"
    path.write_bytes(simulate_recording(play, rig=rig, file={"format": 1, "start": ""}))
    return path


@pytest.fixture(name="blocks")
def _blocks(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Gather the length of every block that is decoded."""
    seen: list[int] = []
    decode = module.decode_rows

    def counted(block: bytes, lines: str):
        seen.append(len(block))
        return decode(block, lines)

    monkeypatch.setattr(module, "decode_rows", counted)
    return seen


# -- machine code --------------------------------------------------------------------------


@pytest.mark.parametrize(
    "address",
    [
        "class-afternoon?shots=1500",
        pytest.param("noisy-hall?shots=600", marks=pytest.mark.long),
    ],
)
def test_machine_code_gives_the_same_shots(tmp_path, monkeypatch, address) -> None:
    path = recording(tmp_path, address)
    monkeypatch.setattr(machine_code, "numba_is_loaded", lambda: False)
    standing = read_recording(path).session
    monkeypatch.undo()
    assert path.stat().st_size > 200_000
    machine_code.load_numba()
    seen: list[bytes] = []
    definition = row_decoding.parse_row
    monkeypatch.setattr(
        row_decoding, "parse_row", lambda *row: seen.append(row) or definition(*row)
    )
    machine = read_recording(path).session
    assert machine_code.numba_is_loaded()
    assert len(seen) < 0.2 * machine.rows == 0.2 * standing.rows
    assert machine.log.shots.tobytes() == standing.log.shots.tobytes()
    assert machine.processor.tally == standing.processor.tally
    for name, column in vars(machine.measured()).items():
        assert np.array_equal(column, vars(standing.measured())[name], equal_nan=True), name


def test_what_goes_wrong_while_a_block_is_read_ahead_is_told(tmp_path, monkeypatch) -> None:
    path = recording(tmp_path, LONG)

    class Failing(RecordingReader):
        def __iter__(self):
            yield from islice(super().__iter__(), 1)
            raise RecordingError("the device is gone", where=str(self.path))

    monkeypatch.setattr(module, "RecordingReader", Failing)
    with pytest.raises(RecordingError, match="the device is gone"):
        read_recording(path)


# -- the rig at the head -------------------------------------------------------------------


@pytest.mark.parametrize("address", [SHORT, PLAIN])
def test_the_rig_is_found_without_decoding_anything_else(tmp_path, blocks, address) -> None:
    path = recording(tmp_path, address)

    rig = first_rig(path)

    assert rig == parse_rig(rig_text(parse_play(f"virtual://{address}").scenario))
    assert len(blocks) == 1
    assert blocks[0] < path.stat().st_size - 200


def test_a_rig_far_from_the_head_is_found_as_well(tmp_path) -> None:
    path = tmp_path / "x.tsv"
    noise = b"5\tboard\tnothing that any board says\n" * 100_000
    path.write_bytes(HEAD + noise + json_row(6, "rig", rig_record(default_rig(0.25))))

    assert first_rig(path) == default_rig(0.25)


def test_a_rig_is_added_after_a_damaged_row_of_many_digits(tmp_path) -> None:
    path = tmp_path / "x.tsv"
    path.write_bytes(
        HEAD + json_row(6, "rig", rig_record(default_rig(0.25))) + b"9" * 30 + b"\n"
    )
    add_rig(path, default_rig(0.35))
    assert read_recording(path).session.rig == default_rig(0.35)


def test_words_like_a_rig_s_in_other_rows_are_no_rig(tmp_path) -> None:
    row = json_row(6, "rig", rig_record(default_rig(0.25)))
    fakes = [
        b"1\tboard\t\trig\t{}\n",
        b"x\trig\t{}\n",
        b"2\trig\tno JSON\n",
        b"3\tnote\trig\t\n",
    ]
    path = tmp_path / "x.tsv"

    path.write_bytes(HEAD + b"".join(fakes))
    with pytest.raises(RecordingError, match="contains no rig"):
        first_rig(path)

    path.write_bytes(HEAD + b"".join(fakes) + row)
    assert first_rig(path) == default_rig(0.25)


@pytest.mark.parametrize("read", [first_rig, lambda path: read_recording(path, default_rig())])
def test_a_file_that_is_not_there_is_told_with_or_without_another_rig(tmp_path, read) -> None:
    with pytest.raises(RecordingError, match="no such file") as caught:
        read(tmp_path / "nowhere.tsv")
    assert "nowhere.tsv" in str(caught.value)


def test_a_second_rig_at_the_head_may_tell_of_other_lines(tmp_path) -> None:
    path = recording(tmp_path, PLAIN)
    plain = read_recording(path).session
    framed_first = json_row(0, "rig", rig_record(default_rig(0.25)))
    path.write_bytes(HEAD + framed_first + path.read_bytes().removeprefix(HEAD))

    framed = read_recording(path).session

    assert framed.measured().speed_mps.tolist() == plain.measured().speed_mps.tolist()
    assert len(framed.log) > 3


# -- the rate of the counter ---------------------------------------------------------------


def test_the_rate_comes_out_of_the_same_pass_as_the_shots(tmp_path, blocks) -> None:
    path = recording(tmp_path, LONG)

    session = read_recording(path, clock_from_host=True).session

    assert sum(blocks) < 1.2 * path.stat().st_size
    assert len(session.log) == 60
    truth = true_rig(parse_play(f"virtual://{LONG}").scenario, 3).rate_error
    assert abs(session.host_rate.rate_error - truth) < session.host_rate.U95 < 60e-6


def test_the_wish_in_the_rig_and_the_option_give_the_same(tmp_path) -> None:
    path = recording(tmp_path, LONG)
    asked = read_recording(path, clock_from_host=True).session

    wish = with_host_clock(first_rig(path))
    path = recording(tmp_path, LONG, rig_record(wish))
    wished = read_recording(path).session

    assert wished.host_rate == asked.host_rate is not None
    assert wished.measured().speed_mps.tolist() == asked.measured().speed_mps.tolist()


@pytest.mark.parametrize(("first", "last"), [(False, True), (True, False)])
def test_the_last_rig_says_whether_the_host_s_clock_is_used(tmp_path, first, last) -> None:
    record = rig_record(parse_rig(rig_text(parse_play(f"virtual://{LONG}").scenario)))
    record["clock"]["from_host"] = first
    path = recording(tmp_path, LONG, record)
    record = json.loads(json.dumps(record))
    record["clock"]["from_host"] = last
    with path.open("ab") as file:
        file.write(json_row(10**9, "rig", record))

    found = read_recording(path)

    assert (found.session.host_rate is not None) == last
    assert found.rate_unknown is None
    assert len(found.session.log) == 60


def test_a_wanted_rate_that_the_beats_cannot_tell_is_refused_with_the_file(tmp_path) -> None:
    path = recording(tmp_path, SHORT)

    with pytest.raises(CalibrationError, match="at least 60 s") as caught:
        read_recording(path, clock_from_host=True)

    assert caught.value.where == str(path)


def test_plain_lines_are_refused_where_their_rate_is_wanted(tmp_path) -> None:
    with pytest.raises(CalibrationError, match="plain lines contain no beats"):
        read_recording(recording(tmp_path, PLAIN), clock_from_host=True)


def test_a_rig_s_wish_that_the_beats_cannot_meet_is_told_and_changes_no_digit(tmp_path) -> None:
    stated = read_recording(recording(tmp_path, SHORT)).session
    wish = rig_record(with_host_clock(stated.rig))

    found = read_recording(recording(tmp_path, SHORT, wish))

    assert "at least 60 s" in clock_doubt(found)
    assert found.session.measured().U95_mps.tolist() == stated.measured().U95_mps.tolist()


# -- another counter -----------------------------------------------------------------------


def two_boards(folder: Path) -> Path:
    """Ten shots of 30 m/s by a board at 16 MHz, ten by one that counts at 8 MHz."""
    rows = [HEAD, json_row(0, "rig", rig_record(default_rig(0.3)))]
    sequence, at_us = 0, 1_000_000

    def line(host_us: int, kind: str, fields: str) -> None:
        nonlocal sequence
        body = f"{kind} {sequence & 0xFFFF:04X} {fields}".encode()
        rows.append(board_row(host_us, body + b" %04X" % binascii.crc_hqx(body, 0xFFFF)))
        sequence += 1

    for hertz in (16_000_000, 8_000_000):
        sequence = 0
        body = f"H 1 {hertz} 32 board 1.0".encode()
        rows.append(board_row(at_us, body + b" %04X" % binascii.crc_hqx(body, 0xFFFF)))
        for second in range(100):
            count = second * hertz
            line(at_us, "T", f"{count & 0xFFFFFFFF:08X} 00 0000")
            for gate, ms in ("A1", 100), ("A0", 101.333), ("B1", 110), ("B0", 111.333):
                if second % 10 == 5:
                    edge = round(count + ms * 1e-3 * hertz) & 0xFFFFFFFF
                    fields = f"{gate[0]} {gate[1]} {edge:08X}"
                    line(at_us + round(ms * 1e3), "E", fields)
            at_us += 1_000_000
    path = folder / "two.tsv"
    path.write_bytes(b"".join(rows))
    return path


@pytest.mark.parametrize("option", [False, True])
@pytest.mark.parametrize("another_rig", [False, True])
def test_shots_measured_again_keep_to_the_counter_they_were_timed_by(
    tmp_path, option, another_rig
) -> None:
    path = two_boards(tmp_path)
    if another_rig:
        with path.open("ab") as file:
            file.write(json_row(10**9, "rig", rig_record(default_rig(0.3))))

    session = read_recording(path, clock_from_host=option).session

    assert session.measured().speed_mps == pytest.approx([30.0] * 20, rel=2e-4)


def test_the_whole_work_is_told_before_the_first_recording_is_read(
    tmp_path, monkeypatch
) -> None:
    told: list[int] = []
    monkeypatch.setattr(machine_code, "prepare_loops", told.append)
    first = recording(tmp_path, SHORT)
    second = first.rename(tmp_path / "other.tsv")
    first = recording(tmp_path, LONG)
    sizes = [path.stat().st_size for path in (first, second)]
    next(read_all([first, second], None))
    assert told[0] == sum(sizes)
    told.clear()
    check_recording(second, None)
    assert told == sizes[1:]
