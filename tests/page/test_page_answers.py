"""What the server answers: valid HTML, strict headers, JSON, and nothing outside the runs."""

from __future__ import annotations

import json

import html5lib
import pytest

from watcher.page import create_app, in_words, listen
from watcher.page.pictures import picture_version
from watcher.page.words import amount, beside_level, duration, how_sure
from watcher.records import Advice
from watcher.store import Store
from watcher.trouble import Trouble


@pytest.fixture
def client(folder):
    return create_app(folder).test_client()


@pytest.mark.parametrize(
    "path",
    [
        "/",
        "/run/1",
        "/run/2",
        "/run/3",
        "/run/4",
        "/run/99",
        "/run/1/beside",
        "/alarms",
        "/sign-in",
    ],
)
def test_html_is_valid(client, path):
    parser = html5lib.HTMLParser(strict=True, namespaceHTMLElements=False)
    tree = parser.parse(client.get(path).get_data(as_text=True))
    ids = [element.get("id") for element in tree.iter() if element.get("id")]
    assert len(ids) == len(set(ids))
    # Every id that a label or a description points to is there.
    for element in tree.iter():
        for name in ("for", "aria-labelledby", "aria-describedby"):
            assert element.get(name) is None or element.get(name) in ids
    # The strict content policy forbids these.
    assert not [
        e for e in tree.iter() if e.get("style") or any(k.startswith("on") for k in e.attrib)
    ]
    assert all(e.get("src") for e in tree.iter("script"))


def test_html_of_an_empty_store_is_valid(tmp_path):
    text = create_app(tmp_path).test_client().get("/").get_data(as_text=True)
    html5lib.HTMLParser(strict=True).parse(text)
    assert "Nothing has been watched yet" in text
    assert not (tmp_path / "watcher.db").exists()


@pytest.mark.parametrize("path", ["/", "/run/1", "/api/run/1", "/run/99", "/static/page.css", "/x"])
def test_each_answer_has_strict_headers(client, path):
    headers = client.get(path).headers
    policy = dict(part.split(" ", 1) for part in headers["Content-Security-Policy"].split("; "))
    assert policy["default-src"] == "'none'"
    assert policy["script-src"] == policy["style-src"] == policy["connect-src"] == "'self'"
    assert policy["frame-ancestors"] == "'none'"
    assert headers["X-Content-Type-Options"] == "nosniff"
    assert headers["Referrer-Policy"] == "no-referrer"


@pytest.mark.parametrize("path", ["/", "/run/1", "/run/99"])
def test_each_page_carries_the_cautions(client, path):
    text = client.get(path).get_data(as_text=True)
    assert "no fire or smoke alarm" in text
    assert "may miss faults" in text


def test_the_page_tells_the_stop_without_scripts(client):
    text = client.get("/run/1").get_data(as_text=True)
    assert "The right corner has lifted 1.0 ± 0.1 mm" in text
    assert "Began 20 min into the print" in text
    assert "Here the right corner began to lift." in text


def test_data_of_a_run_comes_whole_and_in_parts(client):
    whole = client.get("/api/run/1").get_json()
    assert [f["number"] for f in whole["frames"]] == list(range(60))
    assert whole["advice"]["level"] == "stop"
    assert [m["number"] for m in whole["moments"]] == [20, 30]
    part = client.get("/api/run/1?since=55").get_json()
    assert [f["number"] for f in part["frames"]] == [55, 56, 57, 58, 59]
    assert all(min(s["numbers"]) >= 55 for s in part["series"])
    assert len(part["moments"]) == 2
    lines = client.get("/api/run/1/outlines?since=10&until=12").get_json()
    assert sorted(lines) == ["10", "11"]
    assert {line["role"] for line in lines["10"]} == {"expected", "measured"}


def test_json_holds_no_number_that_browsers_refuse(client):
    for path in ("/api/run/1", "/api/run/1/outlines?since=0&until=60"):
        text = client.get(path).get_data(as_text=True)
        json.loads(text, parse_constant=_refuse)


def _refuse(name: str) -> None:
    pytest.fail(f"{name} is no JSON")


@pytest.mark.parametrize(
    "path",
    [
        "/api/run/99",
        "/api/run/99/outlines",
        "/run/99",
        "/run/99/picture/00001.jpg",
        "/run/1/picture/00099.jpg",
        "/run/1/picture/..%2f..%2f..%2fwatcher.db",
        "/run/1/picture/..%5cwatcher.db",
        "/run/1/picture/%2e%2e",
        "/run/1/picture/%00",
        "/run/99999999999999999999999/picture/00001.jpg",
        "/run/99999999999999999999999",
        "/run/-1",
        "/run/1/picture/",
        "/static/../timelapse.html",
    ],
)
def test_what_is_not_there_is_not_found(client, path):
    assert client.get(path).status_code == 404


@pytest.mark.parametrize("since", ["-1", "x", "", "1e9", "9" * 30, "²", "١"])
def test_an_odd_question_is_no_error(client, since):
    assert client.get("/api/run/1", query_string={"since": since}).status_code == 200
    assert (
        client.get("/api/run/1/outlines", query_string={"since": since, "until": since}).status_code
        == 200
    )


def test_a_picture_comes_as_it_was_kept_and_may_be_kept_by_browsers(client, folder):
    with Store.open(folder, write=False) as store:
        run = store.run(1)
    address = f"/run/1/picture/00060.jpg?v={picture_version(run)}"
    answer = client.get(address)
    kept = folder / "runs" / "1" / "frames" / "00060.jpg"
    assert answer.data == kept.read_bytes()
    assert answer.mimetype == "image/jpeg"
    assert "immutable" in answer.headers["Cache-Control"]
    # The address names the run's start: another store's run 1 has other addresses.
    assert f'data-version="{picture_version(run)}"' in client.get("/run/1").get_data(as_text=True)


def test_a_store_that_can_not_be_read_is_told_in_one_sentence(tmp_path):
    (tmp_path / "watcher.db").write_bytes(b"no database" * 100)
    client = create_app(tmp_path).test_client()
    page = client.get("/")
    assert page.status_code == 503
    assert "is not a database" in page.get_data(as_text=True)
    assert "not a database" in client.get("/api/run/1").get_json()["trouble"]


def test_a_taken_port_is_told_in_one_sentence(folder):
    first = listen(create_app(folder), "127.0.0.1", 0)
    try:
        port = int(first.url.rstrip("/").rsplit(":", 1)[1])
        with pytest.raises(Trouble, match="another port"):
            listen(create_app(folder), "127.0.0.1", port)
    finally:
        first.close()


def test_runs_in_words(folder):
    with Store.open(folder, write=False) as store:
        told = {run.name: in_words(run) for run in store.runs()}
    left = told["Vent bracket, left"]
    assert left.started == "2025-11-30 15:53 UTC" or left.started.endswith("UTC")
    assert left.lasted == "59 min"
    assert left.level == "stop"
    assert told["Vent bracket, right"].biggest_lift == "none above the measuring error"
    assert told["Hinge pin"].outcome == "Nothing was judged."
    assert told["Handle"].state.startswith("interrupted")


def test_words():
    assert [duration(s) for s in (0, 59.9, 60, 3599, 3600, 36300)] == [
        "0 s",
        "59 s",
        "1 min",
        "59 min",
        "1 h 00 min",
        "10 h 05 min",
    ]
    assert amount(3.14, 0.21, "mm") == "3.1 ± 0.2 mm"
    assert amount(0.314, 0.05, "mm") == "0.31 ± 0.05 mm"
    assert amount(12.0, None, "") == "12.0"
    stop = Advice("stop", "Stop: it lifts.", amount=3.0, sigma=0.1)
    assert beside_level(stop) == "It lifts."
    assert beside_level(Advice("stop", "Stop the print, it lifts.")) == "Stop the print, it lifts."
    assert beside_level(Advice("stop", "Stop.")) == "Stop."
    assert how_sure(stop) == "sure: 30 times the measuring error"
    assert how_sure(Advice("have a look", "", amount=0.3, sigma=0.2)).startswith("not sure")
    assert how_sure(Advice("carry on", "", amount=0.3, sigma=0.1)) == ""
