"""The Far view shows the last speed so large that people can read it from metres away.

If there is room, the screen also shows the ± of the speed with its unit, the number and the
mean of the setup's shots, and the last five speeds. The digits of the last speed fill the rest
of the screen. A very small screen shows only the last speed.
"""

from dataclasses import dataclass
from itertools import product
from math import isfinite

from rich.text import Text
from textual.widget import Widget
from textual.widgets import Static

from chrono.dashboard.clipped_text import fit, update_text
from chrono.dashboard.large_digits import LEAST_HIGH, large_digits
from chrono.dashboard.shot_marking import ShotMarking
from chrono.dashboard.shot_text import large_text, shot_state
from chrono.reports.setup_words import mean_text, motion_text, setup_text, three_digits
from chrono.session.shot_log import ShotRow
from chrono.session.view_cache import SessionView
from chrono.units import speed_in

LOWER_SHARE = 0.16
"""Each row of digits below the speed gets this part of the screen's lines."""
LEAST_SPEED = 5
"""The speed needs this number of lines before the screen shows anything below the speed."""
SPACED_FROM = 24
"""If the screen has at least this many lines, an empty line separates rows of digits."""
LAST_SPEEDS = 5
APART = (3, 2)
"""Cells between two of the last speeds: three if possible, otherwise two."""
BESIDE = ("bold", "cyan")
"""Two styles that alternate, so that you can separate neighbouring speeds."""


class FarScreen(ShotMarking):
    """A screen that shows the last shot and the results of its setup."""

    @property
    def selected(self) -> ShotRow | None:
        """The last shot, which the operator can mark on this screen."""
        view = self.driver.view
        return view.latest if view is not None else None

    def compose_body(self) -> list[Widget]:
        """Return two widgets: large digits, and the words below the digits."""
        return [Static(id="far"), Static(id="far-words")]

    def on_resize(self) -> None:
        """Draw the screen again after its size has changed."""
        self.call_after_refresh(self.refresh_all)

    def show_view(self, view: SessionView, unit: str) -> None:
        """Show the last shot."""
        far = self.query_one("#far", Static)
        columns, lines = far.content_size.width, far.content_size.height
        update_text(far, far_text(view, unit, columns, lines))
        words = far_words(view.latest, self._mass_kg(view.latest), unit, columns)
        if view.latest is not None and self.has_class("-tiny"):
            words = Text(large_text(view.latest, unit))
        update_text(self.query_one("#far-words", Static), words)

    def _mass_kg(self, row: ShotRow | None) -> float:
        """Return the mass of a shot's body, as stated by the shot's setup or by the rig."""
        session = self.driver.run.session
        body = session.setups.of(row.key).body if row is not None else {}
        return body.get("mass_kg", session.rig.body.mass_kg)


@dataclass(frozen=True)
class _Room:
    """How many columns and lines each part of the Far view (large digits) has."""

    columns: int
    speed: int
    lower: int
    """Number of lines for each row of digits below the speed."""
    parts: int
    """Number of rows of digits below the speed."""
    apart: int

    @classmethod
    def of(cls, columns: int, lines: int) -> "_Room":
        apart = 1 if lines >= SPACED_FROM else 0
        lower = max(int(LOWER_SHARE * lines), LEAST_HIGH)
        parts = max(min((lines - LEAST_SPEED) // (lower + apart), 3), 0)
        return cls(columns, lines - parts * (lower + apart), lower, parts, apart)


def far_text(view: SessionView, unit: str, columns: int, lines: int) -> Text:
    """
    Return the speed in digits that fill the screen; on a very small screen, return normal text.
    """
    row = view.latest
    words = large_text(row, unit)
    speed, _, half = words.removesuffix(f" {unit}").partition(" ± ")
    room = _Room.of(columns, lines)
    style = "bold green" if row is not None and row.counted else "bold yellow"
    drawn = large_digits(speed, columns, room.speed)
    if not drawn:
        return Text(words if len(words) <= columns else speed, "bold", no_wrap=True)
    blocks = [Text("\n".join(drawn), style, no_wrap=True)]
    below = (f"±{half} {unit}" if half else unit, f"±{half}" if half else unit)
    for number, block in enumerate(
        (
            Text("\n".join(_first_that_fits(below, room)), style),
            Text("\n".join(_first_that_fits(_setup_texts(view, unit), room)), "bold"),
            _last_speeds(view, unit, room),
        )
    ):
        if number < room.parts and block.plain:
            blocks.append(block)
    return Text("\n" * (1 + room.apart), no_wrap=True).join(blocks)


def _first_that_fits(texts: tuple[str, ...], room: _Room) -> list[str]:
    """Try the texts in order, and draw the first text that fits in large digits."""
    drawn = (large_digits(text, room.columns, room.lower) for text in texts)
    return next((lines for lines in drawn if lines), [])


def _setup_texts(view: SessionView, unit: str) -> tuple[str, ...]:
    """Return texts with number and mean of the counted shots; the longest text comes first."""
    if view.series is None:
        return ()
    count, mean = f"n {view.series.n}", mean_text(view.series, unit)[1].partition(" ")[0]
    return (f"{count}  mean {mean}", f"{count}  {mean}", count)


def _last_speeds(view: SessionView, unit: str, room: _Room) -> Text:
    """Return a row with the last speeds, as many as fit, with the newest speed at the right."""
    rows = [row for row in view.rows if isfinite(row.speed_mps)][-LAST_SPEEDS:]
    for count, apart in product(range(len(rows), 0, -1), APART):
        cells = (room.columns - apart * (count - 1)) // count
        drawn = [
            (large_digits(three_digits(speed_in(unit, row.speed_mps)), cells, room.lower), row)
            for row in rows[-count:]
        ]
        if all(lines for lines, _ in drawn):
            return _side_by_side(drawn, apart)
    return Text()


def _side_by_side(drawn: list[tuple[list[str], ShotRow]], apart: int) -> Text:
    text = Text()
    high = min(len(lines) for lines, _ in drawn)
    for line in range(high):
        for number, (lines, row) in enumerate(drawn):
            text.append(" " * apart if number else "")
            is_out = not (row.counted or row.open)
            text.append(lines[line], "yellow" if is_out else BESIDE[number % 2])
        text.append("\n" if line + 1 < high else "")
    return text


def far_words(row: ShotRow | None, mass_kg: float, unit: str, columns: int) -> Text:
    """
    Return two lines of text about a shot.

    The first line has the shot's state, number and setup. The second line has the measured
    values.
    """
    if row is None:
        return Text("no shot yet", "bold")
    state, style = shot_state(row)
    head = f"shot {row.number} · {setup_text(row.setup)}"
    text = Text.assemble((f"{state.upper()}  ", style))
    text.append(fit(head, columns - text.cell_len), "bold")
    speed = large_text(row, unit)
    flags = ", ".join(row.flags) or "no flags"
    moving = motion_text(row.speed_mps, mass_kg) if isfinite(row.speed_mps) else ""
    second = " · ".join(part for part in (speed, flags, moving) if part)
    return text.append(f"\n{fit(second, columns)}")
