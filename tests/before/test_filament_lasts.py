"""Filament needed and the layer in which it ends, against sums done by hand."""

import itertools
import math
import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.before import counted, forecast, reached, weighed
from watcher.before.filament import per_mm_g, pushed_by, start_mm
from watcher.toolpath import read_settings, read_toolpath
from watcher.trouble import BadFacts

SAMPLES = Path(__file__).resolve().parents[2] / "sample_frames"
SLICED = Path(__file__).resolve().parents[1] / "toolpath" / "data"


def program(layers, per_layer_mm, purge_mm=0.0, sides=4, side_mm=40.0):
    """A polygon a layer, relative E, after a purge that stands still."""
    lines = ["G21", "G90", "M83", "G28", "G0 X5 Y5 Z0.2 F6000"]
    if purge_mm:
        lines.append(f"G1 E{purge_mm:.5f} F200")
    corner = [
        (
            60 + side_mm * math.cos(math.tau * k / sides),
            60 + side_mm * math.sin(math.tau * k / sides),
        )
        for k in range(sides + 1)
    ]
    for n in range(layers):
        lines.append(f"G0 Z{0.2 * (n + 1):.3f} F600")
        lines.append(f"G0 X{corner[0][0]:.4f} Y{corner[0][1]:.4f} F6000")
        lines += [
            f"G1 X{b[0]:.4f} Y{b[1]:.4f} E{per_layer_mm / sides:.6f} F1200"
            for _, b in itertools.pairwise(corner)
        ]
    return lines


def extrusion_by_hand(lines, length_mm):
    """Nominal Z at which the E words of absolute or relative moves add up to a length."""
    total = last = 0.0
    z, relative = 0.0, False
    for line in lines:
        words = dict(re.findall(r"([XYZEF])(-?[\d.]+)", line))
        if line.startswith("M83"):
            relative = True
        if line.startswith(("G0", "G1")):
            z = float(words.get("Z", z))
            if "E" in words:
                e = float(words["E"])
                total, last = (total + e, last) if relative else (total + e - last, e)
        elif line.startswith("G92") and "E" in words:
            last = float(words["E"])
        if total >= length_mm:
            return z
    return None


# By hand: pi/4 * 1.75² = 2.40528 mm² and pi/4 * 2.85² = 6.37940 mm².
@pytest.mark.parametrize(
    ("layers", "per_layer", "purge", "diameter", "density", "length", "grams"),
    [
        # 50 * 100 = 5000 mm; 5000 * 2.40528 = 12026.4 mm³; * 1.24 mg = 14.913 g
        (50, 100.0, 0.0, 1.75, 1.24, 5000.0, 14.913),
        # 30 + 80 * 50 = 4030 mm; 4030 * 6.37940 = 25709.0 mm³; * 1.14 mg = 29.308 g
        (80, 50.0, 30.0, 2.85, 1.14, 4030.0, 29.308),
        # 12.5 + 20 * 333 = 6672.5 mm; 6672.5 * 2.40528 = 16049.2 mm³; * 1.27 mg = 20.383 g
        (20, 333.0, 12.5, 1.75, 1.27, 6672.5, 20.383),
    ],
)
def test_length_and_mass_as_reckoned_by_hand(
    layers, per_layer, purge, diameter, density, length, grams
):
    toolpath = read_toolpath(program(layers, per_layer, purge))
    stock = weighed(1000, 200, diameter, density)
    found = forecast(toolpath, stock, diameter, density, price_per_kg=40.0)
    assert found.need_mm == pytest.approx(length, abs=0.01)
    assert found.mass_g == pytest.approx(grams, abs=0.001)
    assert found.cost == pytest.approx(grams * 0.04, abs=0.001)
    assert found.start_mm == pytest.approx(purge, abs=0.01)


@pytest.mark.parametrize(
    ("program", "diameter"),
    [("settings_brim_1_75.gcode", 1.75), ("settings_skirt_2_85.gcode", 2.85)],
)
def test_length_and_volume_as_the_slicing_program_says(program, diameter):
    content = (SLICED / program).read_bytes()
    said = read_settings(content.splitlines())
    if "filament used" in said:
        length, volume = map(float, re.findall(r"([\d.]+)(?:mm|cm3)", said["filament used"]))
    else:
        length, volume = float(said["filament used [mm]"]), float(said["filament used [cm3]"])
    found = forecast(read_toolpath([content]), weighed(1000, 200, diameter, 1.0), diameter, 1.0)
    assert found.need_mm == pytest.approx(length, rel=1e-3)
    # At 1 g/cm³ grams are cubic centimetres; the program rounds to 0.1 or 0.01 of them.
    assert found.mass_g == pytest.approx(volume, abs=0.06)


def test_hours_as_reckoned_by_hand():
    # A square with corners 40 mm from its middle has sides of 56.569 mm; at 1200 mm/min, which is
    # 20 mm/s, they take 2.8284 s each and 11.314 s a layer.
    toolpath = read_toolpath(program(10, 100.0))
    assert toolpath.layers[4].duration_s == pytest.approx(11.314, rel=0.02)
    # Half the filament of 10 layers is gone when five are done, 5 * 11.3 s in.
    place = reached(toolpath, 501.0, pace=1.1)
    assert place.layer == 6
    assert place.elapsed_s == pytest.approx(1.1 * 5 * 11.314, rel=0.03)


@pytest.mark.parametrize("share", [0.02, 0.3, 0.5, 0.77, 0.99])
def test_end_of_filament_falls_on_the_layer_that_the_e_words_reach(share):
    """On the shipped sample's toolpath, whose layers differ; E words added up by hand."""
    path = SAMPLES / "lift" / "part.gcode"
    toolpath = read_toolpath([path.read_bytes()])
    length = share * toolpath.filament_mm
    z = extrusion_by_hand(path.read_text().splitlines(), length)
    layer_by_hand = min(toolpath.layers, key=lambda layer: abs(layer.z_mm - z)).number
    found = reached(toolpath, length)
    assert abs(found.layer - layer_by_hand) <= 0.01 * len(toolpath.layers)
    assert found.z_mm == pytest.approx(z, abs=0.26)


def test_purge_uses_the_spool_first():
    toolpath = read_toolpath(program(10, 100.0, purge_mm=95.0))
    assert reached(toolpath, 95.0 + 250.0).layer == 3
    assert reached(toolpath, 50.0).layer == 1
    assert reached(toolpath, 50.0).elapsed_s <= toolpath.layers[0].start_s + 1e-6
    assert reached(toolpath, 1095.1) is None


def test_weighed_spool_and_its_error_by_hand():
    # (850 - 250) g / (2.40528 mm² * 1.24 mg/mm³) = 600 / 0.00298255 = 201170 mm.
    stock = weighed(
        850,
        250,
        1.75,
        1.24,
        scale_sigma_g=1,
        empty_sigma_g=3,
        diameter_sigma_mm=0.02,
        density_sigma=0.0,
    )
    assert stock.length_mm == pytest.approx(201170, rel=1e-4)
    # sqrt(1 + 9) = 3.1623 g are 1060.3 mm; 2 * 0.02 / 1.75 = 2.2857 % are 4598.2 mm; together:
    assert stock.sigma_mm == pytest.approx(math.hypot(1060.3, 4598.2), rel=1e-3)


def test_judgement_follows_the_error():
    toolpath = read_toolpath(program(10, 100.0))
    gram = per_mm_g(1.75, 1.24) * 1000

    def judged(spare_sigma):
        base = weighed(gram + 200, 200, 1.75, 1.24)
        grams = gram + spare_sigma * base.sigma_mm * per_mm_g(1.75, 1.24)
        return forecast(toolpath, weighed(max(grams, 0) + 200, 200, 1.75, 1.24), 1.75, 1.24)

    assert judged(2.6).judgement == "enough"
    assert judged(2.6).ends is None
    assert judged(0.5).judgement == "in doubt"
    assert judged(0.5).earliest is not None
    assert judged(-0.5).judgement == "in doubt"


def test_runs_out_names_layer_and_bounds():
    toolpath = read_toolpath(program(100, 100.0))
    found = forecast(toolpath, weighed(215, 200, 1.75, 1.24), 1.75, 1.24)
    # 15 g are 5029 mm: layer 51 of 100.
    assert found.judgement == "runs out"
    assert (found.ends.layer, found.ends.layers) == (51, 100)
    assert found.earliest.layer < 51 < found.latest.layer
    assert found.spare_mm == pytest.approx(5029.3 - 10000, abs=0.5)


def test_counted_down_spool_by_hand():
    # 1000 g of 2.85 mm at 1.14: 1000 / (6.37940 * 0.00114) = 137503 mm; less 100 m.
    stock = counted(1000, 100_000, 2.85, 1.14)
    assert stock.length_mm == pytest.approx(37503, abs=5)
    # The error is that of the whole spool: counting can't shrink it.
    assert stock.sigma_mm > 0.01 * 137503
    assert counted(10, 1e9, 1.75, 1.24).length_mm == 0


@pytest.mark.parametrize("bad", [(100, 200, 1.75, 1.2), (300, 200, 0, 1.2), (300, 200, 1.75, 0)])
def test_impossible_spools_are_told(bad):
    with pytest.raises(BadFacts):
        weighed(*bad)


@given(st.floats(0, 2000), st.floats(0, 2000))
def test_more_filament_never_ends_earlier(a, b):
    toolpath = TWENTY
    low, high = sorted([a, b])
    first, second = reached(toolpath, low), reached(toolpath, high)
    if first is None:
        assert second is None
    elif second is not None:
        assert first.layer <= second.layer
        assert first.elapsed_s <= second.elapsed_s + 1e-6


@given(st.floats(0.05, 0.95))
def test_pushed_by_undoes_reached(share):
    length = share * TWENTY.filament_mm
    # Within the prime before the first layer no time is told.
    expected = max(length, start_mm(TWENTY))
    nominal = reached(TWENTY, length).elapsed_s
    assert pushed_by(TWENTY, nominal) == pytest.approx(expected, abs=0.01)


def test_pushed_by_the_end_is_all():
    assert pushed_by(TWENTY, TWENTY.duration_s + 1) == TWENTY.filament_mm


TWENTY = read_toolpath(program(20, 97.0, 20.0))
