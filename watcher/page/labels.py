"""Views: what a person calls a run and its moments, and what became of them."""

from __future__ import annotations

from typing import get_args

from flask import Blueprint, abort, current_app, redirect, request, url_for
from flask.typing import ResponseReturnValue

from watcher.page.opened import FOLDER, asked_by_script, run_or_404
from watcher.store import Outcome, Store, Truth

views = Blueprint("labels", __name__)

LONGEST_NAME = 120
LONGEST_NOTE = 2000
OUTCOMES: tuple[Outcome, ...] = get_args(Outcome)
TRUTHS: tuple[Truth, ...] = get_args(Truth)


@views.post("/run/<int:run_id>/label")
def run(run_id: int) -> ResponseReturnValue:
    """Keep the run's name, how the part came out, and a note; an empty name is the old one."""
    run_or_404(run_id)
    outcome = next((o for o in OUTCOMES if o == request.form.get("outcome", "")), None)
    if outcome is None:
        abort(400, "Say of the part: good, failed, or nothing.")
    with Store.open(current_app.config[FOLDER], write=True) as store:
        store.rename(run_id, _line("name", LONGEST_NAME))
        notes = request.form.get("notes", "").replace("\r\n", "\n").strip()
        store.ledger.keep_job(run_id, outcome=outcome, notes=notes[:LONGEST_NOTE])
    return _kept(url_for("timelapse.one_print", run_id=run_id, _anchor="label"))


@views.post("/run/<int:run_id>/moment/<int:moment_id>/label")
def moment(run_id: int, moment_id: int) -> ResponseReturnValue:
    """Keep what a flagged moment was."""
    run_or_404(run_id)
    truth = next((t for t in TRUTHS if t == request.form.get("truth", "")), None)
    if truth is None:
        abort(400, "Say of the moment: true fault, false alarm, or nothing.")
    with Store.open(current_app.config[FOLDER], write=True) as store:
        if moment_id >= 2**63 or not store.label_moment(
            run_id, moment_id, truth, _line("cause", LONGEST_NAME)
        ):
            abort(404)
    return _kept(url_for("timelapse.one_print", run_id=run_id, moment=moment_id))


def _line(field: str, longest: int) -> str:
    """One line of text from the form, without what can't be seen."""
    seen = (c if c.isprintable() else " " for c in request.form.get(field, ""))
    return " ".join("".join(seen).split())[:longest]


def _kept(back: str) -> ResponseReturnValue:
    """The page's script stays where it is; a plain form goes back to the run."""
    if asked_by_script():
        return "", 204
    return redirect(back, 303)
