"""A layout's check: labels beside the picture, lines that cross nothing, any frame, quickly, and smaller maps."""

from __future__ import annotations

from collections.abc import Callable
from itertools import combinations, pairwise
from pathlib import Path

import cv2
import numpy as np
import pytest
from click.testing import CliRunner, Result
from conftest import read_exr
from widegauge.cli import main
from widegauge.depth.ground import Plane
from widegauge.report.layoutcheck import DASHES, LEAST_WIDTH_PX, SHAPES_RGB, Facts, Outline, layout_check, style
from widegauge.report.leaders import Label, columns, draw_leaders, place_within, with_columns
from widegauge.run.depthmaps.layoutjob import open_job
from widegauge.shot import load_shot

WIDTH, HEIGHT, SIZE = 960, 640, 13
RED = (213, 94, 0)


def meet(a: tuple[tuple[float, float], ...], b: tuple[tuple[float, float], ...]) -> bool:
    """Whether two lines cross within both: p + s (q - p) = r + t (u - r)."""
    (p, q), (r, u) = np.asarray(a), np.asarray(b)
    ways = np.stack((q - p, r - u), axis=1)
    if abs(np.linalg.det(ways)) < 1e-9:
        return False
    s, t = np.linalg.solve(ways, r - p)
    return bool(1e-6 < s < 1 - 1e-6 and 1e-6 < t < 1 - 1e-6)


@pytest.mark.parametrize(("seed", "count"), [(1, 2), (2, 9), (3, 14), (4, 20), (5, 34)])
def test_labels_do_not_meet_and_their_lines_do_not_cross(seed: int, count: int) -> None:
    rng = np.random.default_rng(seed)
    labels = [
        Label("\n".join(["a thing"] * int(rng.integers(2, 5))), RED, (float(x), float(y)))
        for x, y in rng.uniform((1, 1), (WIDTH - 1, HEIGHT - 1), (count, 2))
    ]
    placed = columns(labels, width_px=WIDTH, height_px=HEIGHT, size=SIZE)
    assert {id(each.label) for each in placed} == {id(each) for each in labels}
    for one, other in combinations(placed, 2):
        if one.on_left == other.on_left:
            assert one.top >= other.top + other.high or other.top >= one.top + one.high
            assert not meet(one.leader(WIDTH), other.leader(WIDTH))
    long = (count + 1) // 2 * (max(each.high for each in placed) + SIZE) > HEIGHT
    assert all(each.top >= -1e-6 and (long or each.top + each.high <= HEIGHT + 1e-6) for each in placed)


def test_a_line_leads_from_the_label_to_the_thing() -> None:
    inside = np.zeros((HEIGHT, WIDTH), bool)
    inside[100:300, 600:640] = inside[280:300, 300:640] = True
    x, y = place_within(inside, on_left=False)
    assert inside[int(y), int(x)]
    assert x > 600
    placed = columns([Label("pile", RED, (x, y))], width_px=WIDTH, height_px=HEIGHT, size=SIZE)
    drawn = draw_leaders(np.zeros((HEIGHT, WIDTH, 3), np.uint8), placed, size=SIZE)
    red = (drawn == RED).all(axis=2)
    at = round(placed[0].top + placed[0].high / 2)
    assert red[int(y), int(x)]
    assert drawn[at - 2 : at + 3, -1, 0].max() > 100
    count, _ = cv2.connectedComponents((drawn.max(axis=2) > 60).astype(np.uint8), connectivity=8)
    assert count == 2
    page = with_columns(drawn, placed, size=SIZE)
    assert (page[:, :WIDTH] == drawn).all()
    beside = (page[:, WIDTH:] == RED).all(axis=2)
    assert beside[at - 2 : at + 3, 0].any()


def facts(*outlines: Outline) -> Facts:
    return Facts(
        number=1001, horizon_px=(20.0, 20.0), tilt_deg=-5.0, camera_height_m=1.3, ground=Plane(-0.1, 0.0, 0.005),
        backing_m=50.0, focus_m=4.2, blur_scale_px_m=20.0, preset="15-perf-65", outlines=outlines,
    )  # fmt: skip


def thing(name: str, inside: np.ndarray, seen: np.ndarray) -> Outline:
    return Outline(name, inside, seen, 0.25, 0.25, "taped", (), 1.0)


def test_an_outline_is_drawn_where_nothing_nearer_hides_it() -> None:
    inside = np.zeros((120, 240), bool)
    inside[40:100, 60:180] = True
    seen = inside.copy()
    seen[:, 120:] = False
    grey = np.full((120, 240, 3), 120, np.uint8)
    times = LEAST_WIDTH_PX // 240
    bare, drawn = layout_check(grey, facts()), layout_check(grey, facts(thing("card", inside, seen)))
    column = drawn.shape[1] - bare.shape[1]  # its label is on the left
    changed = np.abs(drawn[: 120 * times, column:].astype(int) - bare[: 120 * times]).max(axis=2) > 20
    foot = changed[99 * times : 100 * times].any(axis=0)
    assert foot[70 * times : 110 * times].mean() > 0.9
    assert not foot[130 * times : 179 * times].any()
    hidden = layout_check(grey, facts(thing("card", inside, np.zeros_like(inside))))
    assert hidden.shape[1] > drawn.shape[1] or hidden.tobytes() != drawn.tobytes()


def test_eighteen_things_differ_in_colour_or_dashes() -> None:
    styles = [style(i) for i in range(len(SHAPES_RGB) * len(DASHES))]
    assert len(set(styles)) == 18
    assert all(a[0] != b[0] for a, b in pairwise(styles))


# ---- the command

GROUND = "[ground]\ncamera_height_m = 1.0\nhorizon = 0.3\n"
CARD = '[[cutout]]\nname = "card"\nframe = 1001\noutline = [[0.2, 0.2], [0.5, 0.2], [0.5, 0.7], [0.2, 0.7]]\n'


@pytest.fixture
def shot(make_shot: Callable[..., Path]) -> Path:
    file = make_shot(frames=6, width=192, height=128)
    file.with_name("layout.toml").write_text(GROUND + CARD)
    return file


def run(shot: Path, *words: object) -> Result:
    done = CliRunner().invoke(
        main, ["depth", "layout", str(shot), str(shot.with_name("layout.toml")), *map(str, words)]
    )
    if done.exception and not isinstance(done.exception, SystemExit):
        raise done.exception
    return done


def test_a_check_reads_no_frame_that_it_does_not_need(shot: Path) -> None:
    for number in range(1002, 1007):
        (shot.parent / "plates" / f"pier.{number}.exr").write_bytes(b"broken")
    done = run(shot, "--check", shot.parent / "check.png")
    assert done.exit_code == 0, done.output
    assert "(1 of 1)" in done.stderr
    assert (shot.parent / "check.png").is_file()


def test_a_check_can_be_of_any_frame_or_of_each(shot: Path) -> None:
    done = run(shot, "--check", shot.parent / "check.png", "--frames", 1004)
    assert "check.png (frame 1004)" in done.stdout
    assert "(4 of 4)" in done.stderr
    run(shot, "--check", shot.parent / "each.####.png", "--frames", "1002-1004x2")
    assert [file.name for file in sorted(shot.parent.glob("each.*"))] == ["each.1002.png", "each.1004.png"]
    assert (shot.parent / "each.1004.png").read_bytes() == (shot.parent / "check.png").read_bytes()
    refused = run(shot, "--check", shot.parent / "check.exr")
    assert (refused.exit_code, "end it in .png" in refused.stderr) == (2, True)


def test_a_proxy_s_maps_are_the_full_ones_made_smaller(shot: Path) -> None:
    for out, proxy in (("full", "1"), ("half", "1/2")):
        assert run(shot, "--out", shot.parent / out, "--frames", 1001, "--proxy", proxy).exit_code == 0
    full, half = (read_exr(shot.parent / out / "pier.1001.exr", "Z") for out in ("full", "half"))
    assert half.shape == (64, 96)
    around = [np.abs(1 / half - 1 / full[y::2, x::2]) for y in (0, 1) for x in (0, 1)]
    y, x = np.abs(np.mgrid[0:64, 0:96] + 0.5 - [[[28.8]], [[33.6]]]) - [[[16.0]], [[14.4]]]
    assert np.min(around, axis=0)[np.abs(np.maximum(x, y)) > 2.0].max() < 0.015  # the ground's, over a small pixel
    lines = shot.read_text().split("[depth]")[0] + '[depth]\npath = "half/pier.####.exr"\nchannel = "Z"\n'
    shot.with_name("pasted.toml").write_text(lines)
    assert load_shot(shot.with_name("pasted.toml")).depth is not None
    refused = run(shot, "--out", shot.parent / "no", "--proxy", "1/3.5")
    assert (refused.exit_code, "write 1/2" in refused.stderr) == (2, True)


def test_a_proxy_keeps_the_angle_of_view_and_the_ground(shot: Path) -> None:
    full, half = (open_job(shot, shot.with_name("layout.toml"), preset="15-perf-65", proxy=p) for p in ("1", "1/2"))
    one, other = (job.stand(1001, job.drawn_horizon_px()) for job in (full, half))
    assert other.tilt_deg == pytest.approx(one.tilt_deg, rel=1e-12)
    assert other.level().at((30.0, 50.0)) == pytest.approx(one.level().at((60.0, 100.0)), rel=1e-12)
