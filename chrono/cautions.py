"""The safety warnings that are shown when someone is about to shoot.

All screens, pages and messages use these same warnings.
"""

CAUTION_LINE = "Eye protection on, line of fire and backstop clear, nobody near the gates."

CAUTION = f"""\
Caution: a launched body injures and can blind.
- {CAUTION_LINE}
- Launch only where you may, at a backstop that stops the body and what follows it.
- Compressed gas and vacuum: only rated vessels, hoses and relief valves, inspected and
  handled by competent persons; a vessel that fails throws fragments.
- Never look into a launcher or a light beam; make it safe before anyone goes forward.
- Local codes come first: ask the competent or licensed person where one is required."""

PAPER_CAUTION = (
    "Nothing is launched on paper. Whoever launches keeps to local codes and asks the person "
    "in charge:",
    CAUTION_LINE,
)
"""The two lines of the safety warning for an exercise on paper."""

FLIGHT_CAUTION = (
    "Caution: nobody below or in the line of fire; what flies may go farther than computed."
)

STOP_CAUTION = (
    "Caution: no body between launcher and catch; a catch may tear, or throw back. Eye "
    "protection on. This computes, it approves no catch."
)

STORED_CAUTION = """\
Caution: stored gas, vacuum and drawn bands can be let go by
mistake.
- Pressure-rated means: made and marked for that gas at that
  pressure, and tested by a competent person. Pipe for water
  is not made for gas, however thick: it breaks into splinters.
- No body between launcher and catch, nobody beside a vessel
  under pressure or vacuum. Eyes and ears protected.
- Empty it before anyone goes near or takes it apart.
- Local codes and competent or licensed persons decide. This
  computes, it approves nothing."""
