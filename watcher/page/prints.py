"""Views: the list of watched prints; deleting some and bringing them back."""

from __future__ import annotations

import time
from dataclasses import dataclass
from typing import Any

from flask import Blueprint, abort, current_app, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue

from watcher.after import Spent
from watcher.page import words
from watcher.page.learnt import spent
from watcher.page.life import described
from watcher.page.opened import FOLDER, store
from watcher.page.pictures import picture_version
from watcher.page.small import WIDTHS, small_addresses
from watcher.page.sought import KINDS, ORDERS, OUTCOMES, chosen, ordered, sought
from watcher.page.words import listed_sentence
from watcher.store import REMOVED_AFTER_S, Listed, Store

views = Blueprint("prints", __name__)

ON_A_PAGE = 48
MOST_AT_ONCE = 500
"""So many can be deleted by one press."""


@dataclass(frozen=True)
class _Row:
    """One print, ready to be shown."""

    one: Listed
    version: str
    sentence: str
    lasted: str
    state: str
    pictures: str
    lift: str
    """``3.1 ± 0.2 mm, right corner``; empty where none stands out of the measuring error."""
    cost: str
    saved: str
    verdict: str
    """What persons said of it."""
    goes_utc_s: float | None
    """When it is removed for good, where it is deleted."""
    room: str


@views.get("/")
def all_prints() -> str:
    """The prints that the address asks for, a page of them."""
    what = sought(request.args)
    deleted = request.args.get("deleted") == "1"
    everything = store().shelf.listed(deleted=deleted)
    found = chosen(everything, what, listed_sentence)
    found = ordered(found, what.order, lambda: spent(store(), found))
    pages = max(1, -(-len(found) // ON_A_PAGE))
    page = min(what.page, pages)
    shown = found[(page - 1) * ON_A_PAGE : page * ON_A_PAGE]
    return render_template(
        "prints.html",
        folder=current_app.config[FOLDER],
        watches=[described(sign, time.time()) for sign in store().book.signs()],
        watching=any(one.state == "watching" for one in everything),
        what=what,
        deleted=deleted,
        all_deleted=len(everything) if deleted else store().shelf.deleted(),
        rows=_rows(shown),
        found=len(found),
        everything=len(everything),
        page=page,
        pages=pages,
        materials=_values(one.material for one in everything),
        parts=_values(one.name for one in everything),
        kinds={kind: words.fault(kind) for kind in KINDS},
        outcomes=OUTCOMES,
        orders=ORDERS,
        first=(page - 1) * ON_A_PAGE,
        address=lambda **changes: _address(what.address(**changes), deleted),
        told=_told(),
        gone=_gone(),
        days=round(REMOVED_AFTER_S / 86400),
        widths=WIDTHS,
        small=small_addresses,
    )


def _values(names: Any) -> list[str]:
    return sorted({name for name in names if name}, key=str.casefold)


def _address(fields: dict[str, str | int], deleted: bool) -> str:
    return url_for("prints.all_prints", **({"deleted": 1} if deleted else {}), **fields)  # type: ignore[arg-type]


def _gone() -> list[Listed]:
    """What was deleted a moment ago by the press that led here, and still can be undone."""
    numbers = set(_numbers(request.args.getlist("gone")))
    if not numbers:
        return []
    return [one for one in store().shelf.listed(deleted=True) if one.id in numbers]


def _told() -> str:
    """What else came of the press that led here."""
    sentences = []
    if back := _number("back"):
        sentences.append(f"{_prints(back)} brought back.")
    if kept := _number("kept"):
        sentences.append(f"{_prints(kept)} left alone: what is being watched stays.")
    if freed := _number("freed"):
        sentences.append(
            f"What was deleted longer ago is removed for good: {words.room(freed)} are free again."
        )
    return " ".join(sentences)


def _number(name: str) -> int:
    """A number that the press that led here gave on; 0 where there is none."""
    return next(iter(_numbers([request.args.get(name, "")])), 0)


def _prints(number: int) -> str:
    return f"{number} {'print was' if number == 1 else 'prints were'}"


def _rows(shown: list[Listed]) -> list[_Row]:
    counts = store().shelf.counts([one.id for one in shown])
    bills = spent(store(), shown)
    return [_row(one, counts.get(one.id, (0, 0)), bills[one.id]) for one in shown]


def _row(one: Listed, count: tuple[int, int], bill: Spent) -> _Row:
    frames, skipped = count
    lift = one.biggest_lift
    gone = one.deleted_utc_s
    return _Row(
        one=one,
        version=picture_version(one),
        sentence=listed_sentence(one),
        lasted=words.duration(one.elapsed_s),
        state=words.state(one.state),
        pictures=words.pictures(frames, skipped),
        lift="" if lift is None else words.lift(lift),
        cost=_cost(bill.filament_mm, bill.mass_g, bill.money) if bill.filament_mm else "",
        saved=f"{bill.saved_hours:.1f} h, " + _cost(bill.saved_mm, bill.saved_g, bill.saved_money)
        if bill.saved_hours
        else "",
        verdict=_verdict(one),
        goes_utc_s=None if gone is None else gone + REMOVED_AFTER_S,
        room="" if gone is None else words.room(store().shelf.bytes_of(one.id)),
    )


def _cost(length_mm: float, mass_g: float | None, money: float | None) -> str:
    """``142 g, 7.11``: what is known of it; money has no sign, for nobody said which."""
    parts = []
    if mass_g is not None:
        parts.append(f"{mass_g:.0f} g")
    elif length_mm:
        parts.append(f"{length_mm / 1000:.1f} m")
    if money is not None:
        parts.append(f"{money:.2f}")
    return ", ".join(parts)


def _verdict(one: Listed) -> str:
    """A person's last word."""
    if one.outcome:
        return "failed" if one.outcome == "failed" else "came out well"
    if one.said == "stopped":
        return "you stopped it"
    return f"you said: {one.said}" if one.said else ""


@views.post("/prints/delete")
def delete() -> ResponseReturnValue:
    """Delete the chosen prints; what is being watched stays."""
    chosen_ids = _chosen_ids()
    with Store.open(current_app.config[FOLDER], write=True) as opened:
        gone = opened.shelf.delete(chosen_ids)
    more: dict[str, Any] = {"gone": gone}
    if len(gone) < len(chosen_ids):
        more["kept"] = len(chosen_ids) - len(gone)
    if freed := sum(one.freed for one in opened.shelf.removed):
        more["freed"] = freed
    return _back(more)


@views.post("/prints/bring-back")
def bring_back() -> ResponseReturnValue:
    """Undo deleting the chosen prints."""
    with Store.open(current_app.config[FOLDER], write=True) as opened:
        back = opened.shelf.bring_back(_chosen_ids())
    return _back({"back": len(back)})


def _chosen_ids() -> list[int]:
    numbers = _numbers(request.form.getlist("run"))
    if not numbers:
        abort(400, "Choose a print first.")
    return numbers


def _numbers(texts: list[str]) -> list[int]:
    """Each run's number once."""
    found = [int(t) for t in texts if t.isascii() and t.isdigit() and len(t) <= 18]
    return list(dict.fromkeys(found))[:MOST_AT_ONCE]


def _back(more: dict[str, Any]) -> ResponseReturnValue:
    """To the list as it was asked for before."""
    asked = {name: request.form.get(f"was_{name}", "") for name in _WAS}
    fields: dict[str, Any] = sought(asked).address()
    if request.form.get("was_deleted") == "1":
        fields["deleted"] = 1
    return redirect(url_for("prints.all_prints", **fields, **more), 303)


_WAS = ("text", "outcome", "material", "part", "kind", "since", "until", "zone", "order", "page")
