"""Which prints are asked for, in what order: from an address to a choice of runs, and back."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, fields
from datetime import date, datetime, timedelta
from typing import get_args
from zoneinfo import ZoneInfo

from watcher.after import Spent
from watcher.page.learnt import has_failed
from watcher.records import FaultKind
from watcher.store import Listed

OUTCOMES = {
    "failed": "failed",
    "good": "came out well",
    "open": "nobody has said",
    "stop": "advice: stop",
    "look": "advice: have a look",
    "fine": "advice: carry on",
    "none": "nothing was judged",
}
ORDERS = {
    "newest": "newest first",
    "lift": "largest lift first",
    "cost": "dearest first",
    "longest": "longest first",
}
KINDS: tuple[FaultKind, ...] = get_args(FaultKind)
_LEVELS = {"stop": "stop", "look": "have a look", "fine": "carry on"}
_LONGEST = 200
MOST_PAGES = 100_000


@dataclass(frozen=True)
class Sought:
    """A choice of runs. Empty fields choose nothing out."""

    text: str = ""
    """Words, all of which must occur."""
    outcome: str = ""
    material: str = ""
    part: str = ""
    kind: str = ""
    since: str = ""
    """First day, ``2026-11-25``."""
    until: str = ""
    """Last day."""
    zone: str = ""
    """IANA name of the zone in which a day begins; this machine's where empty, by which the sums of
    the months go, too."""
    order: str = "newest"
    page: int = 1

    def address(self, **changes: str | int) -> dict[str, str | int]:
        """What goes into an address to ask for this, with some fields changed."""
        usual = asdict(Sought())
        given = asdict(self) | changes
        if not (given["since"] or given["until"]):
            given["zone"] = ""
        return {name: value for name, value in given.items() if value != usual[name]}

    @property
    def narrow(self) -> int:
        """How many fields choose something out."""
        return sum(bool(getattr(self, f.name)) for f in fields(self) if f.name not in _NOT_CHOOSING)


_NOT_CHOOSING = {"zone", "order", "page"}


def sought(asked: Mapping[str, str]) -> Sought:
    """Read an address. What makes no sense is left out: an old link still shows a list."""
    text = {name: " ".join(asked.get(name, "").split())[:_LONGEST] for name in _TEXTS}
    page = asked.get("page", "")
    return Sought(
        **{
            **text,
            "outcome": text["outcome"] if text["outcome"] in OUTCOMES else "",
            "kind": text["kind"] if text["kind"] in KINDS else "",
            "order": text["order"] if text["order"] in ORDERS else "newest",
            "since": text["since"] if _day(text["since"]) else "",
            "until": text["until"] if _day(text["until"]) else "",
            "zone": text["zone"] if _zone(text["zone"]) else "",
        },
        page=max(1, min(int(page), MOST_PAGES)) if page.isascii() and page.isdigit() else 1,
    )


_TEXTS = tuple(f.name for f in fields(Sought) if f.name != "page")


def _day(text: str) -> date | None:
    try:
        return date.fromisoformat(text)
    except ValueError:
        return None


def _zone(name: str) -> ZoneInfo | None:
    try:
        return ZoneInfo(name) if name else None
    except (KeyError, ValueError, OSError):  # not found, not a name, a folder of names
        return None


def chosen(listed: Sequence[Listed], what: Sought, shown: Callable[[Listed], str]) -> list[Listed]:
    """Those runs that are asked for, in the order in which they came.

    ``shown`` gives the words of a run besides its own fields in which ``text`` is looked for.
    """
    words = what.text.casefold().split()
    begin, end = _seconds(what.since, what, 0), _seconds(what.until, what, 1)

    def wanted(one: Listed) -> bool:
        if begin is not None and one.started_utc_s < begin:
            return False
        if end is not None and one.started_utc_s >= end:
            return False
        if what.material and one.material != what.material:
            return False
        if what.part and one.name != what.part:
            return False
        if what.kind and what.kind not in one.kinds:
            return False
        if not _came_out(one, what.outcome):
            return False
        if not words:
            return True
        text = " ".join((one.name, one.material, one.notes, one.watch, shown(one))).casefold()
        return all(word in text for word in words)

    return [one for one in listed if wanted(one)]


def _seconds(day: str, what: Sought, later: int) -> float | None:
    """When a day, or the one ``later`` days after it, begins in the viewer's zone, UTC seconds."""
    found = _day(day)
    if found is None:
        return None
    try:
        begin = datetime(found.year, found.month, found.day, tzinfo=_zone(what.zone))
        return (begin + timedelta(days=later)).timestamp()
    except (OverflowError, ValueError):
        return None


def _came_out(one: Listed, outcome: str) -> bool:
    """``failed`` and ``good`` count as the sums of the cost do: a person's word goes first."""
    match outcome:
        case "":
            return True
        case "failed":
            return has_failed(one)
        case "good":
            return one.outcome == "good" or (not one.outcome and one.said == "still fine")
        case "open":
            return not one.outcome and one.said is None
        case "none":
            return one.advice is None
        case _:
            return one.advice is not None and one.advice.level == _LEVELS[outcome]


def ordered(
    listed: Sequence[Listed], order: str, bills: Callable[[], Mapping[int, Spent]]
) -> list[Listed]:
    """In the order asked for; the newest first among equals. ``bills`` is only asked for costs."""
    if order == "lift":
        return sorted(
            listed, key=lambda one: -(one.biggest_lift.value_mm if one.biggest_lift else 0.0)
        )
    if order == "longest":
        return sorted(listed, key=lambda one: -one.elapsed_s)
    if order == "cost":
        found = bills()
        # Money first; where no price is known, by what was used.
        return sorted(
            listed,
            key=lambda one: (
                -(found[one.id].money or 0.0),
                -found[one.id].filament_mm,
                -found[one.id].hours,
            ),
        )
    return list(listed)
