"""The sketches beside the firmware: the bench pulses with their reader, the one to port."""

import re
import subprocess
import sys
from collections.abc import Iterable
from itertools import pairwise
from pathlib import Path

import pytest

from chrono.session.recording_loader import read_recording

from .conftest import NOTES, BuildSketch, MakeBoard
from .kit import (
    FREQUENCY_HZ,
    SECOND,
    Board,
    Edge,
)

BENCH = NOTES / "bench_pulses"
SHORTER_PAUSES = {
    "delay(3000)": "delay(1600)",
    "delay(300)": "delay(35)",
    "delay(50)": "delay(33)",
}
"""Still longer than those by which the reader separates passes and series."""
PLAYED_S = 30.0


def read_edges(script: Path) -> list[Edge]:
    rows = (row.split() for row in script.read_text("ascii").splitlines())
    return [Edge(int(cycle), gate, int(level)) for cycle, gate, level in rows]


def recorded(sent: bytes, path: Path) -> Path:
    """A recording of a board's lines; plain ones are read at the time that they tell."""
    rows = ["host_us\torigin\tline"]
    for line in sent.decode("ascii").splitlines():
        if not line:
            continue
        last = line.split(" ")[-1]
        rows.append(f"{last if line[0] in 'AB' else 0}\tboard\t{line}")
    path.write_text("".join(row + "\n" for row in rows), "ascii")
    return path


@pytest.fixture(scope="module")
def bench_pulses(
    program: Path, build_sketch: BuildSketch, tmp_path_factory: pytest.TempPathFactory
) -> list[Edge]:
    """What the bench sketch plays in one round."""
    text = (BENCH / "bench_pulses.ino").read_text("utf-8")
    for pause, shorter in SHORTER_PAUSES.items():
        assert pause in text
        text = text.replace(pause, shorter)
    folder = tmp_path_factory.mktemp("bench")
    script, played = folder / "nothing", folder / "played"
    board = Board(program, build_sketch("bench pulses", text))
    board.run([], round(PLAYED_S * SECOND), script, "--played", str(played))
    return read_edges(played)[: 4 * (60 + 634)]


@pytest.mark.long
def test_the_bench_sketch_plays_its_intervals_to_the_cycle(bench_pulses: list[Edge]) -> None:
    """The waits of bench_pulses.ino: 20 passes of each transit, two of each gap."""
    passes = [bench_pulses[n : n + 4] for n in range(0, len(bench_pulses), 4)]
    steps = [[b.cycle - a.cycle for a, b in pairwise(four)] for four in passes]

    ms = FREQUENCY_HZ // 1000
    transits = [transit for transit in (1.5, 5, 15) for _ in range(20)]
    assert steps[:60] == [[ms, round((transit - 1) * ms), ms] for transit in transits]
    gaps = [gap for gap in range(4, 321) for _ in "AB"]
    assert steps[60:] == [[gap, 2 * ms, gap] for gap in gaps]
    orders = ["".join(edge.gate for edge in four) for four in passes]
    assert orders == ["AABB"] * 60 + ["ABAB", "BABA"] * 317


@pytest.mark.long
@pytest.mark.parametrize(
    ("target", "spread", "worst"), [("gates_int", 7, 7), ("gates_icp", 0, 1)]
)
def test_the_bench_reader_finds_what_the_bench_sketch_played(
    make_board: MakeBoard,
    bench_pulses: list[Edge],
    tmp_path: Path,
    target: str,
    spread: int,
    worst: int,
) -> None:
    until = bench_pulses[-1].cycle + SECOND // 10
    sent = make_board(target).run(bench_pulses, until, tmp_path / "script")
    said = subprocess.run(
        [
            sys.executable,
            str(BENCH / "read_bench.py"),
            str(recorded(sent, tmp_path / "bench.tsv")),
        ],
        check=True,
        capture_output=True,
        text=True,
    ).stdout
    print(said)

    assert "series 1: 60 passes, 0 not whole" in said
    known = re.findall(r"(\d+) (?:lead|trail) +n +(\d+) .* min ([+-]\d+) +max ([+-]\d+)", said)
    assert [(int(true), int(n)) for true, n, *_ in known] == [
        (true, 20) for true in (24_000, 80_000, 240_000) for _ in "LT"
    ]
    for *_, least, most in known:
        assert -spread <= int(least) <= int(most) <= spread
    bands = re.findall(r"(\d+) \.\.\. +(\d+) +(\d+) +(\d+) +(\d+) +(\d+) +(\S+)", said)
    passes = [(int(low), int(high), int(n), int(broken)) for low, high, n, broken, *_ in bands]
    assert passes == [(4, 79, 152, 0), (80, 159, 160, 0), (160, 320, 322, 0)]
    late, exact, error = zip(*(band[4:] for band in bands), strict=True)
    assert (int(late[2]), int(exact[2])) == (0, 322)
    assert all(each == "-" or int(each) <= worst for each in error)


def test_the_sketch_of_the_page_for_other_boards_gives_both_edges_with_their_levels(
    program: Path, build_sketch: BuildSketch, tmp_path: Path
) -> None:
    """Ten balls of 40 mm at 5 to 50 m/s; micros() has steps of 4 us here."""
    page = (NOTES / "port_guide.md").read_text("utf-8")
    assert len(page.splitlines()) <= 60
    text = page.split("```cpp\n")[1].split("```")[0]
    edges = [edge for n in range(10) for edge in ball(n * SECOND // 4 + SECOND, 5.0 + 5 * n)]
    board = Board(program, build_sketch("the page", text))
    sent = board.run(edges, edges[-1].cycle + SECOND // 4, tmp_path / "script")

    rig = """lines = "plain"
[gates]
spacing = "300 mm"
[clock]
tick = "4 us"
counter_bits = 32
jitter = "2 us"
"""
    (tmp_path / "rig.toml").write_text(rig, "utf-8")
    speeds = measured(recorded(sent, tmp_path / "x.tsv"), tmp_path / "rig.toml")
    assert len(speeds) == 10
    for n, (speed_mps, expanded_mps, length_m) in enumerate(speeds):
        assert abs(speed_mps - (5.0 + 5 * n)) <= expanded_mps
        assert abs(length_m - 0.040) < 0.001


def ball(start: int, speed_mps: float) -> Iterable[Edge]:
    """The edges of a ball of 40 mm through gates 300 mm apart."""
    for gate, place_m in (("A", 0.0), ("B", 0.3)):
        for level, end_m in ((1, 0.0), (0, 0.04)):
            yield Edge(start + round((place_m + end_m) / speed_mps * FREQUENCY_HZ), gate, level)


def measured(recording: Path, rig: Path) -> list[tuple[float, float, float]]:
    """Speed, its U95 and the body's length of each shot [m/s, m/s, m]."""
    from chrono.rigs.rig_file import load_rig

    view = read_recording(recording, load_rig(rig)).session.measured()
    return list(zip(view.speed_mps, view.U95_mps, view.body_length_m, strict=True))
