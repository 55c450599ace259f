"""Convert the texts in the fields of the setup dialog to a setup, and a setup to texts."""

from dataclasses import replace

from chrono.errors import OptionError
from chrono.session.operator_records import Setup
from chrono.units import parse_quantity


def read_setup_form(name: str, conditions: str, mass: str, length: str) -> Setup:
    """
    Convert the texts in the fields of the setup dialog to a setup.

    Parameters
    ----------
    name : str
        Name of the setup; it must not be empty.
    conditions : str
        Conditions as ``key=value``, separated by commas.
    mass, length : str
        Mass and length of the body with units, such as ``"24 g"``. If a text is empty, the
        rig's value is used.

    Raises
    ------
    ChronoError
        If a field is wrong; the error names the field.
    """
    if not name.strip():
        raise OptionError("every setup needs a name", where="name")
    body = {}
    for key, text, unit in (("mass_kg", mass, "kg"), ("length_m", length, "m")):
        if text.strip():
            body[key] = _positive(text, unit, key.partition("_")[0])
    return Setup(name.strip(), body, _read_conditions(conditions))


def setup_form(setup: Setup) -> tuple[str, str, str, str]:
    """Return name, conditions, mass and length of a setup as texts for the setup dialog."""
    mass_kg, length_m = setup.body.get("mass_kg"), setup.body.get("length_m")
    return (
        setup.name,
        ", ".join(f"{key}={value}" for key, value in setup.conditions.items()),
        "" if mass_kg is None else f"{mass_kg * 1e3:.12g} g",
        "" if length_m is None else f"{length_m * 1e3:.12g} mm",
    )


def corrected(before: Setup, form: Setup) -> Setup:
    """Return a copy of the setup `before` with the values that the user entered in the form."""
    asked = {"mass_kg", "length_m"}
    kept = {key: value for key, value in before.body.items() if key not in asked}
    return replace(form, body=kept | form.body, corrects=before.name)


def _positive(text: str, unit: str, where: str) -> float:
    value = parse_quantity(text, unit, where)
    if not 0 < value < 1e6:
        raise OptionError(f"a body cannot have this {where}: {text.strip()}", where=where)
    return value


def _read_conditions(text: str) -> dict[str, str]:
    found = {}
    for part in filter(str.strip, text.split(",")):
        key, equals, value = part.partition("=")
        if not equals or not key.strip():
            raise OptionError(
                f"{part.strip()[:40]!r} must have the form key=value",
                where="conditions",
                hint="write the conditions in this form: bands=2, pressure=3 bar",
            )
        found[key.strip()] = value.strip()
    return found
