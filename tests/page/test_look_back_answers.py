"""What the server answers to those who look back: previews, data, labels, files to take away."""

from __future__ import annotations

import gzip
import json
import re
import time
from urllib.request import urlopen

import artificial
import cv2
import markup
import numpy as np
import pytest

from watcher.cli import _page
from watcher.export.served import Exports
from watcher.page import Door, create_app
from watcher.page.handed import file_name
from watcher.store import Store
from watcher.trouble import BadExport


@pytest.fixture
def own(tmp_path):
    artificial.fill(tmp_path, 40)
    return tmp_path


@pytest.fixture
def client(own):
    return create_app(own, exports=Exports(own)).test_client()


def token(client, path="/run/1"):
    return re.search(r'name="csrf_token" value="([^"]+)"', client.get(path).text)[1]


def post(client, path, **form):
    headers = {"Accept": "application/json"} if form.pop("script", False) else {}
    return client.post(path, data={**form, "csrf_token": token(client)}, headers=headers)


@pytest.mark.parametrize("path", ["/run/1", "/run/2", "/run/3", "/run/4", "/run/1?moment=1"])
def test_html_is_valid_with_all_that_can_be_taken_away(client, path):
    assert markup.badly_formed(client.get(path).text) == []


# Previews


def test_a_sheet_is_a_picture_that_browsers_may_keep(client):
    answer = client.get("/run/1/sheet/fine/0")
    assert answer.mimetype == "image/jpeg"
    assert "immutable" in answer.headers["Cache-Control"]
    sheet = cv2.imdecode(np.frombuffer(answer.data, np.uint8), cv2.IMREAD_COLOR)
    told = client.get("/api/run/1").get_json()["sheets"]["fine"]
    assert sheet.shape[:2] == (told["rows"] * told["size"][1], told["columns"] * told["size"][0])
    # An interrupted run may be carried on: its tail is not to be kept by browsers either.
    assert client.get("/run/4/sheet/fine/0").headers["Cache-Control"] == "no-store"


@pytest.mark.parametrize(
    "path",
    [
        "/run/1/sheet/fine/9",
        "/run/1/sheet/huge/0",
        "/run/3/sheet/fine/0",
        "/run/99/sheet/fine/0",
        "/run/1/sheet/fine/-1",
        "/run/1/sheet/fine/99999999999999999999999",
        "/run/99999999999999999999999/sheet/fine/0",
        "/run/1/file/everything",
        "/run/99/file/csv",
        "/run/1/film",
        "/api/run/99/film",
        "/run/1/moment/99/label",
    ],
)
def test_what_is_not_there_is_not_found(client, path):
    answer = post(client, path) if path.endswith("label") else client.get(path)
    assert answer.status_code == 404


def test_previews_take_no_path_from_outside(client):
    assert client.get("/run/1/sheet/..%2f..%2fframes/0").status_code == 404
    assert client.get("/run/1/sheet/fine/0.jpg").status_code == 404


def test_a_folder_that_may_not_be_written_still_shows_previews(own, monkeypatch):
    monkeypatch.setattr("watcher.store.previews.keep", lambda path, jpeg: False)
    answer = create_app(own).test_client().get("/run/1/sheet/coarse/0")
    assert answer.status_code == 200
    assert answer.headers["Cache-Control"] == "no-store"


# Data


def test_data_comes_packed_to_those_who_take_it(client):
    plain = client.get("/api/run/1")
    packed = client.get("/api/run/1", headers={"Accept-Encoding": "gzip"})
    assert packed.headers["Content-Encoding"] == "gzip"
    assert "Accept-Encoding" in packed.headers["Vary"]
    assert json.loads(gzip.decompress(packed.data)) == plain.get_json()
    assert len(packed.data) < len(plain.data) / 3
    refused = client.get("/api/run/1", headers={"Accept-Encoding": "gzip;q=0"})
    assert "Content-Encoding" not in refused.headers


def test_deleted_pictures_stay_in_the_data(own, client):
    artificial_run = own / "runs" / "1"
    with Store.open(own, write=True) as store:
        store._db.execute("UPDATE frames SET thinned = 1 WHERE run_id = 1 AND number = 5")
    (artificial_run / "frames" / artificial.name(5)).unlink()
    frames = client.get("/api/run/1").get_json()["frames"]
    assert [f["number"] for f in frames if f["gone"]] == [5]
    assert len(frames) == 40
    assert client.get(f"/run/1?frame={artificial.name(5)}").status_code == 200


def test_the_page_opens_with_the_picture_that_is_asked_for(client):
    def first(path):
        return re.search(r'id="first"[^>]*src="/run/1/picture/([^?]+)', client.get(path).text)[1]

    assert first("/run/1") == artificial.name(artificial.STOP)
    assert first("/run/1?moment=1") == artificial.name(artificial.ONSET)
    assert first("/run/1?frame=00003.jpg") == "00003.jpg"
    for odd in ("?frame=..%2f..%2fwatcher.db", "?moment=99", "?frame=99999.jpg", "?moment=x"):
        assert first("/run/1" + odd) == artificial.name(artificial.STOP)


# Labels


def test_labels_are_kept_and_go_with_the_run(client, own):
    name = "  Vent bracket,\nsecond\ttry " + chr(7)
    done = post(client, "/run/1/label", name=name, outcome="failed", notes="a\r\nb")
    assert done.status_code == 303
    assert done.headers["Location"] == "/run/1#label"
    done = post(client, "/run/1/moment/1/label", truth="true fault", cause="no glue", script=True)
    assert done.status_code == 204
    with Store.open(own, write=False) as store:
        assert store.run(1).name == "Vent bracket, second try"
        assert store.ledger.job(1).notes == "a\nb"
        assert store.moments(1)[0].cause == "no glue"
    assert "Vent bracket, second try" in client.get("/").text
    moment = client.get("/api/run/1").get_json()["moments"][0]
    assert (moment["truth"], moment["cause"]) == ("true fault", "no glue")
    told = client.get("/run/1/file/json").get_json()
    assert told["moments"][0]["truth"] == "true fault"
    assert told["run"]["name"] == "Vent bracket, second try"


def test_an_empty_name_gives_the_old_one_back(client, own):
    post(client, "/run/1/label", name="x", outcome="", notes="")
    post(client, "/run/1/label", name="", outcome="", notes="")
    with Store.open(own, write=False) as store:
        assert store.run(1).name == "Vent bracket, left"


@pytest.mark.parametrize(
    ("path", "form"),
    [
        ("/run/1/label", {"outcome": "splendid"}),
        ("/run/1/moment/1/label", {"truth": "maybe"}),
        ("/run/1/film", {"pace": "1000"}),
    ],
)
def test_odd_labels_are_refused(client, path, form):
    answer = post(client, path, **form)
    assert answer.status_code == 400
    assert "Say of" in answer.text or "Choose one" in answer.text


def test_what_is_written_is_shown_as_text(client):
    post(client, "/run/1/label", name="<b>x</b>", outcome="", notes="</textarea><script>")
    post(client, "/run/1/moment/1/label", truth="", cause='"><script>')
    text = client.get("/run/1").text
    assert "<b>x</b>" not in text
    assert "<script>" not in text
    assert markup.badly_formed(text) == []


def test_a_form_from_elsewhere_changes_nothing(client, own):
    for path in ("/run/1/label", "/run/1/moment/1/label", "/run/1/film"):
        assert client.post(path, data={"name": "x"}).status_code in (400, 403)
    with Store.open(own, write=False) as store:
        assert store.run(1).name == "Vent bracket, left"


def test_who_may_only_look_changes_nothing_and_sees_no_form(own):
    door = Door(passphrase="a hash that nothing opens")
    client = create_app(own, door=door, exports=Exports(own)).test_client()
    with client.session_transaction() as session:
        session["role"] = "look"
    text = client.get("/run/1").text
    assert "Nothing was noted." in text
    assert "<form" not in re.sub(r"<footer.*", "", text, flags=re.S)
    assert client.get("/run/1/file/csv").status_code == 200
    for path in ("/run/1/label", "/run/1/moment/1/label", "/run/1/film"):
        assert client.post(path).status_code in (400, 403)


def test_it_leads_to_the_bedside_and_to_alarms(client):
    text = client.get("/run/1").text
    for address in ("/run/1/night", "/run/1/beside"):
        assert f'href="{address}"' in text
        assert client.get(address).status_code == 200


# To take away


def test_files_have_names_that_say_what_they_are(client, own):
    for kind, ending in (("report", "html"), ("csv", "csv"), ("json", "json")):
        answer = client.get(f"/run/1/file/{kind}")
        assert answer.status_code == 200
        assert (
            answer.headers["Content-Disposition"]
            == f'attachment; filename="vent-bracket-left-2025-11-30-run-1.{ending}"'
        )
    with Store.open(own, write=True) as store:
        store.rename(1, "Schlüssel/„..“")
        assert file_name(store.run(1), ".mp4") == "schl-ssel-2025-11-30-run-1.mp4"
        store.rename(1, "零件")
        assert file_name(store.run(1), ".mp4") == "2025-11-30-run-1.mp4"


def test_a_run_without_pictures_has_nothing_to_take_away(client):
    assert "To take away" not in client.get("/run/3").text
    assert client.get("/run/3/file/report").status_code == 409


def test_the_command_offers_them(own):
    with _page(own, "127.0.0.1", 0) as address:
        with urlopen(address + "run/1") as page:
            assert b"To take away" in page.read()
        with urlopen(address + "run/1/file/csv") as table:
            assert table.read().startswith(b"number,picture,")


def test_without_what_makes_them_no_files_are_offered(own):
    client = create_app(own).test_client()
    assert "To take away" not in client.get("/run/1").text
    assert client.get("/run/1/file/csv").status_code == 404
    assert client.get("/api/run/1/film").status_code == 404


class Slow:
    """Makes films when it is told to."""

    def __init__(self):
        self.go = False
        self.fail = False
        self.asked = []

    def document(self, run_id, kind):
        return b""

    def film(self, run_id, path, *, per_second, lines, progress):
        self.asked.append((run_id, per_second, lines))
        progress(7, 40)
        while not self.go:
            time.sleep(0.005)
        if self.fail:
            raise BadExport("None of the pictures can be read.", "Restore them.")
        path.write_bytes(b"film")
        return "2 s, 0.1 MB."


def until(client, state, run=1):
    for _ in range(2000):
        told = client.get(f"/api/run/{run}/film").get_json()
        if told["state"] == state:
            return told
        time.sleep(0.005)
    raise AssertionError(told)


def test_a_film_is_made_beside_with_its_progress(own):
    slow = Slow()
    client = create_app(own, exports=slow).test_client()
    assert client.get("/api/run/1/film").get_json()["state"] == "none"
    assert post(client, "/run/1/film", pace="50", lines="yes").status_code == 303
    until(client, "making")
    assert client.get("/api/run/1/film").get_json()["words"] == "Being made: 7 of 40 pictures."
    assert "Being made: 7 of 40 pictures." in client.get("/run/1").text
    # A second press makes no second film; another run's waits.
    post(client, "/run/1/film", script=True)
    post(client, "/run/2/film", script=True)
    assert until(client, "waiting", 2)["words"].startswith("Waiting")
    assert client.get("/run/1/film").status_code == 404
    slow.go = True
    assert until(client, "ready")["words"] == "2 s, 0.1 MB."
    until(client, "ready", 2)
    assert slow.asked == [(1, 50, True), (2, 25, False)]
    film = client.get("/run/1/film")
    assert film.data == b"film"
    assert film.mimetype == "video/mp4"
    assert "run-1.mp4" in film.headers["Content-Disposition"]
    # A part of it may be asked for, as players do.
    part = client.get("/run/1/film", headers={"Range": "bytes=0-1"})
    assert (part.status_code, part.data) == (206, b"fi")


def test_a_film_that_fails_says_why_and_can_be_asked_for_again(own):
    slow = Slow()
    slow.go = slow.fail = True
    client = create_app(own, exports=slow).test_client()
    post(client, "/run/1/film")
    assert "None of the pictures can be read." in until(client, "failed")["words"]
    slow.fail = False
    post(client, "/run/1/film")
    until(client, "ready")
