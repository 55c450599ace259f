"""What many rooms need is defined once."""

import ast
from functools import cache
from pathlib import Path

import pytest

from chrono.arrays import array_types
from chrono.rigs import line_kinds
from chrono.rigs.line_kinds import LINE_KINDS, LineKind

CHRONO = Path(__file__).parents[1] / "chrono"


@cache
def trees() -> dict[str, ast.Module]:
    """Return the syntax tree of each module; not while pytest only collects the tests."""
    return {
        path.relative_to(CHRONO).as_posix(): ast.parse(path.read_text("utf-8"))
        for path in sorted(CHRONO.rglob("*.py"))
    }


def assigned(tree: ast.Module) -> dict[str, str]:
    """Return what a module's own names are given, as code."""
    return {
        statement.targets[0].id: ast.unparse(statement.value)
        for statement in tree.body
        if isinstance(statement, ast.Assign) and isinstance(statement.targets[0], ast.Name)
    }


def test_a_type_of_arrays_has_one_name_and_one_place() -> None:
    kept = assigned(trees()["arrays/array_types.py"])
    assert set(kept) == {name for name in vars(array_types) if name[0].isupper()}
    assert len(set(kept.values())) == len(kept)
    others = {
        f"{file}: {name}"
        for file, tree in trees().items()
        for name, value in assigned(tree).items()
        if value in kept.values() and file != "arrays/array_types.py"
    }
    assert not others


@pytest.mark.parametrize("number", [273.15, 9.80665, 1.959963984540054])
def test_a_constant_of_the_field_is_written_once(number: float) -> None:
    places = [
        file
        for file, tree in trees().items()
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant) and node.value == number
    ]
    assert len(places) == 1, places


OTHER_MEANINGS = {("dashboard/shot_table.py", "plain"): "how a row of the table looks"}
"""Where a word that is also a kind's name means something else."""


def test_only_one_module_names_the_kinds_of_lines() -> None:
    places = {
        (file, node.value)
        for file, tree in trees().items()
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant)
        and isinstance(node.value, str)
        and node.value in LINE_KINDS
        and file != "rigs/line_kinds.py"
    }
    assert places <= set(OTHER_MEANINGS)


def test_nobody_compares_kinds_where_a_property_can_be_asked() -> None:
    names = {name for name, kind in vars(line_kinds).items() if isinstance(kind, LineKind)}
    assert len(names) == len(LINE_KINDS)
    compared = {
        f"{file}:{node.lineno}"
        for file, tree in trees().items()
        for node in ast.walk(tree)
        if isinstance(node, ast.Compare | ast.match_case)
        for part in ast.walk(node if isinstance(node, ast.Compare) else node.pattern)
        if isinstance(part, ast.Name) and part.id in names
    }
    assert not compared
