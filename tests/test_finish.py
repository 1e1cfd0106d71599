"""The main job, end to end: through the command line, on small shots made on the spot."""

from __future__ import annotations

import hashlib
import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from conftest import SHOT, read_exr, read_exr_rgb, write_exr
from widegauge.cli import main

OFF = ("defocus", "mtf", "halation", "grain", "framing")


def run(*words: object, code: int = 0):
    """Call the program; its exit code must be ``code`` and it must not break down."""
    done = CliRunner().invoke(main, [str(word) for word in words])
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        raise done.exception
    assert done.exit_code == code, done.output
    return done


def finish(shot: Path, out: Path, *words: object, code: int = 0):
    return run("finish", shot, "--preset", "15-perf-65", "--out", out, *words, code=code)


def without(*names: str) -> list[str]:
    return [word for name in names for word in ("--set", f"{name}.enabled=false")]


def digests(folder: Path) -> dict[str, str]:
    return {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in sorted(folder.glob("[!.]*.exr"))}


def test_the_frames_come_back_in_the_encoding_and_shape(make_shot, tmp_path: Path) -> None:
    out = tmp_path / "out"
    done = finish(make_shot(), out)
    assert "3 finished, 0 done before" in done.stdout
    assert sorted(p.name for p in out.iterdir()) == [
        "pier.1001.exr",
        "pier.1002.exr",
        "pier.1003.exr",
        "pier.record.json",
    ]
    rgb = read_exr_rgb(out / "pier.1001.exr")
    assert rgb.shape == (80, 114, 3)
    before = read_exr_rgb(tmp_path / "plates" / "pier.1001.exr")[:, 3:117]
    assert np.abs(rgb - before).max() > 0.01
    # other channels are cropped with the picture and otherwise copied
    np.testing.assert_array_equal(
        read_exr(out / "pier.1001.exr", "Z"), read_exr(tmp_path / "plates" / "pier.1001.exr", "Z")[:, 3:117]
    )


def test_same_bytes_with_one_worker_two_a_sub_range_and_a_rerun(make_shot, tmp_path: Path) -> None:
    shot = make_shot(frames=4)
    for name, words in {
        "one": ["--workers", 1],
        "two": ["--workers", 2],
        "part": ["--frames", "1003-1004"],
    }.items():
        finish(shot, tmp_path / name, *words)
    one = digests(tmp_path / "one")
    assert digests(tmp_path / "two") == one
    assert digests(tmp_path / "part") == {k: v for k, v in one.items() if k[5:9] in ("1003", "1004")}
    finish(shot, tmp_path / "part", "--frames", "1001-1004x3")
    finish(shot, tmp_path / "part")
    assert digests(tmp_path / "part") == one


def test_a_rerun_skips_what_is_done_and_redoes_what_changed(make_shot, tmp_path: Path) -> None:
    shot, out = make_shot(), tmp_path / "out"
    finish(shot, out)
    assert "0 finished, 3 done before" in finish(shot, out).stdout
    plate = tmp_path / "plates" / "pier.1002.exr"
    write_exr(plate, read_exr_rgb(plate).astype(np.float16) * np.float16(2), z=read_exr(plate, "Z"))
    assert "1 finished, 2 done before" in finish(shot, out).stdout
    (out / "pier.1003.exr").write_bytes(b"spoiled")
    assert "1 finished, 2 done before" in finish(shot, out).stdout
    assert "3 finished, 0 done before" in finish(shot, out, "--set", "grain.seed=8").stdout


def test_killed_and_run_again(make_shot, tmp_path: Path) -> None:
    """SIGKILL while frames are in flight: whole frames only, and the same bytes after a rerun."""
    shot = make_shot(frames=12, width=480, height=320)
    finish(shot, tmp_path / "undisturbed")
    out = tmp_path / "out"
    words = ["finish", str(shot), "--preset", "15-perf-65", "--out", str(out)]
    child = subprocess.Popen(
        [sys.executable, "-c", f"from widegauge.cli import main; main({words!r})"],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    deadline = time.monotonic() + 60
    while len(digests(out)) < 2 and time.monotonic() < deadline and child.poll() is None:
        time.sleep(0.005)
    child.send_signal(signal.SIGKILL)
    child.wait()
    assert child.returncode == -signal.SIGKILL
    whole = digests(out)
    undisturbed = digests(tmp_path / "undisturbed")
    assert 2 <= len(whole) < 12
    assert whole == {k: v for k, v in undisturbed.items() if k in whole}
    finish(shot, out)
    assert digests(out) == undisturbed
    assert not list(out.glob(".*"))


@pytest.mark.parametrize("way", ["strength=0.0", "enabled=false"])
@pytest.mark.parametrize("dtype", [np.float16, np.float32])
def test_nothing_to_add_is_the_input_bit_for_bit(make_shot, tmp_path: Path, way: str, dtype) -> None:
    shot = make_shot(frames=1, dtype=dtype)
    plate = tmp_path / "plates" / "pier.1001.exr"
    rgb = read_exr_rgb(plate).astype(dtype)
    rgb[5, 5] = np.nan
    rgb[6, 6, 1] = np.inf
    rgb[7, 7] = -0.25
    write_exr(plate, rgb, z=read_exr(plate, "Z"))
    finish(shot, tmp_path / "out", *[word for name in OFF for word in ("--set", f"{name}.{way}")])
    np.testing.assert_array_equal(read_exr_rgb(tmp_path / "out" / "pier.1001.exr"), read_exr_rgb(plate))


def test_a_bad_pixel_is_healed_with_a_warning_and_does_not_spread(make_shot, tmp_path: Path) -> None:
    shot = make_shot(frames=1)
    finish(shot, tmp_path / "good")
    plate = tmp_path / "plates" / "pier.1001.exr"
    rgb = read_exr_rgb(plate).astype(np.float16)
    rgb[40, 50] = np.nan
    rgb[41, 60, 2] = np.inf
    write_exr(plate, rgb, z=read_exr(plate, "Z"))
    done = finish(shot, tmp_path / "bad")
    assert "frame 1001: 2 pixels were not numbers; healed" in done.stderr
    good, bad = (read_exr_rgb(tmp_path / name / "pier.1001.exr") for name in ("good", "bad"))
    assert np.isfinite(bad).all()
    far = np.ones(good.shape[:2], dtype=bool)
    far[20:62, 27:78] = False
    assert np.abs(good - bad)[far].max() < 0.01
    record = json.loads((tmp_path / "bad" / "pier.record.json").read_text())
    assert record["frames"]["1001"]["remarks"]["healed pixels"] == 2


def test_a_constant_frame_stays_constant_through_all_stages_but_grain(make_shot, tmp_path: Path) -> None:
    shot = make_shot(frames=1)
    plate = tmp_path / "plates" / "pier.1001.exr"
    z = read_exr(plate, "Z")
    write_exr(plate, np.full((80, 120, 3), 0.25, dtype=np.float32), z=z)
    finish(shot, tmp_path / "out", *without("grain"), "--set", "output.format=exr-float")
    rgb = read_exr_rgb(tmp_path / "out" / "pier.1001.exr")
    assert np.abs(rgb / 0.25 - 1).max() <= 1e-4


@pytest.mark.parametrize("only", ["defocus", "mtf", "halation"])
def test_the_light_of_bright_points_is_kept(make_shot, tmp_path: Path, only: str) -> None:
    shot = make_shot(frames=1)
    plate = tmp_path / "plates" / "pier.1001.exr"
    rgb = np.full((320, 480, 3), 0.02, dtype=np.float32)
    for y, x in ((160, 240), (120, 200), (200, 300)):
        rgb[y, x] = (400.0, 300.0, 200.0)
    write_exr(plate, rgb, z=np.full((320, 480), 40.0))
    words = [*without(*(name for name in OFF if name != only)), "--set", "output.format=exr-float"]
    # on a negative of 8 mm the emulsion limits, so that mtf has something to do
    words += ["--set", "negative.picture_mm=[8.0, 5.4]"] if only == "mtf" else []
    finish(shot, tmp_path / "out", *words)
    out = read_exr_rgb(tmp_path / "out" / "pier.1001.exr")
    assert np.abs(out - rgb).max() > 1.0
    assert out.sum(axis=(0, 1), dtype=np.float64) / rgb.sum(axis=(0, 1), dtype=np.float64) == pytest.approx(
        1.0, abs=0.005
    )


def test_a_proxy_looks_like_the_full_frame_made_smaller(make_shot, tmp_path: Path) -> None:
    import cv2

    shot = make_shot(frames=1)
    plate = tmp_path / "plates" / "pier.1001.exr"
    y, x = np.mgrid[0:640, 0:960]
    rgb = np.stack([0.2 + 0.15 * np.sin(x / 40) * np.cos(y / 30)] * 3, axis=-1).astype(np.float32)
    rgb[300:306, 500:506] = 50.0
    write_exr(plate, rgb, z=np.full((640, 960), 20.0))
    words = [*without("grain"), "--set", "output.format=exr-float"]
    finish(shot, tmp_path / "full", *words)
    finish(shot, tmp_path / "small", *words, "--proxy", "1/4")
    full, small = (read_exr_rgb(tmp_path / name / "pier.1001.exr") for name in ("full", "small"))
    assert small.shape == (160, 229, 3)
    made_smaller = cv2.resize(full, (229, 160), interpolation=cv2.INTER_AREA)
    encoded = [np.clip(picture, 0, 1) ** (1 / 2.2) for picture in (small, made_smaller)]
    psnr_db = -10 * np.log10(np.mean((encoded[0] - encoded[1]) ** 2))
    assert psnr_db > 40


def test_framing_alone_moves_pixels_and_nothing_else(make_shot, tmp_path: Path) -> None:
    shot = make_shot(frames=1)
    finish(shot, tmp_path / "crop", *without(*OFF[:4]))
    finish(shot, tmp_path / "pad", *without(*OFF[:4]), "--set", "framing.fit=pad", "--set", 'framing.ratio="2.0"')
    plate = read_exr_rgb(tmp_path / "plates" / "pier.1001.exr")
    np.testing.assert_array_equal(read_exr_rgb(tmp_path / "crop" / "pier.1001.exr"), plate[:, 3:117])
    padded = read_exr_rgb(tmp_path / "pad" / "pier.1001.exr")
    assert padded.shape == (80, 160, 3)
    np.testing.assert_array_equal(padded[:, 20:140], plate)
    assert not padded[:, :20].any()
    assert not padded[:, 140:].any()


def test_the_processing_record(make_shot, tmp_path: Path) -> None:
    finish(make_shot(frames=1), tmp_path / "out")
    record = json.loads((tmp_path / "out" / "pier.record.json").read_text())
    frame = record["frames"]["1001"]
    assert frame["source"] == hashlib.sha256((tmp_path / "plates" / "pier.1001.exr").read_bytes()).hexdigest()
    assert frame["sha256"] == hashlib.sha256((tmp_path / "out" / "pier.1001.exr").read_bytes()).hexdigest()
    assert frame["seconds"] > 0
    assert record["settings"]["preset"]["negative"]["stop"] == "f/2.8"
    assert record["plan"]["depth_of_field_stops"] == pytest.approx(4.924818637)
    assert {"numpy", "openimageio"} <= set(record["libraries"])


def test_without_depth_the_shot_can_go_on_and_defocus_says_so(make_shot, tmp_path: Path) -> None:
    text = SHOT.replace('[depth]\npath = "plates/pier.####.exr"', "")
    done = finish(make_shot(frames=1, text=text), tmp_path / "out")
    assert "depth" in next(line for line in done.stderr.splitlines() if line.startswith("defocus"))
    assert (tmp_path / "out" / "pier.1001.exr").is_file()


def test_a_constant_depth_will_do(make_shot, tmp_path: Path) -> None:
    text = SHOT.replace('path = "plates/pier.####.exr"\n', "constant_m = 20.0\n", 2).replace(
        "[footage]\nconstant_m = 20.0", '[footage]\npath = "plates/pier.####.exr"'
    )
    finish(make_shot(frames=1, text=text), tmp_path / "out", *without("grain", "halation", "mtf"))
    assert (tmp_path / "out" / "pier.1001.exr").is_file()


def test_noise_is_the_same_sharp_and_blurred(make_shot, tmp_path: Path) -> None:
    """A plate noisier than the negative: where defocus averages its noise away, as much comes back, within 15 %."""
    shot = make_shot(frames=1, text=SHOT.replace('noise = "none"', "noise = [[0.01, 0.01], [1.0, 0.01]]"))
    noisy = np.random.default_rng(5).normal(0.18, 0.01, (640, 960, 3)).astype(np.float32)
    z = np.where(np.arange(960) < 480, 4.2, 60.0) * np.ones((640, 1))
    write_exr(tmp_path / "plates" / "pier.1001.exr", noisy, z=z)
    finish(shot, tmp_path / "out", "--set", "negative.stop=f/1.4", *without("halation", "framing"))
    out = read_exr_rgb(tmp_path / "out" / "pier.1001.exr")
    sharp, blurred = out[100:-100, 100:400].std(axis=(0, 1)), out[100:-100, 560:860].std(axis=(0, 1))
    np.testing.assert_allclose(sharp, 0.01, rtol=0.15)
    np.testing.assert_allclose(blurred, 0.01, rtol=0.15)


def test_frames_of_two_kinds_are_not_mixed_in_one_folder(make_shot, tmp_path: Path) -> None:
    shot, out = make_shot(), tmp_path / "out"
    finish(shot, out, "--set", "grain.seed=9")
    refused = finish(shot, out, "--frames", "1003", code=2)
    assert "pier.1001.exr (of 2) made with other settings" in refused.stderr
    finish(shot, out)
    assert "pier.1001.exr (of 3) at full size" in finish(shot, out, "--proxy", "1/2", code=2).stderr
    assert read_exr(out / "pier.1003.exr", "R").shape == (80, 114)
    preview = tmp_path / "preview"
    finish(shot, preview, "--proxy", "1/2")
    assert "pier.1001.exr (of 3) at 1/2 size" in finish(shot, preview, code=2).stderr
    other = shot.with_name("other.toml")
    other.write_text(shot.read_text())
    assert "another shot" in finish(other, out, code=2).stderr


class TestBadInput:
    """Each a one-line error with its exit code, and no half frame."""

    def _refused(self, done, *said: str) -> None:
        lines = [line for line in done.stderr.splitlines() if any(word in line for word in said)]
        assert lines, done.stderr
        assert all(any(word in line for line in lines) for word in said), done.stderr
        assert "Traceback" not in done.output

    def test_a_missing_frame(self, make_shot, tmp_path: Path) -> None:
        shot = make_shot()
        (tmp_path / "plates" / "pier.1002.exr").unlink()
        self._refused(finish(shot, tmp_path / "out", code=2), "1002")
        for policy in ("hold", "black"):
            shot.write_text(SHOT.replace("[camera]", f'missing = "{policy}"\n\n[camera]'))
            finish(shot, tmp_path / policy, *without("grain"))
        held, before = (read_exr_rgb(tmp_path / "hold" / f"pier.{n}.exr") for n in (1002, 1001))
        np.testing.assert_array_equal(held, before)
        assert not read_exr_rgb(tmp_path / "black" / "pier.1002.exr").any()

    def test_a_missing_folder_and_preset_and_shot(self, make_shot, tmp_path: Path) -> None:
        shot = make_shot(text=SHOT.replace("plates/pier", "platen/pier"))
        self._refused(finish(shot, tmp_path / "out", code=2), "platen/pier")
        self._refused(finish(tmp_path / "none.toml", tmp_path / "out", code=2), "no such file")
        self._refused(
            run("finish", shot, "--preset", "nope", "--out", tmp_path / "o", code=2), "no such preset", "platen"
        )

    @pytest.mark.parametrize("how", ["truncated", "text", "empty"])
    def test_a_broken_frame(self, make_shot, tmp_path: Path, how: str) -> None:
        shot = make_shot()
        frame = tmp_path / "plates" / "pier.1002.exr"
        data = frame.read_bytes()
        frame.write_bytes(
            {"truncated": data[: len(data) // 2], "text": b"this is no picture\n" * 20, "empty": b""}[how]
        )
        self._refused(finish(shot, tmp_path / "out", "--workers", 1, code=3), "pier.1002.exr")
        assert list(digests(tmp_path / "out")) == ["pier.1001.exr"]
        assert not list((tmp_path / "out").glob(".*"))

    def test_depth_of_another_size(self, make_shot, tmp_path: Path) -> None:
        shot = make_shot(frames=2, text=SHOT.replace('[depth]\npath = "plates/', '[depth]\npath = "depth/'))
        (tmp_path / "depth").mkdir(exist_ok=True)
        zero = np.zeros((40, 60, 3), dtype=np.float16)
        for number in (1001, 1002):
            write_exr(tmp_path / "depth" / f"pier.{number}.exr", zero, z=np.full((40, 60), 5.0))
        finish(shot, tmp_path / "half")
        write_exr(tmp_path / "depth" / "pier.1002.exr", zero[:33], z=np.full((33, 60), 5.0))
        self._refused(finish(shot, tmp_path / "out", code=3), "60 x 33", "120 x 80")
        write_exr(tmp_path / "depth" / "pier.1001.exr", zero[:33], z=np.full((33, 60), 5.0))
        self._refused(finish(shot, tmp_path / "out2", code=2), "60 x 33", "120 x 80")
        (tmp_path / "depth" / "pier.1002.exr").unlink()
        self._refused(finish(shot, tmp_path / "out3", code=2), "no depth map for frame 1002")

    @pytest.mark.parametrize(
        ("value", "said"), [(-2.0, "below 0"), (0.0, "no depth value is known"), (np.nan, "known")]
    )
    def test_depth_that_can_not_be(self, make_shot, tmp_path: Path, value: float, said: str) -> None:
        shot = make_shot(frames=1)
        plate = tmp_path / "plates" / "pier.1001.exr"
        write_exr(plate, read_exr_rgb(plate).astype(np.float16), z=np.full((80, 120), value))
        self._refused(finish(shot, tmp_path / "out", code=3), "pier.1001.exr", said)

    def test_a_channel_that_is_not_there(self, make_shot, tmp_path: Path) -> None:
        shot = make_shot(frames=1, text=SHOT + 'channel = "depth.V"\n')
        self._refused(finish(shot, tmp_path / "out", code=3), "depth.V", "Z")

    def test_the_output_folder_is_the_input_folder(self, make_shot, tmp_path: Path) -> None:
        shot = make_shot(frames=1)
        before = digests(tmp_path / "plates")
        self._refused(finish(shot, tmp_path / "plates", code=2), "choose another folder")
        assert digests(tmp_path / "plates") == before

    def test_no_place_to_write(self, make_shot, tmp_path: Path) -> None:
        (tmp_path / "file").write_text("not a folder")
        self._refused(finish(make_shot(frames=1), tmp_path / "file" / "out", code=3), "can't write there")

    @pytest.mark.skipif(os.geteuid() == 0, reason="the superuser may write anywhere")
    def test_no_permission(self, make_shot, tmp_path: Path) -> None:
        (tmp_path / "closed").mkdir(mode=0o500)
        self._refused(finish(make_shot(frames=1), tmp_path / "closed" / "out", code=3), "can't write there")

    @pytest.mark.skipif(os.geteuid() != 0, reason="mounting a small disk needs the superuser")
    def test_a_full_disk_keeps_whole_frames(self, make_shot, tmp_path: Path) -> None:
        shot = make_shot(frames=4, width=480, height=320)
        small = tmp_path / "small"
        small.mkdir()
        if subprocess.run(["mount", "-t", "tmpfs", "-o", "size=2m", "tmpfs", small], capture_output=True).returncode:
            pytest.skip("this machine lets nobody mount a tmpfs")
        try:
            words = ["--set", "output.format=exr-float", "--workers", 1]
            done = finish(shot, small / "out", *words, code=3)
            self._refused(done, "exr")
            left = digests(small / "out")
            assert 1 <= len(left) < 4
            assert not list((small / "out").glob(".*"))
            finish(shot, tmp_path / "big", *words)
            assert left == {k: v for k, v in digests(tmp_path / "big").items() if k in left}
        finally:
            subprocess.run(["umount", small], check=True)
