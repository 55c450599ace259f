"""Setups compared."""

from chrono.commands.common import (
    AsJson,
    HostClock,
    OtherRig,
    RecordingFiles,
    end,
    print_json,
    rig_of,
)


def compare(
    files: RecordingFiles,
    rig: OtherRig = None,
    clock_from_host: HostClock = False,
    as_json: AsJson = False,
) -> None:
    """Compare setups: which is faster, by how much, and which is more repeatable."""
    from chrono.measuring.comparison import compare_groups
    from chrono.reports.comparison import comparison_data, comparison_text
    from chrono.session.recorded import Findings, read_all
    from chrono.session.samples import groups_of

    findings = Findings()
    recordings = list(read_all(files, rig_of(rig), findings, clock_from_host))
    found = compare_groups(groups_of(recordings))
    if len(found.groups) < 2:
        findings.lines.append("a comparison needs two setups with counted shots")
    if as_json:
        print_json(comparison_data(found))
    else:
        print(comparison_text(found, recordings[0].session.rig.speed_unit))
    end(findings)
