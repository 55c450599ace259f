"""Draw a recording's speeds as SVG or PNG: dots with intervals, and means of setups.

Colour-blind people can distinguish the colours of the dots (Okabe and Ito 2008).
"""

import math
import warnings
from dataclasses import dataclass
from io import BytesIO
from typing import TYPE_CHECKING, Any
from unicodedata import bidirectional
from xml.etree import ElementTree

import numpy as np

from chrono.errors import OptionError
from chrono.reports.setup_words import count_text, mean_text, setup_text
from chrono.safe_text import plain, shortened
from chrono.session.report_content import PlottedSetup, PlottedSpeeds
from chrono.units import speed_in

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

ENDINGS = (".svg", ".png")

INK, PALE, PAPER = "#1f2328", "#8b929a", "#ffffff"
COLOURS = ("#0072b2", "#d55e00", "#009e73", "#cc79a7", "#e69f00", "#56b4e9")
"""Colours of Okabe and Ito that can be seen on white; black is for text."""
MARKERS = ("o", "s", "^", "D", "v", "P", "X")
"""Shapes of dots. Seven shapes and six colours give 42 setups different dots."""
MARKER_WORDS = ("●", "■", "▲", "◆", "▼", "✚", "✖")

MOST_CHANGES = 24
"""A line marks each change of the setup. More lines than this would hide the dots."""
LEFT_TO_RIGHT = "\u200e"
NAMED_SETUPS = 8
LONGEST_NAME, SHORTEST_NAME = 30, 8
LEGEND_MARK_MM = 14
"""Width of a legend beside its text: the mark and the margins [mm]."""

_STYLE: Any = {
    "font.size": 8.5,
    "text.parse_math": False,
    "text.color": INK,
    "axes.edgecolor": PALE,
    "axes.labelcolor": INK,
    "xtick.color": INK,
    "ytick.color": INK,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "svg.fonttype": "none",
    "svg.hashsalt": "speeds",
}
_SVG = "http://www.w3.org/2000/svg"
_XLINK = "http://www.w3.org/1999/xlink"
_INCH_MM = 25.4
_POINTS_PER_INCH = 72


@dataclass(frozen=True)
class PictureSize:
    """The size of a picture; `means_apart` is True if the means have their own axes."""

    width_mm: float
    axes_mm: float
    means_apart: bool


WIDE = PictureSize(180, 68, True)
NARROW = PictureSize(88, 66, False)


def picture_file(plotted: PlottedSpeeds, ending: str) -> bytes:
    """
    Return a picture as the bytes of an SVG or PNG file.

    Parameters
    ----------
    plotted : PlottedSpeeds
        Speeds to draw.
    ending : str
        One of `ENDINGS`.

    Raises
    ------
    OptionError
        If there is nothing to draw, or matplotlib cannot be loaded.
    """
    refuse_empty(plotted)
    if ending == ".svg":
        head = '<?xml version="1.0" encoding="UTF-8"?>\n'
        sized = f'<svg width="{WIDE.width_mm:g}mm" '
        return (head + picture_svg(plotted, WIDE, "speeds").replace("<svg ", sized, 1)).encode()
    words = {"Title": _title(plotted), "Description": picture_text(plotted)}
    return _drawn(plotted, WIDE, format="png", dpi=200, metadata=words)


def need_matplotlib() -> None:
    """Raise an `OptionError` if matplotlib cannot be loaded."""
    try:
        import matplotlib.figure  # noqa: F401
    except ImportError as trouble:
        raise OptionError(
            f"a picture needs matplotlib, which cannot be loaded ({trouble})",
            hint="run pip install matplotlib",
        ) from trouble


def refuse_empty(plotted: PlottedSpeeds) -> None:
    """Raise an `OptionError` if no shot has a speed to draw."""
    if not plotted.setups and not len(plotted.aside_mps):
        raise OptionError(
            "no shot has a speed, so there is nothing to draw",
            where=plotted.name,
            hint="run `chrono summary` to see what was recorded",
        )


def picture_svg(plotted: PlottedSpeeds, size: PictureSize, key: str) -> str:
    """
    Return a picture as an SVG element with a title and a description.

    Parameters
    ----------
    plotted : PlottedSpeeds
        Speeds to draw.
    size : PictureSize
        `WIDE` or `NARROW`.
    key : str
        The picture's ids begin with this text; each picture of a page needs a different one.
    """
    svg = _drawn(plotted, size, format="svg", metadata={"Date": None})
    return _with_words(svg, plotted, key)


def picture_text(plotted: PlottedSpeeds) -> str:
    """Return the content of a picture in words, for people who cannot see the picture."""
    unit = plotted.unit
    lines = [what_is_drawn(plotted)]
    for setup in plotted.setups:
        lines.append(f"{setup_text(setup.name)}: {_mean_words(setup, unit)}.")
    changes, aside = len(plotted.changes), len(plotted.aside_mps)
    if changes:
        lines.append(
            f"The setup changed {changes} times." if changes > 1 else "The setup changed once."
        )
    if aside:
        words = (
            "1 shot has a speed but is not counted"
            if aside == 1
            else f"{aside} shots have a speed but are not counted"
        )
        lines.append(f"{words}.")
    return " ".join(lines)


def what_is_drawn(plotted: PlottedSpeeds) -> str:
    """Return a sentence that explains the dots of the picture and the lines through them."""
    if not plotted.setups:
        return f"Speeds in {plotted.unit}. No shot is counted."
    each = (
        f"Each dot is the mean of up to {plotted.per_dot} shots, and its line shows their range"
    )
    if plotted.per_dot == 1:
        each = "Each dot is one shot with its 95 % interval"
    return f"Speeds of the counted shots in {plotted.unit}, in the order of the shots. {each}."


def caption_text(plotted: PlottedSpeeds) -> str:
    """Return the sentences below a picture, which explain only marks in this picture."""
    lines = [what_is_drawn(plotted)]
    if plotted.setups:
        lines.append("A band shows the mean with its interval.")
    if 0 < len(plotted.changes) <= MOST_CHANGES:
        lines.append("A dotted line shows where another setup begins.")
    if len(plotted.aside_mps):
        lines.append("A cross is a shot that is not counted.")
    if plotted.setups and plotted.per_dot == 1:
        lines.append("An invisible interval is smaller than the dot of its shot.")
    return " ".join(lines)


def _title(plotted: PlottedSpeeds) -> str:
    return f"Speeds of {plain(plotted.name)}"


def _mean_words(setup: PlottedSetup, unit: str) -> str:
    word, mean = mean_text(setup.series, unit)
    return f"{setup.series.n} counted, {word} {mean} (95 %)"


def _drawn(plotted: PlottedSpeeds, size: PictureSize, **how: Any) -> bytes:
    """Return a picture as the bytes that matplotlib's `savefig` writes."""
    need_matplotlib()
    import matplotlib
    from matplotlib.figure import Figure

    named = min(len(plotted.setups), NAMED_SETUPS) + (len(plotted.setups) > NAMED_SETUPS)
    legend_mm = 5.0 * (named + bool(len(plotted.aside_mps))) + 2
    inches = (size.width_mm / _INCH_MM, (size.axes_mm + legend_mm) / _INCH_MM)
    stream = BytesIO()
    # Ticks are made when they are drawn, so keep the style until then.
    with matplotlib.rc_context(dict(_STYLE)), _quiet():
        figure = Figure(inches, layout="constrained", facecolor=PAPER)
        _fill(figure, plotted, size)
        figure.savefig(stream, **how)
    return stream.getvalue()


def _fill(figure: "Figure", plotted: PlottedSpeeds, size: PictureSize) -> None:
    if size.means_apart and len(plotted.setups) > 1:
        shots, means = figure.subplots(1, 2, width_ratios=[5, 1], sharey=True)
        _draw_means(means, plotted)
    else:
        shots = figure.subplots()
    handles = _draw_shots(shots, plotted)
    shown = _legend_entries(shots, handles, plotted, size.width_mm - LEGEND_MARK_MM)
    figure.legend(
        [handle for handle, _ in shown],
        [name for _, name in shown],
        loc="outside lower left",
        frameon=False,
        borderaxespad=0.2,
    )


def draw_speeds(axes: "Axes", plotted: PlottedSpeeds) -> None:
    """Draw the shots of a recording into the given matplotlib axes, with a legend below."""
    handles = _draw_shots(axes, plotted)
    shown = _legend_entries(axes, handles, plotted)
    legend = axes.legend(
        [handle for handle, _ in shown],
        [name for _, name in shown],
        loc="upper left",
        bbox_to_anchor=(0, -0.15),
        frameon=False,
    )
    for text in legend.get_texts():
        text.set_parse_math(False)
    axes.set_title(shortened(plain(plotted.name), LONGEST_NAME), parse_math=False)


def _legend_entries(
    axes: "Axes", handles: list[Any], plotted: PlottedSpeeds, room_mm: float = math.inf
) -> list[tuple[Any, str]]:
    """Return the entries of a legend: each drawn element with its text."""
    named = plotted.setups[:NAMED_SETUPS]
    names = [_legend_text(setup, plotted.unit, room_mm) for setup in named]
    more = len(plotted.setups) - NAMED_SETUPS
    shown = [*zip(handles, names, strict=False)]
    if more > 0:
        shown.append((_invisible(axes), f"and {count_text(more, 'more setup')}"))
    if len(plotted.aside_mps):
        shown.append((handles[-1], _aside_text(axes, plotted)))
    return shown


def _aside_text(axes: "Axes", plotted: PlottedSpeeds) -> str:
    """Return the legend text for uncounted shots, with the number outside the picture."""
    low, high = axes.get_ylim()
    speed = speed_in(plotted.unit, 1) * plotted.aside_mps
    beyond = int(np.count_nonzero((speed < low) | (speed > high)))
    return (
        f"not counted ({beyond} of {len(speed)} shots are not shown)"
        if beyond
        else "not counted"
    )


def _invisible(axes: "Axes") -> Any:
    return axes.plot([], [], linestyle="none")[0]


def _legend_text(setup: PlottedSetup, unit: str, room_mm: float) -> str:
    """Return name, mean and number of shots of a setup; leave out the middle of a long name."""
    _, mean = mean_text(setup.series, unit)
    for longest in range(LONGEST_NAME, SHORTEST_NAME - 1, -1):
        name = shortened(setup_text(setup.name), longest)
        if any(bidirectional(letter) in ("R", "AL") for letter in name):
            # Otherwise the line begins at the right, and the numbers change places.
            name = f"{LEFT_TO_RIGHT}{name}{LEFT_TO_RIGHT}"
        text = f"{name}: {mean}, n {setup.series.n}"
        if _width_mm(text) <= room_mm:
            break
    return text


def _width_mm(text: str) -> float:
    """Return the width of a text in a legend [mm]."""
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import text_to_path

    width_pt, _, _ = text_to_path.get_text_width_height_descent(
        text, FontProperties(), ismath=False
    )
    return float(width_pt) * _INCH_MM / _POINTS_PER_INCH


def _draw_shots(axes: "Axes", plotted: PlottedSpeeds) -> list[Any]:
    """Draw the shots in order, and the means; return the drawn elements for the legend."""
    from matplotlib.ticker import MaxNLocator

    unit = plotted.unit
    if len(plotted.changes) <= MOST_CHANGES:
        for number in plotted.changes:
            axes.axvline(number - 0.5, color=PALE, linewidth=0.6, linestyle=(0, (2, 3)))
    handles: list[Any] = []
    for place, setup in enumerate(plotted.setups):
        colour, marker = style_of(place)
        mean, half = (
            speed_in(unit, v) for v in (setup.series.mean_mps, setup.series.U95_mean_mps)
        )
        ends = [setup.number.min() - 0.4, setup.number.max() + 0.4]
        is_dense = setup.per_dot > 1
        # The mean is drawn over a dense cloud of dots, but behind a few dots.
        above = 3 if is_dense else 1
        band = axes.fill_between(ends, mean - half, mean + half, color=colour, linewidth=0)
        band.set(alpha=0.35 if is_dense else 0.2, zorder=above)
        if is_dense:
            axes.plot(ends, [mean, mean], color=PAPER, linewidth=2.6, zorder=above)
        axes.plot(ends, [mean, mean], color=colour, linewidth=1.2, zorder=above)
        speed, low, high = (
            speed_in(unit, 1) * v for v in (setup.speed_mps, setup.low_mps, setup.high_mps)
        )
        size, width = (2.4, 0.5) if is_dense else (3.6, 1)
        handles += axes.plot(setup.number, speed, marker, color=colour, markersize=size)
        lines = axes.vlines(setup.number, low, high, color=colour, linewidth=width)
        lines.set_alpha(0.45 if is_dense else None)
    if len(plotted.aside_mps):
        aside = speed_in(unit, 1) * plotted.aside_mps
        handles += axes.plot(plotted.aside_number, aside, "x", color=PALE, markersize=3.6)
    axes.set_xlim(0.4, plotted.shots + 0.6)
    axes.xaxis.set_major_locator(MaxNLocator(integer=True, steps=[1, 2, 5, 10]))
    axes.set_xlabel("number of the shot")
    axes.set_ylabel(f"speed / ({unit})")
    _keep_to_counted(axes, plotted)
    return handles


def _keep_to_counted(axes: "Axes", plotted: PlottedSpeeds) -> None:
    """Set the speed axis to the range of the counted shots; other shots may be outside."""
    if not plotted.setups:
        return
    low = min(float(np.min(setup.low_mps)) for setup in plotted.setups)
    high = max(float(np.max(setup.high_mps)) for setup in plotted.setups)
    room = 0.25 * (high - low) or 0.01 * high
    axes.set_ylim(
        speed_in(plotted.unit, low - room / 4), speed_in(plotted.unit, high + room / 4)
    )


def _draw_means(axes: "Axes", plotted: PlottedSpeeds) -> None:
    unit = plotted.unit
    for place, setup in enumerate(plotted.setups):
        colour, marker = style_of(place)
        mean = speed_in(unit, setup.series.mean_mps)
        half = speed_in(unit, setup.series.U95_mean_mps)
        axes.errorbar([place], [mean], [half], fmt=marker, color=colour, capsize=4)
    axes.set_xlim(-0.7, len(plotted.setups) - 0.3)
    axes.set_xticks([])
    axes.set_xlabel("mean, 95 %")
    axes.spines["left"].set_visible(False)
    axes.tick_params(left=False, labelleft=False)


def style_of(place: int) -> tuple[str, str]:
    """Return the colour and the marker for a setup at a given place in the list of setups."""
    return COLOURS[place % len(COLOURS)], MARKERS[place % len(MARKERS)]


class _quiet(warnings.catch_warnings):  # noqa: N801
    """Hide the warning about letters that the font does not have."""

    def __enter__(self) -> Any:
        entered = super().__enter__()
        warnings.filterwarnings("ignore", "Glyph .* missing from", UserWarning)
        return entered


def _with_words(svg: bytes, plotted: PlottedSpeeds, key: str) -> str:
    """Add a title and a description to a drawn SVG picture, and return one SVG element."""
    ElementTree.register_namespace("", _SVG)
    ElementTree.register_namespace("xlink", _XLINK)
    root = ElementTree.fromstring(svg)
    for parent in [*root.iter()]:
        for child in [*parent]:
            if child.tag.endswith(("}metadata", "}style")):
                parent.remove(child)
    _name_apart(root, key)
    del root.attrib["width"], root.attrib["height"]
    root.set("role", "img")
    root.set("aria-labelledby", f"{key}-title {key}-desc")
    for place, (tag, words) in enumerate(
        (("title", _title(plotted)), ("desc", picture_text(plotted)))
    ):
        element = ElementTree.Element(f"{{{_SVG}}}{tag}", {"id": f"{key}-{tag}"})
        element.text = words
        root.insert(place, element)
    return ElementTree.tostring(root, encoding="unicode")


def _name_apart(root: ElementTree.Element, key: str) -> None:
    """Begin each id and reference of an SVG picture with `key`, and remove unused ids."""
    referred = set[str]()
    for element in root.iter():
        for name, value in element.attrib.items():
            if name == f"{{{_XLINK}}}href" or value.startswith("url(#"):
                referred.add(value.removeprefix("url(").strip("#)"))
                element.set(name, value.replace("#", f"#{key}-"))
    for element in root.iter():
        own = element.attrib.pop("id", None)
        if own in referred:
            element.set("id", f"{key}-{own}")
