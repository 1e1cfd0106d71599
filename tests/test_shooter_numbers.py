"""The shooter's numbers against published tables (tests/references/shooter.toml) and a library for paraxial rays."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from conftest import reference
from paraxial.sources import Ray
from paraxial.surfaces import ABCD, ThinLens, Transfer
from scipy.optimize import brentq
from widegauge.physics import floor, lens, miniature, stops
from widegauge.physics.lens import Side
from widegauge.report.words import FOOT_M, feet, metres

TABLE = reference("shooter")


def _by_source(row: dict) -> str:
    return row["source"][:50]


def _metres(row: dict, key: str) -> float:
    return row[f"{key}_m"] if f"{key}_m" in row else row[f"{key}_ft"] * FOOT_M


@pytest.mark.parametrize("row", TABLE["hyperfocal"], ids=_by_source)
def test_hyperfocal(row: dict) -> None:
    found = lens.hyperfocal_m(focal_mm=row["focal_mm"], stop=row["stop"], confusion_mm=row["confusion_mm"])
    assert found == pytest.approx(row["h_m"], abs=row["digits_m"])


@pytest.mark.parametrize("row", TABLE["limits"], ids=_by_source)
def test_depth_of_field(row: dict) -> None:
    near_m, far_m = lens.depth_of_field_m(
        focal_mm=row["focal_mm"], stop=row["stop"], confusion_mm=row["confusion_mm"], focus_m=_metres(row, "focus")
    )
    digits_m = _metres(row, "digits") if "digits_ft" in row or "digits_m" in row else 0.0
    allowed = {"abs": digits_m, "rel": row.get("relative", 0.0)}
    assert near_m == pytest.approx(_metres(row, "near"), **allowed)
    if "far_m" in row or "far_ft" in row:
        assert far_m == pytest.approx(_metres(row, "far"), **allowed)


@pytest.mark.parametrize("row", TABLE["simple_hyperfocal"], ids=_by_source)
def test_the_simplified_hyperfocal_is_ours_less_a_focal_length(row: dict) -> None:
    for focal_mm, stop, confusion_mm, h_ft, digits_ft in row["rows"]:
        found = lens.hyperfocal_m(focal_mm=focal_mm, stop=stop, confusion_mm=confusion_mm) - focal_mm / 1000.0
        assert found / FOOT_M == pytest.approx(h_ft, abs=digits_ft)


def test_limits_for_a_blur_given_as_an_angle() -> None:
    row = TABLE["angle_of_blur"]
    v_mm = lens.image_distance_mm(focal_mm=row["focal_mm"], focus_m=row["focus_m"])
    near_m, far_m = lens.depth_of_field_m(
        focal_mm=row["focal_mm"],
        stop=row["stop"],
        confusion_mm=v_mm * math.tan(math.radians(row["angle_deg"])),
        focus_m=row["focus_m"],
    )
    assert near_m == pytest.approx(row["near_m"], abs=row["near_digits_m"])
    assert far_m == pytest.approx(row["far_m"], abs=row["far_digits_m"])


def test_focus_at_an_eighth_of_hyperfocal() -> None:
    """Near is 8/9 s and far 8/7 s, whatever the lens (lenses FAQ, "What is depth of field"), from H and s less f."""
    for focal_mm, stop, confusion_mm in ((50.0, 2.0, 0.03), (9.0, 2.8, 0.0128), (300.0, 4.0, 0.07)):
        given = {"focal_mm": focal_mm, "stop": stop, "confusion_mm": confusion_mm}
        s_m = focal_mm / 1000.0 + (lens.hyperfocal_m(**given) - focal_mm / 1000.0) / 8.0
        near_m, far_m = lens.depth_of_field_m(**given, focus_m=s_m)
        assert near_m == pytest.approx(8.0 / 9.0 * s_m, rel=1e-12)
        assert far_m == pytest.approx(8.0 / 7.0 * s_m, rel=1e-12)


def test_circle_of_confusion() -> None:
    row = TABLE["confusion"]
    assert Side(row["width_mm"], 18.66, 50.0, 2.8).confusion_mm == pytest.approx(
        row["confusion_mm"], abs=row["digits_mm"]
    )


def test_reducers_and_pupils() -> None:
    row = TABLE["reducer"]
    assert row["stop"] * row["magnification"] == pytest.approx(row["reduced_stop"], abs=0.05)
    gained = stops.stops_slower(row["stop"], row["stop"] * row["magnification"])
    assert 2.0**gained == pytest.approx(row["light"], abs=row["digits"])
    wide = TABLE["width_factor"]
    bare = Side(wide["sensor_mm"], 13.0, 25.0 * wide["magnification"], 2.0)
    full = lens.matched_negative(bare, width_mm=wide["target_mm"], height_mm=24.0, stop=2.0)
    assert full.focal_mm / 25.0 == pytest.approx(wide["factor"], abs=wide["digits"])
    for focal_mm, stop, pupil_mm in TABLE["pupil"]["rows"]:
        assert Side(36.0, 24.0, focal_mm, stop).entrance_pupil_mm == pupil_mm


def test_full_stops() -> None:
    row = TABLE["full_stops"]
    assert list(stops.MARKS) == row["marks"]
    for index, exact in enumerate(row["exact"]):
        assert stops.full_stop(index) == pytest.approx(exact, rel=row["relative"])
    for index, mark in enumerate(stops.MARKS):
        assert stops.nearest_full_stop(float(mark)) == index
    assert stops.nearest_full_stop(0.5) == 0
    assert stops.nearest_full_stop(500.0) == len(stops.MARKS) - 1


# -- against the library "paraxial": rays through its matrices


def _image_mm(focal_mm: float, focus_m: float) -> float:
    """Where rays from the point in focus meet the axis again."""
    ray = Ray(y=focal_mm, u=0.0) if math.isinf(focus_m) else Transfer(focus_m * 1000.0) @ Ray(y=0.0, u=1e-3)
    bent = ThinLens(focal_mm) @ ray
    return -bent.y / bent.u


def _blur_mm(system: ABCD, pupil_mm: float, distance_m: float) -> float:
    """Where the ray through the pupil's edge, from a point on the axis, lands: twice that is the blur's diameter."""
    u = 0.0 if math.isinf(distance_m) else pupil_mm / 2.0 / (distance_m * 1000.0)
    return 2.0 * (system @ Ray(y=pupil_mm / 2.0, u=u)).y


LENSES = list(itertools.product((9.0, 24.0, 49.6, 150.0), (0.95, 2.8, 11.0), (0.6, 4.2, 60.0, math.inf)))


@pytest.mark.parametrize(("focal_mm", "stop", "focus_m"), LENSES)
def test_blur_circle_against_rays(focal_mm: float, stop: float, focus_m: float) -> None:
    v_mm = _image_mm(focal_mm, focus_m)
    assert lens.image_distance_mm(focal_mm=focal_mm, focus_m=focus_m) == pytest.approx(v_mm, rel=1e-9)
    system = Transfer(v_mm) @ ThinLens(focal_mm)
    kappa = lens.blur_scale_px_m(
        pupil_mm=focal_mm / stop, focal_mm=focal_mm, focus_m=focus_m, width_px=4096.0, width_mm=23.5
    )
    for distance_m in (0.3, 1.0, 4.2, 7.7, 1000.0, math.inf):
        traced = _blur_mm(system, focal_mm / stop, distance_m)
        found = lens.blur_circle_mm(focal_mm=focal_mm, stop=stop, focus_m=focus_m, distance_m=distance_m)
        assert found == pytest.approx(abs(traced), rel=1e-9, abs=1e-12)
        # kappa's sign: below 0 in front of focus, where rays have not met yet and the edge ray lands on its own side
        signed_px = kappa * (1.0 / focus_m - 1.0 / distance_m)
        assert signed_px == pytest.approx(-traced / 2.0 * 4096.0 / 23.5, rel=1e-9, abs=1e-9)


@pytest.mark.parametrize(("focal_mm", "stop", "focus_m"), LENSES)
def test_depth_of_field_against_rays(focal_mm: float, stop: float, focus_m: float) -> None:
    confusion_mm = 0.0254
    system = Transfer(_image_mm(focal_mm, focus_m)) @ ThinLens(focal_mm)

    def over(distance_m: float) -> float:
        return abs(_blur_mm(system, focal_mm / stop, distance_m)) - confusion_mm

    near_m, far_m = lens.depth_of_field_m(focal_mm=focal_mm, stop=stop, confusion_mm=confusion_mm, focus_m=focus_m)
    far_bracket_m = 1e7 if math.isinf(focus_m) else focus_m
    assert near_m == pytest.approx(brentq(over, 1e-3, far_bracket_m, xtol=1e-12, rtol=1e-12), rel=1e-6)
    if over(math.inf) > 0.0:
        assert far_m == pytest.approx(brentq(over, focus_m, 1e7, xtol=1e-12, rtol=1e-12), rel=1e-6)
    else:
        assert math.isinf(far_m)


# -- identities


@pytest.mark.parametrize("k", [0.1803, 1.0, 1.9558, 2.8288, 5.6238])
def test_equivalence_identities(k: float) -> None:
    """Wikipedia, "Image sensor format": same view and blur for f / k, N / k on a picture 1 / k as wide."""
    target = Side(70.41, 52.63, 80.0, 4.0)
    source = Side(70.41 / k, 52.63 / k, 80.0 / k, 4.0 / k)
    assert source.entrance_pupil_mm == pytest.approx(target.entrance_pupil_mm, rel=1e-9)
    assert source.angle_of_view_deg == pytest.approx(target.angle_of_view_deg, rel=1e-9)
    assert source.confusion_mm * k == pytest.approx(target.confusion_mm, rel=1e-9)
    assert lens.stops_too_deep(source, target) == pytest.approx(0.0, abs=1e-9)
    assert stops.stops_slower(target.stop, source.stop) == pytest.approx(2.0 * math.log2(k), abs=1e-9)
    given = {"confusion_mm": target.confusion_mm, "focus_m": 4.2}
    for side, scale in ((target, 1.0), (source, 1.0 / k)):
        frac = lens.blur_scale_px_m(
            pupil_mm=side.entrance_pupil_mm,
            focal_mm=source.focal_mm,
            focus_m=4.2,
            width_px=1.0,
            width_mm=source.width_mm,
        )
        assert frac / 4.2 == pytest.approx(
            source.entrance_pupil_mm / 2.0 / (4200.0 - source.focal_mm) * source.focal_mm / source.width_mm, rel=1e-9
        )
        # everything scaled, the scene too: every length of the answer scales
        near_m, far_m = lens.depth_of_field_m(
            focal_mm=80.0 * scale, stop=4.0, confusion_mm=given["confusion_mm"] * scale, focus_m=4.2 * scale
        )
        full = lens.depth_of_field_m(focal_mm=80.0, stop=4.0, **given)
        assert (near_m, far_m) == pytest.approx((full[0] * scale, full[1] * scale), rel=1e-9)


# -- models


def test_model_frame_rate_and_stop() -> None:
    for scale, rate in TABLE["model_rate"]["rows"]:
        assert miniature.model_rate(24.0, scale=scale) == pytest.approx(rate, abs=TABLE["model_rate"]["digits"])
    row = TABLE["model_stop"]
    focal_mm, stop, _ = miniature.model_stop(
        full_pupil_mm=row["pupil_mm"], scale=row["scale"], focal_mm=row["focal_mm"], focus_m=math.inf
    )
    assert focal_mm == pytest.approx(row["focal_mm"])
    assert stop == pytest.approx(row["stop"])


def test_apparent_distance_goes_with_one_over_the_pupil() -> None:
    rows, digits_m = TABLE["apparent_distance"]["rows"], TABLE["apparent_distance"]["digits_m"]
    (first_pupil_m, first_m), *others = rows
    for pupil_m, seems_m in others:
        n = miniature.reads_as_scale(pupil_mm=1000.0 * pupil_m, familiar_pupil_mm=1000.0 * first_pupil_m)
        assert first_m / n == pytest.approx(seems_m, abs=digits_m)


@pytest.mark.parametrize(("scale", "sensor_frac"), [(25.0, 1.0), (4.0, 0.4), (100.0, 3.0), (1.0, 1.0)])
def test_a_model_shot_has_the_full_size_shots_blur_and_view(scale: float, sensor_frac: float) -> None:
    focal_mm, width_mm, pupil_mm, focus_m = 17.04, 22.451, 18.8, 4.2
    model_mm, stop, near_m = miniature.model_stop(
        full_pupil_mm=pupil_mm, scale=scale, focal_mm=focal_mm, focus_m=focus_m, sensor_frac=sensor_frac
    )
    for distance_m in (1.0, 6.0, math.inf):
        full = lens.blur_circle_mm(focal_mm=focal_mm, stop=focal_mm / pupil_mm, focus_m=focus_m, distance_m=distance_m)
        model = lens.blur_circle_mm(focal_mm=model_mm, stop=stop, focus_m=near_m, distance_m=distance_m / scale)
        assert model / (width_mm * sensor_frac) == pytest.approx(full / width_mm, rel=1e-9)
    views = [
        s_m * w_mm / lens.image_distance_mm(focal_mm=f_mm, focus_m=s_m)
        for s_m, w_mm, f_mm in ((focus_m, width_mm, focal_mm), (near_m, width_mm * sensor_frac, model_mm))
    ]
    assert views[1] * scale == pytest.approx(views[0], rel=1e-9)
    back = miniature.model_sensor_frac(
        full_pupil_mm=pupil_mm, scale=scale, focal_mm=focal_mm, focus_m=focus_m, stop=stop
    )
    assert back == pytest.approx(sensor_frac, rel=1e-9)


def test_no_sensor_is_large_enough_for_some_stops() -> None:
    """f/22 at 1:1.2 and 0.2 m would take a focal length of 0.3 m, beyond the focus."""
    given = {"full_pupil_mm": 16.0, "scale": 1.2, "focal_mm": 20.0, "focus_m": 0.2}
    assert math.isinf(miniature.model_sensor_frac(**given, stop=22.0))


def test_the_same_pupil_reads_life_size() -> None:
    life = miniature.life_size_side(Side(12.584, 8.8, 9.0, 2.8))
    assert life.angle_of_view_deg == pytest.approx(Side(12.584, 8.8, 9.0, 2.8).angle_of_view_deg, rel=1e-12)
    assert life.width_mm == 24.89
    assert miniature.reads_as_scale(pupil_mm=life.entrance_pupil_mm, familiar_pupil_mm=life.entrance_pupil_mm) == 1.0


def test_diffraction() -> None:
    row = TABLE["diffraction"]
    assert miniature.diffraction_mm(row["stop"]) == pytest.approx(row["diameter_mm"], abs=row["digits_mm"])


# -- the floor


@pytest.mark.parametrize("tilt_deg", [-80.0, -30.0, -5.5, 0.0, 12.0])
def test_the_floor_against_a_rotated_ray(tilt_deg: float) -> None:
    """The same ray turned by a rotation matrix and cut with the plane y = -h."""
    height_m, below_mm, image_mm = 1.4, 7.3, 17.11
    t = math.radians(tilt_deg)
    turned = np.array([[math.cos(t), -math.sin(t)], [math.sin(t), math.cos(t)]]) @ np.array([image_mm, -below_mm])
    below_deg = floor.below_horizon_deg(below_axis_mm=below_mm, image_mm=image_mm, tilt_deg=tilt_deg)
    ground_m = floor.ground_distance_m(camera_height_m=height_m, below_horizon_deg=below_deg)
    reach = -height_m / turned[1]
    assert ground_m == pytest.approx(turned[0] * reach, rel=1e-9)
    axis_m = floor.axis_distance_m(camera_height_m=height_m, ground_m=ground_m, tilt_deg=tilt_deg)
    assert axis_m == pytest.approx(reach * image_mm, rel=1e-9)


def test_a_ray_at_or_above_the_horizon_never_meets_the_ground() -> None:
    assert math.isinf(floor.ground_distance_m(camera_height_m=1.4, below_horizon_deg=0.0))
    assert math.isinf(floor.axis_distance_m(camera_height_m=1.4, ground_m=math.inf, tilt_deg=20.0))
    assert floor.ground_distance_m(camera_height_m=1.4, below_horizon_deg=45.0) == pytest.approx(1.4)


# -- words


@pytest.mark.parametrize(
    ("value_m", "said"),
    # 1 ft = 0.3048 m exactly, 1 in = 25.4 mm exactly (international yard and pound agreement)
    [(3.048, "10 ft 0 in"), (0.0254, "1 in"), (4.2, "13 ft 9¼ in"), (0.30479, "1 ft 0 in"), (math.inf, "infinity")],
)
def test_feet(value_m: float, said: str) -> None:
    assert feet(value_m) == said


def test_metres() -> None:
    values = (12.344, 0.51234, 0.29962, math.inf, None)
    assert [metres(value) for value in values] == ["12.34 m", "0.512 m", "0.2996 m", "infinity", "-"]
