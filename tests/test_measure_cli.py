"""`widegauge measure`: tables, JSON and plots from files, and polite refusals."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import imageio.v3 as iio
import numpy as np
import pytest
from click.testing import CliRunner
from conftest import write_exr
from edge_targets import disc, edge, gaussian
from test_measure_lamp import lamp, returned_rays
from widegauge.cli import main
from widegauge.measure.edge import measure_edge

GREY = 0.18


def run(*words: object, code: int = 0) -> str:
    done = CliRunner().invoke(main, ["measure", *map(str, words)])
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        raise done.exception
    assert done.exit_code == code, done.output
    return done.output


def numbers(*words: object) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(run(*words, "--json"))
    return found


def srgb(linear: np.ndarray) -> np.ndarray:
    """IEC 61966-2-1, as 16-bit codes."""
    code = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * np.maximum(linear, 0.0031308) ** (1 / 2.4) - 0.055)
    return np.rint(np.clip(code, 0.0, 1.0) * 65535.0).astype(np.uint16)


def is_drawn(path: Path) -> bool:
    picture = iio.imread(path)
    return bool(picture.shape[0] > 400 and picture.shape[1] > 600 and picture[..., :3].std() > 5.0)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A few pictures: an edge as EXR and as sRGB PNG, grainy frames, a lamp with its ring, a blurred lamp."""
    place = tmp_path_factory.mktemp("pictures")
    step = edge(100, 90, 5.0, gaussian(0.6))
    whole = np.full((120, 160, 3), 0.1)
    whole[10:110, 30:120] = step
    write_exr(place / "edge.exr", whole.astype(np.float32))
    write_png16(place / "edge.png", srgb(whole))
    write_png16(place / "clipped.png", srgb(whole * 1.4))
    rng = np.random.default_rng(1)
    (place / "grain").mkdir()
    for number in (1, 2, 3):
        rgb = np.full((192, 256, 3), GREY)
        rgb[:, 128:] = 0.02
        rgb *= 10.0 ** (rng.normal(0.0, 0.01, rgb.shape) / np.array([0.56, 0.6, 0.65]))
        write_exr(place / "grain" / f"grey.{number:04d}.exr", rgb.astype(np.float32))
    light, total = returned_rays(201, 14.36, 1.48, lamp_px=3.0, rays=1_000_000)
    shape = lamp(201, 3.0, level=1.0, ground=0.0)
    shape /= shape[..., 0].sum()
    ring = 0.02 + 8000.0 * (0.99 * shape + 0.01 * light[..., None] / total)
    write_exr(place / "ring.exr", ring.astype(np.float32))
    write_exr(place / "disc.exr", lamp(120, 9.0).astype(np.float32))
    write_exr(place / "soft.exr", edge(120, 120, 5.0, disc(6.0)).astype(np.float32))
    return place


def write_png16(path: Path, codes: np.ndarray) -> None:
    import cv2

    assert cv2.imwrite(str(path), codes[..., ::-1])


def test_edge(folder: Path, tmp_path: Path) -> None:
    plot = tmp_path / "edge.png"
    words = ("edge", folder / "edge.exr", "--region", "30,10,90,100", "--pixel-um", 18.0, "--plot", plot)
    found = numbers(*words)
    direct = measure_edge(edge(100, 90, 5.0, gaussian(0.6)).astype(np.float32))
    assert found["angle_deg"] == pytest.approx(direct.line.angle_deg, abs=1e-6)
    assert found["channels"]["G"]["response"] == pytest.approx(direct.channel("G").response.tolist(), abs=1e-6)
    assert found["channels"]["Y"]["mtf50_cpmm"] == pytest.approx(found["channels"]["Y"]["mtf50_cpp"] / 0.018)
    assert found["region"] == [30, 10, 90, 100]
    assert is_drawn(plot)
    text = run(*words[:4])
    assert "5.00 degrees" in text
    assert f"{direct.channel('G').mtf50_cpp:.4f}" in text


def test_edge_in_encoded_pixels(folder: Path) -> None:
    """The same edge through sRGB's curve (IEC 61966-2-1) and 16 bits gives the same response."""
    region = ("--region", "30,10,90,100")
    plain = numbers("edge", folder / "edge.exr", *region)
    coded = numbers("edge", folder / "edge.png", *region, "--encoding", "sRGB")
    assert coded["channels"]["G"]["response"] == pytest.approx(plain["channels"]["G"]["response"], abs=2e-3)


def test_scale_by_format_and_preset(folder: Path) -> None:
    """A picture of 160 x 120 fills 15-perf 65's height, 48.5 mm: 64.67 mm wide, 404.17 um a pixel."""
    words = ("edge", folder / "edge.exr", "--region", "30,10,90,100")
    for scale in (("--format", "15-perf 65 mm"), ("--preset", "15-perf-65")):
        assert numbers(*words, *scale)["pixel_um"] == pytest.approx(1000.0 * 48.5 / 120.0)


def test_grain(folder: Path, tmp_path: Path) -> None:
    plot = tmp_path / "grain.png"
    frames = sorted((folder / "grain").glob("*.exr"))
    found = numbers("grain", *frames, "--preset", "15-perf-65", "--pixel-um", 16.0, "--plot", plot)
    assert len(found["levels"]) == 2
    assert [level["exposure_stops"] for level in found["levels"]] == pytest.approx([-3.17, 0.0], abs=0.02)
    for level in found["levels"]:
        assert level["frames"] == 3
        assert level["pixel"]["found"] == pytest.approx([10.0] * 3, rel=0.02)
        assert level["pixel"]["aperture_um"] == 16.0
    assert is_drawn(plot)
    region = numbers("grain", folder / "grain", "--preset", "15-perf-65", "--pixel-um", 16.0, "--region", "0,0,128,192")
    assert region["levels"][0]["patches"] == 1
    assert region["levels"][0]["readings"][0]["found"] == pytest.approx(
        found["levels"][1]["readings"][0]["found"], rel=0.03
    )
    text = run("grain", *frames, "--preset", "15-perf-65", "--pixel-um", 16.0)
    assert "48 um" in text
    assert "between neighbouring frames" in text


def test_halation(folder: Path, tmp_path: Path) -> None:
    plot = tmp_path / "ring.png"
    words = ("halation", folder / "ring.exr", "--preset", "15-perf-65", "--pixel-um", 18.125, "--plot", plot)
    found = numbers(*words)
    assert found["radius_px"] == pytest.approx(14.36, abs=0.5)
    assert found["radius_mm"] == pytest.approx(found["radius_px"] * 0.018125)
    assert found["rings"][1]["returned_frac"] == pytest.approx(0.01, rel=0.03)
    assert is_drawn(plot)
    assert "0.2603 mm" in run(*words[:6])


def test_blur(folder: Path, tmp_path: Path) -> None:
    plots = tmp_path / "lamp.png", tmp_path / "edge.png"
    found = numbers("blur", folder / "disc.exr", "--pixel-um", 20.0, "--plot", plots[0])
    assert found["channels"]["G"]["radius_px"] == pytest.approx(9.0, rel=0.02)
    assert found["channels"]["G"]["radius_mm"] == pytest.approx(0.18, rel=0.02)
    found = numbers("blur", folder / "soft.exr", "--region", "0,0,120,120", "--plot", plots[1])
    assert found["channels"]["Y"]["radius_px"] == pytest.approx(6.0, rel=0.02)
    assert all(map(is_drawn, plots))
    assert "blur radius" in run("blur", folder / "disc.exr")


def test_noise(folder: Path, tmp_path: Path) -> None:
    """Noise of 0.01 in density is 0.01 ln 10 / 0.6 of the light in green."""
    plot = tmp_path / "noise.png"
    found = numbers("noise", folder / "grain", "--plot", plot)
    assert found["frames"] == 3
    expected = 0.01 * np.log(10.0) / 0.6
    near = [row for row in found["levels"] if abs(row["linear"] / GREY - 1.0) < 0.2]
    assert near
    for row in near:
        assert row["sigma"] / row["linear"] == pytest.approx(expected, rel=0.06 + 2.0 * row["relative_error"])
    assert is_drawn(plot)
    assert "noise = [[" in run("noise", folder / "grain")


def test_noise_of_a_shot_file(make_shot: Any) -> None:
    assert numbers("noise", make_shot(width=240, height=160))["frames"] == 3


REFUSED = [
    (("edge", "edge.png"), 2, "not linear light"),
    (("edge", "edge.png", "--encoding", "sRBG"), 2, "sRGB"),
    (("edge", "nothing.exr"), 2, "nothing.exr"),
    (("edge", "edge.exr", "--region", "100,10,90,100"), 2, "outside the picture, which is 160 x 120"),
    (("edge", "edge.exr", "--region", "1,2,3"), 2, "X,Y,W,H"),
    (("edge", "edge.exr", "--region", "0,0,20,20"), 3, "flat"),
    (("edge", "clipped.png", "--encoding", "sRGB", "--region", "30,10,90,100"), 3, "highest code"),
    (("edge", "edge.exr", "--format", "65 mm"), 2, "no such format"),
    (("edge", "edge.exr", "--region", "30,10,90,100", "--plot", "plot.pdf"), 2, "PNG"),
    (("edge", "edge.exr", "--region", "30,10,90,100", "--pixel-um", "-3"), 2, "above 0"),
    (("grain", "edge.exr", "--preset", "15-perf-65", "--region", "40,10,64,90"), 3, "not flat"),
    (("grain", "edge.exr", "grain/grey.0001.exr", "--preset", "15-perf-65"), 2, "160 x 120"),
    (("halation", "edge.exr"), 3, "no lamp"),
    (("halation", "clipped.png", "--encoding", "sRGB"), 3, "clipped"),
    (("blur", "disc.exr", "--at", "5,5", "--region", "1,1,50,50"), 2, "at once"),
    (("blur", "disc.exr", "--at", "five"), 2, "X,Y"),
    (("noise", "edge.png"), 2, "not linear light"),
]


@pytest.mark.parametrize(("words", "code", "said"), REFUSED, ids=lambda each: str(each)[:60])
def test_refused(folder: Path, words: tuple[str, ...], code: int, said: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(folder)
    output = run(*words, code=code)
    assert said in output
    assert output.rstrip().endswith(".") or output.rstrip().endswith(")")
