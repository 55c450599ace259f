"""A kind of lines that the program does not know, added as DEVELOPERS.md says.

Its lines look like ``2;0;123``: gate 1 or 2, 0 or 1 for clear or blocked, whole tenths of a
microsecond. A recording of them must be read from the file to the shots, short or long, as a
recording of the very same edges in a known kind is.
"""

import re
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from hand_board import HandBoard
from row_kit import row

from chrono.arrays import machine_code
from chrono.arrays.events import EventKind
from chrono.reader import bulk_decoding, line_grammar
from chrono.reader.line_grammar import Event, LineDamage
from chrono.reader.port_reader import LinkStatus
from chrono.reader.recording_rows import HEADER, json_row, kind_of
from chrono.reader.row_decoding import BULK_BYTES, decode_rows
from chrono.rigs.line_kinds import LINE_KINDS, LineKind
from chrono.rigs.rig_file import parse_rig, rig_from_record, rig_record
from chrono.session.live_run import ANSWER_WITHIN_S, LiveRun
from chrono.session.recording_loader import read_recording
from chrono.session.session import Session

TENTHS = LineKind("tenths", unit_s=1e-7, has_levels=True)
RIG = """
lines = "{}"
[gates]
spacing = "300 mm"
[body]
length = "40 mm"
[clock]
counter_bits = 40
"""
SPEEDS_MPS = 20.0, 25.0, 40.0
APART_S = 0.6
NOISE = b"??"
Edge = tuple[float, int, int]


def parse_tenths(line: bytes) -> Event | LineDamage | None:
    found = re.fullmatch(rb"([12]);([01]);([0-9]{1,15})\r?", line)
    if found:
        gate, level, counter = (int(group) for group in found.groups())
        return Event(EventKind.EDGE, counter, gate - 1, level)
    return LineDamage("not of the form 2;0;123") if line.strip() else None


@pytest.fixture(autouse=True)
def _known(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(LINE_KINDS, TENTHS.name, TENTHS)
    monkeypatch.setitem(line_grammar.PARSERS, TENTHS.name, parse_tenths)


def edges_of(shots: int) -> list[Edge]:
    """Return time [s], gate and level of each edge of balls that fly at known speeds."""
    edges = []
    for shot in range(shots):
        speed_mps = SPEEDS_MPS[shot % len(SPEEDS_MPS)]
        at_s = APART_S * (shot + 1)
        for gate, level, way_m in ((0, 1, 0), (0, 0, 0.04), (1, 1, 0.3), (1, 0, 0.34)):
            edges.append((at_s + way_m / speed_mps, gate, level))
    return edges


def tenths_line(edge: Edge) -> bytes:
    return b"%d;%d;%d" % (edge[1] + 1, edge[2], round(edge[0] * 1e6) * 10)


def plain_line(edge: Edge) -> bytes:
    return b"%s %d %d" % (b"AB"[edge[1] : edge[1] + 1], edge[2], round(edge[0] * 1e6))


def written(path: Path, kind: str, line: Callable[[Edge], bytes], shots: int) -> Path:
    """Write a recording, with noise after every hundredth edge."""
    rows = [HEADER, json_row(0, "rig", rig_record(parse_rig(RIG.format(kind))))]
    for number, edge in enumerate(edges_of(shots)):
        rows.append(row(round(edge[0] * 1e6) + 900, line(edge)))
        if number % 100 == 99:
            rows.append(row(round(edge[0] * 1e6) + 950, NOISE))
    path.write_bytes(b"".join(rows))
    return path


@pytest.mark.parametrize(
    ("as_machine_code", "shots"),
    [
        (False, 5),
        (True, 5),
        (True, 12_000),
        pytest.param(False, 12_000, marks=pytest.mark.long),
    ],
)
def test_a_recording_of_a_further_kind_is_read_to_its_shots(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, shots: int, as_machine_code: bool
) -> None:
    if as_machine_code:
        machine_code.load_numba()
    monkeypatch.setattr(machine_code, "numba_is_loaded", lambda: as_machine_code)
    recording = written(tmp_path / "tenths.tsv", TENTHS.name, tenths_line, shots)
    known = written(tmp_path / "plain.tsv", "plain", plain_line, shots)
    assert (recording.stat().st_size > 1_000_000) == (shots > 1000)
    assert shots < 10 or recording.stat().st_size > 100 * BULK_BYTES

    session, same = (read_recording(path).session for path in (recording, known))

    assert session.rig.lines is TENTHS
    assert session.unusable.lines == same.unusable.lines == 4 * shots // 100
    found, expected = session.log.shots, same.log.shots
    assert len(found) == len(expected) == shots
    for name in ("lead", "trail"):
        np.testing.assert_array_equal(found[name], expected[name] * 10)
    np.testing.assert_array_equal(found["flags"], expected["flags"])
    speed_mps = session.measured().speed_mps
    np.testing.assert_allclose(speed_mps, same.measured().speed_mps, rtol=1e-12)
    np.testing.assert_allclose(speed_mps, np.resize(SPEEDS_MPS, shots), rtol=1e-2)


def test_a_board_of_a_further_kind_is_clocked_live() -> None:
    rig = parse_rig(RIG.format(TENTHS.name))
    board = HandBoard(lines=rig.lines)
    run = LiveRun(board, Session(rig), "hand", None)
    for edge in edges_of(3):
        board.us = round(edge[0] * 1e6) + 900
        board.journal.append(row(board.us, tenths_line(edge)))
        run.step()
    run.close()
    assert len(run.session.log.shots) == 3
    assert run.complaint() is None


@pytest.mark.parametrize(("name", "is_missed"), [("framed", True), ("tenths", False)])
def test_silence_tells_that_no_board_is_there_only_where_boards_beat(
    name: str, is_missed: bool
) -> None:
    rig = parse_rig(RIG.format(name))
    board = HandBoard(lines=rig.lines)
    run = LiveRun(board, Session(rig), "hand", None)
    board.link = LinkStatus("open", "hand", silent_s=ANSWER_WITHIN_S + 1)
    assert ("no board answers" in str(run.complaint())) == is_missed


def test_a_rig_of_a_further_kind_is_kept_and_read_again() -> None:
    rig = parse_rig(RIG.format(TENTHS.name))
    record = rig_record(rig)
    assert record["lines"] == "tenths"
    assert rig_from_record(record) == rig
    assert rig.clock.unit_s == 1e-7


def test_the_kind_is_told_from_its_lines() -> None:
    assert kind_of(tenths_line(edge).decode() for edge in edges_of(1)) is TENTHS


def test_every_kind_says_how_one_line_is_read() -> None:
    assert set(line_grammar.PARSERS) == set(LINE_KINDS)
    assert set(bulk_decoding.LOOPS) <= set(LINE_KINDS)


def test_a_hello_is_of_no_use_to_a_kind_that_counts_no_ticks() -> None:
    with pytest.raises(ValueError, match="do not count ticks"):
        LineKind("odd", says_hello=True)


def test_no_loop_of_a_known_kind_takes_lines_that_only_look_alike(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    fives = LineKind("fives", unit_s=1e-6, is_interval=True)
    monkeypatch.setitem(LINE_KINDS, fives.name, fives)
    monkeypatch.setitem(
        line_grammar.PARSERS, fives.name, lambda line: Event(EventKind.INTERVAL, 5 * int(line))
    )
    machine_code.load_numba()
    block = b"".join(row(us, b"%d" % us) for us in range(1, 1000))
    assert len(block) > BULK_BYTES
    events = decode_rows(block, fives).events
    assert events.counter.tolist() == [5 * us for us in range(1, 1000)]
