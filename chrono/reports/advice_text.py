"""What could be done about a rig's uncertainty, a line each."""

import math

from chrono.measuring.improvements import Advice, Way

WAYS = {
    Way.STEEL_RULE: "measure the gate spacing with a steel rule, ± {mm:g} mm",
    Way.RULE_AND_LENS: "measure the gate spacing with a steel rule and a lens, ± {mm:g} mm",
    Way.CALLIPER: "measure the gate spacing with a calliper, ± {mm:g} mm",
    Way.SPACER: "measure the gate spacing with a machined spacer, ± {mm:g} mm",
    Way.DROP_AGAIN: "drop a ball again from a greater, better measured height: calibrate drop",
    Way.FARTHER_GATES: "place the gates {mm:g} mm apart",
    Way.SHARPER_BEAMS: "narrow the beams with slits, each gate to trip within ± {mm:.2g} mm",
    Way.STRAIGHTER_PATH: "align gates and launcher to within {degrees:.2g}°",
    Way.TRUER_AIM: "aim within {mm:.2g} mm of the beams' middle; state it: off_centre",
    Way.BOTH_PAIRS: "send the trailing edges as well: the mean of both is free of that drag",
    Way.CRYSTAL_OR_BEATS: "use a crystal, or measure the clock: chrono calibrate clock",
    Way.BEATS: "measure the board's clock: chrono calibrate clock",
    Way.CRYSTAL: "use a board with a crystal",
    Way.STANDARD: "compare the counter with a frequency standard",
    Way.EXCHANGE: "exchange the sensors to measure it: chrono calibrate swap",
    Way.INPUT_CAPTURE: "take the times by input capture, in ticks of 62.5 ns",
    Way.LESS_JITTER: "halve the jitter with a comparator or a faster sensor",
}


def advice_text(advice: Advice) -> str:
    """Return what to do."""
    degrees, mm = math.degrees(advice.reach), advice.reach * 1e3
    return WAYS[advice.way].format(mm=mm, degrees=degrees)
