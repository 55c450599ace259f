"""Every edge of a recording, with the shot that it was taken for."""

import json
from pathlib import Path

import pytest
from hand_board import hand_run
from interval_kit import shot, write_recording
from pty_board import framed

from chrono.processor.shot_records import ABSENT, EdgesUsed
from chrono.reader.recording_rows import HEADER
from chrono.rigs.rig_file import parse_rig, rig_record
from chrono.session.edge_list import EdgeList, EdgeRole, edges_of
from chrono.session.recording_loader import LoadedRecording, read_recording

RECORDINGS = Path(__file__).parents[2] / "recordings"
OWN = [
    "two-and-three-bands.tsv",
    "noisy-hall.tsv",
    "same-shots-fine.tsv",
    "plain-lines-4us.tsv",
]


GATES = parse_rig('[gates]\nspacing = "300 mm"\n', "test")


def both(path: Path) -> tuple[LoadedRecording, EdgeList]:
    recorded = read_recording(path)
    return recorded, edges_of(recorded)


def compare_with_shots(recorded: LoadedRecording, edges: EdgeList) -> int:
    """See that each shot begins with its first edge and has its transits; return how many."""
    log, compared = recorded.session.log, 0
    unit_s = recorded.session.model.unit_s
    assert set(edges.shot[edges.shot > 0].tolist()) == set(range(1, len(log) + 1))
    for number, its in enumerate(log.shots, 1):
        own = edges.shot == number
        assert edges.host_us[own].min() <= its["host_us"] <= edges.host_us[own].max()
        assert edges.board_s[own].min() == pytest.approx(its["key"] * unit_s, abs=2e-6)
        roles = edges.role[own]
        if its["used"] == EdgesUsed.NONE or (roles == EdgeRole.BOUNCE).any():
            continue
        at = {
            (int(gate), int(role)): board_s
            for gate, role, board_s in zip(
                edges.gate[own], roles, edges.board_s[own], strict=True
            )
            if role in (EdgeRole.LEADING, EdgeRole.TRAILING)
        }
        for role, name in ((0, "lead"), (1, "trail")):
            if its[name] == ABSENT:
                continue
            assert at[1, role] - at[0, role] == pytest.approx(its[name] * unit_s, abs=1e-9)
        compared += 1
    return compared


@pytest.mark.parametrize("name", OWN)
def test_the_edges_of_a_shot_give_its_transits(name: str) -> None:
    recorded, edges = both(RECORDINGS / name)
    assert compare_with_shots(recorded, edges) >= len(recorded.session.log) / 4


def test_each_edge_line_of_the_file_is_one_edge_as_sent() -> None:
    lines = [row.split(b"\t")[2].split() for row in open_rows("two-and-three-bands.tsv")]
    sent = [line for line in lines if line[0] == b"E"]
    _, edges = both(RECORDINGS / "two-and-three-bands.tsv")
    assert edges.counter.tolist() == [int(line[4], 16) for line in sent]
    assert edges.gate.tolist() == [b"AB".index(line[2]) for line in sent]
    assert edges.level.tolist() == [int(line[3]) for line in sent]


def open_rows(name: str) -> list[bytes]:
    rows = (RECORDINGS / name).read_bytes().splitlines()
    return [row for row in rows if b"\tboard\t" in row]


def test_a_board_of_intervals_sends_no_edges(tmp_path: Path) -> None:
    path = write_recording(tmp_path / "intervals.tsv", [shot(20.0)] * 3)
    recorded, edges = both(path)
    assert len(recorded.session.log) == 3
    assert len(edges.gate) == 0


def written(path: Path, *lines: tuple[float, str]) -> Path:
    """Write a recording of lines of a framed board, each with its time on the host [s]."""
    head = ["0\tfile\t" + json.dumps({"format": 1}), "0\trig\t" + json.dumps(rig_record(GATES))]
    rows = [f"{round(at_s * 1e6)}\tboard\t{framed(line).decode()}" for at_s, line in lines]
    path.write_bytes(HEADER + "\n".join(head).encode() + b"\n" + "".join(rows).encode())
    return path


def flight(at_s: float, begin: int, first: int, hz: float) -> list[tuple[float, str]]:
    """Return the lines of a ball of 40 mm at 20 m/s; `first` is the first line's number."""
    moments = (("A", 1, 0.0), ("A", 0, 2e-3), ("B", 1, 15e-3), ("B", 0, 17e-3))
    return [
        (at_s + s, f"E {first + n:04X} {gate} {level} {begin + round(s * hz):08X}")
        for n, (gate, level, s) in enumerate(moments)
    ]


def test_edges_before_and_after_another_counter_keep_to_their_shots(tmp_path: Path) -> None:
    lines = [(0.5, "H 1 16000000 32 gates-328p 1.0"), *flight(1.0, 16_000_000, 1, 16e6)]
    lines += [*flight(4.0, 64_000_000, 5, 16e6), (6.0, "H 1 8000000 32 gates-328p 1.0")]
    lines += [*flight(7.0, 8_000_000, 1, 8e6), *flight(10.0, 32_000_000, 5, 8e6)]
    recorded, edges = both(written(tmp_path / "two-counters.tsv", *lines))
    assert len(recorded.session.log) == 4
    assert edges.shot.tolist() == [n for n in (1, 2, 3, 4) for _ in range(4)]
    assert edges.role.tolist() == [EdgeRole.LEADING, EdgeRole.TRAILING] * 8
    starts = edges.board_s[::4]
    assert edges.board_s[2::4] - starts == pytest.approx([15e-3] * 4)
    assert edges.counter[::4].tolist() == [16_000_000, 64_000_000, 8_000_000, 32_000_000]


def test_only_the_lines_of_late_edges_are_listed_as_late(tmp_path: Path) -> None:
    lines = [(0.5, "H 1 16000000 32 gates-328p 1.0"), *flight(1.0, 16_000_000, 1, 16e6)]
    lines[3] = (lines[3][0], lines[3][1].replace("E ", "L "))  # the leading edge at gate B
    _, edges = both(written(tmp_path / "late.tsv", *lines))
    assert edges.late.tolist() == [False, False, True, False]


def test_what_follows_on_a_gate_that_stayed_blocked_is_passed_over(tmp_path: Path) -> None:
    hz = 16_000_000
    chatter = [(1.0, 1), (1.6, 0), (1.6001, 1), (2.2, 0), (2.2001, 1), (2.8, 0)]
    lines = [(0.5, "H 1 16000000 32 gates-328p 1.0")]
    for number, (at_s, level) in enumerate(chatter, 1):
        lines.append((at_s, f"E {number:04X} A {level} {round(at_s * hz):08X}"))
    _, edges = both(written(tmp_path / "stuck.tsv", *lines))
    assert edges.role.tolist() == [EdgeRole.LEADING, *[EdgeRole.PASSED_OVER] * 5]
    assert edges.shot.tolist() == [1, 0, 0, 0, 0, 0]


def test_edges_that_came_after_the_first_reading_are_listed_too(tmp_path: Path) -> None:
    board, run = hand_run(tmp_path / "growing.tsv")
    board.shoot_and_wait(30.0)
    recorded = read_recording(tmp_path / "growing.tsv")
    board.shoot_and_wait(31.0)
    assert run.writer is not None
    run.writer.sync()
    assert edges_of(recorded).shot.tolist() == [1, 1, 1, 1, 2, 2, 2, 2]
    run.close()
