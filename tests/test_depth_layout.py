"""Depth from a layout: planes against ray-plane intersections, shapes carried along known motion, and every refusal."""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest
from click.testing import CliRunner, Result
from conftest import CHECKOUT, read_exr
from widegauge.cli import main
from widegauge.depth import carry, cutout
from widegauge.depth.feet import foot_of, settled, taped_m
from widegauge.depth.ground import Plane, Stand, horizon_of_tilt, horizon_through, laid
from widegauge.depth.layoutfile import load_layout
from widegauge.errors import SettingsError
from widegauge.physics import floor
from widegauge.run.depthmaps.layout import carry_through
from widegauge.run.depthmaps.layoutjob import open_job
from widegauge.run.depthmaps.packed import packed, unpacked
from widegauge.shot import load_shot

LANDING = CHECKOUT / "sample_frames" / "landing.toml"
WIDTH, HEIGHT, FOCAL_PX, LENS_M = 1920, 1280, 1750.0, 1.3


def camera_axes(tilt_deg: float, roll_deg: float) -> np.ndarray:
    """Right, down and ahead in the world (x right, y up, z ahead): tilted up about x, then rolled about the axis."""
    t, r = math.radians(tilt_deg), math.radians(roll_deg)
    ahead = np.array([0.0, math.sin(t), math.cos(t)])
    right, down = np.array([1.0, 0.0, 0.0]), np.array([0.0, -math.cos(t), math.sin(t)])
    return np.stack([math.cos(r) * right + math.sin(r) * down, -math.sin(r) * right + math.cos(r) * down, ahead])


def met_at_m(point: tuple[float, float], axes: np.ndarray, normal: np.ndarray, through: float) -> float:
    """Z along the axis where a pixel's ray from the lens meets the world's plane normal . P = through."""
    ray = np.array([point[0] - WIDTH / 2, point[1] - HEIGHT / 2, FOCAL_PX]) @ axes
    ray /= np.linalg.norm(ray)
    return float(through / (normal @ ray) * (ray @ axes[2]))


def horizon_of(axes: np.ndarray) -> tuple[tuple[float, float], tuple[float, float]]:
    """Two pixels whose rays are level, found from world directions."""
    found = []
    for bearing in (-0.2, 0.3):
        x, y, z = axes @ np.array([math.sin(bearing), 0.0, math.cos(bearing)])
        found.append((WIDTH / 2 + FOCAL_PX * x / z, HEIGHT / 2 + FOCAL_PX * y / z))
    return found[0], found[1]


@pytest.mark.parametrize(("tilt_deg", "roll_deg"), [(-9.0, 0.0), (0.0, 0.0), (6.0, 0.0), (-12.0, 4.0), (-30.0, -7.0)])
def test_planes_lie_where_rays_meet_them(tilt_deg: float, roll_deg: float) -> None:
    axes = camera_axes(tilt_deg, roll_deg)
    stand = Stand(WIDTH, HEIGHT, FOCAL_PX, horizon_through(horizon_of(axes), WIDTH), LENS_M)
    assert stand.tilt_deg == pytest.approx(tilt_deg, abs=1e-9)
    up = np.array([0.0, 1.0, 0.0])
    spots = [(300.5, 1200.5), (960.0, 900.0), (1700.5, 1270.5)]
    for spot in spots:
        assert 1 / stand.level().at(spot) == pytest.approx(met_at_m(spot, axes, up, -LENS_M), rel=1e-9)
        assert 1 / stand.level(-1.5).at(spot) == pytest.approx(met_at_m(spot, axes, up, -LENS_M - 1.5), rel=1e-9)
    foot = np.array([0.4, -LENS_M, 3.0]) @ axes.T
    foot_px = (WIDTH / 2 + FOCAL_PX * foot[0] / foot[2], HEIGHT / 2 + FOCAL_PX * foot[1] / foot[2])
    card = stand.upright(foot_px, stand.level().at(foot_px))
    for height_m in (0.0, 0.8, 1.7):
        head = np.array([0.4, height_m - LENS_M, 3.0]) @ axes.T
        head_px = (WIDTH / 2 + FOCAL_PX * head[0] / head[2], HEIGHT / 2 + FOCAL_PX * head[1] / head[2])
        assert 1 / card.at(head_px) == pytest.approx(head[2], rel=1e-9)
    ends = [np.array([-1.0, -LENS_M, 2.6]) @ axes.T, np.array([1.5, -LENS_M, 7.0]) @ axes.T]
    feet = [(WIDTH / 2 + FOCAL_PX * e[0] / e[2], HEIGHT / 2 + FOCAL_PX * e[1] / e[2]) for e in ends]
    wall = stand.wall((feet[0], feet[1]))
    normal = np.cross(np.array([2.5, 0.0, 4.4]), up)
    through = float(normal @ np.array([-1.0, -LENS_M, 2.6]))
    assert wall is not None
    assert 1 / wall.at((700.0, 500.0)) == pytest.approx(met_at_m((700.0, 500.0), axes, normal, through), rel=1e-9)


def test_the_floor_s_own_formulae_agree() -> None:
    stand = Stand(
        WIDTH,
        HEIGHT,
        FOCAL_PX,
        horizon_of_tilt(tilt_deg=-9.0, focal_px=FOCAL_PX, height_px=HEIGHT, width_px=WIDTH),
        LENS_M,
    )
    below = floor.below_horizon_deg(below_axis_mm=500.0, image_mm=FOCAL_PX, tilt_deg=-9.0)
    level = floor.ground_distance_m(camera_height_m=LENS_M, below_horizon_deg=below)
    axis = floor.axis_distance_m(camera_height_m=LENS_M, ground_m=level, tilt_deg=-9.0)
    assert 1 / stand.level().at((100.0, HEIGHT / 2 + 500.0)) == pytest.approx(axis, rel=1e-9)


def test_looking_down_raises_the_horizon() -> None:
    y, _ = horizon_of_tilt(tilt_deg=-9.0, focal_px=FOCAL_PX, height_px=HEIGHT, width_px=WIDTH)
    assert y < HEIGHT / 2


def test_cards_have_hard_edges_and_the_nearest_wins() -> None:
    back = np.full((6, 8), 0.1, np.float32)
    far, near = np.zeros((6, 8), bool), np.zeros((6, 8), bool)
    far[1:5, 1:6] = near[2:4, 4:8] = True
    z = laid(back, [(near, Plane(0.5, 0.0, 0.0)), (far, Plane(0.25, 0.0, 0.0))])
    assert z.dtype == np.float32
    np.testing.assert_array_equal(z, np.where(near, 2.0, np.where(far, 4.0, 10.0)).astype(np.float32))
    assert np.isinf(laid(np.zeros((2, 2), np.float32), [])).all()


def test_tapes_are_linear_in_inverse_distance_and_feet_settle() -> None:
    assert taped_m(((1, 2.0), (11, 4.0)), 6) == pytest.approx(1 / (0.5 / 2 + 0.5 / 4))
    assert taped_m(((1, 2.0), (11, 4.0)), 40) == 4.0
    jumped = settled({1: 0.5, 2: 0.5, 3: 0.9, 4: 0.5, 5: 0.5, 6: None, 9: None}, drawn=[1], reach=2)
    assert jumped == dict.fromkeys((*range(1, 7), 9), 0.5)
    lost: dict[int, float | None] = {1: 0.5, 2: 0.5, 3: 0.5, **dict.fromkeys(range(4, 10)), 10: 0.9, 11: 0.9}
    whole = settled(lost, drawn=[1], reach=1)
    part = settled({n: lost[n] for n in range(1, 9)}, drawn=[1], reach=1)
    assert whole[8] == part[8] == 0.5
    assert settled(lost, drawn=[1, 11], reach=1)[8] == 0.9
    inside = np.zeros((20, 20), bool)
    inside[4:15, 6:10] = True
    foot = foot_of(inside)
    assert (foot.x_px, foot.y_px, foot.cut_off) == (8.0, 15.0, False)
    inside[15:] = True
    assert foot_of(inside).cut_off
    np.testing.assert_array_equal(unpacked(packed(inside)), inside)


@cache
def texture(seed: int, level: tuple[float, float, float]) -> np.ndarray:
    rng = np.random.default_rng(seed)
    grain = sum(cv2.GaussianBlur(rng.normal(0, 1, (400, 600, 3)), (0, 0), s) * s for s in (1.5, 4.0, 10.0))
    return np.clip(np.asarray(level) + 22.0 * grain, 0, 255).astype(np.uint8)


BLOB = np.array([[40, 0], [75, 25], [60, 60], [78, 120], [55, 150], [20, 150], [0, 110], [18, 60], [5, 25]], float)


def moving(n: int, *, hidden: bool = False) -> tuple[np.ndarray, np.ndarray]:
    """A shape of its own texture that moves 3.3, -1.7 px a frame and grows, before a background that drifts."""
    far, near = texture(5, (70, 110, 150)), texture(6, (170, 120, 80))
    canvas = cv2.warpAffine(
        far, np.array([[1, 0, -30 - 0.8 * n], [0, 1, -20 + 0.4 * n]]), (480, 320), flags=cv2.INTER_CUBIC
    )
    grows = 1.0 + 0.01 * n
    place = np.array([120 + 3.3 * n, 120 - 1.7 * n])
    skin = cv2.warpAffine(
        near,
        np.array([[grows, 0, place[0] - 100 * grows], [0, grows, place[1] - 100 * grows]]),
        (480, 320),
        flags=cv2.INTER_CUBIC,
    )
    inside = cutout.in_outline(BLOB * grows + place, width_px=480, height_px=320)
    canvas[inside] = skin[inside]
    if hidden:
        canvas[:, :] = texture(7, (60, 200, 60))[:320, :480]
    return canvas, inside


def edge_off_px(got: np.ndarray, truth: np.ndarray) -> float:
    """How far the edge is off on the average: the area between the two edges over the length of the true one."""
    (edge,), _ = cv2.findContours(truth.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    return float((got != truth).sum() / cv2.arcLength(edge, True))


def test_a_moving_shape_is_carried_and_its_feet_with_it() -> None:
    before, inside = moving(0)
    shape = carry.drawn(before, inside, ((160.0, 250.0),))
    for n in range(1, 13):
        picture, truth = moving(n)
        shape = carry.follow(shape, carry.motion(before, picture), picture)
        before = picture
        assert edge_off_px(shape.inside, truth) <= 1.0, n
        assert shape.confidence >= 0.85, n
    moved = (np.array([160.0, 250.0]) - 120) * 1.12 + [120 + 39.6, 120 - 20.4]
    assert np.abs(np.array(shape.points[0]) - moved).max() <= 2.0


def test_what_is_lost_is_told_and_what_leaves_is_gone() -> None:
    before, inside = moving(0)
    shape = carry.drawn(before, inside)
    hidden, _ = moving(1, hidden=True)
    assert carry.follow(shape, carry.motion(before, hidden), hidden).confidence < 0.5
    edge = np.zeros_like(inside)
    edge[100:200, :3] = True
    leaving = carry.drawn(before, edge)
    flow, sure = np.full((320, 480, 2), (-9.0, 0.0), np.float32), np.ones((320, 480), bool)
    step = carry.Motion(flow, -flow, sure, sure)
    gone = carry.follow(leaving, step, before)
    assert gone.gone
    assert not gone.inside.any()


def test_between_two_drawings_the_edge_runs_between() -> None:
    a, b = np.zeros((60, 60), bool), np.zeros((60, 60), bool)
    a[20:40, 20:40], b[20:40, 24:44] = True, True
    left, right = (carry.kept(m, (), 1.0, gone=False) for m in (a, b))
    columns = np.flatnonzero(carry.between(left, right, 0.5).inside.any(axis=0))
    assert (columns[0], columns[-1]) == (22, 41)
    np.testing.assert_array_equal(carry.between(left, right, 0.0).inside, a)


def test_the_horizon_follows_the_camera_and_not_what_moves_before_it() -> None:
    world = texture(2, (120, 120, 120))
    frames = [
        cv2.warpAffine(world, np.array([[1, 0, -40.0], [0, 1, -40.0 + 2.5 * n]]), (480, 320), flags=cv2.INTER_CUBIC)
        for n in range(4)
    ]
    person = np.zeros((320, 480), bool)
    person[60:300, 100:300] = True
    horizon = (120.0, 120.0)
    for n in range(1, 4):
        frames[n][person] = frames[0][person]
        horizon = carry.follow_horizon(horizon, carry.motion(frames[n - 1], frames[n]), person)
    assert horizon == pytest.approx((127.5, 127.5), abs=0.4)


def test_grabcut_finds_a_shape_in_a_rough_box_and_nothing_in_plain_ground() -> None:
    picture, truth = moving(0)
    found = cutout.in_box(picture, (110, 112, 100, 166), edge_px=2)
    assert carry.overlap(found, truth) >= 0.95
    np.testing.assert_array_equal(found, cutout.in_box(picture, (110, 112, 100, 166), edge_px=2))
    assert (cutout.widened(truth) & ~truth).any()
    assert (cutout.widened(truth) >= truth).all()


def test_an_outline_holds_the_pixels_whose_centres_it_holds() -> None:
    """Against OpenCV's point-in-polygon test."""
    points = BLOB[:, ::-1] * 0.4 + [3.3, 5.7]
    inside = cutout.in_outline(points, width_px=50, height_px=30)
    ring = (points.astype(np.float32))[:, None]
    centres = [[cv2.pointPolygonTest(ring, (x + 0.5, y + 0.5), False) >= 0 for x in range(50)] for y in range(30)]
    np.testing.assert_array_equal(inside, centres)


GROUND = "[ground]\ncamera_height_m = 1.0\nhorizon = 0.3\n"
CARD = '[[cutout]]\nname = "card"\nframe = 1001\n'


def run(shot: Path, text: str, *words: str) -> Result:
    layout = shot.with_name("layout.toml")
    layout.write_text(text)
    return CliRunner().invoke(main, ["depth", "layout", str(shot), str(layout), *words])


def test_maps_of_a_shot_and_the_lines_that_name_them(make_shot: Callable[..., Path], tmp_path: Path) -> None:
    shot = make_shot(frames=3)
    text = GROUND + "backing_m = 9.0\n" + CARD + "outline = [[0.2, 0.2], [0.5, 0.2], [0.5, 0.7], [0.2, 0.7]]\n"
    done = run(shot, text, "--out", str(tmp_path / "maps"), "--check", str(tmp_path / "check.png"))
    assert done.exit_code == 0, done.output
    z = read_exr(tmp_path / "maps" / "pier.1001.exr", "Z")
    focal_px = 9.0 * 4200 / (4200 - 9.0) * 120 / 13.2
    up = np.array([-math.cos(a := math.atan((0.3 - 0.5) * 80 / focal_px)), math.sin(a)])
    ground = 1.0 / -(up[0] * (np.arange(80) + 0.5 - 40) / focal_px + up[1])
    expected = np.where((ground > 0) & (ground < 9.0), ground, 9.0)
    np.testing.assert_allclose(z[:, 100], expected, rtol=1e-5)
    foot = 1.0 / -(up[0] * (56 - 40) / focal_px + up[1])
    assert z[54, 40] == pytest.approx(foot, rel=0.02)
    pasted = shot.read_text().split("[depth]")[0] + done.stdout[done.stdout.index("[depth]") :]
    (tmp_path / "pasted.toml").write_text(pasted)
    assert load_shot(tmp_path / "pasted.toml").depth is not None
    assert cv2.imread(str(tmp_path / "check.png")).shape[1] > 960
    part = run(shot, text, "--out", str(tmp_path / "part"), "--frames", "1002")
    assert part.exit_code == 0, part.output
    assert (tmp_path / "part" / "pier.1002.exr").read_bytes() == (tmp_path / "maps" / "pier.1002.exr").read_bytes()


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (GROUND.replace("camera_height_m = 1.0\n", ""), "measure from the ground to the middle of the lens"),
        (GROUND.replace("horizon = 0.3\n", ""), "neither the horizon nor the tilt is known"),
        (GROUND + "tilt_deg = -3.0\n", "give one of the two"),
        (GROUND.replace("0.3", "[[0.5, 0.3], [0.5, 0.4]]"), "one near each side"),
        (GROUND + CARD.replace("1001", "7") + "box = [0.1, 0.1, 0.3, 0.3]\n", "is no frame of the shot"),
        (GROUND + CARD + "box = [1.1, 0.1, 0.3, 0.3]\n", "lies outside the frame"),
        (GROUND + CARD + "box = [12, 20, 60, 40]\n", "lies outside the frame"),
        (GROUND + CARD, "exactly one of the two"),
        (GROUND + CARD + "outline = [[0.1, 0.1], [0.2, 0.2]]\n", "all the way around"),
        (GROUND + CARD + "outline = [[0.2, 0.05], [0.4, 0.05], [0.3, 0.2]]\n", "at or above the horizon"),
        (GROUND + CARD + "outline = [[0.2, 0.5], [0.4, 0.5], [0.3, 1.2]]\n", "tape it, and give distance_m"),
        (GROUND + CARD + "box = [0.0, 0.0, 1.0, 1.0]\n", "draw an outline instead"),
        (GROUND + CARD + "box = [0.4, 0.4, 0.01, 0.01]\n", "draw it around the whole thing"),
        (GROUND + CARD + "box = [0.2, 0.2, 0.2, 0.5]\ndistance_m = 2.0\nfoot = [[0.3, 0.6]]\n", "or its distance"),
        (GROUND + CARD + "box = [0.2, 0.2, 0.2, 0.5]\nlevel_m = 0.5\ndistance_m = 2.0\n", "needs neither"),
        (GROUND + CARD + "box = [0.2, 0.2, 0.2, 0.5]\nlevel_m = 1.0\n", "seen as a line"),
        (GROUND + CARD + "outline = [[0.2, 0.2], [0.4, 0.2], [0.3, 0.6]]\nfoot = [[0.2, 0.2], [0.3, 0.6]]\n", "above the horizon"),
        (GROUND + CARD + "outline = [[0.2, 0.2], [0.4, 0.2], [0.3, 0.6]]\nfoot = [[0.5, 0.5], [0.5, 0.9]]\n", "seen from its edge"),
        (GROUND + (CARD + "box = [0.2, 0.2, 0.2, 0.5]\n") * 2, "drawn twice"),
        (GROUND + CARD + "box = [0.2, 0.2, 0.2, 0.5]\ndistance = 2\n", 'did you mean "distance_m"'),
    ],
)  # fmt: skip
def test_each_mistake_says_what_to_do(make_shot: Callable[..., Path], tmp_path: Path, text: str, said: str) -> None:
    done = run(make_shot(frames=1), text, "--out", str(tmp_path / "maps"))
    assert done.exit_code == 2, done.output
    assert said in done.stderr
    assert not (tmp_path / "maps").exists()


def test_all_mistakes_of_a_layout_come_at_once(make_shot: Callable[..., Path]) -> None:
    text = GROUND.replace("horizon", "horizn") + CARD + "box = [0.0, 0.1, 0.0, 0.3]\ndistance_m = -2.0\n"
    shot = make_shot(frames=1)
    shot.with_name("layout.toml").write_text(text)
    with pytest.raises(SettingsError) as caught:
        load_layout(shot.with_name("layout.toml"))
    assert len(caught.value.mistakes) >= 3


def test_sources_are_never_written_over(make_shot: Callable[..., Path], tmp_path: Path) -> None:
    done = run(make_shot(frames=1), GROUND, "--out", str(tmp_path / "plates"))
    assert done.exit_code == 2
    assert "choose another folder" in done.stderr


def test_a_thing_that_changes_is_asked_for_again(make_shot: Callable[..., Path], tmp_path: Path) -> None:
    """Every frame of this shot is other noise: nothing can be followed."""
    text = GROUND + CARD + "outline = [[0.2, 0.2], [0.5, 0.2], [0.5, 0.7], [0.2, 0.7]]\n"
    done = run(make_shot(frames=3), text, "--out", str(tmp_path / "maps"))
    assert '"card" is doubtful on 2 of 3 frames' in done.stderr
    assert "add a [[cutout]]" in done.stderr


def test_planks_of_the_sample_frames() -> None:
    """The deck of the sample scene, whose depth a ray tracer wrote, from camera height and horizon alone."""
    job = open_job(LANDING, CHECKOUT / "sample_frames" / "landing.layout.toml", preset="15-perf-65")
    stand = job.stand(1001, job.drawn_horizon_px())
    true_m = read_exr(CHECKOUT / "sample_frames" / "plates" / "landing_010.1001.exr", "Z")
    for y in (960, 1080):
        assert 1 / stand.level().at((1000.0, y + 0.5)) == pytest.approx(float(np.median(true_m[y, 700:1600])), rel=2e-3)


def test_keyframes_backwards_and_a_rolled_horizon(make_shot: Callable[..., Path]) -> None:
    shot = make_shot(frames=3)
    card = "outline = [[0.2, 0.4], [0.5, 0.4], [0.5, 0.7], [0.2, 0.7]]\n"
    text = "[ground]\ncamera_height_m = 1.0\nhorizon = [[0.0, 0.25], [1.0, 0.35]]\nframe = 1002\n"
    for frame, tape in ((1001, 2.0), (1003, 4.0)):
        text += f'[[cutout]]\nname = "card"\nframe = {frame}\ndistance_m = {tape}\nupright = false\n' + card
    shot.with_name("layout.toml").write_text(text)
    carried = carry_through(open_job(shot, shot.with_name("layout.toml"), preset="15-perf-65"))
    assert carried.horizons[1002] == (20.0, 28.0)
    assert set(carried.horizons) == {1001, 1002, 1003}
    assert carried.depth_m(1001)[40, 40] == pytest.approx(2.0)
    assert carried.inverse_m["card"][1002] == pytest.approx(0.375)
