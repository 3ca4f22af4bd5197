"""The report: valid by the HTML standard's parser, opens from a file without asking anybody."""

import base64
import itertools
import re
from importlib.resources import files

import cv2
import html5lib
import made_up
import numpy as np
import pytest
from page.test_page_contrast import contrast

from watcher.export import report as report_module
from watcher.export.kept_run import read_run
from watcher.export.report import report_of
from watcher.store import Store

SIZES = [(390, 844), (1440, 900)]
HTML = "{http://www.w3.org/1999/xhtml}"
STYLE = files("watcher.export").joinpath("report.html").read_text(encoding="utf-8")
COLOURS = dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6});", STYLE))


@pytest.fixture
def report(store, kept, progress):
    return report_of(store, kept, progress).decode("utf-8")


@pytest.fixture
def tree(report):
    return html5lib.HTMLParser(strict=True).parse(report)


def words(element):
    return " ".join(" ".join(element.itertext()).split())


def test_it_is_valid_html(report):
    """``html5lib`` with its strict parser stops at every parse error of the HTML standard."""
    html5lib.HTMLParser(strict=True).parse(report)
    with pytest.raises(html5lib.html5parser.ParseError):
        html5lib.HTMLParser(strict=True).parse(report.replace("</h1>", "</h2>", 1))


def test_it_tells_the_story(tree):
    body = words(tree.find(f"{HTML}body"))
    assert made_up.NAME in body
    assert made_up.sentence(made_up.STOP) in body
    assert "30 min, stop (00031.jpg)" in body
    assert "Here it began." in body
    assert "What was at stake, 30 min into the print" in body
    assert "Stopping a good print loses 1.25 spent + 4.00 for the part = 5.25." in body
    assert "False stops in 100 nights 2" in body
    assert "A collision not said" in body
    assert "it is failing (corner lift, right corner)" in body
    assert "00041.jpg: the picture is cut short" in body
    assert "no fire or smoke alarm" in body
    assert made_up.SECRET not in body


def test_places_that_were_never_seen_are_told(tree):
    body = words(tree.find(f"{HTML}body"))
    count = made_up.COUNT
    assert f"back corner never measured {count} of {count} pictures" in body
    # All but the unplaced and the last picture, which was not judged.
    assert f"right corner 1.8 ± 0.1 mm at 38 min 1.8 ± 0.1 mm 2 of {count} pictures" in body


def test_it_is_built_for_screen_readers(tree):
    levels = [int(e.tag[-1]) for e in tree.iter() if re.fullmatch(rf"{HTML}h[1-6]", str(e.tag))]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after - before <= 1 for before, after in itertools.pairwise(levels))
    assert tree.get("lang") == "en"
    pictures = list(tree.iter(f"{HTML}img"))
    assert len(pictures) == 3
    assert all(len(e.get("alt")) > 20 for e in pictures)
    ids = [e.get("id") for e in tree.iter() if e.get("id")]
    assert len(ids) == len(set(ids))
    for e in tree.iter():
        assert e.get("aria-labelledby", ids[0]) in ids
    for table in tree.iter(f"{HTML}table"):
        assert table.find(f"{HTML}caption") is not None
        assert all(th.get("scope") for th in table.iter(f"{HTML}th"))


def test_its_pictures_are_those_of_the_moments_and_the_last_one(tree):
    shades = []
    for e in tree.iter(f"{HTML}img"):
        coded = base64.b64decode(e.get("src").removeprefix("data:image/jpeg;base64,"))
        bgr = cv2.imdecode(np.frombuffer(coded, np.uint8), cv2.IMREAD_COLOR)
        assert (int(e.get("width")), int(e.get("height"))) == (bgr.shape[1], bgr.shape[0])
        shades.append(bgr[10:50, 10:50].mean())
    wanted = [made_up.shade(n) for n in (made_up.ONSET, made_up.STOP, made_up.COUNT - 1)]
    np.testing.assert_allclose(shades, wanted, atol=2)


def test_nothing_in_it_leads_elsewhere(tree, report):
    addresses = [e.get(a) for e in tree.iter() for a in ("src", "href", "data", "poster", "action")]
    assert all(a.startswith("data:") for a in addresses if a)
    assert not [e for e in tree.iter() if e.tag in (f"{HTML}script", f"{HTML}link")]
    assert "url(" not in report
    assert "@import" not in report


@pytest.mark.parametrize("size", SIZES)
def test_a_browser_opens_it_from_a_file_without_a_word(browser, report, tmp_path, size):
    path = tmp_path / "night of 3.html"
    path.write_text(report, encoding="utf-8")
    context = browser.new_context(viewport={"width": size[0], "height": size[1]}, offline=True)
    page = context.new_page()
    wrongs, asked = [], []
    page.on("pageerror", lambda error: wrongs.append(str(error)))
    page.on("console", lambda message: wrongs.append(message.text))
    page.on("request", lambda request: asked.append(request.url))
    page.goto(path.as_uri())
    page.wait_for_load_state("load")
    assert page.evaluate("[...document.images].every(i => i.complete && i.naturalWidth > 0)")
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    assert page.locator("svg polyline").count() >= 2
    assert page.locator("svg").first.bounding_box()["height"] > 80
    context.close()
    assert wrongs == []
    assert [a for a in asked if not a.startswith("data:")] == [path.as_uri()]


def test_it_prints_as_a_few_pages_with_whole_pictures(browser, report, tmp_path):
    path = tmp_path / "night.html"
    path.write_text(report, encoding="utf-8")
    page = browser.new_page()
    page.goto(path.as_uri())
    printed = page.pdf(format="A4")
    page.emulate_media(media="print")
    heights = page.evaluate("[...document.images].map(i => i.getBoundingClientRect().height)")
    page.close()
    pages = len(re.findall(rb"/Type\s*/Page\b", printed))
    assert 2 <= pages <= 8
    # Three fifths of an A4 page at 96 px per inch, so that none is cut by a page's end.
    assert max(heights) <= 0.6 * 297 / 25.4 * 96


@pytest.mark.parametrize("colour", ["ink", "soft", "stop", "look", "fine", "blue"])
def test_text_is_readable(colour):
    """WCAG 2.2, success criterion 1.4.3: 4.5 to 1."""
    assert contrast(COLOURS[colour], "#ffffff") >= 4.5


def test_a_picture_that_is_gone_is_named(tmp_path, progress):
    with Store.open(tmp_path, write=True) as store:
        made_up.fill(store)
        store.frame_path(1, made_up.name(made_up.STOP)).unlink()
        told = report_of(store, read_run(store, 1), progress).decode()
    html5lib.HTMLParser(strict=True).parse(told)
    assert "The picture 00031.jpg is gone or broken." in told


def test_of_many_moments_the_stops_are_shown(store, kept, progress, monkeypatch):
    monkeypatch.setattr(report_module, "MOST_PICTURES", 1)
    told = report_of(store, kept, progress).decode()
    assert told.count("<img ") == 2
    assert "<h3>Moment 2</h3>" in told
    assert "<h3>Moment 1</h3>" not in told
    assert "Here it began." in told


def test_a_run_of_which_nothing_was_judged_is_told_too(tmp_path, progress):
    with Store.open(tmp_path, write=True) as store:
        made_up.fill(store, 1)
        told = report_of(store, read_run(store, 1), progress).decode()
    html5lib.HTMLParser(strict=True).parse(told)
    assert "Nothing could be measured." in told
    assert "no advice" in told
