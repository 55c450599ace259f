"""The operator's actions: one table for keys, key bar, command palette and help.

Each action states in which situation it is possible. Only this table decides it. If an action
is not possible, its key is not shown and does nothing.
"""

from collections.abc import Callable
from dataclasses import dataclass

SCREENS = ("shots", "far", "comparison", "beams", "help")
"""The screens of a run; each screen has its own key."""


@dataclass(frozen=True)
class Situation:
    """
    The facts that decide which actions are possible.

    Attributes
    ----------
    screen : str
        One of `SCREENS`; "lab" while the error lab is in front; empty while a recording is
        read.
    live : bool
        A board is being clocked.
    replayed : bool
        A recording is replayed with its recorded time.
    finished : bool
        No more data will come.
    takes_records : bool
        The operator's entries can be stored.
    undoable : bool
        The operator can undo an entry.
    sought : bool
        The operator has searched for a shot.
    disk_trouble : bool
        The recording cannot be written on its disk.
    has_analog : bool
        The board measures the light of its sensors.
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
    An action that the operator can do.

    Attributes
    ----------
    name : str
        Name of the method ``action_<name>``. The application has the method; for the group
        "shot", the screen with the shot has it.
    key : str
        Name of the key in Textual.
    label : str
        Text in the key bar, one or two words.
    title, help : str
        Texts in the command palette and on the help screen.
    group : str
        Subject of the action: "shot", "live", "replay" or "session".
    when : callable
        Function that returns whether the action is possible on one of its screens.
    screens : tuple of str
        Screens on which the action is possible.
    rank : int
        The key bar shows the possible actions with the highest ranks.
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
        """Return whether the action can be done now."""
        return now.screen in self.screens and self.when(now)

    @property
    def sign(self) -> str:
        """The name of the key on the screen."""
        return self.shown_key or self.key


GROUPS = {
    "live": "While you clock",
    "shot": "The shot under the cursor, or the last shot in the Far view",
    "replay": "In a replay",
    "session": "Session and screens",
}
"""Headings of the groups of actions."""

ON_SHOTS = ("shots",)
WITH_A_SHOT = ("shots", "far")
"""Screens on which one shot can be marked: the selected shot, or the last shot."""


def _clocking(now: Situation) -> bool:
    """Return whether a board is being clocked, so that future shots are possible."""
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
           "Name the launch conditions from the next shot on.", "live", _clocking,
           rank=27),
    Action("correct_setup", "i", "Edit setup", "Show or correct the selected shot's setup",
           "Change name, conditions and body for all shots of that setup.",
           "shot", _takes_records, ON_SHOTS, rank=12),
    Action("set_aside", "a", "Set aside", "Set the selected shot aside",
           "Keep the shot, but do not count it; give the reason.",
           "shot", _takes_records, WITH_A_SHOT, rank=26),
    Action("count_again", "c", "Count", "Count the selected shot",
           "Count a shot that was set aside or held.",
           "shot", _takes_records, WITH_A_SHOT, rank=15),
    Action("note", "t", "Note", "Note on the selected shot",
           "Write down what you saw of this shot.", "shot", _takes_records, WITH_A_SHOT,
           rank=23),
    Action("session_note", "T", "Session note", "Note on the session",
           "Write a note about all shots.", "session", _takes_records, rank=2),
    Action("hold", "h", "Hold", "Hold on or off",
           "People near the gates: edges are recorded, shots are not counted.",
           "live", _clocking, rank=30),
    Action("tone", "o", "Tone", "Tone for aligning a beam",
           "Choose gate A, gate B or no tone. The bell rings faster if the margin is larger.",
           "live", lambda now: now.has_analog, ("beams",), rank=28),
    Action("undo", "z", "Undo", "Undo the last entry",
           "Undo the last set aside, count, note, setup or hold.",
           "session", lambda now: now.undoable, rank=17),
    Action("pause", "space", "Pause", "Pause or play",
           "Stop the recorded time, or continue.", "replay", _playing, rank=29),
    Action("faster", "plus", "Faster", "Replay faster",
           "Make the recorded time run faster.", "replay", _playing, shown_key="+", rank=18),
    Action("slower", "minus", "Slower", "Replay slower",
           "Make the recorded time run slower.",
           "replay", _playing, shown_key="-", rank=10),
    Action("next_shot", "full_stop", "Next shot", "Go to the next shot",
           "Play to the next shot, then pause.",
           "replay", _playing, shown_key=".", rank=25),
    Action("previous_shot", "comma", "Prev. shot", "Go to the previous shot",
           "Go back to the shot before the latest shot, then pause.",
           "replay", lambda now: now.replayed, shown_key=",", rank=9),
    Action("find", "slash", "Find", "Find a shot",
           "Go to a shot by its number, or by part of its setup, a flag or its note.",
           "shot", screens=ON_SHOTS, shown_key="/", rank=22),
    Action("next_match", "x", "Next", "Next match",
           "Go to the next found shot.", "shot", _sought, ON_SHOTS, rank=14),
    Action("previous_match", "X", "Back", "Previous match",
           "Go back to the previous found shot.", "shot", _sought, ON_SHOTS, rank=5),
    Action("whole_shot", "enter", "Details", "All details of the selected shot",
           "Show its full setup, flags and note.",
           "shot", screens=ON_SHOTS, shown_key="Enter", rank=7),
    Action("motion", "m", "Motion", "Energy, momentum, Mach number and range",
           "Show these values for the selected shot, and how far the body would fly.",
           "shot", screens=ON_SHOTS, rank=4),
    Action("unit", "u", "Unit", "Another unit of speed",
           "Show speeds in m/s, km/h, ft/s or mph in turn.",
           "session", screens=("shots", "far", "comparison"), rank=11),
    Action("plot", "p", "Plot", "Plot on or off",
           "Show the speed of each shot; on a small screen, instead of the table.",
           "shot", screens=ON_SHOTS, rank=13),
    Action("histogram", "g", "Histogram", "Histogram or speed by shot",
           "Show how often each speed occurred in this setup, instead of the plot.",
           "shot", screens=ON_SHOTS, rank=6),
    Action("write_elsewhere", "w", "Write elsewhere", "Write the recording to another place",
           "If the disk is full or missing: continue in a new file with all the data.",
           "session", lambda now: now.disk_trouble, rank=34),
    Action("signal", "k", "Signal", "Signal of a new shot",
           "Choose no signal, a bell or a flash. The choice is saved.",
           "session", lambda now: not now.finished, rank=1),
    Action("shots", "s", "Shots", "Shots",
           "Show speeds, statistics and the table of shots.",
           "session", screens=_others("shots"), rank=31),
    Action("far", "f", "Far view", "Far view",
           "Show the last speed as large as possible, readable from metres away.",
           "session", screens=_others("far"), rank=24),
    Action("comparison", "v", "Compare", "Compare setups",
           "Is a setup faster, and how sure is this? Shows shots, means and differences.",
           "session", screens=_others("comparison"), rank=8),
    Action("beams", "b", "Beams", "Beams",
           "Show whether gates, link and clock are ready, or why not.",
           "session", screens=_others("beams"), rank=16),
    Action("lab", "l", "Error lab", "Error lab",
           "See how tick, gates and clock change the ±, starting with these gates.",
           "session", rank=3),
    Action("help", "question_mark", "Keys", "Help",
           "Explains keys, flags, cautions and the ±.",
           "session", screens=_others("help"), shown_key="?", rank=32),
    Action("quit", "q", "Quit", "Quit",
           "End the session; the recording is kept.", "session", screens=("", *SCREENS),
           rank=33),
)
# fmt: on

ACTION = {action.name: action for action in ACTIONS}
