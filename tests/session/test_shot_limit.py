"""A limit of shots: the recording holds so many, however the rows come in."""

from pathlib import Path

import pytest
from hand_board import HandBoard, hand_run
from interval_kit import RIG as INTERVAL_RIG

from chrono.errors import RigError
from chrono.reader.recording_reader import RecordingReader
from chrono.reader.row_decoding import decode_rows
from chrono.rigs.line_kinds import FRAMED
from chrono.rigs.rig_file import default_rig, rig_from_record
from chrono.session.live_run import ShotLimit
from chrono.session.recording_loader import first_rig
from chrono.session.session import Session

RIG = default_rig()
RECORDINGS = Path(__file__).parents[2] / "recordings"


def rows_of_shots(count: int, *, company: bool = False) -> bytes:
    """Return what a board says of so many shots; with company, a second body follows each."""
    board = HandBoard()
    board.line("H 1 16000000 32 hand 1.0")
    board.wait(1.0)
    for number in range(count):
        board.shoot(30.0 + number)
        if company:
            board.us += 20_000
            board.shoot(25.0)
        board.wait(4.0)
    return board.drain()


def shots_in(rows: bytes) -> int:
    session = Session(RIG)
    session.feed(decode_rows(rows, session.rig.lines))
    session.finish()
    return len(session.log)


def pieces_of(rows: bytes, size: int) -> list[bytes]:
    """Cut rows into pieces of so many rows."""
    lines = rows.splitlines(keepends=True)
    return [b"".join(lines[i : i + size]) for i in range(0, len(lines), size)]


@pytest.mark.parametrize("company", [False, True])
@pytest.mark.parametrize("wanted", [1, 2, 5])
@pytest.mark.parametrize("size", [1, 3, 1000])
def test_the_rows_that_pass_hold_the_wanted_shots_whole_and_no_more(
    wanted: int, size: int, company: bool
) -> None:
    rows = rows_of_shots(8, company=company)
    limit = ShotLimit(Session(RIG), wanted)
    taken = b"".join(map(limit.admit, pieces_of(rows, size)))
    assert limit.ended
    assert rows.startswith(taken)
    assert shots_in(taken) == wanted
    following = rows[len(taken) :].partition(b"\n")[0]
    assert shots_in(taken + following + b"\n") == wanted + 1, "it ends just before another"
    session = Session(RIG)
    session.feed(decode_rows(taken, FRAMED))
    session.finish()
    assert [row.edges_used for row in session.rows_of(slice(0, wanted))] == ["both"] * wanted


def test_no_row_passes_after_the_end() -> None:
    rows = rows_of_shots(3)
    limit = ShotLimit(Session(RIG), 1)
    taken = limit.admit(rows)
    assert taken
    assert limit.admit(rows) == b""


def test_fewer_shots_than_wanted_pass_whole() -> None:
    rows = rows_of_shots(3)
    limit = ShotLimit(Session(RIG), 4)
    assert limit.admit(rows) == rows
    assert not limit.ended


def test_a_body_that_enters_before_the_last_one_has_left_does_not_cut_it() -> None:
    board = HandBoard()
    board.line("H 1 16000000 32 hand 1.0")
    board.wait(1.0)
    for gate, level, ms in (
        ("A", 1, 0), ("A", 0, 8), ("A", 1, 50), ("A", 0, 58),
        ("B", 1, 60), ("B", 0, 68), ("B", 1, 110), ("B", 0, 118),
    ):  # fmt: skip
        board.us = 2_000_000 + 1000 * ms
        board.edge(gate, level)
    board.wait(4.0)
    rows = board.drain()
    limit = ShotLimit(Session(RIG), 1)
    taken = limit.admit(rows)
    session = Session(RIG)
    session.feed(decode_rows(taken, FRAMED))
    session.finish()
    assert [row.edges_used for row in session.rows_of(slice(0, len(session.log)))] == ["both"]


@pytest.mark.parametrize("name", ["two-and-three-bands", "plain-lines-4us", "noisy-hall"])
@pytest.mark.parametrize("wanted", [1, 3, 8])
def test_a_recorded_session_ends_after_so_many_shots(name: str, wanted: int) -> None:
    path = RECORDINGS / f"{name}.tsv"
    rig, rows = first_rig(path), b"".join(RecordingReader(path))
    limit = ShotLimit(Session(rig), wanted)
    taken = b"".join(map(limit.admit, pieces_of(rows, 40)))
    session = Session(rig)
    session.feed(decode_rows(taken, rig.lines))
    session.finish()
    assert len(session.log) == wanted


def test_lines_that_are_intervals_are_counted_too() -> None:
    rig = rig_from_record(INTERVAL_RIG)
    rows = b"".join(b"%d\tboard\t%d\n" % (i * 2_000_000, 9000 + i) for i in range(1, 9))
    for size in (1, 3, 8):
        limit = ShotLimit(Session(rig), 4)
        taken = b"".join(map(limit.admit, pieces_of(rows, size)))
        assert taken.count(b"\n") == 4


def test_rows_that_come_while_the_run_looks_for_its_end_belong_to_the_session() -> None:
    board, run = hand_run()
    limit = ShotLimit(Session(run.session.rig), 1)
    board.journal._limit = limit
    board.wait(2.0)
    drain = board.drain

    def drain_too_early() -> bytes:
        rows = drain()
        if not rows and not limit.ended:
            board.shoot_and_wait(30.0)
            board.shoot(31.0)
        return rows

    board.drain = drain_too_early  # type: ignore[method-assign]
    while not run.finished:
        run.step()
    assert limit.ended
    assert run.session.measured().speed_mps == pytest.approx([30.0], rel=1e-3)


def test_rows_of_a_board_that_cannot_be_used_pass_so_that_the_run_reports_it() -> None:
    board, run = hand_run(hello=False)
    board.journal._limit = ShotLimit(Session(run.session.rig), 2)
    board.line("H 1 16000000 8 tiny 1.0")
    with pytest.raises(RigError, match="counter of 8 bits cannot be used"):
        run.step()
