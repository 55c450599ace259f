"""Setups compared."""

from chrono.commands.common import (
    AsJson,
    HostClock,
    OtherRig,
    end,
    print_json,
    rig_of,
)
from chrono.commands.many import Cluster, Jobs, Many, Pool, Recordings, SkipBad, all_of, meant

MOST_GROUPS = 50
"""More make a page of more than a thousand differences, which nobody reads."""


def compare(
    files: Recordings,
    rig: OtherRig = None,
    clock_from_host: HostClock = False,
    pool: Pool = False,
    as_json: AsJson = False,
    skip_bad: SkipBad = False,
    jobs: Jobs = None,
    cluster: Cluster = None,
) -> None:
    """Compare setups: which is faster, by how much, and which is more repeatable."""
    how = Many(jobs, skip_bad, cluster)
    sources = meant(files, how)
    from chrono.errors import OptionError
    from chrono.measuring.comparison import compare_groups
    from chrono.reports.comparison import comparison_data, comparison_text
    from chrono.reports.findings_text import Findings
    from chrono.season.tasks import TakeSamples
    from chrono.session.pooled import pooled_groups, pooled_of
    from chrono.session.samples import groups_from

    findings, task = Findings(), TakeSamples(rig_of(rig), clock_from_host)
    recordings = all_of(sources, task, how, findings)
    groups = pooled_groups(pooled_of(recordings)) if pool else groups_from(recordings)
    if len(groups) > MOST_GROUPS:
        raise OptionError(
            f"{len(groups)} setups of {len(recordings)} recordings are too many to compare "
            "each with each",
            hint="name fewer" if pool else "name fewer, or put them together with --pool",
        )
    compared = compare_groups(groups)
    if len(compared.groups) < 2:
        findings.lines.append("a comparison needs two setups with counted shots")
    if as_json:
        print_json(comparison_data(compared))
    else:
        print(comparison_text(compared, recordings[0].rig.speed_unit))
    end(findings)
