"""Reading where shots landed: options such as ``7=31.2 ± 0.1 m``, and the shots they name."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

from chrono.commands.given import Told, quantity
from chrono.errors import OptionError

if TYPE_CHECKING:
    from chrono.measuring.flights import Landing
    from chrono.measuring.launch import Launch
    from chrono.session.session import Session
    from chrono.session.shotlog import ShotRow

WHERE = "--landed"


def landings_of(texts: Sequence[str], told: Told) -> "tuple[Launch, list[Landing]]":
    """
    Return the landings that options tell, and the launch whose body they are of.

    Raises
    ------
    OptionError
        A shot is not there, is not counted, is named twice or is of another body; or a text
        is no landing.
    """
    if told.session is None:
        return _stated(texts, told.launches[0])
    shots = [_split(text) for text in texts]
    numbers = [number for number, _ in shots]
    twice = next((n for n in numbers if numbers.count(n) > 1), None)
    if twice is not None:
        raise _trouble(f"shot {twice} lands twice", "name each shot once")
    rows = [_row(told.session, number) for number in numbers]
    launch = _one_body([_launch(told.launches, row) for row in rows])
    landings = [
        _landing(row.number, row.speed_mps, row.u_random_mps, reach)
        for row, (_, reach) in zip(rows, shots, strict=True)
    ]
    return launch, landings


def _stated(texts: Sequence[str], launch: "Launch") -> "tuple[Launch, list[Landing]]":
    u = launch.speed[0].input.u
    return launch, [_landing(0, launch.mean_mps, u, text) for text in texts]


def _landing(number: int, speed_mps: float, u_mps: float, text: str) -> "Landing":
    from chrono.measuring.flights import Landing

    reach = quantity("range", text, "m", WHERE, high=1e5)
    return Landing(number, speed_mps, u_mps, reach.value, reach.input.u)


def _split(text: str) -> tuple[int, str]:
    number, sign, reach = text.partition("=")
    if not sign or not number.strip().isdecimal():
        raise _trouble(f'"{text}" names no shot', 'write its number first, "7=31.2 m"')
    return int(number), reach


def _row(session: "Session", number: int) -> "ShotRow":
    shots = len(session.log)
    if not 1 <= number <= shots:
        raise _trouble(f"there is no shot {number}", f"name one from 1 to {shots}")
    row = next(session.rows_of(slice(number - 1, number)))
    if not row.counted:
        raise _trouble(f"shot {number} is not counted", "name counted shots, or count it again")
    return row


def _launch(launches: "Sequence[Launch]", row: "ShotRow") -> "Launch":
    for launch in launches:
        if launch.name == row.setup:
            return launch
    raise _trouble(
        f"shot {row.number} is of another setup", "name shots of the setup that is chosen"
    )


def _one_body(launches: "Sequence[Launch]") -> "Launch":
    if len({launch.body for launch in launches}) > 1:
        raise _trouble("these shots are of different bodies", "name shots of one body")
    return launches[0]


def _trouble(what: str, hint: str) -> OptionError:
    return OptionError(what, where=WHERE, hint=hint)
