"""The cautions that stand wherever someone is about to shoot; one wording for all places."""

CAUTION_LINE = "Eye protection on, line of fire and backstop clear, nobody near the gates."

CAUTION = f"""\
Caution: a launched body injures and can blind.
- {CAUTION_LINE}
- Launch only where you may, at a backstop that stops the body and what follows it.
- Compressed gas and vacuum: only rated vessels, hoses and relief valves, inspected and
  handled by competent persons; a vessel that fails throws fragments.
- Never look into a launcher or a light beam; make it safe before anyone goes forward.
- Local codes come first: ask the competent or licensed person where one is required."""
