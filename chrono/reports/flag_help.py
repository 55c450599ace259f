"""What each flag of a shot means and what to do, one sentence each.

The one source of the dashboard's help and of the table in DEVELOPERS.md; keyed by the words
that `chrono.processor.shot_records.flag_words` gives.
"""

FLAG_HELP: dict[str, str] = {
    "lone-a": (
        "Only gate A was tripped: check that the path goes through both beams, and keep "
        "people, insects and sunlight out of gate A."
    ),
    "lone-b": (
        "Only gate B was tripped: check that the path goes through both beams, and that "
        "nothing blocks gate A or shines into it."
    ),
    "reversed": (
        "Something went through gate B before gate A: if it was a shot, the gates are "
        "swapped; if it was a person, use hold while people walk there."
    ),
    "too-fast": (
        "The transit is shorter than the rig's window.fastest allows: raise it if you expect "
        "such speeds, otherwise look for noise that trips both gates."
    ),
    "too-slow": (
        "The transit is longer than the rig's window.slowest allows: lower it if you expect "
        "such speeds, as in drops; if a person walked through, do nothing."
    ),
    "short": (
        "The gates were blocked for a shorter time than by the declared body: check "
        "body.length, the height of the beams, and whether only a splinter passed."
    ),
    "long": (
        "The gates were blocked for a longer time than by the declared body: check "
        "body.length, and whether a carrier was still attached to the body."
    ),
    "fragments": (
        "Many short passages came at once: the body broke or scattered, so set the shot "
        "aside and look at the body and the launcher before the next one."
    ),
    "companion": (
        "Another body or a carrier flew with the main body: compare the two listed speeds, "
        "and set the shot aside if the program chose the wrong body as the main body."
    ),
    "flash": (
        "Light tripped both gates at the same moment: shade the gates from the muzzle; the "
        "body that follows is a separate shot."
    ),
    "lead-only": (
        "Only the leading edges gave the speed: the ± allows for drag and off_centre, but may "
        "be wrong if a companion hid a trailing edge and one body overtook the other there."
    ),
    "trail-only": (
        "Only the trailing edges gave the speed: the ± allows for drag and off_centre, but may "
        "be wrong if a companion hid a leading edge and one body overtook the other there."
    ),
    "gap": (
        "Lines were lost on the way to the computer in or near this shot, and it has no speed "
        "if its edges cannot be assigned to bodies: check the cable and the baud rate."
    ),
    "board-lost": (
        "The board had to drop edges at about this time: remove the cause of so many edges "
        "(flicker, chatter), or use a faster baud rate."
    ),
    "unsound": (
        "No pair of edges can be timed to a hundredth of the transit, because a gate bounced "
        "or the board was late: give the comparators more hysteresis or shade the gates."
    ),
    "ambiguous": (
        "Other passages fit the body better than the pair that came first, as when one body "
        "overtakes another, so there is no speed: keep wads and carriers out of the beams."
    ),
    "flicker": (
        "The light of a lamp may have set an edge of this shot, so it is not counted: keep the "
        "lamp's light out of the gates."
    ),
}
