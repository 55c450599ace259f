"""The error lab shows settings at the left, and their effect on measured speeds at the right.

The package `chrono.teaching` computes all values of the lab in a thread; this screen only shows
them. The user can hide the uncertainty (±) of the speed until the class has guessed it.
"""

from asyncio import to_thread
from collections.abc import Sequence
from typing import ClassVar

from rich.style import Style
from rich.text import Text
from textual import work
from textual.app import ComposeResult
from textual.binding import BindingType
from textual.containers import Horizontal, Vertical
from textual.screen import Screen
from textual.widget import Widget
from textual.widgets import Static

from chrono.cautions import CAUTION_LINE
from chrono.dashboard.base_app import BaseApp, freeze_widgets, short_turns
from chrono.dashboard.clipped_text import flow
from chrono.dashboard.dialogs import QuitDialog, TextDialog, asks
from chrono.dashboard.key_bar import KeyBar, KeyLabel
from chrono.dashboard.preferences import unit_after
from chrono.errors import ChronoError
from chrono.reports.character_chart import Piece
from chrono.reports.guess_text import guess_line
from chrono.reports.lab_text import (
    LETTERS,
    NAMES,
    Lines,
    answer_lines,
    budget_picture,
    error_picture,
    ladder,
    result_lines,
    setting_text,
    step_picture,
)
from chrono.reports.setup_words import count_text
from chrono.safe_text import plain
from chrono.teaching.error_lab import LabStart, LabView, look
from chrono.teaching.guesses import Guess, keep_guess, read_estimate
from chrono.teaching.lab_bench import PRESETS, Bench
from chrono.teaching.lab_questions import QUESTIONS

PICTURES = ("ladder", "steps", "errors", "budget")
PART_STYLES = (
    "yellow",
    "green",
    "blue",
    "magenta",
    "white",
    "bold green",
    "bold yellow",
    "bold blue",
    "bold magenta",
    "red",
    "white",
    "bold cyan",
    "cyan",
    "bold red",
)
"""Style of each contribution to the ±, in the order of `LETTERS`."""
HIGH = 26
"""If there are at least this many lines, the screen shows two pictures."""

STYLES = {
    **dict(zip(LETTERS, PART_STYLES, strict=True)),
    "whole": "bold",
    "axis": "bright_black",
    "bar": "cyan",
    "true": "bold green",
    "here": "bright_black",
}
BEGIN = (
    "Press n for a question, g to guess the ±, or 1 to 6 to see the effect of one large error."
)
LAB_KEYS = (
    KeyLabel("up", "↑", "", "choose(-1)"),
    KeyLabel("down", "↓", "Setting", "choose(1)"),
    KeyLabel("left", "←", "", "step(-1)"),
    KeyLabel("right", "→", "Step", "step(1)"),
    KeyLabel("p", "p", "Picture", "picture"),
    KeyLabel("1", "1", "", "preset(0)"),
    KeyLabel("2", "2", "", "preset(1)"),
    KeyLabel("3", "3", "", "preset(2)"),
    KeyLabel("4", "4", "", "preset(3)"),
    KeyLabel("5", "5", "", "preset(4)"),
    KeyLabel("6", "6", "Presets", "preset(5)"),
    KeyLabel("n", "n", "Question", "question"),
    KeyLabel("a", "a", "Answer", "answer"),
    KeyLabel("t", "t", "Try it", "try_it"),
    KeyLabel("g", "g", "Guess", "guess"),
    KeyLabel("r", "r", "Reveal", "reveal"),
    KeyLabel("h", "h", "Hide ±", "hide"),
    KeyLabel("o", "o", "Other gates", "others"),
    KeyLabel("comma", ",", "", "shot(-1)"),
    KeyLabel("full_stop", ".", "Shot", "shot(1)"),
    KeyLabel("0", "0", "Reset", "reset"),
    KeyLabel("u", "u", "Unit", "unit"),
    KeyLabel("escape", "Esc", "Leave?", "ask_to_leave"),
    KeyLabel("q", "q", "Leave", "leave"),
)

HIDDEN = "The ± and the pictures are hidden. Press g and enter your guess of the ±."
SHOWN_GUESSES = 4
"""Largest number of guesses on the screen."""


class LabScreen(Screen[None]):
    """
    The screen that shows the error lab.

    Parameters
    ----------
    start : LabStart
    hidden : bool, optional
        True to hide the ± at the beginning, so that the class estimates it first.
    caution : bool, optional
        True if somebody may launch a body while the lab is open.
    """

    BINDINGS: ClassVar[list[BindingType]] = [key.binding() for key in LAB_KEYS]
    CSS = """
    LabScreen #lab-title { height: 1; padding: 0 1; background: $panel; text-style: bold; }
    LabScreen #lab-body { height: 1fr; }
    LabScreen #lab-left { width: 31; padding: 0 1; border-right: solid $primary; }
    LabScreen #settings, LabScreen #result { height: auto; }
    LabScreen #result { margin-top: 1; }
    LabScreen #picture { width: 1fr; height: 100%; padding: 0 1; }
    LabScreen #words {
        height: auto; min-height: 1; max-height: 6; padding: 0 1; background: $surface;
    }
    LabScreen #keys { max-height: 3; }
    LabScreen #result-below { display: none; height: auto; padding: 0 1; }
    LabScreen.-narrow #lab-left { width: 25; }
    LabScreen.-narrow #result { display: none; }
    LabScreen.-narrow #result-below { display: block; }
    LabScreen.-low #result { margin-top: 0; }
    """
    HORIZONTAL_BREAKPOINTS = [(0, "-narrow"), (76, "-wide")]  # noqa: RUF012
    VERTICAL_BREAKPOINTS = [(0, "-low"), (24, "-high")]  # noqa: RUF012

    def __init__(self, start: LabStart, *, hidden: bool = False, caution: bool = False) -> None:
        super().__init__()
        self._caution = caution
        self.start = start
        self.bench = start.bench
        self.seen: LabView | None = None
        """The result on the screen; None before the first result."""
        self.hidden = hidden
        self.seed = 0
        self.unit: str = start.bench.base.speed_unit
        self._guessing = hidden
        self._guesses: list[Guess] = []
        """Guesses that were entered while the ± was hidden; all are revealed together."""
        self._chosen = 0
        self._picture = 0
        self._question: int | None = None
        self._shot: int | None = None
        self._looking = False
        self._says_result = False
        """True if the text below the pictures is only true for the current settings."""

    def compose(self) -> ComposeResult:
        """Create the widgets for the settings, the pictures, the text and the keys."""
        yield Static(id="lab-title", markup=False)
        if self._caution:
            yield Static(f"⚠ {CAUTION_LINE}", id="caution", markup=False)
        with Horizontal(id="lab-body"):
            with Vertical(id="lab-left"):
                yield Static(id="settings")
                yield Static(id="result")
            yield LabPicture()
        yield Static(id="result-below", markup=False)
        yield Static(BEGIN, id="words", markup=False)
        yield KeyBar(LAB_KEYS)

    def on_mount(self) -> None:
        """Draw the error lab, and compute the first result."""
        self._show_all()
        self._look_again()

    def on_resize(self) -> None:
        """Draw the screen again after its size has changed."""
        self.call_after_refresh(self._show_all)

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """
        Return whether an action is possible now.

        If an action is not possible, the screen does not show its key.
        """
        if action == "shot":
            return bool(self.start.shots)
        if action in ("answer", "try_it"):
            return self._question is not None
        if action == "reveal":
            return bool(self._guesses)
        return True

    # -- computed results --------------------------------------------------------------

    @property
    def up_to_date(self) -> bool:
        """True if the result on the screen was computed with the current settings."""
        seen = self.seen
        return seen is not None and (seen.bench, seen.seed) == (self.bench, self.seed)

    def _set(self, bench: Bench) -> None:
        """Change the settings of the lab. While the class guesses the ±, hide the ± again."""
        if bench == self.bench:
            return
        self.bench = bench
        self.hidden = self._guessing
        self._forget_guesses()
        if self._says_result:
            self._say(BEGIN)
        self._show_all()
        self._look_again()

    def _look_again(self) -> None:
        if not self._looking:
            self._looking = True
            self._look()

    @work(exclusive=True, group="look")
    async def _look(self) -> None:
        """Compute the result for the newest settings. Only one computation runs at a time."""
        try:
            while not self.up_to_date:
                self.seen = await to_thread(look, self.bench, self.seed)
                self._show_all()
        finally:
            self._looking = False

    # -- keys --------------------------------------------------------------------------

    def action_choose(self, direction: int) -> None:
        """Select the next setting."""
        self._chosen = (self._chosen + direction) % len(NAMES)
        self._show_settings()

    def action_step(self, direction: int) -> None:
        """Increase or reduce the selected setting by one step."""
        self._shot = None
        self._set(self.bench.stepped(list(NAMES)[self._chosen], direction))

    def action_picture(self) -> None:
        """Show the result of the lab as another picture."""
        self._picture = (self._picture + 1) % len(PICTURES)
        self._show_picture()

    def action_preset(self, number: int) -> None:
        """Change to the settings of an example where one contribution causes most of the ±."""
        preset = PRESETS[number]
        self._shot = None
        self._set(preset.bench())
        self._say_result(f"Example {preset.name}: most of the ± comes from {preset.rules}.")

    def action_reset(self) -> None:
        """Set all settings back to their values at the start."""
        self._shot = None
        self._set(self.start.bench)

    def action_others(self) -> None:
        """Choose other random errors for the gates, the clock and the shots."""
        self.seed += 1
        self._say_result("The settings are the same; the random errors are new.")
        self._look_again()

    def action_unit(self) -> None:
        """Show all speeds in the next unit, such as km/h instead of m/s."""
        self.unit = unit_after(self.unit)
        self._show_all()

    def action_question(self) -> None:
        """Show the next question for the class without its answer."""
        last = -1 if self._question is None else self._question
        self._question = (last + 1) % len(QUESTIONS)
        question = QUESTIONS[self._question]
        self._say(f"{self._question + 1}. {question.text}", "Press a for the answer.")
        self.refresh_bindings()

    @work(exclusive=True, group="answer")
    async def action_answer(self) -> None:
        """Compute the answer to the question, and show this answer."""
        if self._question is None:
            return
        if self.hidden:
            self._say("The answer would reveal the ±. Press g and enter your guess first.")
            return
        question, bench = QUESTIONS[self._question], self.bench
        answer = await to_thread(question.answer, bench, self.seed)
        if QUESTIONS[self._question] is question:
            self._say(question.text, *answer_lines(answer, self.unit))

    def action_try_it(self) -> None:
        """Change the settings as described in the question on the screen."""
        if self._question is not None:
            self._shot = None
            self._set(QUESTIONS[self._question].change(self.bench))

    def action_hide(self) -> None:
        """Hide the ± of the speed until the class has guessed it, or show the ± again."""
        if self._guesses:
            self.action_reveal()
            return
        self._guessing = self.hidden = not self.hidden
        self._say(HIDDEN if self.hidden else "The ± is shown.")
        self._show_all()

    @asks
    async def action_guess(self) -> None:
        """Ask the class to guess the uncertainty (±) of the speed, until an entry is valid."""
        speed = setting_text(self.bench, "speed_mps", self.unit)
        question = (
            f"Guess the ± (95 %) of {speed}. "
            'Examples: "0.3 m/s", "2 %"; from group 3: "group 3: 2 %"'
        )
        title, text = question, ""
        while True:
            answer = await self.app.push_screen_wait(TextDialog(title, text, required=True))
            if answer is None:
                return
            try:
                estimate = read_estimate(answer, self.bench.speed_mps)
            except ChronoError as problem:
                title, text = f"{problem}\n{question}", answer
            else:
                break
        await self._take_guess(*estimate)

    async def _take_guess(self, who: str, guess_mps: float) -> None:
        """
        Save the guess of a group.

        A hidden ± stays hidden, so that the next group can guess.
        """
        seen = self.seen if self.up_to_date else await to_thread(look, self.bench, self.seed)
        assert seen is not None, "just computed"
        guess = self.start.estimate(seen, who, guess_mps, self._shot)
        try:
            await to_thread(keep_guess, self.start.guesses, guess)
            kept = f"The guess is saved in {plain(self.start.guesses.name)}."
        except ChronoError as problem:
            kept = str(problem)
        if self.hidden:
            self._guesses.append(guess)
            self.refresh_bindings()
            taken = count_text(len(self._guesses), "estimate")
            self._say_result(
                f"You entered {taken}. Press g for the next guess, "
                "or press r to see all guesses and the ±.",
                kept,
            )
        else:
            self._say_result(guess_line(guess, self.unit), kept)

    def action_reveal(self) -> None:
        """Show the computed ± of the speed and all guesses."""
        lines = [guess_line(guess, self.unit) for guess in self._guesses]
        more = len(lines) - SHOWN_GUESSES
        if more > 0:
            name = plain(self.start.guesses.name)
            lines[SHOWN_GUESSES:] = [
                f"Guesses not shown: {more}. To see all, type: chrono guesses {name}"
            ]
        self.hidden = False
        self._forget_guesses()
        self._say_result(*lines)
        self._show_all()

    def _forget_guesses(self) -> None:
        self._guesses = []
        self.refresh_bindings()

    def action_shot(self, direction: int) -> None:
        """Use the recording's gates and the speed of the next or previous recorded shot."""
        at = self._shot if self._shot is not None else (-1 if direction > 0 else 0)
        self._shot = (at + direction) % len(self.start.shots)
        self._set(self.start.bench_of(self._shot))
        self._show_all()

    def action_leave(self) -> None:
        """Leave the error lab."""
        self.dismiss()

    @asks
    async def action_ask_to_leave(self) -> None:
        """Ask the user whether to leave the error lab."""
        if await self.app.push_screen_wait(QuitDialog([], "Leave the lab?", "leave")):
            self.dismiss()

    # -- drawing -----------------------------------------------------------------------

    @property
    def _goes(self) -> bool:
        """True while the screen closes; its widgets disappear at this time."""
        return not (self.display and self.app.is_running)

    def _say(self, *lines: str) -> None:
        if self._goes:
            return
        self._says_result = False
        self.query_one("#words", Static).update("\n".join(lines))

    def _say_result(self, *lines: str) -> None:
        """Show lines that disappear if the user changes a setting."""
        self._say(*lines)
        self._says_result = True

    def _show_all(self) -> None:
        if self._goes:
            return
        self.query_one("#lab-title", Static).update(self._title())
        self._show_settings()
        self._show_result()
        self._show_picture()

    def _title(self) -> str:
        title = f"Error lab · {plain(self.start.title)}"
        if self._shot is not None:
            title += f" · shot {self.start.shots[self._shot].number}"
        return title if self.up_to_date else f"{title} · computing"

    def _show_settings(self) -> None:
        text = Text(no_wrap=True)
        for i, (name, title) in enumerate(NAMES.items()):
            chosen = i == self._chosen
            value = setting_text(self.bench, name, self.unit)
            text.append(
                f"{'▸' if chosen else ' '} {title:<9}{value}\n",
                "bold reverse" if chosen else "",
            )
        self.query_one("#settings", Static).update(text)

    def _show_result(self) -> None:
        beside, below = (self.query_one(f"#{n}", Static) for n in ("result", "result-below"))
        if self.hidden:
            beside.update(Text("± hidden: press g"))
            below.update(Text("± hidden: press g"))
        elif self.seen is not None and self.up_to_date:
            first, *more = result_lines(self.seen, self.unit)
            texts = [Text(first, "bold"), *map(Text, more)]
            beside.update(Text("\n").join(texts))
            below.update(flow(texts, self.size.width - 2))

    def _show_picture(self) -> None:
        shown = None if self.hidden else self.seen
        names = (PICTURES[(self._picture + i) % len(PICTURES)] for i in (0, 2))
        self.query_one(LabPicture).show(shown, list(names), self.unit, hidden=self.hidden)


class LabPicture(Widget):
    """
    A widget that draws the lab's result as one picture, or as two pictures if there is room.
    """

    can_focus = False

    def __init__(self) -> None:
        super().__init__(id="picture")
        self._seen: LabView | None = None
        self._names: list[str] = []
        self._unit = "m/s"
        self._words = ""

    def show(self, seen: LabView | None, names: list[str], unit: str, *, hidden: bool) -> None:
        """
        Show the lab's result.

        If the result is hidden, show a sentence that explains this.
        """
        self._seen, self._names, self._unit = seen, names, unit
        self._words = HIDDEN if hidden else ""
        self.refresh()

    def render(self) -> Text:
        """Draw the picture in the current size of the widget."""
        columns, lines = self.content_size
        seen, unit = self._seen, self._unit
        if seen is None:
            return Text(self._words)
        if columns < 24 or lines < 6:
            return Text("The screen is too small for a picture.")
        first, second = self._names
        if lines < HIGH:
            return styled(lab_picture(first, seen, columns, lines, unit))
        half = (lines - 1) // 2
        upper = lab_picture(first, seen, columns, half, unit)[:half]
        upper += [[("", "")]] * (half + 1 - len(upper))
        return styled(upper + lab_picture(second, seen, columns, lines - half - 1, unit))


def lab_picture(name: str, seen: LabView, columns: int, lines: int, unit: str) -> Lines:
    """Return the picture with this name, drawn for a result of the lab."""
    match name:
        case "ladder":
            return ladder(seen, columns, lines, unit)
        case "steps":
            return step_picture(seen, columns, lines)
        case "errors":
            return error_picture(seen, columns, lines, unit)
    return budget_picture(seen, columns, lines, unit)


def styled(lines: Sequence[Sequence[Piece]]) -> Text:
    """Join pieces of text into one text with the colours of the screen."""
    text = Text(no_wrap=True)
    for line in lines:
        for piece, style in line:
            text.append(piece, Style.parse(STYLES[style]) if style else "")
        text.append("\n")
    return text


class LabApp(BaseApp[None]):
    """
    An application that shows the error lab until the user leaves the lab.

    Parameters
    ----------
    start : LabStart
    hidden : bool, optional
        True to hide the ± at the beginning.
    """

    TITLE = "chrono lab"

    def __init__(self, start: LabStart, *, hidden: bool = False) -> None:
        super().__init__()
        self._start, self._hidden = start, hidden

    def on_mount(self) -> None:
        """Show the error lab, and end the application when the user closes the lab."""
        self.push_screen(LabScreen(self._start, hidden=self._hidden), lambda _: self.exit())
        self.call_after_refresh(freeze_widgets)


def show_lab(start: LabStart, *, hidden: bool = False) -> int:
    """Show the error lab until the user leaves the lab; return the program's exit code."""
    app = LabApp(start, hidden=hidden)
    with short_turns():
        app.run()
    return app.return_code or 0
