"""Write a comparison of setups as lines for a terminal, and as an object for JSON.

The text begins with the answer and at most two reasons for doubt. For at most three setups,
a paragraph about each pair follows; for more setups, a table of differences.
"""

from collections.abc import Callable, Sequence
from typing import Any

from chrono.measuring.scatter import LEAST_FOR_RATIO
from chrono.measuring.setup_comparison import (
    MOST_SHOTS,
    RISK,
    Comparison,
    Difference,
    Group,
    MoreShots,
    PairComparison,
    SpreadVerdict,
    Verdict,
)
from chrono.reports.launch_text import COLUMNS, filled
from chrono.reports.rig_text import rigs_taken_data, rigs_taken_text
from chrono.reports.setup_words import count_text, two_digits
from chrono.reports.statistics_text import drift_text, finite, table_lines, which_shots
from chrono.safe_text import plain, shortened
from chrono.session.pooled_samples import RigBasis, RigsTaken
from chrono.units import format_value, significant_decimals, speed_in

MOST_PARAGRAPHS = 3
"""With more setups than this, a table of differences replaces the paragraphs."""
MOST_REASONS = 2
SHOWN_NAMES = 4
SHOWN_CHANGES = 4
LONGEST_NAME = 40
"""In a sentence, a longer name of a setup is shortened; the table shows the whole name."""


def comparison_text(
    found: Comparison, unit: str, rigs: RigsTaken | None = None, damaged_lines: int = 0
) -> str:
    """
    Return a comparison of setups as text with words and numbers.

    Parameters
    ----------
    found : Comparison
    unit : str
        Unit of speeds.
    rigs : RigsTaken, optional
        Which recordings count as made with one rig.
    damaged_lines : int, optional
        Number of lines of the recordings that are damaged or lost.
    """
    rows = [
        (name, group.series) for name, group in zip(names(found), found.groups, strict=True)
    ]
    lines = in_columns(headline_lines(found, unit, damaged_lines))
    lines += [""] if lines else []
    lines += table_lines(rows, unit) + in_columns(suspicious_lines(found))
    for block in pair_blocks(found, unit, rigs):
        lines += ["", *in_columns(block)]
    if is_matrix(found):
        lines += ["", *matrix_lines(found, unit), *in_columns(many_lines(found))]
    notes = note_lines(found, unit, rigs)
    return "\n".join([*lines, *([""] if notes else []), *in_columns(notes)])


def is_matrix(found: Comparison) -> bool:
    """Return True if there are too many setups to write a paragraph for each pair of setups."""
    return len(found.groups) > MOST_PARAGRAPHS


def names(found: Comparison) -> list[str]:
    """Return the names of the setups; for a table of differences, each name has a number."""
    numbered = is_matrix(found)
    return [
        f"{place} {group.name}" if numbered else group.name
        for place, group in enumerate(found.groups, 1)
    ]


def in_columns(lines: Sequence[str]) -> list[str]:
    """Break sentences into lines that fit a terminal, and keep the indent of each sentence."""
    found = []
    for line in lines:
        indent = len(line) - len(line.lstrip())
        found += filled(line.lstrip(), indent) or [""]
    return found


def _name(group: Group) -> str:
    return shortened(plain(group.name), LONGEST_NAME)


def headline_lines(found: Comparison, unit: str, damaged_lines: int = 0) -> list[str]:
    """Return a sentence that names the fastest setup, and at most two reasons for doubt."""
    if len(found.groups) < 2:
        return []
    if not found.judged:
        return [f"The setups cannot be compared yet: {_no_judgement(found.pairs[0])}."]
    changing = _changing_reasons(found)
    reasons = [
        *_drift_reasons(found),
        *changing,
        *_damage_reasons(damaged_lines),
        *([] if changing else _suspicious_reasons(found)),
    ]
    return [_answer(found, unit), *(f"Doubt: {each}" for each in reasons[:MOST_REASONS])]


def _answer(found: Comparison, unit: str) -> str:
    """Name the fastest setup in a sentence, or say that the shots do not show a fastest one."""
    compared = _compared(found)
    if found.fastest is not None:
        group, verdict = found.fastest
        drift = ", if the launcher did not drift" * (verdict is Verdict.FASTER_WITHOUT_DRIFT)
        if len(compared) > 2:
            return f"{_name(group)} is the fastest of {_of_setups(found)}{drift}."
        (pair,) = found.judged
        other = pair.first if pair.faster is pair.second else pair.second
        assert pair.deciding is not None, "the fastest setup differs from all other setups"
        by, _ = difference_text(pair.deciding, unit)
        return f"{_name(group)} is faster than {_name(other)} by {by}{drift}."
    if len(compared) == 2:
        return f"The shots do not show whether {' or '.join(map(_name, compared))} is faster."
    if not found.slower:
        return f"The shots do not show a difference between the speeds of {_of_setups(found)}."
    leaders = [group for group in compared if not _is_in(group, found.slower)]
    return (
        f"The shots do not show which of {_of_setups(found)} is the fastest. The fastest "
        f"setup may be {_listed(leaders)}, but not {_listed(found.slower)}."
    )


def _compared(found: Comparison) -> list[Group]:
    """Return the setups whose speed the program compared with the speed of another setup."""
    used = [group for pair in found.judged for group in (pair.first, pair.second)]
    return [group for group in found.groups if _is_in(group, used)]


def _is_in(group: Group, groups: Sequence[Group]) -> bool:
    return any(group is each for each in groups)


def _of_setups(found: Comparison) -> str:
    compared = len(_compared(found))
    left_out = len(found.groups) - compared
    shots = " with two shots or more" if left_out else ""
    return f"the {compared} setups{shots}"


def _listed(groups: Sequence[Group]) -> str:
    shown = [_name(group) for group in groups]
    if len(shown) > SHOWN_NAMES:
        return f"one of {len(shown)} setups"
    return " or ".join(filter(None, [", ".join(shown[:-1]), shown[-1]]))


def _drift_reasons(found: Comparison) -> list[str]:
    if any(pair.verdict is Verdict.FASTER_WITHOUT_DRIFT for pair in found.pairs):
        return [
            "a drift of the launcher can look like a difference of the setups. "
            "To test for a drift, shoot the setups alternately (A B A B)."
        ]
    if any(pair.faster is not None and not pair.of_one_session for pair in found.pairs):
        return [
            "the setups were not shot in one session. A change of the launcher between the "
            "sessions would look like a difference of the setups."
        ]
    return []


def _changing_reasons(found: Comparison) -> list[str]:
    changed = [line for pair in found.pairs for line in without_lines(pair)]
    if not changed:
        return []
    if len(found.groups) == 2:
        return [f"{changed[0].strip()}."]
    return [f"without the suspicious shots, {count_text(len(changed), 'result')} would change."]


def _damage_reasons(damaged_lines: int) -> list[str]:
    if not damaged_lines:
        return []
    return [
        f"{count_text(damaged_lines, 'line')} of the data "
        f"{'is' if damaged_lines == 1 else 'are'} damaged or lost. Shots may be missing."
    ]


def _suspicious_reasons(found: Comparison) -> list[str]:
    count = sum(len(group.suspicious) for group in found.groups)
    if not count:
        return []
    return [
        f"{count_text(count, 'shot')} {'has' if count == 1 else 'have'} an unusual "
        "speed. Without suspicious shots, the result is the same."
    ]


def suspicious_lines(found: Comparison) -> list[str]:
    """Return which shots do not fit the other shots of the same setup."""
    return [
        f"  suspicious in {_name(group)}: {which_shots(group.suspicious)}"
        for group in found.groups
        if group.suspicious
    ]


def pair_blocks(found: Comparison, unit: str, rigs: RigsTaken | None = None) -> list[list[str]]:
    """
    Return a paragraph for each pair of setups.

    If there is a table of differences, return only the paragraph for the two fastest setups.
    """
    pairs = found.pairs
    if is_matrix(found):
        first, second = sorted(found.groups, key=lambda group: -group.series.mean_mps)[:2]
        pairs = tuple(
            pair
            for pair in found.pairs
            if {id(pair.first), id(pair.second)} == {id(first), id(second)}
        )
    return [pair_lines(pair, unit, rigs) for pair in pairs]


def pair_lines(pair: PairComparison, unit: str, rigs: RigsTaken | None = None) -> list[str]:
    """Return sentences about two setups: speeds, shots that are still needed, repeatability."""
    title = f"{plain(pair.second.name)} against {plain(pair.first.name)}:"
    if pair.verdict is Verdict.UNKNOWN:
        return [title, f"  cannot compare: {_no_judgement(pair)}"]
    more = pair.more_shots
    in_turn = ", shot alternately (A B A B)," * pair.of_one_session
    sentences = [
        *speed_sentences(pair, unit),
        *([more_sentence(more, in_turn)] if more is not None else []),
        spread_sentence(pair),
        *_rig_assumption(pair, rigs),
        *(line.strip() for line in without_lines(pair)),
    ]
    return [title, *(f"  {line}" for line in sentences)]


def _no_judgement(pair: PairComparison) -> str:
    if min(pair.first.series.n, pair.second.series.n) < 2:
        return "each setup needs at least two counted shots"
    return "the scatter of the shots is not known"


def speed_sentences(pair: PairComparison, unit: str) -> list[str]:
    """Return sentences on the difference between the speeds of two setups."""
    deciding = pair.deciding
    assert deciding is not None, "the program computed the difference of each compared pair"
    by, signed = difference_text(deciding, unit)
    if pair.verdict is Verdict.NOT_SETTLED:
        return [
            f"the shots do not show which setup is faster: the difference is {signed}, so it "
            "may be zero"
        ]
    word = "faster" if deciding.difference_mps > 0 else "slower"
    percent = format_value(
        100 * abs(pair.relative), 100 * deciding.U95_mps / pair.first.series.mean_mps
    )
    if pair.verdict is Verdict.FASTER:
        lines = [f"{word} by {by}, which is {percent} %", chance_words(deciding)]
        assert pair.plain is not None, (
            "for each pair with a faster setup, the program also computed the difference "
            "without drift"
        )
        if deciding.difference_mps * pair.plain.difference_mps < 0:
            lines.append(
                "because of the launcher's drift, the mean speeds show the wrong order of the "
                "setups"
            )
        return lines
    allowed = "is not known"
    if pair.difference is not None:
        _, text = difference_text(pair.difference, unit)
        allowed = f"is {text}, so the shots do not show which setup is faster"
    return [
        f"{word} by {by}, which is {percent} %, if the launcher did not drift",
        f"if the launcher drifted steadily, the difference between the speeds {allowed}",
    ]


def difference_text(difference: Difference, unit: str) -> tuple[str, str]:
    """
    Return a difference with its interval as two texts: first without its sign, then with it.

    The numbers get more digits if rounding would hide whether the interval contains zero.
    """
    value = speed_in(unit, difference.difference_mps)
    half = speed_in(unit, difference.U95_mps)
    decimals = significant_decimals(half)

    def shown(number: float) -> str:
        return f"{round(number, decimals) + 0.0:.{max(decimals, 0)}f}"

    while decimals < 9 and (
        (float(shown(abs(value))) > float(shown(half))) != (abs(value) > half)
    ):
        decimals += 1
    ending = f" ± {shown(half)} {unit} (95 %)"
    return f"{shown(abs(value))}{ending}", f"{shown(value)}{ending}"


def chance_words(difference: Difference) -> str:
    """Return how often chance alone would cause a difference this large, in words and as p."""
    p = difference.p_overall
    if p < 0.001:
        often, number = "in less than 1 of 1000 sessions", "p < 0.001"
    elif p < 0.01:
        often, number = f"in {1000 * p:.0f} of 1000 sessions", f"p = {p:.1g}"
    else:
        often, number = f"in {100 * p:.0f} of 100 sessions", f"p = {p:.2g}"
    if difference.p_adjusted is None:
        return (
            "if both setups were equally fast, chance would cause such a difference "
            f"{often} ({number})"
        )
    return (
        "if all setups were equally fast, chance alone would make at least two differ this "
        f"much {often} ({number})"
    )


def more_sentence(more: MoreShots, in_turn: str = "") -> str:
    """
    Return how many more shots are needed to show which setup is faster.

    Parameters
    ----------
    more : MoreShots
    in_turn : str, optional
        Words that say in which order to shoot.
    """
    if more.as_seen >= MOST_SHOTS:
        return (
            f"even if the true difference is as large as measured, {MOST_SHOTS} more shots of "
            "each setup may be too few to show it"
        )
    few = count_text(more.as_seen, "more shot")
    sure = (
        f"if the true difference is as large as measured, {few} of each setup{in_turn} "
        f"{'shows' if more.as_seen == 1 else 'show'} it in 4 of 5 tries"
    )
    if more.most is None:
        return f"{sure}; if there is no true difference, more shots cannot show a difference"
    return (
        f"{sure}; if the true difference is as small as the ± allows, {more.most} shots are "
        "needed"
    )


def spread_sentence(pair: PairComparison) -> str:
    """Return which of two setups has more repeatable speeds, or why this is not known."""
    match pair.spread:
        case SpreadVerdict.TOO_FEW:
            return (
                "repeatability: too few shots, because each setup needs at least "
                f"{LEAST_FOR_RATIO} shots"
            )
        case SpreadVerdict.EQUAL_SPEEDS:
            return (
                "repeatability: cannot be compared, because all shots of one setup are equally "
                "fast"
            )
        case SpreadVerdict.MORE_REPEATABLE:
            words = "more repeatable"
        case SpreadVerdict.LESS_REPEATABLE:
            words = "less repeatable"
        case _:
            words = "the shots do not show which setup has less scatter"
    return f"{words}: {ratio_text(pair)}"


def ratio_text(pair: PairComparison) -> str:
    """
    Return the ratio of the standard deviations s of two setups, with its interval.

    If rounding would hide whether the interval contains 1, the text has more digits.
    """
    low, high = pair.s_ratio_low, pair.s_ratio_high
    digits: Callable[[float], str] = two_digits
    if (float(two_digits(low)) > 1, float(two_digits(high)) < 1) != (low > 1, high < 1):
        digits = _four_digits
    return (
        f"s is {digits(pair.s_ratio)} times the s of the other setup, "
        f"{digits(low)} … {digits(high)} (95 %)"
    )


def _four_digits(value: float) -> str:
    return f"{value:#.4g}"


def _rig_assumption(pair: PairComparison, rigs: RigsTaken | None) -> list[str]:
    """Return a note if the program only assumes that the same rig made both recordings."""
    if rigs is None or pair.of_one_session:
        return []
    common = set(pair.first.rigs) & set(pair.second.rigs)
    if not any(rigs.basis[rig] is RigBasis.DESCRIPTION for rig in common):
        return []
    return [
        (
            "this result is valid only if the same rig made both recordings; the two rig "
            "descriptions are equal"
        )
    ]


def without_lines(pair: PairComparison) -> list[str]:
    """Return lines that say what changes without the suspicious shots; may be empty."""
    other = pair.without_suspicious
    if other is None:
        return []
    found = []
    which = _which_suspicious(pair)
    if _claim(other) != _claim(pair):
        found.append(f"without {which}, {_verdict_words(other)}")
    if other.spread != pair.spread and not _SPREAD_CLAIMS.isdisjoint(
        (pair.spread, other.spread)
    ):
        found.append(f"without {which}, the repeatability would be: {_spread_words(other)}")
    return [f"  {line}" for line in found]


_SPREAD_CLAIMS = frozenset({SpreadVerdict.MORE_REPEATABLE, SpreadVerdict.LESS_REPEATABLE})


def _claim(pair: PairComparison) -> tuple[Verdict, bool]:
    return pair.verdict, pair.faster is pair.second


def _which_suspicious(pair: PairComparison) -> str:
    own = [group for group in (pair.first, pair.second) if group.suspicious]
    if not own:
        return "the suspicious shots of other setups"
    return " and ".join(
        f"shot{'s' * (len(group.suspicious) > 1)} "
        f"{', '.join(map(str, group.suspicious))} of {_name(group)}"
        for group in own
    )


def _verdict_words(pair: PairComparison) -> str:
    """Return which setup would be faster without the suspicious shots."""
    if pair.faster is None:
        return "the remaining shots do not show which setup is faster"
    name = _name(pair.faster)
    if pair.verdict is Verdict.FASTER:
        return f"the remaining shots show that {name} is faster"
    return f"{name} would be faster, but only if the launcher did not drift"


def _spread_words(pair: PairComparison) -> str:
    return {
        SpreadVerdict.MORE_REPEATABLE: "more repeatable",
        SpreadVerdict.LESS_REPEATABLE: "less repeatable",
        SpreadVerdict.NOT_SETTLED: "not known",
        SpreadVerdict.TOO_FEW: "too few shots to judge",
        SpreadVerdict.EQUAL_SPEEDS: "not judged",
    }[pair.spread]


MARKS = {
    Verdict.FASTER: "*",
    Verdict.FASTER_WITHOUT_DRIFT: "~",
    Verdict.NOT_SETTLED: "·",
    Verdict.UNKNOWN: "?",
}
MATRIX_LEGEND = (
    "* difference, ~ difference only if the launcher did not drift, "
    "· no difference shown, ? cannot compare"
)


def matrix_cells(found: Comparison, unit: str) -> list[list[str]]:
    """
    Return a table with the difference of each setup from each earlier setup.

    The first setup has no row, because there is no earlier setup.
    """
    size = len(found.groups)
    pairs = iter(found.pairs)
    cells = [[""] * (size - 1) for _ in range(size - 1)]
    for first in range(size - 1):
        for second in range(first + 1, size):
            cells[second - 1][first] = _matrix_cell(next(pairs), unit)
    return cells


def _matrix_cell(pair: PairComparison, unit: str) -> str:
    deciding, mark = pair.deciding, MARKS[pair.verdict]
    if deciding is None or pair.faster is None:
        return mark
    half = speed_in(unit, deciding.U95_mps)
    value = format_value(speed_in(unit, deciding.difference_mps), half)
    return f"{'' if value.startswith('-') else '+'}{value}{mark}"


def matrix_lines(found: Comparison, unit: str, columns: int = COLUMNS) -> list[str]:
    """Return the table of differences, cut into pieces that are at most `columns` wide."""
    cells = matrix_cells(found, unit)
    width = max(len(cell) for row in cells for cell in row) + 1
    side = len(str(len(cells) + 1)) + 2
    fit = max((columns - side) // width, 1)
    lines = [f"speed of the row minus speed of the column, {unit}:"]
    for begin in range(0, len(cells), fit):
        own = range(begin, min(begin + fit, len(cells)))
        lines.append(f"{'':{side}}" + "".join(f"{c + 1:>{width - 1}} " for c in own))
        for row in range(begin, len(cells)):
            text = "".join(f"{cells[row][c]:>{width}}" for c in own if c <= row)
            lines.append(f"{row + 2:>{side}}{text}")
    return [line.rstrip() for line in lines] + in_columns([f"  {MATRIX_LEGEND}"])


def many_lines(found: Comparison) -> list[str]:
    """Return which setups are more repeatable, and what suspicious shots change."""
    number = {id(group): place for place, group in enumerate(found.groups, 1)}
    lines = []
    for pair in found.pairs:
        if pair.spread in _SPREAD_CLAIMS:
            words = _spread_words(pair)
            which = f"setup {number[id(pair.second)]} is {words} than {number[id(pair.first)]}"
            lines.append(f"{which}: {ratio_text(pair)}")
    if not lines:
        lines = ["the shots do not show that one setup has less scatter than another"]
    changed = [
        f"{number[id(pair.second)]} against {number[id(pair.first)]}: {line.strip()}"
        for pair in found.pairs
        for line in without_lines(pair)
    ]
    more = len(changed) - SHOWN_CHANGES
    return [
        *lines,
        *changed[:SHOWN_CHANGES],
        *([f"and {count_text(more, 'more change')}"] if more > 0 else []),
    ]


def note_lines(found: Comparison, unit: str, rigs: RigsTaken | None = None) -> list[str]:
    """Return notes on drift, bodies, the result for all setups together, and the rigs."""
    judged = found.judged
    return [
        *(_drift_notes(found, unit) if judged else []),
        *_aim_notes(judged),
        *_body_notes(found),
        *(_together_notes(judged) if len(judged) > 1 else []),
        *([rigs_taken_text(rigs)] if rigs is not None else []),
    ]


def _drift_notes(found: Comparison, unit: str) -> list[str]:
    lines = []
    if found.drift is not None and found.drift.seen:
        lines.append(f"The speed drifts by {drift_text(found.drift, unit)} (95 %).")
    kinds = {pair.of_one_session for pair in found.judged}
    if True in kinds:
        lines.append(
            "Each result includes a steady drift of the launcher in a session, or says that it "
            "does not."
        )
    if False in kinds:
        lines.append(
            "If setups are in different recordings, a drift of the launcher can look like a "
            "difference of the setups."
        )
    return lines


def _aim_notes(judged: Sequence[PairComparison]) -> list[str]:
    groups = [group for pair in judged for group in (pair.first, pair.second)]
    if not any(group.u_aim_mps for group in groups):
        return []
    return [
        "Most shots have one pair of edges. Balls of each setup may cross the beams at another "
        "height, so the ± is larger (gates.off_centre in the rig)."
    ]


def _body_notes(found: Comparison) -> list[str]:
    mixed = [group for group in found.groups if len(group.sample.bodies) > 1]
    if len(mixed) > SHOWN_NAMES:
        return [f"The shots of {len(mixed)} setups have bodies of different mass or diameter."]
    said = ((_name(group), len(group.sample.bodies)) for group in mixed)
    return [
        f"The shots of {name} have {n} bodies of different mass or diameter."
        for name, n in said
    ]


def _together_notes(judged: Sequence[PairComparison]) -> list[str]:
    known = [pair.difference for pair in judged if pair.difference is not None]
    if not known:
        return []
    p = min(each.p_overall for each in known)
    differs = any(each.settled for each in known)
    verdict = (
        "not all setups are equally fast" if differs else "the shots do not show a difference"
    )
    number = "p < 0.001" if p < 0.001 else f"p = {p:.2g}"
    return [
        f"All setups together: {verdict} ({number}).",
        f"Each p value and interval is corrected for {len(judged)} pairs (methods: Welch, "
        "Holm). If all setups were equally fast, at most "
        f"{100 * RISK:.0f} of 100 sessions would show a difference.",
    ]


def comparison_data(
    found: Comparison, unit: str = "m/s", rigs: RigsTaken | None = None, damaged_lines: int = 0
) -> dict[str, Any]:
    """Return a comparison of setups as an object for JSON, in m/s; unknown values are None."""
    fastest = found.fastest
    return {
        "headline": headline_lines(found, unit, damaged_lines),
        "fastest": fastest[0].name if fastest else None,
        "setups": [_group_data(group) for group in found.groups],
        "pairs": [_pair_data(pair) for pair in found.pairs],
        "drift": finite(vars(found.drift)) if found.drift else None,
        "rigs": rigs_taken_data(rigs) if rigs else None,
        "damaged_lines": damaged_lines,
    }


def _group_data(group: Group) -> dict[str, Any]:
    return {
        "setup": group.name,
        **finite(vars(group.series)),
        "suspicious_shots": list(group.suspicious),
        "bodies": len(group.sample.bodies),
    }


def _pair_data(pair: PairComparison) -> dict[str, Any]:
    without = pair.without_suspicious
    more = pair.more_shots
    return {
        "first": pair.first.name,
        "second": pair.second.name,
        **_verdict_data(pair),
        "difference": _difference_data(pair.difference),
        "without_drift": _difference_data(pair.plain),
        "more_shots": more.as_seen if more else None,
        "more_shots_most": more.most if more else None,
        **finite({k: v for k, v in vars(pair).items() if k.startswith("s_ratio")}),
        "without_suspicious": _verdict_data(without) if without else None,
    }


def _verdict_data(pair: PairComparison) -> dict[str, Any]:
    return {
        "verdict": pair.verdict.name.lower(),
        "settled": None if pair.verdict is Verdict.UNKNOWN else pair.verdict is Verdict.FASTER,
        "faster": pair.faster.name if pair.faster else None,
        "repeatability": pair.spread.name.lower(),
    }


def _difference_data(difference: Difference | None) -> dict[str, Any] | None:
    if difference is None:
        return None
    names = (
        "difference_mps",
        "u_random_mps",
        "dof",
        "u_shared_mps",
        "t",
        "p_value",
        "p_adjusted",
        "level",
        "U95_mps",
    )
    return finite({name: getattr(difference, name) for name in names})
