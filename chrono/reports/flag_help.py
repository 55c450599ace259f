"""What each flag of a shot means and what to do, one sentence each.

The one source of the dashboard's help and of the table in DEVELOPERS.md; keyed by the words
that `chrono.processor.shot_records.flag_words` gives.
"""

FLAG_HELP: dict[str, str] = {
    "lone-a": (
        "Only gate A was tripped: check that the path runs through both beams, or wait for "
        "people, insects and sunlight to leave gate A alone."
    ),
    "lone-b": (
        "Only gate B was tripped: check that the path runs through both beams and that gate A "
        "is neither blocked nor blinded."
    ),
    "reversed": (
        "Something went through gate B before gate A: if it was a shot, the gates are "
        "swapped; if somebody walked through, put the session on hold meanwhile."
    ),
    "too-fast": (
        "The transit is shorter than the rig's window.fastest allows: raise it if you expect "
        "such speeds, otherwise look for noise that trips both gates."
    ),
    "too-slow": (
        "The transit is longer than the rig's window.slowest allows: lower it if you expect "
        "such speeds, as of drops; otherwise a person walked through and there is nothing to "
        "do."
    ),
    "short": (
        "The gates were blocked for less than the declared body would: check body.length, "
        "the height of the beams on the body, and that it was no splinter."
    ),
    "long": (
        "The gates were blocked for longer than the declared body would: check body.length, "
        "and whether a carrier still clung to the body."
    ),
    "fragments": (
        "Many short passages came at once: the body broke or scattered, so set the shot "
        "aside and look at the body and the launcher before the next one."
    ),
    "companion": (
        "A further body or carrier flew with the main one: compare its listed speed and set "
        "the shot aside if the wrong one was taken for the main body."
    ),
    "flash": (
        "Both gates tripped at the same moment, which is light, not a body: shade the gates "
        "from the muzzle; the body that follows is a shot of its own."
    ),
    "lead-only": (
        "Only the leading edges gave the speed: its ± allows for drag and off_centre, but if "
        "a companion's shadow hid a trailing one, it holds only if neither overtook the other "
        "there."
    ),
    "trail-only": (
        "Only the trailing edges gave the speed: its ± allows for drag and off_centre, but if "
        "a companion's shadow hid a leading one, it holds only if neither overtook the other "
        "there."
    ),
    "gap": (
        "Lines were lost between the board and the computer in this shot or near it, and it "
        "has no speed if they hide which edges belong to which body: check cable and baud rate."
    ),
    "board-lost": (
        "The board had to drop edges about this time: remove what trips the gates so often "
        "(flicker, chatter), or use a faster baud rate."
    ),
    "unsound": (
        "No pair of edges can be timed to a hundredth of the transit, because a gate bounced "
        "for long or the board sent edges late: give the comparators more hysteresis or shade "
        "the gates."
    ),
    "ambiguous": (
        "Other passages fit the declared body better than those paired first, as when bodies "
        "overtake each other, so it has no speed: keep wads and carriers out of the beams."
    ),
    "flicker": (
        "The light of a lamp may have set an edge of this shot, so it is not counted: keep the "
        "lamp's light out of the gates."
    ),
}
