"""Whether gates, link and clock are ready, as text for a terminal and as an object for JSON."""

from dataclasses import asdict
from typing import Any

from chrono.health.readiness import Readiness
from chrono.safe_text import plain


def health_text(health: Readiness) -> str:
    """Return the items, the verdict, and what to do, a line each."""
    width = max(len(item.name) for item in health.items)
    lines = [
        f"{'!' if item.trouble else ' '} {item.name:{width}s}  {item.reading}"
        for item in health.items
    ]
    advice = [f"  do: {item.advice}" for item in health.troubles]
    return "\n".join([*lines, health.verdict, *advice])


def health_line(recording: str, health: Readiness) -> str:
    """Return the verdict on one recording of several."""
    return f"{plain(recording)}: {health.verdict}"


def health_data(health: Readiness) -> dict[str, Any]:
    """Return what `health_text` shows as an object for JSON."""
    return {"ready": health.ready, "verdict": health.verdict, **asdict(health)}
