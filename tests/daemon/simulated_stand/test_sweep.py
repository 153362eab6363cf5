"""What a runout sweep of the simulated stand reads, against a cone that is turned off its axis here."""

from __future__ import annotations

import json
from dataclasses import replace
from math import atan2, cos, degrees, hypot, radians, sin
from typing import TYPE_CHECKING, Literal

import numpy as np
import pytest
from lashmap_daemon.simulated_stand import SimulatedBox, SimulatedInstruments, Stand
from scipy.optimize import brentq

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

Member = Literal["gear", "pinion"]
MEMBERS: tuple[Member, Member] = ("gear", "pinion")
BOX = SimulatedBox(
    pinion_teeth=13,
    gear_teeth=40,
    outer_module_mm=4.0,
    face_width_mm=25.0,
    normal_pressure_angle_deg=20.0,
    mean_spiral_angle_deg=35.0,
    cutter_radius_mm=75.0,
    touch_radius_mm=76.0,
    mean_normal_backlash_mm=0.15,
    gear_high_point_deg=75.0,
    pinion_high_point_deg=310.0,
    matched_teeth_encoder_deg=12.5,
)
ECCENTRIC = replace(BOX, gear_eccentricity_mm=0.02, pinion_eccentricity_mm=0.012)
SKEW = replace(ECCENTRIC, shaft_angle_deg=75.0, pinion_teeth=20)
FAST = SimulatedInstruments(indicator_rate_hz=250.0, encoder_rate_hz=250.0, encoder_counts_per_turn=3_600_000)
# The display and its noise left out, so that what is left is the surface.
FINE = replace(FAST, indicator_noise_mm=0.0, indicator_resolution_mm=1e-6, drift_mm_per_s=0.0)


def swept(
    stand: Stand, member: Member, box: SimulatedBox, *, turns: int = 2, encoder: Member = "gear"
) -> tuple[Floats, Floats]:
    """Return turn of the member past the matched teeth, in degrees, and indicator, over whole turns."""
    stand.sweep(member)
    stand.advance(2.0)
    wire = stand.advance(turns / 0.6 * 1.3)
    teeth = {"gear": box.gear_teeth, "pinion": box.pinion_teeth}
    # Both instruments speak at the same instants; the shafts turn by the ratio of the teeth.
    counts = np.array([int(line) for line in wire.encoder_lines]) / 10_000.0
    turned = (counts - box.matched_teeth_encoder_deg) * teeth[encoder] / teeth[member]
    shown = np.array([float(line) for line in wire.indicator_lines])
    whole = turned < turned[0] + 360.0 * turns
    assert not whole.all()
    return turned[whole], shown[whole]


def order(turned_deg: Floats, shown_mm: Floats, number: int) -> tuple[float, float]:
    """Return amplitude and high point, in degrees of turn, of one order (least squares, textbook)."""
    turns = np.radians(turned_deg)
    waves = [np.ones_like(turns)]
    for wave in (1, 2):
        waves += [np.cos(wave * turns), np.sin(wave * turns)]
    fitted = np.linalg.lstsq(np.stack(waves, axis=1), shown_mm, rcond=None)[0]
    along, across = fitted[2 * number - 1], fitted[2 * number]
    return hypot(along, across), degrees(atan2(across, along)) / number % (360.0 / number)


def pitch_angle(box: SimulatedBox, member: Member) -> float:
    # ISO 23509: δ1 = atan(sin Σ / (z2/z1 + cos Σ)), δ2 = Σ - δ1.
    shaft = radians(box.shaft_angle_deg)
    pinion = atan2(sin(shaft), box.gear_teeth / box.pinion_teeth + cos(shaft))
    return pinion if member == "pinion" else shaft - pinion


def apart_deg(one: float, other: float) -> float:
    return abs((one - other + 180.0) % 360.0 - 180.0)


def cone_reading(
    turn: float, *, place: float, high: float, eccentricity: float, cone: float, radius: float
) -> float:
    """Return where along the indicator's line, from the perfect cone outwards, it meets the displaced one.

    A cone r = z tan δ about an axis that stands off the axis of turning, towards the mesh (angle 0) when the
    turn is `high`; angles in radians, positive with the turning.
    """
    off_x, off_y = eccentricity * cos(turn - high), eccentricity * sin(turn - high)

    def outside(along: float) -> float:
        across = radius + along * cos(cone)
        height = radius / np.tan(cone) - along * sin(cone)
        x, y = across * cos(place) - off_x, across * sin(place) - off_y
        return float(hypot(x, y) - height * np.tan(cone))

    return float(brentq(outside, -1.0, 1.0, xtol=1e-12))


@pytest.mark.parametrize("box", [ECCENTRIC, SKEW])
@pytest.mark.parametrize("member", MEMBERS)
@pytest.mark.parametrize("place_deg", [0.0, 90.0, 250.0, -35.0])
def test_the_trace_is_that_of_a_cone_turned_off_its_axis(
    box: SimulatedBox, member: Member, place_deg: float
) -> None:
    box = replace(box, runout_indicator_from_mesh_deg=place_deg, surface_roughness_mm=0.0)
    turned, shown = swept(Stand(box, FINE, seed=1), member, box, turns=1)
    gear = member == "gear"
    teeth = box.gear_teeth if gear else box.pinion_teeth
    expected = np.array(
        [
            cone_reading(
                radians(turn),
                place=radians(place_deg),
                high=radians((box.gear_high_point_deg if gear else box.pinion_high_point_deg) or 0.0),
                eccentricity=box.gear_eccentricity_mm if gear else box.pinion_eccentricity_mm,
                cone=pitch_angle(box, member),
                radius=box.outer_module_mm * teeth / 2.0,
            )
            for turn in turned[::5]
        ]
    )
    # Solid geometry, solved numerically above; the zero of an indicator is arbitrary. What is left is the
    # second order of the eccentricity over the radius, e² / 2 r.
    difference = shown[::5] - expected
    assert np.ptp(expected) > 0.010
    assert np.ptp(difference) < 1e-5


@pytest.mark.parametrize("encoder", MEMBERS)
@pytest.mark.parametrize("member", MEMBERS)
def test_full_movement_in_the_bytes_is_the_truth(member: Member, encoder: Member) -> None:
    box = replace(ECCENTRIC, gear_face_wobble_mm=0.006, pinion_face_wobble_mm=0.004, out_of_round_mm=0.003)
    stand = Stand(box, replace(FAST, encoder_shaft=encoder), seed=3)
    amplitude, _ = order(*swept(stand, member, box, encoder=encoder), 1)
    gear = member == "gear"
    truth = stand.truth.gear_runout_fim_mm if gear else stand.truth.pinion_runout_fim_mm
    assert 2.0 * amplitude == pytest.approx(truth, abs=1e-4)
    # Parts of a radial and an axial move along the cone's normal (trigonometry): e cos δ and w sin δ.
    radial = box.gear_eccentricity_mm if gear else box.pinion_eccentricity_mm
    axial = box.gear_face_wobble_mm if gear else box.pinion_face_wobble_mm
    cone = pitch_angle(box, member)
    assert truth == pytest.approx(2.0 * (radial * cos(cone) + axial * sin(cone)), rel=1e-9)
    key = f"{member}_runout_fim_mm"
    assert json.loads(stand.truth.to_json())[key] == truth


@pytest.mark.parametrize("member", MEMBERS)
@pytest.mark.parametrize("place_deg", [0.0, 90.0, 200.0, -60.0])
def test_high_point_is_that_of_the_mesh_seen_later(member: Member, place_deg: float) -> None:
    box = replace(ECCENTRIC, runout_indicator_from_mesh_deg=place_deg)
    if member == "gear":
        box = replace(box, pinion_eccentricity_mm=0.0)
    else:
        box = replace(box, gear_eccentricity_mm=0.0)
    stand = Stand(box, FAST, seed=2)
    _, high_deg = order(*swept(stand, member, box), 1)
    # A surface point at body angle β is at the mesh when β + θ = 0 and at the indicator when β + θ = φ. Where
    # it is high at the mesh, the two bodies are closest and backlash is least.
    teeth = box.gear_teeth if member == "gear" else box.pinion_teeth
    backlash = np.array(stand.truth.normal_backlash_mm)
    turns_deg = 360.0 * np.arange(len(backlash)) / teeth
    _, loosest_deg = order(turns_deg, backlash, 1)
    assert apart_deg(high_deg, loosest_deg + 180.0 + place_deg) < 1.5
    # The list itself, by plain search, as good as teeth allow.
    tightest_deg = turns_deg[int(np.argmin(backlash))]
    assert apart_deg(high_deg, tightest_deg + place_deg) < 1.5 + 180.0 / teeth


@pytest.mark.parametrize("box", [ECCENTRIC, SKEW, replace(ECCENTRIC, normal_pressure_angle_deg=25.0)])
@pytest.mark.parametrize("member", MEMBERS)
def test_swing_of_backlash_is_twice_the_runout_times_the_sine_of_the_pressure_angle(
    box: SimulatedBox, member: Member
) -> None:
    if member == "gear":
        box = replace(box, pinion_eccentricity_mm=0.0)
    else:
        box = replace(box, gear_eccentricity_mm=0.0)
    stand = Stand(box, FAST, seed=2)
    amplitude, _ = order(*swept(stand, member, box), 1)
    # Peak to peak of j_n is 2 F sin α_n (common relation; memory), F square to the pitch cone; the teeth are
    # few on the pinion and miss the true peaks, so the list's own first order stands for them.
    backlash = np.array(stand.truth.normal_backlash_mm)
    teeth = box.gear_teeth if member == "gear" else box.pinion_teeth
    half_swing, _ = order(360.0 * np.arange(len(backlash)) / teeth, backlash, 1)
    relation = 2.0 * (2.0 * amplitude) * sin(radians(box.normal_pressure_angle_deg))
    assert 2.0 * half_swing == pytest.approx(relation, rel=0.03)
    assert np.ptp(backlash) == pytest.approx(relation, rel=0.05)


@pytest.mark.parametrize("member", MEMBERS)
def test_out_of_round_is_seen_twice_a_turn_at_its_place(member: Member) -> None:
    high_deg = []
    for place_deg in (0.0, 50.0):
        box = replace(BOX, out_of_round_mm=0.004, runout_indicator_from_mesh_deg=place_deg)
        turned, shown = swept(Stand(box, FAST, seed=5), member, box)
        amplitude, high = order(turned, shown, 2)
        # Part of a radial move along the cone's normal (trigonometry).
        assert amplitude == pytest.approx(0.004 * cos(pitch_angle(box, member)), abs=5e-5)
        assert order(turned, shown, 1)[0] < 5e-5
        high_deg.append(high)
    # The same bump comes round to a place further on that much later.
    assert (high_deg[1] - high_deg[0] + 90.0) % 180.0 - 90.0 == pytest.approx(50.0, abs=1.5)


def test_roughness_belongs_to_the_surface_and_has_the_asked_size() -> None:
    box = replace(BOX, surface_roughness_mm=0.0005)
    turned, shown = swept(Stand(box, FINE, seed=4), "gear", box, turns=2)
    # Its standard deviation is exactly that over a whole turn, as parts of different orders are orthogonal.
    assert shown.std() == pytest.approx(0.0005, rel=0.1)
    first = turned < turned[0] + 360.0
    again = np.interp(turned[~first] - 360.0, turned[first], shown[first])
    assert (shown[~first] - again).std() < 0.0001
    smooth = replace(BOX, surface_roughness_mm=0.0)
    assert np.ptp(swept(Stand(smooth, FINE, seed=4), "gear", smooth)[1]) < 3e-6


def test_other_seed_other_surface() -> None:
    one, same, other = (swept(Stand(BOX, FINE, seed=seed), "gear", BOX)[1] for seed in (1, 1, 2))
    assert np.array_equal(one, same)
    length = min(len(one), len(other))
    assert np.std((one - one.mean())[:length] - (other - other.mean())[:length]) > 1e-4
