"""Tapes that make no sense of a map, or too little: refused or told, with what to tape; and the frame they are on."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import pytest
from click.testing import CliRunner, Result
from conftest import read_exr
from widegauge.cli import main
from widegauge.depth.metres import fit_inverse
from widegauge.depth.plausible import reach_of
from widegauge.depth.scale import fit_line
from widegauge.errors import MediaError

ROWS, COLUMNS = 40, 60
NEAR, MIDDLE, FAR = (0.5, 0.94), (0.5, 0.5), (0.5, 0.06)


def floor_m() -> np.ndarray:
    """1/Z falls evenly from 1 / 1.5 m at the foot to 1 / 30 m at the top."""
    u = np.linspace(1 / 30, 1 / 1.5, ROWS, dtype=np.float32)
    return np.repeat(1 / u[:, None], COLUMNS, axis=1)


@pytest.fixture
def shot(make_shot: Callable[..., Path], tmp_path: Path) -> Path:
    """Three frames without depth, with 16-bit inverse and distance maps that drift from frame to frame."""
    file = make_shot(frames=3)
    file.write_text(file.read_text().split("[depth]")[0])
    z = floor_m()
    (tmp_path / "rel").mkdir()
    for i in range(3):
        for name, values in (("inverse", 60000 / z * (1 - 0.1 * i)), ("distance", 1000 * z * (1 - 0.1 * i))):
            cv2.imwrite(str(tmp_path / "rel" / f"{name}.{1001 + i}.png"), np.rint(values).astype(np.uint16))
    return file


def scale(shot: Path, kind: str, *tapes: str, out: str = "o", more: tuple[str, ...] = ()) -> Result:
    folder = shot.parent
    words = [shot, folder / "rel" / f"{kind}.####.png", "--kind", kind, "--out", folder / out, *more]
    done = CliRunner().invoke(main, ["depth", "scale", *map(str, words), *(w for t in tapes for w in ("--tape", t))])
    if done.exception and not isinstance(done.exception, SystemExit):
        raise done.exception
    return done


def at(place: tuple[float, float], metres: float, frame: int | None = None) -> str:
    return f"{place[0]},{place[1]},{metres}" + ("" if frame is None else f"@{frame}")


def test_a_tape_without_a_frame_is_on_the_shot_s_first_whatever_part_is_asked_for(shot: Path) -> None:
    tapes = at(NEAR, 1.5), at(FAR, 30)
    for more in ((), ("--refit",)):
        whole = scale(shot, "inverse", *tapes, out="whole", more=more)
        part = scale(shot, "inverse", *tapes, out="part", more=("--frames", "1003", *more))
        assert (whole.exit_code, part.exit_code) == (0, 0)
        assert "@ 1001" in part.stdout
        assert [f.name for f in sorted((shot.parent / "part").iterdir())] == ["pier.1003.exr"]
        one, other = (shot.parent / name / "pier.1003.exr" for name in ("whole", "part"))
        assert one.read_bytes() == other.read_bytes()


def test_the_sky_is_offered_for_inverse_maps_only(shot: Path) -> None:
    three = at(NEAR, 1.5), at(MIDDLE, 2.87 * 2), at(FAR, 30)
    assert "X,Y,inf" in scale(shot, "inverse", *three).stderr
    distance = scale(shot, "distance", at(NEAR, 1.5), at(MIDDLE, 2.87 * 3), at(FAR, 30))
    assert distance.exit_code == 0
    assert "left out" in distance.stderr
    assert "inf" not in distance.stderr
    refused = scale(shot, "distance", at(NEAR, 1.5), at(FAR, np.inf))
    assert (refused.exit_code, "inf is for the sky in inverse maps" in refused.stderr) == (2, True)


@pytest.mark.parametrize(
    ("kind", "tapes", "code", "said"),
    [
        ("inverse", (at(NEAR, 1.5), at(NEAR, 3.0)), 2, "no two different values .* tape a near and a far point"),
        ("inverse", (at(NEAR, 1.5), at(FAR, 1.5)), 2, "all tapes say the same distance. tape a near and a far point"),
        ("inverse", (at(NEAR, 30), at(FAR, 1.5)), 2, "values rise .* look whether two tapes were exchanged"),
        ("distance", (at(NEAR, 30), at(FAR, 1.5)), 2, "values fall .* look whether two tapes were exchanged"),
        ("inverse", (at(NEAR, 0.2), at((0.5, 0.85), 20)), 2, r"\d\d % of the picture comes out beyond infinity. tape"),
        ("distance", (at(MIDDLE, 0.3), at(FAR, 30)), 2, r"\d\d % of the picture comes out behind the lens. tape"),
        ("inverse", (at(NEAR, 1.5), at(MIDDLE, 9)), 0, r"\d\d % of the map .* taken for infinitely far: .* tape"),
        ("distance", (at((0.5, 0.8), 0.05), at(FAR, 30)), 0, "behind the lens and is written as not known: tape"),
        ("inverse", (at(NEAR, 150), at(FAR, 3000)), 0, "nothing comes out near the focus distance, 4.20 m: .*metres"),
        ("inverse", (at(FAR, 30), at((0.5, 0.12), 20)), 0, "the nearest of the map .* tape the nearest thing"),
        ("inverse", (at(NEAR, 1.5), at((0.5, 0.88), 1.6)), 0, r"the farthest of the map .* or the sky \(X,Y,inf\)"),
    ],
)
def test_tapes_that_make_no_sense_of_the_map_are_refused_or_told(
    shot: Path, kind: str, tapes: tuple[str, ...], code: int, said: str
) -> None:
    done = scale(shot, kind, *tapes)
    assert done.exit_code == code, done.output
    assert re.search(said, done.stderr), done.stderr


def test_good_tapes_raise_no_doubt(shot: Path) -> None:
    for kind in ("inverse", "distance"):
        done = scale(
            shot, kind, *(at(place, float(floor_m()[int(place[1] * ROWS), 30])) for place in (NEAR, MIDDLE, FAR))
        )
        said = done.stderr.replace("no tape lies at the focus distance", "")
        assert not any(word in said for word in ("uncertain", "beyond", "behind", "left out", "nothing comes out"))
        z = read_exr(shot.parent / "o" / "pier.1001.exr", "Z")
        np.testing.assert_allclose(z, floor_m(), rtol=2e-3)


def test_the_stated_uncertainty_is_that_of_seeded_tapes() -> None:
    """Ends of an inverse map, over trials with the errors that tapes and maps are said to have."""
    rng = np.random.default_rng(3)
    z = floor_m()
    q = (1 / z).astype(np.float32)
    true = np.array([4.2, 9.0])
    taped = true * (1 + 0.03 * rng.standard_normal((4000, 2)))
    span = np.quantile(q, 0.99) - np.quantile(q, 0.01)
    values = 1 / true + 0.01 * span * rng.standard_normal((4000, 2))
    lines = [fit_line(v, t, is_inverse=True).line for v, t in zip(values, taped, strict=True)]
    said = reach_of(fit_line(1 / true, true, is_inverse=True), [q], values=1 / true, metres=true)
    for end, off in ((1 / said.near_m, said.near_off), (1 / said.far_m, said.far_off)):
        found = np.std([line.slope * end + line.intercept for line in lines]) * said.near_m
        assert off == pytest.approx(found, rel=0.1)


def test_a_shot_file_s_tapes_are_refused_alike() -> None:
    q = (1 / floor_m()).astype(np.float32)
    with pytest.raises(MediaError, match="beyond infinity; tape the nearest and the farthest"):
        fit_inverse(q, ((0.5, 0.94, 0.2), (0.5, 0.85, 20.0)))
