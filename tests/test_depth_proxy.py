"""A quick look at depth: maps smaller by a whole number, which say what the full ones say."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import stereo_pair as made
from click.testing import CliRunner
from conftest import SHOT, read_exr, write_exr
from test_depth_network import red
from widegauge.cli import main
from widegauge.run.depthmaps.small import thinned


def run(*words: object, code: int = 0) -> str:
    done = CliRunner().invoke(main, ["depth", *map(str, words)])
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        raise done.exception
    assert done.exit_code == code, done.output
    return " ".join(done.output.split())


def halved(z: np.ndarray) -> np.ndarray:
    """(4, h/2, w/2): for each small pixel the four that it covers."""
    return np.stack([z[y::2, x::2] for y in (0, 1) for x in (0, 1)])


def test_stereo_at_half_size_gives_the_same_depth(tmp_path: Path) -> None:
    for name, view in (("left", made.left()), ("right", made.right())):
        write_exr(tmp_path / f"{name}.1001.exr", view)
    (tmp_path / "pair.toml").write_text(SHOT.replace("plates/pier", "left").split("[depth]")[0])
    told = ("--focal-px", made.FOCAL_PX, "--baseline-m", made.BASELINE_M, "--proxy", "1/2")
    said = run("stereo", tmp_path / "pair.toml", tmp_path / "right.####.exr", *told, "--out", tmp_path / "depth")
    height, width = made.left().shape[:2]
    assert f"maps of {width // 2} x {height // 2}, 1/2 of the footage" in said
    found = read_exr(tmp_path / "depth" / "left.1001.exr", "Z")
    off_px = made.FB_PX_M * np.abs(1 / found - 1 / halved(made.truth_m())).min(axis=0)  # of the footage's disparity
    print(f"half size: {np.median(off_px):.3f} px (median), > 1 px in {(off_px > 1).mean():.2%}")
    assert np.median(off_px) <= 0.3
    assert (off_px > 2.0).mean() <= 0.08


def test_a_network_is_shown_the_smaller_frame(tmp_path: Path) -> None:
    y = np.linspace(0.05, 0.9, 160, dtype=np.float32)[:, None, None] * np.ones((160, 240, 3), np.float32)
    write_exr(tmp_path / "pier.1001.exr", y)
    (tmp_path / "pier.toml").write_text(SHOT.replace("plates/", "").split("[depth]")[0])
    model = red(tmp_path / "red.onnx", stated={"kind": "inverse"})
    for out, proxy in (("full", "1"), ("half", "1/2")):
        run("network", tmp_path / "pier.toml", "--model", model, "--out", tmp_path / out, "--proxy", proxy)
    full, half = (read_exr(tmp_path / out / "relative" / "pier.1001.exr", "Z") for out in ("full", "half"))
    assert (full.shape, half.shape) == ((160, 240), (80, 120))
    np.testing.assert_allclose(half[4:-4], halved(full).mean(axis=0)[4:-4], rtol=5e-3)


@pytest.mark.parametrize("ratio", [1, 2, 4])
def test_cleaned_maps_are_of_the_proxy_s_size(make_shot: Callable[..., Path], ratio: int) -> None:
    """Of a map as large as the footage, as large as the proxy, or smaller than it."""
    shot = make_shot(frames=1, width=240, height=160)
    z = np.full((160, 240), 9.0, np.float32)
    z[40:120, 80:160] = 2.0
    (shot.parent / "maps").mkdir()
    write_exr(
        shot.parent / "plates" / "pier.1001.exr",
        np.where(z < 5, 0.8, 0.1)[..., None].astype(np.float32) * np.ones(3, np.float32),
    )
    write_exr(
        shot.parent / "maps" / "pier.1001.exr",
        np.zeros((160 // ratio, 240 // ratio, 3), np.float32),
        z=z[::ratio, ::ratio],
    )
    text = shot.read_text().split("[depth]")[0] + '[depth]\npath = "maps/pier.####.exr"\nchannel = "Z"\n'
    shot.write_text(text)
    run("clean", shot, "--out", shot.parent / "clean", "--proxy", "1/2")
    np.testing.assert_allclose(read_exr(shot.parent / "clean" / "pier.1001.exr", "Z"), z[::2, ::2], rtol=1e-4)


def test_values_are_thinned_and_not_averaged() -> None:
    z = np.random.default_rng(1).uniform(1, 9, (40, 60)).astype(np.float32)
    small = thinned(z, (20, 20 * 40 // 60))
    assert np.isin(small, z).all()
    assert thinned(z, (60, 40)) is z


@pytest.mark.parametrize("proxy", ["1/3", "0.7", "2", "quarter", "1/1000"])
def test_a_proxy_that_is_not_whole_is_refused(make_shot: Callable[..., Path], proxy: str) -> None:
    shot = make_shot(frames=1, width=240, height=160)
    for words in (("clean", shot), ("stereo", shot, shot.parent / "plates", "--baseline-m", 0.1)):
        assert "write 1/2" in run(*words, "--out", shot.parent / "o", "--proxy", proxy, code=2)
