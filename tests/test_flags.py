"""Each flag is raised by a shot with just that defect, and by no shot whose footage does the same by itself."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from conftest import SHOT, write_exr
from widegauge.batch.flags import flags_for
from widegauge.batch.flicker import odd_ones, strangeness
from widegauge.run import render as render_module
from widegauge.run.bind import bind
from widegauge.run.checks import look_at_light
from widegauge.run.finish import finish
from widegauge.run.job import make_job
from widegauge.run.record import FrameRecord, open_record

FRAMES, WIDTH, HEIGHT = 7, 300, 200
ODD = 1004
Edit = Callable[[int, np.ndarray, np.ndarray], tuple[np.ndarray, np.ndarray]]


def scene(*, pan_px: int = 0) -> tuple[np.ndarray, np.ndarray]:
    """A texture with detail at every scale, some lamps, and a near thing on the right: light and depth."""
    rng = np.random.default_rng(5)
    wide = WIDTH + 200
    texture = sum(
        cv2.resize(rng.standard_normal((HEIGHT // n + 1, wide // n + 1)), (wide, HEIGHT), interpolation=cv2.INTER_CUBIC)
        for n in (1, 2, 4, 8, 16, 32)
    )
    light = 0.18 * 2.0 ** (0.4 * texture)[..., None] * np.array([1.1, 1.0, 0.8])
    for x, y in rng.integers(10, 190, (30, 2)):
        light[y, 2 * x : 2 * x + 2] = 12.0
    z = np.where(np.arange(wide)[None] % 260 > 200, 1.5, 5.0 + 0.1 * (HEIGHT - np.arange(HEIGHT)[:, None]))
    window = np.s_[:, pan_px : pan_px + WIDTH]
    return light[window].astype(np.float32), z[window].astype(np.float32)


@pytest.fixture
def finished(tmp_path: Path):
    """Finish a shot of the scene, each frame edited, and give its frames' records."""

    def make(
        edit: Edit = lambda _, rgb, z: (rgb, z),
        *,
        pan_px: int = 0,
        text: str = SHOT,
        overrides: tuple[str, ...] = (),
        but: tuple[int, ...] = (),
    ) -> dict[int, FrameRecord]:
        (tmp_path / "plates").mkdir()
        for i in range(FRAMES):
            number = 1001 + i
            rgb, z = edit(number, *scene(pan_px=i * pan_px))
            rgb = rgb * np.random.default_rng(number).normal(1.0, 1e-3, rgb.shape)  # as two frames of a camera differ
            if number not in but:
                write_exr(tmp_path / "plates" / f"pier.{number}.exr", rgb.astype(np.float16), z=z)
        (tmp_path / "pier.toml").write_text(text)
        plan, plate, _ = bind(tmp_path / "pier.toml", "15-perf-65", overrides=overrides)
        return finish(make_job(plan, plate, out=tmp_path / "out"), workers=1).frames

    return make


def names(frames: dict[int, FrameRecord]) -> dict[str, tuple[int, ...]]:
    return {flag.name: flag.frames for flag in flags_for(frames)}


def stage_that(monkeypatch: pytest.MonkeyPatch, change: Callable[[int, np.ndarray], np.ndarray]) -> None:
    """Put a fault into the last stage."""
    *first, last = render_module.ORDER

    def apply(planned: Any, frame: Any) -> Any:
        done = last.apply(planned, frame)
        return dataclasses.replace(done, rgb=change(frame.number, done.rgb).astype(np.float32))

    monkeypatch.setattr(render_module, "ORDER", (*first, dataclasses.replace(last, apply=apply)))


class TestNoFlag:
    def test_a_clean_shot(self, finished) -> None:
        frames = finished()
        assert names(frames) == {}
        assert all(frame.checks for frame in frames.values())

    def test_a_flash_of_light(self, finished) -> None:
        """One frame in which the right half is lit eight times as bright, as by a flashlight."""

        def flash(number: int, rgb: np.ndarray, z: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
            return (rgb * np.where(np.arange(WIDTH) > 150, 8.0, 1.5)[None, :, None] if number == ODD else rgb), z

        frames = finished(flash)
        assert frames[ODD].checks["light_before"] > 2.0 * frames[ODD - 1].checks["light_before"]
        assert names(frames) == {}

    def test_a_pull_of_focus(self, finished) -> None:
        assert names(finished(text=SHOT.replace("distance_m = 4.2", "pull = [[1001, 1.5], [1007, 9.0]]"))) == {}

    def test_a_pull_of_focus_in_the_footage(self, finished) -> None:
        def pull(number: int, rgb: np.ndarray, z: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
            return cv2.GaussianBlur(rgb, (0, 0), 0.3 + 0.4 * (number - 1001)), z

        assert names(finished(pull)) == {}

    def test_a_pan(self, finished) -> None:
        assert names(finished(pan_px=30)) == {}

    def test_a_fade_to_black(self, finished) -> None:
        def fade(number: int, rgb: np.ndarray, z: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
            return rgb * np.float32(max(0.0, 1.0 - 0.25 * (number - 1001))), z

        frames = finished(fade)
        assert frames[1007].checks["black_after"] == 1.0
        assert names(frames) == {}

    def test_a_shot_that_no_stage_touches(self, finished) -> None:
        off = tuple(f"{stage}.enabled=false" for stage in ("framing", "defocus", "mtf", "halation", "grain"))
        frames = finished(overrides=off)
        assert names(frames) == {}
        assert frames[ODD].checks["light_stops"] == [0.0, 0.0, 0.0]


class TestLevel:
    def test_one_frame_too_bright(self, finished, monkeypatch: pytest.MonkeyPatch) -> None:
        stage_that(monkeypatch, lambda number, rgb: rgb * (2.0**0.2 if number == ODD else 1.0))
        frames = finished()
        assert names(frames) == {"level flickers": (ODD,)}
        assert flags_for(frames)[0].found == pytest.approx(0.2, abs=0.005)

    def test_one_record_of_one_frame(self, finished, monkeypatch: pytest.MonkeyPatch) -> None:
        stage_that(monkeypatch, lambda number, rgb: rgb * np.array([1.0, 1.0, 0.95 if number == ODD else 1.0]))
        assert names(finished()) == {"level flickers": (ODD,)}

    def test_every_frame_too_dark(self, finished, monkeypatch: pytest.MonkeyPatch) -> None:
        stage_that(monkeypatch, lambda _, rgb: rgb * 2.0**-0.1)
        frames = finished()
        assert names(frames) == {"exposure changed beyond grain": tuple(frames)}
        assert flags_for(frames)[0].found == pytest.approx(-0.1, abs=0.01)

    def test_a_slow_drift_is_no_flicker(self, finished, monkeypatch: pytest.MonkeyPatch) -> None:
        stage_that(monkeypatch, lambda number, rgb: rgb * 2.0 ** (0.05 * (number - 1001)))
        assert set(names(finished())) == {"exposure changed beyond grain"}

    def test_what_grain_explains(self, finished) -> None:
        """The spread of the mean that 30 frames of flat grey show, against the standard error that is stated."""
        only = tuple(f"{stage}.enabled=false" for stage in ("framing", "defocus", "mtf", "halation"))
        off = [
            frame.checks for frame in finished(lambda _, rgb, z: (np.full_like(rgb, 0.18), z), overrides=only).values()
        ]
        stated = off[0]["light_error_stops"][0]
        # the footage's own noise of 0.1 % is on both sides; seven frames of three records tell a spread to some 20 %
        spread = float(np.sqrt(np.mean(np.square([check["light_stops"] for check in off]))))
        assert 0.4 * stated < spread < 1.3 * stated


class TestBlur:
    @pytest.mark.parametrize("times", [0.6, 1.5])
    def test_a_depth_map_of_another_distance(self, finished, times: float) -> None:
        assert names(finished(lambda number, rgb, z: (rgb, z * (times if number == ODD else 1.0)))) == {
            "blur flickers": (ODD,)
        }

    def test_depth_that_jumps_and_stays(self, finished) -> None:
        flags = names(finished(lambda number, rgb, z: (rgb, z * (0.6 if number > ODD else 1.0))))
        assert flags == {"blur flickers": (ODD, ODD + 1)}

    def test_depth_that_jumps_in_every_frame(self, finished) -> None:
        assert set(names(finished(lambda number, rgb, z: (rgb, z * (0.6 if number % 2 else 1.0))))) == {"blur flickers"}


class TestBlackAndRepeated:
    def test_a_frame_that_comes_out_black(self, finished, monkeypatch: pytest.MonkeyPatch) -> None:
        stage_that(monkeypatch, lambda number, rgb: rgb * (0.0 if number == ODD else 1.0))
        frames = finished()
        assert names(frames) == {"black frame": (ODD,)}
        assert "the footage is not" in flags_for(frames)[0].sentence

    def test_a_black_frame_of_the_footage(self, finished) -> None:
        frames = finished(lambda number, rgb, z: (rgb * (0.0 if number == ODD else 1.0), z))
        assert names(frames) == {"black frame": (ODD,)}
        assert "footage has it so" in flags_for(frames)[0].sentence

    def test_nothing_but_black(self, finished) -> None:
        frames = finished(lambda _, rgb, z: (rgb * 1e-6, z))
        assert names(frames) == {"black frame": tuple(frames)}

    def test_a_frame_twice_in_the_footage(self, finished, tmp_path: Path) -> None:
        def twice(number: int, rgb: np.ndarray, z: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
            return (rgb, z)

        finished(twice)
        (tmp_path / "plates" / f"pier.{ODD}.exr").write_bytes(
            (tmp_path / "plates" / f"pier.{ODD - 1}.exr").read_bytes()
        )
        plan, plate, _ = bind(tmp_path / "pier.toml", "15-perf-65")
        frames = finish(make_job(plan, plate, out=tmp_path / "out"), workers=1).frames
        assert names(frames) == {"repeated frame": (ODD,)}
        assert "in the footage" in flags_for(frames)[0].sentence

    def test_a_still_is_no_repeat(self, finished) -> None:
        frames = finished()
        still = {n: dataclasses.replace(frame, checks=frames[1001].checks) for n, frame in frames.items()}
        assert names(still) == {}

    def test_a_finished_frame_twice(self, finished, monkeypatch: pytest.MonkeyPatch) -> None:
        kept: dict[str, np.ndarray] = {}

        def stuck(number: int, rgb: np.ndarray) -> np.ndarray:
            kept["last"] = rgb if number != ODD else kept["last"]
            return kept["last"]

        stage_that(monkeypatch, stuck)
        frames = finished()
        assert names(frames) == {"repeated frame": (ODD,)}
        assert "though the footage differs" in flags_for(frames)[0].sentence


class TestOutputAndInput:
    def test_light_that_the_output_cannot_hold(self, finished) -> None:
        """Linear light above 1 fits an EXR and not a PNG."""
        frames = finished(overrides=("output.format=png16",))
        assert names(frames) == {"clipped by encoding": tuple(frames)}
        flag = flags_for(frames)[0]
        before = np.mean((scene()[0] > 1.0).any(axis=-1))
        assert 0.3 * before < flag.found < 2.0 * before

    def test_what_the_footage_had_clipped_already(self, finished, tmp_path: Path) -> None:
        """PNG in and out: the same light, clipped before it came, is no flag."""
        import imageio.v3 as iio

        finished()
        (tmp_path / "png").mkdir()
        for i in range(FRAMES):
            rgb = np.clip(1.4 * scene(pan_px=i)[0], 0.0, 1.0) ** (1 / 2.4)
            iio.imwrite(tmp_path / "png" / f"pier.{1001 + i}.png", np.rint(255.0 * rgb).astype(np.uint8))
        text = SHOT.replace("plates/pier.####.exr", "png/pier.####.png", 1).replace('"linear"', '"sRGB"')
        (tmp_path / "png.toml").write_text(text)
        plan, plate, _ = bind(tmp_path / "png.toml", "15-perf-65")
        frames = finish(make_job(plan, plate, out=tmp_path / "png_out"), workers=1).frames
        clipped = np.mean((1.4 * scene()[0] >= 1.0).any(axis=-1))
        assert clipped > 0.01
        assert names(frames) == {}

    def test_soft_depth(self, finished) -> None:
        def soft(_: int, rgb: np.ndarray, z: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
            stripes = np.where(np.arange(WIDTH) % 24 < 12, 1.2, 30.0)[None].repeat(HEIGHT, axis=0)
            return rgb, (1.0 / cv2.GaussianBlur(1.0 / stripes, (0, 0), 1.5)).astype(np.float32)

        assert "depth snapped in more than 5 %" in names(finished(soft))

    def test_depth_with_holes(self, finished) -> None:
        def holes(_: int, rgb: np.ndarray, z: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
            z = z.copy()
            z[:, 40:120] = np.nan
            return rgb, z

        assert set(names(finished(holes))) == {"depth unknown in more than 15 %"}

    def test_pixels_that_are_no_numbers(self, finished) -> None:
        def broken(number: int, rgb: np.ndarray, z: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
            rgb = rgb.copy()
            rgb[90:92, 100] = np.nan if number == ODD else rgb[90:92, 100]
            return rgb, z

        frames = finished(broken)
        assert names(frames) == {"healed pixels": (ODD,)}
        assert flags_for(frames)[0].found == 2

    @pytest.mark.parametrize("policy", ["hold", "black"])
    def test_a_frame_that_is_missing(self, finished, policy: str) -> None:
        text = SHOT.replace("[camera]", f'missing = "{policy}"\n\n[camera]')
        text = text.replace('[depth]\npath = "plates/pier.####.exr"', "[depth]\nconstant_m = 6.0")
        assert names(finished(text=text, but=(ODD,))) == {"frame missing": (ODD,)}

    def test_a_frame_that_was_mended(self, finished) -> None:
        frames = finished()
        frames[ODD] = dataclasses.replace(frames[ODD], mended="held from 1003: damaged", checks={}, source="")
        assert names(frames) == {"frame mended": (ODD,)}
        assert names({n: f for n, f in frames.items() if n != ODD}) == {}

    def test_a_record_without_checks(self, finished, tmp_path: Path) -> None:
        """As an older version wrote it: it still loads, its frames still hold, and a flag says that nobody looked."""
        import json

        finished()
        path = tmp_path / "out" / "pier.record.json"
        data = json.loads(path.read_text())
        for frame in data["frames"].values():
            del frame["checks"]
        path.write_text(json.dumps(data))
        plan, _, size = bind(tmp_path / "pier.toml", "15-perf-65")
        frames = open_record(path, plan, kind="exr-half", proxy=size).frames
        assert len(frames) == FRAMES
        assert names(frames) == {"not checked": tuple(frames)}


class TestNumbers:
    def test_mean_light_is_weighted_and_the_border_does_not_count(self) -> None:
        rgb = np.random.default_rng(1).uniform(0.0, 1.0, (60, 90, 3)).astype(np.float32)
        y, x = np.meshgrid((np.arange(60) + 0.5) / 60, (np.arange(90) + 0.5) / 90, indexing="ij")
        weights = (0.5 - 0.5 * np.cos(2 * math.pi * x)) * (0.5 - 0.5 * np.cos(2 * math.pi * y))
        wanted = (weights[..., None] * rgb).sum(axis=(0, 1), dtype=np.float64) / weights.sum()
        assert look_at_light(rgb, exposure_stops=0.0).light == pytest.approx(tuple(wanted), rel=1e-5)

    def test_detail_falls_with_blur_and_not_with_exposure(self) -> None:
        rgb, _ = scene()
        sharp, dim = look_at_light(rgb, exposure_stops=0.0), look_at_light(rgb / 4, exposure_stops=2.0)
        soft = look_at_light(cv2.GaussianBlur(rgb, (0, 0), 1.5), exposure_stops=0.0)
        assert dim.detail == pytest.approx(sharp.detail, rel=1e-4)
        assert all(b < 0.7 * a for a, b in zip(sharp.detail, soft.detail, strict=True))

    def test_a_large_picture_is_looked_at_in_cells(self) -> None:
        rgb = np.random.default_rng(2).uniform(0.0, 1.0, (61, 2002, 3)).astype(np.float32)
        found = look_at_light(rgb, exposure_stops=0.0)
        cells = rgb[:60, :2001].reshape(20, 3, 667, 3, 3).mean(axis=(1, 3))
        assert found.light == pytest.approx(look_at_light(cells, exposure_stops=0.0).light, rel=1e-5)

    def test_a_drift_is_not_strange_and_a_step_is_by_half(self) -> None:
        drift = np.arange(9.0)[:, None] * [0.3, -1.0]
        assert strangeness(drift) == pytest.approx(np.zeros((9, 2)), abs=1e-12)
        step = np.array([0.0, 0, 0, 0, 1, 1, 1, 1])[:, None]
        assert strangeness(step)[:, 0] == pytest.approx([0, 0, 0, -0.5, 0.5, 0, 0, 0])
        assert strangeness(np.array([[0.0], [5.0]])) == pytest.approx(np.zeros((2, 1)))

    @pytest.mark.parametrize("at", range(9))
    def test_one_odd_frame_is_found_where_it_is(self, at: int) -> None:
        drift = np.arange(9.0)[:, None] * 0.05
        drift[at] += 1.0
        odd = odd_ones(drift, np.full((9, 1), 0.1))
        assert list(odd) == [at]
        assert odd[at][0] == pytest.approx(1.0, abs=1e-9)

    def test_odd_frames_beside_one_another_in_a_short_shot_and_in_every_second(self) -> None:
        def odd(*values: float) -> list[int]:
            return list(odd_ones(np.array(values, dtype=float)[:, None], np.full((len(values), 1), 0.1)))

        assert odd(0, 0, 0, 1, 1, 0, 0, 0) == [3, 4]
        assert odd(0, 1, 0) == [1]
        assert odd(0, 1) == []
        assert odd() == []
        assert len(odd(*([0, 1] * 20))) >= 30
        assert odd(0, 0, 0, 0, 0, 1, 1, 1, 1, 1, 1) == [4, 5]
