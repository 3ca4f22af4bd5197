"""View: looking back at one run."""

from __future__ import annotations

from flask import Blueprint, current_app, render_template, request

from watcher.advice.sentence import OFF
from watcher.advice.stake import sum_of
from watcher.page import handed, words
from watcher.page.opened import run_or_404, store
from watcher.page.pictures import picture_address, picture_version
from watcher.store import KeptMoment, Run

views = Blueprint("timelapse", __name__)

BEDSIDE = "/run/<int:run_id>/night"
"""The view to have beside the bed while the run is watched, where this page has one."""


@views.get("/run/<int:run_id>")
def one_print(run_id: int) -> str:
    """The advice, the moments and one picture are in the page itself; scripts add the rest.

    ``?moment=ID`` or ``?frame=NAME`` says which picture it opens with.
    """
    run = run_or_404(run_id)
    moments = store().moments(run_id)
    opening = _opening(run, moments)
    has_bedside = any(rule.rule == BEDSIDE for rule in current_app.url_map.iter_rules())
    return render_template(
        "timelapse.html",
        run=run,
        words=words.in_words(run),
        sentence=words.beside_level(run.advice) if run.advice else "",
        off=OFF,
        since=words.duration(run.advice.since_s)
        if run.advice and run.advice.since_s is not None
        else "",
        sure=words.how_sure(run.advice) if run.advice else "",
        moments=moments,
        opening=opening,
        picture=picture_address(run, opening)
        if opening and store().frame_path(run_id, opening)
        else "",
        skipped=store().skipped(run_id),
        version=picture_version(run),
        answers=[(kept.answer, words.when(kept.answer.utc_s)) for kept in store().answers(run_id)],
        stake=sum_of(run.advice.stake) if run.advice and run.advice.stake else (),
        job=store().ledger.job(run_id),
        bedside=BEDSIDE.replace("<int:run_id>", str(run_id)) if has_bedside else "",
        film=handed.told(run_id) if handed.films() else None,
        paces=handed.PACES,
        duration=words.duration,
    )


def _opening(run: Run, moments: list[KeptMoment]) -> str:
    """Name of the picture that a link asks for; else where a closed run matters, at the first
    advice to stop; else the newest. Empty where there is none."""
    asked = request.args.get("moment", "")
    linked = next((m for m in moments if str(m.id) == asked), None)
    if linked is not None:
        return linked.moment.name
    frame = request.args.get("frame", "")
    if frame and store().frame_path(run.id, frame):
        return frame
    stop = next((m for m in moments if m.moment.level == "stop"), None)
    if stop is not None and run.state != "watching":
        return stop.moment.name
    return run.newest_frame or ""
