"""The commands `export`, `summary` and `compare`: write tables, print statistics, compare."""

import sys
from collections.abc import Callable, Iterable
from functools import partial
from math import nan
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, NamedTuple

import typer

from chrono.commands.batch_options import (
    BatchOptions,
    Cluster,
    Jobs,
    Pool,
    Recordings,
    Rigs,
    SkipBad,
    all_of,
    each_of,
    meant,
    one_rig,
)
from chrono.commands.command_options import AsJson, HostClock, OtherRig, end, print_json, rig_of
from chrono.errors import OptionError
from chrono.safe_text import plain

if TYPE_CHECKING:
    from chrono.reports.export_table import ExportTable
    from chrono.season.batch_tasks import TakeSamples
    from chrono.season.recording_finder import RecordingSource


def _print_columns(wanted: bool) -> None:
    if wanted:
        from chrono.reports.export_table import columns_text

        print(columns_text())
        raise typer.Exit


Output = Annotated[
    str | None,
    typer.Option(
        "-o",
        "--output",
        help="Name of the new file: OUT.csv, OUT.xlsx (for spreadsheets), OUT.parquet "
        "or OUT.json. With OUT/, the command writes a folder that contains "
        "Parquet files for each day.",
    ),
]
DecimalComma = Annotated[
    bool,
    typer.Option(
        "--decimal-comma",
        help="Write a CSV file with ; between the cells and a decimal comma in "
        "numbers, such as 1,5.",
    ),
]
Against = Annotated[
    Path | None,
    typer.Option(
        help="CSV file of an earlier export. The command lists the shots that differ "
        "from this earlier export, and writes no table."
    ),
]
ColumnsOnly = Annotated[
    bool,
    typer.Option(
        "--columns",
        callback=_print_columns,
        is_eager=True,
        help="Explain the columns of the table, and do nothing else.",
    ),
]


def export(
    files: Recordings,
    output: Output = None,
    rig: OtherRig = None,
    clock_from_host: HostClock = False,
    decimal_comma: DecimalComma = False,
    as_json: AsJson = False,
    skip_bad: SkipBad = False,
    jobs: Jobs = None,
    cluster: Cluster = None,
    against: Against = None,
    columns: ColumnsOnly = False,
) -> None:
    """Write the shots of recordings as a table, one row per shot."""
    how = BatchOptions(jobs, skip_bad, cluster)
    if against is not None:
        if output is not None:
            raise OptionError(
                "the options --output and --against cannot be used together",
                where="--against",
                hint="leave out --output or --against",
            )
        if decimal_comma:
            raise OptionError(
                "the options --decimal-comma and --against cannot be used together",
                where="--decimal-comma",
                hint="leave out --decimal-comma; the command reads both kinds of CSV files",
            )
        _compare(against, files, ReadWith(rig, clock_from_host), how, as_json)
        return
    if as_json and output is not None and not output.lower().endswith(".json"):
        raise OptionError(
            f"--json cannot be used together with the file name {plain(output)}",
            where="--json",
            hint="leave out --json, or choose a file name that ends in .json",
        )
    sources = meant(files, how)
    from chrono.reports.findings_text import Findings
    from chrono.reports.table_files import WITH_STATISTICS
    from chrono.season.batch_tasks import Export

    target = output or ("shots.json" if as_json else "shots.csv")
    write, findings = _writer(target, output is None, decimal_comma), Findings()
    with_statistics = target.lower().endswith(WITH_STATISTICS)
    task = Export(rig_of(rig), clock_from_host, with_statistics=with_statistics)
    with each_of(sources, task, how, findings) as tables:
        rows = write(tables)
    if output:
        from chrono.reports.setup_words import count_text

        print(
            f"the command wrote {count_text(rows, 'shot')} to {plain(output)}", file=sys.stderr
        )
    end(findings)


class ReadWith(NamedTuple):
    """The rig and the clock that the program uses to measure recordings."""

    rig: Path | None
    clock_from_host: bool


def _compare(
    against: Path, files: list[str], read: ReadWith, how: BatchOptions, as_json: bool
) -> None:
    """Print the shots that differ from an earlier export."""
    from chrono.reports.export_difference import (
        compare_exports,
        difference_data,
        export_difference_text,
        read_export,
    )
    from chrono.reports.export_table import records_of
    from chrono.reports.findings_text import Findings
    from chrono.season.batch_tasks import Export

    before, findings, now = read_export(against), Findings(), []
    task = Export(rig_of(read.rig), read.clock_from_host)
    with each_of(meant(files, how), task, how, findings) as tables:
        for table in tables:
            for columns in table.chunks:
                for record in records_of(columns):
                    missing = {k: nan for k in ("speed_mps", "U95_mps") if record[k] is None}
                    now.append(record | missing)
    found = compare_exports(before, now)
    if as_json:
        print_json(difference_data(found))
    else:
        print(export_difference_text(found))
    end(findings)


def _writer(
    target: str, to_stdout: bool, decimal_comma: bool
) -> "Callable[[Iterable[ExportTable]], int]":
    """Check the name of the output, and return a function that writes shots to this output."""
    from chrono.reports.table_files import format_of, write_stream, write_table
    from chrono.season.parquet_dataset import is_dataset, write_dataset
    from chrono.season.recording_finder import is_address

    path = Path(target)
    if is_dataset(target) and not decimal_comma:
        return partial(write_dataset, output=target)
    if is_address(target):
        raise OptionError(
            "only a folder with Parquet files can be saved at a network address",
            where=target,
            hint="write / at the end of the address",
        )
    writer = format_of(path, decimal_comma)
    if to_stdout:
        return partial(write_stream, writer=writer, stream=sys.stdout.buffer)
    return partial(write_table, path=path, decimal_comma=decimal_comma)


def summary(
    files: Recordings,
    rig: OtherRig = None,
    clock_from_host: HostClock = False,
    pool: Pool = False,
    rigs: Rigs = None,
    as_json: AsJson = False,
    skip_bad: SkipBad = False,
    jobs: Jobs = None,
    cluster: Cluster = None,
) -> None:
    """Print the statistics of recordings, separately for each setup."""
    how = BatchOptions(jobs, skip_bad, cluster)
    sources = meant(files, how)
    from chrono.reports.findings_text import Findings
    from chrono.season.batch_tasks import Summarize, TakeSamples

    if pool:
        task = TakeSamples(rig_of(rig), clock_from_host)
        _pooled_summary(sources, task, how, one_rig(rigs), as_json)
        return
    if rigs is not None:
        raise OptionError(
            "this option works only with --pool",
            where="--rigs",
            hint="add --pool",
        )
    findings, summarize, data = Findings(), Summarize(rig_of(rig), clock_from_host), []
    with each_of(sources, summarize, how, findings, streaming=not as_json) as found:
        for each in found:
            if as_json:
                data.append(each.data)
            else:
                print(each.text)
    if as_json:
        print_json(data)
    end(findings)


def _pooled_summary(
    sources: "list[RecordingSource]",
    task: "TakeSamples",
    how: BatchOptions,
    is_one: bool | None,
    as_json: bool,
) -> None:
    from chrono.reports.findings_text import Findings
    from chrono.reports.summary_text import pooled_data, pooled_text
    from chrono.session.pooled_samples import pooled_of

    findings = Findings()
    pooled = pooled_of(all_of(sources, task, how, findings), is_one)
    if as_json:
        print_json(pooled_data(pooled))
    else:
        print(pooled_text(pooled))
    end(findings)


def compare(
    files: Recordings,
    rig: OtherRig = None,
    clock_from_host: HostClock = False,
    pool: Pool = False,
    rigs: Rigs = None,
    as_json: AsJson = False,
    skip_bad: SkipBad = False,
    jobs: Jobs = None,
    cluster: Cluster = None,
) -> None:
    """
    Show which setup is faster, and how certain the result is.

    The command also shows how large the difference is, and which setup is more repeatable.
    """
    how = BatchOptions(jobs, skip_bad, cluster)
    sources = meant(files, how)
    from chrono.measuring.setup_comparison import compare_groups
    from chrono.reports.comparison_text import comparison_data, comparison_text
    from chrono.reports.findings_text import Findings
    from chrono.season.batch_tasks import TakeSamples
    from chrono.session.pooled_samples import damaged_lines, groups_to_compare

    findings, task = Findings(), TakeSamples(rig_of(rig), clock_from_host)
    recordings = all_of(sources, task, how, findings)
    groups, taken = groups_to_compare(recordings, one_rig(rigs), pool=pool)
    damaged = damaged_lines(recordings)
    compared, unit = compare_groups(groups), recordings[0].rig.speed_unit
    if len(compared.groups) < 2:
        findings.lines.append("a comparison needs at least two setups with counted shots")
    if as_json:
        print_json(comparison_data(compared, unit, taken, damaged))
    else:
        print(comparison_text(compared, unit, taken, damaged))
    end(findings)
