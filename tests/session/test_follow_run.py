"""Following a recording gives what reading it whole gives, however it came to grow."""

import itertools
import json
import os
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from row_kit import row

from chrono.errors import RecordingError, RigError
from chrono.reader.file_io import OPEN_FLAGS, close, open_locked
from chrono.reader.recording_rows import HEADER
from chrono.reports.trouble_text import trouble_line
from chrono.rigs.rig_file import parse_rig, rig_record
from chrono.session import replay_run as follow
from chrono.session.recording_loader import first_rig, read_recording
from chrono.session.replay_run import FollowRun, follow_run

RECORDINGS = Path(__file__).parents[2] / "recordings"
BANDS = RECORDINGS / "two-and-three-bands.tsv"
PLAIN = RECORDINGS / "plain-lines-4us.tsv"
RIG_TEXT = '[gates]\nspacing = "300 mm"\n'


class Clock:
    """Seconds that pass when the test says so."""

    def __init__(self) -> None:
        self.now_s = 0.0

    def __call__(self) -> float:
        return self.now_s


def grow(path: Path, data: bytes) -> None:
    with path.open("ab") as file:
        file.write(data)


@contextmanager
def written_by_a_program(path: Path) -> Iterator[None]:
    """Hold the lock of a recording as the program does that clocks."""
    fd = open_locked(path, OPEN_FLAGS)
    yield
    close(fd)


def followed(path: Path, clock: Clock | None = None) -> FollowRun:
    run = FollowRun(path, first_rig(path), False, clock or Clock())
    run.start()
    return run


def same_shots(run: FollowRun, path: Path) -> None:
    """The run has ended with what reading the file whole gives, to the last bit."""
    session, whole = run.session, read_recording(path).session
    assert session.log.shots.tobytes() == whole.log.shots.tobytes()
    assert session.log.setup.tolist() == whole.log.setup.tolist()
    assert session.counted().tolist() == whole.counted().tolist()
    np.testing.assert_array_equal(session.measured().speed_mps, whole.measured().speed_mps)
    np.testing.assert_array_equal(session.measured().U95_mps, whole.measured().U95_mps)


@pytest.mark.parametrize("recording", [BANDS, PLAIN])
@settings(max_examples=8, deadline=None)
@given(
    st.lists(st.tuples(st.floats(0, 1), st.sampled_from([0.0, 0.5, 3.0, 300.0])), max_size=6)
)
def test_however_it_grows_and_rests_the_shots_are_those_of_a_replay(
    recording, tmp_path_factory, growth
) -> None:
    content = recording.read_bytes()
    head = content.index(b"\tboard\t")
    path = tmp_path_factory.mktemp("grown") / "x.tsv"
    path.write_bytes(content[:head])
    clock = Clock()
    run = followed(path, clock)
    done = head
    for part, rest_s in sorted(growth):
        end = max(done, head + int(part * (len(content) - head)))
        grow(path, content[done:end])
        done = end
        run.catch_up()
        run.step()
        clock.now_s += rest_s  # silence closes shots; rows that come late open them again
        run.step()
    grow(path, content[done:])
    run.catch_up()
    assert run.close() == []
    same_shots(run, path)


def test_silence_closes_a_shot_and_rows_that_come_late_open_it_again(tmp_path) -> None:
    rows = PLAIN.read_bytes().splitlines(keepends=True)
    edges = [n for n, one in enumerate(rows) if b"\tboard\tB" in one]
    path = tmp_path / "x.tsv"
    path.write_bytes(b"".join(rows[: edges[0]]))  # only its edge at gate A
    clock = Clock()
    run = followed(path, clock)
    run.catch_up()
    run.step()
    assert len(run.session.log) == 0
    clock.now_s += 60
    run.step()
    assert len(run.session.log) == 1
    assert [r.flags[0] for r in run.session.rows_of(slice(0, 1))] == ["lone-a"]
    session = run.session
    grow(path, rows[edges[0]])
    run.step()
    assert run.session is not session
    assert [row.flags for row in run.session.open_rows()] == [("lead-only",)]
    run.close()


def test_a_line_that_comes_a_little_late_begins_nothing_again(tmp_path) -> None:
    rows = BANDS.read_bytes().splitlines(keepends=True)
    path = tmp_path / "x.tsv"
    path.write_bytes(b"".join(rows[:20]))
    clock = Clock()
    run = followed(path, clock)
    run.catch_up()
    session = run.session
    with written_by_a_program(path):
        for one in rows[20:]:
            # Longer than between any two lines of this board, which beats once a second.
            clock.now_s += 1.9 if b"\tboard\t" in one else 0.0
            run.step()
            grow(path, one)
            run.step()
    assert run.session is session
    run.close()
    same_shots(run, path)


def test_a_line_of_a_board_without_beats_may_come_late_by_what_a_machine_takes(
    tmp_path,
) -> None:
    rows = PLAIN.read_bytes().splitlines(keepends=True)
    (path := tmp_path / "x.tsv").write_bytes(b"".join(rows[:6]))
    host_s = [int(row.partition(b"\t")[0]) * 1e-6 for row in rows[1:]]
    clock = Clock()
    clock.now_s = host_s[4]
    run = followed(path, clock)
    run.catch_up()
    session = run.session
    late_s = itertools.cycle((0.0, 0.15))  # gate B in time, gate A after the pause not
    with written_by_a_program(path):
        for one, at_s in zip(rows[6:60], host_s[5:], strict=False):
            clock.now_s = at_s + next(late_s)
            run.step()
            grow(path, one)
            run.step()
    assert run.session is session
    run.close()
    same_shots(run, path)


def test_the_last_shots_of_a_recording_that_nobody_writes_are_closed_soon(tmp_path) -> None:
    everything = BANDS.read_bytes()
    rows = everything.splitlines(keepends=True)
    last_edge = max(i for i, row in enumerate(rows) if b"\tE " in row)
    path = tmp_path / "x.tsv"
    path.write_bytes(b"".join(rows[: last_edge + 1]))
    os.utime(path)
    clock = Clock()
    with written_by_a_program(path):
        run = followed(path, clock)
        run.catch_up()
        for _ in range(20):
            clock.now_s += 1.0
            run.step()
        assert len(run.session.open_rows()) == 1, "it may be in a pause"
        assert not run.unwritten
    for _ in range(2):
        clock.now_s += 1.0
        run.step()
    assert run.unwritten
    assert run.session.open_rows() == []
    # Somebody goes on with it: the shots are those of a replay all the same.
    with written_by_a_program(path):
        grow(path, b"".join(rows[last_edge + 1 :]))
        run.catch_up()
        run.step()
        assert not run.unwritten
    run.close()
    same_shots(run, path)


def test_a_rig_stated_later_measures_all_shots_and_forms_them_anew_where_it_must(
    tmp_path,
) -> None:
    path = tmp_path / "x.tsv"
    path.write_bytes(BANDS.read_bytes())
    run = followed(path)
    run.catch_up()
    run.step()
    session, before = run.session, float(run.session.measured().U95_mps[0])
    rig = json.loads(rig_line(path))
    rig["gates"]["spacing_tolerance_m"] = 0.005
    grow(path, row(10**9, json.dumps(rig).encode(), b"rig"))
    run.step()
    run.step()
    assert run.session is session  # measured again, formed as before
    assert run.session.measured().U95_mps[0] > 3 * before
    rig["window"]["fastest_mps"] = 25.0
    grow(path, row(10**9 + 1, json.dumps(rig).encode(), b"rig"))
    run.step()
    run.step()
    assert run.session is not session
    run.close()
    same_shots(run, path)


def rig_line(path: Path) -> bytes:
    return next(
        one.split(b"\t", 2)[2] for one in path.read_bytes().splitlines() if b"\trig\t" in one
    )


def test_a_rig_that_was_given_is_kept(tmp_path) -> None:
    path = tmp_path / "x.tsv"
    path.write_bytes(BANDS.read_bytes())
    rig = parse_rig(RIG_TEXT, "test")
    run = follow_run(path, rig)
    run.start()
    run.catch_up()
    run.step()
    run.close()
    whole = read_recording(path, rig).session
    assert run.session.measured().U95_mps.tolist() == whole.measured().U95_mps.tolist()


def test_a_rate_by_the_hosts_clock_is_that_of_all_beats_in_the_end(tmp_path) -> None:
    path = tmp_path / "x.tsv"
    rig = json.loads(rig_line(BANDS))
    rig["clock"]["from_host"] = True
    content = BANDS.read_bytes().replace(rig_line(BANDS), json.dumps(rig).encode())
    path.write_bytes(content)
    run = followed(path)
    run.catch_up()
    run.step()
    assert run.close() == []
    assert run.session.host_rate is not None
    same_shots(run, path)


def test_a_rate_that_the_beats_do_not_tell_is_said(tmp_path) -> None:
    path = tmp_path / "x.tsv"
    rig = json.loads(rig_line(BANDS))
    rig["clock"]["from_host"] = True
    content = BANDS.read_bytes().replace(rig_line(BANDS), json.dumps(rig).encode())
    path.write_bytes(content[:4000].rpartition(b"\n")[0] + b"\n")
    run = followed(path)
    run.catch_up()
    (trouble,) = run.close()
    assert "the counter's rate cannot be computed" in trouble_line(trouble)


def test_a_row_without_its_end_is_told_if_nobody_is_writing_it(tmp_path) -> None:
    path = tmp_path / "x.tsv"
    path.write_bytes(BANDS.read_bytes()[:-7])
    clock = Clock()
    run = followed(path, clock)
    run.catch_up()
    run.step()
    clock.now_s += 2.0
    (trouble,) = run.close()
    assert "the last row is incomplete" in trouble_line(trouble)
    assert str(path) in trouble_line(trouble)


def test_a_recording_that_is_cut_ends_the_run_and_keeps_the_shots(tmp_path) -> None:
    path = tmp_path / "x.tsv"
    path.write_bytes(BANDS.read_bytes())
    run = followed(path)
    run.catch_up()
    run.step()
    path.write_bytes(HEADER)
    run.step()
    assert run.finished
    assert len(run.session.log) == 40
    (trouble,) = run.close()
    assert "was shortened by another program" in trouble_line(trouble)


def test_a_recording_that_has_just_begun_is_given_a_moment(tmp_path) -> None:
    path = tmp_path / "x.tsv"
    path.write_bytes(b"")
    rig = parse_rig(RIG_TEXT, "test")
    record = row(0, json.dumps(rig_record(rig)).encode(), b"rig")

    def begin() -> None:
        for piece in (HEADER[:9], HEADER[9:], record[:50], record[50:]):
            grow(path, piece)

    writing = threading.Timer(0.1, begin)
    writing.start()
    run = follow_run(path)
    writing.join()
    run.start()
    run.catch_up()
    run.close()
    assert run.session.rig.gates.spacing_m == 0.3


@pytest.mark.parametrize("content", [b"", HEADER, b"no recording\n"])
def test_a_file_without_a_rig_is_refused(tmp_path, monkeypatch, content) -> None:
    monkeypatch.setattr(follow, "BEGIN_WITHIN_S", 0.05)
    path = tmp_path / "x.tsv"
    path.write_bytes(content)
    with pytest.raises(RecordingError) as refused:
        follow_run(path)
    assert refused.value.where == str(path)


def test_a_missing_file_is_refused_at_once(tmp_path, monkeypatch) -> None:
    monkeypatch.setattr(follow.time, "sleep", lambda _: pytest.fail("waited"))
    with pytest.raises(RecordingError, match="no such file"):
        follow_run(tmp_path / "x.tsv")


def test_a_rig_record_that_is_none_is_named_with_its_recording(tmp_path) -> None:
    path = tmp_path / "x.tsv"
    path.write_bytes(BANDS.read_bytes())
    run = followed(path)
    run.catch_up()
    grow(path, row(1, b'{"gates": {"spacing_m": -1}}', b"rig"))
    with pytest.raises(RigError) as refused:
        run.step()
    assert str(path) in refused.value.where
    run.close()


def test_what_the_operator_says_has_no_place_in_it(tmp_path) -> None:
    run = followed(BANDS)
    assert not run.takes_records
    assert run.near_launches
    assert not run.live
    with pytest.raises(NotImplementedError):
        run.record("mark", {})
    run.close()
