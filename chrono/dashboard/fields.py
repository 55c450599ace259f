"""Dialogs to type into, in which nothing that was typed or pasted is lost.

Keys come faster than a dialog is put up: a barcode reader, a paste, a quick hand. What comes
before it stands is kept, and typed once it does.
"""

from typing import TypeVar

from textual import events
from textual.screen import ModalScreen
from textual.widgets import Input

Answer = TypeVar("Answer")


class Field(Input):
    """A field; what is pasted with tabs goes to the fields from this one on."""

    def on_paste(self, event: events.Paste) -> None:
        """Share out what is pasted."""
        texts = event.text.partition("\n")[0].rstrip("\r").split("\t")
        if len(texts) < 2:
            return
        event.prevent_default()
        event.stop()
        fields = list(self.screen.query(Field))
        for field, text in zip(fields[fields.index(self) :], texts, strict=False):
            field.insert_text_at_cursor(text)
            field.focus()


class TypedDialog(ModalScreen[Answer]):
    """A dialog with fields; `take` is told the keys that no field has got."""

    AUTO_FOCUS = ""

    def __init__(self) -> None:
        super().__init__()
        self._early: list[events.Key] = []
        self.stands = False
        """Whether its fields take keys themselves."""

    def on_mount(self) -> None:
        """Stand once everything is there."""
        self.call_after_refresh(self._begin)

    async def take(self, event: events.Key) -> None:
        """Type a key, or keep it until that can be done."""
        if self.stands:
            await self._type(event)
        else:
            self._early.append(event)

    async def _begin(self) -> None:
        self.set_focus(self.query(Field).first())
        self.stands = True
        for event in self._early:
            await self._type(event)

    async def _type(self, event: events.Key) -> None:
        field = self.focused
        if event.key == "escape":
            self.dismiss(None)
        elif not isinstance(field, Field):
            return
        elif event.key == "tab":
            self.focus_next(Field)
        elif event.key == "enter":
            await field.action_submit()
        elif event.key == "backspace":
            field.action_delete_left()
        elif event.is_printable and event.character is not None:
            field.insert_text_at_cursor(event.character)
