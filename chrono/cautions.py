"""The safety warnings that are shown when someone is about to shoot.

All screens, pages and messages use these same warnings.
"""

CAUTION_LINE = "Eye protection on, line of fire and backstop clear, nobody near the gates."

CAUTION = f"""\
Caution: a launched body injures and can blind.
- {CAUTION_LINE}
- Launch only where it is allowed. The backstop must stop everything that flies.
- Compressed gas and vacuum: use only rated vessels, hoses and relief valves. Competent
  persons inspect and handle them. A vessel that breaks throws fragments.
- Never look into a launcher or a light beam. Make it safe before anyone goes forward.
- Local codes come first. If they require a competent or licensed person, ask this person."""

PAPER_CAUTION = (
    "On paper, nothing is launched. If you launch something, follow local codes and ask the "
    "person in charge:",
    CAUTION_LINE,
)
"""The two lines of the safety warning for an exercise on paper."""

FLIGHT_CAUTION = (
    "Caution: nobody stands below or in the line of fire. A body may fly farther than computed."
)

STOP_CAUTION = (
    "Caution: nobody stands between launcher and catch. A catch may tear, or throw the body "
    "back. Wear eye protection. This program only computes. It approves no catch."
)

STORED_CAUTION = """\
Caution: stored gas, vacuum and drawn bands can be
released by accident.
- Use only parts that are made and marked for this gas at
  this pressure. A competent person must test them. Pipe for
  water is not made for gas. Even a thick pipe breaks into
  splinters.
- Nobody stands between launcher and catch, or beside a
  vessel under pressure or vacuum. Protect eyes and ears.
- Release gas, vacuum or tension before anyone goes near or
  takes anything apart.
- Local codes and competent or licensed persons decide. This
  program only computes. It approves nothing."""
