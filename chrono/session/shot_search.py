"""Find shots by their number, or by words in their setup, flags or notes."""

import numpy as np

from chrono.arrays.array_types import Places
from chrono.processor.shot_records import Flag, flag_words
from chrono.session.session import Session

FLAG_WORDS = {int(flag): flag_words(int(flag))[0] for flag in Flag}


def find_shots(session: Session, text: str) -> Places:
    """
    Return the positions of all finished shots that match a search text, in order.

    Parameters
    ----------
    session : Session
    text : str
        The number of a shot, or a part of its setup name, of a flag or of its note. Upper and
        lower case make no difference.

    Returns
    -------
    ndarray of intp, shape (N,)
        Places of the shots in the log, counted from 0.
    """
    log, wanted = session.log, text.strip().casefold()
    if not wanted or not len(log):
        return np.zeros(0, np.intp)
    if wanted.isdecimal():
        number = int(wanted[:18])
        return np.array([number - 1] if 0 < number <= len(log) else [], np.intp)
    setups = [wanted in setup.name.casefold() for setup in session.setups.all()]
    found = np.array(setups)[log.setup]
    flags = sum(flag for flag, word in FLAG_WORDS.items() if wanted in word)
    if flags:
        found |= (log.shots["flags"] & np.uint32(flags)) != 0
    for place, note in session.marks.at(log.shots["key"]).noted().items():
        found[place] |= wanted in note.casefold()
    return np.flatnonzero(found)
