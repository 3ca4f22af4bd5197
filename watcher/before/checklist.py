"""The list before the print: what is not ready first, each with a tick, a cross or a question."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

State = Literal["not ready", "not tested", "ready", "to know"]
_ORDER: dict[State, int] = {"not ready": 0, "not tested": 1, "ready": 2, "to know": 3}
_MARK: dict[State, str] = {
    "not ready": "[ ]",
    "not tested": "[?]",
    "ready": "[x]",
    "to know": " - ",
}


@dataclass(frozen=True)
class Item:
    """One line of the list."""

    name: str
    state: State
    sentence: str
    more: tuple[str, ...] = ()
    """Reasons, sources and things to try, a sentence each."""


@dataclass(frozen=True)
class Sheet:
    """The whole list."""

    title: str
    items: tuple[Item, ...]
    cautions: tuple[str, ...] = field(default=())

    def in_order(self) -> tuple[Item, ...]:
        """Not ready, not tested, ready, to know; else as given."""
        return tuple(sorted(self.items, key=lambda item: _ORDER[item.state]))

    @property
    def ready(self) -> bool:
        """Whether nothing stands against the start. What was not tested does not."""
        return all(item.state != "not ready" for item in self.items)

    def verdict(self) -> str:
        """One sentence to stand first."""
        against = [item.name for item in self.items if item.state == "not ready"]
        untested = [item.name for item in self.items if item.state == "not tested"]
        said = f"Not ready: {', '.join(against)}." if against else "Nothing stands against it."
        return said + (f" Not tested: {', '.join(untested)}." if untested else "")

    def lines(self) -> list[str]:
        """To print on paper."""
        lines = [self.title, self.verdict(), ""]
        for item in self.in_order():
            lines.append(f"{_MARK[item.state]} {item.name}: {item.sentence}")
            lines += [f"      {sentence}" for sentence in item.more]
        return [*lines, "", *self.cautions]
