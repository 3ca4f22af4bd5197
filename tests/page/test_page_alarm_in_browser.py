"""The page's own alarm, in a browser: it sounds when it loses contact, when a watch gives no sign
of life, and while an advice to stop waits for an answer."""

from __future__ import annotations

import shutil
import threading

import pytest

from watcher.alarms.concern import from_advice
from watcher.page import create_app, listen
from watcher.store import Store, machine

HEARD = """() => {
  window.tones = 0;
  const start = OscillatorNode.prototype.start;
  OscillatorNode.prototype.start = function (...args) {
    window.tones += 1;
    start.apply(this, args);
  };
}"""


@pytest.fixture
def data(folder, tmp_path):
    """The made-up runs once more, to be changed."""
    return shutil.copytree(folder, tmp_path / "kept")


@pytest.fixture
def served(data):
    server = listen(create_app(data), "127.0.0.1", 0)
    threading.Thread(target=server.run, daemon=True).start()
    yield server
    server.close()


@pytest.fixture
def page(browser, served):
    context = browser.new_context()
    page = context.new_page()
    page.clock.install()
    page.add_init_script(f"({HEARD})()")
    yield page
    context.close()


def sign(data, run_id=None, trouble=""):
    with Store.open(data, write=True) as store:
        store.book.sign("left", run_id, 30.0, trouble)


def alarm(page):
    return page.evaluate("document.documentElement.dataset.alarm")


def later(page, seconds):
    """Let the page's clock run on in steps that leave its requests time to be answered."""
    for _ in range(int(seconds / 5)):
        page.clock.run_for(5000)
        page.wait_for_timeout(50)


def test_it_is_quiet_while_all_is_well_and_asks_for_leave_to_sound(page, data, served):
    sign(data)
    page.goto(served.url)
    page.locator("html[data-alarm]").wait_for(state="attached")
    assert alarm(page) == "quiet"
    assert page.get_by_role("button", name="Let this page sound").is_visible()
    page.get_by_role("button", name="Let this page sound").click()
    page.locator("#life").wait_for(state="hidden")
    assert page.evaluate("window.tones") == 0


def test_it_sounds_when_it_has_lost_contact(page, data, served):
    sign(data)
    page.goto(served.url)
    page.get_by_role("button", name="Let this page sound").click()
    served.close()
    later(page, 20)
    assert alarm(page) == "quiet", "one answer that is late is no reason to wake somebody"
    later(page, 20)
    assert alarm(page) == "loud"
    assert "lost contact" in page.locator("#life-words").inner_text()
    assert page.evaluate("window.tones") > 0


def test_it_sounds_when_a_watch_gives_no_sign_of_life(page, data, served, monkeypatch):
    sign(data)
    page.goto(served.url)
    page.get_by_role("button", name="Let this page sound").click()
    long_after = machine.monotonic_s() + 60
    monkeypatch.setattr(machine, "monotonic_s", lambda: long_after)
    later(page, 10)
    assert alarm(page) == "loud"
    assert "left: no sign of life for 1 min" in page.locator("#life-words").inner_text()
    assert page.evaluate("window.tones") > 0


def test_it_sounds_when_a_watch_is_hindered(page, data, served):
    sign(data, trouble="No usable picture has come for 2 min.")
    page.goto(served.url)
    page.locator("html[data-alarm=loud]").wait_for(state="attached")
    assert "No usable picture" in page.locator("#life-words").inner_text()


def test_an_advice_to_stop_sounds_until_somebody_says_it_was_heard(page, data, served):
    with Store.open(data, write=True) as store:
        # As a run that is still being watched.
        store._db.execute("UPDATE runs SET ended_utc_s = NULL, ending = NULL WHERE id = 1")
        advice = store.run(1).advice
    sign(data, run_id=1)
    page.goto(f"{served.url}run/1/beside")
    page.locator("html[data-alarm=loud]").wait_for(state="attached")
    assert "lifted" in page.locator("#life-words").inner_text()
    with Store.open(data, write=True) as store:
        store.book.note_alarm(
            1,
            concern=from_advice(advice).key,
            title="STOP THE PRINT",
            sentence=advice.sentence,
            sent=True,
            detail="",
            answer_before=None,
        )
    page.get_by_role("button", name="I have heard it").click()
    page.locator("html[data-alarm=quiet]").wait_for(state="attached")
    assert page.get_by_text("Answered: it is not repeated.").is_visible()


def test_without_a_watch_the_page_asks_for_nothing(page, served):
    page.goto(served.url)
    page.locator("html[data-alarm]").wait_for(state="attached")
    assert alarm(page) == "quiet"
    assert not page.locator("#life").is_visible()
