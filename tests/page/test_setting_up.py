"""Setting a printer up, asked for by hand: who may, what is refused, and what is kept."""

from __future__ import annotations

import io
import json
import re
import struct
import threading
import urllib.error
import urllib.request
import zlib

import argon2
import markup
import numpy as np
import pytest
import sights

from watcher.page import create_app, door, door_of, listen, set_passphrase
from watcher.page.setup_form import MOTIONS, number
from watcher.records import BedPoint
from watcher.settings import read_setup, setup_text
from watcher.store import Store, disk
from watcher.trouble import BadSetup

KEY = disk.plain("bench left")
VIEW = f"/printers/{KEY}/view"
PASSPHRASE = "four words by chance"


@pytest.fixture
def eyes(tmp_path):
    return sights.FakeEyes((sights.bench(tmp_path / "files"),))


@pytest.fixture
def data(tmp_path):
    path = tmp_path / "data"
    with Store.open(path, write=True):
        pass
    return path


@pytest.fixture
def client(data, eyes):
    return create_app(data, eyes=eyes).test_client()


@pytest.fixture
def locked(data, eyes, monkeypatch):
    monkeypatch.setattr(door, "_hasher", argon2.PasswordHasher(1, 8, 1))
    set_passphrase(data, PASSPHRASE)
    return create_app(data, door=door_of(data, "192.0.2.4"), eyes=eyes).test_client()


def text_of(answer):
    return answer.get_data(as_text=True)


def token(client, path="/printers"):
    return re.search(r'name="csrf_token" value="([^"]+)"', text_of(client.get(path)))[1]


def sign_in(client):
    form = {"csrf_token": token(client, "/sign-in"), "passphrase": PASSPHRASE}
    assert client.post("/sign-in", data=form).status_code == 303


def fields(**more):
    form = {
        "width": "640",
        "height": "480",
        "bed_w": "200",
        "bed_d": "180",
        "motion": "bed-y",
        "sunk": "0",
        "region": "",
    }
    for k, (x, y) in enumerate(sights.CORNERS):
        form |= {f"x{k}": str(x), f"y{k}": str(y)}
    return form | more


def post(client, path, **form):
    return client.post(path, data={"csrf_token": token(client), **form})


def hand_in(client, data, name="bed.jpg", what="picture", path=f"/printers/{KEY}/hand-in"):
    form = {"csrf_token": token(client), what: (io.BytesIO(data), name)}
    return client.post(path, data=form, content_type="multipart/form-data")


# Who may


CHANGES = [
    "/printers",
    VIEW,
    f"/printers/{KEY}/look",
    f"/printers/{KEY}/hand-in",
    f"/printers/{KEY}/program",
    f"/printers/{KEY}/newest",
    f"/api/printers/{KEY}/look",
    f"/api/printers/{KEY}/numbers",
    f"/api/printers/{KEY}/find",
]
SIGHTS = ["/printers", VIEW, f"/printers/{KEY}/picture"]


@pytest.mark.parametrize("path", CHANGES)
def test_a_stranger_and_a_share_link_open_no_camera_and_write_nothing(locked, eyes, data, path):
    before = eyes.printers[0].setup.read_bytes()
    assert locked.post(path, data={"address": "http://192.0.2.9/"}).status_code in (302, 401)
    share = door_of(data, "192.0.2.4").share(1.0)
    assert locked.get(f"/shared/{share}").status_code == 303
    assert locked.post(path, data={"address": "http://192.0.2.9/"}).status_code == 403
    assert eyes.asked == []
    assert eyes.printers[0].setup.read_bytes() == before


@pytest.mark.parametrize("path", SIGHTS)
def test_a_share_link_does_not_even_show_it(locked, data, path):
    assert locked.get(path).status_code == 302
    locked.get(f"/shared/{door_of(data, '192.0.2.4').share(1.0)}")
    answer = locked.get(path)
    assert answer.status_code == 403
    assert "wants a sign-in" in text_of(answer)


@pytest.mark.parametrize("path", CHANGES)
def test_without_the_pages_token_nothing_is_done(client, eyes, path):
    assert client.post(path, data={"address": "0"}).status_code == 400
    assert eyes.asked == []


def test_who_is_signed_in_may(locked, eyes):
    sign_in(locked)
    assert post(locked, f"/printers/{KEY}/look").status_code == 303
    assert eyes.asked == [sights.SOURCE]


def test_a_large_body_is_for_two_views_and_for_those_who_may_act(locked):
    big = b"x" * 100_000
    stranger = {"picture": (io.BytesIO(big), "a.jpg")}
    answer = locked.post(f"/printers/{KEY}/hand-in", data=stranger)
    assert answer.status_code in (401, 413)
    sign_in(locked)
    assert hand_in(locked, big).status_code == 200
    form = {"csrf_token": token(locked), "picture": (io.BytesIO(big), "a.jpg")}
    assert locked.post("/printers", data=form).status_code == 413
    assert hand_in(locked, b"x" * (8 * 2**20 + 1)).status_code == 413


def test_a_large_picture_comes_through_the_real_server(data, eyes):
    app = create_app(data, eyes=eyes)
    server = listen(app, "127.0.0.1", 0)
    threading.Thread(target=server.run, daemon=True).start()
    try:
        with urllib.request.urlopen(server.url + "printers") as page:
            cookie = page.headers["Set-Cookie"].split(";")[0]
            key = re.search(r'name="csrf_token" value="([^"]+)"', page.read().decode())[1]
        # JPEG decoders pass over what follows the picture.
        picture = sights.bed_picture() + bytes(3 * 2**20)
        body = (
            b'--cut\r\nContent-Disposition: form-data; name="picture"; filename="a.jpg"\r\n\r\n'
            + picture
            + b"\r\n--cut--\r\n"
        )
        asked = urllib.request.Request(
            f"{server.url}printers/{KEY}/hand-in",
            data=body,
            headers={
                "Content-Type": "multipart/form-data; boundary=cut",
                "Cookie": cookie,
                "X-CSRFToken": key,
                "Accept": "application/json",
            },
        )
        with urllib.request.urlopen(asked) as answer:
            assert json.load(answer)["width"] == 640
    finally:
        server.close()


# Pictures


def test_the_address_and_its_password_are_never_sent_back(client, eyes):
    typed = f"http://{sights.PASSWORD}@192.0.2.9/other"
    answer = client.post(
        f"/api/printers/{KEY}/look", data={"csrf_token": token(client), "address": typed}
    )
    assert answer.json["camera"] == "http://192.0.2.9/other"
    assert eyes.asked == [typed]
    for path in ("/printers", VIEW):
        assert "very-secret" not in text_of(client.get(path))
    # From then on it is remembered.
    post(client, f"/api/printers/{KEY}/look")
    assert eyes.asked == [typed, typed]
    picture = client.get(answer.json["address"])
    assert picture.mimetype == "image/jpeg"
    assert picture.data == sights.bed_picture()


def test_a_camera_that_gives_nothing_is_told_with_and_without_a_script(client, eyes):
    eyes.trouble = "http://192.0.2.7/stream has given no picture for 6 s."
    answer = post(client, f"/api/printers/{KEY}/look")
    assert answer.json == {"trouble": eyes.trouble}
    answer = post(client, f"/printers/{KEY}/look")
    assert eyes.trouble in text_of(answer)
    assert markup.badly_formed(text_of(answer)) == []


def test_a_path_is_not_opened(client, eyes):
    answer = post(client, f"/api/printers/{KEY}/look", address="/etc/passwd")
    assert "only cameras are opened" in answer.json["trouble"]
    assert eyes.asked == []


def png_of(width, height):
    """The head of a PNG that says how large it is, and nearly no picture (ISO/IEC 15948)."""

    def chunk(kind, body):
        return (
            struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))
        )

    head = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", head)
        + chunk(b"IDAT", zlib.compress(bytes(1000)))
        + chunk(b"IEND", b"")
    )


@pytest.mark.parametrize(
    ("data_in", "words"),
    [
        (b"<svg onload='x'/>", "That is no picture. Give a JPEG or PNG file."),
        (b"", "No picture was chosen."),
        (b"GIF89a" + bytes(100), "That is no picture."),
        (png_of(9_000, 9_000), "larger than 40 million pixels"),
        (png_of(200_000, 200_000), "larger than 40 million pixels"),
    ],
)
def test_what_is_no_picture_is_refused_in_a_sentence(client, data_in, words):
    answer = hand_in(client, data_in)
    assert words in text_of(answer)
    assert client.get(f"/printers/{KEY}/picture").status_code == 404


def test_a_picture_is_handed_in_and_judged_without_a_script(client):
    assert hand_in(client, sights.bed_picture()).status_code == 303
    text = text_of(client.get(VIEW))
    assert markup.badly_formed(text) == []
    for name in ("front left", "front right", "back right", "back left"):
        assert re.search(rf"{name}: 0\.\d\d mm a pixel, sees 0\.\d mm", text)
    assert "They stand well." in text
    assert "640 by 480 pixels" in text


def test_the_newest_kept_picture_is_taken(folder, eyes):
    client = create_app(folder, eyes=eyes).test_client()
    assert post(client, f"/printers/{KEY}/newest").status_code == 303
    assert "the newest picture of run" in text_of(client.get(VIEW))


def test_where_nothing_was_watched_there_is_no_newest_picture(client):
    assert "nothing has been watched" in text_of(post(client, f"/printers/{KEY}/newest"))


def test_a_page_without_eyes_still_takes_a_picture(data):
    client = create_app(data).test_client()
    assert "No printer yet" in text_of(client.get("/printers"))
    answer = post(client, "/printers", name="shed")
    view = answer.location
    assert answer.status_code == 303
    assert "started without a camera" in text_of(client.get(view))
    key = view.split("/")[2]
    hand_in(client, sights.bed_picture(), path=f"/printers/{key}/hand-in")
    assert "640 by 480 pixels" in text_of(client.get(view))


# The form


def test_the_form_is_filled_from_the_file(client):
    text = text_of(client.get(VIEW))
    assert 'name="x1" inputmode="decimal" value="533.1"' in text
    assert 'name="bed_w" inputmode="decimal" value="200"' in text


def test_find_mend_turn_and_propose_work_without_a_script(client):
    hand_in(client, sights.bed_picture())
    near = {f"x{k}": str(x + 3) for k, (x, _) in enumerate(sights.CORNERS)}
    for do in ("find", "mend"):
        text = text_of(post(client, VIEW, **(fields(**near) | {"do": do})))
        for k, (x, y) in enumerate(sights.CORNERS):
            assert float(re.search(rf'name="x{k}".*?value="([\d.-]+)"', text)[1]) == pytest.approx(
                x, abs=2
            )
            assert float(re.search(rf'name="y{k}".*?value="([\d.-]+)"', text)[1]) == pytest.approx(
                y, abs=2
            )
    text = text_of(post(client, VIEW, **fields(do="turn")))
    assert 'name="x0" inputmode="decimal" value="533.1"' in text
    text = text_of(post(client, VIEW, **fields(do="propose")))
    region = re.search(r"<textarea[^>]*>([^<]*)<", text)[1]
    assert len(region.split()) == 4
    assert markup.badly_formed(text) == []


def test_what_is_not_found_is_said_honestly(client):
    hand_in(client, sights.bed_picture(lamp=0.05))
    text = text_of(post(client, VIEW, **fields(do="find")))
    # Apostrophes are escaped.
    assert "corners were not found in this picture. Drag them there." in text


BAD = [
    ({"x1": "49.1", "y1": "343.1"}, "bed_points are crossed"),
    ({"x0": "533.1", "y0": "413.4", "x1": "49.1", "y1": "343.1"}, "bed_points are"),
    ({"bed_w": "0"}, "The bed is 0 by 180 mm"),
    ({"bed_d": "wide"}, "depth is &#39;wide&#39;. Give a number there."),
    ({"x2": ""}, "x of back right is"),
    ({"x2": "inf"}, "is not a finite number"),
    ({"motion": "bed-x"}, "bed_motion is"),
    ({"region": "1,2 3,4"}, "part_region is no polygon"),
    ({"region": "1,2 3,4 5"}, "The region holds"),
    ({"region": " ".join(f"{n},{n * n}" for n in range(50))}, "The region has 50 corners"),
    ({"motion": "bed-z", "sunk": "-4"}, "bed_points_z_mm is -4"),
]


@pytest.mark.parametrize(("change", "words"), BAD)
def test_a_set_up_that_makes_no_sense_is_not_kept(client, eyes, change, words):
    before = eyes.printers[0].setup.read_bytes()
    answer = post(client, VIEW, **fields(do="keep", **change))
    assert words in text_of(answer)
    assert 'class="aim-told bad"' in text_of(answer)
    assert eyes.printers[0].setup.read_bytes() == before
    assert [p.name for p in eyes.printers[0].setup.parent.glob("setup.until*")] == []


def test_what_is_kept_is_read_as_it_was_set_and_the_old_one_stays_beside(client, eyes):
    file = eyes.printers[0].setup
    before = file.read_bytes()
    form = fields(
        do="keep", x0="50.5", parked="yes", bed_d="181,5", region="300,200  360,210  350,260"
    )
    answer = post(client, VIEW, **form)
    assert answer.status_code == 303
    setup = read_setup(file)
    assert setup.bed_points[0] == BedPoint((50.5, 343.1), (0.0, 0.0))
    assert setup.bed_mm == (200.0, 181.5)
    assert setup.head_parked_for_frames
    assert setup.part_px == ((300.0, 200.0), (360.0, 210.0), (350.0, 260.0))
    assert file.read_text() == setup_text(setup)
    (old,) = file.parent.glob("setup.until-*.json")
    assert old.read_bytes() == before
    assert f"Kept in {file}." in text_of(client.get(answer.location))
    # The same again changes nothing; another one is kept beside the first.
    post(client, VIEW, **form)
    assert len(list(file.parent.glob("setup.until-*.json"))) == 1
    post(client, VIEW, **(form | {"x0": "51"}))
    assert len(list(file.parent.glob("setup.until-*.json"))) == 2


def test_what_the_form_does_not_ask_stays(client, eyes):
    file = eyes.printers[0].setup
    content = json.loads(file.read_text()) | {
        "room_markers": True,
        "bed_markers": [{"number": 2, "bed_mm": [5, 140], "side_mm": 25}],
    }
    file.write_text(json.dumps(content))
    post(client, VIEW, **fields(do="keep", x0="50.5"))
    setup = read_setup(file)
    assert setup.room_markers
    assert setup.bed_markers[0].number == 2


def test_a_file_that_can_not_be_read_is_told_and_kept_beside(client, eyes):
    file = eyes.printers[0].setup
    file.write_text("{ broken")
    assert "is not JSON" in text_of(client.get(VIEW))
    assert "is not JSON" in text_of(client.get("/printers"))
    assert post(client, VIEW, **fields(do="keep")).status_code == 303
    assert read_setup(file).bed_mm == (200.0, 180.0)
    (old,) = file.parent.glob("setup.until-*.json")
    assert old.read_text() == "{ broken"


def test_a_file_that_can_not_be_written_is_told(client, eyes, monkeypatch):
    def refuse(path, content):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(disk, "write_file", refuse)
    before = eyes.printers[0].setup.read_bytes()
    text = text_of(post(client, VIEW, **fields(do="keep", x0="50")))
    assert "can&#39;t be written (Permission denied)" in text
    assert eyes.printers[0].setup.read_bytes() == before


def test_without_a_configuration_it_is_kept_in_the_data_folder_with_the_command(data):
    eyes = sights.FakeEyes()
    client = create_app(data, eyes=eyes).test_client()
    view = post(client, "/printers", name="  the   shed's ").location
    key = view.split("/")[2]
    assert key == disk.plain("the shed's")
    post(client, f"/api/printers/{key}/look", address=sights.SOURCE)
    assert post(client, view, **fields(do="keep")).status_code == 303
    file = data / "printers" / key / "setup.json"
    assert read_setup(file).bed_mm == (200.0, 180.0)
    text = text_of(client.get(view))
    assert f"watcher watch --source http://192.0.2.7/stream --setup {file.absolute()}" in text
    assert "very-secret" not in text
    assert "the shed&#39;s" in text_of(client.get("/printers"))
    # Once more by the same name is the same printer.
    assert post(client, "/printers", name="the shed's").location == view


@pytest.mark.parametrize("name", ["", "   ", "x" * 61, "a\x00b"])
def test_a_printer_without_a_name_is_not_taken_in(client, name):
    assert "Give the printer a name" in text_of(post(client, "/printers", name=name))


@pytest.mark.parametrize("key", ["nothing", "..", "bench%20left", "%2e%2e%2fsetup"])
def test_a_printer_that_is_not_there_is_not_found(client, key):
    assert client.get(f"/printers/{key}/view").status_code == 404


def test_a_running_watch_is_told_to_keep_its_own(client, data):
    with Store.open(data, write=True) as store:
        store.book.sign("bench left", None, 60.0, "")
    assert "A watch is running" in text_of(client.get(VIEW))
    answer = post(client, VIEW, **fields(do="keep", x0="50"))
    assert "until it is started again" in text_of(client.get(answer.location))


# The program


def test_a_program_is_handed_in_and_its_corners_are_judged(client, eyes):
    name = "vent <b>.gcode"
    hand_in(client, sights.bed_picture())
    path = f"/printers/{KEY}/program"
    assert hand_in(client, sights.program(), name, "program", path).status_code == 303
    text = text_of(client.get(VIEW))
    assert "vent &lt;b&gt;.gcode is known" in text
    assert "Corners of the part" in text
    bad = text_of(hand_in(client, b"G28\n", "a.gcode", "program", path))
    assert "lays no filament" in bad


def test_every_motion_of_a_bed_can_be_chosen(client):
    text = text_of(client.get(VIEW))
    for motion, words in MOTIONS.items():
        assert f'<option value="{motion}"' in text
        assert words in text


def test_a_decimal_comma_is_taken():
    assert number({"a": " 12,5 "}, "a", "It") == 12.5
    with pytest.raises(BadSetup, match="It is 'x'"):
        number({"a": "x"}, "a", "It")


def test_points_that_are_no_corners_become_corners_and_that_is_said(client, eyes):
    file = eyes.printers[0].setup
    content = json.loads(file.read_text())
    at = sights.camera().project(
        np.array([[20.0, 20, 0], [180.0, 20, 0], [180.0, 160, 0], [20.0, 160, 0]])
    )
    content["bed_points"] = [
        {"pixel": list(pixel), "bed_mm": [x, y]}
        for pixel, (x, y) in zip(
            at.tolist(), [(20, 20), (180, 20), (180, 160), (20, 160)], strict=True
        )
    ]
    file.write_text(json.dumps(content))
    text = text_of(client.get(VIEW))
    assert "holds points that are no corners of the bed" in text
    for k, corner in enumerate(sights.CORNERS):
        x, y = (float(re.search(rf'name="{a}{k}".*?value="([\d.-]+)"', text)[1]) for a in "xy")
        assert (x, y) == pytest.approx(corner, abs=1.0)


def test_a_configured_program_that_is_large_is_not_waited_for(client, eyes, monkeypatch):
    monkeypatch.setattr("watcher.page.aim.QUICK_PROGRAM", 100)
    hand_in(client, sights.bed_picture())
    text = text_of(client.get(VIEW))
    assert "The configured program is read when it is needed." in text
    assert "Corners of the part" in text
    assert "They stand well." in text
    # The script, which asks beside the page, gets the part's corners, too.
    assert len(post(client, f"/api/printers/{KEY}/numbers", **fields()).json["part"]) == 4
    text = text_of(post(client, VIEW, **fields(do="propose")))
    assert "The program part.gcode is known." in text
    assert len(re.search(r"<textarea[^>]*>([^<]*)<", text)[1].split()) == 4
