"""The command `energy`: compare the energy of a body with the energy stored in a launcher."""

import csv
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from chrono.commands.command_options import AsJson, end
from chrono.commands.launch_options import (
    Conditions,
    Diameter,
    Drag,
    Mass,
    MaybeRecording,
    MaybeSpeed,
    RigFile,
    Setups,
    ShownUnit,
    body_of,
    launches_from,
    needs_drag,
    needs_speed,
    print_result,
    quantity,
    units_of,
)
from chrono.errors import OptionError
from chrono.units import parse_quantity, quote

if TYPE_CHECKING:
    from chrono.arrays.array_types import Floats
    from chrono.measuring.energy_results import EnergyStore
    from chrono.measuring.propagation import Quantity
    from chrono.rigs.rig_model import Rig

MAX_BYTES = 1_000_000
NO_AIR_LEFT = "0 Pa"
_COLUMNS = {"draw": "m", "force": "N"}
_HINT = (
    "write draw_mm,force_N in the first line, and one measurement in each line after it; "
    "the draw is how far you pull the band, and the first draw is 0"
)


def read_draw_table(path: Path) -> "tuple[Floats, Floats]":
    """
    Read draws (pulled lengths) [m] and forces [N] from a table; return two arrays, shape (N,).

    Parameters
    ----------
    path : Path
        A CSV file with commas, semicolons or tabs, and a header such as draw_mm,force_N.

    Raises
    ------
    OptionError
        If the file cannot be read, or is not a table of forces and draws.
    """
    import numpy as np

    lines = [line for line in _text(path).splitlines() if line.strip()]
    if len(lines) < 3:
        raise _trouble(path, "the table has fewer than two rows with measured values")
    delimiter = next((d for d in "\t;" if d in lines[0]), ",")
    try:
        rows = list(csv.reader(lines, delimiter=delimiter))
    except csv.Error as error:
        raise _trouble(path, f"the file is not a table: {error}") from error
    places = {name: _place(path, rows[0], name) for name in _COLUMNS}
    columns = [
        np.array([_cell(path, row, number, *places[name], unit) for number, row in body(rows)])
        for name, unit in _COLUMNS.items()
    ]
    draw, force = columns
    if draw[0] != 0 or not (np.diff(draw) > 0).all():
        raise _trouble(path, "the column draw must start at 0 and increase in each row")
    if (force < 0).any() or not (force > 0).any():
        raise _trouble(path, "a force is below 0, or all forces are 0")
    return draw, force


def body(rows: list[list[str]]) -> list[tuple[int, list[str]]]:
    """Return the rows below the header of the table, each with its row number."""
    return list(enumerate(rows[1:], start=2))


def _text(path: Path) -> str:
    try:
        if path.stat().st_size > MAX_BYTES:
            raise _trouble(path, "the file is too large to be a table of draws and forces")
        return path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise _trouble(path, f"the file cannot be read: {error.strerror}") from error
    except UnicodeDecodeError as error:
        raise _trouble(path, "the file is not a text file") from error


def _place(path: Path, header: list[str], name: str) -> tuple[int, str]:
    """Return the number of a quantity's column, and the unit in the column's name."""
    for place, cell in enumerate(header):
        key, _, unit = cell.strip().partition("_")
        if key == name and unit:
            return place, unit
    raise _trouble(
        path, f"the header {quote(','.join(header))} must contain a column {name} with a unit"
    )


def _cell(
    path: Path, row: list[str], number: int, place: int, unit_text: str, unit: str
) -> float:
    text = row[place].strip() if place < len(row) else ""
    return parse_quantity(f"{text} {unit_text}", unit, f"{path}: row {number}")


def _trouble(path: Path, what: str) -> OptionError:
    return OptionError(what, where=str(path), hint=_HINT)


def energy(
    recording: MaybeRecording = None,
    speed: MaybeSpeed = None,
    draw: Annotated[
        Path | None,
        typer.Option(
            help="For an elastic launcher: CSV file with two columns: the draw (how far "
            "you pull the band) and the force. The first line names the columns, such "
            "as draw_mm,force_N.",
            readable=False,
        ),
    ] = None,
    readings: Annotated[
        str | None,
        typer.Option(
            help='For an elastic launcher: ± (95 %) of the measured forces, such as "2 %".'
        ),
    ] = None,
    volume: Annotated[
        str | None,
        typer.Option(help='For a gas launcher: volume of the compressed gas, such as "0.5 L".'),
    ] = None,
    gauge: Annotated[
        str | None,
        typer.Option(
            help="For a gas launcher: pressure of the gas above the pressure of the "
            'atmosphere, such as "3 ± 0.1 bar".'
        ),
    ] = None,
    swept: Annotated[
        str | None,
        typer.Option(
            help="For a gas launcher: volume of the tube in which the gas pushes the "
            'body, such as "0.8 L".'
        ),
    ] = None,
    bore: Annotated[
        str | None,
        typer.Option(
            help='For a vacuum launcher: inner diameter of the tube, such as "41 mm".'
        ),
    ] = None,
    length: Annotated[
        str | None,
        typer.Option(
            help="For a vacuum launcher: length of the path on which air pushes the body, "
            'such as "1.5 m".'
        ),
    ] = None,
    residual: Annotated[
        str,
        typer.Option(
            help="For a vacuum launcher: absolute pressure of the air that is still in the "
            "tube. An absolute pressure of 0 Pa is a perfect vacuum."
        ),
    ] = NO_AIR_LEFT,
    distance: Annotated[
        str | None,
        typer.Option(
            help="Distance from the front end of the launcher to the gates. If you give a "
            "recording, the default is the distance in its rig. On a path with a slope, the "
            "command computes the energy at the gates."
        ),
    ] = None,
    mass: Mass = None,
    diameter: Diameter = None,
    drag: Drag = None,
    setup: Setups = None,
    rig: RigFile = None,
    site: Conditions = None,
    unit: ShownUnit = None,
    as_json: AsJson = False,
) -> None:
    """
    Compute a body's energy and momentum, and the stored energy.

    The limits for gas and vacuum are ideal values. Use the limits for gas and vacuum only to
    judge a measured shot. Never use the limits as advice to build or fill anything.
    """
    from chrono.measuring.energy_results import energy_result
    from chrono.measuring.launch import each_launch
    from chrono.reports.energy_text import energy_data, energy_text, exceeded_words
    from chrono.reports.findings_text import Findings
    from chrono.reports.launch_text import refused_words

    findings = Findings()
    told = launches_from(
        recording,
        rig,
        setup,
        speed,
        site,
        lambda own: body_of(own, mass, diameter, drag, None, False),
        findings,
    )
    for launch in told.launches:
        needs_speed(launch)
        if distance:
            needs_drag(launch, "--distance")
    stores = (
        *_elastic(draw, readings),
        *_gas(volume, gauge, swept, told.rig),
        *_tube(bore, length, residual, told.rig),
    )
    where = _distance(distance, told.rig, recording is not None)
    results = each_launch(told.launches, lambda one: energy_result(one, stores, where))
    units = units_of(unit, told.rig)
    print_result(
        lambda plain: energy_text(results, units, ascii_only=plain),
        lambda: energy_data(results),
        as_json,
    )
    findings.lines += exceeded_words(results) + refused_words(results)
    end(findings)


def _elastic(draw: Path | None, readings: str | None) -> "tuple[EnergyStore, ...]":
    if draw is None:
        _alone("--readings", readings, "--draw")
        return ()
    from chrono.measuring.energy_results import elastic_store

    part = 0.0
    if readings:
        limits = "from 0 % to below 100 %"
        part = quantity("part", readings, "", "--readings", -1e-12, 1.0, limits).value
    return (elastic_store(*read_draw_table(draw), part),)


def _gas(
    volume: str | None, gauge: str | None, swept: str | None, rig: "Rig"
) -> "tuple[EnergyStore, ...]":
    if volume is None or gauge is None:
        _alone("--volume", volume, "--gauge")
        _alone("--gauge", gauge, "--volume")
        _alone("--swept", swept, "--volume and --gauge")
        return ()
    from chrono.measuring.energy_results import gas_store

    return (
        gas_store(
            quantity("volume", volume, "m^3", "--volume"),
            quantity("gauge pressure", gauge, "Pa", "--gauge", high=1e9),
            rig.site.pressure_pa,
            quantity("swept volume", swept, "m^3", "--swept") if swept else None,
        ),
    )


def _tube(
    bore: str | None, length: str | None, residual: str, rig: "Rig"
) -> "tuple[EnergyStore, ...]":
    if bore is None or length is None:
        _alone("--bore", bore, "--length")
        _alone("--length", length, "--bore")
        _alone(
            "--residual", residual if residual != NO_AIR_LEFT else None, "--bore and --length"
        )
        return ()
    from chrono.measuring.energy_results import tube_store

    ambient = rig.site.pressure_pa
    limits = f"from 0 Pa to below {ambient:g} Pa, the pressure of the atmosphere"
    left = quantity("residual pressure", residual, "Pa", "--residual", -1e-9, ambient, limits)
    if left.value + left.U95 >= ambient:
        raise OptionError(
            f"the ± in {residual.strip()} is too large",
            where="--residual",
            hint=f"give a value with its ± that is {limits}",
        )
    return (
        tube_store(
            quantity("bore", bore, "m", "--bore"),
            quantity("length", length, "m", "--length"),
            left,
            ambient,
        ),
    )


def _alone(option: str, text: str | None, lacking: str) -> None:
    if text is not None:
        raise OptionError(
            f"this option works only together with {lacking}",
            where=option,
            hint=f"give {lacking} too",
        )


def _distance(text: str | None, rig: "Rig", recorded: bool) -> "Quantity | None":
    """
    Return the distance from the launcher's mouth to the gates; None if it is not known.

    On a path with a slope the result is None too, because gravity changes the speed.
    """
    from chrono.measuring.energy_results import DISTANCE
    from chrono.measuring.propagation import known

    if rig.gates.slope_rad:
        if text:
            raise OptionError(
                "the path has a slope (gates.slope in the rig), so the energy at the mouth "
                "cannot be computed",
                where="--distance",
                hint="leave out --distance to get the energy at the gates",
            )
        return None
    if text:
        return quantity(
            DISTANCE, text, "m", "--distance", -1e-9, 1000.0 + 1e-9, "from 0 m to 1000 m"
        )
    return known(DISTANCE, rig.site.muzzle_distance_m, 0.02, "m") if recorded else None
