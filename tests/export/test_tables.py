"""The tables against what the store gives back, and against the rules of their formats."""

import csv
import io
import json
import math

import made_up
import pytest

from watcher.export.tables import COLUMNS, csv_of, json_of
from watcher.records import Reading


def number(text):
    return float(text) if text else None


def rows_of(store, kept, progress):
    text = csv_of(store, kept, progress).decode("utf-8")
    return list(csv.DictReader(io.StringIO(text, newline=""), strict=True))


def test_the_csv_read_back_is_what_the_store_has(store, kept, progress):
    read = {}
    for row in rows_of(store, kept, progress):
        place = tuple(number(row[c]) for c in ("x_mm", "y_mm", "z_mm"))
        if row["kind"]:
            read.setdefault(int(row["number"]), []).append(
                Reading(
                    row["kind"],
                    row["place"],
                    None if place[0] is None else place,
                    number(row["value"]),
                    number(row["sigma"]),
                    row["unit"],
                    row["unseen"],
                )
            )
    wanted = {f.number: list(store.readings(1, f.number)) for f in store.frames(1)}
    assert read == {n: readings for n, readings in wanted.items() if readings}
    assert len(read) == made_up.COUNT - 2


def test_each_picture_is_in_the_csv_and_says_why_it_has_no_value(store, kept, progress):
    rows = rows_of(store, kept, progress)
    frames = {f.number: f for f in store.frames(1)}
    assert sorted({int(row["number"]) for row in rows}) == sorted(frames)
    for row in rows:
        frame = frames[int(row["number"])]
        told = (row["picture"], float(row["elapsed_s"]), float(row["utc_s"]))
        assert told == (frame.name, frame.elapsed_s, frame.utc_s)
        assert row["value"] or row["unseen"]
    reasons = {int(row["number"]): row["unseen"] for row in rows if not row["kind"]}
    assert reasons == {
        made_up.UNPLACED: "it is too dark",
        made_up.COUNT - 1: "it was not judged",
    }


def test_the_csv_keeps_to_rfc_4180(store, kept, progress):
    text = csv_of(store, kept, progress).decode("utf-8")
    lines = text.split("\r\n")
    assert lines[0] == ",".join(COLUMNS)
    assert lines[-1] == ""
    assert "\n" not in "".join(lines)
    assert {len(row) for row in csv.reader(lines[:-1], strict=True)} == {len(COLUMNS)}


def refuse(constant):
    raise AssertionError(f"{constant} is no JSON")


def test_the_json_read_back_is_what_the_store_has(store, kept, progress):
    told = json.loads(json_of(store, kept, progress), parse_constant=refuse)
    for frame, picture in zip(store.frames(1), told["pictures"], strict=True):
        assert (picture["number"], picture["name"]) == (frame.number, frame.name)
        readings = tuple(
            Reading(**r | {"place_mm": r["place_mm"] and tuple(r["place_mm"])})
            for r in picture["readings"]
        )
        assert readings == store.readings(1, frame.number)
    assert told["run"]["name"] == made_up.NAME
    assert told["setup"]["bed_mm"] == [220.0, 220.0]
    assert told["weights"]["prices"]["filament_per_kg"] == 25.0
    assert [m["index"] for m in told["moments"]] == [made_up.ONSET, made_up.STOP]
    assert [a["level"] for a in told["advice"]][:2] == ["carry on", "stop"]
    assert told["advice"][1]["stake"]["loss_carry_on"] == 3.2
    assert told["answers"][0]["said"] == "it is failing"
    assert told["left_out"] == [{"name": "00041.jpg", "why": "the picture is cut short"}]
    unplaced = told["pictures"][made_up.UNPLACED]["view"]
    assert (unplaced["registered"], unplaced["sigma_px"]) == (False, None)


def test_where_the_pictures_came_from_is_not_handed_on(store, kept, progress):
    for made in (csv_of, json_of):
        assert made_up.SECRET.encode() not in made(store, kept, progress)


@pytest.mark.parametrize("made", [csv_of, json_of])
def test_progress_is_told(store, kept, made):
    told = []
    made(store, kept, lambda *step: told.append(step))
    assert told == [(n, made_up.COUNT) for n in range(1, made_up.COUNT + 1)]


def test_numbers_keep_their_last_digit(store, kept, progress):
    values = [row["value"] for row in rows_of(store, kept, progress) if row["kind"] == "spaghetti"]
    assert all(math.isclose(float(v), 1 / 3, rel_tol=0, abs_tol=0) for v in values)
