"""Setting a printer up in a real browser, at a phone's and at a desk's size."""

from __future__ import annotations

import threading

import pytest
import sights

from watcher.page import create_app, listen
from watcher.settings import read_setup
from watcher.store import Store, disk

KEY = disk.plain("bench left")
SLOW_MS = 20_000


@pytest.fixture
def eyes(tmp_path):
    return sights.FakeEyes((sights.bench(tmp_path / "files"),))


@pytest.fixture
def address(tmp_path, eyes):
    """The page's address, over an empty data folder."""
    data = tmp_path / "data"
    with Store.open(data, write=True):
        pass
    server = listen(create_app(data, eyes=eyes), "127.0.0.1", 0)
    threading.Thread(target=server.run, daemon=True).start()
    yield server.url
    server.close()


@pytest.fixture
def page(address, watched):
    """The view of the configured printer, its first picture shown and judged."""
    opened = watched.page
    opened.goto(f"{address}printers/{KEY}/view")
    judged(opened)
    return opened


def judged(page):
    """Wait until numbers of the newest state stand there."""
    page.wait_for_function(
        "() => document.querySelector('#numbers').getAttribute('aria-busy') === 'false'",
        timeout=SLOW_MS,
    )


def handle(page, name):
    return page.get_by_role("button", name=name)


def spot(page, k):
    """Where a point stands, by the form."""
    return tuple(float(page.locator(f"#{axis}{k}").input_value()) for axis in "xy")


def middle(locator):
    box = locator.bounding_box()
    return box["x"] + box["width"] / 2, box["y"] + box["height"] / 2


def per_pixel(page):
    """CSS pixels for one of the picture."""
    return page.locator("#picture").bounding_box()["width"] / sights.SIZE[0]


def told(page, words):
    page.wait_for_function(
        "words => document.querySelector('#told').textContent.includes(words)",
        arg=words,
        timeout=SLOW_MS,
    )


def no_sideways_scroll(page):
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")


def test_the_live_picture_its_points_and_its_numbers(page, eyes, barriers):
    assert "Looking through http://192.0.2.7/stream." in page.locator("#camera-told").inner_text()
    assert "very-secret" not in page.content()
    for k, corner in enumerate(sights.CORNERS):
        assert spot(page, k) == corner
    spots = page.locator("#bed-spots li").all_inner_texts()
    assert len(spots) == 4
    assert all("mm a pixel, sees 0." in line for line in spots)
    # The marks on the picture say the same in short.
    marks = page.locator("#spots span").all_inner_texts()
    assert all(any(mark.split("\n")[-1] in line for line in spots) for mark in marks)
    assert len(marks) == 4
    # Each handle stands where the picture shows its corner.
    image = page.locator("#picture").bounding_box()
    x, y = middle(handle(page, "front right corner of the bed"))
    assert x == pytest.approx(image["x"] + (533.1 + 0.5) * per_pixel(page), abs=1)
    assert y == pytest.approx(image["y"] + (413.4 + 0.5) * per_pixel(page), abs=1)
    asked = len(eyes.asked)
    page.wait_for_function(
        "() => /now|ago/.test(document.querySelector('#caption-age').textContent)"
    )
    for _ in range(100):
        if len(eyes.asked) > asked:
            break
        page.wait_for_timeout(100)
    assert len(eyes.asked) > asked
    page.get_by_role("button", name="Live").click()
    assert page.get_by_role("button", name="Live").get_attribute("aria-pressed") == "false"
    no_sideways_scroll(page)
    assert barriers(page) == []


def test_a_point_is_dragged_and_the_magnifier_stands_beside_it(page, barriers):
    scale = per_pixel(page)
    x, y = middle(handle(page, "back left corner of the bed"))
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + 10 * scale, y + 20 * scale, steps=4)
    loupe = page.locator("#loupe").bounding_box()
    # Not under the pointer.
    assert not (
        loupe["x"] < x + 10 * scale < loupe["x"] + loupe["width"]
        and loupe["y"] < y + 20 * scale < loupe["y"] + loupe["height"]
    )
    page.mouse.up()
    assert spot(page, 3) == pytest.approx((197.7, 152.2), abs=0.3)
    assert page.locator("#state").inner_text() == "Not kept yet."
    # The magnifier shows the picture there: some of its pixels are neither black nor one colour.
    colours = page.evaluate(
        """() => { const c = document.querySelector('#loupe');
            const d = c.getContext('2d').getImageData(0, 0, c.width, c.height).data;
            const seen = new Set();
            for (let i = 0; i < d.length; i += 4) seen.add(`${d[i]},${d[i+1]},${d[i+2]}`);
            return seen.size; }"""
    )
    assert colours > 50
    # In the magnifier five pixels of the screen are one of the picture.
    page.mouse.move(loupe["x"] + 60, loupe["y"] + 60)
    page.mouse.down()
    page.mouse.move(loupe["x"] + 60 - 50, loupe["y"] + 60 - 20, steps=4)
    page.mouse.up()
    assert spot(page, 3) == pytest.approx((187.7, 148.2), abs=0.3)
    page.get_by_role("button", name="Undo").click()
    page.get_by_role("button", name="Undo").click()
    assert spot(page, 3) == (187.7, 132.2)
    assert page.get_by_role("button", name="Undo").is_disabled()
    judged(page)
    assert barriers(page) == []


def test_keys_move_a_point_by_one_and_by_ten_and_it_is_said(page, barriers):
    handle(page, "front left corner of the bed").focus()
    page.keyboard.press("ArrowRight")
    page.keyboard.press("ArrowUp")
    assert spot(page, 0) == pytest.approx((50.1, 342.1))
    page.keyboard.press("Shift+ArrowLeft")
    page.keyboard.press("Shift+ArrowDown")
    assert spot(page, 0) == pytest.approx((40.1, 352.1))
    page.wait_for_function(
        "() => document.querySelector('#aloud').textContent"
        " === 'front left corner of the bed: x 40.1, y 352.1'"
    )
    assert not page.locator("#loupe").is_hidden()
    # Far out of the picture there is room made for it.
    for _ in range(12):
        page.keyboard.press("Shift+ArrowLeft")
    assert spot(page, 0)[0] == pytest.approx(-79.9)
    stage = page.locator("#stage").bounding_box()
    x, _ = middle(handle(page, "front left corner of the bed"))
    assert stage["x"] < x < page.locator("#picture").bounding_box()["x"]
    judged(page)
    assert "front left: not in the picture" in page.locator("#bed-spots").inner_text()
    assert "Outside the picture: front left" in page.locator("#advice").inner_text()
    no_sideways_scroll(page)
    assert barriers(page) == []
    page.keyboard.press("Escape")
    assert page.locator("#loupe").is_hidden()


def test_a_tap_puts_the_picked_point_there(page):
    handle(page, "back right corner of the bed").click()
    assert spot(page, 2) == sights.CORNERS[2]
    image = page.locator("#picture").bounding_box()
    scale = per_pixel(page)
    page.mouse.click(image["x"] + 400.5 * scale, image["y"] + 300.5 * scale)
    assert spot(page, 2) == pytest.approx((400, 300), abs=1.5)


def test_a_thumb_drags_a_point(browser, address, eyes):
    context = browser.new_context(viewport={"width": 360, "height": 740}, has_touch=True)
    page = context.new_page()
    page.goto(f"{address}printers/{KEY}/view")
    judged(page)
    scale = per_pixel(page)
    x, y = middle(handle(page, "front right corner of the bed"))
    fingers = context.new_cdp_session(page)

    def touch(kind, dx=0.0, dy=0.0):
        places = [] if kind == "touchEnd" else [{"x": x + dx * scale, "y": y + dy * scale}]
        fingers.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": places})

    touch("touchStart")
    for part in (0.3, 0.6, 1.0):
        touch("touchMove", -40 * part, -30 * part)
    touch("touchEnd")
    assert spot(page, 1) == pytest.approx((493.1, 383.4), abs=1)
    no_sideways_scroll(page)
    # A thumb needs its room.
    for box in (one.bounding_box() for one in page.locator(".handle").all()):
        assert min(box["width"], box["height"]) >= 44
    context.close()


def test_the_corners_are_found_moved_onto_the_edges_and_turned(page, eyes, barriers):
    page.get_by_text("The points in numbers").click()
    for k in range(4):
        page.locator(f"#x{k}").fill(str(sights.CORNERS[k][0] + (20 if k == 1 else 0)))
        page.locator(f"#y{k}").fill("100" if k > 1 else "400")
    page.get_by_role("button", name="Find them").click()
    told(page, "Found. Look at each corner")
    for k, corner in enumerate(sights.CORNERS):
        assert spot(page, k) == pytest.approx(corner, abs=2)
    page.locator("#x0").fill("52")
    page.locator("#x0").press("Tab")
    page.get_by_role("button", name="Move them onto the edges").click()
    told(page, "Moved onto the bed")
    assert spot(page, 0) == pytest.approx(sights.CORNERS[0], abs=1.5)
    before = [spot(page, k) for k in range(4)]
    page.get_by_role("button", name="Turn by one corner").click()
    assert [spot(page, k) for k in range(4)] == [*before[1:], before[0]]
    judged(page)
    assert barriers(page) == []
    # In the dark it is honest.
    eyes.picture_now = sights.bed_picture(lamp=0.05)
    page.wait_for_function(
        "() => document.querySelector('#advice').textContent.includes('Nothing can be seen')",
        timeout=SLOW_MS,
    )
    page.get_by_role("button", name="Find them").click()
    told(page, "were not found in this picture. Drag them there.")
    assert barriers(page) == []


def test_crossed_points_are_told_in_a_sentence(page, barriers):
    page.get_by_text("The points in numbers").click()
    page.locator("#x0").fill("533.1")
    page.locator("#y0").fill("413.4")
    page.locator("#x1").fill("49.1")
    page.locator("#y1").fill("343.1")
    page.locator("#y1").press("Tab")
    page.wait_for_function(
        "() => document.querySelector('#numbers-told').textContent.includes('bed_points are ')",
        timeout=SLOW_MS,
    )
    assert page.locator("#numbers").is_hidden()
    page.get_by_role("button", name="Keep this set-up").click()
    page.wait_for_selector("#told.bad")
    assert "bed_points are" in page.locator("#told").inner_text()
    # What was set is still there.
    assert spot(page, 0) == (533.1, 413.4)
    assert barriers(page) == []


def test_a_region_is_drawn_from_the_program_and_edited_by_keys(page, barriers):
    page.get_by_role("button", name="Draw it from the program").click()
    told(page, "Drawn from the program")
    region = page.locator("#region").input_value().split()
    assert len(region) == 4
    assert page.locator(".handle.vertex").count() == 4
    handle(page, "corner 2 of the region").focus()
    page.keyboard.press("Shift+ArrowRight")
    moved = page.locator("#region").input_value().split()
    x, y = map(float, region[1].split(","))
    assert [*map(float, moved[1].split(","))] == pytest.approx([x + 10, y], abs=0.11)
    page.get_by_role("button", name="Add a corner").click()
    assert page.locator(".handle.vertex").count() == 5
    assert page.evaluate("document.activeElement.getAttribute('aria-label')").startswith(
        "corner 3 of"
    )
    assert barriers(page) == []
    page.keyboard.press("Delete")
    page.keyboard.press("Delete")
    assert page.locator(".handle.vertex").count() == 3
    # Three are the fewest.
    page.keyboard.press("Delete")
    assert page.locator(".handle.vertex").count() == 3
    page.get_by_role("button", name="No region").click()
    assert page.locator("#region").input_value() == ""
    page.get_by_role("button", name="Draw it by hand").click()
    assert page.locator(".handle.vertex").count() == 4
    assert barriers(page) == []


def test_what_is_kept_is_what_was_set(page, eyes, barriers):
    file = eyes.printers[0].setup
    before = file.read_bytes()
    handle(page, "back left corner of the bed").focus()
    page.keyboard.press("ArrowRight")
    page.locator("#motion").select_option("bed-z")
    page.locator("#sunk").fill("1.5")
    page.get_by_label("Each picture is taken at a layer change").check()
    page.locator("#bed_d").fill("180.5")
    page.get_by_role("button", name="Keep this set-up").click()
    told(page, f"Kept in {file}")
    setup = read_setup(file)
    assert setup.bed_points[3].pixel == (188.7, 132.2)
    assert setup.bed_motion == "bed-z"
    assert setup.bed_points_z_mm == 1.5
    assert setup.bed_mm == (200.0, 180.5)
    assert setup.head_parked_for_frames
    (old,) = file.parent.glob("setup.until-*.json")
    assert old.read_bytes() == before
    judged(page)
    assert barriers(page) == []


def test_a_camera_that_gives_nothing_is_told_and_comes_back(address, watched, eyes, barriers):
    eyes.trouble = "http://192.0.2.7/stream has given no picture for 6 s. Check that it is on."
    page = watched.page
    page.goto(f"{address}printers/{KEY}/view")
    page.wait_for_function(
        "() => document.querySelector('#camera-told').textContent.includes('no picture for 6 s')"
    )
    assert page.locator("#blank").is_visible()
    assert page.locator("#stage").is_hidden()
    assert barriers(page) == []
    eyes.trouble = ""
    page.wait_for_selector("#stage:not([hidden])", timeout=SLOW_MS)
    judged(page)
    assert page.locator("#blank").is_hidden()


def test_another_camera_is_named_and_its_address_goes_from_the_page(page, eyes):
    page.get_by_label("Number or address").fill(f"http://{sights.PASSWORD}@192.0.2.9/x")
    page.get_by_role("button", name="Look through it").click()
    page.wait_for_function(
        "() => document.querySelector('#camera-told').textContent"
        " === 'Looking through http://192.0.2.9/x.'"
    )
    assert eyes.asked[-1] == f"http://{sights.PASSWORD}@192.0.2.9/x"
    assert page.get_by_label("Number or address").input_value() == ""
    assert "very-secret" not in page.content()


def test_without_a_camera_a_picture_is_handed_in(address, watched, tmp_path, barriers):
    page = watched.page
    page.goto(f"{address}printers")
    assert barriers(page) == []
    page.get_by_label("Its name").fill("the shed's")
    page.get_by_role("button", name="Set it up").click()
    page.wait_for_url("**/view")
    assert page.get_by_text("No picture yet.").is_visible()
    assert barriers(page) == []
    bad = tmp_path / "bed.jpg"
    bad.write_bytes(b"no picture at all")
    page.locator("#file").set_input_files(bad)
    told(page, "That is no picture. Give a JPEG or PNG file.")
    bad.write_bytes(sights.bed_picture(size=(800, 600)))
    page.locator("#file").set_input_files([])
    page.locator("#file").set_input_files(bad)
    told(page, "has another size now")
    assert "800 by 600 pixels" in page.locator("#caption").inner_text()
    judged(page)
    page.get_by_role("button", name="Find them").click()
    told(page, "Found.")
    for k, (x, y) in enumerate(sights.CORNERS):
        assert spot(page, k) == pytest.approx((1.25 * x, 1.25 * y), abs=3)
    program = tmp_path / "vent.gcode"
    program.write_bytes(sights.program())
    page.locator("#program").set_input_files(program)
    told(page, "The program was read.")
    judged(page)
    assert page.locator("#part-spots li").count() == 4
    page.get_by_role("button", name="Keep this set-up").click()
    told(page, "Kept in")
    command = page.locator("#command").input_value()
    assert command.startswith("watcher watch --source 0 --setup ")
    (file,) = (tmp_path / "data" / "printers").glob("*/setup.json")
    assert str(file) in command
    assert read_setup(file).frame_size == (800, 600)
    no_sideways_scroll(page)
    assert barriers(page) == []


def test_without_scripts_it_is_looked_worked_out_and_kept(browser, address, eyes):
    context = browser.new_context(viewport={"width": 390, "height": 844}, java_script_enabled=False)
    page = context.new_page()
    page.goto(f"{address}printers/{KEY}/view")
    page.get_by_role("button", name="Look through it").click()
    assert page.locator("#picture").is_visible()
    assert page.locator("#bed-spots li").count() == 4
    no_sideways_scroll(page)
    page.get_by_text("The points in numbers").click()
    page.locator("#x0").fill("52,5")
    page.get_by_role("button", name="Work it out").click()
    assert page.locator("#x0").input_value() == "52,5"
    page.get_by_role("button", name="Keep this set-up").click()
    assert "Kept in" in page.locator("#told").inner_text()
    assert read_setup(eyes.printers[0].setup).bed_points[0].pixel == (52.5, 343.1)
    context.close()
