"""Depth as a picture: contours where the distances are, holes hatched, and numbers that agree with the plan's."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import imageio.v3 as iio
import numpy as np
import pytest
from click.testing import CliRunner, Result
from conftest import CHECKOUT
from widegauge.cli import main
from widegauge.report.depthpicture import LEAST_WIDTH_PX, distance_panel, page, radius_panel, round_metres
from widegauge.run.depthmaps.write import write_depth

SAMPLE = CHECKOUT / "sample_frames" / "landing.toml"


def call(*words: object) -> Result:
    done = CliRunner().invoke(main, ["depth", "show", *map(str, words)])
    if done.exception and not isinstance(done.exception, SystemExit):
        raise done.exception
    return done


def slope(*, near_m: float = 1.5, far_m: float = 30.0) -> np.ndarray:
    """A floor: 1 / distance falls evenly from the bottom row to the top."""
    u = np.linspace(1 / far_m, 1 / near_m, 640)
    return np.repeat((1 / u).astype(np.float32)[:, None], 960, axis=1)


# ---- what is marked


@pytest.mark.parametrize(("near_m", "far_m"), [(1.2, 1500.0), (0.3, 0.9), (4.0, 9.0), (20.0, 900.0)])
def test_distances_are_round_and_lie_evenly_in_their_inverse(near_m: float, far_m: float) -> None:
    levels = round_metres(1 / near_m, 1 / far_m)
    assert 3 <= len(levels) <= 9
    assert all(near_m < m < far_m and float(f"{m:.2g}") == pytest.approx(m) for m in levels)
    gaps = np.diff([1 / m for m in levels])
    assert np.abs(gaps).max() <= 0.45 * (1 / near_m - 1 / far_m)
    assert round_metres(0.25, 0.25) == []


def test_contours_lie_where_the_distances_are() -> None:
    z = slope()
    panel = distance_panel(z, focus_m=4.0, title="")
    drawn, plain = (
        page([each], caption="")[46 : 46 + 640, 14 : 14 + 960].astype(int)
        for each in (panel, replace(panel, contours=()))
    )
    marked = (np.abs(drawn - plain).max(axis=2) > 40).mean(axis=1) > 0.5
    rows = [int(np.argmin(np.abs(1 / z[:, 0] - line.value))) for line in panel.contours]
    assert len(rows) >= 5
    assert all(marked[row - 1 : row + 2].any() for row in rows)
    assert all(min(abs(row - at) for at in rows) <= 5 for row in np.flatnonzero(marked))
    bold = [row for row, line in zip(rows, panel.contours, strict=True) if line.is_bold]
    assert [z[row, 0] for row in bold] == [pytest.approx(4.0, rel=0.01)]
    assert (drawn[bold[0]].min(axis=1) > 225).mean() > 0.8


def test_colours_are_even_in_inverse_distance_and_holes_are_hatched() -> None:
    z = slope()
    z[100:300, 100:300] = np.nan
    panel = replace(distance_panel(z, focus_m=None, title=""), contours=())
    drawn = page([panel], caption="").astype(int)[46 : 46 + 640, 14 : 14 + 960]
    hole = drawn[110:290, 110:290]
    assert (hole.max(axis=2) == hole.min(axis=2)).all()
    assert len(np.unique(hole)) == 2
    light = np.median(drawn[:, 600:], axis=1) @ (0.2126, 0.7152, 0.0722)
    place = np.linspace(0, 1, 640)
    assert np.corrcoef(place, light)[0, 1] > 0.99


def test_outlines_are_no_contours() -> None:
    z = np.full((640, 960), 9.0, np.float32)
    z[200:440, 300:660] = 1.5
    drawn = page([distance_panel(z, focus_m=3.0, title="")], caption="")[46 : 46 + 640, 14 : 14 + 960]
    assert (drawn.min(axis=2) > 225).sum() == 0


def test_radii_are_dashed_in_front_of_focus() -> None:
    z = slope()
    panel = radius_panel((20 * (1 / 4.0 - 1 / z)).astype(np.float32), focus_m=4.0, title="")
    assert {c.is_dashed for c in panel.contours if c.value < 0} == {True}
    assert {c.is_dashed for c in panel.contours if c.value >= 0} == {False}
    assert [c.label for c in panel.contours if c.value == 0] == ["focus 4.00 m"]
    assert np.ptp(panel.place(np.array([[-3.0, 3.0]], np.float32))) == 0


# ---- the command


def test_the_sample_shot_is_shown_with_the_plan_s_blur(tmp_path: Path) -> None:
    out = tmp_path / "depth.png"
    done = call(SAMPLE, "--preset", "15-perf-65", "--frame", 1004, "--out", out)
    assert done.exit_code == 0
    assert "to infinity, 0.0 % not known, focus at 4.20 m" in done.stdout
    assert "+4.92 px (farthest)" in done.stdout  # README's table: blur radius at infinity
    picture = iio.imread(out)
    assert picture.shape[1] == 1920 + 28
    assert picture.shape[0] > 2 * 1280
    alone = call(SAMPLE, "--out", tmp_path / "alone.png")
    assert "px" not in alone.stdout
    assert iio.imread(tmp_path / "alone.png").shape[0] < 1500


def test_a_small_map_with_holes_is_enlarged(make_shot: Callable[..., Path], tmp_path: Path) -> None:
    shot = make_shot(frames=1)
    z = np.full((40, 60), 5.0, np.float32)
    z[:, 30:] = 2.0
    z[:10] = np.nan
    write_depth(tmp_path / "maps" / "z.1001.exr", z)
    text = shot.read_text()
    shot.write_text(text[: text.index("[depth]")] + '[depth]\npath = "maps/z.####.exr"\n')
    done = call(shot, "--out", tmp_path / "d.png")
    assert "25.0 % not known" in done.stdout
    assert iio.imread(tmp_path / "d.png").shape[1] == LEAST_WIDTH_PX + 28


def test_mistakes_say_what_to_do(make_shot: Callable[..., Path], tmp_path: Path) -> None:
    shot = make_shot(frames=2)
    text = shot.read_text()
    done = call(shot, "--frame", 1017, "--out", tmp_path / "d.txt")
    assert done.exit_code == 2
    assert "no such frame; its frames are 1001-1002. choose one" in done.stderr
    assert "end it in .png" in done.stderr
    shot.write_text(text.replace("[focus]\ndistance_m = 4.2\n", ""))
    done = call(shot, "--preset", "15-perf-65", "--out", tmp_path / "d.png")
    assert (done.exit_code, "tape it and give it under [focus]" in done.stderr) == (2, True)
    shot.write_text(text[: text.index("[depth]")])
    done = call(shot, "--out", tmp_path / "d.png")
    assert (done.exit_code, "the shot has no depth to look at" in done.stderr) == (2, True)
