"""The sample frames are whole, true to the camera they claim, and are what the script in the repository makes."""

import sys
import tomllib
from pathlib import Path
from types import ModuleType

import numpy as np
import OpenEXR
import OpenImageIO as oiio
import pytest

ROOT = Path(__file__).parents[1] / "sample_frames"
PLATES = [ROOT / "plates" / f"landing_010.{n}.exr" for n in range(1001, 1009)]


@pytest.fixture(scope="module")
def script() -> ModuleType:
    sys.path.insert(0, str(ROOT))
    try:
        import make_scene
    finally:
        sys.path.remove(str(ROOT))
    return make_scene


def read(path: Path, channel: str) -> np.ndarray:
    with OpenEXR.File(str(path), separate_channels=True) as file:
        return file.channels()[channel].pixels.copy()


def test_eight_frames_of_at_most_20_megabytes() -> None:
    assert sorted(ROOT.glob("plates/*")) == PLATES
    assert sum(path.stat().st_size for path in PLATES) <= 20_000_000


@pytest.mark.parametrize("path", PLATES, ids=lambda p: p.name)
def test_header(path: Path) -> None:
    with OpenEXR.File(str(path), separate_channels=True) as file:
        header, kinds = dict(file.header()), {k: v.pixels.dtype for k, v in file.channels().items()}
        shape = file.channels()["Z"].pixels.shape
    assert shape == (1280, 1920)
    assert kinds == {"R": np.float16, "G": np.float16, "B": np.float16, "Z": np.float32}
    assert header["compression"] == OpenEXR.DWAA_COMPRESSION
    assert (header["framesPerSecond"].numerator, header["framesPerSecond"].denominator) == (24, 1)
    frame = int(path.suffixes[0][1:]) - 1001
    code = header["timeCode"]
    assert (code.hours, code.minutes, code.seconds, code.frame) == (1, 0, 0, frame)


def test_two_libraries_read_the_same_depth() -> None:
    path = PLATES[3]
    other = oiio.ImageBuf(str(path)).get_pixels(oiio.FLOAT)
    np.testing.assert_array_equal(read(path, "Z"), other[..., 3])


def test_light_is_scene_linear_with_lamps_far_above_white() -> None:
    green = read(PLATES[0], "G").astype(np.float32)
    assert np.isfinite(green).all()
    assert green.min() > -0.01
    assert 30.0 < green.max() < 500.0
    assert 0.05 < np.median(green) < 0.30


def test_depth_is_never_averaged_over_the_passengers_edge() -> None:
    for path in (PLATES[0], PLATES[-1]):
        window = read(path, "Z")[160:420, 1150:1420]
        near, far = window < 4.6, window > 8.0
        assert near.mean() > 0.2
        assert far.mean() > 0.2
        assert (near | far).all()


def test_focus_lies_on_the_passenger() -> None:
    for path in PLATES:
        middle = read(path, "Z")[350:600, 1230:1310]
        assert abs(np.median(middle) - 4.2) < 0.2


def test_shot_file_states_what_the_script_did(script: ModuleType) -> None:
    shot = tomllib.loads((ROOT / "landing.toml").read_text())
    assert tuple(shot["camera"]["sensor_mm"]) == script.SENSOR_MM
    assert shot["lens"] == {"focal_mm": script.FOCAL_MM, "stop": f"f/{script.STOP}"}
    assert shot["focus"] == {"distance_m": script.FOCUS_M, "from": "pupil"}
    assert shot["set"] == {"camera_height_m": script.CAMERA_HEIGHT_M, "tilt_deg": script.TILT_DEG}
    assert shot["footage"]["rate"] == str(script.RATE_FPS)
    last = script.FIRST_FRAME + script.FRAME_COUNT - 1
    assert shot["footage"]["frames"] == f"{script.FIRST_FRAME}-{last}"
    # contrast at the stated frequency: a square pixel times the three taps, written out anew
    f = shot["camera"]["mtf50_cpp"]
    contrast = np.sinc(f) * (1.0 - 2.0 * script.SOFT_TAP * (1.0 - np.cos(2.0 * np.pi * f)))
    assert abs(contrast - 0.5) < 0.005


def test_planks_lie_where_the_cameras_height_and_tilt_put_them(script: ModuleType) -> None:
    """A flat deck's depth follows from height, tilt and row alone (plane and pinhole, worked by hand)."""
    depth_m = read(PLATES[0], "Z")
    lens = script.lens_at(1001)
    tilt = np.arcsin(-lens.ahead[1])
    rows = np.array([960, 1080])
    drop = (rows + 0.5 - 640.0) * (8.8 / 1280.0) / lens.image_mm
    expected = lens.pupil_m[1] / (np.sin(tilt) + drop * np.cos(tilt))
    found = np.median(depth_m[rows, 700:1600], axis=1)
    np.testing.assert_allclose(found, expected, rtol=2.0**-11)


def test_script_makes_the_same_depth_again(script: ModuleType) -> None:
    """At a fifth of the size every pixel centre is also one of the full frame's."""
    small = script.depth(1001, scale=0.2)
    full = read(PLATES[0], "Z")[2::5, 2::5]
    assert small.shape == full.shape
    same = (small == full) | np.isclose(small, full, rtol=2.0**-11)
    assert same.mean() > 0.9995
