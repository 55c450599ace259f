"""Plant faults in the program one by one, and see whether the tests notice.

    python tests/mutation_sample.py [--faults 20] [--seed 20261130] [--rooms clock,health]

Run on demand, in an environment with the tests' packages. Each fault changes one operator, one
comparison or one number of one function; the sources are copied first, so the checkout stays
as it is. The tests that name the module run first, then those of its room, then those of
the rooms that use it. Tests that a fault keeps waiting for ever have noticed it too. A fault
that no test notices is printed with its file and line. The seed is today's date by default.
"""

import argparse
import ast
import os
import random
import re
import select
import shutil
import signal
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from pathlib import Path

HOUSE = Path(__file__).parents[1]
SILENT_S = 300.0
"""A sound program ends each of its tests within this time [s], even on a slow machine."""

NEXT_TESTS = {
    "arrays": ("reader", "processor", "session"),
    "calibrating": ("reference",),
    "clock": ("session", "calibrating"),
    "commands": ("reports", "season", "sharing"),
    "health": ("session", "dashboard"),
    "measuring": ("calibrating", "reports", "reference", "physical"),
    "physics": ("measuring", "reference"),
    "processor": ("session", "physical", "trouble"),
    "reader": ("session", "faults"),
    "reports": ("commands", "dashboard"),
    "rigs": ("session", "commands"),
    "season": ("commands",),
    "session": ("dashboard", "commands"),
    "teaching": ("reports", "commands", "dashboard"),
    "virtual": ("session", "dashboard"),
}
"""Tests that use a room, beside its own."""

COMPARISONS: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.LtE,
    ast.LtE: ast.Lt,
    ast.Gt: ast.GtE,
    ast.GtE: ast.Gt,
    ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot,
    ast.IsNot: ast.Is,
    ast.In: ast.NotIn,
    ast.NotIn: ast.In,
}
OPERATORS: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
}


@dataclass(frozen=True)
class Fault:
    """A change of a file: its place, and the line before and after it."""

    file: Path
    line: int
    before: str
    after: str
    text: str


def changed(node: ast.AST) -> ast.AST | None:
    """Return a node with a fault in it, None where none of ours fits."""
    match node:
        case ast.Compare(left, [op], [right]) if type(op) in COMPARISONS:
            return ast.Compare(left, [COMPARISONS[type(op)]()], [right])
        case ast.BinOp(left, op, right) if type(op) in OPERATORS:
            return ast.BinOp(left, OPERATORS[type(op)](), right)
        case ast.BoolOp(ast.And(), values):
            return ast.BoolOp(ast.Or(), values)
        case ast.BoolOp(ast.Or(), values):
            return ast.BoolOp(ast.And(), values)
        case ast.UnaryOp(ast.Not(), operand):
            return operand
        case ast.Constant(bool() as value):
            return ast.Constant(not value)
        case ast.Constant(int() | float() as value):
            return ast.Constant(value + 1)
    return None


def in_functions(tree: ast.Module) -> Iterator[ast.AST]:
    """Yield the nodes of all functions' bodies, annotations and defaults left out."""
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            for statement in node.body:
                yield from ast.walk(statement)


def faults_of(file: Path) -> Iterator[Fault]:
    """Yield every fault that can be planted in a file, on one line each."""
    text = file.read_text("utf-8")
    lines = text.splitlines(keepends=True)
    seen = set()
    for node in in_functions(ast.parse(text)):
        new = changed(node)
        place = (getattr(node, "lineno", 0), getattr(node, "col_offset", 0), type(node))
        if new is None or place in seen or node.lineno != node.end_lineno:
            continue
        seen.add(place)
        line = lines[node.lineno - 1].encode()
        end = node.end_col_offset
        source = f"({ast.unparse(ast.fix_missing_locations(new))})".encode()
        after = (line[: node.col_offset] + source + line[end:]).decode()
        whole = "".join([*lines[: node.lineno - 1], after, *lines[node.lineno :]])
        try:
            ast.parse(whole)
        except SyntaxError:  # in an f-string, say
            continue
        yield Fault(file, node.lineno, lines[node.lineno - 1].strip(), after.strip(), whole)


def tests_of(file: Path, tests: Path) -> list[list[str]]:
    """Return the files and folders of tests to run for a module, the nearest first."""
    room = file.parent.name
    naming = re.compile(rf"\b{room}(\.| import ){file.stem}\b")
    nearest = [
        str(path)
        for path in sorted(tests.rglob("test_*.py"))
        if naming.search(path.read_text())
    ]
    named = [[room], list(NEXT_TESTS.get(room, ("commands",)))]
    found = [
        [str(tests / name) for name in names if (tests / name).is_dir()] for names in named
    ]
    rest = [str(path) for path in sorted(tests.glob("test_*.py"))]
    return [*filter(None, [nearest, *found]), rest]


def is_stuck(tests: subprocess.Popen[bytes]) -> bool:
    """Follow the dots of running tests to the end; return True if no test ends any more."""
    assert tests.stdout is not None
    dots = tests.stdout.fileno()
    while select.select([dots], [], [], SILENT_S)[0]:
        if not os.read(dots, 4096):
            return False
    return True


def is_noticed(copy: Path, file: Path) -> bool:
    """Run tests on a copy of the sources until some fail."""
    environment = os.environ | {"PYTHONPATH": str(copy), "PYTHONDONTWRITEBYTECODE": "1"}
    for number, paths in enumerate(tests_of(file, copy / "tests")):
        # The first few tests notice most faults, sooner than several processes would start.
        processes = "auto" if number else "0"
        command = [sys.executable, "-m", "pytest", "-q", "-x", "-n", processes]
        command += ["-p", "no:cacheprovider", *paths]
        with subprocess.Popen(
            command,
            cwd=copy,
            env=environment,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        ) as tests:
            if is_stuck(tests):
                os.killpg(tests.pid, signal.SIGKILL)
                return True
            code = tests.wait()
        if code not in (0, 5):
            return True
    return False


def main() -> int:
    parser = argparse.ArgumentParser(description="Plant faults; see whether tests notice.")
    parser.add_argument("--faults", type=int, default=20)
    parser.add_argument("--seed", type=int, default=int(f"{date.today():%Y%m%d}"))
    parser.add_argument("--rooms", default="", help="names of rooms, with commas; all if empty")
    asked = parser.parse_args()
    rooms = [*filter(None, asked.rooms.split(","))]
    files = [
        path.relative_to(HOUSE)
        for path in sorted((HOUSE / "chrono").rglob("*.py"))
        if path.name != "__init__.py" and (not rooms or path.parent.name in rooms)
    ]
    draw = random.Random(asked.seed)
    noticed, drawn = 0, set[tuple[Path, str]]()
    with tempfile.TemporaryDirectory() as place:
        copy = Path(place) / "house"
        shutil.copytree(
            HOUSE, copy, ignore=shutil.ignore_patterns(".*", "__pycache__"), symlinks=True
        )
        for number in range(1, asked.faults + 1):
            candidates: list[Fault] = []
            while not candidates:
                found = faults_of(copy / draw.choice(files))
                candidates = [each for each in found if (each.file, each.text) not in drawn]
            fault = draw.choice(candidates)
            drawn.add((fault.file, fault.text))
            sound = fault.file.read_text("utf-8")
            fault.file.write_text(fault.text, "utf-8")
            seen = is_noticed(copy, fault.file)
            fault.file.write_text(sound, "utf-8")
            noticed += seen
            where = f"{fault.file.relative_to(copy)}:{fault.line}"
            print(f"{number}: {'noticed' if seen else 'SURVIVED'} {where}", flush=True)
            print(f"    - {fault.before}\n    + {fault.after}", flush=True)
    print(f"{noticed} of {asked.faults} noticed (seed {asked.seed})")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
