"""Define the tasks that the program can run on each of many recordings.

Each task is a function without side effects; its arguments are the path and the name of one
recording. A task returns its result and the problems of the recording's data. Processes send
results to each other with `pickle`, so a result contains only values, and never a session.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from chrono.reports.findings_text import recording_findings
from chrono.rigs.rig_model import Rig
from chrono.season.recording_finder import RecordingSource
from chrono.session.recording_loader import LoadedRecording, read_recording

if TYPE_CHECKING:
    from chrono.health.readiness import Readiness
    from chrono.reports.export_table import ExportTable
    from chrono.session.pooled_samples import RecordingSamples


@dataclass(frozen=True)
class ReadingOptions:
    """
    The options that the program uses to read recordings.

    Attributes
    ----------
    rig : Rig or None
        Measure with this rig instead of the recorded rigs.
    clock_from_host : bool
        Find the counter's rate from its beats, even if the rig states a rate.
    """

    rig: Rig | None = None
    clock_from_host: bool = False

    def read(self, path: Path, source: RecordingSource) -> tuple[LoadedRecording, list[str]]:
        """Read a recording; return it together with the problems of its data."""
        recorded = read_recording(path, self.rig, clock_from_host=self.clock_from_host)
        return replace(recorded, name=source.name), recording_findings(recorded)


@dataclass(frozen=True)
class Export(ReadingOptions):
    """Make the table of a recording's shots; `with_statistics` adds the setups' statistics."""

    with_statistics: bool = False

    def __call__(self, path: Path, source: RecordingSource) -> tuple[ExportTable, list[str]]:
        from chrono.reports.export_table import shot_table

        recorded, findings = self.read(path, source)
        return shot_table(recorded.session, source.name, self.with_statistics), findings


@dataclass(frozen=True)
class SummaryTexts:
    """The summary of a recording, as text and as an object for JSON."""

    text: str
    data: dict[str, Any]


@dataclass(frozen=True)
class Summarize(ReadingOptions):
    """Make the summary of a recording."""

    def __call__(self, path: Path, source: RecordingSource) -> tuple[SummaryTexts, list[str]]:
        from chrono.reports.summary_text import summary_data, summary_text
        from chrono.session.session_summary import summary_of

        recorded, findings = self.read(path, source)
        found = summary_of(recorded)
        return SummaryTexts(summary_text(found), summary_data(found)), findings


@dataclass(frozen=True)
class TakeSamples(ReadingOptions):
    """Return the counted shots of a recording for each setup."""

    def __call__(
        self, path: Path, source: RecordingSource
    ) -> tuple[RecordingSamples, list[str]]:
        from chrono.session.pooled_samples import recording_samples

        recorded, findings = self.read(path, source)
        return recording_samples(recorded), findings


@dataclass(frozen=True)
class CheckResult:
    """The state of the gates, the link and the clock in a recording."""

    name: str
    health: Readiness


@dataclass(frozen=True)
class Check(ReadingOptions):
    """Check the gates, the link and the clock of a recording."""

    def __call__(self, path: Path, source: RecordingSource) -> tuple[CheckResult, list[str]]:
        from chrono.session.readiness_check import check_recording

        checked = check_recording(path, self.rig)
        findings = recording_findings(checked.recorded)
        return CheckResult(source.name, checked.health), findings
