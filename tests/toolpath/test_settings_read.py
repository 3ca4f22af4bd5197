"""Settings that a program carries as comments."""

from pathlib import Path

import pytest

from watcher.toolpath import read_settings

DATA = Path(__file__).parent / "data"


def test_keys_and_values_whoever_wrote_them():
    program = [
        "; layer_height = 0.2\n",
        b";first layer speed = 20\n",
        ";   filament used [mm] = 5023.4\n",
        "; start = G28 ; home\\nG1 Z5\n",
        "; empty =\n",
        "G1 X1 E1 ; speed = 3\n",
        "; a sentence that says nothing\n",
        "; layer_height = 0.25\n",
    ]
    assert read_settings(program) == {
        "layer_height": "0.25",
        "first layer speed": "20",
        "filament used [mm]": "5023.4",
        "start": "G28 ; home\\nG1 Z5",
        "empty": "",
    }


def test_pictures_in_comments_are_no_settings():
    assert read_settings(["; iVBORw0KGgoAAAANSUhEUg==", "; AAAA=", ";=", "; = 3"]) == {}


def test_damage_and_masses_of_keys_do_no_harm():
    assert read_settings([b"; k\xff\xfe = \x00v", "; " + "x" * 500 + " = 1"]) in ({}, {"k": "v"})
    assert len(read_settings(f"; key{n} = {n}" for n in range(9000))) == 5000


@pytest.mark.parametrize(
    ("program", "layer_height", "brim", "diameter", "many"),
    [
        ("settings_brim_1_75.gcode", 0.3, 4, 1.75, 100),
        ("settings_skirt_2_85.gcode", 0.3, 0, 2.85, 150),
    ],
)
def test_settings_of_two_slicing_programs(program, layer_height, brim, diameter, many):
    """What was asked for on their command lines when these files were made."""
    found = read_settings((DATA / program).read_bytes().splitlines(keepends=True))
    assert float(found["layer_height"]) == layer_height
    assert float(found["brim_width"]) == brim
    assert float(found["filament_diameter"]) == diameter
    assert len(found) > many
