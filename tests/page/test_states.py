"""What the page says when something is missing, broken or refused."""

from __future__ import annotations

import shutil

import pytest
from flask import abort
from markup import badly_formed

from watcher.page import create_app
from watcher.trouble import Trouble

BROKEN = b"no database " * 100


@pytest.fixture
def app(folder):
    made = create_app(folder)

    @made.get("/broken/<int:code>")
    def broken(code):
        if code == 500:
            raise ZeroDivisionError
        if code == 409:
            raise Trouble("The printer does not answer.", "Look whether it is on.")
        abort(code)

    return made


@pytest.mark.parametrize(
    ("code", "words"),
    [
        (400, "makes no sense here"),
        (401, "you are not signed in"),
        (403, "you may look, but not act"),
        (404, "no such print or picture"),
        (405, "answers to a button"),
        (409, "The printer does not answer. Look whether it is on."),
        (413, "longer than anything"),
        (500, "what was kept is safe"),
        (418, "teapot"),
    ],
)
def test_each_refusal_says_what_it_means_and_leads_on(app, code, words):
    answer = app.test_client().get(f"/broken/{code}")
    text = answer.get_data(as_text=True)
    assert answer.status_code == code
    assert words in text
    assert badly_formed(text) == []
    assert '<a href="/">Watched prints</a>' in text
    # A view that broke can be asked for again, a refused one can't.
    assert ("Try again" in text) == (code == 500)


@pytest.mark.parametrize("host", [".", "evil.example", "a:b:c", "[::1"])
def test_a_foreign_host_name_is_told_in_plain_words(app, host):
    answer = app.test_client().get("/", headers={"Host": host})
    assert answer.status_code == 421
    assert "by that host name" in answer.get_data(as_text=True)


def test_what_a_view_says_itself_goes_before_the_usual_words(app):
    client = app.test_client()
    text = client.get("/api/compare?run=1").get_json()["trouble"]
    assert text == "Choose two runs."


def test_a_form_of_an_earlier_start_says_what_to_do(app):
    text = app.test_client().post("/prints/delete", data={"run": "1"}).get_data(as_text=True)
    assert "Load it again, then press once more." in text
    assert "Back to where you were" in text


def test_a_folder_that_cannot_be_read_is_told_and_shown_when_it_can(
    browser, serve, tmp_path, folder
):
    (tmp_path / "watcher.db").write_bytes(BROKEN)
    context = browser.new_context(viewport={"width": 390, "height": 844})
    page = context.new_page()
    answer = page.goto(serve(tmp_path))
    assert answer.status == 503
    page.get_by_text("is not a database").wait_for()
    page.get_by_text("Asked again every 5 seconds.").wait_for()
    shutil.copyfile(folder / "watcher.db", tmp_path / "watcher.db")
    page.get_by_role("heading", name="Watched prints").wait_for()
    context.close()


def test_states_have_no_barriers(watched, serve, tmp_path, folder, barriers):
    page = watched.page
    empty, own = serve(tmp_path / "none"), serve(shutil.copytree(folder, tmp_path / "own"))
    for view in ("", "before", "cost", "compare", "alarms", "?deleted=1"):
        page.goto(empty + view)
        assert barriers(page) == [], view
    page.goto(own)
    page.get_by_role("checkbox", name="Hinge pin").check()
    assert barriers(page) == []
    page.get_by_role("button", name="Delete").click()
    page.get_by_role("button", name="Undo").wait_for()
    assert barriers(page) == []
    page.goto(own + "?deleted=1")
    page.get_by_role("checkbox", name="Hinge pin").check()
    assert page.get_by_role("button", name="Bring back").is_visible()
    assert barriers(page) == []


@pytest.mark.parametrize("missing", ["prints.js", "words.js", "prints.css"])
def test_a_part_that_does_not_load_is_told(browser, serve, folder, missing):
    context = browser.new_context()
    page = context.new_page()
    page.route(f"**/{missing}", lambda route: route.abort())
    page.goto(serve(folder))
    page.get_by_text("A part of this page did not load").wait_for()
    # The list is there all the same.
    assert page.locator(".print").count() == 4
    page.unroute(f"**/{missing}")
    page.get_by_role("button", name="Load the page again").click()
    page.wait_for_selector("body[data-ready]")
    assert not page.get_by_text("A part of this page did not load").is_visible()
    context.close()


def test_a_script_that_breaks_is_told(browser, serve, folder):
    context = browser.new_context()
    page = context.new_page()
    page.route(
        "**/prints.js",
        lambda route: route.fulfill(
            content_type="text/javascript", body="await Promise.reject(new Error('x'));"
        ),
    )
    page.goto(serve(folder))
    page.get_by_text("A part of this page did not load or broke").wait_for()
    context.close()


def test_curves_that_do_not_come_are_told_and_asked_for_again(browser, serve, folder):
    context = browser.new_context()
    page = context.new_page()
    page.route("**/api/compare**", lambda route: route.abort())
    page.goto(serve(folder) + "compare?run=1&run=2")
    page.get_by_text("The curves and pictures could not be loaded").wait_for()
    page.unroute("**/api/compare**")
    page.get_by_role("button", name="Try again").click()
    page.wait_for_selector("body[data-ready]")
    assert not page.locator("#trouble").is_visible()
    context.close()


def test_without_scripts_the_list_narrows_deletes_and_undoes(browser, serve, folder, tmp_path):
    context = browser.new_context(java_script_enabled=False, viewport={"width": 390, "height": 844})
    page = context.new_page()
    page.goto(serve(shutil.copytree(folder, tmp_path / "own")))
    page.get_by_label("Search").fill("bracket")
    page.get_by_role("button", name="Show").click()
    assert page.locator(".print").count() == 2
    page.get_by_role("checkbox", name="Vent bracket, right").check()
    page.get_by_role("button", name="Delete").click()
    assert page.get_by_text("Vent bracket, right is deleted").is_visible()
    assert page.locator(".print").count() == 1
    page.get_by_role("button", name="Undo").click()
    assert page.locator(".print").count() == 2
    # That times are UTC stands in a noscript element, which this browser leaves out even so.
    assert page.locator(".print time").first.inner_text().endswith(" UTC")
    context.close()
