"""Before, compare and cost: their answers, and the views in a browser at both sizes."""

from __future__ import annotations

import artificial
import pytest

from watcher.page import create_app
from watcher.store import Condition, Spool, SpoolEvent, Store

SETTINGS = {"layer_height": "0.2", "brim_width": "0", "total layers": "60"}
SHEET = {
    "title": "Before vent bracket",
    "verdict": "Not ready: filament. Not tested: stop.",
    "ready": False,
    "items": [
        {
            "name": "filament",
            "state": "not ready",
            "sentence": "It runs out at layer 8 of 64.",
            "more": ["It takes 12.3 m."],
        },
        {"name": "stop", "state": "not tested", "sentence": "It was never tested.", "more": []},
        {"name": "light", "state": "ready", "sentence": "Middle grey is 90.", "more": []},
    ],
    "cautions": ["No fire alarm."],
}


@pytest.fixture(scope="module")
def kept(tmp_path_factory):
    """Two runs that differ in their brim, a third to make a series, a spool, a list."""
    folder = tmp_path_factory.mktemp("kept")
    artificial.fill(folder)
    with Store.open(folder, write=True) as store:
        spool = store.ledger.add_spool(
            Spool(0, "black", "PA6", 1.75, 1.14, 50.0, 750.0, 200.0, False, 1.7e9)
        )
        for run, brim, outcome in ((1, "0", "failed"), (2, "8", "good"), (3, "8", "good")):
            store.ledger.keep_job(
                run,
                settings=SETTINGS | {"brim_width": brim},
                outcome=outcome,
                spool_id=spool,
                material="PA6",
            )
        store.ledger.note_spool(spool, SpoolEvent(1.7645e9, "used", length_mm=6000, run_id=1))
        begin = 1.7645e9
        store.ledger.keep_conditions(
            [Condition("", "chamber_c", begin + 60 * n, 60 - n / 4, "test") for n in range(50)],
            begin,
        )
        store.ledger.keep_sheet(1.77e9, SHEET)
    return folder


@pytest.fixture
def client(kept):
    return create_app(kept).test_client()


def test_compare_lists_only_what_differs(client):
    text = client.get("/compare?run=1&run=2").get_data(as_text=True)
    assert "brim_width" in text
    assert "layer_height" not in text
    assert "things changed at once" not in text


def test_compare_steps_by_layer_and_curves_are_by_layer(client):
    data = client.get("/api/compare?run=1&run=2").get_json()
    assert [step["layer"] for step in data["steps"]] == list(range(1, 61))
    assert data["steps"][5]["pictures"] == ["00006.jpg", "00006.jpg"]
    # The second run has twenty pictures: from then on its last one stays.
    assert data["steps"][40]["pictures"] == ["00041.jpg", "00020.jpg"]
    right = next(s for s in data["runs"][0]["series"] if s["place"] == "right corner")
    at_41 = next(p for p in right["points"] if p[0] == 41)
    assert at_41[1] == pytest.approx(2.0, abs=0.4)


def test_a_series_tells_effects_with_their_interval(client):
    text = client.get("/compare?run=1&run=2&run=3").get_data(as_text=True)
    assert "Fisher" in text
    assert "0 of 2 failed" in text
    assert "1 of 1 failed" in text


@pytest.mark.parametrize(
    ("query", "status"),
    [("", 200), ("?run=99", 404), ("?run=x", 200), ("?run=1", 200), ("?run=" + "9" * 30, 200)],
)
def test_odd_choices_are_answered(client, query, status):
    assert client.get(f"/compare{query}").status_code == status


def test_compare_data_needs_two(client):
    assert client.get("/api/compare?run=1").status_code == 400


def test_cost_by_hand(client):
    """Run 1 took 6 m of 1.75 mm at 1.14: 6000 * 2.40528 * 0.00114 = 16.45 g, 0.82 of money."""
    text = client.get("/cost").get_data(as_text=True)
    # Of four runs one is still being written or was interrupted, and one failed.
    assert "1 of 4" in text
    assert "16 g, 0.82" in text


def test_conditions_are_told_by_the_runs_own_time(client):
    (chamber,) = client.get("/api/run/1/conditions").get_json()["series"]
    assert chamber["points"][0] == [0.0, 60.0]
    assert chamber["points"][40] == [2400.0, 50.0]
    # The second run is 20 minutes long.
    (chamber,) = client.get("/api/run/2/conditions").get_json()["series"]
    assert chamber["points"][-1][0] == 1140.0
    assert client.get("/api/run/99/conditions").status_code == 404


def test_before_without_a_list_says_how_to_make_one(tmp_path):
    text = create_app(tmp_path).test_client().get("/before").get_data(as_text=True)
    assert "watcher before" in text


def test_what_a_setting_holds_is_shown_as_text(tmp_path):
    artificial.fill(tmp_path, frames=3)
    with Store.open(tmp_path, write=True) as store:
        store.ledger.keep_job(1, settings={"<b>k</b>": "<script>alert(1)</script>"})
    text = create_app(tmp_path).test_client().get("/compare?run=1&run=2").get_data(as_text=True)
    assert "<script>alert" not in text
    assert "&lt;script&gt;" in text


# In a browser


def fits(page):
    return page.evaluate("document.documentElement.scrollWidth <= innerWidth")


def test_the_list_shows_what_is_not_ready_first(watched, serve, kept):
    page = watched.page
    page.goto(serve(kept) + "before")
    assert page.locator(".point h3").first.inner_text().lower().startswith("✗ filament")
    assert page.get_by_text("Not ready: filament. Not tested: stop.").is_visible()
    assert fits(page)


def test_two_runs_are_stepped_through_by_layer(watched, serve, kept):
    page = watched.page
    page.goto(serve(kept))
    menu = page.get_by_role("button", name="Menu")
    if menu.is_visible():
        menu.click()
    page.get_by_role("link", name="What changed").click()
    page.get_by_label("Vent bracket, left").check()
    page.get_by_label("Vent bracket, right").check()
    page.get_by_role("button", name="Compare").click()
    page.wait_for_selector("body[data-ready]")
    page.get_by_role("slider").fill("9")
    assert page.locator("#layer-words").inner_text() == "10 of 60"
    for k in (0, 1):
        assert "00010.jpg" in page.locator(f"#picture-{k}").get_attribute("src")
        page.wait_for_function(
            "k => document.querySelector(`#picture-${k}`).naturalWidth > 0", arg=k
        )
    assert page.get_by_role("rowheader", name="brim_width").is_visible()
    assert "right corner: at most" in page.locator("#curve-names").inner_text()
    painted = page.evaluate(
        """() => { const c = document.querySelector('#curves');
            return c.getContext('2d').getImageData(0, 0, c.width, c.height).data
                .filter((v, i) => i % 4 === 3 && v > 0).length; }"""
    )
    assert painted > 1000
    assert fits(page)


def test_cost_and_spools_fit_the_screen(watched, serve, kept):
    page = watched.page
    page.goto(serve(kept) + "cost")
    assert page.get_by_text("black").is_visible()
    assert page.locator("#months tbody tr").count() >= 1
    assert fits(page)


def test_chamber_is_drawn_under_the_lift_curve(watched, serve, kept):
    page = watched.page
    page.goto(serve(kept) + "run/1")
    chart = page.get_by_role("img", name="chamber 48 to 60 °C")
    chart.wait_for()
    strip = page.locator("#strip").bounding_box()
    assert chart.bounding_box()["y"] >= strip["y"] + strip["height"] - 1
    assert fits(page)
