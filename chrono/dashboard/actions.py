"""Everything the operator can do: one table for keys, footer, command palette and help."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Action:
    """
    One thing to do.

    Attributes
    ----------
    name : str
        The app's method is ``action_<name>``.
    key, shown_key : str
        The key as Textual names it and as people see it.
    label : str
        For the footer, one or two words.
    title, help : str
        For the command palette and the help screen.
    """

    name: str
    key: str
    shown_key: str
    label: str
    title: str
    help: str


ACTIONS = (
    Action(
        "new_setup",
        "n",
        "n",
        "Setup",
        "New setup",
        "Name the launch conditions that hold from the next shot on.",
    ),
    Action(
        "correct_setup",
        "i",
        "i",
        "Edit setup",
        "Show or correct the selected shot's setup",
        "Its name, conditions and body, for all shots of that setup.",
    ),
    Action(
        "set_aside",
        "a",
        "a",
        "Set aside",
        "Set the selected shot aside",
        "Keep it, but out of the statistics, with the reason.",
    ),
    Action(
        "count_again",
        "c",
        "c",
        "Count",
        "Count the selected shot",
        "Take a shot that was set aside or held into the statistics.",
    ),
    Action(
        "note",
        "t",
        "t",
        "Note",
        "Note on the selected shot",
        "Write down what you saw of this shot.",
    ),
    Action(
        "session_note",
        "T",
        "T",
        "Session note",
        "Note on the session",
        "Write down what concerns all shots.",
    ),
    Action(
        "hold",
        "h",
        "h",
        "Hold",
        "Hold on or off",
        "People near the gates: edges are recorded, shots are not counted.",
    ),
    Action(
        "undo",
        "z",
        "z",
        "Undo",
        "Take back what was said last",
        "Set aside, count, note, setup, hold: as if it had not been said.",
    ),
    Action(
        "pause",
        "space",
        "space",
        "Pause",
        "Pause or go on",
        "Hold the recorded time, or let it run on.",
    ),
    Action(
        "faster", "plus", "+", "Faster", "Replay faster", "Let the recorded time pass faster."
    ),
    Action(
        "slower",
        "minus",
        "-",
        "Slower",
        "Replay slower",
        "Let the recorded time pass more slowly.",
    ),
    Action(
        "next_shot",
        "full_stop",
        ".",
        "Next shot",
        "Go to the next shot",
        "Let the recorded time pass up to the next shot and pause there.",
    ),
    Action(
        "previous_shot",
        "comma",
        ",",
        "Shot before",
        "Go back to the shot before",
        "Let the recorded time be where the shot before the latest one came.",
    ),
    Action(
        "find",
        "slash",
        "/",
        "Find",
        "Find a shot",
        "Go to a shot by its number, or by part of its setup, a flag or its note.",
    ),
    Action("next_match", "x", "x", "Next", "Next shot found", "Go on to the next such shot."),
    Action(
        "previous_match",
        "X",
        "X",
        "Back",
        "Shot found before",
        "Go back to the last such shot before.",
    ),
    Action(
        "whole_shot",
        "enter",
        "Enter",
        "All of it",
        "All of the selected shot",
        "Its setup, flags and note, with nothing cut off.",
    ),
    Action(
        "motion",
        "m",
        "m",
        "Motion",
        "Energy, momentum, Mach number and range",
        "What the selected shot's speed means, and how far such a body would fly.",
    ),
    Action(
        "unit",
        "u",
        "u",
        "Unit",
        "Another unit of speed",
        "Show speeds in m/s, km/h, ft/s or mph in turn.",
    ),
    Action(
        "plot",
        "p",
        "p",
        "Plot",
        "Plot on or off",
        "Show the speed per shot, on a small screen in the place of the table.",
    ),
    Action(
        "histogram",
        "g",
        "g",
        "Histogram",
        "Histogram or speed by shot",
        "Show how often which speed came in this setup, in the place of the plot.",
    ),
    Action(
        "write_elsewhere",
        "w",
        "w",
        "Write elsewhere",
        "Write the recording to a second place",
        "When the disk is full or gone: go on in a new file that holds everything.",
    ),
    Action(
        "signal",
        "k",
        "k",
        "Signal",
        "Signal of a new shot",
        "None, a bell or a flash for each shot; it is remembered.",
    ),
    Action("shots", "s", "s", "Shots", "Shots", "Speeds, statistics and the table of shots."),
    Action(
        "far",
        "f",
        "f",
        "Far view",
        "Far view",
        "The last speed as large as the terminal, to be read from metres away.",
    ),
    Action(
        "comparison",
        "v",
        "v",
        "Compare",
        "Compare setups",
        "Is one faster, and how sure is that? Every shot, the means, the differences.",
    ),
    Action(
        "beams",
        "b",
        "b",
        "Beams",
        "Beams",
        "Gates, link and clock now: ready, or not ready because of what.",
    ),
    Action(
        "lab",
        "l",
        "l",
        "Error lab",
        "Error lab",
        "Try what tick, gates and clock do to the ±, beginning with these gates.",
    ),
    Action(
        "help", "question_mark", "?", "Help", "Help", "Keys, flags, cautions, and what ± means."
    ),
    Action("quit", "q", "q", "Quit", "Quit", "End the session; the recording is kept."),
)

GIVE_WAY = (
    "signal", "session_note", "lab", "motion", "previous_match", "histogram", "whole_shot",
    "comparison", "previous_shot", "slower", "unit", "correct_setup", "plot", "next_match",
    "count_again", "beams", "note", "faster", "next_shot", "shots", "find", "undo", "far",
    "set_aside",
)  # fmt: skip
"""Which keys leave a narrow screen's footer first; Help and the command palette keep them."""

REPLAY_ONLY = {"pause", "faster", "slower", "next_shot", "previous_shot"}
LIVE_ONLY = {"new_setup", "hold"}
"""A replay shows a recording as it was: what holds from now on has no place in it."""

RECORDS = {"correct_setup", "set_aside", "count_again", "note", "session_note"}
"""What the operator says of shots; with those of `LIVE_ONLY`, all that a recording takes."""
