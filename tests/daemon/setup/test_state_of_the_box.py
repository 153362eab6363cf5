"""Temperature, contact, torque and the indicator's curve: from the files down to the analysis."""

from __future__ import annotations

import pytest
from daemon.virtual_time import CONFIGS, DEMO_BOX
from lashmap_daemon.errors import ConfigurationError
from lashmap_daemon.setup import toml_file
from lashmap_daemon.setup.box_file import BoxFile
from lashmap_daemon.setup.stand_file import StandFile
from lashmap_daemon.story import recorded

DEMO = DEMO_BOX.read_text("utf-8")
STAND = (CONFIGS / "stands" / "bench.toml").read_text("utf-8")
CURVE = """
[indicator.correction]
readings_mm = [-1.0, 0.0, 2.0]
corrections_mm = [0.001, 0.0, -0.003]
uncertainties_mm = [0.0005, 0.0004, 0.0006]

[encoder]"""


def box_with(old: str, new: str) -> recorded.Box:
    assert old in DEMO
    return toml_file.parse(DEMO.replace(old, new), "box.toml", BoxFile).recorded()


def refused(old: str, new: str) -> str:
    with pytest.raises(ConfigurationError) as caught:
        box_with(old, new)
    return str(caught.value)


def stand_with(old: str, new: str) -> StandFile:
    assert old in STAND
    return toml_file.parse(STAND.replace(old, new), "stand.toml", StandFile)


@pytest.mark.parametrize(
    ("word", "from_toe"), [('"toe"', 0.0), ('"mean"', 0.5), ('"heel"', 1.0), ("0.3", 0.3), ("1", 1.0)]
)
def test_contact_is_a_word_or_a_part_of_the_face(word: str, from_toe: float) -> None:
    assert box_with("place = 0.6", f"place = {word}").gear_set_in_contact().contact_from_toe == from_toe


def test_a_place_beyond_the_face_is_refused_with_its_key() -> None:
    assert "contact" in refused("place = 0.6", "place = 25.0")
    assert "contact.place" in refused("place = 0.6", 'place = "middle"')


def test_materials_are_names_or_coefficients() -> None:
    # GUM H.1.3.3 has 11.5e-6 for steel; aluminium 23e-6 (handbooks, from memory).
    old = 'housing_material = "steel"'
    assert box_with(old, 'housing_material = "aluminium"').conditions().housing_expansion_um_per_m_k == 23.0
    assert box_with(old, "housing_material = 17.3").conditions().housing_expansion_um_per_m_k == 17.3
    assert box_with(old, "").conditions().housing_expansion_um_per_m_k is None
    assert "housing_material" in refused(old, 'housing_material = "brass"')
    assert "0 to 40" in refused(old, "housing_material = 0.0115e6")


def test_two_torques_give_the_compliance() -> None:
    # 0.8 µm more for 2 N m more.
    assert box_with("x", "x").conditions().compliance_um_per_nm == pytest.approx(0.4)
    assert "more than rock_nm" in refused("second_nm = 2.5", "second_nm = 0.5")
    assert "together" in refused("second_nm = 2.5", "")
    assert "either" in refused("second_nm = 2.5", "second_nm = 2.5\ncompliance_um_per_nm = 0.4")
    alone = box_with("second_nm = 2.5\nsecond_adds_mm = 0.0008", "compliance_um_per_nm = 0.7")
    assert alone.conditions().compliance_um_per_nm == 0.7


def test_end_play_in_words_without_a_figure_is_known_as_such() -> None:
    figures = "pinion_end_play_mm = 0.0\ngear_end_play_mm = 0.004\n"
    spoken = box_with(figures, "").conditions()
    assert spoken.has_end_play
    assert spoken.gear_end_play_mm is None
    silent = DEMO.replace(figures, "").replace(", gear end play 0.004 mm", "")
    assert not toml_file.parse(silent, "box.toml", BoxFile).recorded().conditions().has_end_play


@pytest.mark.parametrize(
    ("words", "has"),
    [
        ("no end play", False),
        ("preloaded, without any axial end play", False),
        ("End play: none", False),
        ("pinion no end play, gear end play 0.02 mm", True),
        ("no shims, end play 0.02 mm", True),
        ("end play", True),
    ],
)
def test_no_end_play_is_none(words: str, *, has: bool) -> None:
    box = toml_file.parse(DEMO, "box.toml", BoxFile)
    mounting = box.mounting.model_copy(update={"bearings": words})
    assert box.model_copy(update={"mounting": mounting}).recorded().conditions().has_end_play is has


def test_a_compliance_that_cannot_be_meant_is_refused() -> None:
    # Bound: common practice, no source.
    old = "second_nm = 2.5\nsecond_adds_mm = 0.0008"
    assert "compliance_um_per_nm: a reading that grows by 400 µm" in refused(
        old, "compliance_um_per_nm = 400.0"
    )
    assert "second_adds_mm: a reading that grows by 400 µm" in refused("= 0.0008", "= 0.8")
    assert box_with(old, "compliance_um_per_nm = 100.0").conditions().compliance_um_per_nm == 100.0


def test_of_two_ways_to_say_what_an_untouched_tooth_takes_one_is_given() -> None:
    old = "tooth_accuracy_grade = 4"
    assert "one of them counts" in refused(old, f"{old}\nuntouched_tooth_mm = 0.002")
    assert box_with(old, "untouched_tooth_mm = 0.002").limits.untouched_tooth_mm == 0.002


@pytest.mark.parametrize(("sense", "high_mm", "low_mm"), [(1, 2.0, -1.0), (-1, 1.0, -2.0)])
def test_the_curve_is_that_of_the_display_whatever_its_sense(
    sense: int, high_mm: float, low_mm: float
) -> None:
    # The display shows 2 and -1 on the flanks: it has moved (2 - 0.003) - (-1 + 0.001) = 2.996, not 3.
    indicator = stand_with("\n[encoder]", CURVE).indicator
    assert indicator is not None
    file = indicator.model_copy(update={"sense": sense})
    curve = file.to_record(recorded.Indicator).curve()
    assert curve is not None
    assert (high_mm - low_mm) + curve.between_mm(high_mm, low_mm) == pytest.approx(2.996, abs=1e-12)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("readings_mm = [-1.0, 0.0, 2.0]", "readings_mm = [0.0, -1.0, 2.0]", "readings that increase"),
        ("corrections_mm = [0.001, 0.0, -0.003]", "corrections_mm = [0.001, 0.0]", "as many of one"),
        ("uncertainties_mm = [0.0005", "uncertainties_mm = [-0.0005", "uncertainties_mm"),
        # In µm, as most certificates print it.
        ("corrections_mm = [0.001, 0.0, -0.003]", "corrections_mm = [1.0, 0.0, -3.0]", "no more than 0.1 mm"),
    ],
)
def test_a_curve_that_does_not_fit_is_refused(old: str, new: str, said: str) -> None:
    with pytest.raises(ConfigurationError) as caught:
        stand_with("\n[encoder]", CURVE.replace(old, new))
    assert said in str(caught.value)
    assert "indicator" in str(caught.value)
