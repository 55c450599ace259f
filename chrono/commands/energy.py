"""The command `energy`: energy and momentum of shots, and the part of what was stored."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from chrono.commands.common import AsJson, end
from chrono.commands.given import (
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
    needs_speed,
    print_result,
    quantity,
    told_by,
    units_of,
)
from chrono.errors import OptionError

if TYPE_CHECKING:
    from chrono.measuring.energies import Store
    from chrono.measuring.propagation import Quantity
    from chrono.rigs.file import Rig


def energy(
    recording: MaybeRecording = None,
    speed: MaybeSpeed = None,
    draw: Annotated[
        Path | None,
        typer.Option(
            help="Drawn elastic: a CSV file of force over draw, its header such as "
            "draw_mm,force_N.",
            readable=False,
        ),
    ] = None,
    readings: Annotated[
        str | None, typer.Option(help='± of all its forces at 95 %, such as "2 %".')
    ] = None,
    volume: Annotated[str | None, typer.Option(help='Gas: its volume, "0.5 L".')] = None,
    gauge: Annotated[
        str | None, typer.Option(help='Its pressure above the atmosphere, "3 ± 0.1 bar".')
    ] = None,
    swept: Annotated[
        str | None, typer.Option(help='Volume that the body sweeps while pushed, "0.8 L".')
    ] = None,
    bore: Annotated[
        str | None, typer.Option(help='Evacuated tube: its inner diameter, "41 mm".')
    ] = None,
    length: Annotated[
        str | None, typer.Option(help='Way on which the body is pushed in it, "1.5 m".')
    ] = None,
    residual: Annotated[str, typer.Option(help="Pressure left in it, absolute.")] = "0 Pa",
    distance: Annotated[
        str | None,
        typer.Option(help="From the mouth to the gates; with a recording the rig's."),
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
    Tell energy and momentum of shots, and what part they carried of what was stored.

    The bounds of gas and vacuum are ideal limits to judge a clocked shot by. They are no
    advice for building or filling anything.
    """
    from chrono.measuring.energies import energy_result
    from chrono.measuring.launch import each_launch
    from chrono.reports.energy import energy_data, energy_text, exceeded_words
    from chrono.reports.findings_text import Findings

    findings = Findings()
    told = told_by(
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
    findings.lines += exceeded_words(results)
    end(findings)


def _elastic(draw: Path | None, readings: str | None) -> "tuple[Store, ...]":
    if draw is None:
        _alone("--readings", readings, "--draw")
        return ()
    from chrono.commands.draw_table import read_draw_table
    from chrono.measuring.energies import elastic_store

    part = quantity("part", readings, "", "--readings", -1e-12, 1.0).value if readings else 0.0
    return (elastic_store(*read_draw_table(draw), part),)


def _gas(
    volume: str | None, gauge: str | None, swept: str | None, rig: "Rig"
) -> "tuple[Store, ...]":
    if volume is None or gauge is None:
        _alone("--volume", volume, "--gauge")
        _alone("--gauge", gauge, "--volume")
        _alone("--swept", swept, "--volume and --gauge")
        return ()
    from chrono.measuring.energies import gas_store

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
) -> "tuple[Store, ...]":
    if bore is None or length is None:
        _alone("--bore", bore, "--length")
        _alone("--length", length, "--bore")
        return ()
    from chrono.measuring.energies import tube_store

    ambient = rig.site.pressure_pa
    left = quantity("residual pressure", residual, "Pa", "--residual", -1e-9, ambient)
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
            f"without {lacking} it tells no energy", where=option, hint=f"give {lacking} too"
        )


def _distance(text: str | None, rig: "Rig", recorded: bool) -> "Quantity | None":
    """Return the distance from the mouth: as stated, or the rig's for clocked shots."""
    from chrono.measuring.energies import DISTANCE
    from chrono.measuring.propagation import known

    if text:
        return quantity(DISTANCE, text, "m", "--distance", -1e-9, 1000.0)
    return known(DISTANCE, rig.site.muzzle_distance_m, 0.02, "m") if recorded else None
