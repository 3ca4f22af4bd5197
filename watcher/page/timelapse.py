"""View: the time-lapse of one run."""

from __future__ import annotations

from flask import Blueprint, render_template

from watcher.advice.sentence import OFF
from watcher.advice.stake import sum_of
from watcher.page import words
from watcher.page.opened import run_or_404, store
from watcher.page.pictures import picture_version

views = Blueprint("timelapse", __name__)


@views.get("/run/<int:run_id>")
def one_print(run_id: int) -> str:
    """The advice and the moments are in the page itself; scripts add the pictures and the strip."""
    run = run_or_404(run_id)
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
        moments=store().moments(run_id),
        skipped=store().skipped(run_id),
        version=picture_version(run),
        answers=[(kept.answer, words.when(kept.answer.utc_s)) for kept in store().answers(run_id)],
        stake=sum_of(run.advice.stake) if run.advice and run.advice.stake else (),
        duration=words.duration,
        fault=words.fault,
    )
