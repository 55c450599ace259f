"""Write the text of `--help`: commands grouped by job, options by kind, and two examples.

The module also replaces characters of the help that the output cannot show.
"""

from typing import Any

import typer
from typer.core import TyperCommand, TyperGroup

from chrono.commands.output_streams import carried

JOBS = {
    "Clock": ("demo", "boards", "check", "clock"),
    "Look": ("replay", "summary", "list"),
    "Compare": ("compare",),
    "Plan and calibrate": ("rig", "plan", "budget", "calibrate"),
    "Predict": ("fall", "flight", "stop", "energy"),
    "Teach": ("lab", "whatif", "worksheet", "guesses"),
    "Share": ("export", "report", "picture", "share"),
    "Learn": ("guide",),
}
"""The names of the commands, grouped by job."""

WHOLE_LINE = 1000
"""Length limit for the first line of a command's help. A narrow terminal wraps the line."""

KINDS = {
    "Results": (
        *("--output", "--key", "--columns", "--against", "--json", "--decimal-comma"),
        *("--unit", "--units", "--no-dashboard"),
    ),
    "Recording": ("--recording", "--resume", "--spare", "--edit"),
    "Rig and clock": ("--rig", "--clock-from-host", "--baud"),
    "Body and air": ("--mass", "--diameter", "--drag", "--terminal", "--no-air", "--site"),
    "Many recordings": ("--skip-bad", "--jobs", "--cluster", "--pool", "--rigs"),
}
"""Options that several commands have, grouped by kind."""

EXAMPLES = {
    "demo": (
        "chrono demo",
        "chrono demo --scenario class-afternoon --speedup 5 --recording first.tsv",
    ),
    "boards": ("chrono boards", "chrono boards --json"),
    "check": ("chrono check /dev/ttyUSB0 --rig rig.toml", "chrono check monday.tsv"),
    "clock": (
        "chrono clock /dev/ttyUSB0 --rig rig.toml --recording wednesday.tsv",
        "chrono clock /dev/ttyUSB0 --resume monday.tsv",
    ),
    "replay": ("chrono replay monday.tsv", "chrono replay monday.tsv --pace 10"),
    "summary": ("chrono summary monday.tsv", "chrono summary 2026 --pool"),
    "list": ("chrono list 2026", "chrono list 2026 --sort shots --reverse"),
    "compare": (
        "chrono compare monday.tsv",
        "chrono compare monday.tsv tuesday.tsv --pool",
    ),
    "rig new": ("chrono rig new new.toml --board uno", "chrono rig new drop.toml --drops"),
    "rig check": ("chrono rig check rig.toml", "chrono rig check rig.toml --json"),
    "rig correct": (
        'chrono rig correct monday.tsv --set "gates.spacing=301 mm"',
        "chrono rig correct monday.tsv --rig rig.toml --yes",
    ),
    "plan": (
        'chrono plan --speed "45 m/s" --within "0.5 %"',
        'chrono plan --speed "45 m/s" --within "0.5 %" --rig rig.toml',
    ),
    "budget": (
        'chrono budget --rig rig.toml --speed "45 m/s"',
        "chrono budget --rig rig.toml --speed 22 --json",
    ),
    "calibrate clock": (
        "chrono calibrate clock monday.tsv --dry-run",
        "chrono calibrate clock monday.tsv --rig rig.toml",
    ),
    "calibrate swap": (
        "chrono calibrate swap before.tsv after.tsv --dry-run",
        "chrono calibrate swap before.tsv after.tsv --left-exchanged",
    ),
    "calibrate drop": (
        'chrono calibrate drop drops.tsv --height "500 mm"',
        'chrono calibrate drop drops.tsv --height "500 mm" --height-tolerance "2 mm"',
    ),
    "calibrate rods": (
        'chrono calibrate rods short.tsv long.tsv --short "40 mm" --long "80 mm" '
        "--rig rig.toml",
        'chrono calibrate rods short.tsv long.tsv --short "40 mm" --long "80 mm" '
        "--rig rig.toml --dry-run",
    ),
    "fall": (
        'chrono fall --height "8 m" --mass "24 g" --diameter "40 mm"',
        "chrono fall monday.tsv",
    ),
    "flight": (
        'chrono flight monday.tsv --angle "30 ± 1 deg" --height "1 m"',
        'chrono flight --speed "22 m/s" --mass "24 g" --diameter "40 mm" --angle "45 deg"',
    ),
    "stop": (
        'chrono stop monday.tsv --law sheet --limit "50 g"',
        'chrono stop --speed "22 m/s" --mass "24 g" --distance "0.8 m"',
    ),
    "energy": (
        'chrono energy --speed "22 m/s" --mass "24 g"',
        'chrono energy monday.tsv --volume "0.5 L" --gauge "2 ± 0.1 bar"',
    ),
    "lab": ("chrono lab", "chrono lab monday.tsv --guess"),
    "whatif": (
        'chrono whatif monday.tsv --as-if-tick "100 us"',
        'chrono whatif monday.tsv --as-if-spacing "305 mm"',
    ),
    "worksheet": (
        "chrono worksheet monday.tsv -o sheet.html",
        "chrono worksheet monday.tsv --groups 6 -o groups.html",
    ),
    "guesses": ("chrono guesses .", "chrono guesses . -o guesses.csv"),
    "export": (
        "chrono export monday.tsv -o monday.csv",
        "chrono export 2026 -o season.xlsx --skip-bad",
    ),
    "report": (
        "chrono report monday.tsv -o monday.html",
        "chrono report 2026 -o season.html --skip-bad",
    ),
    "picture": (
        "chrono picture monday.tsv -o monday.svg",
        "chrono picture tuesday.tsv -o tuesday.png",
    ),
    "share": ("chrono share monday.tsv", "chrono share monday.tsv --unit km/h"),
    "guide": ("chrono guide", "chrono guide first-session"),
}
"""Two examples for each command. They work if files with these names exist."""


class HelpfulCommand(TyperCommand):
    """A command of the program; its help shows sorted options and two examples."""

    def get_help(self, ctx: Any) -> str:
        """Return the help text of the command, with two examples."""
        name = ctx.command_path.partition(" ")[2]
        examples = "".join(f"\n  {line}" for line in EXAMPLES.get(name, ()))
        return carried(super().get_help(ctx) + (f"\n\nExamples:{examples}" if examples else ""))

    def format_options(self, ctx: Any, formatter: Any) -> None:
        """Write the arguments and options; group the options by their kind in `KINDS`."""
        sections: dict[str, list[tuple[str, str]]] = {"Arguments": [], "Options": []}
        sections |= {kind: [] for kind in KINDS}
        for parameter in self.get_params(ctx):
            record = parameter.get_help_record(ctx)
            if record is not None:
                is_option = parameter.param_type_name == "option"
                section = _kind_of(parameter.opts) if is_option else "Arguments"
                sections[section].append(record)
        for title, records in sections.items():
            if records:
                with formatter.section(title):
                    formatter.write_dl(records)


class HelpfulGroup(TyperGroup):
    """A group of commands, such as `chrono rig`."""

    def get_help(self, ctx: Any) -> str:
        """Return the help text; replace characters that the output cannot show."""
        return carried(super().get_help(ctx))

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        """Write the list of commands, grouped by the job that they do."""
        names = self.list_commands(ctx)
        jobs = {"Commands": names} if ctx.parent else JOBS
        width = max(map(len, names))
        for job, own in jobs.items():
            with formatter.section(job):
                rows = [
                    (f"{name:{width}}", self.commands[name].get_short_help_str(WHOLE_LINE))
                    for name in own
                ]
                formatter.write_dl(rows)


class Commands(typer.Typer):
    """A collection of commands with their help texts."""

    def __init__(self, **options: Any) -> None:
        super().__init__(
            cls=HelpfulGroup, no_args_is_help=True, rich_markup_mode=None, **options
        )

    def command(self, name: str | None = None, **options: Any) -> Any:
        """Return a decorator that makes a command from a function."""
        return super().command(name, cls=HelpfulCommand, **options)


def _kind_of(names: list[str]) -> str:
    return next((kind for kind, own in KINDS.items() if set(names) & set(own)), "Options")
