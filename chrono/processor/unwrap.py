"""How many times a counter has gone round between two lines, told by the host's clock."""

import numpy as np

from chrono.arrays.array_types import Floats, Ints, Places
from chrono.processor.rules import (
    BACK_STEP_S,
    HOST_TOLERANCE_S,
    IN_A_ROW_S,
    STALL_S,
    Rules,
)
from chrono.processor.timeline import NOWHERE

_SHORT_WRAP_HOST_S = 0.1


def unwrap_steps(
    steps: Ints, host_steps_us: Ints, missing: Ints, rules: Rules
) -> tuple[Ints, Places]:
    """
    Add whole turns of the counter to its steps.

    A step between lines numbered in a row is what the counter says, however late the host
    read the second one, up to `STALL_S`.

    Parameters
    ----------
    steps : ndarray of int64, shape (N,)
        Steps modulo the counter's width [counter units].
    host_steps_us : ndarray of int64, shape (N,)
        Steps of the host's clock [us].
    missing : ndarray of int64, shape (N,)
        Lines missing between, 0 too where lines bear no numbers.

    Returns
    -------
    steps : ndarray of int64, shape (N,)
    jumps : ndarray of intp
        Places of the steps that agree with the host's clock under no number of turns.
    """
    turn = 1 << rules.counter_bits
    turn_s = turn * rules.unit_s
    if turn_s < 2 * HOST_TOLERANCE_S:
        ahead_s = _ahead_s(steps, host_steps_us, rules)
        return _fewest_turns(steps, ahead_s, turn, rules), NOWHERE
    longest_s = max(host_steps_us.max(initial=0) * 1e-6, steps.max(initial=0) * rules.unit_s)
    if longest_s <= HOST_TOLERANCE_S:
        return steps, NOWHERE
    ahead_s = _ahead_s(steps, host_steps_us, rules)
    far = (np.abs(ahead_s) > HOST_TOLERANCE_S).nonzero()[0]
    if rules.lines.is_numbered:
        far = _without_stalls(steps, ahead_s, far[missing[far] == 0], far, rules)
    if not len(far):
        return steps, far
    turns = np.rint(ahead_s[far] / turn_s)
    steps[far] += turns.astype(np.int64) * turn
    wrong = np.abs(ahead_s[far] - turns * turn_s) > HOST_TOLERANCE_S
    return steps, far[wrong | (steps[far] < -rules.units(BACK_STEP_S))]


def _without_stalls(
    steps: Ints, ahead_s: Floats, in_a_row: Places, far: Places, rules: Rules
) -> Places:
    """Return the far steps that no late reading explains; put right those it does."""
    turn, back = 1 << rules.counter_bits, rules.units(BACK_STEP_S)
    own = (steps[in_a_row] + back) % turn - back
    late_s = ahead_s[in_a_row] + (steps[in_a_row] - own) * rules.unit_s
    stalled = (own <= rules.units(IN_A_ROW_S)) & (late_s <= STALL_S)
    steps[in_a_row[stalled]] = own[stalled]
    return np.setdiff1d(far, in_a_row[stalled], assume_unique=True)


def _ahead_s(steps: Ints, host_steps_us: Ints, rules: Rules) -> Floats:
    """Return by how much the host's clock went further than the counter [s]."""
    return np.asarray(host_steps_us * 1e-6 - steps * rules.unit_s)


def _fewest_turns(steps: Ints, ahead_s: Floats, turn: int, rules: Rules) -> Ints:
    """Return the steps with as few turns as the host allows, tiny steps back as such."""
    turns = np.ceil((ahead_s - _SHORT_WRAP_HOST_S) / (turn * rules.unit_s))
    back = steps > turn - min(rules.units(BACK_STEP_S), turn // 64)
    return steps + (np.maximum(turns, 0).astype(np.int64) - (back & (turns <= 0))) * turn
