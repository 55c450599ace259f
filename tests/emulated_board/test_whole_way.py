"""The whole way: emulated board, terminal, `chrono clock`, recording, speeds.

200 shots between 3 and 200 m/s through each firmware and through the plain sketch, all at
once and at twice real time. The gates' true distance is 0.1 mm off the rig's value, which the
rig's tolerance covers.
"""

import csv
import io
import math
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import NamedTuple

import pytest
from waiting import wait_until

from .conftest import MakeBoard
from .kit import Board, go, write_script
from .shots import SPACING_M, Shot, edges_of_shots, make_shots

pytestmark = pytest.mark.long

COUNT = 200
NOMINAL_SPACING_M = 0.300

RIG = """
name = "emulated gates"
lines = "{lines}"

[gates]
spacing = "300.0 mm"
spacing_tolerance = "0.2 mm"
trip_tolerance = "0.0 mm"
tilt_limit = "0 deg"
latency_mismatch = "{latency}"
off_centre = "0 mm"
slope_tolerance = "0 deg"

[clock]
frequency = "16 MHz"
rate_tolerance = "0 ppm"
jitter = "{jitter}"
{tick}

[body]
name = "ball too heavy for drag to tell, as the script lets it fly"
mass = "50 kg"
diameter = "40 mm"
length = "40 mm"

[window]
slowest = "2.9 m/s"
fastest = "250 m/s"
"""

# Jitter as measured on the emulated boards: see the notes on timing.
RIGS = {
    "gates_int": RIG.format(lines="framed", latency="0 us", jitter="0.05 us", tick=""),
    "gates_rp2040": RIG.format(lines="framed", latency="0 us", jitter="0.002 us", tick=""),
    "plain_micros": RIG.format(
        lines="plain", latency="0 us", jitter="0.7 us", tick='tick = "4 us"'
    ),
}


class Clocked(NamedTuple):
    """What came of one board's session."""

    shots: list[Shot]
    rows: list[dict[str, str]]
    recording: Path


def wait_for_opened(recording: Path, process: subprocess.Popen[bytes]) -> None:
    """Wait until the program has the port open (opening empties its input)."""

    def is_opened() -> bool:
        return recording.exists() and b"opened" in recording.read_bytes()

    wait_until(lambda: is_opened() or process.poll() is not None)
    assert is_opened(), f"the port was not opened: {process.communicate()}"


def chrono(*words: object) -> list[str]:
    """The program's command line."""
    return [sys.executable, "-m", "chrono", *map(str, words)]


def clock_session(board: Board, rig_text: str, folder: Path) -> Clocked:
    """Clock all shots of one board and export the recording."""
    shots = make_shots(COUNT, 11, 1.5)
    script, rig, recording = folder / "script", folder / "rig.toml", folder / "session.tsv"
    write_script(edges_of_shots(shots, board.frequency_hz), script)
    rig.write_text(rig_text, encoding="utf-8")
    with board.behind_terminal(script, "--pace", "2") as (port, emulator):
        options = ("--rig", rig, "--recording", recording, "--no-dashboard", "--shots", COUNT)
        clocking = subprocess.Popen(
            chrono("clock", port, *options), stdout=subprocess.PIPE, stderr=subprocess.PIPE
        )
        try:
            wait_for_opened(recording, clocking)
            go(emulator)
            said = clocking.communicate(timeout=240)
        finally:
            clocking.kill()
    assert clocking.returncode == 0, said
    done = subprocess.run(
        chrono("export", recording), capture_output=True, text=True, check=False
    )
    # The emulator runs at another pace than the computer's clock, and nothing else is doubtful.
    doubts = done.stderr.splitlines()
    assert [line for line in doubts if "the counter runs about" not in line] == []
    assert done.returncode == bool(doubts)
    return Clocked(shots, list(csv.DictReader(io.StringIO(done.stdout))), recording)


@pytest.fixture(scope="module")
def sessions(
    make_board: MakeBoard, tmp_path_factory: pytest.TempPathFactory
) -> dict[str, Clocked]:
    """One session of each firmware, all at the same time."""
    boards = {target: make_board(target) for target in RIGS}
    with ThreadPoolExecutor(len(RIGS)) as pool:
        waiting = {
            target: pool.submit(
                clock_session, board, RIGS[target], tmp_path_factory.mktemp(target)
            )
            for target, board in boards.items()
        }
        return {target: session.result() for target, session in waiting.items()}


def column(session: Clocked, name: str) -> list[float]:
    return [float(row[name]) for row in session.rows]


def residuals(session: Clocked) -> list[float]:
    """Speed minus truth in units of its random uncertainty, the known distance put right."""
    scale = SPACING_M / NOMINAL_SPACING_M
    return [
        (speed * scale - shot.speed_mps) / u
        for speed, u, shot in zip(
            column(session, "speed_mps"),
            column(session, "u_random_mps"),
            session.shots,
            strict=True,
        )
    ]


@pytest.mark.parametrize("target", list(RIGS))
def test_every_shot_is_found_and_counted(sessions: dict[str, Clocked], target: str) -> None:
    rows = sessions[target].rows

    assert len(rows) == COUNT
    assert [row["counted"] for row in rows].count(rows[0]["counted"]) == COUNT
    flags = {flag for row in rows for flag in row["flags"].split(";") if flag}
    assert flags <= ({"lead-only"} if target == "plain_micros" else set())


@pytest.mark.parametrize("target", list(RIGS))
def test_at_least_93_percent_of_the_speeds_lie_within_their_u95(
    sessions: dict[str, Clocked], target: str
) -> None:
    session = sessions[target]
    within = [
        abs(speed - shot.speed_mps) <= expanded
        for speed, expanded, shot in zip(
            column(session, "speed_mps"),
            column(session, "U95_mps"),
            session.shots,
            strict=True,
        )
    ]

    assert sum(within) >= 0.93 * COUNT


@pytest.mark.parametrize("target", ["gates_int", "plain_micros"])
def test_the_difference_from_truth_is_explained_by_the_budget(
    sessions: dict[str, Clocked], target: str
) -> None:
    """With the known distance put right, what is left is as random as the budget says."""
    left = residuals(sessions[target])

    spread = math.sqrt(sum(z * z for z in left) / COUNT)
    assert 0.5 < spread < 1.25
    assert abs(sum(left) / COUNT) < 4 / math.sqrt(COUNT)
    assert sum(abs(z) <= 1.96 for z in left) >= 0.88 * COUNT


def test_the_rp2040_times_each_transit_to_a_step_of_its_counter(
    sessions: dict[str, Clocked],
) -> None:
    """Steps of 16 ns; its random uncertainty is too small for the table's decimals."""
    session = sessions["gates_rp2040"]
    truth_us = [1e6 * SPACING_M / shot.speed_mps for shot in session.shots]
    errors_us = [a - b for a, b in zip(column(session, "transit_us"), truth_us, strict=True)]

    assert max(map(abs, errors_us)) < 0.017
    assert max(column(session, "u_random_mps")) < 0.001


def test_the_plain_sketch_states_its_visibly_larger_uncertainty(
    sessions: dict[str, Clocked],
) -> None:
    exact, plain = sessions["gates_int"], sessions["plain_micros"]
    ratios = [
        p / e
        for e, p in zip(
            column(exact, "u_random_mps"), column(plain, "u_random_mps"), strict=True
        )
    ]

    assert min(ratios) > 10


@pytest.mark.parametrize("target", list(RIGS))
def test_the_recording_holds_the_board_s_lines(
    sessions: dict[str, Clocked], target: str
) -> None:
    text = sessions[target].recording.read_text("ascii")
    edges = 2 * COUNT if target == "plain_micros" else 4 * COUNT

    kinds = "AB" if target == "plain_micros" else "E"
    lines = [row.split("\t") for row in text.splitlines()]
    assert sum(row[1] == "board" and row[2][:1] in kinds for row in lines if row[2]) == edges
