"""Choosing and ordering prints by an address."""

from __future__ import annotations

import os
import time
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.after import Spent
from watcher.page.sought import Sought, chosen, ordered, sought
from watcher.records import Advice
from watcher.store import Lift, Listed

EVENING = datetime(2026, 11, 25, 22, 30, tzinfo=UTC).timestamp()


def one(number, **changes):
    usual = {
        "id": number,
        "name": "Vent bracket",
        "source": "",
        "watch": "left",
        "started_utc_s": EVENING,
        "state": "finished",
        "deleted_utc_s": None,
        "frame_size": (480, 270),
        "elapsed_s": 60.0,
        "newest_frame": None,
        "advice": Advice("carry on", "Carry on: all lie flat."),
        "kinds": frozenset(),
        "biggest_lift": None,
        "said": None,
        "stopped_utc_s": None,
        "pace": None,
        "outcome": "",
        "material": "PETG",
        "notes": "",
        "spool_id": None,
    }
    return Listed(**(usual | changes))


STOP = Advice("stop", "Stop: it lifts.", "corner-lift", "right corner")
RUNS = [
    one(1, advice=STOP, kinds=frozenset({"corner-lift"}), biggest_lift=Lift("a", 2.0, 0.1)),
    one(2, advice=STOP, said="still fine"),
    one(3, advice=STOP, outcome="good", said="it is failing"),
    one(4, outcome="failed", material="PA6-CF", elapsed_s=600.0),
    one(5, advice=None, name="Hinge pin", notes="Glue stick, dried"),
    one(6, said="stopped", biggest_lift=Lift("a", 3.0, 0.1)),
]


def ids(**asked):
    return [
        r.id for r in chosen(RUNS, sought(asked), lambda r: r.advice.sentence if r.advice else "")
    ]


@pytest.mark.parametrize(
    ("asked", "found"),
    [
        ({}, [1, 2, 3, 4, 5, 6]),
        ({"text": "HINGE glue"}, [5]),
        ({"text": "lifts"}, [1, 2, 3]),
        ({"text": "left hinge dried"}, [5]),
        ({"text": "nowhere"}, []),
        # A person's word goes before the advice, as in the sums of the cost.
        ({"outcome": "failed"}, [1, 4, 6]),
        ({"outcome": "good"}, [2, 3]),
        ({"outcome": "open"}, [1, 5]),
        ({"outcome": "stop"}, [1, 2, 3]),
        ({"outcome": "fine"}, [4, 6]),
        ({"outcome": "look"}, []),
        ({"outcome": "none"}, [5]),
        ({"material": "PA6-CF"}, [4]),
        ({"part": "Hinge pin"}, [5]),
        ({"kind": "corner-lift"}, [1]),
        ({"material": "PETG", "outcome": "failed"}, [1, 6]),
        # What makes no sense chooses nothing out.
        (
            {"outcome": "x", "kind": "x", "since": "yesterday", "order": "x", "page": "x"},
            [1, 2, 3, 4, 5, 6],
        ),
    ],
)
def test_what_is_asked_for_is_found(asked, found):
    assert ids(**asked) == found


@pytest.mark.parametrize(
    ("asked", "found"),
    [
        # 22:30 UTC is half past eleven in Vienna and the next morning in Auckland.
        ({"since": "2026-11-25", "until": "2026-11-25", "zone": "Europe/Vienna"}, True),
        ({"since": "2026-11-26", "zone": "Europe/Vienna"}, False),
        ({"until": "2026-11-25", "zone": "Pacific/Auckland"}, False),
        ({"since": "2026-11-26", "zone": "Pacific/Auckland"}, True),
        ({"since": "0001-01-01", "until": "9999-12-31", "zone": "Pacific/Auckland"}, True),
    ],
)
def test_a_day_begins_in_the_viewers_zone(asked, found):
    assert bool(ids(**asked)) is found


def test_without_a_zone_it_is_the_machines_own(monkeypatch):
    monkeypatch.setenv("TZ", "Pacific/Auckland")
    time.tzset()
    try:
        assert ids(since="2026-11-26")
        assert not ids(until="2026-11-25")
    finally:
        monkeypatch.undo()
        time.tzset()
    assert os.environ.get("TZ") != "Pacific/Auckland"


def bill(**changes):
    usual = {"month": "", "hours": 1.0, "filament_mm": 1.0, "mass_g": None, "money": None}
    return Spent(**(usual | {"failed": False} | changes))


def test_orders():
    bills = {n: bill(filament_mm=float(n)) for n in range(1, 7)} | {2: bill(money=3.0)}
    told = {
        order: [r.id for r in ordered(RUNS, order, lambda: bills)]
        for order in ("newest", "lift", "longest", "cost")
    }
    assert told == {
        "newest": [1, 2, 3, 4, 5, 6],
        "lift": [6, 1, 2, 3, 4, 5],
        "longest": [4, 1, 2, 3, 5, 6],
        "cost": [2, 6, 5, 4, 3, 1],
    }


def test_costs_are_only_summed_up_where_they_are_asked_for():
    ordered(RUNS, "lift", lambda: pytest.fail("asked for costs"))


@given(
    st.dictionaries(
        st.sampled_from(["text", "outcome", "material", "part", "kind", "since", "zone", "page"]),
        st.text(max_size=30)
        | st.sampled_from(["2026-11-25", "Europe/Vienna", "../x", "7", "stop"]),
    )
)
def test_any_address_can_be_read_and_leads_back_to_the_same(asked):
    what = sought(asked)
    again = sought({name: str(value) for name, value in what.address().items()})
    expected = what if what.since or what.until else Sought(**{**vars(what), "zone": ""})
    assert again == expected
    chosen(RUNS, what, lambda _: "")
