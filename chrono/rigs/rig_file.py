"""Read and write the description of a rig, in a file such as `rig.toml` or in a recording.

The program reports all problems of a file together, and copies a file before each change.
"""

import datetime
import difflib
import itertools
import math
import os
import re
import shutil
import tempfile
import tomllib
import typing
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import tomlkit
from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from chrono.errors import RigError
from chrono.rigs.rig_model import Calibration, Rig, shown
from chrono.units import quote

__all__ = [
    "Calibration",
    "Rig",
    "RigProblems",
    "default_rig",
    "load_rig",
    "parse_rig",
    "rig_from_record",
    "rig_from_table",
    "rig_record",
    "update_rig",
    "with_clock_rate",
    "with_frequency",
    "with_host_clock",
    "with_keys",
    "write_rig",
]

_Places = dict[tuple[str, ...], int]

MAX_FILE_BYTES = 64 * 1024
"""Largest size of a rig file [bytes]."""


class RigProblems(RigError):  # noqa: N818 - several, reported as one
    """Several problems in one rig file; `problems` contains an error for each problem."""

    def __init__(self, problems: tuple[RigError, ...]) -> None:
        super().__init__(problems[0].message, where=problems[0].where, hint=problems[0].hint)
        self.problems = problems

    def __str__(self) -> str:
        return "\n".join(str(problem) for problem in self.problems)


def load_rig(path: str | Path) -> Rig:
    """
    Read a rig file.

    Raises
    ------
    RigError
        If the file cannot be read or has problems. Several problems are reported together
        (`RigProblems`).
    """
    return parse_rig(_read_text(Path(path)), str(path))


def parse_rig(text: str, where: str = "") -> Rig:
    """
    Read a rig from TOML text.

    Parameters
    ----------
    text : str
        Content of the file.
    where : str, optional
        Name of the file to show in messages.

    Raises
    ------
    RigError
        If the text is not TOML or has problems. Several problems are reported together
        (`RigProblems`).
    """
    return _checked(_parse_toml(text, where), where, text)


def rig_from_table(table: Mapping[str, Any], where: str = "") -> Rig:
    """
    Make a rig from the keys and values that a TOML reader has read from a file.

    Raises
    ------
    RigError
        If there are problems. Several problems are reported together (`RigProblems`).
    """
    return _checked(dict(table), where, "")


def _checked(data: dict[str, Any], where: str, text: str) -> Rig:
    try:
        return Rig.model_validate(data, context={"file": True}, by_alias=True, by_name=False)
    except ValidationError as error:
        raise _rig_error(error, where, _key_lines(text)) from error


def rig_record(rig: Rig) -> dict[str, Any]:
    """Return the rig as a JSON object with SI numbers, which `rig_from_record` can read."""
    return rig.model_dump(by_alias=False)


def rig_from_record(record: Mapping[str, Any], where: str = "") -> Rig:
    """
    Make a rig from a JSON object that `rig_record` returned.

    Raises
    ------
    RigError
        If the record does not describe a rig.
    """
    try:
        return Rig.model_validate(dict(record), by_alias=False, by_name=True)
    except ValidationError as error:
        raise _rig_error(error, where, {}) from error


def default_rig(spacing_m: float = 0.3) -> Rig:
    """Return a rig with the given spacing [m] and with default values for all other keys."""
    return rig_from_record({"gates": {"spacing_m": spacing_m}})


def with_frequency(rig: Rig, frequency_hz: float, counter_bits: int) -> Rig:
    """
    Return the rig with the frequency [Hz] and the width of the counter that the board reports.

    Raises
    ------
    RigError
        If the counter wraps to 0 during a slow shot.
    """
    record = rig_record(rig)
    record["clock"] |= {"frequency_hz": float(frequency_hz), "counter_bits": counter_bits}
    counted = rig_from_record(record)
    if trouble := counted.counter_trouble():
        reason, hint = trouble
        message = (
            f"the board's counter of {counter_bits} bits cannot be used: the counter {reason}"
        )
        raise RigError(message, hint=hint)
    return counted


def with_clock_rate(rig: Rig, rate_error: float, u: float, dof: float) -> Rig:
    """
    Return a copy of the rig that contains a measured rate of the board's counter.

    Parameters
    ----------
    rig : Rig
    rate_error, u : float
        Relative error of the frequency and its standard uncertainty.
    dof : float
        Degrees of freedom of `u`; may be infinite.
    """
    record = rig_record(rig)
    record["calibration"]["clock"] = {
        "rate_error": rate_error,
        "rate_error_u": u,
        "dof": max(dof, 1.0) if math.isfinite(dof) else None,
    }
    return rig_from_record(record)


def with_host_clock(rig: Rig) -> Rig:
    """Return a copy of the rig whose counter rate is found with the computer's clock."""
    record = rig_record(rig)
    record["clock"]["from_host"] = True
    return rig_from_record(record)


def with_keys(rig: Rig, keys: Mapping[str, str]) -> Rig:
    """
    Return a rig with new values for some keys. The new values are texts, as in a rig file.

    Parameters
    ----------
    rig : Rig
    keys : mapping
        New value of each key as text, such as ``"down"`` for ``"gates.slope"``.

    Raises
    ------
    RigError
        If a key is unknown, or if its value is impossible.
    """
    table: dict[str, Any] = {"gates": {"spacing": f"{rig.gates.spacing_m!r} m"}}
    for dotted, text in keys.items():
        *sections, key = dotted.split(".")
        if len(sections) > 1:
            raise RigError(
                f"the rig key {dotted} can only be set in a rig file",
                hint="set the key in a rig file, and give the file: --rig rig.toml",
            )
        section = table.setdefault(sections[0], {}) if sections else table
        section[key] = _literal(text)
    record, parsed = rig_record(rig), rig_record(rig_from_table(table))
    for dotted in keys:
        *sections, key = dotted.split(".")
        if not sections:
            record[key] = parsed[key]
            continue
        fields = _section_of(sections[0]).model_fields
        name = next(n for n, field in fields.items() if key in (n, field.alias))
        record[sections[0]][name] = parsed[sections[0]][name]
    return rig_from_record(record)


def _literal(text: str) -> object:
    """Convert a whole number, `true` or `false` to its TOML value; keep every other text."""
    if re.fullmatch(r"[0-9]+", text):
        return int(text)
    return {"true": True, "false": False}.get(text, text)


def write_rig(path: str | Path, text: str) -> Rig:
    """
    Check the text of a new rig file, and write the file completely or not at all.

    Raises
    ------
    RigError
        If the text is not a rig, if the file already exists, or if it cannot be written.
    """
    path = Path(path)
    rig = parse_rig(text, str(path))
    try:
        path.open("x").close()
    except FileExistsError as error:
        raise RigError(
            "this file already exists, and the program does not overwrite it",
            where=str(path),
            hint="choose another name",
        ) from error
    except OSError as error:
        raise _unwritable(path, error) from error
    _replace(path, text.encode())
    return rig


def update_rig(path: str | Path, changes: Mapping[str, object]) -> Path:
    """
    Change values in a rig file, keep the comments, and make a copy of the old file.

    Parameters
    ----------
    path : str or Path
        The rig file.
    changes : mapping
        New TOML value of each key; a key is, for example, ``"calibration.clock.value"``.

    Returns
    -------
    Path
        Path of the copy in the same folder. The copy is called ``<name>.before-<date>``.

    Raises
    ------
    RigError
        If the changed text is not a rig (nothing is written), or if a file cannot be written.
    """
    path = Path(path).resolve()
    before = _read_text(path)
    after = _changed(before, changes, str(path))
    parse_rig(after, str(path))
    copy = _keep_copy(path)
    _replace(path, after.encode())
    return copy


def _read_text(path: Path) -> str:
    try:
        with path.open("rb") as file:
            content = file.read(MAX_FILE_BYTES + 1)
    except FileNotFoundError as error:
        hint = "check the name, or make a rig file with: chrono rig new rig.toml"
        raise RigError("this rig file does not exist", where=str(path), hint=hint) from error
    except OSError as error:
        reason = error.strerror or "no reason given"
        hint = "give a file that you are allowed to read"
        raise RigError(
            f"the rig file cannot be read: {reason}", where=str(path), hint=hint
        ) from error
    if len(content) > MAX_FILE_BYTES:
        hint = "give the TOML file that describes the rig"
        raise RigError("this file is too long to be a rig file", where=str(path), hint=hint)
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        hint = "save the rig file as UTF-8 text"
        raise RigError(
            "this is not a rig file: it is not UTF-8 text", where=str(path), hint=hint
        ) from error


def _parse_toml(text: str, where: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        at = re.fullmatch(r"(.*) \(at line (\d+), column \d+\)", str(error), re.DOTALL)
        reason, place = (at[1], f"{where}:{at[2]}") if at else (str(error), where)
        reason = reason[:1].lower() + reason[1:]
        hint = 'write lines such as spacing = "300 mm" below [gates]'
        raise RigError(
            f"this file is not valid TOML: {reason}", where=place, hint=hint
        ) from error


def _key_lines(text: str) -> _Places:
    """Return the line number of each key of a valid TOML text."""
    lines: _Places = {}
    table: tuple[str, ...] = ()
    statement, start = "", 1
    for number, line in enumerate(text.split("\n"), 1):
        start = start if statement else number
        statement += line + "\n"
        try:
            parsed = tomllib.loads(statement)
        except tomllib.TOMLDecodeError:
            continue
        path = _first_path(parsed)
        if statement.lstrip().startswith("["):
            table = full = path
        else:
            full = table + path
        for depth in range(1, len(full) + 1 if path else 0):
            lines.setdefault(full[:depth], start)
        statement = ""
    return lines


def _first_path(parsed: object) -> tuple[str, ...]:
    path: list[str] = []
    while isinstance(parsed, dict) and parsed:
        key, parsed = next(iter(parsed.items()))
        path.append(key)
    return tuple(path)


def _rig_error(error: ValidationError, where: str, lines: _Places) -> RigError:
    """Return one error for all problems that pydantic found, sorted by line number."""
    found = [_problem(detail, where, lines) for detail in error.errors(include_url=False)]
    problems = tuple(problem for _, problem in sorted(found, key=lambda pair: pair[0]))
    return problems[0] if len(problems) == 1 else RigProblems(problems)


def _problem(detail: ErrorDetails, where: str, lines: _Places) -> tuple[int, RigError]:
    context = detail.get("ctx", {})
    path = tuple(str(part) for part in detail["loc"])
    path += tuple(context["key"].split(".")) if context.get("key") else ()
    if path == ("gates",) and detail["type"] == "missing":
        path = ("gates", "spacing")
    line = lines.get(path, 0)
    message, hint = _reason(detail, path)
    return line, RigError(message, where=f"{where}:{line}" if line else where, hint=hint)


def _reason(detail: ErrorDetails, path: tuple[str, ...]) -> tuple[str, str]:
    """Return what is wrong with the key at `path`, and what the user should do."""
    key, value, context = (
        ".".join(map(_quote_key, path)),
        detail["input"],
        detail.get("ctx", {}),
    )
    match detail["type"]:
        case "rig":
            return f"{key} {context['reason']}", context["hint"]
        case "missing":
            example = ', such as spacing = "300 mm"' if path[-1] == "spacing" else ""
            return f"{key} is missing", f"add this key to its section{example}"
        case "extra_forbidden":
            return f"unknown key {key}", _nearest_key(path)
        case "model_type" | "dict_type":
            return (
                f"{key} is {shown(value)}, but must be a section",
                f"write the line [{key}], then the values of this section",
            )
        case _:
            wanted = detail["msg"].replace("Input should", "it should").replace("String", "it")
            return (
                f"{key} is {shown(value)}, but {wanted}",
                "write a value that is allowed for this key",
            )


def _quote_key(key: str) -> str:
    return key if re.fullmatch(r"[A-Za-z0-9_-]{1,40}", key) else quote(key)


def _nearest_key(path: tuple[str, ...]) -> str:
    known = _known_keys(path[:-1])
    near = difflib.get_close_matches(path[-1], known, 1)
    return (
        f"did you mean {near[0]}?"
        if near
        else f"the keys of this section are {', '.join(known)}"
    )


def _section_of(*section: str) -> type[BaseModel]:
    model: type[BaseModel] = Rig
    for part in section:
        annotation = model.model_fields[part].annotation
        kinds = typing.get_args(annotation) or (annotation,)
        model = next(kind for kind in kinds if kind is not type(None))
    return model


def _known_keys(section: tuple[str, ...]) -> list[str]:
    model = _section_of(*section)
    return [field.alias or name for name, field in model.model_fields.items()]


def _changed(text: str, changes: Mapping[str, object], where: str) -> str:
    _parse_toml(text, where)
    document = tomlkit.parse(text)
    for dotted, value in changes.items():
        *sections, key = dotted.split(".")
        table: Any = document
        for section in sections:
            table = table.setdefault(section, tomlkit.table())
            if not isinstance(table, dict):
                raise RigError(
                    f"{section} is not a section of the rig, so the key {dotted} cannot be set",
                    where=where,
                )
        table[key] = value
    return tomlkit.dumps(document)


def _keep_copy(path: Path) -> Path:
    """Copy the file to a new file with a new name, ``<name>.before-<date>[-2…]``."""
    content = path.read_bytes()
    stem = f"{path.name}.before-{datetime.date.today().isoformat()}"
    for number in itertools.count(1):
        copy = path.with_name(stem if number == 1 else f"{stem}-{number}")
        try:
            with copy.open("xb") as file:
                file.write(content)
                file.flush()
                os.fsync(file.fileno())
        except FileExistsError:
            continue
        except OSError as error:
            raise _unwritable(copy, error) from error
        return copy
    raise AssertionError("unreachable")


def _replace(path: Path, content: bytes) -> None:
    """Write `content` to the file `path`, completely or not at all."""
    try:
        handle, name = tempfile.mkstemp(prefix=f".{path.name}-", dir=path.parent)
        temporary = Path(name)
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(content)
                file.flush()
                os.fsync(file.fileno())
            shutil.copymode(path, temporary)
            temporary.replace(path)
        finally:
            temporary.unlink(missing_ok=True)
    except OSError as error:
        raise _unwritable(path, error) from error


def _unwritable(path: Path, error: OSError) -> RigError:
    reason = error.strerror or "no reason given"
    hint = "check that the folder exists, and that you are allowed to write in it"
    return RigError(f"this file cannot be written: {reason}", where=str(path), hint=hint)
