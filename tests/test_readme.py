"""The README keeps what it promises."""

from pathlib import Path

from chrono.reports.flags_help import FLAG_HELP

README = (Path(__file__).parent.parent / "README.md").read_text()


def test_the_readme_explains_every_flag_as_the_program_does() -> None:
    for flag, text in FLAG_HELP.items():
        assert f"| `{flag}` | {text} |" in README


def test_the_commands_that_ci_runs_are_there() -> None:
    for name in ("demo", "tests"):
        assert f"<!-- command: {name} -->\n```sh\npython3 -m venv" in README
