"""The table of materials, and when filament wants drying."""

import pytest

from watcher.before import MATERIALS, material
from watcher.before.drying import dryness
from watcher.trouble import BadFacts


@pytest.mark.parametrize("one", MATERIALS, ids=lambda m: m.name)
def test_every_figure_has_a_source_and_a_sound_range(one):
    for figure in (
        one.density_g_cm3,
        one.expansion_per_k,
        one.glass_c,
        one.dry_c,
        one.dry_h,
        one.water_percent,
    ):
        assert figure.source.strip()
        assert figure.low <= figure.high
    assert one.density_g_cm3.low > 0.85
    assert one.density_g_cm3.high < 1.5
    # A spool that is dried above its softening melts into a lump; nylons melt far above.
    if not one.semi_crystalline and one.glass_c.low > 20:
        assert one.dry_c.high < one.glass_c.low


# Crawford, Plastics Engineering, table 1.8, and a handbook sheet of thermal properties.
@pytest.mark.parametrize(
    ("name", "per_k"), [("ABS", 90e-6), ("PA6", 95e-6), ("PA12", 110e-6), ("PA-CF", 22e-6)]
)
def test_expansion_as_published(name, per_k):
    assert material(name).expansion_per_k.middle == pytest.approx(per_k)


@pytest.mark.parametrize(
    ("written", "name"),
    [("pa6-cf", "PA-CF"), ("Nylon", "PA6"), ("abs", "ABS"), ("PA 12", "PA12"), ("petg", "PETG")],
)
def test_names_as_people_write_them(written, name):
    assert material(written).name == name


def test_unknown_material_is_told_with_those_that_are_known():
    with pytest.raises(BadFacts, match=r"'wood'.*PLA, PETG"):
        material("wood")


def test_nylon_is_called_out_and_never_ready_unknown():
    found = dryness(material("PA-CF"), None)
    assert not found.ready
    assert "hygroscopic" in found.sentence
    assert "common practice" in found.recipe


def test_dried_nylon_keeps_hours_in_air_and_less_in_damp_air():
    nylon = material("PA6")
    assert dryness(nylon, 10.0).ready
    assert not dryness(nylon, 10.0, humidity_percent=70).ready
    assert not dryness(nylon, 30.0).ready
    assert dryness(nylon, 300.0, kept_sealed=True).ready


def test_pla_gets_the_benefit_of_the_doubt():
    assert dryness(material("PLA"), None).ready
