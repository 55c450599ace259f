"""Show both beams during alignment as bars and words on a terminal with 60 columns."""

from collections.abc import Sequence

from chrono.health.alignment import (
    LEAST_LIGHT_V,
    MOST_LIGHT_V,
    TRIP_SHARE,
    AlignmentVerdict,
    GateAlignment,
)

BAR_CELLS = 20
BAR_V = MOST_LIGHT_V
"""Voltage that a full bar shows [V]."""

_FULL, _EMPTY, _THRESHOLD = "█", "·", "|"
_EIGHTHS = " ▏▎▍▌▋▊▉"


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %"


_WANTED = _percent(TRIP_SHARE)
_ADVICE = {
    AlignmentVerdict.GOOD: "good: the gate trips at {share} of full light",
    AlignmentVerdict.DIM: (f"too dim, below {LEAST_LIGHT_V:g} V: turn D1 to get a longer bar"),
    AlignmentVerdict.BRIGHT: f"too bright, above {MOST_LIGHT_V:g} V: use a smaller resistor R2",
    AlignmentVerdict.TRIPS_EARLY: (
        f"gate trips at {{share}} of full light: turn RV1 to {_WANTED}"
    ),
    AlignmentVerdict.TRIPS_LATE: (
        f"gate trips at {{share}} of full light: turn RV1 to {_WANTED}"
    ),
    AlignmentVerdict.BLOCKED: "the gate is blocked: turn D1, or take the card away",
    AlignmentVerdict.STRAY: "blocked gate still gets light: turn D1 or shade D2",
    AlignmentVerdict.UNCLEAR: "light is not clearly on: turn D1 to get more light",
    AlignmentVerdict.NO_TRIMMER: "no threshold is measured: check the wire from RV1",
    AlignmentVerdict.CONTRADICTION: "light and gate signals differ: check analog wires",
}


def alignment_lines(gates: Sequence[GateAlignment]) -> list[str]:
    """Return two lines for each gate: a bar that shows the light, and a verdict in words."""
    lines = []
    for gate in gates:
        light_v, best_v = gate.levels.light_v, gate.best_v
        lines.append(
            f"  {gate.name} {bar_text(gate)} {light_v:4.2f} V, max. {best_v:4.2f}, "
            f"margin {_percent(gate.margin)}"
        )
        lines.append(f"{_sign(gate)}   {verdict_words(gate)}")
    return lines


def verdict_words(gate: GateAlignment) -> str:
    """Return in words whether one beam is well aligned, and what the user should do."""
    return _ADVICE[gate.verdict].format(share=_percent(gate.trip_share))


def bar_text(gate: GateAlignment) -> str:
    """Return the light at a gate as a bar of characters, with a stroke at each threshold."""
    full, eighths = divmod(round(_cells(gate.levels.light_v) * 8), 8)
    cells = [_FULL] * full + [_EMPTY] * (BAR_CELLS - full)
    if eighths:
        cells[full] = _EIGHTHS[eighths]
    for threshold_v in gate.levels[1:]:
        cells[min(int(_cells(threshold_v)), BAR_CELLS - 1)] = _THRESHOLD
    return "".join(cells)


def _cells(volt: float) -> float:
    return min(max(volt / BAR_V, 0.0), 1.0) * BAR_CELLS


def _sign(gate: GateAlignment) -> str:
    return " " if gate.verdict is AlignmentVerdict.GOOD else "!"
