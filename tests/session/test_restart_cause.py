"""What restarted the board, from its hello to the check, the dashboard and the summary."""

import pytest
from hand_board import hand_run

from chrono.dashboard.status_text import status_line
from chrono.health.readiness import judge_readiness
from chrono.reports.readiness_text import health_words
from chrono.reports.summary_text import trouble_lines
from chrono.session.recording_loader import read_recording


@pytest.mark.parametrize(
    ("version", "words", "advice"),
    [
        ("1.3+watchdog", "1 by its watchdog", "stuck"),
        ("1.3+brown-out", "1 because its supply voltage was too low", "connect fewer devices"),
        ("1.3+power", "1 because its power was interrupted", "plug and cable"),
        ("1.3+reset-pin", "1 by its reset pin", "close other programs"),
        ("1.3+unknown", "1 for an unknown reason", "supply and its reset line"),
        ("1.2", "", "supply and its reset line"),
    ],
)
def test_the_cause_of_a_restart_is_explained_wherever_the_restart_is_told(
    tmp_path, version: str, words: str, advice: str
) -> None:
    board, run = hand_run(tmp_path / "live.tsv")
    board.wait(5.0)
    board.start_anew()
    board.line(f"H 1 16000000 32 gates {version}")
    board.wait(5.0)
    board.line(f"H 1 16000000 32 gates {version}")  # somebody asked
    board.wait(5.0)
    run.step()

    seen = run.observed()
    assert seen is not None
    (trouble,) = health_words(judge_readiness(seen)).troubles
    assert trouble.trouble == "the board restarted once" + (f" ({words})" if words else "")
    assert advice in trouble.advice
    assert "board restarted once" + (f" ({words})" if words else "") in status_line(run).plain
    run.close()
    recorded = read_recording(tmp_path / "live.tsv")
    end = f": {words}" if words else ""
    assert trouble_lines(recorded) == [f"  1 restart of the board{end}"]
