"""Geometry against values worked by hand, and what a plan says."""

from __future__ import annotations

import json
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from conftest import SHOT, reference, write_exr
from widegauge.errors import SettingsError
from widegauge.plan import geometry, make_plan
from widegauge.plate import open_plate
from widegauge.presets import load_preset
from widegauge.shot import Camera, Footage, FramePlace, Lens, Shot, load_shot

TABLE = reference("geometry")


def _case(row: dict, tmp_path: Path):
    mine = tmp_path / "case.toml"
    mine.write_text(
        f'title = "case"\n[negative]\npicture_mm = {row["picture_mm"]}\nstop = "{row["negative_stop"]}"\n'
        f'stock = "fine-grain daylight"\n[framing]\nratio = "{row["ratio"]}"\nfit = "{row["fit"]}"\n'
    )
    shot = Shot(
        footage=Footage(path="x.####.exr", encoding="linear", primaries="sRGB"),
        camera=Camera(sensor_mm=tuple(row["sensor_mm"])),
        lens=Lens(
            focal_mm=row["focal_mm"],
            stop=row["stop"],
            transmittance=row.get("transmittance"),
            focal_reducer=row["focal_reducer"],
        ),
        frame=FramePlace(zoom=row.get("zoom", 1.0)),
    )
    return shot, load_preset(str(mine))


@pytest.mark.parametrize("row", TABLE["shot"], ids=lambda row: row["name"])
def test_both_sides_against_values_worked_by_hand(row: dict, tmp_path: Path) -> None:
    shot, preset = _case(row, tmp_path)
    camera, negative, raster = geometry(shot, preset, footage_px=tuple(row["footage_px"]))
    for side, wanted in ((camera, row["camera"]), (negative, row["negative"])):
        for key, value in wanted.items():
            found = getattr(side, key)
            assert found == pytest.approx(tuple(value) if isinstance(value, list) else value, abs=TABLE["tolerance"]), (
                key
            )
    assert 1000 * negative.width_mm / raster.exact_width_px == pytest.approx(row["pixel_um"], abs=TABLE["tolerance"])
    assert (
        abs(raster.width_px / raster.height_px - camera.width_mm / camera.height_mm) * raster.height_px
        <= 0.5 * (camera.width_mm / camera.height_mm) + 1e-9
    )


@pytest.mark.parametrize("row", TABLE["shot"], ids=lambda row: row["name"])
def test_a_proxy_keeps_every_physical_number(row: dict, tmp_path: Path) -> None:
    shot, preset = _case(row, tmp_path)
    full = geometry(shot, preset, footage_px=tuple(row["footage_px"]))
    small = geometry(shot, preset, footage_px=tuple(row["footage_px"]), proxy=0.25)
    assert small[:2] == full[:2]
    assert small[2].exact_width_px == pytest.approx(full[2].exact_width_px / 4)


def test_plan_json_holds_the_keys_that_others_rely_on(make_shot) -> None:
    shot = load_shot(make_shot(frames=1))
    plan = make_plan(open_plate(shot), load_preset("15-perf-65"))
    said = json.loads(json.dumps(plan.to_json(), allow_nan=False))
    assert said["camera"]["width_mm"] == pytest.approx(12.584)
    assert said["negative"]["entrance_pupil_mm"] == pytest.approx(17.715097403, abs=1e-6)
    assert said["depth_of_field_stops"] == pytest.approx(4.924818637, abs=1e-6)
    assert set(said["camera"]) == {
        "width_mm",
        "height_mm",
        "focal_mm",
        "stop",
        "entrance_pupil_mm",
        "angle_of_view_deg",
    }
    assert list(said["stages"]) == ["framing", "defocus", "mtf", "halation", "grain"]
    for rows in said["stages"].values():
        for row in rows:
            assert set(row) == {"quantity", "unit", "footage", "negative", "difference"}


def test_stages_are_planned_last_to_first_so_that_framing_keeps_their_overscan(make_shot) -> None:
    plan = make_plan(open_plate(load_shot(make_shot(frames=1))), load_preset("15-perf-65"))
    reach = {s.name: s.planned.reach_px for s in plan.stages if s.acts}
    framing = plan.stages[0].planned
    assert framing.raster.overscan_px == sum(reach[name] for name in reach if name != "framing")
    assert framing.raster.overscan_px > 0


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("sensor_mm = [13.2, 8.8]", "sensor_mm = [13.2, 9.9]", "its ratio 1.3333 is not that of the footage, 120 x 80"),
        ("distance_m = 4.2", "distance_m = 0.009", "focal length of 9 mm"),
        ("distance_m = 4.2", 'distance_m = 0.03\nfrom = "sensor"', "four focal lengths"),
    ],
)
def test_facts_that_contradict_are_refused(make_shot, old: str, new: str, said: str) -> None:
    shot = load_shot(make_shot(frames=1, text=SHOT.replace(old, new)))
    with pytest.raises(SettingsError, match=said):
        make_plan(open_plate(shot), load_preset("15-perf-65"))


def test_the_sensor_ratio_may_be_off_by_half_a_percent(make_shot) -> None:
    shot = load_shot(make_shot(frames=1, text=SHOT.replace("[13.2, 8.8]", "[23.5, 15.7]")))
    make_plan(open_plate(shot), load_preset("15-perf-65"))


def test_focus_at_a_point_is_read_from_the_first_frames_depth(make_shot) -> None:
    shot = load_shot(make_shot(frames=2, text=SHOT.replace("distance_m = 4.2", "point = [0.9, 0.5]")))
    plan = make_plan(open_plate(shot), load_preset("15-perf-65"))
    assert plan.setup.focus.distance_m(1002) == pytest.approx(1.5)


def test_a_note_when_eye_height_has_no_room(make_shot) -> None:
    for zoom, said in ((1.0, True), (1.5, False)):
        shot = load_shot(make_shot(frames=1, text=SHOT + f"[frame]\neye_height = 0.3\nzoom = {zoom}\n"))
        assert ("frame" in make_plan(open_plate(shot), load_preset("15-perf-65")).notes) is said


def test_the_shot_is_its_own_range_and_frames_are_a_part_of_it(make_shot, tmp_path: Path) -> None:
    """Handles without depth around the shot do not matter; a part asked for must lie inside the range."""
    text = SHOT.replace("[camera]", 'frames = "1002-1003"\n\n[camera]').replace(
        "distance_m = 4.2", "point = [0.9, 0.5]"
    )
    text = text.replace('[depth]\npath = "plates/', '[depth]\npath = "depth/')
    path = make_shot(frames=4, text=SHOT)
    (tmp_path / "depth").mkdir()
    for number in (1002, 1003):
        (tmp_path / "depth" / f"pier.{number}.exr").write_bytes(
            (tmp_path / "plates" / f"pier.{number}.exr").read_bytes()
        )
    path.write_text(text)
    shot = load_shot(path)
    plate = open_plate(shot, frames="1003")
    assert plate.numbers == (1002, 1003)
    assert make_plan(plate, load_preset("15-perf-65")).setup.focus.distance_m(1003) == pytest.approx(1.5)
    with pytest.raises(SettingsError, match="1004 lies outside the shot file's own range, 1002-1003"):
        open_plate(shot, frames="1003-1004")
    (tmp_path / "depth" / "pier.1002.exr").unlink()
    with pytest.raises(SettingsError, match="no depth map for frame 1002"):
        open_plate(shot, frames="1003")


@pytest.mark.parametrize(("unit", "said"), [(1.0, False), (1000.0, True), (0.001, True)])
def test_a_wrong_unit_of_depth_is_noticed(make_shot, unit: float, said: bool) -> None:
    shot = load_shot(make_shot(frames=1, text=SHOT + f"metres_per_unit = {unit}\n"))
    notes = make_plan(open_plate(shot), load_preset("15-perf-65")).notes
    assert ("metres_per_unit" in notes.get("depth", "")) is said


@pytest.mark.parametrize(("proxy", "said"), [(Fraction(1), "4 x 4"), (Fraction(1, 2), "2 x 2"), (Fraction(1, 4), "")])
def test_maps_smaller_than_the_picture_are_said(make_shot, tmp_path: Path, proxy: Fraction, said: str) -> None:
    path = make_shot(frames=1)
    z = np.full((20, 30), 5.0, np.float32)
    write_exr(tmp_path / "depth.1001.exr", np.zeros((20, 30, 3), np.float32), z=z)
    path.write_text(SHOT.replace('[depth]\npath = "plates/pier', '[depth]\npath = "depth'))
    plan = make_plan(open_plate(load_shot(path)), load_preset("15-perf-65"), proxy=proxy)
    assert plan.notes.get("depth", "") == (said and f"a map's pixel covers {said}: edges are as coarse")
