"""How soon the view from bed shows something, over a night of 3,600 pictures on loopback.

``pytest -s tests/bench/test_night_paint.py``
"""

from __future__ import annotations

import importlib.util
import statistics
import sys
import threading
import time
from pathlib import Path

import pytest

from watcher.page import create_app, listen

PAGE = Path(__file__).parents[1] / "page"

FIRST = """() => new Promise(done => {
  const asked = () => {
    const paint = performance.getEntriesByName("first-contentful-paint")[0];
    if (!paint) { requestAnimationFrame(asked); return; }
    const image = performance.getEntriesByType("resource").find(e => e.name.includes("/picture/"));
    if (!image) { requestAnimationFrame(asked); return; }
    done([paint.startTime, image.responseEnd]);
  };
  asked();
})"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """The page's own long night; the benchmarks have another module of that name."""
    sys.path.append(str(PAGE))
    spec = importlib.util.spec_from_file_location("long_night_of_the_page", PAGE / "long_night.py")
    night = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(night)
    sys.path.remove(str(PAGE))
    path = tmp_path_factory.mktemp("long")
    night.fill(path)
    return path


@pytest.mark.parametrize("size", [(390, 844), (1440, 900)])
def test_first_paint(browser, folder, size):
    app = create_app(folder)
    server = listen(app, "127.0.0.1", 0)
    threading.Thread(target=server.run, daemon=True).start()
    words, pictures = [], []
    for _ in range(5):
        context = browser.new_context(viewport={"width": size[0], "height": size[1]})
        page = context.new_page()
        page.goto(server.url + "run/1/night")
        paint, picture = page.evaluate(FIRST)
        words.append(paint)
        pictures.append(picture)
        context.close()
    client = app.test_client()
    answers = []
    for _ in range(10):
        begun = time.perf_counter()
        client.get("/api/run/1/night")
        answers.append(1000 * (time.perf_counter() - begun))
    server.close()
    print(
        f"\n{size[0]}x{size[1]}: words painted after {statistics.median(words):.0f} ms, picture "
        f"come after {statistics.median(pictures):.0f} ms; a question answered in "
        f"{statistics.median(answers):.0f} ms (medians)"
    )
    assert max(words) < 1500
    assert max(pictures) < 1500
