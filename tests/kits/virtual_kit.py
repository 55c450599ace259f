"""Scenarios of the virtual board as tests want them."""

from dataclasses import replace

from chrono.virtual.scenarios import Scenario


def noise_free(scenario: Scenario) -> Scenario:
    """Return the scenario with exact gates and clock: only the counter's step is left."""
    gates = replace(
        scenario.gates,
        spacing_tolerance_m=0.0,
        trip_tolerance_m=0.0,
        tilt_limit_deg=0.0,
        latency_mismatch_s=0.0,
    )
    board = replace(scenario.board, rate_tolerance=0.0, jitter_s=0.0)
    return replace(
        scenario,
        gates=gates,
        board=board,
        bounce_probability=0.0,
        missed_probability=0.0,
        spacing_off_m=0.0,
    )
