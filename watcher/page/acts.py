"""Views: what a person does – hear an alarm, stop a print, arm a run, test the alarm."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from flask import Blueprint, abort, current_app, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue

from watcher.alarms import Delivery
from watcher.page import words
from watcher.page.life import is_answered
from watcher.page.opened import FOLDER, run_or_404, store
from watcher.store import KeptStop, Run, Store

HANDS = "HANDS"
MOST_MINUTES = 240.0
views = Blueprint("acts", __name__)


class Hands(Protocol):
    """What can be done beside the store, as ``bedside.Hands`` does it."""

    @property
    def services(self) -> tuple[str, ...]: ...
    def stop_words(self, watch: str) -> str: ...
    def stop(self, run_id: int) -> KeptStop: ...
    def test(self) -> tuple[Delivery, ...]: ...
    def layer(self, name: str, key: str) -> bool: ...


@dataclass(frozen=True)
class _Told:
    """One line of what happened."""

    utc_s: float
    title: str
    sentence: str
    bad: bool


def _hands() -> Hands | None:
    hands: Hands | None = current_app.config[HANDS]
    return hands


def stop_words(run: Run) -> str:
    """How a run can be stopped; empty where it can't, or where its printer is at another run."""
    hands = _hands()
    if hands is None or not run.watch or store().book.newest_run(run.watch) != run.id:
        return ""
    return hands.stop_words(run.watch)


def _writing() -> Store:
    return Store.open(current_app.config[FOLDER], write=True)


def _back(run_id: int) -> ResponseReturnValue:
    """To the view that the person came from, which the form names."""
    view = "night_view.one_night" if request.form.get("from") == "night" else "acts.beside"
    return redirect(url_for(view, run_id=run_id), 303)


def tried(stop: KeptStop) -> str:
    """What an attempt to stop was."""
    return "Trial of a stop" if stop.dry else "Stop"


def became(stop: KeptStop) -> str:
    """What came of it."""
    return "under way, or the program died over it" if stop.ok is None else stop.detail


@views.get("/run/<int:run_id>/beside")
def beside(run_id: int) -> str:
    """Alarms and attempts to stop of one run, and what can be done."""
    run = run_or_404(run_id)
    book = store().book
    alarms = [_Told(a.utc_s, a.title, a.detail, not a.sent) for a in reversed(book.alarms(run_id))]
    stops = [
        _Told(s.utc_s, f"{tried(s)} by {s.who}: {s.action}", became(s), not s.ok)
        for s in book.stops(run_id)
    ]
    return render_template(
        "beside.html",
        run=run,
        words=words.in_words(run),
        sentence=words.beside_level(run.advice) if run.advice else "",
        told=sorted([*alarms, *stops], key=lambda one: one.utc_s),
        moment=words.moment,
        thinned=store().thinned(run_id),
        stop_words=stop_words(run),
        armed_min=book.armed_min(run_id),
        answered=run.advice is not None and is_answered(store(), run_id, run.advice),
    )


@views.post("/run/<int:run_id>/heard")
def heard(run_id: int) -> ResponseReturnValue:
    """A person has heard the alarm: it is not repeated."""
    run_or_404(run_id)
    with _writing() as opened:
        opened.book.acknowledge(run_id)
    return _back(run_id)


@views.route("/run/<int:run_id>/stop", methods=["GET", "POST"])
def stop(run_id: int) -> ResponseReturnValue:
    """First the question, then the act."""
    run = run_or_404(run_id)
    hands, how = _hands(), stop_words(run)
    if hands is None or not how:
        abort(404)
    if request.method == "GET" or request.form.get("sure") != "yes":
        came_from = request.values.get("from", "")
        return render_template("stop.html", run=run, how=how, came_from=came_from)
    if hands.stop(run_id).ok:
        # Who stops a print has heard its alarm; where the stop failed it must go on.
        with _writing() as opened:
            opened.book.acknowledge(run_id)
    return _back(run_id)


@views.post("/run/<int:run_id>/arm")
def arm(run_id: int) -> ResponseReturnValue:
    """Let this run, and no other, be stopped after so many minutes without an answer."""
    run = run_or_404(run_id)
    if not stop_words(run):
        abort(404)
    text = request.form.get("minutes", "").strip()
    minutes = None
    if text:
        try:
            minutes = float(text)
        except ValueError:
            abort(400, "Give the minutes as a number.")
        if not 1 <= minutes <= MOST_MINUTES:
            abort(400, f"Give 1 to {MOST_MINUTES:g} minutes.")
    with _writing() as opened:
        opened.book.arm(run_id, minutes)
    return redirect(url_for("acts.beside", run_id=run_id), 303)


@views.get("/alarms")
def alarms() -> str:
    """Who is told, what was told, and a test."""
    return _alarms(())


@views.post("/alarms/test")
def test() -> ResponseReturnValue:
    """Send a message to each service and say what became of it."""
    hands = _hands()
    if hands is None or not hands.services:
        abort(404)
    return _alarms(hands.test())


def _alarms(tested: tuple[Delivery, ...]) -> str:
    hands = _hands()
    return render_template(
        "alarms.html",
        services=hands.services if hands else (),
        tested=[(delivery.words(), delivery.sent) for delivery in tested],
        told=[_Told(a.utc_s, a.title, a.detail, not a.sent) for a in store().book.alarms()],
        moment=words.moment,
    )


@views.post("/watches/forget")
def forget() -> ResponseReturnValue:
    """Expect no more signs of life of a watch that died."""
    with _writing() as opened:
        opened.book.end_sign(request.form.get("watch", ""))
    return redirect(url_for("prints.all_prints"), 303)


@views.post("/layer")
def layer() -> ResponseReturnValue:
    """Called by the printer's host at each layer, with the key in the Authorization header.

    A browser never sends that header by itself, so a foreign page can't make it call.
    """
    hands = _hands()
    scheme, _, key = request.headers.get("Authorization", "").partition(" ")
    name = request.args.get("printer", "")
    if hands is None or scheme.lower() != "bearer" or not hands.layer(name, key):
        abort(403)
    return "", 204
