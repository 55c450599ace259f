"""Dialogs: one line of text, a new setup, whether to quit. Each returns what was entered."""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

from textual import on
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical, VerticalScroll
from textual.screen import ModalScreen
from textual.widgets import Input, Label, Static

from chrono.cautions import CAUTION_LINE
from chrono.dashboard.fields import Field, TypedDialog
from chrono.dashboard.setup_form import read_setup_form, setup_form
from chrono.dashboard.shot_text import fit
from chrono.errors import ChronoError
from chrono.plain import plain
from chrono.session.marks import TEXT_LIMIT, Setup

NAME_CELLS = 24
CHANGE_TEXT = """\
So far nothing was written. What you say would be added at the end of the recording; nothing \
in it is altered, and z takes back what was said. You are asked once.
"""


class TextDialog(TypedDialog[str | None]):
    """
    Ask for one line of text.

    Parameters
    ----------
    title : str
        What is asked.
    value : str, optional
        What stands there at first.
    required : bool, optional
        Whether an empty text is no answer.
    replaced : bool, optional
        Whether what is typed at once takes the place of what stands there.
    """

    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape", "dismiss(None)", "Cancel")]

    def __init__(
        self, title: str, value: str = "", *, required: bool = False, replaced: bool = False
    ) -> None:
        super().__init__()
        self._title = plain(title)
        self._value = plain(value)
        self._required = required
        self._replaced = replaced

    def compose(self) -> ComposeResult:
        """Show the question and a field."""
        yield Vertical(
            Static(self._title, classes="heading", markup=False),
            Field(
                self._value,
                max_length=TEXT_LIMIT,
                select_on_focus=self._replaced,
                id="text",
            ),
            Static("Enter: keep      Esc: cancel", markup=False),
            classes="box",
        )

    @on(Input.Submitted)
    def keep(self, event: Input.Submitted) -> None:
        """Return the text."""
        text = event.value.strip()
        if text or not self._required:
            self.dismiss(text)


class SetupDialog(TypedDialog[Setup | None]):
    """
    Ask for launch conditions.

    Parameters
    ----------
    title : str
        For which shots.
    names : sequence of str, optional
        Setups named already, to be told again by name.
    setup : Setup, optional
        What stands there at first.
    """

    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape", "dismiss(None)", "Cancel")]
    FIELDS = (
        ("name", "name", "three bands"),
        ("conditions", "conditions, free: key=value, …", "bands=3, angle=20 deg"),
        ("mass", "body's mass, if not the rig's", "24 g"),
        ("length", "body's length, if not the rig's", "40 mm"),
    )

    def __init__(
        self, title: str, names: Sequence[str] = (), setup: Setup | None = None
    ) -> None:
        super().__init__()
        self._title = plain(title)
        self._names = ", ".join(fit(name, NAME_CELLS) for name in names if name)
        self._values = setup_form(setup or Setup())

    def compose(self) -> ComposeResult:
        """Show a field for each part of a setup."""
        with Vertical(classes="box"):
            yield Static(self._title, classes="heading", markup=False)
            if self._names:
                yield Static(f"so far: {self._names}", id="so-far", markup=False)
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
            yield Static("Enter: keep  Tab: next field  Esc: cancel", markup=False)

    @on(Input.Submitted)
    def keep(self) -> None:
        """Return the setup, or say what is wrong with it."""
        texts = [self.query_one(f"#{name}", Input).value for name, _, _ in self.FIELDS]
        try:
            setup = read_setup_form(*texts)
        except ChronoError as problem:
            self.query_one("#problem", Static).update(plain_lines(str(problem)))
            return
        self.dismiss(setup)


class ChangeDialog(ModalScreen[str | None]):
    """
    Ask whether a recording that is shown again may be changed: "change", "copy" or None.

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
        """Show the question; no key of an action answers it, pressed twice by chance."""
        yield Vertical(
            Static(f"Replay of {self._name}", classes="heading", markup=False),
            Static(CHANGE_TEXT, markup=False),
            Static(
                "1: change this recording\n2: work in a copy\nEsc: leave it as it is",
                markup=False,
            ),
            classes="box",
        )


class QuitDialog(ModalScreen[bool]):
    """
    Ask whether to end a live session.

    Parameters
    ----------
    lines : sequence of str
        What becomes of the recording.
    """

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("y,enter", "dismiss(True)", "Quit"),
        Binding("n,escape,q", "dismiss(False)", "Go on"),
    ]

    def __init__(self, lines: Sequence[str]) -> None:
        super().__init__()
        self._lines = "\n".join(plain(line) for line in lines)

    def compose(self) -> ComposeResult:
        """Show the question."""
        yield Vertical(
            Static("Stop clocking and quit?", classes="heading", markup=False),
            Static(self._lines, markup=False),
            Static("y or Enter: quit      n or Esc: go on", markup=False),
            classes="box",
        )


class LinesDialog(ModalScreen[None]):
    """
    Show some lines until a key is pressed.

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
        """Show them in a box, with the caution."""
        yield Vertical(
            Static(self._title, classes="heading", markup=False),
            VerticalScroll(Static(self._lines, markup=False, id="told"), classes="lines"),
            Static(f"⚠ {CAUTION_LINE}", id="caution", markup=False),
            Static("Enter or Esc: back      ↑ ↓: scroll", markup=False),
            classes="box",
        )

    def tell(self, lines: Sequence[str]) -> None:
        """Show other lines, if it is still there."""
        if self.is_attached:
            self.query_one("#told", Static).update("\n".join(plain(line) for line in lines))


def plain_lines(text: str) -> str:
    """Return a message of several lines harmless."""
    return "\n".join(plain(line) for line in text.splitlines())
