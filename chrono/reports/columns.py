"""The columns of the exported table: name, kind, unit and meaning of each.

The one source of what `export --columns`, the README, JSON and Parquet files and workbooks
tell of them. As JSON it is a Table Schema (Frictionless Data), with `unit` beside it.
"""

from dataclasses import dataclass
from typing import Any, Literal

Kind = Literal["string", "integer", "number", "boolean", "datetime"]


@dataclass(frozen=True)
class Column:
    """
    One column of the exported table.

    Attributes
    ----------
    name : str
    kind : {"string", "integer", "number", "boolean", "datetime"}
        Its type by the Table Schema.
    unit : str
        Of its numbers, empty where they have none.
    meaning : str
        One phrase.
    decimals : int
        To which numbers are rounded, far below any uncertainty.
    """

    name: str
    kind: Kind
    unit: str
    meaning: str
    decimals: int = 0


SHOT_COLUMNS = (
    Column("recording", "string", "", "file of the recording"),
    Column("shot", "integer", "", "number of the shot in its recording, from 1"),
    Column("time_s", "number", "s", "first edge of the shot, since the session's start", 6),
    Column("time_utc", "datetime", "", "the same moment by the calendar, UTC, ISO 8601"),
    Column("setup", "string", "", "launch conditions that held, as the user named them"),
    Column("speed_mps", "number", "m/s", "speed midway between the gates", 6),
    Column("u_mps", "number", "m/s", "its standard uncertainty, k = 1", 6),
    Column("U95_mps", "number", "m/s", "its expanded uncertainty, 95 % coverage", 6),
    Column("u_random_mps", "number", "m/s", "part of u_mps that is new in each shot", 6),
    Column("u_shared_mps", "number", "m/s", "part of u_mps that all shots of a rig share", 6),
    Column("transit_us", "number", "us", "time from gate A to gate B", 5),
    Column("edges_used", "string", "", "edges that timed it: both, lead, trail or none"),
    Column("body_length_mm", "number", "mm", "length of the body, from how long it blocked", 3),
    Column("companion_speed_mps", "number", "m/s", "speed of what flew with the body", 6),
    Column("counted", "boolean", "", "whether the shot enters the statistics"),
    Column("flags", "string", "", "what is particular about the shot, separated by ;"),
    Column("note", "string", "", "why it was set aside, and the user's note"),
)

COLUMNS = tuple(column.name for column in SHOT_COLUMNS)
TEXT_COLUMNS = tuple(column.name for column in SHOT_COLUMNS if column.kind == "string")
DECIMALS = {column.name: column.decimals for column in SHOT_COLUMNS if column.kind == "number"}


def table_schema() -> dict[str, Any]:
    """Return the columns as a Table Schema."""
    fields: list[dict[str, Any]] = []
    for column in SHOT_COLUMNS:
        told = {"name": column.name, "type": column.kind, "description": column.meaning}
        told |= {"unit": column.unit} if column.unit else {}
        told |= {"tz": "UTC"} if column.kind == "datetime" else {}
        fields.append(told)
    return {"fields": fields, "primaryKey": ["recording", "shot"]}


def columns_text() -> str:
    """Return the columns as lines for a terminal."""
    return "\n".join(
        f"{column.name:<20} {column.kind:<9} {column.unit:<4} {column.meaning}"
        for column in SHOT_COLUMNS
    )
