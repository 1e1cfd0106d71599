"""The thin lens against published tables (tests/references/lens.toml names each source)."""

import math

import pytest
from conftest import reference
from widegauge.physics import lens
from widegauge.physics.lens import FocusPull, Side

TABLE = reference("lens")


def _by_source(row: dict) -> str:
    return row["source"][:40]


@pytest.mark.parametrize("row", TABLE["hyperfocal"], ids=_by_source)
def test_hyperfocal(row: dict) -> None:
    found = lens.hyperfocal_m(focal_mm=row["focal_mm"], stop=row["stop"], confusion_mm=row["confusion_mm"])
    assert found == pytest.approx(row["h_m"], abs=row["digits_m"])


@pytest.mark.parametrize("row", TABLE["limits"], ids=_by_source)
def test_depth_of_field(row: dict) -> None:
    near_m, far_m = lens.depth_of_field_m(
        focal_mm=row["focal_mm"], stop=row["stop"], confusion_mm=row["confusion_mm"], focus_m=row["focus_m"]
    )
    assert near_m == pytest.approx(row["near_m"], abs=row["near_digits_m"])
    if "far_m" in row:
        assert far_m == pytest.approx(row["far_m"], abs=row["far_digits_m"])


def test_limits_at_the_edge_of_infinity() -> None:
    given = {"focal_mm": 50.0, "stop": 8.0, "confusion_mm": 0.03}
    h_m = lens.hyperfocal_m(**given)
    assert math.isinf(lens.depth_of_field_m(**given, focus_m=h_m)[1])
    near_m, far_m = lens.depth_of_field_m(**given, focus_m=math.inf)
    assert near_m == pytest.approx(h_m, rel=0.01)
    assert math.isinf(far_m)


@pytest.mark.parametrize("row", TABLE["blur_circle"], ids=_by_source)
def test_blur_circle(row: dict) -> None:
    for distance_m, blur_mm in row["rows"]:
        found = lens.blur_circle_mm(
            focal_mm=row["focal_mm"], stop=row["stop"], focus_m=row["focus_m"], distance_m=distance_m
        )
        assert found == pytest.approx(blur_mm, abs=row["tolerance_mm"])


def test_blur_radius_in_pixels_is_half_the_blur_circle() -> None:
    """kappa (1/s - 1/Z) in pixels against the published blur circle of the row above, on 2400 px across 24 mm."""
    row = TABLE["blur_circle"][0]
    kappa = lens.blur_scale_px_m(
        pupil_mm=row["focal_mm"] / row["stop"],
        focal_mm=row["focal_mm"],
        focus_m=row["focus_m"],
        width_px=2400,
        width_mm=24,
    )
    for distance_m, blur_mm in row["rows"]:
        radius_px = abs(kappa * (1 / row["focus_m"] - 1 / distance_m))
        assert radius_px == pytest.approx(blur_mm / 2 * 100, abs=row["tolerance_mm"] * 50)


@pytest.mark.parametrize("row", TABLE["conjugates"], ids=_by_source)
def test_conjugates(row: dict) -> None:
    for focus_m, v_mm in row["rows"]:
        found = lens.image_distance_mm(focal_mm=row["focal_mm"], focus_m=focus_m)
        assert found == pytest.approx(v_mm, abs=row["tolerance_mm"])
    assert lens.image_distance_mm(focal_mm=50.0, focus_m=math.inf) == 50.0


@pytest.mark.parametrize(("magnification", "stops"), TABLE["reducer"][0]["rows"])
def test_a_focal_reducer_brightens_and_leaves_the_pupil(magnification: float, stops: float) -> None:
    bare, reduced = Side(17.3, 13.0, 50.0, 2.0), Side(17.3, 13.0, 50.0 * magnification, 2.0 * magnification)
    assert 2 * math.log2(bare.stop / reduced.stop) == pytest.approx(stops, abs=TABLE["reducer"][0]["tolerance_stops"])
    assert reduced.entrance_pupil_mm == pytest.approx(bare.entrance_pupil_mm, rel=1e-12)


@pytest.mark.parametrize(
    ("width_mm", "focal_mm", "stop"),
    # 15-perf (70.41 mm), 80 mm at f/4: pupil 20 mm, 47.505 degrees. f_s = f_t / k, N_s = N_t / k, k = width ratio
    # (Wikipedia, "Image sensor format", depth of field; values computed from it to the digits given)
    [(36.0, 40.90, 2.045), (24.89, 28.28, 1.414), (17.3, 19.66, 0.983), (13.2, 15.00, 0.750), (12.52, 14.23, 0.711)],
)
def test_equivalence(width_mm: float, focal_mm: float, stop: float) -> None:
    target = Side(70.41, 52.63, 80.0, 4.0)
    k = 70.41 / width_mm
    small = Side(width_mm, 52.63 / k, 80.0 / k, 4.0 / k)
    assert small.focal_mm == pytest.approx(focal_mm, abs=0.005)
    assert small.stop == pytest.approx(stop, abs=0.0005)
    back = lens.matched_negative(small, width_mm=70.41, height_mm=52.63, stop=4.0)
    assert back.focal_mm == pytest.approx(80.0, rel=1e-12)
    assert small.entrance_pupil_mm == pytest.approx(20.0, rel=1e-12)
    assert small.angle_of_view_deg[0] == pytest.approx(47.505, abs=0.0005)
    assert lens.stops_too_deep(small, target) == pytest.approx(0.0, abs=1e-12)


def test_focus_pull_is_linear_in_inverse_distance_and_held() -> None:
    pull = FocusPull(((1001, 4.0), (1005, 2.0)))
    assert pull.distance_m(990) == 4.0
    assert pull.distance_m(1010) == 2.0
    assert 1 / pull.distance_m(1003) == pytest.approx((1 / 4.0 + 1 / 2.0) / 2)
    assert FocusPull(((1, math.inf), (3, 2.0))).distance_m(2) == pytest.approx(4.0)


def test_a_tape_at_the_sensor_is_brought_to_the_pupil() -> None:
    """s + v(s) = D, so going back through the thin lens must give the taped distance."""
    s_m = lens.pupil_distance_m(sensor_distance_m=1.0, focal_mm=50.0)
    assert s_m + lens.image_distance_mm(focal_mm=50.0, focus_m=s_m) / 1000 == pytest.approx(1.0, rel=1e-12)
    with pytest.raises(ValueError, match="four focal lengths"):
        lens.pupil_distance_m(sensor_distance_m=0.15, focal_mm=50.0)
