"""Every edge of a session with every kind of trouble belongs to the right shot, or to none."""

import numpy as np
import pytest

from chrono.processor.pipeline import Rules
from chrono.processor.shot_records import ABSENT, EdgesUsed, Shots
from chrono.processor.timeline import LATE
from chrono.reader.row_decoding import decode_rows
from chrono.rigs.line_kinds import FRAMED
from chrono.session.edge_list import EdgeKeeper, EdgeRole, PlacedEdges

from .generator import FiringLine, firing_line
from .scoring import rig, shots_of


@pytest.fixture(scope="module")
def line() -> FiringLine:
    return firing_line(2024)


def kept(rows: bytes, block_rows: int) -> tuple[PlacedEdges, np.ndarray, np.ndarray]:
    """Return the edges of rows that came in blocks, with their shots and roles."""
    keeper = EdgeKeeper(Rules.from_rig(rig()))
    lines = rows.splitlines(keepends=True)
    for start in range(0, len(lines), block_rows):
        batch = decode_rows(b"".join(lines[start : start + block_rows]), lines=FRAMED)
        controls = [c for c in batch.controls if c.origin in ("hello", "link")]
        keeper.feed(batch.events, controls)
    keeper.finish()
    (placed,) = keeper.kept()
    return placed, *keeper.roles(placed)


def by_hand(shot: np.void, t: np.ndarray, gate: np.ndarray, role: np.ndarray) -> bool:
    """Whether the main edges of a shot lie as far apart as the shot says."""
    for name, wanted in (("lead", EdgeRole.LEADING), ("trail", EdgeRole.TRAILING)):
        if shot[name] == ABSENT:
            continue
        at = [t[(gate == place) & (role == wanted)] for place in (0, 1)]
        if any(len(each) != 1 for each in at) or at[1][0] - at[0][0] != shot[name]:
            return False
    return True


def test_edges_belong_to_the_shots_that_the_run_made(line: FiringLine) -> None:
    shots: Shots = shots_of(line.rows)
    placed, shot, role = kept(line.rows, 5000)
    assert set(shot[shot >= 0].tolist()) == set(range(len(shots)))
    t, gate = placed.edges.t, placed.edges.what & 1
    begin = np.full(len(shots), np.iinfo(np.int64).max)
    own = shot >= 0
    np.minimum.at(begin, shot[own], t[own])
    assert (np.abs(begin - shots["key"]) < 100).all()  # a key that two shots had moves up
    timed = np.flatnonzero(shots["used"] == EdgesUsed.BOTH).tolist()
    is_late = placed.edges.what & LATE > 0
    # Where a signal bounced or a line came late, an edge is timed between two lines.
    plain = [n for n in timed if not ((role == EdgeRole.BOUNCE) | is_late)[shot == n].any()]
    assert len(plain) > 400
    for n in plain:
        own = shot == n
        assert by_hand(shots[n], t[own], gate[own], role[own]), n


def test_roles_do_not_depend_on_how_the_rows_came() -> None:
    rows = firing_line(5, size=0.05).rows
    whole, pieces = kept(rows, 10**9), kept(rows, 7)
    assert whole[0].edges.t.tolist() == pieces[0].edges.t.tolist()
    assert whole[0].counter.tolist() == pieces[0].counter.tolist()
    assert whole[1].tolist() == pieces[1].tolist()
    assert whole[2].tolist() == pieces[2].tolist()


def test_every_edge_of_a_lamp_is_none_of_a_shot(line: FiringLine) -> None:
    _, shot, role = kept(line.rows, 5000)
    assert ((shot < 0) == (role >= EdgeRole.FLICKER)).all()
