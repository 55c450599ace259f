"""What the shots tell of timing and bodies, as items of the health."""

from collections.abc import Mapping
from dataclasses import replace

from chrono.health.verdict import Aspect, Health, Item
from chrono.measuring.timing import Blocking, Timing

LENGTH_TOLERANCE = 0.25
"""A length further off than this part is flagged `short` or `long` in each shot."""


def with_shots(
    health: Health, timing: Timing | None, lengths: Mapping[str, Blocking]
) -> Health:
    """
    Return a health with what the shots tell added.

    Parameters
    ----------
    health : Health
    timing : Timing or None
        None where they do not tell it.
    lengths : mapping of str to Blocking
        What the gates saw of each setup's bodies, by the setup's name.
    """
    items = [*health.items]
    if timing is not None:
        items.append(Item(Aspect.JITTER, timing.states_too_little))
    items += [
        Item(Aspect.BODY, blocking.is_off(LENGTH_TOLERANCE), setup=name)
        for name, blocking in lengths.items()
    ]
    return replace(health, items=tuple(items), timing=timing, lengths=dict(lengths))
