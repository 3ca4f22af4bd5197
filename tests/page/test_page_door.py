"""Who may look and stop. Each point of the door has a test that fails where the point is taken
out; those that are known from a list carry its name (OWASP cheat sheets, RFC 9106, RFC 6265bis).
"""

from __future__ import annotations

import http.client
import re
import shutil
import threading
from pathlib import Path
from urllib.parse import quote, urlencode

import argon2
import itsdangerous.timed
import pytest
from click.testing import CliRunner
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from itsdangerous import URLSafeTimedSerializer

from watcher.alarms import Delivery
from watcher.cli import main
from watcher.page import Door, access, create_app, door, door_of, listen, set_passphrase
from watcher.page.door import FILE
from watcher.store import KeptStop, Store
from watcher.trouble import BadAccess, BadStore

HASHER = door._hasher
PASSPHRASE = "four plain words here"
KEY = "0123456789abcdef"


class FakeHands:
    """Counts what it is asked to do."""

    services = ("json://192.0.2.4",)

    def __init__(self):
        self.stopped, self.tested, self.layers = [], 0, []

    def stop_words(self, watch):
        return "POST to http://192.0.2.8" if watch == "left" else ""

    def stop(self, run_id):
        self.stopped.append(run_id)
        return KeptStop(1, 0.0, "a person", "POST", False, True, "done")

    def test(self):
        self.tested += 1
        return (Delivery("json://192.0.2.4", False, "refused"),)

    def layer(self, name, key):
        if key == KEY:
            self.layers.append(name)
        return key == KEY


@pytest.fixture(scope="module", autouse=True)
def quick_hash():
    """A hash that takes a hundredth of the time; one test looks at the true one."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(door, "_hasher", argon2.PasswordHasher(1, 8, 1))
        yield


@pytest.fixture(scope="module")
def data(folder, tmp_path_factory, quick_hash) -> Path:
    """The made-up runs, the first one of the watch ``left``, and a passphrase."""
    path: Path = shutil.copytree(folder, tmp_path_factory.mktemp("door") / "kept")
    with Store.open(path, write=True) as store:
        store._db.execute("UPDATE runs SET watch = 'left' WHERE id = 1")
    set_passphrase(path, PASSPHRASE)
    return path


@pytest.fixture
def hands():
    return FakeHands()


@pytest.fixture
def client(data, hands):
    return create_app(data, door=door_of(data, "192.0.2.4"), hands=hands).test_client()


@pytest.fixture
def open_client(data, hands):
    """A page on loopback without a passphrase."""
    return create_app(data, hands=hands).test_client()


def token_of(client, path="/sign-in"):
    text = client.get(path).get_data(as_text=True)
    return re.search(r'name="csrf_token" value="([^"]+)"', text)[1]


def sign_in(client, passphrase=PASSPHRASE, **more):
    form = {"csrf_token": token_of(client), "passphrase": passphrase, **more}
    return client.post("/sign-in", data=form)


CHANGES = [
    ("/run/1/heard", {}),
    ("/run/1/stop", {"sure": "yes"}),
    ("/run/1/arm", {"minutes": "10"}),
    ("/alarms/test", {}),
    ("/watches/forget", {"watch": "left"}),
    ("/sign-out", {}),
]
PAGES = [
    "/",
    "/run/1",
    "/run/1/beside",
    "/run/1/stop",
    "/alarms",
    "/api/life",
    "/api/run/1",
    "/api/run/1/outlines",
    "/run/1/picture/00001.jpg",
]


def test_every_view_is_behind_the_door(client):
    """No view was forgotten: only signing in, share links, the layer's call and styles are open."""
    views = {
        rule.endpoint
        for rule in client.application.url_map.iter_rules()
        if rule.endpoint not in access._OPEN
    }
    for rule in client.application.url_map.iter_rules():
        if rule.endpoint not in views:
            continue
        path = re.sub(r"<int:\w+>", "1", rule.rule)
        path = re.sub(r"<\w+>", "00001.jpg", path)
        for method in rule.methods - {"HEAD", "OPTIONS"}:
            status = client.open(path, method=method).status_code
            assert status in (302, 401), (method, path)
    assert len(views) >= len(PAGES)


# Binding


@pytest.mark.parametrize("host", ["0.0.0.0", "192.0.2.4", "::", "workshop.example"])
def test_on_a_lan_address_it_refuses_to_start_without_a_passphrase(tmp_path, host):
    with pytest.raises(BadAccess, match="watcher passphrase"):
        door_of(tmp_path, host)
    result = CliRunner().invoke(main, ["page", "--host", host, "--data", str(tmp_path)])
    assert result.exit_code == 2
    assert "Set a passphrase first" in result.stderr


@pytest.mark.parametrize("host", ["127.0.0.1", "::1", "localhost", "127.3.2.1"])
def test_on_loopback_it_starts_without_one(tmp_path, host):
    assert not door_of(tmp_path, host).locked


def test_with_a_passphrase_it_starts_anywhere_and_asks_for_it(data):
    assert door_of(data, "0.0.0.0").locked
    assert door_of(data, "127.0.0.1").locked, "a passphrase is asked for on loopback, too"


def test_the_page_listens_on_loopback_by_default():
    options = {p.name: p.default for p in main.commands["tend"].params}
    assert options["host"] == "127.0.0.1"


# The passphrase


def test_the_passphrase_is_kept_as_a_memory_hard_hash_that_only_its_owner_reads(
    tmp_path, monkeypatch
):
    monkeypatch.setattr(door, "_hasher", HASHER)
    set_passphrase(tmp_path, PASSPHRASE)
    path = tmp_path / FILE
    text = path.read_text()
    assert PASSPHRASE not in text
    # RFC 9106 section 4, second recommended option: argon2id, 3 passes, 64 MiB, 4 lanes.
    assert "$argon2id$v=19$m=65536,t=3,p=4$" in text
    assert path.stat().st_mode & 0o077 == 0


def test_a_short_passphrase_is_refused(tmp_path):
    with pytest.raises(BadAccess, match="10 or more"):
        set_passphrase(tmp_path, "short")
    assert not (tmp_path / FILE).exists()


def test_a_damaged_access_file_locks_rather_than_opens(tmp_path):
    for text in ("", "{}", '{"passphrase": "", "secret": "x"}', "[1]"):
        (tmp_path / FILE).write_text(text)
        with pytest.raises(BadStore, match="anew"):
            door_of(tmp_path, "127.0.0.1")


def test_the_command_sets_it(tmp_path):
    typed = f"{PASSPHRASE}\n{PASSPHRASE}\n"
    result = CliRunner().invoke(main, ["passphrase", "--data", str(tmp_path)], input=typed)
    assert result.exit_code == 0, result.output
    assert PASSPHRASE not in result.output
    assert door_of(tmp_path, "0.0.0.0").opens(PASSPHRASE)


# Signing in


@pytest.mark.parametrize("path", PAGES)
def test_a_stranger_sees_nothing(client, path):
    answer = client.get(path)
    assert answer.status_code in (302, 401)
    assert b"bracket" not in answer.data.lower()


@pytest.mark.parametrize(("path", "form"), CHANGES)
def test_a_stranger_changes_nothing(client, hands, path, form):
    token = token_of(client)
    assert client.post(path, data={**form, "csrf_token": token}).status_code == 401
    assert (hands.stopped, hands.tested) == ([], 0)


def test_a_person_with_the_passphrase_comes_in_and_goes(client):
    assert sign_in(client, to="/run/1").headers["Location"] == "/run/1"
    for path in PAGES:
        assert client.get(path).status_code == 200, path
    client.post("/sign-out", data={"csrf_token": token_of(client, "/alarms")})
    assert client.get("/").status_code == 302


@pytest.mark.parametrize(
    "passphrase", ["", "wrong", PASSPHRASE.upper(), PASSPHRASE + " ", "x" * 5000]
)
def test_a_false_passphrase_does_not_open(client, passphrase):
    assert sign_in(client, passphrase).status_code == 403
    assert client.get("/").status_code == 302


def test_the_session_cookie_is_out_of_reach_of_scripts_and_of_other_sites(client):
    cookie = sign_in(client).headers["Set-Cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=Lax" in cookie


def test_a_session_does_not_outlive_a_change_of_the_passphrase(tmp_path):
    set_passphrase(tmp_path, PASSPHRASE)
    first = create_app(tmp_path, door=door_of(tmp_path, "192.0.2.4")).test_client()
    sign_in(first)
    cookie = first.get_cookie("watcher").value
    assert first.get("/").status_code == 200
    set_passphrase(tmp_path, PASSPHRASE)
    second = create_app(tmp_path, door=door_of(tmp_path, "192.0.2.4")).test_client()
    second.set_cookie("watcher", cookie)
    assert second.get("/").status_code == 302


def test_a_cookie_that_is_made_up_does_not_open(client):
    other = create_app(client.application.config["STORE_FOLDER"], door=Door("x", "y" * 64))
    with other.test_request_context():
        forged = other.session_interface.get_signing_serializer(other).dumps({"role": "all"})
    client.set_cookie("watcher", forged)
    assert client.get("/").status_code == 302


def test_tries_are_few_in_a_minute_even_with_the_right_passphrase(client):
    for _ in range(access.TRIES_A_MINUTE):
        assert sign_in(client, "wrong").status_code == 403
    assert sign_in(client, "wrong").status_code == 429
    assert sign_in(client).status_code == 429


def test_tries_from_many_addresses_are_few_too(client, monkeypatch):
    monkeypatch.setattr(Door, "opens", lambda *_: False)
    statuses = []
    for n in range(access.TRIES_OF_ALL_A_MINUTE + 1):
        form = {"csrf_token": token_of(client), "passphrase": ""}
        answer = client.post(
            "/sign-in", data=form, environ_base={"REMOTE_ADDR": f"192.0.2.{n + 1}"}
        )
        statuses.append(answer.status_code)
    assert statuses[-1] == 429
    assert set(statuses[:-1]) == {403}


@pytest.mark.parametrize(
    "to",
    ["//evil.example", "https://evil.example", "/\\evil.example", "\\\\evil", "evil", "/\n//x"],
)
def test_signing_in_leads_nowhere_else(client, to):
    assert sign_in(client, to=to).headers["Location"] == "/"


# Changes


@pytest.mark.parametrize(("path", "form"), CHANGES)
def test_a_change_without_our_token_is_not_made(client, hands, path, form):
    """Cross-site request forgery (OWASP)."""
    sign_in(client)
    for token in ({}, {"csrf_token": "made-up"}):
        answer = client.post(path, data={**form, **token})
        assert answer.status_code == 400
        assert "Load it again" in answer.get_data(as_text=True)
    assert (hands.stopped, hands.tested) == ([], 0)
    assert client.get("/").status_code == 200, "not even signed out"


@pytest.mark.parametrize(("path", "form"), CHANGES)
def test_on_loopback_too_a_change_without_our_token_is_not_made(open_client, hands, path, form):
    assert open_client.post(path, data=form).status_code == 400
    assert (hands.stopped, hands.tested) == ([], 0)


@pytest.mark.parametrize(("path", "form"), CHANGES)
def test_no_change_is_made_by_looking(client, hands, path, form):
    sign_in(client)
    client.get(path, query_string=form)
    assert (hands.stopped, hands.tested) == ([], 0)


def test_a_stop_is_pressed_and_confirmed(client, hands):
    sign_in(client)
    token = token_of(client, "/run/1/stop")
    asked = client.post("/run/1/stop", data={"csrf_token": token}).get_data(as_text=True)
    assert hands.stopped == []
    assert "Yes, stop it now" in asked
    assert "stay hot" in asked
    answer = client.post("/run/1/stop", data={"csrf_token": token, "sure": "yes"})
    assert answer.status_code == 303
    assert hands.stopped == [1]


def test_a_run_without_a_way_to_stop_has_no_such_page(client, hands):
    sign_in(client)
    token = token_of(client, "/alarms")
    assert client.get("/run/2/stop").status_code == 404
    form = {"csrf_token": token, "sure": "yes", "minutes": "5"}
    assert client.post("/run/2/stop", data=form).status_code == 404
    assert client.post("/run/2/arm", data=form).status_code == 404
    assert hands.stopped == []
    assert "no way to stop" in client.get("/run/2/beside").get_data(as_text=True)


def test_a_page_that_was_left_open_does_not_stop_another_print(folder, tmp_path, hands):
    data = shutil.copytree(folder, tmp_path / "kept")
    with Store.open(data, write=True) as store:
        store._db.execute("UPDATE runs SET watch = 'left' WHERE id IN (1, 2)")
    client = create_app(data, hands=hands).test_client()
    form = {"csrf_token": token_of(client, "/alarms"), "sure": "yes"}
    assert client.post("/run/1/stop", data=form).status_code == 404
    assert client.post("/run/2/stop", data=form).status_code == 303
    assert hands.stopped == [2]


@pytest.mark.parametrize(
    ("minutes", "armed"),
    [
        ("10", 10.0),
        ("1", 1.0),
        ("", None),
        ("0", ...),
        ("241", ...),
        ("nan", ...),
        ("inf", ...),
        ("x", ...),
    ],
)
def test_arming_takes_sensible_minutes_only(client, data, minutes, armed):
    sign_in(client)
    form = {"csrf_token": token_of(client, "/alarms"), "minutes": minutes}
    status = client.post("/run/1/arm", data=form).status_code
    with Store.open(data, write=True) as store:
        kept = store.book.armed_min(1)
        store.book.arm(1, None)
    assert status == (400 if armed is ... else 303)
    assert kept == (None if armed is ... else armed)


def test_an_answer_and_a_test_are_taken(client, data, hands):
    sign_in(client)
    form = {"csrf_token": token_of(client, "/run/1/beside")}
    client.post("/run/1/heard", data=form)
    with Store.open(data, write=False) as store:
        assert store.book.answered_at(1) is not None
    told = client.post("/alarms/test", data=form).get_data(as_text=True)
    assert hands.tested == 1
    assert "failed (refused)" in told


# Sharing


@pytest.fixture
def shared(data, hands):
    app = create_app(data, door=door_of(data, "192.0.2.4"), hands=hands)
    client = app.test_client()
    assert client.get(f"/shared/{door_of(data, 'localhost').share(10)}").status_code == 303
    return client


@pytest.mark.parametrize("path", [p for p in PAGES if p != "/run/1/stop"])
def test_a_shared_link_lets_look(shared, path):
    answer = shared.get(path)
    assert answer.status_code == 200
    assert b'method="post"' not in answer.data


@pytest.mark.parametrize(("path", "form"), CHANGES)
def test_a_shared_link_changes_nothing(shared, hands, path, form):
    token = token_of(shared)
    assert shared.post(path, data={**form, "csrf_token": token}).status_code == 403
    assert (hands.stopped, hands.tested) == ([], 0)


def test_a_shared_link_that_is_old_made_up_or_of_another_secret_opens_nothing(
    client, data, monkeypatch
):
    door = door_of(data, "localhost")
    links = ["x", "x.y.z", Door("h", "other").share(10), door.share(10)[:-2]]
    for link in links:
        assert client.get(f"/shared/{link}").status_code == 404
    old = door.share(1)
    later = itsdangerous.timed.time.time() + 3700
    monkeypatch.setattr(itsdangerous.timed.time, "time", lambda: later)
    assert client.get(f"/shared/{old}").status_code == 404
    assert client.get("/").status_code == 302


def test_a_session_cookie_is_no_share_link(client, data):
    sign_in(client)
    assert client.get(f"/shared/{client.get_cookie('watcher').value}").status_code == 404


@pytest.mark.parametrize("hours", [0, -1, 200, float("nan"), float("inf")])
def test_a_share_link_does_not_hold_for_ever(hours):
    with pytest.raises(BadAccess, match="hours"):
        Door("h").share(hours)


def test_the_command_prints_a_link_that_opens(client, data):
    told = CliRunner().invoke(main, ["share", "http://192.0.2.4:8537/", "--data", str(data)])
    assert told.exit_code == 0, told.output
    assert told.output.startswith("http://192.0.2.4:8537/shared/")
    assert client.get(told.output.strip().removeprefix("http://192.0.2.4:8537")).status_code == 303


# What goes over the wire


@pytest.mark.parametrize(
    ("host", "known"),
    [
        ("127.0.0.1:8537", True),
        ("localhost", True),
        ("[::1]:8537", True),
        ("192.0.2.4:8537", True),
        ("workshop.local", True),
        ("evil.example", False),
        ("127.0.0.1.evil.example", False),
        ("localhost.evil.example:8537", False),
    ],
)
def test_a_name_that_is_not_ours_is_not_answered(data, hands, host, known):
    """DNS rebinding: a page of the web makes its own name point here."""
    door = Door(names=frozenset({"workshop.local"}))
    client = create_app(data, door=door, hands=hands).test_client()
    answer = client.get("/api/life", headers={"Host": host})
    assert answer.status_code == (200 if known else 421)


@pytest.mark.parametrize("path", [*PAGES, "/sign-in", "/static/life.js", "/x"])
def test_security_headers_are_on_every_answer(client, path):
    """As the OWASP HTTP headers cheat sheet lists them."""
    sign_in(client)
    headers = client.get(path).headers
    policy = dict(part.split(" ", 1) for part in headers["Content-Security-Policy"].split("; "))
    assert policy["default-src"] == policy["base-uri"] == "'none'"
    assert policy["script-src"] == policy["style-src"] == policy["form-action"] == "'self'"
    assert policy["frame-ancestors"] == "'none'"
    assert "unsafe" not in headers["Content-Security-Policy"]
    assert headers["X-Content-Type-Options"] == "nosniff"
    assert headers["Referrer-Policy"] == "no-referrer"
    assert headers["Cross-Origin-Opener-Policy"] == "same-origin"
    assert headers["Cross-Origin-Resource-Policy"] == "same-origin"


@pytest.mark.parametrize("path", ["/", "/run/1/beside", "/api/life", "/sign-in"])
def test_nothing_but_pictures_and_styles_is_kept_by_browsers(client, path):
    sign_in(client)
    assert client.get(path).headers["Cache-Control"] == "no-store"


@pytest.mark.parametrize(
    "name",
    [
        "..%2f..%2f..%2faccess.json",
        "%2e%2e%2faccess.json",
        "....//access.json",
        "..%5c..%5caccess.json",
        "%2fetc%2fpasswd",
        "00001.jpg%00",
        ".%2f00001.jpg",
        "00001.jpg%2f..%2f..%2f..%2f..%2faccess.json",
    ],
)
def test_no_name_leads_out_of_a_run(client, name):
    sign_in(client)
    for path in (f"/run/1/picture/{name}", f"/static/{name}", f"/run/{name}/beside"):
        answer = client.get(path)
        assert answer.status_code in (308, 404), path
        assert b"argon2" not in answer.data


def test_a_form_that_is_too_large_is_refused(client):
    form = {"csrf_token": token_of(client), "passphrase": "x" * 20_000}
    assert client.post("/sign-in", data=form).status_code == 413
    many = {f"f{n}": (None, "x") for n in range(50)}
    answer = client.post("/sign-in", data=many, content_type="multipart/form-data")
    assert answer.status_code in (400, 413)


def test_a_body_that_is_too_large_is_refused_before_it_is_read(data):
    server = listen(create_app(data, door=door_of(data, "127.0.0.1")), "127.0.0.1", 0)
    threading.Thread(target=server.run, daemon=True).start()
    try:
        port = int(server.url.rstrip("/").rsplit(":", 1)[1])
        asked = http.client.HTTPConnection("127.0.0.1", port, timeout=10)
        asked.putrequest("POST", "/sign-in")
        asked.putheader("Content-Length", str(10**9))
        asked.endheaders()
        assert asked.getresponse().status == 413
        asked.close()
    finally:
        server.close()


def test_a_layer_is_called_for_with_the_key_alone(client, hands):
    ask = "/layer?printer=left"
    for headers in ({}, {"Authorization": "Bearer wrong"}, {"Authorization": f"Basic {KEY}"}):
        assert client.post(ask, headers=headers).status_code == 403
    sign_in(client)
    assert client.post(ask).status_code == 403, "a session is no key: forgery can't call either"
    assert client.post(ask, headers={"Authorization": f"Bearer {KEY}"}).status_code == 204
    assert hands.layers == ["left"]


# Whatever is asked, over a real socket


@pytest.fixture(scope="module")
def served(data):
    """Port of a served page, and the cookie and token of somebody who is signed in."""
    app = create_app(data, door=door_of(data, "localhost"), hands=FakeHands())
    with app.test_request_context():
        signer = app.session_interface.get_signing_serializer(app)
    cookie = signer.dumps({"role": "all", "csrf_token": "t" * 40})
    token = URLSafeTimedSerializer(app.secret_key, salt="wtf-csrf-token").dumps("t" * 40)
    server = listen(app, "127.0.0.1", 0)
    threading.Thread(target=server.run, daemon=True).start()
    yield int(server.url.rstrip("/").rsplit(":", 1)[1]), cookie, token
    server.close()


_words = st.text(st.characters(codec="utf-8"), max_size=30)
_pieces = st.one_of(
    st.sampled_from(["", "run", "1", "99", "api", "picture", "outlines", "stop", "static", ".."]),
    st.sampled_from(["%2e%2e", "%00", "%ff", "%", "life", "shared", "00001.jpg", "1" * 30]),
    _words.map(lambda words: quote(words, safe="")),
)
_paths = st.one_of(
    st.sampled_from([*PAGES, *(p for p, _ in CHANGES), "/layer", "/sign-in", "/shared/x"]),
    st.lists(_pieces, max_size=6).map(lambda pieces: "/" + "/".join(pieces)),
)
_fields = st.sampled_from(["since", "until", "to", "printer", "minutes", "sure", "watch"])
_pairs = st.dictionaries(st.one_of(_fields, _words), _words, max_size=4)
_headers = st.dictionaries(
    st.sampled_from(["Authorization", "Range", "If-None-Match", "If-Modified-Since", "Accept"])
    | st.sampled_from(["Origin", "Content-Type", "X-Forwarded-For", "Expect", "Host"]),
    st.text(st.characters(min_codepoint=32, max_codepoint=126), max_size=40),
    max_size=3,
)


@pytest.mark.parametrize("who", ["stranger", "person"])
@settings(max_examples=250, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    method=st.sampled_from(["GET", "GET", "POST", "POST", "PUT", "DELETE", "HEAD", "OPTIONS"]),
    path=_paths,
    query=_pairs,
    form=_pairs,
    headers=_headers,
)
def test_no_request_is_a_fault_of_the_server(served, who, method, path, query, form, headers):
    port, cookie, token = served
    if who == "person":
        headers = {**headers, "Cookie": f"watcher={cookie}"}
        form = {**form, "csrf_token": token}
    sent = urlencode(form).encode() if method in ("POST", "PUT") else None
    if sent:
        headers = {"Content-Type": "application/x-www-form-urlencoded", **headers}
    asked = http.client.HTTPConnection("127.0.0.1", port, timeout=20)
    asked.request(method, f"{path}?{urlencode(query)}", sent, headers)
    answer = asked.getresponse()
    told = answer.read()
    asked.close()
    assert answer.status < 500, told[:300]
