"""Setups compared."""

from chrono.commands.common import (
    AsJson,
    HostClock,
    OtherRig,
    end,
    print_json,
    rig_of,
)
from chrono.commands.many import Cluster, Jobs, Many, Recordings, SkipBad, each_of


def compare(
    files: Recordings,
    rig: OtherRig = None,
    clock_from_host: HostClock = False,
    as_json: AsJson = False,
    skip_bad: SkipBad = False,
    jobs: Jobs = None,
    cluster: Cluster = None,
) -> None:
    """Compare setups: which is faster, by how much, and which is more repeatable."""
    from chrono.errors import RecordingError
    from chrono.measuring.comparison import compare_groups
    from chrono.reports.comparison import comparison_data, comparison_text
    from chrono.season.tasks import TakeSamples
    from chrono.session.recorded import Findings
    from chrono.session.samples import groups_from

    findings, task = Findings(), TakeSamples(rig_of(rig), clock_from_host)
    with each_of(files, task, Many(jobs, skip_bad, cluster), findings) as found:
        recordings = list(found)
    if not recordings:
        raise RecordingError("not one recording can be used", hint="look at each with check")
    compared = compare_groups(groups_from(recordings))
    if len(compared.groups) < 2:
        findings.lines.append("a comparison needs two setups with counted shots")
    if as_json:
        print_json(comparison_data(compared))
    else:
        print(comparison_text(compared, recordings[0].rig.speed_unit))
    end(findings)
