"""
One byte in a hundred flipped, dropped or doubled on the wire.

With lines of 25 bytes nearly a quarter of them is damaged. A CRC of 16 bits misses one
damaged line in 65536 if the damage is arbitrary (CRC-16, length 16: 2**-16). What else
guards: a single flipped byte is a burst of at most 8 bits, which a CRC-16 always detects;
a single byte dropped or doubled changes the length, and every field has its fixed width;
so two or more bytes of one line must be hit to need luck at all. Beyond that, hex digits
are upper case only, gate and level have two values each, a counter far from the host's
clock is a break, and a sequence number out of turn is a gap that flags the shot.
"""

import itertools

import numpy as np
import pytest

from chrono.processor.pipeline import Processor, Rules
from chrono.reader.row_decoding import decode_rows
from chrono.rigs.line_kinds import FRAMED

from .damage import DamagedWire, damaged, without_lines
from .generator import FiringLine, firing_line
from .scoring import Seen, rig, score, seen, shots_of

SINGLE = ("clean", "short", "long", "too_fast", "too_slow", "backwards", "lone", "flash_alone")
SEVERAL = ("companion", "carrier_first", "pair", "companion_behind", "merged_at_a")
TOUCHING = ("carrier_first_merged", "caught_at_b")
SHARE = 0.01
SEEDS = (0, 1, *(pytest.param(seed, marks=pytest.mark.long) for seed in range(2, 10)))
HARD_SEEDS = (1002, 1009, 2015, 2035, 2050, 2058, 2064, 2095)
"""Sessions in which a wrong speed was counted once: each pairs two bodies' passages."""
MANY_LAUNCHES, MANY_OF_SEVERAL = 54_000, 20_000


def _session(kinds: tuple[str, ...], seed: int) -> tuple[FiringLine, DamagedWire]:
    line = firing_line(seed, kinds=kinds)
    return line, damaged(line, SHARE, seed)


def _counted(line: FiringLine, wire: DamagedWire) -> list[tuple[tuple[float, ...], Seen]]:
    """Return each counted shot with the true speeds of the launch it belongs to."""
    card = score(line, seen(shots_of(wire.rows)))
    pairs = [(v.launch, s) for v in card.verdicts for s in v.shots if s.counted]
    assert not [s for s in card.strays if s.counted]
    return [(x.all_mps, s) for x, s in pairs]


def _is_wrong(true: tuple[float, ...], shot: Seen) -> bool:
    """Farther from every true speed than all the rig's tolerances together (0.5 %)."""
    return not np.any(np.abs(shot.speed_mps / np.array(true) - 1) < 0.005)


@pytest.mark.parametrize("seed", SEEDS)
def test_no_wrong_speed_is_counted(seed: int) -> None:
    counted = _counted(*_session(SINGLE, seed))
    assert len(counted) > 100
    assert not [(true, shot) for true, shot in counted if _is_wrong(true, shot)]


@pytest.mark.parametrize("seed", [*SEEDS, *HARD_SEEDS])
def test_no_speed_is_made_of_two_bodies_edges(seed: int) -> None:
    counted = _counted(*_session(SEVERAL, seed))
    assert len(counted) > 50
    assert not [(true, shot) for true, shot in counted if _is_wrong(true, shot)]


@pytest.mark.parametrize("seed", [3, 4009, 4012, 4037, 4065, 4068])
def test_neither_is_one_of_bodies_whose_shadows_touch(seed: int) -> None:
    counted = _counted(*_session(SEVERAL + TOUCHING, seed))
    assert len(counted) > 50
    assert not [(true, shot) for true, shot in counted if _is_wrong(true, shot)]


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("burst", [1.0, 2.5])
def test_neither_is_one_where_whole_lines_are_lost_in_bursts(seed: int, burst: float) -> None:
    line = firing_line(seed, kinds=SEVERAL + TOUCHING)
    counted = _counted(line, without_lines(line, 0.05, burst, seed))
    assert len(counted) > 150
    assert not [(true, shot) for true, shot in counted if _is_wrong(true, shot)]


@pytest.mark.parametrize(
    ("seed", "share"),
    [
        pytest.param(7003, 0.01, marks=pytest.mark.long),
        (7008, 0.01),
        pytest.param(7017, 0.03, marks=pytest.mark.long),
    ],
)
def test_so_it_is_however_the_damaged_stream_is_cut(seed: int, share: float) -> None:
    line = firing_line(seed, kinds=SEVERAL + TOUCHING, size=0.3)
    rows = damaged(line, share, seed).rows
    whole = shots_of(rows)
    for block_rows in (1, 2, 7, 50):
        assert shots_of(rows, block_rows).tobytes() == whole.tobytes()


@pytest.mark.long
@pytest.mark.parametrize(("share", "kept"), [(SHARE, 0.3), (0.002, 0.75)])
def test_of_20000_launches_of_several_bodies_not_one_wrong_speed_is_counted(
    share: float, kept: float
) -> None:
    launches = counted = 0
    for seed in itertools.count(1000):
        line = firing_line(seed, kinds=SEVERAL + TOUCHING)
        shots = _counted(line, damaged(line, share, seed))
        assert not [(true, shot) for true, shot in shots if _is_wrong(true, shot)], seed
        launches, counted = launches + len(line.launches), counted + len(shots)
        if launches >= MANY_OF_SEVERAL:
            break
    assert counted > kept * launches


@pytest.mark.long
def test_of_54000_launches_on_damaged_wires_not_one_wrong_speed_is_counted() -> None:
    launches = counted = 0
    for seed in itertools.count(1000):
        line, wire = _session(SINGLE, seed)
        shots = _counted(line, wire)
        assert not [(true, shot) for true, shot in shots if _is_wrong(true, shot)], seed
        launches, counted = launches + len(line.launches), counted + len(shots)
        if launches >= MANY_LAUNCHES:
            break
    assert counted > 0.35 * launches


@pytest.mark.parametrize("seed", SEEDS)
def test_the_tally_equals_the_damage_done(seed: int) -> None:
    _, wire = _session(SINGLE, seed)
    batch = decode_rows(wire.rows, lines=FRAMED)
    processor = Processor(Rules.from_rig(rig()))
    processor.feed(batch.events, [c for c in batch.controls if c.origin in ("hello", "link")])
    processor.finish()
    assert wire.touched > 500
    assert batch.damaged == wire.unlike
    assert processor.tally.lost_lines == wire.missing


def test_an_undamaged_wire_has_an_empty_tally() -> None:
    line = firing_line(1, kinds=("clean",))
    wire = damaged(line, 0.0, 0)
    assert (wire.touched, wire.unlike, wire.missing) == (0, 0, 0)
    assert wire.rows == line.rows
    assert decode_rows(wire.rows, lines=FRAMED).damaged == 0
