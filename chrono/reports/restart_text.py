"""Why the board restarted, in words, and what to do about it."""

from collections.abc import Mapping

from chrono.arrays.events import RestartCause

_WORDS = {
    RestartCause.POWER: "as its power came back",
    RestartCause.BROWN_OUT: "as its supply voltage was too low",
    RestartCause.WATCHDOG: "by its watchdog",
    RestartCause.RESET_PIN: "by its reset pin",
    RestartCause.UNKNOWN: "for an unknown cause",
}
_ADVICE = {
    RestartCause.POWER: "check the USB plug and cable: the power was gone for a moment",
    RestartCause.BROWN_OUT: "take load off the board's 5 V; use a shorter USB cable",
    RestartCause.WATCHDOG: "its program was stuck: keep sparks and igniters away from it",
    RestartCause.RESET_PIN: "the button, or another program that opened the port: close it",
}
GENERAL_ADVICE = "check the board's supply and its reset line"


def cause_words(causes: Mapping[RestartCause, int]) -> str:
    """
    Return how often each cause restarted the board, such as ``2 by its watchdog``.

    Parameters
    ----------
    causes : mapping of RestartCause to int
        Number of restarts by cause. Those without a reported cause are left out.
    """
    return ", ".join(f"{causes[c]} {words}" for c, words in _WORDS.items() if causes.get(c))


def restart_advice(causes: Mapping[RestartCause, int]) -> str:
    """Return advice on the most frequent cause; causes without advice are skipped."""
    known = [cause for cause in _ADVICE if causes.get(cause)]
    if not known:
        return GENERAL_ADVICE
    return _ADVICE[max(known, key=lambda cause: causes[cause])]
