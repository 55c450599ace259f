"""The setups of a session as launches, for what happens before the gates and after them."""

from collections.abc import Sequence

from chrono.errors import OptionError
from chrono.measuring.launch import Launch, launch_of
from chrono.plain import plain
from chrono.session.session import Session


def launches_of(session: Session, setups: Sequence[str] = ()) -> list[Launch]:
    """
    Return one more shot of each setup as a launch, in order of first use.

    Parameters
    ----------
    session : Session
        Read whole, or as far as it has come.
    setups : sequence of str, optional
        Only these.

    Raises
    ------
    OptionError
        A setup has no counted shots, or there are none at all.
    """
    wanted = setups or session.setups.names
    series = [(name, session.series(name)) for name in wanted]
    found = [
        launch_of(each, session.rig, session.setups.last(name).body, name)
        for name, each in series
        if each is not None
    ]
    lacking = next((name for name, each in series if each is None and setups), None)
    if lacking is not None or not found:
        known = ", ".join(f'"{plain(n)}"' for n in session.setups.names if n) or "no setup"
        what = "no counted shots" if lacking is None else f'no counted shots of "{lacking}"'
        raise OptionError(f"there are {what}", hint=f"its setups are: {known}")
    return found
