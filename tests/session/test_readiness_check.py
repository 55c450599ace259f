"""What `chrono check FILE` finds, and that it does not depend on how the stream was cut."""

import binascii
import json
import os
from pathlib import Path

import pytest
from hand_board import RIG_TEXT, hand_run
from hypothesis import given, settings
from hypothesis import strategies as st
from pty_board import HELLO, PtyBoard, framed, until

from chrono.arrays.events import cut_batch
from chrono.health.gate_monitor import WINDOW_S
from chrono.health.readiness import Observation
from chrono.reader.recording_reader import RecordingReader
from chrono.reader.row_decoding import decode_rows
from chrono.reports.readiness_text import health_text, health_words
from chrono.rigs.line_kinds import FRAMED
from chrono.rigs.rig_file import default_rig, with_keys
from chrono.session import readiness_check
from chrono.session.observer import Observer
from chrono.session.readiness_check import PortWatch, check_recording
from chrono.session.recording_loader import add_rig, first_rig
from chrono.session.session import Session

RECORDINGS = Path(__file__).parents[2] / "recordings"
NOISY = RECORDINGS / "noisy-hall.tsv"
ROWS = NOISY.read_bytes().splitlines(keepends=True)
RIG = first_rig(NOISY)


def line(fields: str) -> str:
    return f"{fields} {binascii.crc_hqx(fields.encode(), 0xFFFF):04X}"


@pytest.mark.parametrize(
    ("name", "ready", "words"),
    [
        ("two-and-three-bands.tsv", True, ["137 in the last 60 s, 0 damaged, 0 lost"]),
        ("plain-lines-4us.tsv", True, ["this line format has no beats"]),
        (
            "noisy-hall.tsv",
            False,
            ["a lamp makes gate A flicker at 100 Hz", "gate A chatters", "gate B chatters"],
        ),
    ],
)
def test_the_demo_sessions_are_judged_as_they_were(
    name: str, ready: bool, words: list[str]
) -> None:
    health = check_recording(RECORDINGS / name, None).health
    printed = health_text(health)
    assert health.ready == ready
    assert all(word in printed for word in words)
    assert "silent" not in printed


def test_a_corrected_rig_is_used_for_the_check(tmp_path: Path) -> None:
    path = tmp_path / "a.tsv"
    path.write_bytes((RECORDINGS / "two-and-three-bands.tsv").read_bytes())
    assert check_recording(path, None).health.ready
    add_rig(path, with_keys(first_rig(path), {"body.length": "80 mm"}))
    assert "declared 80 mm" in health_text(check_recording(path, None).health)
    assert "declared 40 mm" in health_text(check_recording(path, first_rig(path)).health)


def test_the_rate_of_the_clock_comes_from_the_whole_recording() -> None:
    told = health_words(check_recording(NOISY, None).health)
    (clock,) = (item for item in told.items if item.name == "clock")
    assert "-37 ± 19 ppm" in clock.reading  # the truth behind it: -41.9


@pytest.mark.parametrize(
    ("stretch", "reading", "advice"),
    [
        (1.02, "about 16000 ppm slow", "set clock.rate_tolerance in the rig for this board"),
        (0.5, "about 2 times as fast", "check [clock] and `lines` in the rig"),
    ],
)
def test_without_beats_the_shots_tell_that_the_rate_does_not_fit(
    tmp_path: Path, stretch: float, reading: str, advice: str
) -> None:
    """The counter itself is about 0.4 % fast, within the ± 0.5 % of its rig."""
    path = tmp_path / "stretched.tsv"
    head, *rows = (RECORDINGS / "plain-lines-4us.tsv").read_bytes().splitlines(keepends=True)
    parts = (row.split(b"\t", 1) for row in rows)
    later = (b"%d\t%s" % (int(us) * stretch, rest) for us, rest in parts)
    path.write_bytes(head + b"".join(later))
    health = check_recording(path, None).health
    (trouble,) = health_words(health).troubles
    assert trouble.name == "clock"
    assert trouble.reading.startswith(reading)
    assert trouble.advice == advice, "calibrate clock needs beats"
    assert health_text(health).count("compared with the computer's clock") == 1


def test_a_session_in_which_nothing_came_says_so(tmp_path: Path) -> None:
    path = tmp_path / "silent.tsv"
    path.write_bytes(b"".join(row for row in ROWS if b"\tboard\t" not in row))
    assert "no line has come" in health_text(check_recording(path, None).health)


def seen_in_pieces(rows: list[bytes], places: list[int], until_us: int = 0) -> Observation:
    """Return what is observed at the end of rows that come cut at `places`."""
    session = Session(RIG, fixed_rig=True)
    observer = Observer(session, until_us)
    last_us, begin = 0, 0
    for end in [*sorted(places), len(rows)]:
        batch = decode_rows(b"".join(rows[begin:end]), FRAMED)
        for piece in observer.seconds(batch):
            session.feed(piece)
            observer.feed(piece)
        begin = end
        if len(batch.events):
            last_us = int(batch.events.host_us[-1])
    session.finish()
    return observer.observed(last_us + 300_000)


def _host_us(row: bytes) -> int:
    return int(row.partition(b"\t")[0])


SPOILS = ["lost", "damaged", "hello", "link", "other counter", "back"]


@st.composite
def troubled_rows(draw: st.DrawFn) -> list[bytes]:
    """Draw a stretch of a noisy session with lines lost and damaged, and records between."""
    begin = draw(st.integers(4, 1500))
    rows = [*ROWS[:4], *ROWS[begin : begin + draw(st.integers(2, 1400))]]
    for at, spoil in draw(
        st.lists(st.tuples(st.integers(4, len(rows) - 1), st.sampled_from(SPOILS)), max_size=6)
    ):
        host_us = _host_us(rows[at])
        link = json.dumps({"event": "lost", "port": "x", "reason": ""})
        rows[at] = {
            "lost": b"",
            "damaged": b"%d\tboard\tE 00\n" % host_us,
            "hello": b"%d\tboard\t%s\n" % (host_us, line("H 1 16000000 32 b 1").encode()),
            "other counter": b"%d\tboard\t%s\n"
            % (host_us, line("H 1 8000000 32 b 1").encode()),
            "link": b"%d\tlink\t%s\n" % (host_us, link.encode()),
            "back": b"%d\tboard\tE 00\n" % max(host_us - 3_000_000, 0),
        }[spoil] or b'%d\tmark\t{"action": "note"}\n' % host_us
    return rows


def test_a_counter_that_comes_and_goes_at_once_is_seen_in_any_pieces() -> None:
    hellos = ("H 1 8000000 32 b 1", "H 1 16000000 32 b 1")
    host_us = _host_us(ROWS[40])
    rows = ROWS[:41] + [b"%d\tboard\t%s\n" % (host_us, line(h).encode()) for h in hellos]

    assert seen_in_pieces(rows, [len(rows) - 1]) == seen_in_pieces(rows, [])


@settings(max_examples=8)
@given(troubled_rows(), st.data())
def test_what_is_observed_does_not_depend_on_the_cut(
    rows: list[bytes], data: st.DataObject
) -> None:
    the_cut_changes_nothing(rows, data)


@pytest.mark.long
@settings(max_examples=100)
@given(troubled_rows(), st.data())
def test_what_is_observed_does_not_depend_on_a_hundred_cuts(
    rows: list[bytes], data: st.DataObject
) -> None:
    the_cut_changes_nothing(rows, data)


def the_cut_changes_nothing(rows: list[bytes], data: st.DataObject) -> None:
    """Compare what is observed of rows as a whole and of their pieces."""
    whole = seen_in_pieces(rows, [])
    for _ in range(2):
        places = data.draw(st.lists(st.integers(0, len(rows)), max_size=40))
        assert seen_in_pieces(rows, places) == whole
    fifties = list(range(0, len(rows), 50))
    assert seen_in_pieces(rows, fifties) == whole
    last_us = decode_rows(b"".join(rows), FRAMED).events.host_us[-1:]
    assert seen_in_pieces(rows, fifties, int(last_us.sum())) == whole


@settings(max_examples=40)
@given(st.lists(st.integers(1, 300), max_size=5, unique=True))
def test_the_pieces_of_a_batch_are_the_batch(places: list[int]) -> None:
    block = b"".join(ROWS[:400])
    batch = decode_rows(block, FRAMED)
    whole, pieced = Session(RIG), Session(RIG)
    whole.feed(batch)
    pieces = list(cut_batch(batch, sorted(places)))
    for piece in pieces:
        assert all(c.position <= len(piece.events) for c in piece.controls)
        pieced.feed(piece)
    assert [len(p.events) for p in pieces[:-1]] == [
        b - a for a, b in zip([0, *sorted(places)], sorted(places), strict=False)
    ]
    assert sum(len(p.controls) for p in pieces) == len(batch.controls)
    assert pieced.rows == whole.rows == 400
    assert pieced.unusable.lines == whole.unusable.lines
    assert pieced.log.shots.tobytes() == whole.log.shots.tobytes()
    assert pieced.processor.tally == whole.processor.tally


def test_what_no_window_reaches_at_the_end_is_not_cut(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Cut by the second, all of a long recording went the slow way: 111 s for 1.5 GB."""
    fed: list[int] = []
    feed = Session.feed
    monkeypatch.setattr(
        Session, "feed", lambda self, batch: (fed.append(batch.rows), feed(self, batch))[1]
    )
    monkeypatch.setattr(
        readiness_check, "RecordingReader", lambda path: RecordingReader(path, block_bytes=4000)
    )
    path = tmp_path / "twice.tsv"
    later = [
        b"%d%s" % (_host_us(row) + 300_000_000, row[row.index(b"\t") :]) for row in ROWS[4:]
    ]
    path.write_bytes(b"".join([*ROWS, *later]))
    blocks, seconds = len(list(RecordingReader(path, 4000))), 123
    assert len({_host_us(row) // 1_000_000 for row in ROWS[1:]}) == seconds
    check_recording(path, None)
    assert blocks > 40
    assert len(fed) <= blocks + WINDOW_S + 10 < seconds


@pytest.mark.skipif(os.name != "posix", reason="needs pseudo-terminals")
def test_a_watched_port_shows_a_beam_that_is_blocked_and_cleared(tmp_path: Path) -> None:
    port = str(tmp_path / "board")
    with PtyBoard(Path(port)) as board, PortWatch(port, default_rig(), 115_200) as watch:

        def reads(words: str) -> bool:
            watch.step()
            return words in health_text(watch.judge())

        board.send(HELLO + framed("T 0000 00F42400 00 0000"))
        until(lambda: reads("beam A     clear"))
        board.send(framed("E 0001 A 1 01000000"))
        until(lambda: reads("beam A     blocked for"))
        board.send(framed("E 0002 A 0 01400000"))
        until(lambda: reads("beam A     clear"))


def test_the_delays_of_the_beats_are_those_of_the_link_whatever_the_counter_s_rate() -> None:
    """Every third beat is read 2 ms late, every third 4 ms late, and one 50 ms late."""
    board, run = hand_run(rig_text=RIG_TEXT + '[clock]\nrate_tolerance = "5000 ppm"\n')
    board.rate_error = -3000e-6
    board.us = 500_000_000
    board.start_anew()  # the counter starts long after the computer's clock

    def beat(second: int, late_us: int) -> None:
        board.us = second * 1_000_000
        line = f"T {board.number()} {board._counter()} 00 0000"
        board.us += late_us
        board.line(line)

    for second in range(501, 702):
        beat(second, 50_000 if second == 650 else (0, 2000, 4000)[second % 3])
    while run.step():
        pass
    assert run.delays() is None, "the rate is not known yet"
    run.observed()
    delays = run.delays()
    assert delays is not None
    assert delays.median_ms == pytest.approx(2.0, abs=0.02)
    assert delays.longest_ms == pytest.approx(50.0, abs=0.02)
    board.line("H 1 8000000 32 other 1.0")
    run.step()
    assert run.delays() is None, "another counter has sent no beat yet"
