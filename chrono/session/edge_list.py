"""List all edges of a recording, and find the shot and the role of each edge.

The role says what an edge is in its shot; for example, the body enters the gate at a leading
edge. The module applies the rules of the package `processor` once more, to all edges together.
The shots and their order stay the same.
"""

from collections.abc import Sequence
from dataclasses import dataclass, fields
from enum import IntEnum
from typing import NamedTuple

import numpy as np

from chrono.arrays.array_types import Bools, Bytes, Floats, Ints, Places
from chrono.arrays.events import Events, Record
from chrono.arrays.structured_arrays import join
from chrono.processor.body_matching import Bodies, match_whole
from chrono.processor.flicker import PendingPassages, judge_flicker
from chrono.processor.line_continuity import BEAT_WHAT, used_lines
from chrono.processor.passages import (
    LEAD,
    MAX_EDGES,
    NO_GROUPS,
    TRAIL,
    Passages,
    group_passages,
    passages_of_edges,
)
from chrono.processor.pipeline import Processor
from chrono.processor.rig_rules import Rules, RuleTimes
from chrono.processor.shot_records import Shots
from chrono.processor.shots import members_of_launches
from chrono.processor.timeline import FOREVER, LATE, NO_EDGES, NOWHERE, Edges
from chrono.reader.recording_reader import RecordingReader
from chrono.session.recording_loader import LoadedRecording, feed_blocks
from chrono.session.session import Session

NO_SHOT = -1


class EdgeRole(IntEnum):
    """What an edge is in its shot, such as leading, trailing or flicker."""

    LEADING = 0
    """The shot's body enters the gate."""
    TRAILING = 1
    """The shot's body leaves the gate."""
    BOUNCE = 2
    """An edge between the leading and the trailing edge: the signal bounced, or several bodies
    passed as one."""
    COMPANION = 3
    """The edge belongs to another body of the same launch."""
    FLICKER = 4
    """The edge comes from a lamp and does not belong to a shot."""
    PASSED_OVER = 5
    """The gate stayed blocked too long, so only its first edge counts."""


class PlacedEdges(NamedTuple):
    """
    All edges whose times come from the same counter.

    Attributes
    ----------
    edges : Edges, shape (N,)
        The edges, in the order of their lines.
    counter : ndarray of int64, shape (N,)
        The counter as the board sent it [counter units].
    rules : Rules
        The rules that the program used for these edges.
    """

    edges: Edges
    counter: Ints
    rules: Rules


class EdgeKeeper(Processor):
    """A processor that keeps all edges."""

    def __init__(self, rules: Rules) -> None:
        super().__init__(rules)
        self._kept: list[tuple[Edges, Ints]] = []
        self._closed: list[PlacedEdges] = []
        self._all_lengths = self._lengths

    def place(self, events: Events, records: Sequence[Record] = ()) -> list[int]:
        """Convert the counter of each event to a continuous time, and keep all edges."""
        if self.rules.lines.is_interval:
            return super().place(events, records)
        lines, _ = used_lines(events, self._timebase, self.rules)
        counter = events.counter[lines.used[lines.what < BEAT_WHAT]]
        anchors = super().place(events, records)
        if len(counter):
            self._kept.append((self._placed, counter))
        return anchors

    def break_off(self, host_us: int) -> Shots:
        """Return all shots that are still open; later edges belong to another counter."""
        shots = super().break_off(host_us)
        self._closed.append(self._since_break())
        self._kept = []
        return shots

    def change_body(self, length_m: float | None, anchor: int) -> None:
        """Use this declared body length [m] after the time `anchor`; None means any length."""
        super().change_body(length_m, anchor)
        told = (anchor, np.nan if length_m is None else length_m)
        self._all_lengths = self._all_lengths.followed_by([told])

    def kept(self) -> list[PlacedEdges]:
        """Return all edges; edges of different counters are in separate parts."""
        return [*self._closed, self._since_break()]

    def roles(self, placed: PlacedEdges) -> tuple[Places, Bytes]:
        """
        Find the shot of each edge, and what the edge is in this shot.

        Returns
        -------
        shot : ndarray of intp, shape (N,)
            Number of the shot of each edge, from 0 within `placed`. `NO_SHOT` if the edge does
            not belong to a shot.
        role : ndarray of uint8, shape (N,)
            An `EdgeRole`.
        """
        edges, rules = placed.edges, placed.rules
        if not len(edges.t):
            return NOWHERE, np.zeros(0, np.uint8)
        order, passage = passages_of_edges(edges, rules.windows)
        passages, _, _ = group_passages(edges, NO_GROUPS, FOREVER, rules.windows)
        shot, is_main = self._shots_of_passages(passages, rules)
        role = _roles_in_passages(edges.take(order), passage, passages, rules.windows)
        counts = role != EdgeRole.PASSED_OVER
        role[counts & (shot[passage] >= 0) & ~is_main[passage]] = EdgeRole.COMPANION
        role[counts & (shot[passage] < 0)] = EdgeRole.FLICKER
        found = np.full(len(order), NO_SHOT), np.zeros(len(order), np.uint8)
        found[0][order] = np.where(counts, shot[passage], NO_SHOT)
        found[1][order] = role
        return found

    def _since_break(self) -> PlacedEdges:
        edges, counters = zip(*self._kept, strict=True) if self._kept else ((), ())
        columns = zip(*edges, strict=True) if edges else ()
        placed = Edges(*map(np.concatenate, columns)) if edges else NO_EDGES
        return PlacedEdges(placed, np.concatenate([*counters, _NO_COUNTER]), self.rules)

    def _shots_of_passages(self, passages: Passages, rules: Rules) -> tuple[Places, Bools]:
        """Return each passage's shot, and whether it belongs to the main body."""
        shot = np.full(len(passages), NO_SHOT)
        is_main = np.zeros(len(passages), np.bool_)
        at, others = _without_flicker(passages, rules)
        if not len(at):
            return shot, is_main
        bodies, one, two = match_whole(others, self._all_lengths, rules)
        chosen = _in_order(bodies)
        group, main = members_of_launches(bodies.take(chosen), self._all_lengths, rules)
        for side in (at[one[chosen]], at[two[chosen]]):
            shot[side] = group
            is_main[side[main]] = True
        return shot, is_main


_NO_COUNTER = np.zeros(0, np.int64)


def _without_flicker(passages: Passages, rules: Rules) -> tuple[Places, Passages]:
    """Return the indices of the passages that are not flicker, and these passages."""
    places, kept = [NOWHERE], []
    for gate in (0, 1):
        own = np.flatnonzero(passages["gate"] == gate)
        judged, _, _ = judge_flicker(passages.take(own), PendingPassages(), FOREVER, rules)
        places.append(own[~np.isin(passages["first"][own], judged.flicker["first"])])
        kept.append(judged.others)
    return np.concatenate(places), join(*kept)


def _in_order(bodies: Bodies) -> Places:
    """Return the indices of all bodies that are not only flicker, in order of time."""
    order = np.lexsort((bodies["gates"], bodies["kind"], bodies["key"]))
    return order[bodies["suspect"][order] == 0]


def _roles_in_passages(
    edges: Edges, passage: Places, passages: Passages, windows: RuleTimes
) -> Bytes:
    """Return the `EdgeRole` of each edge in its passage; `edges` is sorted by passage."""
    marks, n = passages["marks"], len(passage)
    begin = passage.searchsorted(np.arange(len(passages)))
    end = np.append(begin[1:], n) - 1
    role = np.full(n, EdgeRole.BOUNCE, np.uint8)
    has_trail = edges.t[end] == passages["last"]
    has_trail &= (edges.what[end] >> np.uint32(1) & np.uint32(3) == 0) & (marks & TRAIL > 0)
    role[end[has_trail]] = EdgeRole.TRAILING
    role[begin[marks & LEAD > 0]] = EdgeRole.LEADING
    is_stuck = edges.t[end] - edges.t[begin] >= windows.block_limit
    is_stuck |= end - begin >= MAX_EDGES
    role[is_stuck[passage] & (np.arange(n) > begin[passage])] = EdgeRole.PASSED_OVER
    return role


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
