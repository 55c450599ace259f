"""Live and replayed rows: the same rows in the same order as the file holds."""

import itertools
import math
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pty_board import until

from chrono.errors import OptionError, PortError, RecordingError
from chrono.reader.journal import DRAIN_BYTES
from chrono.reader.recording_rows import HEADER, board_row, json_row
from chrono.reader.recording_writer import RecordingWriter
from chrono.reader.row_sources import LiveSource, ReplaySource
from chrono.virtual.scenarios import parse_play
from chrono.virtual.virtual_board import operator_rows

URL = "virtual://class-afternoon?seed=7&speedup=1000&shots=2"


def all_of(source: LiveSource | ReplaySource) -> bytes:
    return b"".join(iter(source.drain, b""))


# -- live --------------------------------------------------------------------------------


def test_what_a_live_source_gives_is_what_its_recording_holds(tmp_path: Path) -> None:
    writer = RecordingWriter(tmp_path / "x.tsv")
    source = LiveSource(URL, writer=writer, operator=operator_rows(parse_play(URL)))
    source.record("file", {"format": 1})
    source.start()
    given_rows = b""

    def two_shots_came() -> bool:
        nonlocal given_rows
        given_rows += source.drain()
        return given_rows.count(b"\tboard\tE ") >= 8

    until(two_shots_came)
    source.stop()
    given_rows += all_of(source)
    writer.close()
    assert (tmp_path / "x.tsv").read_bytes() == HEADER + given_rows
    assert given_rows.count(b"\tsetup\t") == 1
    assert b'"event": "opened"' in given_rows
    assert source.finished
    assert source.failure is None


def test_the_operators_rows_come_at_their_time_and_not_before() -> None:
    far = 3600.0
    acts = [(0.0, "setup", {"name": "a"}), (far, "setup", {"name": "b"})]
    source = LiveSource("virtual://two-bands?shots=0", operator=acts)
    source.start()
    rows = source.drain()
    source.stop()
    assert b'"a"' in rows
    assert b'"b"' not in rows + all_of(source)


def test_the_operators_rows_come_when_their_time_has_come() -> None:
    acts = [(0.0, "setup", {"name": "a"}), (0.01, "setup", {"name": "b"})]
    source = LiveSource("virtual://two-bands?shots=0", operator=acts)
    source.start()
    rows = b""

    def both_came() -> bool:
        nonlocal rows
        rows += source.drain()
        return rows.count(b"\tsetup\t") == 2

    until(both_came)
    source.stop()


def test_the_operators_time_begins_with_reading_where_a_recording_goes_on() -> None:
    acts = [(60.0, "setup", {"name": "a minute on"})]
    source = LiveSource("virtual://two-bands?shots=0", operator=acts, begin_us=3_600_000_000)
    assert source.now_us() >= 3_600_000_000
    source.start()
    rows = source.drain()
    source.stop()
    assert b"a minute on" not in rows + all_of(source)


def test_a_live_source_whose_recording_fails_has_ended_and_tells_the_fault() -> None:
    class Broken:
        def append(self, rows: bytes) -> None:
            if b"\tboard\t" in rows:
                raise OSError(28, "No space left on device")

        def look_after(self) -> None:
            pass

    source = LiveSource(URL, writer=Broken())
    source.start()
    until(lambda: source.finished)
    assert source.status.state == "failed"
    assert isinstance(source.failure, OSError)
    source.stop()


def test_a_live_source_may_be_stopped_twice_and_keeps_what_was_read() -> None:
    source = LiveSource(URL)
    source.start()
    rows = b""

    def a_line_came() -> bool:
        nonlocal rows
        rows += source.drain()
        return b"\tboard\t" in rows

    until(a_line_came)
    source.stop()
    source.stop()
    source.record("mark", {"action": "note", "text": "afterwards"})
    assert b"afterwards" in all_of(source)
    assert source.drain() == b""


def test_what_the_operator_says_at_the_beginning_stands_before_anything_of_the_board() -> None:
    acts = [(0.0, "setup", {"name": "a"})]
    source = LiveSource("virtual://two-bands?shots=0", operator=acts)
    source.start()
    source.stop()
    assert b"\tsetup\t" in all_of(source).partition(b"\tlink\t")[0]


def test_a_live_source_whose_port_cannot_be_opened_says_why() -> None:
    source = LiveSource("/dev/tty-none")
    with pytest.raises(PortError, match="no such port"):
        source.start()
    source.stop()


def test_a_live_source_is_open_until_it_is_stopped() -> None:
    source = LiveSource("virtual://two-bands?shots=0")
    source.start()
    assert (source.status.state, source.finished) == ("open", False)
    source.stop()
    assert (source.status.state, source.finished) == ("closed", True)


# -- replay ------------------------------------------------------------------------------


class Clock:
    def __init__(self) -> None:
        self.now_s = 77.0

    def __call__(self) -> float:
        return self.now_s


ROWS = [
    board_row(us, b"A %d" % us) for us in (0, 0, 1_000_000, 1_500_000, 1_500_000, 9_000_000)
]


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def path(tmp_path: Path) -> Path:
    name = tmp_path / "x.tsv"
    name.write_bytes(HEADER + b"".join(ROWS))
    return name


@pytest.fixture
def replay(path: Path, clock: Clock) -> Iterator[ReplaySource]:
    source = ReplaySource(path, 1.0, clock)
    source.start()
    yield source
    source.stop()


def test_a_replay_gives_each_row_when_its_time_has_come(
    replay: ReplaySource, clock: Clock
) -> None:
    assert replay.drain() == b"".join(ROWS[:2])
    clock.now_s += 0.999
    assert replay.drain() == b""
    clock.now_s += 0.002
    assert replay.drain() == ROWS[2]
    clock.now_s += 0.5
    assert replay.drain() == b"".join(ROWS[3:5])
    assert not replay.finished
    clock.now_s += 100
    assert replay.drain() == ROWS[5]
    assert replay.finished
    assert (replay.status.state, replay.status.lines) == ("closed", 6)


def test_a_replay_at_once_gives_everything(path: Path) -> None:
    source = ReplaySource(path, None)
    source.start()
    assert all_of(source) == b"".join(ROWS)
    assert source.finished


def test_at_four_times_the_pace_recorded_time_passes_four_times_as_fast(
    path: Path, clock: Clock
) -> None:
    source = ReplaySource(path, 4.0, clock)
    source.start()
    clock.now_s += 0.251
    assert source.drain() == b"".join(ROWS[:3])


def test_a_pause_holds_the_recorded_time(replay: ReplaySource, clock: Clock) -> None:
    clock.now_s += 0.5
    replay.pause()
    clock.now_s += 100
    assert replay.drain() == b"".join(ROWS[:2])
    assert replay.now_us() == 500_000
    replay.resume()
    clock.now_s += 0.501
    assert replay.drain() == ROWS[2]


def test_what_passes_in_a_pause_is_not_made_up_for(replay: ReplaySource, clock: Clock) -> None:
    replay.pause()
    clock.now_s += 100
    replay.resume()
    assert replay.now_us() == 0
    assert replay.drain() == b"".join(ROWS[:2])


def test_a_replay_knows_what_comes_next_and_whether_its_time_has_come(
    replay: ReplaySource, clock: Clock
) -> None:
    assert (replay.next_us, replay.is_due) == (0, True)
    replay.drain()
    assert (replay.next_us, replay.is_due) == (1_000_000, False)
    clock.now_s += 1.001
    assert replay.is_due
    clock.now_s += 100
    all_of(replay)
    assert (replay.next_us, replay.is_due) == (None, False)


def test_a_replay_tells_what_it_has_given_as_a_port_does(
    replay: ReplaySource, path: Path
) -> None:
    replay.drain()
    status = replay.status
    assert (status.state, status.port, status.answered) == ("open", str(path), True)
    assert (status.bytes, status.lines) == (len(ROWS[0] + ROWS[1]), 2)


def test_a_replay_that_has_not_begun_is_not_over_and_leaves_nothing_out(path: Path) -> None:
    source = ReplaySource(path)
    assert not source.finished
    assert source.left_out == ""
    source.start()
    assert source.left_out == ""


def test_what_is_added_to_the_file_after_the_start_is_not_given(
    replay: ReplaySource, path: Path, clock: Clock
) -> None:
    with path.open("ab") as file:
        file.write(json_row(9_000_001, "mark", {"action": "note", "text": "of the replay"}))
    clock.now_s += 100
    assert all_of(replay) == b"".join(ROWS)
    assert replay.left_out == ""


def test_time_that_passed_before_a_step_is_not_counted_again(
    replay: ReplaySource, clock: Clock
) -> None:
    clock.now_s += 0.5
    replay.release_until(400_000)
    assert replay.now_us() == 500_000


def test_a_new_pace_holds_from_then_on(replay: ReplaySource, clock: Clock) -> None:
    clock.now_s += 0.5
    replay.set_pace(0.1)
    clock.now_s += 1.0
    assert replay.now_us() == pytest.approx(600_000, abs=1)
    replay.set_pace(10)
    clock.now_s += 0.05
    assert replay.now_us() == pytest.approx(1_100_000, abs=1)


@pytest.mark.parametrize("pace", [0, 0.0, -0.0, -1, math.nan, math.inf, -math.inf])
def test_what_is_no_pace_is_refused_and_the_one_before_goes_on(
    path: Path, replay: ReplaySource, clock: Clock, pace: float
) -> None:
    with pytest.raises(OptionError) as refusal:
        replay.set_pace(pace)
    assert "a replay cannot run at the pace" in str(refusal.value)
    clock.now_s += 0.5
    assert replay.now_us() == 500_000
    with pytest.raises(OptionError):
        ReplaySource(path, pace, clock)


@pytest.mark.parametrize("pace", [5e-324, 1e308])
def test_an_absurd_pace_is_one(path: Path, clock: Clock, pace: float) -> None:
    source = ReplaySource(path, pace, clock)
    source.start()
    clock.now_s += 1e6
    assert source.now_us() in (0, 10**18)
    assert (source.drain() == b"".join(ROWS)) == (pace > 1)


def test_a_paused_replay_can_be_stepped_from_row_to_row(
    replay: ReplaySource, clock: Clock
) -> None:
    replay.drain()
    replay.pause()
    steps = []
    while replay.next_us is not None:
        replay.release_until(replay.next_us)
        steps.append(replay.drain())
    assert steps == [ROWS[2], ROWS[3] + ROWS[4], ROWS[5]]
    assert replay.finished


def test_a_step_never_goes_back(replay: ReplaySource) -> None:
    replay.release_until(1_200_000)
    replay.release_until(3)
    assert replay.now_us() == 1_200_000


def test_a_replay_at_once_can_be_paused_and_taken_up_at_a_pace(
    path: Path, clock: Clock
) -> None:
    source = ReplaySource(path, None, clock)
    source.start()
    source.pause()
    assert source.drain() == b""
    source.set_pace(1.0)
    source.resume()
    clock.now_s += 1.001
    assert source.drain() == b"".join(ROWS[:3])


@given(
    gaps=st.lists(st.integers(0, 3_000_000), max_size=60),
    acts=st.lists(
        st.tuples(
            st.sampled_from(["wait", "pace", "pause", "resume", "until"]), st.floats(0, 5)
        )
    ),
)
@settings(deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_whatever_is_done_to_the_time_the_rows_are_those_of_the_file_and_none_is_early(
    tmp_path: Path, gaps: list[int], acts: list[tuple[str, float]]
) -> None:
    times = list(itertools.accumulate(gaps))
    rows = [board_row(us, b"T") for us in times]
    path = tmp_path / "any.tsv"
    path.write_bytes(HEADER + b"".join(rows))
    clock = Clock()
    source = ReplaySource(path, 1.0, clock)
    source.start()
    given_rows = b""
    for act, value in acts:
        match act:
            case "wait":
                clock.now_s += value
            case "pace":
                source.set_pace(0.1 + value)
            case "pause":
                source.pause()
            case "resume":
                source.resume()
            case "until":
                source.release_until(int(value * 1e6))
        given_rows += source.drain()
        count = given_rows.count(b"\n")
        assert given_rows == b"".join(rows[:count])
        assert not count or times[count - 1] <= source.now_us() + 1
    source.resume()
    clock.now_s += 1e9
    assert given_rows + all_of(source) == b"".join(rows)


def test_a_long_recording_comes_in_parts_of_bounded_size(tmp_path: Path, clock: Clock) -> None:
    row = board_row(5, b"E" * 1000)
    count = 3 * DRAIN_BYTES // len(row)
    (tmp_path / "long.tsv").write_bytes(HEADER + row * count)
    for pace in (None, 1.0):
        source = ReplaySource(tmp_path / "long.tsv", pace, clock)
        source.start()
        parts = list(iter(source.drain, b""))
        assert b"".join(parts) == row * count
        assert max(map(len, parts)) <= DRAIN_BYTES + len(row)
        assert all(part.endswith(b"\n") for part in parts)


@pytest.fixture
def long_path(tmp_path: Path) -> Path:
    """Two blocks of a recording and a bit, a row each second from a minute on."""
    rows = (board_row((60 + i) * 1_000_000, b"E" * 10_000) for i in range(250))
    (tmp_path / "long.tsv").write_bytes(HEADER + b"".join(rows))
    return tmp_path / "long.tsv"


def test_at_once_and_then_at_a_pace_goes_on_with_the_very_next_row(
    long_path: Path, clock: Clock
) -> None:
    source = ReplaySource(long_path, None, clock)
    source.start()
    given_rows = source.drain().count(b"\n")
    assert 0 < given_rows < 250
    source.set_pace(1.0)
    assert source.now_us() == source.next_us == (60 + given_rows) * 1_000_000
    assert source.drain().count(b"\n") == 1
    clock.now_s += 1.001
    assert source.drain().count(b"\n") == 1


def test_a_replay_stopped_in_the_middle_gives_no_more(long_path: Path, clock: Clock) -> None:
    source = ReplaySource(long_path, None, clock)
    source.start()
    assert source.drain()
    source.stop()
    source.stop()
    clock.now_s += 1000
    assert (source.next_us, source.is_due) == (None, False)
    assert source.drain() == b""
    assert source.finished


def test_the_next_row_is_one_that_has_a_time(tmp_path: Path, clock: Clock) -> None:
    (tmp_path / "odd.tsv").write_bytes(HEADER + b"no row\n\n" + ROWS[2] + b"no row\n")
    source = ReplaySource(tmp_path / "odd.tsv", 1.0, clock)
    source.start()
    assert source.next_us == source.now_us() == 1_000_000
    source.drain()
    assert source.next_us is None


def test_rows_that_are_none_neither_stop_a_replay_nor_are_left_out(
    tmp_path: Path, clock: Clock
) -> None:
    body = (
        b"no row\n\nxx\tboard\tA 1\n99999999999999999999\tboard\tA\n" + ROWS[2] + b"\xff\xfe\n"
    )
    (tmp_path / "odd.tsv").write_bytes(HEADER + body)
    source = ReplaySource(tmp_path / "odd.tsv", 1.0, clock)
    source.start()
    clock.now_s += 10
    assert all_of(source) == body


def test_a_recording_cut_in_a_row_is_given_up_to_its_last_whole_row(
    path: Path, clock: Clock
) -> None:
    path.write_bytes(path.read_bytes() + b"9500000\tboa")
    source = ReplaySource(path, 1.0, clock)
    source.start()
    clock.now_s += 100
    assert all_of(source) == b"".join(ROWS)
    assert source.left_out


def test_an_empty_recording_is_over_at_once(tmp_path: Path) -> None:
    (tmp_path / "empty.tsv").write_bytes(HEADER)
    source = ReplaySource(tmp_path / "empty.tsv")
    source.start()
    assert (source.drain(), source.finished) == (b"", True)


@pytest.mark.parametrize("name", ["missing.tsv", "."])
def test_what_is_no_recording_is_refused_on_starting(tmp_path: Path, name: str) -> None:
    with pytest.raises(RecordingError):
        ReplaySource(tmp_path / name).start()


def test_a_replay_never_alters_the_file(replay: ReplaySource, path: Path, clock: Clock) -> None:
    before = path.read_bytes()
    clock.now_s += 100
    all_of(replay)
    assert path.read_bytes() == before


def test_a_stopped_replay_gives_no_more(replay: ReplaySource, clock: Clock) -> None:
    replay.stop()
    clock.now_s += 100
    assert replay.drain() == b""
    assert replay.finished
