"""Write the last lines of a session: file, number of shots, means, and the next command."""

from pathlib import Path

from chrono.reports.setup_words import count_text, mean_text, setup_text
from chrono.safe_text import plain
from chrono.session.session import Session


def session_end_lines(session: Session, recording: Path | None) -> list[str]:
    """
    Return lines with the file, the number of shots, the means, and the next command.

    Parameters
    ----------
    session : Session
        The session, after its end.
    recording : Path or None
        The file of the session; None if nothing was recorded.
    """
    name = plain(str(recording)) if recording is not None else "not recorded"
    counted = int(session.counted().sum())
    lines = [f"{name}: {count_text(len(session.log), 'shot')}, {counted} counted"]
    for setup in session.setups.names:
        series = session.series(setup)
        if series is not None:
            word, mean = mean_text(series, session.rig.speed_unit)
            lines.append(f"  {setup_text(setup)}: n {series.n}, {word} {mean}")
    if recording is not None:
        lines.append(f"next: chrono summary {_quoted(name)}")
    return lines


def _quoted(name: str) -> str:
    return f'"{name}"' if " " in name else name
