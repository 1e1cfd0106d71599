"""Relative maps to metres: exact on exact data, little lost with a crew's tapes, and the wrong tape named."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import pytest
from click.testing import CliRunner
from conftest import CHECKOUT, read_exr
from widegauge.cli import main
from widegauge.depth import metres
from widegauge.depth.scale import Fit, Line, fit_line, value_at
from widegauge.depth.steady import Change, unchanged
from widegauge.errors import MediaError
from widegauge.physics.lens import blur_scale_px_m

FOCUS_M = 4.2
KAPPA = blur_scale_px_m(pupil_mm=23.62, focal_mm=12.0, focus_m=FOCUS_M, width_px=1830.4, width_mm=12.584)
"""The sample shot on 15-perf 65 mm at f/2.8, as `widegauge plan` works it out."""


def sample_depth() -> np.ndarray:
    return read_exr(CHECKOUT / "sample_frames" / "plates" / "landing_010.1004.exr", "Z")


def radius(z: np.ndarray) -> np.ndarray:
    return KAPPA * (1 / FOCUS_M - 1 / np.asarray(z, np.float64))


def test_the_scale_of_blur_is_the_plan_s() -> None:
    assert pytest.approx(4.922, abs=0.01) == KAPPA / FOCUS_M


# ---- exact


@pytest.mark.parametrize(("gain", "offset"), [(1.0, 0.0), (0.031, 12.5), (65535.0, 0.0), (2.0, -0.4)])
def test_two_tapes_recover_metres_from_an_exact_inverse_map(gain: float, offset: float) -> None:
    z = np.geomspace(1.2, 40.0, 500)
    q = gain / z + offset
    taped = (60, 330)
    fit = fit_line(q[list(taped)], z[list(taped)], is_inverse=True)
    np.testing.assert_allclose((q * fit.line.slope + fit.line.intercept) ** -1, z, rtol=1e-9)
    if offset == 0.0:  # a map of 32-bit floats cannot hold more where most of it is offset
        np.testing.assert_allclose(fit.line.metres(q.astype(np.float32)), z, rtol=1e-6)


def test_two_tapes_recover_metres_from_an_exact_distance_map() -> None:
    z = np.linspace(1.2, 40.0, 500)
    q = (0.25 * z + 3.0).astype(np.float32)
    fit = fit_line(q[[60, 330]], z[[60, 330]], is_inverse=False)
    np.testing.assert_allclose(fit.line.metres(q), z, rtol=1e-6)


def test_both_tapes_are_met_exactly_and_beyond_infinity_is_infinity() -> None:
    line = fit_line([10.0, 200.0], [20.0, 1.5], is_inverse=True).line
    assert line.metres_at(10.0) == pytest.approx(20.0, rel=1e-6)
    assert line.metres_at(200.0) == pytest.approx(1.5, rel=1e-6)
    assert math.isinf(line.metres_at(-30.0))
    assert math.isnan(Line(1.0, -5.0, is_inverse=False).metres_at(3.0))


def test_a_known_zero_needs_but_one_tape() -> None:
    fit = fit_line([8.0], [2.5], is_inverse=True, is_proportional=True)
    assert fit.line.metres_at(4.0) == pytest.approx(5.0, rel=1e-6)
    with pytest.raises(MediaError, match="one tape gives no line; tape a near and a far"):
        fit_line([8.0], [2.5], is_inverse=True)


def test_the_shot_file_s_tapes_and_the_command_s_are_one_fit() -> None:
    u = np.tile(np.linspace(0.05, 0.8, 60, dtype=np.float32), (40, 1))
    taped = tuple((x, 0.5, 1.0 / float(u[20, int(x * 60)])) for x in (0.2, 0.5, 0.9))
    slope, intercept = metres.fit_inverse(u * 40 + 3, taped)
    assert (slope, intercept) == pytest.approx((1 / 40, -3 / 40), rel=1e-5)
    with pytest.raises(MediaError, match=r"disagree.* 9 m at 0.9, 0.5 is wrong.*Tape it again"):
        metres.fit_inverse(u * 40 + 3, (*taped, (0.1, 0.5, 1 / float(u[20, 6])), (0.9, 0.5, 9.0)))


# ---- tapes as a crew reads them


def test_three_per_cent_on_two_tapes_costs_less_than_a_seventh_of_a_pixel() -> None:
    z = sample_depth()[::8, ::8].ravel().astype(np.float64)
    rng = np.random.default_rng(41)
    medians = []
    for _ in range(400):
        far_m = rng.uniform(8.0, 40.0)
        true = np.array([FOCUS_M, far_m])
        taped = true * (1 + 0.03 * rng.standard_normal(2))
        line = fit_line(1 / true, taped, is_inverse=True).line
        medians.append(np.median(np.abs(radius(line.metres((1 / z).astype(np.float32))) - radius(z))))
    found = float(np.median(medians))
    print(f"two tapes with 3 %: median blur error {found:.3f} px, 90 % of trials {np.quantile(medians, 0.9):.3f} px")
    assert found <= 0.15


def test_the_tape_at_the_focus_distance_weighs_more() -> None:
    true = np.array([1.5, FOCUS_M, 9.0, 20.0])
    taped = true * np.array([1.06, 1.0, 0.95, 1.0])
    errors = [
        abs(radius(np.array(fit_line(1 / true, taped, is_inverse=True, focus_m=focus).line.metres_at(1 / FOCUS_M))))
        for focus in (None, [FOCUS_M] * 4)
    ]
    assert errors[1] <= 0.1
    assert errors[1] < errors[0] / 2


# ---- a wrong one


def trials(
    count: int, *, tapes: int, factor: float | None, noise_frac: float, seed: int, is_inverse: bool = True
) -> dict[str, float]:
    """Shares of seeded trials: focus, near and far (and more) taped on a map with an unknown gain and offset."""
    rng = np.random.default_rng(seed)
    shares = dict.fromkeys(("unseen", "named, sure", "named, likely", "another, sure", "another, likely", "refused"), 0)
    for _ in range(count):
        true = np.array([FOCUS_M, rng.uniform(1.3, 2.8), *rng.uniform(7.0, 16.0, tapes - 2)])
        gain, offset = rng.uniform(0.2, 5.0), rng.uniform(-1.0, 1.0)
        ends = (1 / 1500.0, 1 / 1.2) if is_inverse else (1.2, 40.0)
        q = (1 / true if is_inverse else true) * gain + offset
        taped = true * (1 + noise_frac * rng.standard_normal(tapes))
        wrong = int(rng.integers(1, tapes))
        if factor is not None:
            taped[wrong] *= factor if rng.random() < 0.5 else 1 / factor
        try:
            fit = fit_line(
                q, taped, is_inverse=is_inverse, focus_m=[FOCUS_M] * tapes, ends=tuple(gain * e + offset for e in ends)
            )
        except MediaError:
            shares["refused"] += 1
            continue
        shares[_what(fit, wrong)] += 1
    return {what: many / count for what, many in shares.items()}


def _what(fit: Fit, wrong: int) -> str:
    if fit.wrong is None:
        return "unseen"
    return f"{'named' if fit.wrong == wrong else 'another'}, {'sure' if fit.is_sure else 'likely'}"


@pytest.mark.parametrize(("tapes", "named"), [(3, 0.97), (4, 0.97), (5, 0.97)])
def test_one_wrong_tape_is_named(tapes: int, named: float) -> None:
    found = trials(500, tapes=tapes, factor=2.0, noise_frac=0.005, seed=7)
    print(f"{tapes} tapes, one wrong by a factor of 2: {found}")
    assert found["named, sure"] + found["named, likely"] >= named
    assert found["another, sure"] <= 0.005


def test_with_tapes_of_three_per_cent_a_wrong_one_is_seldom_mistaken_for_another() -> None:
    for tapes in (3, 4):
        for factor in (1.5, 2.0):
            found = trials(500, tapes=tapes, factor=factor, noise_frac=0.03, seed=11)
            print(f"{tapes} tapes of 3 %, one wrong by {factor}: {found}")
            assert found["named, sure"] + found["named, likely"] >= 10 * (
                found["another, sure"] + found["another, likely"]
            )


def test_good_tapes_are_left_alone() -> None:
    for tapes in (3, 4, 6):
        for noise_frac in (0.01, 0.03):
            assert trials(500, tapes=tapes, factor=None, noise_frac=noise_frac, seed=13)["unseen"] >= 0.95


def test_three_tapes_say_when_the_numbers_cannot_tell() -> None:
    """Near taped too far: dropping the far tape gives a line as good, though it puts the sky at 12 m."""
    true = np.array([FOCUS_M, 1.5, 12.0])
    taped = true * np.array([1.0, 1.4, 1.0])
    fit = fit_line(1 / true, taped, is_inverse=True, focus_m=[FOCUS_M] * 3, ends=(0.0, 0.8))
    assert (fit.wrong, fit.is_sure) == (1, False)
    assert fit_line(1 / true, taped, is_inverse=True, ends=None).is_sure is False
    sky = fit_line([*(1 / true), 0.0], [*taped, math.inf], is_inverse=True, focus_m=[FOCUS_M] * 4, ends=(0.0, 0.8))
    assert (sky.wrong, sky.is_sure) == (1, True)


@pytest.mark.parametrize(
    ("values", "taped", "is_inverse", "said"),
    [
        ([5.0, 5.0], [2.0, 9.0], True, "no two different values.*tape a near and a far point"),
        ([5.0, math.nan], [2.0, 9.0], True, "not known at a taped place; tape a place where it is"),
        ([5.0, 2.0], [9.0, 2.0], True, "near is large: state the kind as distance"),
        ([5.0, 2.0], [2.0, 9.0], False, "far is large: state the kind as inverse"),
        ([1.0, 0.5, 0.4, 0.1, 0.2], [1.0, 4.0, 1.2, 3.0, 20.0], True, "more than one is wrong.*tape them again"),
    ],
)
def test_each_way_to_fail_says_what_to_tape(
    values: list[float], taped: list[float], is_inverse: bool, said: str
) -> None:
    with pytest.raises(MediaError, match=said):
        fit_line(values, taped, is_inverse=is_inverse)


def test_a_place_is_read_as_a_median() -> None:
    q = np.tile(np.arange(40, dtype=np.float32), (30, 1))
    q[15, 20] = 900.0
    q[14, 21] = np.nan
    assert value_at(q, 20.5 / 40, 15.5 / 30) == pytest.approx(20.0, abs=0.5)
    assert math.isnan(value_at(np.full((9, 9), np.nan, np.float32), 0.5, 0.5))


# ---- over time


def test_a_change_of_the_map_is_found_where_the_picture_stands_still() -> None:
    rng = np.random.default_rng(5)
    light = cv2.GaussianBlur(rng.uniform(0, 0.5, (120, 160, 3)).astype(np.float32), (0, 0), 1.0)
    q = cv2.GaussianBlur(rng.uniform(0, 1, (120, 160)).astype(np.float32), (0, 0), 12.0)
    after = 1.1 * q - 0.04 + 0.001 * rng.standard_normal(q.shape).astype(np.float32)
    after[30:60, 40:80] += 0.3  # something came in
    found = unchanged(q, after.astype(np.float32), light, light)
    assert (found.gain, found.offset) == pytest.approx((1.1, -0.04), abs=0.01)
    np.testing.assert_allclose(found.undone(after)[:25], q[:25], atol=0.01)
    both = Change(2.0, 1.0).then(Change(3.0, -1.0))
    np.testing.assert_allclose(both.undone(3.0 * (2.0 * q + 1.0) - 1.0), q, atol=1e-6)


# ---- the command


@pytest.fixture
def relative(make_shot: Callable[..., Path], tmp_path: Path) -> tuple[Path, str, np.ndarray]:
    """A shot without depth, 16-bit inverse maps of it at half the size, and the true distances."""
    shot = make_shot(frames=3)
    shot.write_text(shot.read_text().split("[depth]")[0])
    y, x = np.mgrid[0:40, 0:60]
    z = np.where(x > 36, 1.5, 1 / (0.06 + 0.008 * y)).astype(np.float32)
    (tmp_path / "rel").mkdir()
    for n in range(1001, 1004):
        q = np.rint(60000.0 * (1 / z) / 0.7 * (1 - 0.05 * (n - 1001)) + 900.0)
        cv2.imwrite(str(tmp_path / "rel" / f"q.{n}.png"), q.astype(np.uint16))
    return shot, str(tmp_path / "rel" / "q.####.png"), z


def tape(z: np.ndarray, column: int, row: int, *, frame: int | None = None, factor: float = 1.0) -> list[str]:
    at = "" if frame is None else f"@{frame}"
    return ["--tape", f"{(column + 0.5) / 60},{(row + 0.5) / 40},{factor * z[row, column]}{at}"]


def call(*words: object) -> tuple[int, str, str]:
    done = CliRunner().invoke(main, ["depth", "scale", *map(str, words)])
    if done.exception and not isinstance(done.exception, SystemExit):
        raise done.exception
    return done.exit_code, done.stdout, done.stderr


def test_the_command_names_the_wrong_tape_and_writes_metres(
    relative: tuple[Path, str, np.ndarray], tmp_path: Path
) -> None:
    shot, maps, z = relative
    out = tmp_path / "metres"
    tapes = [*tape(z, 50, 20), *tape(z, 10, 22), *tape(z, 20, 3), *tape(z, 5, 35, factor=2.0)]
    code, said, remarks = call(shot, maps, "--kind", "inverse", *tapes, "--out", out, "--frames", "1001")
    assert code == 0
    rows = said.splitlines()
    assert "wrong, left out" in rows[4]
    assert not any("left out" in row for row in rows[:4])
    assert "+" in rows[4] or "-" in rows[4]
    assert "focus" in rows[2]
    assert "tape 4 disagrees with the others" in remarks
    np.testing.assert_allclose(read_exr(out / "pier.1001.exr", "Z"), z, rtol=2e-3)
    lines = said[said.index("[depth]") :]
    shot.write_text(shot.read_text() + lines.replace("####", "1001"))


def test_a_drifting_map_is_followed_by_tapes_or_by_the_picture(
    relative: tuple[Path, str, np.ndarray], tmp_path: Path
) -> None:
    shot, maps, z = relative
    for way, extra in (
        ("drifting", [*tape(z, 50, 20, frame=1003), *tape(z, 10, 10, frame=1003)]),
        ("still", []),
    ):
        tapes = [*tape(z, 50, 20, frame=1001), *tape(z, 10, 10, frame=1001), *extra]
        code, *_ = call(
            shot, maps, "--kind", "inverse", *tapes, "--out", tmp_path / way, *(["--drifting"] * bool(extra))
        )
        assert code == 0
    first, last = (read_exr(tmp_path / "drifting" / f"pier.{n}.exr", "Z") for n in (1001, 1003))
    np.testing.assert_allclose(first, z, rtol=3e-3)
    np.testing.assert_allclose(last, z, rtol=3e-3)
    between = read_exr(tmp_path / "drifting" / "pier.1002.exr", "Z")
    np.testing.assert_allclose(between, z, rtol=6e-3)
    assert np.abs(read_exr(tmp_path / "still" / "pier.1003.exr", "Z") / z - 1).max() > 0.05


def test_mistakes_are_told_at_once_with_a_remedy(relative: tuple[Path, str, np.ndarray], tmp_path: Path) -> None:
    shot, maps, z = relative
    code, _, said = call(
        shot, maps, "--kind", "inverse", "--tape", "0.5,0.5", "--tape", "1.5,0.5,2", "--out", tmp_path / "o"
    )
    assert code == 2
    assert "write 0.31,0.72,2.1" in said
    assert "x, y are fractions" in said
    code, _, said = call(shot, maps, "--kind", "inverse", *tape(z, 50, 20), "--out", tmp_path / "o")
    assert (code, "tape a near and a far point" in said) == (2, True)
    two = [*tape(z, 50, 20), *tape(z, 10, 10)]
    for words, what in (
        (["--out", tmp_path / "plates"], "is the folder of the footage"),
        (["--out", tmp_path / "rel"], "is the folder of the maps"),
        (["--out", tmp_path / "o", *tape(z, 5, 5, frame=1017)], "there is no map of frame 1017"),
    ):
        code, _, said = call(shot, maps, "--kind", "inverse", *two, *words)
        assert (code, what in said) == (2, True), said
    code, _, said = call(shot, maps, "--kind", "distance", *two, "--out", tmp_path / "o")
    assert (code, "state the kind as inverse" in said) == (2, True)
    cv2.imwrite(str(tmp_path / "rel" / "small.1001.png"), np.ones((33, 47), np.uint16))
    code, _, said = call(shot, tmp_path / "rel" / "small.1001.png", "--kind", "inverse", *two, "--out", tmp_path / "o", "--frames", 1001)  # fmt: skip
    assert (code, "47 x 33" in said) == (2, True)
