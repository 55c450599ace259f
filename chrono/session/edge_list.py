"""List all edges of a recording, and show how the program classified each edge."""

from dataclasses import dataclass, fields

import numpy as np

from chrono.arrays.array_types import Bools, Bytes, Floats, Ints
from chrono.processor.edge_roles import NO_SHOT, EdgeKeeper
from chrono.processor.timeline import LATE
from chrono.reader.recording_reader import RecordingReader
from chrono.session.recording_loader import LoadedRecording, feed_blocks
from chrono.session.session import Session


@dataclass(frozen=True, eq=False)
class EdgeList:
    """
    All edges of a recording, in the order of the lines in the file.

    Each attribute is an array of shape (N,), with one value per edge.

    Attributes
    ----------
    gate : ndarray of uint8
        0 for gate A, 1 for gate B.
    level : ndarray of uint8
        1 if the gate was blocked, 0 if it was cleared, 2 if the line does not state the level.
    counter : ndarray of int64
        Counter value that the board sent [counter units].
    board_s : ndarray of float64
        Time on the board's counter, after removing its wraps [s]. The zero is arbitrary.
    host_us : ndarray of int64
        Time when the line was read, on the session's clock [us].
    late : ndarray of bool
        True if the line states that the counter was read late.
    shot : ndarray of int64
        Number of the shot, from 1; 0 if the edge belongs to no shot.
    role : ndarray of uint8
        How the program classified the edge; the value of an `EdgeRole`.
    """

    gate: Bytes
    level: Bytes
    counter: Ints
    board_s: Floats
    host_us: Ints
    late: Bools
    shot: Ints
    role: Bytes


def edges_of(recorded: LoadedRecording) -> EdgeList:
    """
    Read a recording again, and return all edges of the recording.

    Parameters
    ----------
    recorded : LoadedRecording

    Returns
    -------
    EdgeList
        Empty if the board sends intervals instead of edges.

    Raises
    ------
    RecordingError
        If the file cannot be read.
    """
    known = recorded.session
    session = Session(known.last_rig, fixed_rig=True, known=known, processor=EdgeKeeper)
    feed_blocks(RecordingReader(recorded.path), session.rig.lines, session)
    session.finish()
    keeper = session.processor
    assert isinstance(keeper, EdgeKeeper)
    columns = []
    before = 0
    for placed in keeper.kept():
        edges = placed.edges
        shot, role = keeper.roles(placed)
        columns.append(
            EdgeList(
                (edges.what & 1).astype(np.uint8),
                (edges.what >> np.uint32(1) & np.uint32(3)).astype(np.uint8),
                placed.counter,
                (edges.t * placed.rules.unit_s).astype(np.float64),
                edges.host_us,
                edges.what & LATE > 0,
                np.where(shot == NO_SHOT, 0, shot + before + 1),
                role,
            )
        )
        before += int(shot.max(initial=NO_SHOT)) + 1
    assert session.rig.lines.is_interval or before == len(session.log), "both methods agree"
    return EdgeList(
        *(
            np.concatenate([getattr(part, each.name) for part in columns])
            for each in fields(EdgeList)
        )
    )
