"""Going on in a recording: all is as if the session had never been interrupted."""

import os
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from hand_board import CLOCK_HZ, RIG_TEXT, HandBoard, hand_run
from pty_board import HELLO, PtyBoard, framed, until

from chrono.arrays.events import Batch, EventKind
from chrono.errors import ChronoError, OptionError, PortError, RecordingError
from chrono.reader.recording_rows import CUT_MARK, HEADER
from chrono.reader.recording_writer import RecordingWriter
from chrono.reader.row_decoding import decode_rows
from chrono.rigs.line_kinds import FRAMED
from chrono.rigs.rig_file import parse_rig
from chrono.session.live_run import ResumedRun, resumed_run
from chrono.session.operator_records import HOLD_ON, NOTE, SET_ASIDE, Mark, Setup
from chrono.session.recording_loader import read_recording
from chrono.session.view_cache import ViewCache

RIG = parse_rig(RIG_TEXT, "test")
OTHER = parse_rig(RIG_TEXT.replace("300 mm", "310 mm"), "test")
START = "2031-05-04T10:00:00.000+02:00"
AFTER_LUNCH = datetime.fromisoformat(START) + timedelta(hours=2)


@pytest.fixture
def morning(tmp_path: Path) -> Path:
    """Return the recording of a morning with three shots in two setups."""
    path = tmp_path / "day.tsv"
    board, run = hand_run(path)
    board.record("file", {"format": 1, "program": "test", "start": START})
    board.shoot_and_wait(30.0)
    run.say_setup(Setup("two bands", {"mass_kg": 0.03}))
    board.shoot_and_wait(31.0, 32.0)
    while run.step():
        pass
    run.say_mark(Mark(SET_ASIDE, int(run.session.log.shots["key"][1]), "net"))
    run.close()
    return path


def state_of(path: Path) -> tuple[bytes, int]:
    return path.read_bytes(), path.stat().st_mtime_ns


def by_hand(path: Path, setup: str = "") -> tuple[HandBoard, ResumedRun]:
    """Return a board played by hand and the run that goes on with it after lunch."""
    recorded = read_recording(path)
    writer = RecordingWriter.reopen(path)
    board = HandBoard(writer)
    board.us = 7_200_000_000
    run = ResumedRun(board, recorded, writer, setup)
    run.start()
    return board, run


def test_the_afternoon_goes_on_where_the_morning_ended(morning: Path) -> None:
    before = morning.read_bytes()
    board, run = by_hand(morning)
    assert run.shots_before == 3
    assert len(ViewCache(run.session)) == 3
    board.shoot_and_wait(33.0, 34.0)
    run.step()
    run.say_setup(Setup("three bands"))
    board.shoot_and_wait(35.0)
    while run.step():
        pass
    rows = ViewCache(run.session).view().rows
    assert [row.setup for row in rows] == ["", *["two bands"] * 4, "three bands"]
    assert [row.number for row in rows] == [1, 2, 3, 4, 5, 6]
    assert rows[1].note == "set aside: net"
    series = run.session.series("two bands")
    assert (series.n, round(series.mean_mps, 1)) == (3, 33.0)
    assert run.close() == []
    after = morning.read_bytes()
    assert after.startswith(before)
    assert len(after) > len(before)
    again = read_recording(morning).session
    assert again.log.shots.tobytes() == run.session.log.shots.tobytes()
    assert again.counted().tolist() == run.session.counted().tolist()
    assert again.series("two bands") == series
    assert again.unusable.records == 0


def test_what_is_said_in_the_afternoon_can_be_taken_back_and_the_morning_not(
    morning: Path,
) -> None:
    _, run = by_hand(morning)
    assert run.undo() is None
    run.say_mark(Mark(NOTE, int(run.session.log.shots["key"][0]), "first"))
    run.say_mark(Mark(HOLD_ON))
    run.step()
    assert run.session.on_hold
    assert run.session.notes()[0] == "first"
    run.undo()
    run.undo()
    run.step()
    assert not run.session.on_hold
    assert run.session.notes()[0] == ""
    assert run.undo() is None
    run.close()
    assert read_recording(morning).session.notes()[1] == "set aside: net"


def test_hold_and_setup_of_the_morning_hold_on(morning: Path) -> None:
    board, run = by_hand(morning)
    run.say_mark(Mark(HOLD_ON))
    board.shoot_and_wait(30.0)
    run.close()
    board, run = by_hand(morning, setup="evening")
    assert run.session.on_hold
    board.shoot_and_wait(30.0)
    while run.step():
        pass
    assert run.session.setup_now.name == "evening"
    assert run.session.counted().tolist()[-2:] == [False, False]
    run.close()


def test_a_body_corrected_in_the_morning_goes_on(morning: Path) -> None:
    board, run = by_hand(morning)
    run.say_setup(Setup("two bands", {"length_m": 0.08}, corrects="two bands"))
    run.close()
    board, run = by_hand(morning)
    board.wait(2.0)
    board.shoot_and_wait(30.0)
    while run.step():
        pass
    flags = [row.flags for row in ViewCache(run.session).view().rows]
    assert flags == [(), ("short",), ("short",), ("short",)]
    run.close()
    again = read_recording(morning).session
    assert again.log.shots.tobytes() == run.session.log.shots.tobytes()


@pytest.mark.skipif(os.name != "posix", reason="needs pseudo-terminals")
def test_a_real_port_goes_on_by_the_calendar(morning: Path, tmp_path: Path) -> None:
    before = morning.read_bytes()
    with PtyBoard(tmp_path / "board") as board:
        run = resumed_run(str(board.name), None, morning, now=lambda: AFTER_LUNCH)
        assert 7_200e6 <= run.now_us() < 7_260e6
        run.start()
        board.send(HELLO)
        for sequence, (gate, level, ticks) in enumerate(
            [("A", 1, 0), ("A", 0, 20_000), ("B", 1, 160_000), ("B", 0, 180_000)]
        ):
            fields = f"E {sequence:04X} {gate} {level} {1_000_000 + ticks:08X}"
            board.send(framed(fields))
        until(lambda: run.step() and len(run.session.open_rows()) == 1)
        assert 7_200 < run.session.open_rows()[0].time_s < 7_260
        assert run.session.open_rows()[0].setup == "two bands"
        run.close()
    assert morning.read_bytes().startswith(before)
    assert len(read_recording(morning).session.log) == 4


@pytest.mark.parametrize(
    ("start", "least_us"), [(START, 0), ("", 0), ("soon", 0), ("2031-05-04T10:00:00", 0)]
)
def test_a_clock_that_was_put_back_never_goes_back_here(
    morning: Path, tmp_path: Path, start: str, least_us: int
) -> None:
    morning.write_bytes(morning.read_bytes().replace(START.encode(), start.encode()))
    last_us = read_recording(morning).session.last_us
    early = datetime.fromisoformat(START) - timedelta(days=1)
    run = resumed_run(str(tmp_path / "none"), None, morning, now=lambda: early)
    assert run.now_us() >= last_us + 1_000_000
    run.writer.close()


def refused(path: Path, port: str = "/no/port", rig=None, **how) -> ChronoError:
    before = state_of(path)
    with pytest.raises(ChronoError) as error:
        resumed_run(port, rig, path, **how).start()
    assert state_of(path) == before
    assert len(str(error.value).splitlines()) == 2  # one line, and what to do
    return error.value


def test_what_cannot_be_gone_on_with_is_refused_in_one_line_and_stays(morning: Path) -> None:
    error = refused(morning, rig=OTHER)
    assert isinstance(error, OptionError)
    assert "the given rig differs" in str(error)
    assert "gates.spacing_m is 0.31 instead of 0.3" in str(error)
    assert "clock.from_host" in str(refused(morning, clock_from_host=True))
    assert "demonstration" in str(refused(morning, port="virtual://school-workshop"))
    assert isinstance(refused(morning), PortError)
    assert refused(morning, rig=RIG).where != "--rig"  # the port is missing, not the rig
    other = RecordingWriter.reopen(morning)
    assert "is being written by another program" in str(refused(morning))
    other.close()


@pytest.mark.parametrize("end", [b"12\tboard\tA", b"\0" * 300, b"x" * 5000])
def test_a_recording_damaged_at_its_end_goes_on_after_what_is_damaged(
    morning: Path, end: bytes
) -> None:
    before = morning.read_bytes() + end
    morning.write_bytes(before)
    board, run = by_hand(morning)
    board.shoot_and_wait(33.0)
    run.close()
    assert morning.read_bytes().startswith(before + CUT_MARK)
    again = read_recording(morning)
    assert (len(again.session.log), again.left_out) == (4, "")
    assert again.session.unusable.lines == run.session.unusable.lines == 1


def whole_rows(recording: bytes) -> list[bytes]:
    return recording.splitlines(keepends=True)


@pytest.mark.parametrize("step", [11, pytest.param(1, marks=pytest.mark.long)])
def test_wherever_the_last_three_lines_are_cut_the_recording_goes_on(
    morning: Path, tmp_path: Path, step: int
) -> None:
    board, run = by_hand(morning)
    board.shoot(34.0)
    run.say_mark(Mark(NOTE, text="tab\tand\\backslash"))
    board.raw("no line \\x41\\\\ of a board")
    run.close()
    everything = morning.read_bytes()
    rows = whole_rows(everything)
    shortest = len(everything) - len(b"".join(rows[-3:]))
    for size in range(shortest, len(everything), step):
        path = tmp_path / f"{size}.tsv"
        path.write_bytes(everything[:size])
        sound = everything[:size].rpartition(b"\n")[0] + b"\n"
        is_cut = len(sound) < size
        board, run = by_hand(path)
        assert run.session.unusable.lines == is_cut, size
        board.wait(1.0)
        run.close()
        after = path.read_bytes()
        assert after.startswith(everything[:size] + CUT_MARK * is_cut), size
        # No reader finds more in it than in the sound rows and those that were added.
        added = after[size + len(CUT_MARK) * is_cut :]
        found = decode_rows(after[len(HEADER) :], FRAMED)
        expected = decode_rows((sound + added)[len(HEADER) :], FRAMED)
        assert counters(found) == counters(expected), size
        assert [c.data for c in found.controls] == [c.data for c in expected.controls], size
        assert found.damaged == expected.damaged + is_cut, size


def counters(batch: Batch) -> list[int]:
    """Return the counter values of all sound lines."""
    events = batch.events
    return events.counter[events.kind != EventKind.DAMAGED].tolist()


def test_a_recording_cut_off_before_its_rig_is_whole_is_refused_with_what_to_do(
    morning: Path,
) -> None:
    everything = morning.read_bytes()
    rig_ends = len(b"".join(whole_rows(everything)[:2]))
    assert b"\trig\t" in everything[:rig_ends]
    for size in (*range(0, rig_ends, 13), rig_ends - 1):
        morning.write_bytes(everything[:size])
        error = refused(morning)
        assert "the rig in this recording is incomplete" in str(error), size
        assert "begin a new recording" in str(error), size


@pytest.mark.skipif(os.name != "posix", reason="needs pseudo-terminals")
def test_a_resumed_recording_takes_so_many_new_shots_and_no_more(
    morning: Path, tmp_path: Path
) -> None:
    with PtyBoard(tmp_path / "board") as sender:
        run = resumed_run(str(sender.name), None, morning, shots=2, now=lambda: AFTER_LUNCH)
        run.start()
        run.say_mark(Mark(NOTE, text="windy"))
        run.say_setup(Setup("three bands"))
        until(lambda: not run.step() and run.session.setup_now.name == "three bands")
        board = HandBoard()
        board.line(f"H 1 {CLOCK_HZ} 32 hand 1.0")
        board.wait(2.0)
        board.shoot_and_wait(30.0, 31.0, 32.0, 33.0)
        rows = whole_rows(board.drain())
        sender.send(b"".join(row.split(b"\t", 2)[2] for row in rows))
        until(lambda: not run.step() and run.finished)
        assert len(run.session.log) == 5
        run.close()
        assert run.session.marks.notes == ["windy"], "each entry is there once"
        assert [each.name for each in run.session.setups.all()][2:] == ["three bands"]
    assert len(read_recording(morning).session.log) == 5


def test_a_demonstration_is_not_gone_on_with(morning: Path) -> None:
    row = b'9\tlink\t{"event": "opened", "port": "virtual://x", "reason": ""}\n'
    morning.write_bytes(morning.read_bytes() + row)
    assert isinstance(refused(morning), RecordingError)
    assert "is a demonstration" in str(refused(morning))


def test_no_recording_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "x.tsv"
    path.write_bytes(b"something else\n")
    assert "is not a recording" in str(refused(path))


def test_a_board_that_says_nothing_now_is_complained_of(morning: Path) -> None:
    board, run = by_hand(morning)
    while run.step():
        pass
    assert run.complaint() is None
    for _ in range(30):
        board.raw("no line of a board")
    run.step()
    assert "are not lines in the format framed" in str(run.complaint())
    before = morning.read_bytes()
    run.give_up()
    run.close()
    assert morning.read_bytes().startswith(before)
