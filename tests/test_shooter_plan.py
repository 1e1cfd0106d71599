"""What `widegauge plan` answers with and without a shot file, and the set-up sheet."""

from __future__ import annotations

import json
import math
import shlex
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from conftest import CHECKOUT, SHOT, read_exr, reference
from paraxial.sources import Ray
from paraxial.surfaces import ThinLens, Transfer
from widegauge.cli import main

SAMPLE = CHECKOUT / "sample_frames" / "landing.toml"
HIRE = [
    "--sensor",
    "23.5x15.7",
    "--focal",
    "24",
    "--stop",
    "T1.5",
    "--transmittance",
    "0.88",
    "--focal-reducer",
    "0.71",
    "--focus",
    "4.2",
]
FORMAT = ["--format", "15-perf 65 mm", "--negative-stop", "f/2.8"]
SET = ["--camera-height", "1.4", "--tilt", "-3"]


def ask(*words: object) -> Result:
    return CliRunner().invoke(main, ["plan", *map(str, words)])


def told(*words: object) -> dict:
    result = ask(*words, "--json")
    assert result.exit_code == 0, result.output
    return json.loads(result.stdout)


def test_options_alone_give_the_plan_worked_by_hand() -> None:
    said = told(*HIRE, *FORMAT)
    row = next(row for row in reference("geometry")["shot"] if row["name"] == "T-stop and focal reducer")
    for side in ("camera", "negative"):
        for key, value in row[side].items():
            assert said[side][key] == pytest.approx(value, abs=1e-6)
    assert said["depth_of_field_stops"] == pytest.approx(row["depth_of_field_stops"], abs=1e-6)
    assert said["picture_px"] == [3668, 2565]
    assert set(said["stages"]) == {"framing", "defocus", "mtf", "halation", "grain"}


def test_the_plans_blur_is_that_of_traced_rays() -> None:
    """Blur radius at infinity in pixels, from the plan's own sides, through the library's matrices."""
    said = told(*HIRE)
    row = next(row for row in said["stages"]["defocus"] if row["unit"] == "px")
    camera = said["camera"]
    ahead = ThinLens(camera["focal_mm"]) @ Transfer(4200.0) @ Ray(y=0.0, u=1e-3)
    system = Transfer(-ahead.y / ahead.u) @ ThinLens(camera["focal_mm"])
    per_mm = 1000.0 * said["negative"]["width_mm"] / said["pixel_um"] / camera["width_mm"]
    for side, found in (("camera", row["footage"]), ("negative", row["negative"])):
        landed = abs((system @ Ray(y=said[side]["entrance_pupil_mm"] / 2.0, u=0.0)).y)
        assert found == pytest.approx(landed * per_mm, rel=1e-9)


def test_a_file_and_the_same_options_agree(make_shot) -> None:
    """Geometry and depth of field are one computation, from a file as from options."""
    path = make_shot(frames=1, text=SHOT + "[set]\ncamera_height_m = 1.3\ntilt_deg = -5.5\n")
    options = [
        "--sensor",
        "13.2x8.8",
        "--focal",
        "9",
        "--stop",
        "f/2.8",
        "--focus",
        "4.2",
        "--width",
        "120",
        "--camera-height",
        "1.3",
        "--tilt",
        "-5.5",
    ]
    by_file, by_options = told(path), told(*options)
    for key in ("camera", "negative", "depth_of_field", "ground", "focus_marks", "pixel_um", "reads_as_scale"):
        assert by_file[key] == by_options[key], key


def test_options_take_the_place_of_what_the_file_says(make_shot) -> None:
    path = make_shot(frames=1, text=SHOT.replace("distance_m = 4.2", "pull = [[1001, 4.2], [1003, 2.0]]"))
    assert [mark["focus_m"] for mark in told(path)["focus_marks"]] == [4.2, 2.0]
    said = told(path, "--focus", 3, "--focal", 18, "--negative-stop", "f/4")
    assert [mark["focus_m"] for mark in said["focus_marks"]] == [3.0]
    assert said["camera"]["focal_mm"] == 18.0
    assert said["negative"]["stop"] == 4.0


@pytest.mark.parametrize(
    ("words", "wanted"),
    [
        ([], ["--sensor: is required", "--focal: is required", "--stop: is required"]),
        (["--sensor", "23.5", "--focal", 24, "--stop", "f/2"], ['--sensor = "23.5"', "23.5x15.7"]),
        (["--sensor", "23.5x15.7", "--focal", -24, "--stop", "2"], ["--focal = -24.0", '--stop = "2"']),
        (["--sensor", "23.5x15.7", "--focal", 24, "--stop", "T1.5"], ["--transmittance", "required with T1.5"]),
        ([*HIRE[:-1], 0.016], ["--focus", "nearer than the focal length of 17.04 mm"]),
        ([*HIRE, "--format", "15-perf 66 mm"], ["negative.format", 'did you mean "15-perf 65 mm"']),
        ([*HIRE, "--model", "25:1"], ["--model", "1:25"]),
        ([*HIRE, "--rate", "x"], ["--rate"]),
        ([*HIRE, "--proxy", "1/4"], ["--proxy", "--width"]),
        ([SAMPLE, "--rate", "24", "--width", 100], ["--rate", "--width", "shot file"]),
        (["--sensor", "23.5x15.7", "--negative-focal", -3], ["--negative-focal"]),
        ([*HIRE, "--negative-focal", 80], ["--focal", "--stop", "stands beside --negative-focal"]),
    ],
)
def test_mistakes_are_named_by_option_all_at_once(words: list, wanted: list[str]) -> None:
    result = ask(*words)
    assert result.exit_code == 2
    for text in wanted:
        assert text in result.stderr


# -- depth of field and limits


def test_both_depths_of_field() -> None:
    """Near and far as the published formulae give them, hyperfocal and total beside them."""
    said = told(*HIRE)
    for side in ("camera", "negative"):
        found, f_m = said["depth_of_field"][side], said[side]["focal_mm"] / 1000.0
        assert found["confusion_mm"] == pytest.approx(said[side]["width_mm"] / 980.0, rel=1e-12)
        h_m = (said[side]["focal_mm"] ** 2 / said[side]["stop"] / found["confusion_mm"]) / 1000.0 + f_m
        assert found["hyperfocal_m"] == pytest.approx(h_m, rel=1e-12)
        assert found["near_m"] == pytest.approx(4.2 * (h_m - f_m) / (h_m + 4.2 - 2.0 * f_m), rel=1e-12)
        assert found["far_m"] == pytest.approx(4.2 * (h_m - f_m) / (h_m - 4.2), rel=1e-12)
        assert found["total_m"] == pytest.approx(found["far_m"] - found["near_m"], rel=1e-12)


def test_too_few_pixels_and_enough() -> None:
    """A raster above twice the negative's cycles across the picture has pixels enough."""
    few, many = told(*HIRE)["limits"], told(*HIRE, "--width", 16000)["limits"]
    assert any(text.startswith("Pixels: too few") for text in few)
    assert any(text.startswith("Pixels: enough") for text in many)
    assert any("finer than the negative's" in text for text in many)
    assert any("already softer" in text for text in few)


def test_share_of_the_negatives_cycles() -> None:
    """Half the pixels hold half the share: 1834 cycles of 36 %, 917 of 18 %."""
    shares = [
        float(text.split(" % of them")[0].split()[-1])
        for width in (3840, 1920)
        for text in told(*HIRE, "--width", width)["limits"]
        if "too few" in text
    ]
    assert shares[0] == pytest.approx(2.0 * shares[1], abs=1.0)


# -- the other way round


def test_matching_lenses_have_the_negatives_view_and_pupil() -> None:
    said = told(*HIRE, "--match", "--reducer", 0.58)
    assert [row["reducer"] for row in said["match"]] == [1.0, 0.71, 0.64, 0.58]
    for row in said["match"]:
        assert row["focal_mm"] * row["reducer"] == pytest.approx(said["camera"]["focal_mm"], rel=1e-9)
        assert row["focal_mm"] / row["stop"] == pytest.approx(said["negative"]["entrance_pupil_mm"], rel=1e-9)
        # T = N / sqrt(tau) (Wikipedia, "f-number")
        assert row["t_number"] == pytest.approx(row["stop"] / math.sqrt(0.88), rel=1e-9)
        short = 2.0 * math.log2(row["full_stop"] / row["stop"])
        assert row["short_stops"] == pytest.approx(short, abs=1e-9)
        assert abs(short) <= 0.5 or row["mark"] == "f/1"
        assert row["blur_frac"] / row["wanted_frac"] == pytest.approx(2.0 ** (-short / 2.0), rel=1e-9)
        assert row["is_rare"] is (row["stop"] < 0.95)


def test_setting_what_match_says_leaves_nothing_short() -> None:
    for row in told(*HIRE, "--match")["match"]:
        words = ["--sensor", "23.5x15.7", "--focal", row["focal_mm"], "--stop", f"f/{row['stop']:.12f}"]
        said = told(*words, "--focal-reducer", row["reducer"], "--focus", 4.2)
        assert said["depth_of_field_stops"] == pytest.approx(0.0, abs=1e-9)
        assert said["negative"]["focal_mm"] == pytest.approx(52.639490446, abs=1e-6)


def test_a_full_stop_nobody_makes_is_not_offered() -> None:
    """On a small sensor the exact stop is f/0.51: the fastest full stop is f/1, two stops short."""
    said = told(*["--sensor", "13.2x8.8", "--focal", "9", "--stop", "f/2.8", "--focus", "4.2", "--match"])
    first = said["match"][0]
    assert first["stop"] == pytest.approx(9.0 / 17.715097403, abs=1e-6)
    assert (first["mark"], first["is_rare"]) == ("f/1", True)
    assert "lenses are rare" in ask(*["--sensor", "13.2x8.8", "--focal", "9", "--stop", "f/2.8", "--match"]).stdout


def test_starting_from_the_negatives_lens() -> None:
    """80 mm at f/4 on 70.41 mm is 19.66 mm at f/0.983 on 17.3 mm (tests/test_lens.py, test_equivalence)."""
    said = told(
        "--sensor", "17.3x13", "--negative-focal", 80, "--negative-stop", "f/4", "--set", "negative.picture_mm=[70.41,52.63]",
        "--set", 'framing.ratio="1.3308"',
    )  # fmt: skip
    assert said["negative"]["focal_mm"] == pytest.approx(80.0, rel=1e-9)
    assert said["camera"]["focal_mm"] == pytest.approx(80.0 * 17.3 / said["negative"]["width_mm"], rel=1e-9)
    assert said["camera"]["focal_mm"] == pytest.approx(19.66, rel=0.006)
    assert said["depth_of_field_stops"] == pytest.approx(0.0, abs=1e-6)


def test_a_reducer_behind_a_long_lens_on_a_small_format() -> None:
    """A tele on Super 16, a reducer behind it: the numbers follow, nothing is refused."""
    said = told(
        *[
            "--sensor",
            "23.5x15.7",
            "--focal",
            "300",
            "--stop",
            "f/2.8",
            "--focal-reducer",
            "0.71",
            "--focus",
            "40",
            "--match",
            "--preset",
            "super-16",
        ]
    )
    assert said["camera"]["focal_mm"] == pytest.approx(213.0)
    assert said["depth_of_field_stops"] < 0.0
    assert any("already shallower" in text for text in said["limits"])
    assert all(row["stop"] > 0.0 for row in said["match"])


# -- the floor


def test_the_bottom_of_the_frame_against_the_ray_traced_depth_of_the_sample_frames() -> None:
    """Depth in the middle of the lowest row, boards of the landing, ray-traced by sample_frames/make_scene.py."""
    said = told(SAMPLE)
    depth_m = read_exr(SAMPLE.parent / "plates" / "landing_010.1001.exr", "Z")
    # the lowest row's middle lies half a pixel inside the edge; depth goes as one over the slope of the ray
    rows = depth_m[[-1, -2], 700:900].mean(axis=1)
    edge_m = 1.0 / (1.5 / rows[0] - 0.5 / rows[1])
    assert said["ground"][0]["axis_m"] == pytest.approx(edge_m, rel=1e-3)


def test_wider_frames_meet_the_ground_farther_away() -> None:
    rows = told(*HIRE, *SET)["ground"]
    assert [row["ratio"] for row in rows] == [1.43, 1.66, 1.85, 2.39]
    distances = [row["ground_m"] for row in rows]
    assert distances == sorted(distances)
    for row in rows:
        assert row["negative_frac"] / row["camera_frac"] == pytest.approx(18.799818016 / 17.056057308, rel=1e-6)
        assert (row["camera_frac"] < 0.0) is (row["axis_m"] < 4.2)


def test_only_wider_frames_are_cut_and_looking_up_meets_nothing() -> None:
    said = told(*HIRE, *SET, "--set", 'framing.ratio="1.85"')
    assert [row["ratio"] for row in said["ground"]] == [1.85, 2.39]
    up = ask(*HIRE, "--camera-height", 1.4, "--tilt", 30)
    assert up.exit_code == 0
    assert "never: it looks at or above the horizon" in up.stdout


def test_a_low_crop_looks_nearer(make_shot) -> None:
    """The part of the plate that is kept decides, not the plate's middle."""
    at = {}
    for place in (0.0, 1.0):
        text = (
            SHOT
            + f"[set]\ncamera_height_m = 1.3\ntilt_deg = -5.5\n[frame]\nzoom = 1.5\ncrop_position = [0.5, {place}]\n"
        )
        at[place] = told(make_shot(frames=1, text=text))["ground"][0]["ground_m"]
    assert at[1.0] < at[0.0]


# -- models


def test_a_wide_open_negative_reads_as_a_model() -> None:
    """The pupil of f/1.4 on 15-perf is 11 times that of f/5.6 on 4-perf 35: 69.355 / 24.89 x 4."""
    said = told(*HIRE, "--negative-stop", "f/1.4")
    assert said["reads_as_scale"]["finished"] == pytest.approx(69.355 / 24.89 * 4.0, rel=1e-9)
    assert said["reads_as_scale"]["is_model"] is True
    text = ask(*HIRE, "--negative-stop", "f/1.4").stdout
    assert "will read as a model of about 1:11" in text
    # the stop that it names is below the limit
    calm = text.split(" on the negative keeps it below")[0].split("f/")[-1]
    assert told(*HIRE, "--negative-stop", f"f/{calm}")["reads_as_scale"]["is_model"] is False


def test_the_usual_negative_does_not_and_neither_does_a_far_view() -> None:
    assert told(*HIRE)["reads_as_scale"]["is_model"] is False
    far = told(*HIRE[:-1], "inf", "--negative-stop", "f/1.4")
    assert far["reads_as_scale"]["soft"] is False
    assert far["reads_as_scale"]["is_model"] is False
    # the same with the ground in the picture: its nearest edge is soft
    ground = told(*HIRE[:-1], "inf", "--negative-stop", "f/1.4", *SET)
    assert ground["reads_as_scale"]["is_model"] is True


def test_shooting_a_model() -> None:
    """1:25 at 24 frames a second is 120 (references/shooter.toml, model_rate); focus comes 25 times as near."""
    said = told(*HIRE, "--model", "1:25", "--rate", "24")["model"]
    assert said["rate"] == pytest.approx(120.0)
    assert said["focus_m"] == pytest.approx(4.2 / 25.0)
    assert said["focal_mm"] / said["stop"] == pytest.approx(18.799818016 / 25.0, rel=1e-6)
    widths = [width for _, width in said["widths_mm"]]
    assert widths == sorted(widths)


# -- cases


def test_a_pupil_larger_than_the_negatives_adds_nothing() -> None:
    result = ask(*["--sensor", "36x24", "--focal", "85", "--stop", "f/1.2", "--focus", "3", "--negative-stop", "f/5.6"])
    assert "stops shallower than the negative would be; nothing can be added" in result.stdout
    assert "already shallower" in result.stdout
    assert "defocus: nothing to add" in result.stdout


def test_focus_beyond_hyperfocal_and_at_infinity() -> None:
    beyond = told(*HIRE[:-1], 30)["depth_of_field"]
    assert beyond["camera"]["far_m"] is None
    assert beyond["camera"]["total_m"] is None
    assert beyond["camera"]["near_m"] < beyond["camera"]["hyperfocal_m"]
    far = told(*HIRE[:-1], "inf", *SET)
    f_m = far["camera"]["focal_mm"] / 1000.0
    assert far["depth_of_field"]["camera"]["near_m"] == pytest.approx(
        far["depth_of_field"]["camera"]["hyperfocal_m"] - f_m, rel=1e-12
    )
    assert far["ground"][0]["camera_frac"] < 0.0


def test_without_focus_the_rest_is_answered() -> None:
    said = told(
        *[
            "--sensor",
            "24.89x18.67",
            "--focal",
            "35",
            "--stop",
            "f/2",
            "--match",
            "--camera-height",
            "1.5",
            "--tilt",
            "-10",
        ]
    )
    assert said["focus_marks"] == []
    assert said["depth_of_field"]["camera"]["near_m"] is None
    assert said["ground"][0]["camera_frac"] is None
    assert said["match"][0]["blur_frac"] is None


def test_what_the_readme_says_of_planning_ahead(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The command runs as it stands there, and writes the page."""
    monkeypatch.chdir(tmp_path)
    block = (CHECKOUT / "README.md").read_text().split("<!-- ahead -->\n```sh\n")[1].split("```")[0]
    program, *words = shlex.split(block)
    assert program == ".venv/bin/widegauge"
    assert CliRunner().invoke(main, words).exit_code == 0
    assert (tmp_path / "pier.html").stat().st_size < 100_000
