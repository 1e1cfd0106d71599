"""The main job on other formats, in other orders, and interrupted."""

from __future__ import annotations

import dataclasses
import json
import signal
import subprocess
import sys
import time
from fractions import Fraction
from pathlib import Path

import cv2
import numpy as np
import OpenEXR
import OpenImageIO as oiio
import pytest
import tifffile
from conftest import SHOT, read_exr, read_exr_rgb, write_exr
from test_finish import OFF, digests, finish, without

CODED = SHOT.replace('encoding = "linear"', 'encoding = "{curve}"').replace("pier.####.exr", "pier.####.{suffix}", 1)


def _codes(bits: int) -> np.ndarray:
    rng = np.random.default_rng(3)
    codes = rng.integers(0, 2**bits, (80, 120, 3), dtype=np.uint16)
    codes[:4] = 2**bits - 1
    codes[4:8] = 0
    return codes


def _write(path: Path, codes: np.ndarray) -> None:
    match path.suffix:
        case ".tif":
            tifffile.imwrite(path, codes)
        case ".png":
            cv2.imwrite(str(path), codes[..., ::-1])
        case ".dpx":
            spec = oiio.ImageSpec(120, 80, 3, "uint16")
            spec["oiio:BitsPerSample"] = 10
            out = oiio.ImageOutput.create(str(path))
            assert out.open(str(path), spec)
            assert out.write_image((codes << 6) | (codes >> 4))
            assert out.close()


def _read(path: Path) -> np.ndarray:
    match path.suffix:
        case ".tif":
            return tifffile.imread(path)
        case ".png":
            return cv2.imread(str(path), cv2.IMREAD_UNCHANGED)[..., ::-1]
        case _:
            return oiio.ImageInput.open(str(path)).read_image("uint16") >> 6


@pytest.mark.parametrize(
    ("suffix", "bits", "curve"),
    [("tif", 16, "sRGB"), ("png", 16, "ACEScct"), ("dpx", 10, "V-Log"), ("dpx", 10, "Cineon")],
)
class TestCodedFootage:
    def _shot(self, make_shot, tmp_path: Path, suffix: str, bits: int, curve: str) -> tuple[Path, np.ndarray]:
        shot, codes = make_shot(frames=1, text=CODED.format(curve=curve, suffix=suffix)), _codes(bits)
        _write(tmp_path / "plates" / f"pier.1001.{suffix}", codes)
        return shot, codes

    def test_nothing_to_add_gives_the_same_codes(self, make_shot, tmp_path: Path, suffix, bits, curve) -> None:
        shot, codes = self._shot(make_shot, tmp_path, suffix, bits, curve)
        finish(shot, tmp_path / "out", *[word for name in OFF for word in ("--set", f"{name}.strength=0.0")])
        np.testing.assert_array_equal(_read(tmp_path / "out" / f"pier.1001.{suffix}"), codes)

    def test_a_stage_that_leaves_a_pixel_alone_gives_its_code_back(
        self, make_shot, tmp_path: Path, suffix, bits, curve
    ) -> None:
        """Everything in focus, defocus on: decoded, worked on, encoded, and every code is what it was."""
        shot, codes = self._shot(make_shot, tmp_path, suffix, bits, curve)
        shot.write_text(shot.read_text().replace('[depth]\npath = "plates/pier.####.exr"', "[depth]\nconstant_m = 4.2"))
        finish(shot, tmp_path / "out", *without("framing", "mtf", "halation", "grain"))
        np.testing.assert_array_equal(_read(tmp_path / "out" / f"pier.1001.{suffix}"), codes)


def test_reverse_order_gives_the_same_bytes(make_shot, tmp_path: Path) -> None:
    from widegauge.plan import make_plan
    from widegauge.plate import open_plate
    from widegauge.presets import load_preset
    from widegauge.run.finish import finish as run_frames
    from widegauge.run.job import make_job
    from widegauge.shot import load_shot

    plate = open_plate(load_shot(make_shot()))
    plan = make_plan(plate, load_preset("15-perf-65"))
    run_frames(make_job(plan, plate, out=tmp_path / "forward", proxy=Fraction(1)), workers=1)
    backward = dataclasses.replace(plate.footage, numbers=plate.footage.numbers[::-1])
    plate = dataclasses.replace(plate, footage=backward)
    run_frames(make_job(plan, plate, out=tmp_path / "backward", proxy=Fraction(1)), workers=1)
    assert digests(tmp_path / "forward") == digests(tmp_path / "backward")
    assert len(digests(tmp_path / "forward")) == 3


def test_interrupted_by_the_keyboard(make_shot, tmp_path: Path) -> None:
    """Ctrl-C: frames in flight are finished, no half frame is left, and the same command goes on."""
    shot, out = make_shot(frames=12, width=480, height=320), tmp_path / "out"
    words = ["finish", str(shot), "--preset", "15-perf-65", "--out", str(out)]
    child = subprocess.Popen(
        [sys.executable, "-c", f"from widegauge.cli import main; main({words!r})"], stderr=subprocess.PIPE, text=True
    )
    deadline = time.monotonic() + 60
    while len(digests(out)) < 2 and time.monotonic() < deadline and child.poll() is None:
        time.sleep(0.005)
    child.send_signal(signal.SIGINT)
    said = child.communicate(timeout=60)[1]
    assert child.returncode == 130, said
    assert "the same command goes on from here" in said
    whole = digests(out)
    assert 2 <= len(whole) < 12
    assert not list(out.glob(".*"))
    assert f"{12 - len(whole)} finished, {len(whole)} done before" in finish(shot, out).stdout


def test_attributes_go_along_or_into_the_sidecar(make_shot, tmp_path: Path) -> None:
    shot = make_shot(frames=1, text=SHOT.replace("[camera]", 'rate = "24000/1001"\n\n[camera]'))
    plate = tmp_path / "plates" / "pier.1001.exr"
    header = {
        "timeCode": OpenEXR.TimeCode(1, 0, 0, 5, False, False, False, False, False, False, 1, 2, 3, 4, 5, 6, 7, 8),
        "reelName": "A007",
    }
    write_exr(plate, read_exr_rgb(plate).astype(np.float16), z=read_exr(plate, "Z"), **header)
    finish(shot, tmp_path / "exr")
    with OpenEXR.File(str(tmp_path / "exr" / "pier.1001.exr")) as file:
        head = dict(file.header())
    assert head["reelName"] == "A007"
    assert (head["timeCode"].hours, head["timeCode"].frame) == (1, 5)
    assert oiio.ImageInput.open(str(tmp_path / "exr" / "pier.1001.exr")).spec()["framesPerSecond"] == (24000, 1001)
    assert not (tmp_path / "exr" / "pier.attributes.json").exists()
    finish(shot, tmp_path / "tiff", "--set", "output.format=tiff16")
    kept = json.loads((tmp_path / "tiff" / "pier.attributes.json").read_text())["1001"]
    assert kept["reelName"] == "A007"
    assert kept["framesPerSecond"] == [24000, 1001]
    assert any("imecode" in key.lower() for key in kept)


@pytest.mark.parametrize("kind", ["exr-half", "exr-float", "dpx10", "dpx16", "tiff16", "png16"])
def test_every_kind_of_output(make_shot, tmp_path: Path, kind: str) -> None:
    finish(make_shot(frames=1), tmp_path / "out", *without("grain"), "--set", f"output.format={kind}")
    (path,) = (tmp_path / "out").glob("[!.]*.1001.*")
    source = oiio.ImageInput.open(str(path))
    read = (source.read_image("uint16") >> 6) / 1023 if kind == "dpx10" else source.read_image("float")
    finish(tmp_path / "pier.toml", tmp_path / "float", *without("grain"), "--set", "output.format=exr-float")
    step = {"exr-half": 0.04, "exr-float": 0.0, "dpx10": 1 / 1023}.get(kind, 1 / 65535)
    wanted = read_exr_rgb(tmp_path / "float" / "pier.1001.exr")
    wanted = wanted if kind.startswith("exr") else np.clip(wanted, 0, 1)
    assert np.abs(read[..., :3] - wanted).max() <= step / 2 + 1e-6


def test_a_finished_width(make_shot, tmp_path: Path) -> None:
    finish(make_shot(frames=1), tmp_path / "out", "--set", "output.width_px=60")
    assert read_exr(tmp_path / "out" / "pier.1001.exr", "R").shape == (42, 60)
