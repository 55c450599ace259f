"""Every edge of a recording, with the shot that it was taken for."""

from pathlib import Path

import pytest
from interval_kit import shot, write_recording

from chrono.processor.edge_roles import EdgeRole
from chrono.processor.shot_records import ABSENT, EdgesUsed
from chrono.session.edge_list import EdgeList, edges_of
from chrono.session.recording_loader import LoadedRecording, read_recording

RECORDINGS = Path(__file__).parents[2] / "recordings"
OWN = [
    "two-and-three-bands.tsv",
    "noisy-hall.tsv",
    "same-shots-fine.tsv",
    "plain-lines-4us.tsv",
]


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
