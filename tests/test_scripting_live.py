"""A script that clocks a board: what it gets is recorded, and nothing is left open."""

import itertools
import os
import signal
import subprocess
import sys
import threading
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from pty_board import HELLO, PtyBoard, framed

import chrono as door
from chrono.errors import OptionError, PortError
from chrono.reader.file_io import is_locked
from chrono.session.recording_loader import read_recording

RIG = {"gates": {"spacing": "300 mm"}}
BOARD = "virtual://class-afternoon?seed=3&speedup=1000"
SCRIPT = """
import sys, chrono
with chrono.live(sys.argv[1], recording=sys.argv[2]) as shots:
    for shot in shots:
        print(shot.number, repr(shot.speed_mps), flush=True)
"""


def is_closed(path: Path) -> bool:
    with path.open("rb") as file:
        return not is_locked(file.fileno(), path)


def board_rows(path: Path, edges: int) -> list[bytes]:
    """Return the lines of the board up to its edge of this number, without their times."""
    rows = [row.split(b"\t", 1)[1] for row in path.read_bytes().splitlines()]
    sent = [row for row in rows if row.startswith((b"board\tE", b"setup", b"rig"))]
    return sent[:edges]


def test_a_script_gets_what_clock_prints_and_records(chrono, tmp_path, monkeypatch) -> None:
    monkeypatch.chdir(tmp_path)
    chrono("clock", BOARD, "--recording", "clock.tsv", "--shots", "12", "--no-dashboard")
    with door.live(BOARD, recording="live.tsv", shots=12) as shots:
        got = list(shots)
    assert [shot.number for shot in got] == list(range(1, 13))
    clocked, live = door.read("clock.tsv"), door.read("live.tsv")
    for name in ("speed_mps", "U95_mps", "transit_us", "shot_flags", "counted", "setup"):
        assert live.shots[name].tolist() == clocked.shots[name].tolist()
    assert np.allclose(live.shots.speed_mps, [shot.speed_mps for shot in got], equal_nan=True)
    edges = len(clocked.edges)
    assert board_rows(Path("live.tsv"), edges) == board_rows(Path("clock.tsv"), edges)
    assert len(live.edges) == edges


def end_with(fault: type[BaseException], live: door.LiveShots) -> None:
    """Raise something in the middle of a loop."""
    with live as shots:
        for shot in shots:
            if shot.number == 3:
                raise fault


@pytest.mark.parametrize("fault", [ZeroDivisionError, KeyboardInterrupt, SystemExit])
def test_whatever_ends_the_loop_closes_the_recording(tmp_path, fault) -> None:
    path = tmp_path / "a.tsv"
    with pytest.raises(fault):
        end_with(fault, shots := door.live(BOARD, recording=path))
    assert is_closed(path)
    assert "closed, 3 shots yielded" in repr(shots)
    assert len(read_recording(path).session.log) >= 3
    assert not [each for each in threading.enumerate() if each.name.startswith("reader ")]


def test_shots_that_end_with_the_board_are_still_there(tmp_path) -> None:
    with door.live(BOARD, recording=tmp_path / "a.tsv") as shots:
        first = list(itertools.islice(shots, 2))
    rest = list(shots)
    in_file = door.read(shots.recording).shots
    assert [shot.number for shot in first + rest] == in_file.index.tolist()


def test_ctrl_c_while_it_waits_ends_it_and_the_recording_is_whole(tmp_path) -> None:
    path = tmp_path / "a.tsv"
    command = [sys.executable, "-c", SCRIPT, "virtual://two-bands?seed=1", path]
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as script:
        assert script.stdout is not None
        assert script.stderr is not None
        first = script.stdout.readline().split()
        script.send_signal(signal.SIGINT)
        said = script.stderr.read()
    assert script.returncode in (-signal.SIGINT, 130, 1)
    assert said.rstrip().endswith("KeyboardInterrupt")
    assert is_closed(path)
    assert door.read(path).shots.speed_mps.loc[int(first[0])] == pytest.approx(float(first[1]))


def test_the_loop_ends_with_its_last_shot_and_does_not_wait_for_the_next(tmp_path) -> None:
    board = "virtual://two-bands?seed=1&shots=3&speedup=1000"  # then it only sends beats
    script = SCRIPT.replace("sys.argv[2])", "sys.argv[2], shots=3)")
    done = subprocess.run(
        [sys.executable, "-c", script, board, tmp_path / "a.tsv"],
        capture_output=True,
        text=True,
        check=True,
        timeout=120,
    )
    assert [line.split()[0] for line in done.stdout.splitlines()] == ["1", "2", "3"]


def test_a_setup_named_on_the_way_holds_from_there_on(tmp_path) -> None:
    board = "virtual://two-bands?seed=1&speedup=300"
    with door.live(board, recording=tmp_path / "a.tsv", setup="cold") as shots:
        next(shots)
        shots.change_setup("warm")
        later = [shot.setup for shot in itertools.islice(shots, 6)]
    assert later[-1] == "warm"
    assert list(door.read(shots.recording).setups) == ["cold", "warm"]


def test_without_a_name_the_recording_is_named_by_the_time_of_day(
    tmp_path, monkeypatch
) -> None:
    monkeypatch.chdir(tmp_path)
    with door.live(BOARD, shots=1) as shots:
        assert len(list(shots)) == 1
    assert shots.recording.name.startswith("session-")
    assert len(door.read(shots.recording).shots) == 1


def test_the_cautions_come_first(tmp_path, capsys) -> None:
    with door.live(BOARD, recording=tmp_path / "a.tsv"):
        pass
    assert capsys.readouterr().err.startswith("Caution: ")


def test_wrong_use_is_refused_in_one_line(tmp_path) -> None:
    path = tmp_path / "a.tsv"
    unopened = door.live(BOARD, recording=path)
    with pytest.raises(OptionError, match="connection to the board is not open") as refused:
        next(unopened)
    assert "with chrono.live" in (refused.value.hint or "")
    assert not path.exists()
    with unopened:
        pass
    with pytest.raises(OptionError, match="used already"), unopened:
        pass
    with pytest.raises(OptionError, match="a rig file is needed"), door.live("/dev/nowhere"):
        pass
    wide = {"gates": {"spacing": "300 mm"}}
    away = tmp_path / "b.tsv"
    with pytest.raises(PortError), door.live("/dev/nowhere", wide, recording=away):
        pass
    assert not away.exists()
    with pytest.raises(door.ChronoError, match="exists"), door.live(BOARD, recording=path):
        pass


def test_a_shot_waits_until_the_disk_has_it(tmp_path, monkeypatch) -> None:
    with door.live(BOARD, recording=tmp_path / "a.tsv", shots=5) as shots:
        next(shots)
        run = shots._opened()
        while len(run.session.log) < 3:
            run.step()
        with monkeypatch.context() as ill:
            ill.setattr(run, "writer", SimpleNamespace(trouble="no space left on device"))
            assert not shots._has_next(run)
        assert next(shots).number == 2


KILLED = Path(__file__).parent / "faults" / "killed_script.py"


def kill_and_compare(tmp_path: Path, kills: int, seed: int) -> None:
    """Kill so many scripts, and look for each shot that one had got."""
    subprocess.run([sys.executable, KILLED, tmp_path, str(kills), str(seed)], check=True)
    got, sessions = 0, 0
    for out in tmp_path.glob("*.out"):
        lines = [line.split() for line in out.read_text().split("\n")[:-1]]
        if not lines:
            continue
        log = read_recording(out.with_suffix(".tsv")).session.log
        for number, key in lines:
            assert int(log.shots["key"][int(number) - 1]) == int(key), out
        got, sessions = got + len(lines), sessions + 1
    assert sessions > 0.5 * kills
    assert got > kills


@pytest.mark.long
@pytest.mark.skipif(os.name != "posix", reason="kills by a signal")
def test_no_kill_loses_a_shot_that_a_script_got(tmp_path: Path) -> None:
    kill_and_compare(tmp_path, 8, seed=1)


@pytest.mark.long
@pytest.mark.skipif(os.name != "posix", reason="kills by a signal")
def test_sixty_kills_lose_no_shot_that_a_script_got(tmp_path: Path) -> None:
    kill_and_compare(tmp_path, 60, seed=2)


def resident_mb() -> float:
    """Return the memory that this process holds now [MB]."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


MOST_GROWTH_MB = 30.0
"""Eight thousand shots are 0.8 MB in the log; the rest is what an allocator keeps."""


def shoot(board: PtyBoard, shots: int) -> None:
    """Send a shot per half second of the board's clock, as fast as the host reads them."""
    ticks_ms, sequence = 16_000, 0
    board.send(HELLO)
    for number in range(1, shots + 1):
        at_ms = 500 * number
        for gate, level, later_ms in (("A", 1, 0), ("A", 0, 2), ("B", 1, 15), ("B", 0, 17)):
            counter = (at_ms + later_ms) * ticks_ms % 2**32
            board.send(framed(f"E {sequence % 2**16:04X} {gate} {level} {counter:08X}"))
            sequence += 1


@pytest.mark.long
@pytest.mark.skipif(not Path("/proc/self/statm").exists(), reason="asks Linux for memory")
def test_ten_thousand_shots_need_no_more_memory_than_two_thousand(tmp_path: Path) -> None:
    wanted, early_mb, numbers = 10_000, 0.0, 0
    with PtyBoard(tmp_path / "board") as board:
        live = door.live(str(board.name), RIG, recording=tmp_path / "a.tsv", shots=wanted)
        with live as shots:
            sender = threading.Thread(target=shoot, args=(board, wanted + 2), daemon=True)
            sender.start()
            for shot in shots:
                numbers += shot.number
                assert shot.speed_mps == pytest.approx(20.0, rel=1e-3)
                if shot.number == 2_000:
                    early_mb = resident_mb()
            late_mb = resident_mb()
    print(f"{early_mb:.1f} MB, then {late_mb:.1f} MB")
    assert numbers == wanted * (wanted + 1) // 2
    assert late_mb - early_mb < MOST_GROWTH_MB
    assert len(door.read(shots.recording).shots) == wanted
