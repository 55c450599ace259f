"""Convert the operator's entries (setups and marks) to JSON objects, and back."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

SET_ASIDE = "set-aside"
COUNT_AGAIN = "count-again"
NOTE = "note"
HOLD_ON = "hold-on"
HOLD_OFF = "hold-off"
UNDO = "undo"

NO_SETUP = ""
"""Name of the setup until the user enters a name."""

BODY_KEYS = ("mass_kg", "diameter_m", "length_m")
TEXT_LIMIT = 500
"""Largest number of characters of a name, reason or note that are kept."""


Body = tuple[tuple[str, float], ...]
"""The values of the body that a setup states. Equal values mean the same body."""

NO_BODY: Body = ()


@dataclass(frozen=True)
class Setup:
    """
    The launch conditions of a series of shots.

    Attributes
    ----------
    name : str
        The user's name for the launch conditions.
    body : dict
        Values that replace the body's values in the rig, in SI units: `mass_kg`, `diameter_m`,
        `length_m`.
    conditions : dict
        Other conditions as free texts, each with a key.
    corrects : str or None
        The name of the setup that this setup replaces, at every earlier place where the
        operator entered the old setup. None for a new setup that is valid from now on.
    """

    name: str = NO_SETUP
    body: dict[str, float] = field(default_factory=dict)
    conditions: dict[str, str] = field(default_factory=dict)
    corrects: str | None = None

    @cached_property
    def stated_body(self) -> Body:
        """The values of `body` in a form that can be compared and counted."""
        return tuple(sorted(self.body.items()))


@dataclass(frozen=True)
class Mark:
    """The operator's mark on one shot, or on the session if `shot` is None."""

    action: str
    shot: int | None = None
    text: str = ""


Said = Setup | Mark
"""An entry of the operator that can be undone."""


def setup_record(setup: Setup) -> dict[str, Any]:
    """Convert a setup to the JSON object of a `setup` row."""
    record: dict[str, Any] = {
        "name": setup.name,
        "body": dict(setup.body),
        "conditions": dict(setup.conditions),
    }
    if setup.corrects is not None:
        record["corrects"] = setup.corrects
    return record


def common_record(setups: Sequence[Setup]) -> dict[str, Any]:
    """
    Convert setups with the same name to one JSON object.

    A value of the body or the conditions is None if it is not the same in all these setups.
    """
    records = [setup_record(setup) for setup in setups]
    common = records[-1]
    for part in ("body", "conditions"):
        parts = [record[part] for record in records]
        keys = dict.fromkeys(key for each in parts for key in each)
        common[part] = {
            key: parts[-1][key]
            if all(each.get(key) == parts[-1].get(key) for each in parts)
            else None
            for key in keys
        }
    return common


def mark_record(mark: Mark) -> dict[str, Any]:
    """Convert a mark of the operator to the JSON object of a `mark` row."""
    record: dict[str, Any] = {"action": mark.action}
    if mark.shot is not None:
        record["shot"] = mark.shot
    if mark.text:
        record["text"] = mark.text
    return record


def undo_record(said: Said) -> dict[str, Any]:
    """Return the JSON object of the `mark` row that undoes an earlier entry."""
    origin = "setup" if isinstance(said, Setup) else "mark"
    record = setup_record(said) if isinstance(said, Setup) else mark_record(said)
    return {"action": UNDO, "origin": origin, "said": record}


def read_setup(data: dict[str, Any]) -> Setup:
    """
    Read a setup from the JSON object of a `setup` row.

    Raises
    ------
    ValueError
        If the object is not a setup.
    """
    body = data.get("body") or {}
    conditions = data.get("conditions") or {}
    if not isinstance(body, dict) or not isinstance(conditions, dict):
        raise ValueError(
            'the body and the conditions of a setup must have the form {"name": value, …}'
        )
    return Setup(
        _text(data.get("name", NO_SETUP)),
        {key: _positive(body[key]) for key in BODY_KEYS if key in body},
        {_text(k): _text(v) for k, v in list(conditions.items())[:50]},
        None if data.get("corrects") is None else _text(data["corrects"]),
    )


def read_mark(data: dict[str, Any]) -> Mark:
    """
    Read a mark from the JSON object of a `mark` row.

    Raises
    ------
    ValueError
        If the object is not a mark.
    """
    action = data.get("action")
    shot = data.get("shot")
    if action not in (SET_ASIDE, COUNT_AGAIN, NOTE, HOLD_ON, HOLD_OFF):
        raise ValueError(f"unknown mark {action!r}")
    if shot is not None and (isinstance(shot, bool) or not isinstance(shot, int)):
        raise ValueError("in a mark, the value of `shot` must be a whole number")
    if shot is None and action in (SET_ASIDE, COUNT_AGAIN):
        raise ValueError(f"a mark with the action {action} must state the number of its shot")
    return Mark(action, shot, _text(data.get("text", "")))


def read_undo(data: dict[str, Any]) -> Said:
    """
    Return the entry that a `mark` row undoes, from the JSON object of this row.

    Raises
    ------
    ValueError
        If the object does not undo an entry.
    """
    said = data.get("said")
    if not isinstance(said, dict):
        raise ValueError("this undo entry does not name the entry to undo")
    return read_setup(said) if data.get("origin") == "setup" else read_mark(said)


def _text(value: object) -> str:
    return str(value)[:TEXT_LIMIT]


def _positive(value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 < value < 1e6:
        raise ValueError(f"{value!r} is not a possible mass or length of a body")
    return float(value)
