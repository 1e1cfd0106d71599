"""Presets: layered, explained, checked; formats against the standards' arithmetic."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner
from widegauge.cli import main
from widegauge.errors import SettingsError
from widegauge.presets import formats, load_preset, preset_names, schema, stocks
from widegauge.stages import ORDER

PERFORATION_PITCH_MM = 4.75
"""Long pitch, 0.1870 in (SMPTE 102-2002 for 35 mm, SMPTE ST 119:2011 for 70 mm)."""


@pytest.mark.parametrize("name", preset_names())
def test_every_preset_that_comes_with_the_program_is_good(name: str) -> None:
    preset = load_preset(name)
    assert preset.negative.area_mm[0] > 0
    assert preset.stage("grain") is not None


def test_the_formats_that_the_same_shot_can_be_seen_on() -> None:
    named = {load_preset(name).negative.format for name in preset_names()}
    assert {"15-perf 65 mm", "5-perf 65 mm", "8-perf 35 mm", "4-perf 35 mm", "Super 16"} <= named


def test_the_tall_ratio_belongs_to_the_projected_area() -> None:
    """SMPTE ST 419M-2005 (title) for the projected area; the camera aperture's ratio is 1.338."""
    tall = formats()["15-perf 65 mm"]
    assert tall.picture_mm[0] / tall.picture_mm[1] == pytest.approx(1.435, abs=0.0005)
    assert tall.camera_mm[0] / tall.camera_mm[1] == pytest.approx(1.338, abs=0.0005)
    assert tall.picture_mm[0] * tall.picture_mm[1] == pytest.approx(3375.6, abs=0.1)


@pytest.mark.parametrize("name", sorted(formats()))
def test_a_frame_fits_its_film(name: str) -> None:
    form = formats()[name]
    if form.gauge_mm >= 35:
        assert form.pitch_mm == pytest.approx(form.perforations * PERFORATION_PITCH_MM)
    along, across = form.camera_mm if form.horizontal else form.camera_mm[::-1]
    assert along <= form.pitch_mm
    assert across < form.gauge_mm
    assert form.picture_mm[0] <= form.camera_mm[0]
    assert form.picture_mm[1] <= form.camera_mm[1]


@pytest.mark.parametrize(
    ("name", "times"),
    # "more than three times" 5-perf 65 and "ten times" the sound frame of 35 mm: doi 10.4324/9780080517414-20
    [("5-perf 65 mm", 3.07), ("8-perf 35 mm", 3.94), ("4-perf 35 mm", 7.98), ("4-perf 35 mm sound", 10.6)],
)
def test_areas_against_the_largest_camera_aperture(name: str, times: float) -> None:
    large, other = formats()["15-perf 65 mm"].camera_mm, formats()[name].camera_mm
    assert large[0] * large[1] / (other[0] * other[1]) == pytest.approx(times, abs=0.06)


@pytest.mark.parametrize(
    "name", ["fine-grain daylight", "medium-speed daylight", "medium-speed tungsten", "high-speed tungsten"]
)
def test_the_stocks_are_there(name: str) -> None:
    assert stocks()[name].title


def test_a_preset_builds_on_another(tmp_path: Path) -> None:
    mine = tmp_path / "mine.toml"
    mine.write_text('title = "mine"\nextends = "15-perf-65"\n[negative]\nstop = "f/4"\n[grain]\nstrength = 0.5\n')
    preset, base = load_preset(str(mine)), load_preset("15-perf-65")
    assert preset.negative.stop == "f/4"
    assert preset.negative.stock == base.negative.stock
    assert preset.stage("grain").strength == 0.5
    assert preset.stage("grain").seed == base.stage("grain").seed


def test_a_preset_may_replace_the_format_by_a_size(tmp_path: Path) -> None:
    mine = tmp_path / "mine.toml"
    mine.write_text('title = "mine"\nextends = "15-perf-65"\n[negative]\npicture_mm = [36.0, 24.0]\n')
    assert load_preset(str(mine)).negative.area_mm == (36.0, 24.0)


def test_a_circle_of_presets_is_refused(tmp_path: Path) -> None:
    (tmp_path / "a.toml").write_text('extends = "b"\n')
    (tmp_path / "b.toml").write_text('extends = "a"\n')
    with pytest.raises(SettingsError, match="circle"):
        load_preset(str(tmp_path / "a.toml"))


def test_a_stage_left_out_is_off(tmp_path: Path) -> None:
    mine = tmp_path / "mine.toml"
    mine.write_text(
        'title = "mine"\n[negative]\nformat = "Super 16"\nstop = "f/2"\nstock = "fine-grain daylight"\n[mtf]\n'
    )
    preset = load_preset(str(mine), overrides=["mtf.enabled=false"])
    assert [stage.name for stage in ORDER if preset.stage(stage.name) is not None] == []


def test_overrides_reach_any_key() -> None:
    preset = load_preset("15-perf-65", overrides=["grain.strength=0.25", "negative.stop=f/4", 'framing.ratio="1.85"'])
    assert preset.stage("grain").strength == 0.25
    assert preset.negative.stop == "f/4"
    assert preset.stage("framing").ratio == "1.85"
    assert load_preset("15-perf-65", overrides=["framing.ratio=2.39"]).stage("framing").ratio == "2.39"


def test_what_a_scan_resolves_is_one_more_mtf() -> None:
    """Common practice, no source: a 15-perf frame scanned at 11K resolves about 6K, 44 cycles/mm at a tenth."""
    negative = load_preset("15-perf-65", overrides=["negative.scan_resolves_px=6144"]).negative
    mtf50_cpmm = negative.scan_cpmm
    assert 2.0 ** -((6144 / 2 / 69.6 / mtf50_cpmm) ** 2) == pytest.approx(0.1)
    assert load_preset("15-perf-65").negative.scan_cpmm == 60.0


def test_all_mistakes_at_once() -> None:
    with pytest.raises(SettingsError) as caught:
        load_preset(
            "15-perf-65",
            overrides=[
                "grain.strenght=1",
                "mtf.strength=2.0",
                "negative.stock=fine grain daylight",
                "negative.stop=T2",
                "nonsense",
            ],
        )
    found = {m.key: str(m) for m in caught.value.mistakes}
    assert set(found) == {"nonsense", "grain.strenght", "mtf.strength", "negative.stock", "negative.stop"}
    assert 'did you mean "strength"' in found["grain.strenght"]
    assert 'did you mean "fine-grain daylight"' in found["negative.stock"]
    assert found["mtf.strength"].startswith("--set: mtf.strength = 2.0: must be at most 1")


def test_an_unknown_preset_is_answered_with_the_nearest() -> None:
    with pytest.raises(SettingsError, match='did you mean "15-perf-65"'):
        load_preset("15-perf-56")


def test_the_schema_of_a_shot_explains_its_keys() -> None:
    done = CliRunner().invoke(main, ["presets", "schema", "--shot"])
    footage = json.loads(done.stdout)["$defs"]["Footage"]["properties"]
    assert footage["exposure_stops"]["description"] == "gain after which 0.18 is mid-grey"
    assert all("description" in key for key in footage.values())


def test_the_schema_names_every_stage() -> None:
    drawn = schema()["properties"]
    assert {stage.name for stage in ORDER} | {"title", "extends", "negative", "view", "output"} == set(drawn)
