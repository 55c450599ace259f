"""The dialogs of the dashboard ask for a text, a setup or a decision, or show some text.

A barcode reader, a paste or a fast typist may send keys before a dialog is ready. The dialog
keeps these keys, and enters them in its fields as soon as it is ready.
"""

from __future__ import annotations

import re
from asyncio import sleep
from collections.abc import Callable, Coroutine, Sequence
from dataclasses import replace
from functools import wraps
from typing import Any, ClassVar, TypeVar

from textual import events, on
from textual.app import App, ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical, VerticalScroll
from textual.screen import ModalScreen, Screen
from textual.widgets import Input, Label, Static

from chrono.cautions import CAUTION, CAUTION_LINE
from chrono.dashboard.clipped_text import fit
from chrono.errors import ChronoError, OptionError
from chrono.safe_text import plain
from chrono.session.operator_records import TEXT_LIMIT, Setup
from chrono.units import parse_quantity

NAME_CELLS = 24
CHANGE_TEXT = """\
Nothing has been written yet. If you agree, your entries are added at the end of the \
recording. The recorded rows stay unchanged. To undo the last entry, press z. This question is \
asked only once.
"""
ACKNOWLEDGE = "Enter: I confirm all points above. q: quit"
MEANWHILE = {
    True: "The recording has already begun.",
    False: "This session is not recorded: its shots will be lost.",
}
"""The sentence below the cautions, for a session with or without a recording."""

ASKING = "dialog"
"""Name of the group of workers that wait for an answer."""

EDITING_KEYS = {
    "backspace": "delete_left",
    "delete": "delete_right",
    "left": "cursor_left",
    "right": "cursor_right",
    "home": "home",
    "end": "end",
}
"""Name of the action of a text field that each key causes."""

Owner = TypeVar("Owner", bound="App[Any] | Screen[Any]")


def asks(
    action: Callable[[Owner], Coroutine[Any, Any, None]],
) -> Callable[[Owner], Coroutine[Any, Any, None]]:
    """
    Let an action wait for the user's answers in dialogs.

    The action runs in the background (in a Textual worker). It must show its first dialog
    before any slow work, because the application handles no other key before the dialog is
    open.
    """

    @wraps(action)
    async def start(owner: Owner) -> None:
        app = owner if isinstance(owner, App) else owner.app
        before = app.screen_stack[-1:]
        worker = owner.run_worker(action(owner), group=ASKING)
        while not worker.is_finished and app.screen_stack[-1:] == before:
            await sleep(0)

    return start


Answer = TypeVar("Answer")


class Field(Input):
    """A text field. The parts of a pasted text with tabs or lines fill several fields."""

    async def on_key(self, event: events.Key) -> None:
        """
        Let the dialog handle a key now.

        Textual handles keys such as Tab and Backspace later than letters. If many keys come at
        once, for example from a barcode reader, the text would be wrong.
        """
        dialog = self.screen
        if isinstance(dialog, TypedDialog) and await dialog.type_key(event):
            event.prevent_default()
            event.stop()

    def on_paste(self, event: events.Paste) -> None:
        """Paste one part of the text into each field; the last field gets all other parts."""
        event.prevent_default()
        event.stop()
        fields = list(self.screen.query(Field))
        fields = fields[fields.index(self) :]
        parts = re.split(r"\t|\r\n?|\n", event.text.strip("\r\n"))
        own, rest = parts[: len(fields) - 1], " ".join(parts[len(fields) - 1 :]).split()
        texts = [*own, " ".join(rest)] if rest else own
        for field, text in zip(fields, texts, strict=False):
            field.insert_text_at_cursor(text)
            field.focus()


class TypedDialog(ModalScreen[Answer]):
    """A dialog with text fields. `take` stores keys that come before the fields are ready."""

    AUTO_FOCUS = ""

    def __init__(self) -> None:
        super().__init__()
        self._early: list[events.Key] = []
        self.stands = False
        """True if the fields are ready to receive keys."""

    def on_mount(self) -> None:
        """Start the dialog as soon as all its widgets exist."""
        self.call_after_refresh(self._begin)

    async def take(self, event: events.Key) -> None:
        """Enter a key in a text field, or store the key until the text fields are ready."""
        if self.stands:
            await self.type_key(event)
        else:
            self._early.append(event)

    async def _begin(self) -> None:
        fields = self.query(Field)
        if not fields:
            return  # the dialog is closed already
        self.set_focus(fields.first())
        self.stands = True
        for event in self._early:
            await self.type_key(event)

    async def type_key(self, event: events.Key) -> bool:
        """Enter a key in the focused text field; return whether the dialog knows this key."""
        field = self.focused
        if event.key == "escape":
            self.dismiss(None)
        elif not isinstance(field, Field):
            return False
        elif event.key == "tab":
            self.focus_next(Field)
        elif event.key == "shift+tab":
            self.focus_previous(Field)
        elif event.key == "enter":
            await field.action_submit()
        elif event.key in EDITING_KEYS:
            await field.run_action(EDITING_KEYS[event.key])
        elif event.is_printable and event.character is not None:
            field.replace(event.character, *field.selection)
        else:
            return False
        return True


class TextDialog(TypedDialog[str | None]):
    """
    Ask the user for one line of text.

    Parameters
    ----------
    title : str
        The question.
    value : str, optional
        The text shown at first.
    required : bool, optional
        Whether an empty text is refused.
    replaced : bool, optional
        Whether typing replaces the text shown at first.
    enter : str, optional
        Word for the effect of the Enter key.
    """

    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape", "dismiss(None)", "Cancel")]

    def __init__(
        self,
        title: str,
        value: str = "",
        *,
        required: bool = False,
        replaced: bool = False,
        enter: str = "keep",
    ) -> None:
        super().__init__()
        self._enter = enter
        self._title = plain(title)
        self._value = plain(value)
        self._required = required
        self._replaced = replaced

    def compose(self) -> ComposeResult:
        """Show the question and a text field for the answer."""
        yield Vertical(
            Static(self._title, classes="heading", markup=False),
            Field(
                self._value,
                max_length=TEXT_LIMIT,
                select_on_focus=self._replaced,
                id="text",
            ),
            Static(f"Enter: {self._enter}      Esc: cancel", markup=False),
            classes="box",
        )

    @on(Input.Submitted)
    def keep(self, event: Input.Submitted) -> None:
        """Close the dialog and return the text in the field."""
        text = event.value.strip()
        if text or not self._required:
            self.dismiss(text)


class SetupDialog(TypedDialog[Setup | None]):
    """
    Ask the user for the launch conditions of shots.

    Parameters
    ----------
    title : str
        Heading that names the shots to which the setup applies.
    names : sequence of str, optional
        Names of earlier setups, so that the user can type one of them again.
    setup : Setup, optional
        The setup shown at first.
    """

    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape", "dismiss(None)", "Cancel")]
    FIELDS = (
        ("name", "name", "three bands"),
        ("conditions", "conditions as key=value, …", "bands=3, angle=20 deg"),
        ("mass", "body mass, if it differs from the rig file", "24 g"),
        ("length", "body length, if it differs from the rig file", "40 mm"),
    )

    def __init__(
        self, title: str, names: Sequence[str] = (), setup: Setup | None = None
    ) -> None:
        super().__init__()
        self._title = plain(title)
        self._names = ", ".join(fit(name, NAME_CELLS) for name in names if name)
        self._values = setup_form(setup or Setup())

    def compose(self) -> ComposeResult:
        """Show a text field for each part of a setup."""
        with Vertical(classes="box"):
            yield Static(self._title, classes="heading", markup=False)
            if self._names:
                yield Static(f"setups used so far: {self._names}", id="so-far", markup=False)
            for (name, label, example), value in zip(self.FIELDS, self._values, strict=True):
                yield Label(label, markup=False)
                yield Field(
                    plain(value),
                    placeholder=f"such as {example}",
                    max_length=TEXT_LIMIT,
                    select_on_focus=False,
                    id=name,
                    compact=True,
                )
            yield Static(id="problem", markup=False)
            yield Static("Enter: save  Tab: next field  Esc: cancel", markup=False)

    @on(Input.Submitted)
    def keep(self) -> None:
        """Close the dialog and return the setup. If a field is wrong, show the error."""
        texts = [self.query_one(f"#{name}", Input).value for name, _, _ in self.FIELDS]
        try:
            setup = read_setup_form(*texts)
        except ChronoError as problem:
            self.query_one("#problem", Static).update(plain_text(str(problem)))
            return
        self.dismiss(setup)


def read_setup_form(name: str, conditions: str, mass: str, length: str) -> Setup:
    """
    Convert the texts in the fields of the setup dialog to a setup.

    Parameters
    ----------
    name : str
        Name of the setup; it must not be empty.
    conditions : str
        Conditions as ``key=value``, separated by commas.
    mass, length : str
        Mass and length of the body with units, such as ``"24 g"``. If a text is empty, the
        rig's value is used.

    Raises
    ------
    ChronoError
        If a field is wrong; the error names the field.
    """
    if not name.strip():
        raise OptionError("every setup needs a name", where="name")
    body = {}
    for key, text, unit in (("mass_kg", mass, "kg"), ("length_m", length, "m")):
        if text.strip():
            body[key] = _positive(text, unit, key.partition("_")[0])
    return Setup(name.strip(), body, _read_conditions(conditions))


def setup_form(setup: Setup) -> tuple[str, str, str, str]:
    """Return name, conditions, mass and length of a setup as texts for the setup dialog."""
    mass_kg, length_m = setup.body.get("mass_kg"), setup.body.get("length_m")
    return (
        setup.name,
        ", ".join(f"{key}={value}" for key, value in setup.conditions.items()),
        "" if mass_kg is None else f"{mass_kg * 1e3:.12g} g",
        "" if length_m is None else f"{length_m * 1e3:.12g} mm",
    )


def corrected(before: Setup, form: Setup) -> Setup:
    """Return a copy of the setup `before` with the values that the user entered in the form."""
    asked = {"mass_kg", "length_m"}
    kept = {key: value for key, value in before.body.items() if key not in asked}
    return replace(form, body=kept | form.body, corrects=before.name)


def _positive(text: str, unit: str, where: str) -> float:
    value = parse_quantity(text, unit, where)
    if not 0 < value < 1e6:
        raise OptionError(f"a body cannot have this {where}: {text.strip()}", where=where)
    return value


def _read_conditions(text: str) -> dict[str, str]:
    found = {}
    for part in filter(str.strip, text.split(",")):
        key, equals, value = part.partition("=")
        if not equals or not key.strip():
            raise OptionError(
                f"{part.strip()[:40]!r} must have the form key=value",
                where="conditions",
                hint="write the conditions in this form: bands=2, pressure=3 bar",
            )
        found[key.strip()] = value.strip()
    return found


class ChangeDialog(ModalScreen[str | None]):
    """
    In a replay, ask where to save the operator's entries; return "change", "copy" or None.

    Parameters
    ----------
    name : str
        The recording.
    """

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("1", "dismiss('change')", "Change this recording"),
        Binding("2", "dismiss('copy')", "Work in a copy"),
        Binding("escape,q,n", "dismiss(None)", "Leave it"),
    ]

    def __init__(self, name: str) -> None:
        super().__init__()
        self._name = plain(name)

    def compose(self) -> ComposeResult:
        """Show the question."""
        yield Vertical(
            Static(f"Replay of {self._name}", classes="heading", markup=False),
            Static(CHANGE_TEXT, markup=False),
            Static(
                "1: change this recording\n2: work in a copy\nEsc: change nothing",
                markup=False,
            ),
            classes="box",
        )


class QuitDialog(ModalScreen[bool]):
    """
    Ask the user whether to end a live session or to leave the error lab.

    Parameters
    ----------
    lines : sequence of str
        Sentences that say what happens to the recording.
    title : str, optional
        The question.
    yes : str, optional
        Word for the answer yes.
    """

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("y,enter", "dismiss(True)", "Quit"),
        Binding("n,escape,q", "dismiss(False)", "Continue"),
    ]

    def __init__(
        self, lines: Sequence[str], title: str = "Stop measuring and quit?", yes: str = "quit"
    ) -> None:
        super().__init__()
        self._lines = "\n".join(plain(line) for line in lines)
        self._title, self._yes = title, yes

    def compose(self) -> ComposeResult:
        """Show the question."""
        yield Vertical(
            Static(self._title, classes="heading", markup=False),
            Static(self._lines, markup=False),
            Static(f"y or Enter: {self._yes}      n or Esc: continue", markup=False),
            classes="box",
        )


class LinesDialog(ModalScreen[None]):
    """
    Show some lines of text until the user presses a key.

    Parameters
    ----------
    title : str
    lines : sequence of str
    """

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape,enter,space,q", "dismiss(None)", "Back")
    ]

    def __init__(self, title: str, lines: Sequence[str]) -> None:
        super().__init__()
        self._title = plain(title)
        self._lines = "\n".join(plain(line) for line in lines)

    def compose(self) -> ComposeResult:
        """Show the lines in a box, together with the safety caution."""
        yield Vertical(
            Static(self._title, classes="heading", markup=False),
            VerticalScroll(Static(self._lines, markup=False, id="told"), classes="lines"),
            Static(f"⚠ {CAUTION_LINE}", id="caution", markup=False),
            Static("Enter or Esc: back      ↑ ↓: scroll", markup=False),
            classes="box",
        )

    def show(self, lines: Sequence[str]) -> None:
        """Replace the lines in the dialog, if the dialog is still open."""
        for text in self.query("#told").results(Static):
            text.update("\n".join(plain(line) for line in lines))


class CautionScreen(ModalScreen[None]):
    """
    A screen with the safety cautions.

    The screen stays until the operator confirms the cautions. Measuring continues meanwhile.

    Parameters
    ----------
    recorded : bool
        Whether there is a recording.
    """

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter,space", "acknowledge", "Confirm all points above"),
        Binding("q", "app.quit", "Quit"),
    ]

    def __init__(self, recorded: bool) -> None:
        super().__init__()
        self._recorded = recorded

    def compose(self) -> ComposeResult:
        """Show the safety cautions in a box."""
        heading, _, rest = CAUTION.partition("\n")
        yield Vertical(
            Static(heading, id="heading", markup=False),
            Static(rest.replace("\n  ", " "), markup=False),
            Static(
                f"{ACKNOWLEDGE}\n{MEANWHILE[self._recorded]}", id="acknowledge", markup=False
            ),
            classes="box",
        )

    def action_acknowledge(self) -> None:
        """Close the safety cautions, so that the operator can continue."""
        self.dismiss()


def plain_text(text: str) -> str:
    """Make a message safe to show: replace the control characters in each line."""
    return "\n".join(plain(line) for line in text.splitlines())
