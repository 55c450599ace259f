"""The generator itself: its physics and its wire format, checked by other means."""

import numpy as np
import pytest
from crccheck.crc import Crc16CcittFalse

from chrono.measuring.speed import SpeedModel, measure
from chrono.processor.shot_records import ABSENT, SHOT_DTYPE, EdgesUsed, Shots
from chrono.rigs.rig_file import rig_from_record

from .bodies import CLOCK_HZ, RIG, SPACING_M, Flight, Specimen, edges_of
from .generator import FiringLine, Launch, firing_line
from .kinds import CATALOGUE
from .wire import escaped, sealed

PERFECT = Specimen(SPACING_M, (0.0, 0.0), 0.0, 0.0, 0.0)


def test_the_check_value_is_that_of_an_independent_library() -> None:
    line = sealed("E 00A1 A 1 0003F2A1")
    fields, crc = line.rsplit(b" ", 1)
    assert int(crc, 16) == Crc16CcittFalse.calc(fields)
    assert Crc16CcittFalse.calc(b"123456789") == 0x29B1  # catalogue of parametrised CRCs


def test_a_perfect_rig_sees_the_nominal_transit_and_blocking() -> None:
    edges = edges_of(Flight(30.0, 0.04, main=True).blocks(PERFECT, 0))
    times = [e.time_s for e in edges]
    assert times == pytest.approx([0.0, 0.04 / 30, 0.01, 0.01 + 0.04 / 30])
    assert [(e.gate, e.level) for e in edges] == [(0, 1), (0, 0), (1, 1), (1, 0)]


def test_shadows_that_overlap_are_one_passage() -> None:
    ball, cup = Flight(30.0, 0.04, main=True), Flight(30.0, 0.02, 0.03 / 30)
    edges = edges_of(ball.blocks(PERFECT, 0) + cup.blocks(PERFECT, 0))
    assert [(e.gate, e.level, e.main) for e in edges] == [
        (0, 1, True),
        (0, 0, False),
        (1, 1, True),
        (1, 0, False),
    ]


def test_counters_on_the_wire_give_back_the_true_speeds() -> None:
    """By the definition of speed alone: spacing over counted time, within the rig's limits."""
    line = firing_line(3, size=0.3, kinds=("clean",), noise_per_min=0.0)
    texts = [x.text.split() for x in line.wire.lines if x.text[:1] in b"EL"]
    counters = np.array([int(t[4], 16) for t in texts]).reshape(-1, 4)
    transit_s = ((counters[:, 2:] - counters[:, :2]) % 2**32).mean(axis=1) / CLOCK_HZ
    true = np.array([x.speeds_mps[0] for x in line.launches])
    assert np.all(np.abs(SPACING_M / transit_s / true - 1) < 0.004)


@pytest.fixture(scope="module")
def line() -> FiringLine:
    return firing_line(1)


@pytest.mark.long
def test_shots_stand_astride_wraps_of_the_counter(line: FiringLine) -> None:
    counters = _stamps(line)
    astride = 0
    for launch in line.launches:
        mine = [counters[h] for h in launch.host_us if h in counters]
        astride += bool(mine) and max(mine) - min(mine) > 2**31
    assert astride >= 4


@pytest.mark.parametrize("kind", [f.__name__ for f, _ in CATALOGUE])
def test_every_kind_can_stand_alone(kind: str) -> None:
    line = firing_line(11, size=0.1, kinds=(kind,))
    assert line.launches
    assert all(x.host_us or x.measured != "yes" for x in line.launches)


def test_odd_bytes_are_escaped_as_recordings_want_them() -> None:
    assert escaped(b"A\t\\\x00\xff~ ") == b"A\\t\\\\\\x00\\xFF~ "


def _stamps(line: FiringLine) -> dict[int, int]:
    """Return the counter value of each edge line by its host time."""
    return {
        x.host_us: int(x.text.split()[4], 16)
        for x in line.wire.lines
        if x.text[:1] in (b"E", b"L")
    }


def _true_shot(line: FiringLine, launch: Launch, stamps: dict[int, int]) -> Shots:
    """Make the shot that its own sound edges give, with no pairing at all."""
    counter: dict[tuple[int, int], int] = {}
    for edge, host in line.wire.by_owner[launch.number]:
        if edge.main and edge.sound and not edge.late and host >= 0:
            counter.setdefault((edge.gate, edge.level), stamps[host])
    shot = np.zeros(1, SHOT_DTYPE)
    for name, level in (("lead", 1), ("trail", 0)):
        known = name in launch.sound
        shot[name] = (counter[1, level] - counter[0, level]) % 2**32 if known else ABSENT
    shot["block_a"], shot["block_b"], shot["companion"] = ABSENT, ABSENT, np.nan
    only = EdgesUsed.LEAD if "lead" in launch.sound else EdgesUsed.TRAIL
    shot["used"] = EdgesUsed.BOTH if len(launch.sound) == 2 else only
    return shot


@pytest.mark.long
def test_the_truth_lies_within_u95_of_its_own_sound_edges(line: FiringLine) -> None:
    """Sets apart errors of the generator or the budget from errors of the pairing."""
    stamps = _stamps(line)
    chosen = [x for x in line.launches if x.measured == "yes"]
    shots = np.concatenate([_true_shot(line, x, stamps) for x in chosen])
    got = measure(shots, SpeedModel.from_rig(rig_from_record(RIG)))
    true = np.array([x.speeds_mps[0] for x in chosen])
    inside = np.abs(got.speed_mps - true) <= got.U95_mps
    assert len(chosen) > 1000
    assert 0.935 <= inside.mean() <= 0.97  # 0.95 with three standard errors


@pytest.mark.long
def test_a_loss_that_a_restart_wipes_out_is_expected_of_nobody() -> None:
    line = firing_line(13)
    (untold,) = (x for x in line.launches if x.number in line.wire.untold)
    assert untold.kind == "board-lost"
    assert untold.flags == {"trail-only"}
    told = [x for x in line.launches if x.kind == "board-lost" and x is not untold]
    assert len(told) == 39
    assert all("board-lost" in x.flags for x in told)
