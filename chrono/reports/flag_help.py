"""Explain each flag of a shot in one sentence: what it means, and what the user can do.

Each key is a name from `chrono.processor.shot_records.flag_words`.
"""

FLAG_HELP: dict[str, str] = {
    "lone-a": (
        "Only gate A was tripped: check that the path goes through both beams, and keep "
        "people, insects and sunlight out of gate A."
    ),
    "lone-b": (
        "Only gate B was tripped: check that the path goes through both beams, and that "
        "nothing blocks gate A or shines into gate A."
    ),
    "reversed": (
        "Something went through gate B before gate A: if it was a shot, the gates are "
        "swapped; if it was a person, use the action Hold while people are near the gates."
    ),
    "too-fast": (
        "The shot is faster than the rig's limit window.fastest: if you expect this speed, "
        "raise the limit; if not, look for noise that trips both gates."
    ),
    "too-slow": (
        "The shot is slower than the rig's limit window.slowest: if you expect this speed, for "
        "example with dropped balls, make the limit smaller; if a person walked through, do "
        "nothing."
    ),
    "short": (
        "The gates were blocked for less time than a body of the stated length needs: check "
        "body.length and the height of the beams, and if only a small piece passed."
    ),
    "long": (
        "The gates were blocked for more time than a body of the stated length needs: check "
        "body.length, and if a carrier was still attached to the body."
    ),
    "fragments": (
        "Many small pieces passed together: the body broke or scattered, so set the shot "
        "aside, and check the body and the launcher before the next shot."
    ),
    "companion": (
        "Another body or a carrier flew with the measured body: compare both speeds in the "
        "list; if the program measured the wrong body, set the shot aside."
    ),
    "flash": (
        "Light tripped both gates at the same moment: keep light from the launcher away from "
        "the gates; the body itself is recorded as another shot."
    ),
    "lead-only": (
        "Only the leading edges give the speed and its ± (with drag and off_centre): the ± "
        "may be wrong if one body overtook another and a trailing edge was hidden."
    ),
    "trail-only": (
        "Only the trailing edges give the speed and its ± (with drag and off_centre): the ± "
        "may be wrong if one body overtook another and a leading edge was hidden."
    ),
    "gap": (
        "Lines were lost during or near this shot (there is no speed if it is unclear which "
        "edges belong to which body): check the cable and the baud rate."
    ),
    "board-lost": (
        "At about this time, the board lost edges because too many edges came: remove the "
        "cause (flicker, chatter), or use a faster baud rate."
    ),
    "unsound": (
        "No pair of edges is exact enough (error above 1 % of the transit), because a gate "
        "bounced or the board was late: make the comparators' hysteresis larger, or shade the "
        "gates."
    ),
    "ambiguous": (
        "There is no speed, because other passages fit the body better than the first passage "
        "of each gate (perhaps a body overtook another): keep wads and carriers out of the "
        "beams."
    ),
    "flicker": (
        "The light of a lamp may have caused an edge of this shot, so the shot is not counted: "
        "keep the lamp's light out of the gates."
    ),
}
