"""The list of prints: what it tells, deleting and bringing back, without scripts and with them."""

from __future__ import annotations

import re
import shutil

import artificial
import many
import pytest
from markup import badly_formed

from watcher.page import create_app
from watcher.page.prints import ON_A_PAGE
from watcher.records import Answer
from watcher.store import REMOVED_AFTER_S, Store, machine

RUNS = ON_A_PAGE + 12


@pytest.fixture(scope="module")
def full(tmp_path_factory):
    """More runs than a page of the list holds; tests must not change it."""
    path = tmp_path_factory.mktemp("many")
    many.fill(path, RUNS, pictures=1)
    return path


@pytest.fixture
def own(folder, tmp_path):
    """The made-up runs, to change."""
    return shutil.copytree(folder, tmp_path / "own")


@pytest.fixture
def client(own):
    return create_app(own).test_client()


def post(client, path, ids, at="/", **more):
    text = client.get(at).get_data(as_text=True)
    token = re.search(r'name="csrf_token" value="([^"]+)"', text)[1]
    form = {"csrf_token": token, "run": ids, **more}
    return client.post(path, data=form)


def rows(text):
    return [int(n) for n in re.findall(r'data-run="(\d+)"', text)]


def text_of(client, path="/"):
    return client.get(path).get_data(as_text=True)


def test_a_row_tells_outcome_lift_cost_material_and_time(client, own):
    with Store.open(own, write=True) as store:
        store.keep_answer(1, Answer("stopped", artificial.STARTED_UTC_S + 1800.0))
        store.ledger.keep_job(2, outcome="good", material="PA6-CF")
    text = text_of(client)
    left = text[text.index('data-run="1"') :]
    left = " ".join(re.sub(r"<[^>]+>", " ", left[: left.index("</li>")]).split())
    for words in (
        "stop The right corner has lifted 1.0 ± 0.1 mm",
        "you stopped it",
        "2025-11-30 10:53 UTC",
        "59 min",
        "60 pictures, 1 left out as unusable",
        "± 0.1 mm, right corner",
        "saved by stopping: 0.6 h, 3.2 m",
    ):
        assert words in left, (words, left)
    assert "came out well" in text
    assert "PA6-CF" in text


def test_pages_of_the_list_hold_every_run_once(full):
    client = create_app(full).test_client()
    first, second = rows(text_of(client)), rows(text_of(client, "/?page=2"))
    assert (len(first), len(second)) == (ON_A_PAGE, RUNS - ON_A_PAGE)
    assert first + second == list(range(RUNS, 0, -1))
    assert rows(text_of(client, "/?page=99")) == second


def test_a_link_asks_for_what_it_says(full):
    client = create_app(full).test_client()
    text = text_of(client, "/?text=latch&material=PLA&order=lift")
    found = rows(text)
    assert found
    assert all((n - 1) % 5 == 4 and (n - 1) % 3 == 2 for n in found)
    assert f"{len(found)} of {RUNS} prints" in text
    assert badly_formed(text) == []
    assert "No print is like that" in text_of(client, "/?text=nowhere")


def test_a_list_takes_the_same_few_queries_however_many_runs(full, own, monkeypatch):
    asked = []
    plain = Store.open

    def counted(*args, **more):
        opened = plain(*args, **more)
        opened._db.conn.set_trace_callback(asked.append)
        return opened

    monkeypatch.setattr(Store, "open", counted)
    numbers = {}
    for folder in (full, own):
        asked.clear()
        text_of(create_app(folder).test_client(), "/?order=cost")
        numbers[folder] = sum("SELECT" in statement for statement in asked)
    assert numbers[full] == numbers[own] == 10


def test_deleting_and_undoing_without_scripts(client, own):
    answer = post(client, "/prints/delete", ["1", "3"])
    assert answer.status_code == 303
    text = text_of(client, answer.location)
    assert rows(text) == [4, 2]
    assert "2 prints are deleted" in text
    assert "Deleted prints (2)" in text
    assert badly_formed(text) == []
    assert set(rows(text_of(client, "/?deleted=1"))) == {1, 3}
    assert "0 of 2 failed" not in text_of(client, "/cost")
    assert "of 2" in text_of(client, "/cost")
    text = text_of(client, post(client, "/prints/bring-back", ["1", "3"], answer.location).location)
    assert "2 prints were brought back." in text
    assert set(rows(text)) == {1, 2, 3, 4}


def test_what_is_being_watched_stays_and_is_said(client, own):
    with Store.open(own, write=True) as store:
        live = artificial.begin(store, "Live")
        answer = post(client, "/prints/delete", [str(live), "2"])
        text = text_of(client, answer.location)
        assert live in rows(text)
        assert 2 not in rows(text)
        assert "1 print was left alone" in text
        row = text[text.index(f'data-run="{live}"') :]
        assert "checkbox" not in row[: row.index("</li>")]


def test_the_list_is_as_it_was_asked_for_after_deleting(client):
    answer = post(
        client, "/prints/delete", ["2"], was_text="bracket", was_order="lift", was_page="1"
    )
    assert "text=bracket" in answer.location
    assert "order=lift" in answer.location
    assert rows(text_of(client, answer.location)) == [1]


@pytest.mark.parametrize("ids", [[], ["x"], ["-1"], ["9" * 30]])
def test_an_odd_choice_is_told(client, ids):
    answer = post(client, "/prints/delete", ids)
    assert answer.status_code == 400
    assert "Choose a print first." in answer.get_data(as_text=True)


def test_a_deleted_print_says_when_it_goes_and_how_much_room_it_takes(client, own, monkeypatch):
    post(client, "/prints/delete", ["1"])
    text = text_of(client, "/?deleted=1")
    assert "removed for good after <time" in text
    assert re.search(r"</time>, \d+ MB</span>", text)
    later = machine.utc_s() + REMOVED_AFTER_S + 1
    monkeypatch.setattr(machine, "utc_s", lambda: later)
    text = text_of(client, post(client, "/prints/delete", ["2"]).location)
    assert re.search(r"removed for good: \d+ MB are free again", text)
    post(client, "/prints/bring-back", ["2"])
    assert "Nothing is deleted" in text_of(client, "/?deleted=1")
    assert client.get("/run/1").status_code == 404


def test_hundreds_can_be_deleted_at_once(full, tmp_path):
    own = shutil.copytree(full, tmp_path / "own")
    client = create_app(own).test_client()
    answer = post(client, "/prints/delete", [str(n) for n in range(1, RUNS + 1)])
    assert "Nothing has been watched yet" in text_of(client, answer.location)


# In a browser


def ready(page):
    page.wait_for_selector("body[data-ready]")


def shown(page):
    return page.locator(".print").evaluate_all("rows => rows.map(r => Number(r.dataset.run))")


def test_the_list_narrows_while_one_types(watched, serve, full):
    page = watched.page
    page.goto(serve(full))
    ready(page)
    page.get_by_label("Search").press_sequentially("latch")
    page.wait_for_function(f"() => document.querySelectorAll('.print').length === {RUNS // 5}")
    assert page.evaluate("document.activeElement.name") == "text"
    assert page.url.endswith("/?text=latch")
    page.locator("summary").click()
    page.get_by_label("Material").select_option("PLA")
    page.wait_for_function("() => location.search.includes('material=PLA')")
    page.wait_for_function(f"() => document.querySelectorAll('.print').length < {RUNS // 5}")
    found = shown(page)
    page.goto(page.url)
    assert shown(page) == found
    assert page.get_by_label("Material").input_value() == "PLA"
    page.get_by_label("Order").select_option("lift")
    page.wait_for_function("() => location.search.includes('order=lift')")


def test_prints_are_deleted_by_keys_and_undone(watched, serve, own):
    page = watched.page
    page.goto(serve(own))
    ready(page)
    assert not page.get_by_role("button", name="Delete").is_visible()
    for name in ("Vent bracket, left", "Hinge pin"):
        page.get_by_role("checkbox", name=name).focus()
        page.keyboard.press("Space")
    assert page.get_by_text("2 chosen").is_visible()
    compare = page.get_by_role("link", name="What changed between them?")
    assert compare.get_attribute("href").endswith("/compare?run=3&run=1")
    page.get_by_role("button", name="Delete").focus()
    page.keyboard.press("Enter")
    page.get_by_text("2 prints are deleted").wait_for()
    assert shown(page) == [4, 2]
    # The undo has the focus.
    page.keyboard.press("Enter")
    page.get_by_text("2 prints were brought back.").wait_for()
    assert set(shown(page)) == {1, 2, 3, 4}


def test_the_list_stays_fresh_and_leaves_focus_scroll_and_choice(watched, serve, tmp_path):
    page = watched.page
    many.fill(tmp_path, 20, pictures=1)
    with Store.open(tmp_path, write=True) as store:
        live = artificial.begin(store, "Live")
        store._db.execute("UPDATE runs SET started_utc_s = 2e9 WHERE id = ?", (live,))
        page.goto(serve(tmp_path))
        ready(page)
        box = page.get_by_role("checkbox").nth(12)
        box.check()
        link = page.locator(".name a").nth(13)
        link.focus()
        link.evaluate("a => { a.mark = 'same'; scrollTo(0, a.getBoundingClientRect().top - 300); }")
        before = page.evaluate("[scrollY, document.querySelectorAll('.print').length]")
        artificial.feed(store, live, range(2))
        page.get_by_text("2 pictures").wait_for(timeout=20000)
        assert page.evaluate("document.activeElement.mark") == "same"
        assert box.is_checked()
        assert abs(page.evaluate("scrollY") - before[0]) < 60
        # A row that has the focus takes its news, too.
        row = page.locator(f".print[data-run='{live}']")
        row.locator("a").focus()
        artificial.feed(store, live, range(2, artificial.STOP + 1))
        row.locator(".outcome.stop").wait_for(timeout=20000)
        assert page.evaluate("document.activeElement.textContent") == "Live"


def test_a_lost_server_is_told_and_asked_again(browser, serve, own):
    context = browser.new_context()
    page = context.new_page()
    page.goto(serve(own))
    ready(page)
    context.set_offline(True)
    page.get_by_label("Order").select_option("lift")
    page.get_by_text("No answer from watcher").wait_for()
    context.set_offline(False)
    page.get_by_role("button", name="Try again").click()
    page.get_by_text("No answer from watcher").wait_for(state="hidden")
    assert shown(page)[0] == 1
    context.close()


def test_a_program_that_was_started_anew_takes_the_press_all_the_same(browser, serve, own):
    """Another start has another secret: the page's own token is worth nothing any more."""
    context = browser.new_context()
    page = context.new_page()
    page.goto(serve(own))
    ready(page)
    token = page.locator("#prints [name=csrf_token]")
    token.evaluate("t => { t.value = 'of-an-earlier-start'; }")
    page.get_by_role("checkbox", name="Hinge pin").check()
    page.get_by_role("button", name="Delete").click()
    page.get_by_text("Hinge pin is deleted").wait_for()
    context.close()


def test_a_picture_that_is_gone_leaves_a_word(browser, serve, own):
    (own / "runs" / "1" / "frames" / "00060.jpg").unlink()
    context = browser.new_context()
    page = context.new_page()
    page.goto(serve(own))
    page.locator(".print[data-run='1']").get_by_text("picture gone").wait_for()
    context.close()


def test_times_are_the_viewers(browser, serve, own):
    context = browser.new_context(timezone_id="Pacific/Auckland", locale="en-GB")
    page = context.new_page()
    page.goto(serve(own))
    ready(page)
    time = page.locator(".print time").first
    # 1.7645e9 is 2025-11-30 10:53:20 UTC; Auckland is 13 hours ahead in November.
    assert time.inner_text() == "30 Nov 2025, 23:53"
    assert time.get_attribute("title") == "2025-11-30 10:53 UTC"
    context.close()
