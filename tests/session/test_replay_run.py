"""What the user enters in a replay, and how a replay goes to a shot."""

from pathlib import Path

import pytest
from hand_board import hand_run

from chrono.session.operator_records import SET_ASIDE, Mark, Setup
from chrono.session.recording_loader import read_recording
from chrono.session.replay_run import ReplayRun, replay_run
from chrono.session.view_cache import ViewCache

DEMO = Path(__file__).parents[2] / "recordings" / "two-and-three-bands.tsv"


def take_all(run) -> None:
    while run.step():
        pass


def recorded_by_hand(path: Path, *setups: Setup) -> Path:
    """Record one shot after each setup; a setup that corrects another one gets no shot."""
    board, run = hand_run(path)
    for setup in setups:
        run.say_setup(setup)
        if setup.corrects is None:
            board.shoot_and_wait(30.0)
        take_all(run)
    run.close()
    return path


def played_to_end(path: Path) -> ReplayRun:
    """Return a replay that has shown all rows and accepts entries."""
    run = replay_run(path, read_recording(path).session, 1.0)
    assert isinstance(run, ReplayRun)
    run.start()
    run.edits.agree()
    run.source.release_until(10**12)
    while not run.finished:
        run.step()
    return run


def test_a_mark_is_shown_at_once_after_a_corrected_length(tmp_path: Path) -> None:
    long = Setup("long", {"length_m": 0.08})
    right = Setup("ball", {"length_m": 0.04}, corrects="long")
    path = recorded_by_hand(tmp_path / "a.tsv", long, right)
    run = replay_run(path, read_recording(path).session, None)
    run.edits.agree()
    key = int(run.session.log.shots["key"][0])
    run.say_mark(Mark(SET_ASIDE, key, "net"))
    assert run.session.marks.of(key).reason == "net"
    assert run.session.series() is None


def test_the_statistics_of_a_replay_follow_a_corrected_body(tmp_path: Path) -> None:
    run = played_to_end(recorded_by_hand(tmp_path / "a.tsv", Setup("ball")))
    kept = ViewCache(run.session)
    before = kept.series("ball")
    run.say_setup(Setup("ball", {"mass_kg": 0.001}, corrects="ball"))
    now, again = kept.series("ball"), run.recorded.series("ball")
    assert before is not None
    assert now is not None
    assert again is not None
    assert now.mean_mps == again.mean_mps == kept.row(0).speed_mps
    assert now.mean_mps != pytest.approx(before.mean_mps, rel=1e-5)


def test_a_replay_without_shots_goes_to_its_start(tmp_path: Path) -> None:
    board, run = hand_run(tmp_path / "a.tsv")
    board.wait(5.0)
    run.close()
    replay = played_to_end(tmp_path / "a.tsv")
    there = replay.at_shot(replay.previous_shot())
    assert there.source.paused
    assert not there.finished
    assert there.source.now_us() < 1_000_000


def test_a_replay_goes_from_shot_to_shot_and_shows_each_with_all_its_edges() -> None:
    whole = read_recording(DEMO).session
    rows = list(whole.rows_of(slice(0, 40)))
    run = ReplayRun(DEMO, whole, 4.0).at_shot(5)
    assert (run.shots_shown, run.previous_shot()) == (5, 4)
    run.step_to_next_shot()
    assert run.source.paused
    assert (run.shots_shown, run.previous_shot()) == (6, 5)
    shown = ViewCache(run.session).row(5)
    assert (shown.edges_used, shown.speed_mps) == ("both", rows[5].speed_mps)
    assert run.at_shot(1).previous_shot() == run.at_shot(2).previous_shot() == 1
    assert (run.at_shot(0).shots_shown, run.at_shot(99).shots_shown) == (1, 40)


@pytest.mark.parametrize(("pace", "kept"), [(4.0, 4.0), (None, 1.0)])
def test_a_replay_that_goes_to_a_shot_keeps_its_pace(pace: float | None, kept: float) -> None:
    run = ReplayRun(DEMO, read_recording(DEMO).session, 4.0)
    run.source.set_pace(pace)
    assert run.at_shot(3).source.pace == kept
