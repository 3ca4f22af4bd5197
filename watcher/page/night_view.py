"""View: one run as seen from bed, at one glance."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from flask import Blueprint, Response, current_app, jsonify, render_template, url_for

from watcher.page.acts import became, stop_words, tried
from watcher.page.life import is_answered
from watcher.page.night_words import (
    URGENCY,
    Crop,
    Glance,
    crop,
    end_words,
    glance,
    patience_s,
    span_s,
)
from watcher.page.opened import run_or_404, store
from watcher.page.pictures import picture_address
from watcher.page.words import duration
from watcher.records import Outline
from watcher.scene.finish import ToEnd, time_to_end
from watcher.store import KeptFrame, KeptStop, Run, Sign

PACE_FRAMES = 200
"""So many of the newest pictures tell the pace."""
LATE_FRAMES = 20
"""So many tell how far apart pictures come, and hold the watched places where the newest don't."""

views = Blueprint("night_view", __name__)


@dataclass(frozen=True)
class _Now:
    """A run as it stands, ready to be shown."""

    glance: Glance
    end_words: str
    end_note: str
    span_s: tuple[float, float] | None
    age_s: float | None
    """Of the newest picture."""
    last_words: str
    """When in the print the last picture was taken, once none is to come."""
    patience_s: float
    picture: str
    """Address of the newest picture; empty where there is none."""
    frame_size: tuple[int, int]
    crop: Crop
    tried: str
    """The newest attempt to stop that was a trial or is under way, in a sentence."""
    newer: int | None
    """The run that the same printer is at now, where it is another one."""

    @property
    def alt(self) -> str:
        """The picture in words."""
        marked = ", the suspected place ringed" if self.crop.mark else ""
        return f"Newest picture of the watched part{marked}"


@views.get("/night")
def night() -> str:
    """The run being watched now; where there are several, a glance at each.

    The address stays, so that a tablet beside a bed needs no other one for the next print.
    """
    runs = _watched()
    if len(runs) == 1:
        return _page(runs[0])
    seen = [(run, _now(run)) for run in runs]
    seen.sort(key=lambda one: URGENCY.index(one[1].glance.mood))
    return render_template("nights.html", runs=seen)


@views.get("/run/<int:run_id>/night")
def one_night(run_id: int) -> str:
    """One run from bed. Without scripts it loads itself anew."""
    return _page(run_or_404(run_id))


@views.get("/night-worker.js")
def worker() -> Response:
    """What the browser keeps to open ``/night`` while the watcher can't be reached.

    A worker rules over addresses below its own only, so it does not lie with the other scripts.
    """
    return current_app.send_static_file("night-worker.js")


@views.get("/api/night")
def watched_now() -> Response:
    """Where the view of what is watched now lies; ``null`` where nothing is."""
    runs = _watched()
    address = url_for("night_view.night") if runs else None
    return jsonify(address=address, runs=sorted(run.id for run in runs))


@views.get("/api/run/<int:run_id>/night")
def night_data(run_id: int) -> Response:
    """What the script asks for again and again."""
    run = run_or_404(run_id)
    now = _now(run)
    told: dict[str, Any] = {
        "mood": now.glance.mood,
        "head": now.glance.head,
        "detail": now.glance.detail,
        "watching": run.state == "watching",
        "going_on": now.glance.going_on,
        "wants_answer": now.glance.wants_answer,
        "end_words": now.end_words,
        "end_note": now.end_note,
        "span_s": now.span_s,
        "age_s": now.age_s,
        "last_words": now.last_words,
        "patience_s": now.patience_s,
        "picture": now.picture or None,
        "box": [now.crop.x, now.crop.y, now.crop.width, now.crop.height],
        "mark": now.crop.mark,
        "alt": now.alt,
        "tried": now.tried,
        "newer": None if now.newer is None else url_for("night_view.one_night", run_id=now.newer),
        "watch": run.watch,
    }
    return jsonify(told)


def _page(run: Run) -> str:
    return render_template(
        "night.html", run=run, now=_now(run), stop_words=stop_words(run), duration=duration
    )


def _watched() -> list[Run]:
    """Runs that are being watched, or whose watch died without being let go; newest first."""
    ids = {sign.run_id for sign in store().book.signs()}
    return [
        run
        for run in store().runs()
        if run.state == "watching" or (run.state == "interrupted" and run.id in ids)
    ]


def _sign_of(run: Run) -> Sign | None:
    return next((sign for sign in store().book.signs() if sign.run_id == run.id), None)


def _now(run: Run) -> _Now:
    opened = store()
    last = opened.last_number(run.id)[0]
    frames = opened.frames(run.id, max(0, last - PACE_FRAMES + 1)) if last >= 0 else []
    newest = frames[-1] if frames else None
    judged = next((frame for frame in reversed(frames) if frame.view is not None), None)
    stops = opened.book.stops(run.id)
    told = glance(
        run,
        sign=_sign_of(run),
        stops=stops,
        newest=judged or newest,
        readings=opened.readings(run.id, judged.number) if judged else (),
        answered=run.advice is not None and is_answered(opened, run.id, run.advice),
    )
    age_s = opened.newest_age_s(run.id) if newest else None
    going_on = run.state in ("watching", "interrupted") and told.mood not in ("over", "stopped")
    to_end = _to_end(run, frames) if going_on else None
    words, note = end_words(to_end, age_s or 0.0, planned=run.toolpath is not None)
    if not going_on:
        words, note = "–", "Nothing more is expected."
    at_now = opened.book.newest_run(run.watch) if run.watch else run.id
    whole = Crop(0.0, 0.0, float(run.setup.frame_size[0]), float(run.setup.frame_size[1]), None)
    return _Now(
        told,
        words,
        note,
        None if to_end is None else span_s(to_end, age_s or 0.0),
        age_s,
        "" if going_on or newest is None else f"{duration(newest.elapsed_s)} into the print",
        patience_s([frame.elapsed_s for frame in frames[-LATE_FRAMES:]]),
        picture_address(run, newest.name) if newest else "",
        run.setup.frame_size,
        crop(_outlines(run, judged), run.setup.frame_size, run.advice) or whole,
        _tried(stops),
        at_now if at_now != run.id else None,
    )


def _to_end(run: Run, frames: list[KeptFrame]) -> ToEnd | None:
    plan = store().plan(run.id)
    if plan is None or plan.toolpath is None:
        return None
    placed = [
        (frame.elapsed_s, frame.view.layer)
        for frame in frames
        if frame.view is not None and frame.view.registered
    ]
    parked = run.setup.head_parked_for_frames
    layer_seen = parked or run.setup.bed_motion == "bed-z"
    return time_to_end(plan.toolpath, placed, layer_seen=layer_seen, parked=parked)


def _outlines(run: Run, judged: KeptFrame | None) -> tuple[Outline, ...]:
    """Lines of the newest judged picture, or of the last ones that had any, where the bed always
    comes back to the same place."""
    if judged is None:
        return ()
    back = LATE_FRAMES if run.setup.head_parked_for_frames else 1
    kept = store().outlines(run.id, max(0, judged.number + 1 - back), judged.number + 1)
    return next((lines for _, lines in sorted(kept.items(), reverse=True) if lines), ())


def _tried(stops: list[KeptStop]) -> str:
    if not stops or not (stops[-1].dry or stops[-1].ok is None):
        return ""
    stop = stops[-1]
    return f"{tried(stop)} by {stop.who}, with {stop.action}: {became(stop)}."
