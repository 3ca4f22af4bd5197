"""The button on a run's page: what a person says is kept, and nobody else may press it."""

import re

import pytest

from watcher.page import create_app
from watcher.store import Store


@pytest.fixture
def own(tmp_path):
    """A store of its own, for these tests write into it."""
    from artificial import fill  # noqa: PLC0415

    fill(tmp_path, 40)
    return tmp_path


class Person:
    """Fills in the form of a run's page, as a browser does."""

    def __init__(self, client):
        self.get = client.get
        self._client = client

    def post(self, path, data):
        form = self.get("/run/1").get_data(as_text=True)
        token = re.search(r'name="csrf_token" value="([^"]+)"', form)[1]
        return self._client.post(path, data={**data, "csrf_token": token})


@pytest.fixture
def client(own):
    return Person(create_app(own).test_client())


def kept(folder, run=1):
    with Store.open(folder, write=False) as store:
        return [k.answer for k in store.answers(run)]


def test_an_answer_is_kept_with_the_advice_that_the_person_saw(client, own):
    form = {"said": "still fine", "kind": "corner-lift", "place": "back left corner"}
    told = client.post("/run/1/answer", data=form)
    assert told.status_code == 303
    assert told.headers["Location"] == "/run/1"
    (answer,) = kept(own)
    assert (answer.said, answer.kind, answer.place) == tuple(form.values())
    assert answer.utc_s > 1.6e9
    page = client.get("/run/1").get_data(as_text=True)
    assert "still fine." in page
    assert page.count("Answered") == 1


def test_without_a_kind_it_goes_with_the_advice_that_stands(client, own):
    assert client.post("/run/1/answer", data={"said": "it is failing"}).status_code == 303
    assert (kept(own)[0].kind, kept(own)[0].place) == ("corner-lift", "right corner")
    client.post("/run/2/answer", data={"said": "stopped", "kind": "nonsense"})
    assert kept(own, 2)[0].kind is None


@pytest.mark.parametrize("form", [{}, {"said": ""}, {"said": "drop table"}])
def test_an_odd_answer_is_refused(client, own, form):
    told = client.post("/run/1/answer", data=form)
    assert told.status_code == 400
    assert "Say one of" in told.get_data(as_text=True)
    assert kept(own) == []


def test_there_is_nothing_to_answer_where_no_run_is(client):
    assert client.post("/run/99/answer", data={"said": "still fine"}).status_code == 404
    assert client.get("/run/1/answer").status_code == 405


def test_a_form_from_elsewhere_can_not_answer(own):
    client = create_app(own).test_client()
    told = client.post("/run/1/answer", data={"said": "still fine"})
    assert told.status_code in (400, 403)
    assert kept(own) == []


def test_the_button_is_pressed_in_a_browser(watched, serve, own):
    watched.page.goto(serve(own) + "run/1")
    watched.page.get_by_role("button", name="Still fine").click()
    watched.page.wait_for_url("**/run/1")
    watched.page.get_by_text("still fine.").wait_for()
    (answer,) = kept(own)
    assert (answer.said, answer.kind, answer.place) == (
        "still fine",
        "corner-lift",
        "right corner",
    )
