"""A session of more than a thousand launches with every kind of trouble, truth known."""

import numpy as np
import pytest

from chrono.processor.pipeline import Processor, Rules
from chrono.reader.row_decoding import decode_rows
from chrono.rigs.line_kinds import FRAMED

from .generator import FiringLine, firing_line
from .scoring import Scorecard, rig, score, seen, shots_of


@pytest.fixture(scope="module")
def line() -> FiringLine:
    return firing_line(2024)


@pytest.fixture(scope="module")
def card(line: FiringLine) -> Scorecard:
    return score(line, seen(shots_of(line.rows)))


def _told(verdicts: list) -> str:
    return "\n".join(map(str, verdicts[:20]))


def test_the_session_is_large_and_has_every_kind_of_trouble(line: FiringLine) -> None:
    assert len(line.launches) >= 1000
    assert {x.measured for x in line.launches} == {"yes", "no", "either"}
    assert min(line.tally[k] for k in ("restarts", "wire", "damaged", "board_lost", "late")) > 9


def test_the_same_seed_gives_the_same_bytes() -> None:
    assert firing_line(5, size=0.02).rows == firing_line(5, size=0.02).rows
    assert firing_line(5, size=0.02).rows != firing_line(6, size=0.02).rows


def test_every_launch_with_a_sound_pair_is_counted_once(card: Scorecard) -> None:
    missed = [v for v in card.measurable if not v.counted_right]
    assert not missed, _told(missed)


def test_speeds_lie_within_their_u95_as_often_as_claimed(card: Scorecard) -> None:
    assert card.coverage >= 0.93, card.table()


def test_no_false_shot_is_counted(card: Scorecard) -> None:
    assert not card.false_shots
    assert not card.miscounted, _told(card.miscounted)


def test_every_other_launch_appears_with_the_right_flag(card: Scorecard) -> None:
    assert card.flag_share("no", "either") >= 0.98, card.table()


def test_measured_shots_carry_the_right_flags(card: Scorecard) -> None:
    assert card.flag_share("yes") >= 0.98, card.table()


def test_companions_have_their_own_speed(card: Scorecard) -> None:
    ratios = [
        s.companion_mps / v.launch.companion_mps
        for v in card.measurable
        if np.isfinite(v.launch.companion_mps)
        for s in v.shots
        if s.counted
    ]
    assert np.mean(np.abs(np.array(ratios) - 1) < 0.01) >= 0.95


def test_flicker_does_not_bury_the_shots_in_rows(line: FiringLine, card: Scorecard) -> None:
    spans = sum(x.kind == "flicker" for x in line.launches)
    minutes = line.duration_s / 60
    assert len(card.strays) < 3 * minutes + 12 * spans


@pytest.mark.parametrize("gate", [0, 1])
def test_every_lamp_is_told_once_with_its_frequency_and_duty(
    line: FiringLine, gate: int
) -> None:
    lamps = [(hz, duty) for x in line.launches for g, hz, duty in x.lamps if g == gate]
    processor = Processor(Rules.from_rig(rig()))
    batch = decode_rows(line.rows, lines=FRAMED)
    processor.feed(batch.events, [c for c in batch.controls if c.origin in ("hello", "link")])
    processor.finish()
    spans = [s for s in processor.flicker if s.gate == gate]
    assert len(lamps) > 5
    assert [s.frequency_hz for s in spans] == pytest.approx([hz for hz, _ in lamps], rel=1e-3)
    assert [s.duty for s in spans] == pytest.approx([duty for _, duty in lamps], abs=0.02)


@pytest.mark.parametrize("block_rows", [1, 7, 1000])
def test_shots_do_not_depend_on_how_the_stream_was_cut(block_rows: int) -> None:
    small = firing_line(77, size=0.05)
    whole, cut = shots_of(small.rows), shots_of(small.rows, block_rows)
    assert whole.tobytes() == cut.tobytes()
