"""Write in words why the board restarted, and what the user can do about it."""

from collections.abc import Mapping

from chrono.arrays.events import RestartCause

_WORDS = {
    RestartCause.POWER: "because its power was interrupted",
    RestartCause.BROWN_OUT: "because its supply voltage was too low",
    RestartCause.WATCHDOG: "by its watchdog",
    RestartCause.RESET_PIN: "by its reset pin",
    RestartCause.UNKNOWN: "for an unknown reason",
}
_ADVICE = {
    RestartCause.POWER: "check the USB plug and cable: the power was gone for a moment",
    RestartCause.BROWN_OUT: "connect fewer devices to the board's 5 V; use a shorter USB cable",
    RestartCause.WATCHDOG: (
        "the board's program was stuck: keep sparks and igniters away from the board"
    ),
    RestartCause.RESET_PIN: (
        "do not press the reset button; close other programs that use the port"
    ),
}
GENERAL_ADVICE = "check the board's power supply and its reset line"


def cause_words(causes: Mapping[RestartCause, int]) -> str:
    """
    Return how often each cause restarted the board, such as ``2 by its watchdog``.

    Parameters
    ----------
    causes : mapping of RestartCause to int
        Number of restarts by cause. Restarts without a reported cause are left out.
    """
    return ", ".join(f"{causes[c]} {words}" for c, words in _WORDS.items() if causes.get(c))


def restart_advice(causes: Mapping[RestartCause, int]) -> str:
    """Return advice on the most frequent cause of restarts for which advice exists."""
    known = [cause for cause in _ADVICE if causes.get(cause)]
    if not known:
        return GENERAL_ADVICE
    return _ADVICE[max(known, key=lambda cause: causes[cause])]
