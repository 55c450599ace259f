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
        "The transit is too short for the rig's limit window.fastest: raise this limit if you "
        "expect this speed; if not, look for noise that trips both gates."
    ),
    "too-slow": (
        "The shot is slower than the rig's limit window.slowest: if you expect this speed, for "
        "example with dropped balls, make the limit smaller; if a person walked through, do "
        "nothing."
    ),
    "short": (
        "The gates were blocked for less time than the declared body needs: check "
        "body.length, the height of the beams, and whether only a splinter passed."
    ),
    "long": (
        "The gates were blocked for more time than the declared body needs: check "
        "body.length, and whether a carrier was still attached to the body."
    ),
    "fragments": (
        "Many small pieces passed together: the body broke or scattered, so set the shot "
        "aside, and check the body and the launcher before the next shot."
    ),
    "companion": (
        "Another body or a carrier flew with the main body: compare the two listed speeds; "
        "if the program chose the wrong main body, set the shot aside."
    ),
    "flash": (
        "Light tripped both gates at the same moment: keep light from the launcher away from "
        "the gates; the body itself is recorded as another shot."
    ),
    "lead-only": (
        "The speed and its ± (with drag and off_centre) come only from the leading edges: the "
        "± may be wrong if a companion hid a trailing edge while one body overtook another."
    ),
    "trail-only": (
        "The speed and its ± (with drag and off_centre) come only from the trailing edges: the "
        "± may be wrong if a companion hid a leading edge while one body overtook another."
    ),
    "gap": (
        "Lines were lost during or near this shot, and the shot has no speed if its edges "
        "cannot be assigned to bodies: check the cable and the baud rate."
    ),
    "board-lost": (
        "At about this time, the board lost edges because too many edges came: remove the "
        "cause (flicker, chatter), or use a faster baud rate."
    ),
    "unsound": (
        "No pair of edges is good enough, because a gate bounced or the board was late (error "
        "above 1 % of the transit): make the comparators' hysteresis larger, or shade the "
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
