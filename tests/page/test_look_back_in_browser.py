"""Looking back at a night in a real browser, at a phone's and at a desk's size."""

from __future__ import annotations

import re
import shutil
import threading

import artificial
import av
import cv2
import long_night
import numpy as np
import pytest

from watcher.export.served import Exports
from watcher.page import create_app, listen
from watcher.store import Store

SLIDER = "#slider"


def wait_for_picture(page, number: int) -> None:
    """Wait until picture ``number`` (from 1) is told and its own pixels have come."""
    page.wait_for_function(
        "n => document.querySelector('#slider').getAttribute('aria-valuenow') === String(n)"
        " && document.querySelector('#waiting').hidden"
        " && !document.querySelector('#stage').classList.contains('late')",
        arg=number,
    )


def fits(page) -> bool:
    return page.evaluate("document.documentElement.scrollWidth <= innerWidth")


def drawn_on(page, selector: str) -> int:
    """Sum over a canvas, which changes with what is drawn on it."""
    return page.evaluate(
        """s => { const c = document.querySelector(s);
            const d = c.getContext('2d').getImageData(0, 0, c.width, c.height).data;
            let sum = 0;
            for (let i = 0; i < d.length; i++) sum += d[i];
            return sum; }""",
        selector,
    )


@pytest.fixture
def own(tmp_path):
    """A data folder that a test may change."""
    artificial.fill(tmp_path, 40)
    return tmp_path


@pytest.fixture
def with_exports():
    """Serves a data folder with what makes films and reports."""
    servers = []

    def start(data):
        server = listen(create_app(data, exports=Exports(data)), "127.0.0.1", 0)
        servers.append(server)
        threading.Thread(target=server.run, daemon=True).start()
        return server.url

    yield start
    for server in servers:
        server.close()


# Scrubbing


def test_a_long_night_is_scrubbed_by_previews_and_rests_on_the_whole_picture(
    watched, serve, long_folder
):
    page = watched.page
    page.goto(serve(long_folder) + "run/1")
    wait_for_picture(page, long_night.STOP + 1)
    box = page.get_by_role("slider", name="Place in the time-lapse").bounding_box()
    middle = box["y"] + box["height"] * 0.6
    page.mouse.move(box["x"] + box["width"] * 0.2, middle)
    page.mouse.down()
    # While the hand moves, what stands there is small.
    small = set()
    for share in np.linspace(0.2, 0.9, 25):
        page.mouse.move(box["x"] + box["width"] * share, middle)
        small.add(page.evaluate("document.querySelector('#stage').classList.contains('small')"))
    assert True in small
    page.mouse.up()
    page.wait_for_function("() => !document.querySelector('#stage').matches('.small, .late')")
    there = int(page.locator(SLIDER).get_attribute("aria-valuenow"))
    assert 3000 < there < 3500
    name = page.locator("#picture").get_attribute("aria-label")
    assert f"{there:05}.jpg" in name
    assert page.locator("#picture").evaluate("c => c.width") == 1280
    # The previews that it took are kept for the next time.
    assert list((long_folder / "runs" / "1" / "sheets").glob("coarse-*.jpg"))
    assert fits(page)


def test_the_preview_is_of_the_very_picture(browser, serve, tmp_path):
    """Each picture has a brightness of its own; the whole ones are held back."""
    grey = lambda number: 30 + 3 * number  # noqa: E731
    with Store.open(tmp_path, write=True) as store:
        run = artificial.begin(store, "Greys")
        for number in range(64):
            bgr = np.full((270, 480, 3), grey(number), np.uint8)
            frame = artificial.Frame(number, artificial.name(number), 60.0 * number, bgr)
            store.keep_frame(run, frame, cv2.imencode(".jpg", bgr)[1].tobytes())
        store.end_run(run, 2e9)
    context = browser.new_context()
    page = context.new_page()
    page.route("**/picture/*", lambda route: None)
    page.goto(serve(tmp_path) + "run/1", wait_until="domcontentloaded")
    for number in (0, 33, 63):
        page.evaluate("n => { location.hash = `frame=${n}`; }", artificial.name(number))
        page.wait_for_function(
            """grey => { const c = document.querySelector('#preview');
                if (!document.querySelector('#stage').classList.contains('small')) return false;
                const p = c.getContext('2d').getImageData(100, 100, 1, 1).data;
                return Math.abs(p[1] - grey) <= 2; }""",
            arg=grey(number),
        )
    context.close()


def test_memory_stays_bounded_however_far_one_scrubs(watched, serve, long_folder):
    page = watched.page
    page.goto(serve(long_folder) + "run/1")
    kept = page.evaluate(
        """async () => {
            const { Sheets } = await import('/static/sheets.js');
            const data = await (await fetch('/api/run/1')).json();
            const sheets = new Sheets('/run/1/sheet/', '1', () => {});
            sheets.set(data.sheets, 3599);
            const most = { fine: 0, middle: 0, coarse: 0 };
            for (let number = 0; number < 3600; number += 90) {
                sheets.movedAt = 0;  // as a hand that rests at each place
                sheets.need(number);
                while (sheets.loading.size) await new Promise((r) => setTimeout(r, 2));
                for (const name in most) most[name] = Math.max(most[name], sheets.kept[name].size);
            }
            const best = sheets.best(3599);
            return { most, exact: best.exact }; }"""
    )
    assert kept["exact"]
    small = page.viewport_size["width"] < 700
    assert 4 <= kept["most"]["fine"] <= (8 if small else 20)
    assert kept["most"]["coarse"] == 4


def test_an_arrow_held_down_runs_through_the_pictures(watched, serve, long_folder):
    page = watched.page
    page.goto(serve(long_folder) + "run/1?frame=00100.jpg")
    wait_for_picture(page, 100)
    page.keyboard.down("ArrowRight")
    page.wait_for_function(
        "() => Number(document.querySelector('#slider').getAttribute('aria-valuenow')) > 110"
    )
    page.keyboard.up("ArrowRight")
    there = int(page.locator(SLIDER).get_attribute("aria-valuenow"))
    wait_for_picture(page, there)
    page.keyboard.press("ArrowLeft")
    wait_for_picture(page, there - 1)


# Moments


def test_it_jumps_to_the_picture_before_it_began_and_from_moment_to_moment(
    watched, serve, long_folder
):
    page = watched.page
    page.goto(serve(long_folder) + "run/1")
    wait_for_picture(page, long_night.STOP + 1)
    page.get_by_role("button", name="Before it began").click()
    wait_for_picture(page, long_night.ONSET)
    assert "Advice then: carry on" in page.locator("#here").inner_text()
    page.get_by_role("button", name="To the next flagged moment").click()
    wait_for_picture(page, long_night.ONSET + 1)
    page.keyboard.press("n")
    wait_for_picture(page, long_night.STOP + 1)
    assert page.url.endswith("#moment=2")
    page.keyboard.press("n")
    page.get_by_text("No flagged moment after this picture.").wait_for()
    page.keyboard.press("p")
    wait_for_picture(page, long_night.ONSET + 1)
    page.keyboard.press("b")
    wait_for_picture(page, long_night.ONSET)


def test_letters_act_in_the_time_lapse_only(watched, serve, folder):
    page = watched.page
    page.goto(serve(folder) + "run/1")
    wait_for_picture(page, artificial.STOP + 1)
    page.get_by_label("Name", exact=True).focus()
    page.keyboard.type("bnp+0 ")
    page.get_by_role("checkbox", name="loose strands").last.focus()
    page.keyboard.press("b")
    wait_for_picture(page, artificial.STOP + 1)
    assert page.get_by_label("Name", exact=True).input_value().startswith("bnp+0 ")


def test_a_quiet_run_has_nothing_to_jump_to(watched, serve, folder):
    page = watched.page
    page.goto(serve(folder) + "run/2")
    wait_for_picture(page, 20)
    page.get_by_role("button", name="Before it began").click()
    page.get_by_text("Nothing began").wait_for()
    page.get_by_role("button", name="To the next flagged moment").click()
    page.get_by_text("No moment is flagged.").wait_for()
    wait_for_picture(page, 20)


def test_a_link_is_copied_and_opens_exactly_there(watched, serve, folder):
    page = watched.page
    page.context.grant_permissions(["clipboard-read", "clipboard-write"])
    page.goto(serve(folder) + "run/1#frame=00007.jpg")
    wait_for_picture(page, 7)
    page.get_by_role("button", name="Copy a link to this picture").click()
    page.get_by_text("The link is copied.").wait_for()
    link = page.evaluate("navigator.clipboard.readText()")
    assert link.endswith("/run/1?frame=00007.jpg")
    page.get_by_role("button", name="Copy link").first.click()
    page.get_by_role("button", name="Copied").first.wait_for()
    moment = page.evaluate("navigator.clipboard.readText()")
    assert moment.endswith("/run/1?moment=1")
    page.goto("about:blank")
    page.goto(link)
    wait_for_picture(page, 7)
    page.goto(moment)
    wait_for_picture(page, artificial.ONSET + 1)


def test_where_the_clipboard_is_forbidden_the_link_can_be_taken_by_hand(watched, serve, folder):
    page = watched.page
    page.add_init_script("Object.defineProperty(navigator, 'clipboard', { value: undefined });")
    page.goto(serve(folder) + "run/1#frame=00007.jpg")
    wait_for_picture(page, 7)
    page.get_by_role("button", name="Copy a link to this picture").click()
    field = page.get_by_label("Link to copy")
    assert field.input_value().endswith("/run/1?frame=00007.jpg")
    assert page.evaluate("document.activeElement.id") == "link"
    assert page.evaluate("getSelection().toString() || document.activeElement.selectionEnd > 0")


def test_without_scripts_a_link_shows_its_picture_and_the_forms_work(browser, serve, own):
    context = browser.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto(serve(own) + "run/1?moment=1")
    assert f"picture/{artificial.name(artificial.ONSET)}" in page.locator("#first").get_attribute(
        "src"
    )
    page.locator("#moments a").last.click()
    assert f"picture/{artificial.name(artificial.STOP)}" in page.locator("#first").get_attribute(
        "src"
    )
    page.locator("#moments summary").first.click()
    form = page.locator("#moments form").first
    form.get_by_label("It was").select_option("true fault")
    form.get_by_label("Cause").fill("washed bed, no glue")
    form.get_by_role("button", name="Keep").click()
    assert page.locator("#moments .said").first.inner_text() == "true fault: washed bed, no glue"
    page.get_by_label("Name", exact=True).fill("Vent bracket, draught")
    page.get_by_label("The part came out").select_option("failed")
    page.get_by_label("Note").fill("window was open\nall night")
    page.locator("#label").get_by_role("button", name="Keep").click()
    assert page.get_by_role("heading", level=1).inner_text() == "Vent bracket, draught"
    context.close()
    with Store.open(own, write=False) as store:
        job = store.ledger.job(1)
        assert (job.outcome, job.notes) == ("failed", "window was open\nall night")


# Then and now


def test_now_is_wiped_to_then_by_mouse_and_keys(watched, serve, folder):
    page = watched.page
    page.goto(serve(folder) + "run/1#frame=00050.jpg")
    wait_for_picture(page, 50)
    divider = page.get_by_role("slider", name="Divider between then and now")
    assert not divider.is_visible()
    page.get_by_label("wipe to then").check()
    page.get_by_text(f"Then: picture {artificial.ONSET}, 19 min in").wait_for()
    page.wait_for_function("() => document.querySelector('#stage').dataset.mode === 'wipe'")
    assert divider.get_attribute("aria-valuenow") == "50"
    divider.focus()
    page.keyboard.press("ArrowRight")
    page.keyboard.press("Shift+ArrowRight")
    assert divider.get_attribute("aria-valuenow") == "61"
    # The key moved the divider, not the time-lapse.
    wait_for_picture(page, 50)
    clip = page.locator("#past").evaluate("e => getComputedStyle(e).clipPath")
    assert re.match(r"inset\(0px 39% 0px 0px\)", clip)
    stage = page.locator("#stage").bounding_box()
    box = divider.bounding_box()
    page.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    page.mouse.down()
    page.mouse.move(stage["x"] + stage["width"] * 0.25, box["y"] + 40, steps=4)
    page.mouse.up()
    assert int(divider.get_attribute("aria-valuenow")) in (24, 25, 26)
    wait_for_picture(page, 50)
    # Pixels left of the divider are of then: the canvas from then holds that picture.
    then = drawn_on(page, "#past-picture")
    page.evaluate("location.hash = 'frame=00010.jpg'")
    wait_for_picture(page, 10)
    page.get_by_role("button", name="Keep this picture as then").click()
    page.get_by_text("Then: picture 10, 9 min in").wait_for()
    assert drawn_on(page, "#past-picture") != then
    page.get_by_role("button", name="Then: before it began").click()
    page.get_by_text(f"Then: picture {artificial.ONSET}").wait_for()
    page.get_by_label("now", exact=True).check()
    assert not divider.is_visible()


def test_a_finger_moves_the_divider(browser, serve, folder):
    context = browser.new_context(viewport={"width": 390, "height": 844}, has_touch=True)
    page = context.new_page()
    page.goto(serve(folder) + "run/1#frame=00050.jpg")
    wait_for_picture(page, 50)
    page.get_by_label("wipe to then").check()
    divider = page.get_by_role("slider", name="Divider between then and now")
    divider.wait_for()
    page.evaluate("scrollTo(0, 0)")
    box = divider.bounding_box()
    assert box["width"] >= 44
    fingers = context.new_cdp_session(page)
    y = box["y"] + box["height"] / 2
    for kind, x in (("touchStart", 195), ("touchMove", 250), ("touchMove", 312), ("touchEnd", 0)):
        points = [] if kind == "touchEnd" else [{"x": x, "y": y}]
        fingers.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})
    page.wait_for_function("() => document.querySelector('#divider').ariaValueNow === '80'")
    context.close()


def test_the_difference_is_shown_with_its_legend(watched, serve, folder):
    page = watched.page
    page.goto(serve(folder) + "run/1#frame=00060.jpg")
    wait_for_picture(page, 60)
    page.get_by_label("difference").check()
    page.wait_for_function("() => document.querySelector('#stage').dataset.mode === 'difference'")
    page.get_by_text("amber: brighter now than then").wait_for()
    assert re.search(
        r"Full colour: \d+ grey levels of 255 or more",
        page.locator("#difference-words").inner_text(),
    )
    assert "if it moved between the two" in page.locator("#bed-words").inner_text()
    first = drawn_on(page, "#differs")
    page.keyboard.press("Escape")
    page.locator(SLIDER).focus()
    page.keyboard.press("ArrowLeft")
    wait_for_picture(page, 59)
    assert drawn_on(page, "#differs") != first


def test_the_difference_finds_sign_and_light(watched, serve, folder):
    """The reckoning by itself, on pictures of known difference."""
    page = watched.page
    page.goto(serve(folder))
    found = page.evaluate(
        """async () => {
            const { difference, gainOf, BRIGHTER, DARKER } = await import('/static/difference.js');
            let seed = 7;
            const noise = () => {
                seed = (seed * 1103515245 + 12345) % 2147483648;
                return (seed / 2147483648 - 0.5) * 4;
            };
            const side = 100;
            const make = (gain, up, down) => {
                const rgba = new Uint8ClampedArray(side * side * 4);
                for (let k = 0; k < side * side; k++) {
                    // A dark picture: 20 to 60 of 255.
                    let grey = (20 + 40 * (k % side) / side) * gain + noise();
                    if (up && k < side * 10) grey += 30;
                    if (down && k >= side * 90) grey -= 14;
                    rgba.set([grey, grey, grey, 255], 4 * k);
                }
                return rgba;
            };
            const then = make(1);
            const changed = difference(then, make(1.3, true, true));
            const same = difference(then, make(1.3));
            const pixel = (k) => [...changed.pixels.slice(4 * k, 4 * k + 3)];
            const near = (k, colour) => pixel(k).every((v, i) => Math.abs(v - colour[i]) < 60);
            return {
                gain: changed.gain, share: changed.share, same: same.share, quiet: same.gain,
                up: near(side * 5 + 50, BRIGHTER), down: near(side * 95 + 90, DARKER),
                middle: pixel(side * 50 + 50),
                black: gainOf(new Float32Array(100), new Float32Array(100)),
            }; }"""
    )
    assert found["gain"] == pytest.approx(1.3, abs=0.03)
    assert found["quiet"] == pytest.approx(1.3, abs=0.03)
    assert found["up"]
    assert found["down"]
    assert found["share"] == pytest.approx(0.2, abs=0.03)
    assert found["same"] < 0.005
    # What is the same is grey, light enough to be made out on a dark picture.
    red, green, blue = found["middle"]
    assert red == green == blue
    assert red > 40
    assert found["black"] == 1


def test_where_the_bed_stood_elsewhere_it_is_said(browser, serve, tmp_path):
    with Store.open(tmp_path, write=True) as store:
        run = artificial.begin(store, "Sliding bed")
        for number in range(40):
            artificial.feed_one(store, run, number, bed_mm=7.5 if number in (19, 35) else 0.0)
        store.end_run(run, 2e9)
    context = browser.new_context()
    page = context.new_page()
    page.goto(serve(tmp_path) + "run/1#frame=00033.jpg")
    wait_for_picture(page, 33)
    page.get_by_label("difference").check()
    # The picture right before it began has the bed elsewhere, so the one before that is taken.
    page.get_by_text("Then: picture 19, ").wait_for()
    page.get_by_text("The bed stands where it stood then").wait_for()
    page.evaluate("location.hash = 'frame=00036.jpg'")
    wait_for_picture(page, 36)
    page.get_by_text("The bed stands 7.5 mm from where it stood then").wait_for()
    context.close()


# Closer


def test_it_is_enlarged_by_keys_wheel_and_for_each_corner(watched, serve, folder):
    page = watched.page
    page.goto(serve(folder) + "run/1#frame=00050.jpg")
    wait_for_picture(page, 50)
    page.wait_for_function(
        "() => { const c = document.querySelector('#lines');"
        "return c.getContext('2d').getImageData(0, 0, c.width, c.height).data.some(v => v > 0); }"
    )
    stage = page.locator("#stage").bounding_box()
    wide = lambda: page.locator("#lens").bounding_box()["width"] / stage["width"]  # noqa: E731
    page.locator(SLIDER).focus()
    page.keyboard.press("+")
    assert wide() == pytest.approx(1.5, rel=0.01)
    page.get_by_role("button", name="Whole picture").click()
    assert wide() == pytest.approx(1, rel=0.01)
    page.evaluate("scrollTo(0, 0)")
    stage = page.locator("#stage").bounding_box()
    page.mouse.move(stage["x"] + stage["width"] * 0.25, stage["y"] + 60)
    page.keyboard.down("Control")
    page.mouse.wheel(0, -200)
    page.keyboard.up("Control")
    page.wait_for_function("() => document.querySelector('#lens').style.transform !== ''")
    assert wide() == pytest.approx(2.718, rel=0.02)
    # What lies under the pointer stays under it.
    lens = page.locator("#lens").bounding_box()
    assert (stage["x"] + stage["width"] * 0.25 - lens["x"]) / lens["width"] == pytest.approx(
        0.25, abs=0.02
    )
    page.locator(SLIDER).focus()
    page.keyboard.press("0")
    assert wide() == pytest.approx(1, rel=0.01)
    page.get_by_label("Corner to look at closer").select_option("right corner")
    assert wide() == pytest.approx(4, rel=0.01)
    page.get_by_role("button", name="Whole picture").click()
    page.get_by_label("Corner to look at closer").select_option("back left corner")
    page.get_by_text("No measured edge is known there").wait_for()


# Lanes


def test_small_curves_have_units_and_can_be_switched_off(watched, serve, long_folder):
    page = watched.page
    page.goto(serve(long_folder) + "run/1")
    wait_for_picture(page, long_night.STOP + 1)
    lanes = page.locator("#lanes canvas")
    assert lanes.count() == 3
    names = [lanes.nth(i).get_attribute("aria-label") for i in range(3)]
    assert re.fullmatch(r"loose strands 0\.0 to 3\.0 mm", names[0])
    assert names[1].startswith("motion of the part 0.0")
    assert names[2].startswith("missing growth −0.")
    assert all(drawn_on(page, f"#lanes canvas:nth-of-type({i})") > 0 for i in (1, 2, 3))
    page.get_by_role("checkbox", name="motion of the part").uncheck()
    assert not lanes.nth(1).is_visible()
    page.reload()
    wait_for_picture(page, long_night.STOP + 1)
    assert not page.locator("#lanes canvas").nth(1).is_visible()
    # Dragging along a lane moves the same cursor.
    page.locator("#lanes canvas").first.scroll_into_view_if_needed()
    box = page.locator("#lanes canvas").first.bounding_box()
    page.mouse.click(box["x"] + box["width"] - 2, box["y"] + 20)
    wait_for_picture(page, 3600)


def test_thousands_of_points_are_drawn_by_their_extremes(watched, serve, folder):
    page = watched.page
    page.goto(serve(folder))
    thinned = page.evaluate(
        """async () => {
            const { columns, unbroken } = await import('/static/columns.js');
            const count = 3600;
            const values = Array.from({ length: count }, (_, i) => Math.sin(i / 50));
            values[1000] = 9;
            values[2000] = -9;
            for (let i = 3000; i < 3100; i++) values[i] = null;
            const sigmas = Array(count).fill(0.5);
            const parts = columns(values, sigmas, count, (i) => i / 10);
            let runs = 0;
            unbroken(parts, () => runs++);
            const seen = parts.filter(Boolean);
            const few = columns([1, null, 3], [0, 0, 0], 3, (i) => i * 100);
            return { parts: seen.length, most: Math.max(...seen.map((p) => p.most)),
                least: Math.min(...seen.map((p) => p.least)),
                high: Math.max(...seen.map((p) => p.high)), runs,
                few: few.map((p) => p && p.mean) }; }"""
    )
    assert thinned["parts"] <= 361
    assert (thinned["most"], thinned["least"], thinned["high"]) == (9, -9, 9.5)
    assert thinned["runs"] == 2
    assert thinned["few"] == [1, None, 3]


# What is missing


def test_a_deleted_picture_shows_its_preview_and_says_so(watched, serve, tmp_path):
    source = tmp_path / "kept"
    with Store.open(source, write=True) as store:
        run = artificial.begin(store, "Vent bracket, thinned")
        artificial.feed(store, run, range(140))
        store.end_run(run, 2e9)
        forget = "watcher.store.previews.forget"
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(forget, lambda folder: 0)
            assert store.thin(2**60) > 30
        left = {frame.number for frame in store.frames(1)}
    gone = next(n for n in range(40, 80) if n not in left)
    page = watched.page
    page.goto(serve(source) + f"run/1#frame={artificial.name(gone)}")
    page.get_by_text("This picture was deleted for want of room: this is its preview.").wait_for()
    assert page.locator(SLIDER).get_attribute("aria-valuenow") == str(gone + 1)
    assert page.locator(SLIDER).get_attribute("aria-valuemax") == "140"
    assert page.locator("#stage.small").count() == 1
    page.keyboard.press("Home")
    wait_for_picture(page, 1)


def test_a_picture_that_fails_to_load_is_told_beside_its_preview(browser, serve, folder):
    context = browser.new_context()
    page = context.new_page()
    page.route("**/picture/00010.jpg*", lambda route: route.abort())
    page.goto(serve(folder) + "run/1#frame=00010.jpg")
    page.get_by_text("The picture 00010.jpg could not be loaded: this is its preview.").wait_for()
    page.keyboard.press("ArrowRight")
    wait_for_picture(page, 11)
    context.close()


def test_new_pictures_join_the_sheet_of_a_run_being_watched(browser, serve, tmp_path):
    context = browser.new_context()
    page = context.new_page()
    page.route("**/picture/*", lambda route: route.abort())
    with Store.open(tmp_path, write=True) as store:
        run = artificial.begin(store, "Live")
        artificial.feed(store, run, range(3), clean=True)
        page.goto(serve(tmp_path) + "run/1")
        page.locator("#stage.small").wait_for()
        artificial.feed(store, run, range(3, 6), clean=True)
        page.wait_for_function(
            "() => document.querySelector('#slider').getAttribute('aria-valuenow') === '6'"
        )
        page.get_by_text("00006.jpg could not be loaded: this is its preview").wait_for()
    context.close()


# Labels and files


def test_run_and_moments_are_labelled_without_leaving_the_page(watched, serve, own):
    page = watched.page
    page.goto(serve(own) + "run/1")
    wait_for_picture(page, artificial.STOP + 1)
    page.get_by_label("Name", exact=True).fill("Vent bracket, draught")
    page.locator("#label").get_by_role("button", name="Keep").click()
    page.locator("#label [role=status]").get_by_text("Kept.").wait_for()
    page.get_by_role("heading", name="Vent bracket, draught").wait_for()
    page.locator("#moments summary").last.click()
    form = page.locator("#moments form").last
    form.get_by_label("It was").select_option("false alarm")
    form.get_by_label("Cause").fill("shadow")
    form.get_by_role("button", name="Keep").click()
    form.get_by_text("Kept.").wait_for()
    assert page.locator("#moments .said").last.inner_text() == "false alarm: shadow"
    wait_for_picture(page, artificial.STOP + 1)
    page.goto(page.url.split("run/")[0])
    page.get_by_role("link", name="Vent bracket, draught").wait_for()


def test_a_film_is_made_while_one_waits_and_downloaded(with_exports, watched, own):
    page = watched.page
    page.goto(with_exports(own) + "run/1")
    wait_for_picture(page, artificial.STOP + 1)
    page.get_by_label("Pictures in a second of the film").select_option("10")
    page.get_by_label("with the lines drawn").uncheck()
    page.get_by_role("button", name="Make a film").click()
    with page.expect_download() as coming:
        page.get_by_role("link", name="Download the film").click(timeout=20_000)
    film = coming.value
    assert film.suggested_filename == "vent-bracket-left-2025-11-30-run-1.mp4"
    with av.open(str(film.path())) as container:
        stream = container.streams.video[0]
        assert stream.average_rate == 10
        assert sum(1 for _ in container.decode(stream)) >= 40
    with page.expect_download() as coming:
        page.get_by_role("link", name="Report in one file").click()
    assert coming.value.suggested_filename.endswith("-run-1.html")


# Everybody


def test_nothing_bars_anybody(with_exports, watched, folder, barriers):
    page = watched.page
    address = with_exports(folder)
    page.goto(address + "run/1#frame=00050.jpg")
    wait_for_picture(page, 50)
    assert barriers(page) == []
    page.get_by_label("wipe to then").check()
    page.get_by_text("Then: picture").wait_for()
    page.locator("#moments summary").first.click()
    page.locator("#changes summary").click()
    if page.locator(".keys").is_visible():
        page.locator(".keys summary").click()
    assert barriers(page) == []
    page.get_by_label("difference").check()
    page.get_by_role("button", name="Closer").click()
    page.get_by_role("button", name="Whole picture").wait_for()
    assert barriers(page) == []
    assert fits(page)
    for run in (2, 3):
        page.goto(address + f"run/{run}")
        page.locator("#verdict").wait_for()
        assert barriers(page) == []


def test_a_missing_picture_bars_nobody(browser, serve, folder, barriers):
    context = browser.new_context(viewport={"width": 390, "height": 844})
    page = context.new_page()
    page.route("**/picture/00010.jpg*", lambda route: route.abort())
    page.goto(serve(folder) + "run/1#frame=00010.jpg")
    page.get_by_text("The picture 00010.jpg could not be loaded").wait_for()
    assert barriers(page) == []
    context.close()


def test_it_fits_a_narrow_phone_and_its_targets_are_large(browser, with_exports, folder):
    context = browser.new_context(viewport={"width": 360, "height": 740}, has_touch=True)
    page = context.new_page()
    page.goto(with_exports(folder) + "run/1")
    wait_for_picture(page, artificial.STOP + 1)
    for mode in ("now", "wipe to then", "difference"):
        page.get_by_label(mode, exact=True).check()
        assert fits(page), mode
    small = page.evaluate(
        """() => [...document.querySelectorAll('main button, main select, main summary, main a,'
                + 'main input:not([type=hidden])')]
            .filter((e) => e.offsetParent !== null)
            .map((e) => [e.id || e.className || e.textContent, e.closest('label') ?? e])
            .map(([name, e]) => [name, e.getBoundingClientRect()])
            .filter(([, box]) => box.width < 24 || box.height < 24)
            .map(([name]) => name)"""
    )
    assert small == []
    context.close()


def test_all_of_it_is_reached_by_tab(with_exports, watched, folder):
    page = watched.page
    page.goto(with_exports(folder) + "run/1")
    wait_for_picture(page, artificial.STOP + 1)
    page.get_by_label("wipe to then").check()
    page.get_by_role("slider", name="Divider").wait_for()
    page.evaluate("document.activeElement.blur()")
    seen = set()
    for _ in range(90):
        page.keyboard.press("Tab")
        seen.add(
            page.evaluate(
                "() => { const e = document.activeElement;"
                "return e.id || e.name || e.className || e.textContent.trim(); }"
            )
        )
    wanted = {"divider", "previous", "before", "next", "slider", "mode", "closer", "corner"}
    wanted |= {"copy", "keep-then", "default-then", "name", "outcome", "notes", "Make a film"}
    assert wanted <= seen


def test_the_night_is_copied_nowhere(long_folder):
    """Previews of a night take a small part of the room that its pictures take."""
    frames = sum(p.stat().st_size for p in (long_folder / "runs/1/frames").iterdir())
    sheets = long_folder / "runs" / "1" / "sheets"
    shutil.rmtree(sheets, ignore_errors=True)
    with Store.open(long_folder, write=False) as store:
        from watcher.store import GRAINS  # noqa: PLC0415

        for grain in GRAINS.values():
            assert store.sheet(1, grain, 0).lasting
    per_picture = sum(
        p.stat().st_size / GRAINS[p.name.split("-")[0]].span for p in sheets.iterdir()
    )
    assert per_picture < 0.12 * frames / 3600
