"""What a person may have to be woken for."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from watcher.records import Advice

Urgency = Literal["look", "trouble", "stop", "stopped", "stop failed"]
"""``look``: a look is enough, and can wait for the morning. ``trouble``: the watch itself is
hindered. ``stop``: the print should be stopped. ``stopped``: the printer took the message to stop.
``stop failed``: it did not.
"""

_HEADS: dict[Urgency, str] = {
    "look": "Have a look",
    "trouble": "The watch is hindered",
    "stop": "STOP THE PRINT",
    "stopped": "The printer was told to stop",
    "stop failed": "STOPPING FAILED – go to the printer",
}


@dataclass(frozen=True)
class Concern:
    """One reason to send messages, the same as long as ``key`` is."""

    key: str
    urgency: Urgency
    sentence: str
    place: str = ""
    amount: float | None = None
    sigma: float | None = None
    unit: str = ""
    stake: str = ""
    """What is lost by waiting, a sentence; empty where not known."""


@dataclass(frozen=True)
class Alarm:
    """One message, ready to send."""

    title: str
    body: str
    urgency: Urgency
    picture: Path | None = None


def from_advice(advice: Advice, stake: str = "") -> Concern | None:
    """The concern that an advice is; ``None`` where all is well."""
    if advice.level == "carry on":
        return None
    urgency: Urgency = "stop" if advice.level == "stop" else "look"
    if advice.kind == "cannot-see" and urgency == "look":
        # A watch that sees nothing is no watch: that can't wait for the morning.
        urgency = "trouble"
    return Concern(
        # The amount grows from frame to frame and is no part of the key.
        f"{advice.level}: {advice.kind}, {advice.place}",
        urgency,
        advice.sentence,
        advice.place,
        advice.amount,
        advice.sigma,
        advice.unit,
        stake,
    )


def written(
    concern: Concern, printer: str, link: str, picture: Path | None, cautions: str = ""
) -> Alarm:
    """Put a concern into words. ``link`` leads to the page and may be empty."""
    lines = [concern.sentence]
    if concern.place:
        lines.append(f"Where: {concern.place}")
    if concern.amount is not None:
        error = f" ± {concern.sigma:.2g}" if concern.sigma else ""
        lines.append(f"How much: {concern.amount:.2g}{error} {concern.unit}".rstrip())
    if concern.stake:
        lines.append(f"At stake: {concern.stake}")
    if link:
        lines.append(f"Look and answer: {link}")
    if cautions:
        lines.append(cautions)
    return Alarm(
        f"{_HEADS[concern.urgency]}: {printer}", "\n".join(lines), concern.urgency, picture
    )
