"""The settings by which advice is weighed: what is taken, and what is said of what is not."""

import pytest

from watcher.records import Prices, Weights
from watcher.trouble import BadSetup
from watcher.weights import read_weights


def read(tmp_path, text):
    path = tmp_path / "settings.toml"
    path.write_text(text)
    return read_weights(path)


GOOD = """
false_stops_per_100_nights = 2
failing_nights_per_100 = 15.0

[prices]
filament_per_kg = 25
machine_hour = 0.4
part = 12.5
collision = 60
filament_diameter_mm = 2.85
"""


def test_what_is_stated_is_taken_and_the_rest_is_as_usual(tmp_path):
    assert read(tmp_path, GOOD) == Weights(
        2.0, 15.0, Prices(25.0, 0.4, 12.5, 60.0, filament_diameter_mm=2.85)
    )
    assert read(tmp_path, "") == Weights()
    assert Weights().false_stops_per_100_nights == 1.0


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("false_stops_per_100_nights = 0", "false_stops_per_100_nights is 0.*can bear"),
        ("false_stops_per_100_nights = -1", "is -1"),
        ("false_stops_per_100_nights = 100", "is 100"),
        ("false_stops_per_100_nights = nan", "is nan"),
        ("false_stops_per_100_nights = true", "is no number"),
        ('failing_nights_per_100 = "some"', "is no number"),
        ("false_alarms = 1", "false_alarms is not known.*Known are false_stops"),
        ("prices = 3", "prices is no table"),
        ("[prices]\nfilament_per_kg = 25", "machine_hour is missing.*no money can be weighed"),
        ("[prices]\nmachine_hour = 1", "filament_per_kg is missing"),
        ("[prices]\npart = 10", "part stands alone"),
        ("[prices]\nfilament_per_kg = 0\nmachine_hour = 1", "filament_per_kg is 0.*leave prices"),
        ("[prices]\nfilament_per_kg = -5\nmachine_hour = 1", "filament_per_kg is -5"),
        ("[prices]\nfilament_per_kg = 1e9\nmachine_hour = 1", "which can't be"),
        ("[prices]\nfilament_per_kg = inf\nmachine_hour = 1", "is inf"),
        (f"[prices]\nfilament_per_kg = 1{'0' * 400}\nmachine_hour = 1", "which can't be"),
        ("[prices]\nfilament_per_kg = 25\nmachine_hour = 0", "machine_hour is 0"),
        ("[prices]\nfilament_diameter_mm = 17.5", "is 17.5.*1.75 or 2.85"),
        ("[prices]\nfilament_density_g_cm3 = 1240", "density"),
        ("[prices]\ncollision_ratio = 0", "collision is even"),
        ("[prices]\nspool = 3", "prices.spool is not known"),
        ("false_stops_per_100_nights =", "is not TOML"),
    ],
)
def test_what_can_not_be_is_told_in_a_sentence(tmp_path, text, said):
    with pytest.raises(BadSetup, match=said) as told:
        read(tmp_path, text)
    assert str(told.value).startswith("settings.toml")
    assert "\n" not in str(told.value)


def test_a_missing_file_and_a_folder_and_bytes(tmp_path):
    with pytest.raises(BadSetup, match="no settings file"):
        read_weights(tmp_path / "none.toml")
    with pytest.raises(BadSetup, match="can't be read"):
        read_weights(tmp_path)
    (tmp_path / "settings.toml").write_bytes(bytes(range(256)))
    with pytest.raises(BadSetup, match="no text file"):
        read_weights(tmp_path / "settings.toml")
