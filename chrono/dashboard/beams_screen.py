"""The Beams screen shows if the gates, the link to the board and the clock are ready.

The screen also helps the user to align the beams.
"""

from collections.abc import Sequence
from time import monotonic

from rich.text import Text
from textual.containers import Horizontal, VerticalScroll
from textual.widget import Widget
from textual.widgets import Static

from chrono.dashboard.clipped_text import fit
from chrono.dashboard.framed_screen import FramedScreen
from chrono.dashboard.status_text import urgent_lines
from chrono.health.alignment import GateAlignment, Tone
from chrono.health.readiness import GateObservation, Observation
from chrono.reports.clock_text import beats_text, rate_notes
from chrono.reports.readiness_text import HealthText, alignment_lines, judged_words
from chrono.session.observer import BeatDelays
from chrono.session.readiness_check import AlignmentView
from chrono.session.run import Run
from chrono.session.session import Session

WHOLE = (
    "The whole recording is shown at once, so no beams are shown here.\n"
    "To see the beams, type: chrono replay FILE --pace 1\n"
    "To check the recording, type: chrono check FILE"
)
SHOWN_SAMPLES = 5


class BeamsScreen(FramedScreen):
    """
    A screen that shows if the gates, the link to the board and the clock are ready to measure.
    """

    def compose_body(self) -> list[Widget]:
        """
        Return the widgets that show the checks' result, both gates, the alignment and details.
        """
        gates = [Static(id=f"gate-{name}", classes="gate") for name in "ab"]
        for gate, name in zip(gates, "AB", strict=True):
            gate.border_title = f"gate {name}"
        self.alignment = AlignmentView()
        self.tone = Tone()
        return [
            Static(id="verdict"),
            Horizontal(*gates, id="gates"),
            Static(id="alignment"),
            VerticalScroll(Static(id="items"), id="health"),
        ]

    def show_run(self, run: Run) -> None:
        """Show the current state of the gates, the link to the board and the clock."""
        super().show_run(run)
        observed = run.observed()
        if observed is None:
            self.query_one("#verdict", Static).update(Text(WHOLE))
            self.query_one("#gates").display = False
            self.query_one("#alignment").display = False
            self.query_one("#items", Static).update(records_text(run.session))
            return
        health = judged_words(observed)
        self.query_one("#verdict", Static).update(verdict_text(health))
        for gate, seen in zip("ab", observed.gates, strict=True):
            widget = self.query_one(f"#gate-{gate}", Static)
            widget.update(gate_text(seen))
            widget.set_class(bool(seen.blocked), "-blocked")
        self._show_alignment(self.alignment.look_at(run))
        text = gate_advice_text(health, urgent_lines(run)).append_text(items_text(health))
        text.append_text(clock_notes(observed))
        text.append_text(delays_text(run.delays()))
        text.append_text(records_text(run.session))
        self.query_one("#items", Static).update(text)

    def _show_alignment(self, beams: Sequence[GateAlignment]) -> None:
        widget = self.query_one("#alignment", Static)
        widget.display = bool(beams)
        text = Text()
        for line in alignment_lines(beams):
            text.append(f"{line}\n", "bold yellow" if line.startswith("!") else "")
        if self.tone.gate:
            text.append(f"    tone for gate {self.tone.gate}: more light, more beeps")
        text.rstrip()
        widget.update(text)
        if self.tone.is_due(beams, monotonic()):
            self.app.bell()


def verdict_text(health: HealthText) -> Text:
    """Return the result of all checks: READY, or NOT READY with the reason."""
    if health.ready:
        return Text.assemble(("READY", "bold green"))
    return Text.assemble(
        (f"NOT READY because {health.verdict.partition('because ')[2]}", "bold red")
    )


def gate_advice_text(health: HealthText, troubles: list[str]) -> Text:
    """Return advice for each problem that prevents measuring, then the other problems."""
    lines = [f"do: {item.advice}" for item in health.troubles] + troubles
    return Text("".join(f"{line}\n" for line in lines))


def gate_text(seen: GateObservation) -> Text:
    """Return the state of a gate as bold text: blocked, clear or not known yet."""
    if seen.blocked is None:
        return Text.assemble(("? the state is not known yet", "bright_black"))
    if seen.blocked:
        return Text.assemble((f"█ BLOCKED {seen.blocked_for_s:.1f} s", "bold yellow"))
    return Text.assemble(("○ CLEAR", "bold green"))


def items_text(health: HealthText) -> Text:
    """Return one line for each checked item; the sign "!" marks an item with a problem."""
    text = Text()
    for item in health.items:
        sign, style = ("!", "bold yellow") if item.trouble else (" ", "")
        text.append(f"{sign} {item.name:<10} {item.reading}\n", style)
    return text


def clock_notes(observed: Observation) -> Text:
    """Return lines of text about the rate of the board's clock."""
    if observed.clock is None:
        return Text()
    clock = observed.clock
    text = Text(
        f"  {'':<10} {beats_text(clock)}\n",
        "bright_black",
    )
    for note in rate_notes(clock):
        text.append(f"  {'':<10} {note}\n", "bright_black")
    return text


def delays_text(delays: BeatDelays | None) -> Text:
    """Return a line with the median and the longest delay of the board's beats."""
    if delays is None:
        return Text()
    return Text(
        f"  {'delays':<10} the median delay of the beats is {delays.median_ms:.1f} ms, "
        f"the longest is {delays.longest_ms:.1f} ms\n"
    )


def records_text(session: Session) -> Text:
    """Return the notes on the session, and the damaged lines and records of the recording."""
    unusable = session.unusable
    damaged = [
        f"row {x.row}: {fit(x.text, 40)}  ({fit(x.reason, 40)})" for x in unusable.line_samples
    ]
    text = _list(
        f"damaged lines in the session: {unusable.lines} (below: the first lines)", damaged
    )
    text.append_text(
        _list(
            f"setups and marks not used: {unusable.records} (below: the first reasons)",
            [fit(reason, 76) for reason in unusable.record_reasons],
        )
    )
    notes = session.marks.notes[: -SHOWN_SAMPLES - 1 : -1]
    return text.append_text(
        _list("notes on the session, newest first", [fit(note, 76) for note in notes])
    )


def _list(heading: str, lines: list[str]) -> Text:
    """Return a heading with the first lines of a list, or an empty text for an empty list."""
    if not lines:
        return Text()
    text = Text().append(f"\n{heading}\n", "bold")
    for line in lines[:SHOWN_SAMPLES]:
        text.append(f"  {line}\n", "bright_black")
    return text
