"""From edges to shots, speeds and their uncertainty: pure functions over arrays."""
