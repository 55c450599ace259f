"""What a session is supposed to have been measured with, where that is not as it was.

A supposition changes which edges a shot is timed by, the step its stamps are taken to have
and the time that a counter unit stands for; everything else is the session's own way.
"""

from dataclasses import dataclass, replace

import numpy as np

from chrono.measuring.speed import SpeedModel
from chrono.processor.table import EdgesUsed, Flag, Shots

_PAIR_FLAGS = {EdgesUsed.LEAD: Flag.LEAD_ONLY, EdgesUsed.TRAIL: Flag.TRAIL_ONLY}


@dataclass(frozen=True)
class AsIf:
    """
    A supposition; the defaults suppose nothing.

    Attributes
    ----------
    tick_s : float or None
        Step of a coarser counter [s], taken as a whole number of recorded ticks.
    phase : float
        Where its steps lie against the recorded counter's zero, 0 … 1 steps.
    spacing_m : float or None
        Distance of the gates as it was misread [m].
    clock_error : float
        Relative error by which the counter was too fast.
    edges : EdgesUsed
        LEAD or TRAIL: one pair of edges only.
    """

    tick_s: float | None = None
    phase: float = 0.0
    spacing_m: float | None = None
    clock_error: float = 0.0
    edges: EdgesUsed = EdgesUsed.BOTH

    def ticks(self, recorded_tick_s: float) -> int:
        """Return how many recorded ticks make one step of the coarser counter."""
        return 1 if self.tick_s is None else max(round(self.tick_s / recorded_tick_s), 1)

    def shots(self, shots: Shots) -> Shots:
        """Return the shots as timed by the edges supposed; none where these are unsound."""
        if self.edges == EdgesUsed.BOTH:
            return shots
        shots = shots.copy()
        usable = np.isin(shots["used"], (EdgesUsed.BOTH, self.edges))
        shots["bounce"][shots["used"] == EdgesUsed.BOTH] *= np.sqrt(2.0)  # it was a mean
        shots["used"] = np.where(usable, self.edges, EdgesUsed.NONE)
        shots["flags"] &= ~np.uint32(Flag.LEAD_ONLY | Flag.TRAIL_ONLY)
        shots["flags"][usable] |= np.uint32(_PAIR_FLAGS[self.edges])
        return shots

    def model(self, model: SpeedModel) -> SpeedModel:
        """Return a rig's model with the step and the counter's rate supposed."""
        if self.tick_s is None and not self.clock_error:
            return model
        return replace(
            model,
            tick_s=model.tick_s * self.ticks(model.tick_s),
            unit_s=model.unit_s * (1 + self.clock_error),
        )


AS_IT_WAS = AsIf()
