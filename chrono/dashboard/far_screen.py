"""The Far view: the last speed and its ± as large as the terminal, read from metres away."""

from math import isfinite

from rich.text import Text
from textual.widget import Widget
from textual.widgets import Static

from chrono.dashboard.clipped_text import fit, update_text
from chrono.dashboard.framed_screen import FramedScreen
from chrono.dashboard.large_digits import large_digits
from chrono.dashboard.shot_text import shot_state
from chrono.reports.setup_words import motion_text, setup_text
from chrono.session.shot_log import ShotRow
from chrono.session.view_cache import SessionView
from chrono.units import ABSENT_TEXT, format_speed

SPEED_SHARE = 0.62
"""Part of the lines that the speed gets, its ± the rest."""
LEAST_LINES = 5


class FarScreen(FramedScreen):
    """The last shot, and nothing else."""

    def compose_body(self) -> list[Widget]:
        """Return the digits and the words below them."""
        return [Static(id="far"), Static(id="far-words")]

    def on_resize(self) -> None:
        """Draw for the new size."""
        self.call_after_refresh(self.refresh_all)

    def show_view(self, view: SessionView, unit: str) -> None:
        """Show the last shot."""
        far = self.query_one("#far", Static)
        columns, lines = far.content_size.width, far.content_size.height
        update_text(far, far_text(view.latest, unit, columns, lines))
        rig = self.driver.run.session.rig
        mass_kg = view.setup.body.get("mass_kg", rig.body.mass_kg)
        update_text(self.query_one("#far-words", Static), far_words(view, mass_kg, columns))


def far_text(row: ShotRow | None, unit: str, columns: int, lines: int) -> Text:
    """Return speed and ± in digits that fill the room; where there is too little, as text."""
    words = format_speed(row.speed_mps, row.U95_mps, unit) if row else ABSENT_TEXT
    speed, _, half = words.removesuffix(f" {unit}").partition(" ± ")
    above = max(round(SPEED_SHARE * (lines - 1)), LEAST_LINES) if half else lines
    drawn = large_digits(speed, columns, above)
    below = large_digits(f"±{half}", columns, lines - len(drawn) - 1) if half else []
    if not drawn or (half and not below):
        return Text(words, "bold", no_wrap=True)
    style = "bold green" if row is not None and row.counted else "bold yellow"
    text = Text(no_wrap=True).append("\n".join(drawn), style)
    return text.append("\n\n" + "\n".join(below), style) if below else text


def far_words(view: SessionView, mass_kg: float, columns: int) -> Text:
    """Return unit, number, state, setup and flags in words, energy and momentum below."""
    row = view.latest
    if row is None:
        return Text("no shot yet", "bold")
    state, style = shot_state(row)
    head = f"shot {row.number} · {setup_text(row.setup)}"
    text = Text.assemble((f"{state.upper()}  ", style), (fit(head, columns - 14), "bold"))
    flags = ", ".join(row.flags) or "no flags"
    moving = motion_text(row.speed_mps, mass_kg) if isfinite(row.speed_mps) else ""
    second = " · ".join(part for part in (flags, moving) if part)
    return text.append(f"\n{fit(second, columns)}")
