"""The page that explains each kind of fault with a picture of what is measured."""

import cv2
import html5lib
import pytest
from bench.help_pictures import FRAMES, HELP, WIDTH_PX

from watcher.page import create_app
from watcher.page.explained import KINDS


@pytest.fixture
def text(tmp_path):
    answer = create_app(tmp_path).test_client().get("/help")
    assert answer.status_code == 200
    return answer.get_data(as_text=True)


def test_it_is_valid_html_with_a_way_back(text):
    tree = html5lib.HTMLParser(strict=True, namespaceHTMLElements=False).parse(text)
    ids = [e.get("id") for e in tree.iter() if e.get("id")]
    assert len(ids) == len(set(ids))
    assert all(e.get("aria-labelledby") in ids for e in tree.iter("section") if len(e.attrib) > 1)
    assert "/" in [e.get("href") for e in tree.iter("a")]
    assert not any(e.get("style") for e in tree.iter())


@pytest.mark.parametrize("kind", KINDS, ids=lambda k: k.title)
def test_each_kind_has_its_picture_and_three_sentences(text, kind):
    picture = cv2.imread(str(HELP / kind.picture))
    assert (picture.shape[1], picture.shape[0]) == kind.size
    assert kind.size[0] == WIDTH_PX
    assert f"/static/help/{kind.picture}" in text
    for sentence in (kind.happens, kind.measured, kind.missed, kind.shown):
        assert sentence.endswith(".")
        assert len(sentence) < 280
    assert not any(". " in s for s in (kind.happens, kind.measured, kind.missed)), "one each"


def test_the_documented_command_makes_just_these_pictures():
    assert {f"{name}.webp" for name in FRAMES} == {kind.picture for kind in KINDS}
    held = list(HELP.iterdir())
    assert {path.name for path in held} == {kind.picture for kind in KINDS}
    assert sum(path.stat().st_size for path in held) < 600_000


def test_it_says_what_it_must_not_be_trusted_with(text):
    words = " ".join(text.split())
    for caution in (
        "no smoke or fire alarm",
        "independent smoke alarm",
        "cut the power",
        "It may miss a fault",
        "maker's manual",
        "wait, ventilate",
        "200 °C",
        "protection against overheating",
    ):
        assert caution in words


def test_every_page_leads_to_it(folder):
    client = create_app(folder).test_client()
    for path in ("/", "/run/1", "/run/99"):
        assert 'href="/help"' in client.get(path).get_data(as_text=True)


def test_its_pictures_load_and_fit_the_screen(watched, serve, folder):
    page = watched.page
    page.goto(serve(folder) + "/help")
    page.evaluate("for (const i of document.images) i.loading = 'eager'")
    # Fails where a picture does not come.
    page.evaluate("Promise.all([...document.images].map(i => i.decode())).then(() => true)")
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    assert page.evaluate(
        "[...document.images].every(i => i.getBoundingClientRect().width <= innerWidth)"
    )
