"""This table lists all actions that the operator can do with a key or a command.

An action is possible only if this table allows the action. If an action is not possible, the
screen does not show its key, and the key does nothing.
"""

from collections.abc import Callable
from dataclasses import dataclass

SCREENS = ("shots", "far", "comparison", "beams", "help")
"""Names of the screens; each screen has its own key."""


@dataclass(frozen=True)
class Situation:
    """
    The facts about the program's state that decide which actions are possible.

    Attributes
    ----------
    screen : str
        Name of the open screen: one of `SCREENS`, or "lab" for the error lab. Empty while a
        recording is being loaded.
    live : bool
        The data come from a board, not from a recording.
    replayed : bool
        A recording is replayed; the replay can be paused.
    finished : bool
        No more data will come.
    takes_records : bool
        The operator's entries can be stored.
    undoable : bool
        The operator can undo an entry.
    sought : bool
        The operator has searched for a shot.
    disk_trouble : bool
        The recording cannot be written to its disk.
    has_analog : bool
        The board measures the light at its sensors.
    """

    screen: str = ""
    live: bool = False
    replayed: bool = False
    finished: bool = False
    takes_records: bool = False
    undoable: bool = False
    sought: bool = False
    disk_trouble: bool = False
    has_analog: bool = False


@dataclass(frozen=True)
class Action:
    """
    An action that the operator can do with a key or a command.

    Attributes
    ----------
    name : str
        Name of the action. The method ``action_<name>`` of the application does the action.
        For the group "shot", the method belongs to the screen with the shot.
    key : str
        Name of the key in Textual.
    label : str
        Text in the key bar, one or two words.
    title, help : str
        Texts in the command palette and on the help screen.
    group : str
        Subject of the action: "shot", "live", "replay" or "session".
    when : callable
        Function that returns True if the action is possible in a given situation.
    screens : tuple of str
        Screens on which the action is possible.
    rank : int
        Importance of the action. The key bar shows the possible actions with the highest ranks.
    shown_key : str
        Name of the key on the screen; empty if it is the same as `key`.
    """

    name: str
    key: str
    label: str
    title: str
    help: str
    group: str
    when: Callable[[Situation], bool] = lambda now: True
    screens: tuple[str, ...] = SCREENS
    rank: int = 0
    shown_key: str = ""

    def possible(self, now: Situation) -> bool:
        """Return whether the operator can do this action now."""
        return now.screen in self.screens and self.when(now)

    @property
    def sign(self) -> str:
        """The name of the action's key, as the screen shows it."""
        return self.shown_key or self.key


GROUPS = {
    "live": "While you clock",
    "shot": "The selected shot (in the Far view, the last shot)",
    "replay": "In a replay",
    "session": "Session and screens",
}
"""Heading of each group of actions."""

ON_SHOTS = ("shots",)
WITH_A_SHOT = ("shots", "far")
"""Screens on which the operator can mark one shot: the selected shot or the last shot."""


def _clocking(now: Situation) -> bool:
    """Return whether a board is connected that can still send new shots."""
    return now.live and not now.finished


def _playing(now: Situation) -> bool:
    return now.replayed and not now.finished


def _takes_records(now: Situation) -> bool:
    return now.takes_records


def _sought(now: Situation) -> bool:
    return now.sought


def _others(screen: str) -> tuple[str, ...]:
    return tuple(name for name in SCREENS if name != screen)


# fmt: off
ACTIONS = (
    Action("new_setup", "n", "Setup", "New setup",
           "Give a name to the launch conditions of the next shots.", "live", _clocking,
           rank=27),
    Action("correct_setup", "i", "Edit setup", "Show or correct the setup of the selected shot",
           "Change the name, conditions or body of a setup. All its shots change too.",
           "shot", _takes_records, ON_SHOTS, rank=12),
    Action("set_aside", "a", "Set aside", "Set the selected shot aside",
           "Keep the shot, but do not count it. Enter the reason.",
           "shot", _takes_records, WITH_A_SHOT, rank=26),
    Action("count_again", "c", "Count", "Count the selected shot",
           "Count a shot that you set aside, or that came during Hold.",
           "shot", _takes_records, WITH_A_SHOT, rank=15),
    Action("note", "t", "Note", "Note on the selected shot",
           "Write a note about the selected shot.", "shot", _takes_records, WITH_A_SHOT,
           rank=23),
    Action("session_note", "T", "Session note", "Note on the session",
           "Write a note about the whole session.", "session", _takes_records, rank=2),
    Action("hold", "h", "Hold", "Start or end Hold (no shots counted)",
           "Use this if people are near the gates. Shots are recorded, but not counted.",
           "live", _clocking, rank=30),
    Action("tone", "o", "Tone", "A tone that helps to align a beam",
           "Choose gate A, gate B or no tone. More light gives more beeps.",
           "live", lambda now: now.has_analog, ("beams",), rank=28),
    Action("undo", "z", "Undo", "Undo the last entry",
           "Undo your last entry: Set aside, Count, Note, Setup or Hold.",
           "session", lambda now: now.undoable, rank=17),
    Action("pause", "space", "Pause", "Pause or play",
           "Pause the replay, or continue it.", "replay", _playing, rank=29),
    Action("faster", "plus", "Faster", "Replay faster",
           "Make the replay faster.", "replay", _playing, shown_key="+", rank=18),
    Action("slower", "minus", "Slower", "Replay slower",
           "Make the replay slower.",
           "replay", _playing, shown_key="-", rank=10),
    Action("next_shot", "full_stop", "Next shot", "Go to the next shot",
           "Play to the next shot, then pause.",
           "replay", _playing, shown_key=".", rank=25),
    Action("previous_shot", "comma", "Prev. shot", "Go to the previous shot",
           "Go back by one shot, then pause.",
           "replay", lambda now: now.replayed, shown_key=",", rank=9),
    Action("find", "slash", "Find", "Find a shot",
           "To find a shot, type its number or a part of its setup, flags or note.",
           "shot", screens=ON_SHOTS, shown_key="/", rank=22),
    Action("next_match", "x", "Next", "Next match",
           "Go to the next shot that contains the search text.",
           "shot", _sought, ON_SHOTS, rank=14),
    Action("previous_match", "X", "Back", "Previous match",
           "Go back to the previous shot that contains the search text.",
           "shot", _sought, ON_SHOTS, rank=5),
    Action("whole_shot", "enter", "Details", "All details of the selected shot",
           "Show the full setup, all flags and the note of the shot.",
           "shot", screens=ON_SHOTS, shown_key="Enter", rank=7),
    Action("motion", "m", "Motion", "Energy, momentum, Mach number and range",
           "Show how much energy and momentum the body has, and how far it would fly.",
           "shot", screens=ON_SHOTS, rank=4),
    Action("unit", "u", "Unit", "Another unit of speed",
           "Change the unit of speed: m/s, km/h, ft/s or mph.",
           "session", screens=("shots", "far", "comparison"), rank=11),
    Action("plot", "p", "Plot", "Plot on or off",
           "Show a plot of the speeds. On a small screen, the plot replaces the table.",
           "shot", screens=ON_SHOTS, rank=13),
    Action("histogram", "g", "Histogram", "Plot a histogram or each shot",
           "Show how often each speed occurred in this setup.",
           "shot", screens=ON_SHOTS, rank=6),
    Action("write_elsewhere", "w", "Write elsewhere", "Write the recording to another file",
           "If the disk is full or missing, continue in a new file that contains all the data.",
           "session", lambda now: now.disk_trouble, rank=34),
    Action("signal", "k", "Signal", "Bell or flash",
           "Choose a bell, a flash or no signal for new shots. Your choice is saved.",
           "session", lambda now: not now.finished, rank=1),
    Action("shots", "s", "Shots", "Shots",
           "Show speeds, statistics and the table of shots.",
           "session", screens=_others("shots"), rank=31),
    Action("far", "f", "Far view", "Far view",
           "Show the last speed very large, so that you can read it from far away.",
           "session", screens=_others("far"), rank=24),
    Action("comparison", "v", "Compare", "Compare setups",
           "Compare the mean speeds of the setups. Is one setup really faster?",
           "session", screens=_others("comparison"), rank=8),
    Action("beams", "b", "Beams", "Beams",
           "Check if the gates, the connection and the clock are ready.",
           "session", screens=_others("beams"), rank=16),
    Action("lab", "l", "Error lab", "Error lab",
           "See how the gates and the clock change the ±. The lab starts with your gates.",
           "session", rank=3),
    Action("help", "question_mark", "Keys", "Help",
           "Explain the keys, the flags, the safety warnings and the ±.",
           "session", screens=_others("help"), shown_key="?", rank=32),
    Action("quit", "q", "Quit", "Quit",
           "End the session. The recording is kept.", "session", screens=("", *SCREENS),
           rank=33),
)
# fmt: on

ACTION = {action.name: action for action in ACTIONS}
