"""The ways between the views, and times, as every template gets them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime

from flask import Flask, current_app, request, url_for
from markupsafe import Markup

from watcher.page.access import role

WAYS = (
    # Endpoint, label, blueprints of the views that lie behind it.
    ("prints.all_prints", "Prints", ("prints", "timelapse", "acts")),
    ("night_view.night", "At night", ("night_view",)),
    ("around.before", "Before the print", ()),
    ("compared.compare", "What changed", ("compared",)),
    ("around.cost", "Cost", ()),
    ("aim.printers", "Printers", ("aim",)),
    ("acts.alarms", "Alarms", ()),
    ("explained.help_page", "Help", ("explained",)),
)
"""A way whose endpoint does not exist is left out."""


@dataclass(frozen=True)
class Way:
    """One entry of the navigation."""

    address: str
    label: str
    current: str
    """For ``aria-current``: ``page``, ``true`` where the view lies behind it, or empty."""


def ways() -> list[Way]:
    """The navigation of the present request; nothing for those who have to sign in first."""
    if role() is None:
        return []
    known = [way for way in WAYS if way[0] in current_app.view_functions]
    own = request.endpoint in {endpoint for endpoint, _, _ in known}
    return [
        Way(
            url_for(endpoint),
            label,
            "page"
            if request.endpoint == endpoint
            else ("true" if not own and request.blueprint in behind else ""),
        )
        for endpoint, label, behind in known
    ]


def stamp(utc_s: float, *, seconds: bool = False) -> Markup:
    """A time as an element: in UTC, which ``times.js`` turns into the viewer's zone."""
    when = datetime.fromtimestamp(utc_s, UTC)
    form = "%Y-%m-%dT%H:%M:%SZ" if seconds else "%Y-%m-%dT%H:%MZ"
    words = "%Y-%m-%d %H:%M:%S UTC" if seconds else "%Y-%m-%d %H:%M UTC"
    return Markup('<time datetime="{}">{}</time>').format(when.strftime(form), when.strftime(words))


def offer(app: Flask) -> None:
    """Give both to the templates."""
    app.context_processor(lambda: {"ways": ways()})
    app.jinja_env.globals["stamp"] = stamp
