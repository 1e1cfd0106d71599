"""Shot files: every mistake at once, each with file, key, value, rule and remedy."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from conftest import SHOT
from widegauge.errors import SettingsError
from widegauge.shot import load_shot


def _mistakes(make_shot, text: str) -> dict[str, str]:
    with pytest.raises(SettingsError) as caught:
        load_shot(make_shot(frames=1, text=text))
    for mistake in caught.value.mistakes:
        assert mistake.file.endswith("pier.toml")
        assert mistake.rule
        assert mistake.remedy
    return {m.key: str(m) for m in caught.value.mistakes}


def test_the_facts_of_a_shot(make_shot) -> None:
    shot = load_shot(make_shot(frames=1))
    assert shot.name == "pier"
    assert shot.lens.f_number_behind_reducer == 2.8
    assert shot.focus is not None
    assert shot.focus.pull_m(9.0, None).distance_m(5) == 4.2


def test_all_mistakes_at_once(make_shot) -> None:
    """The issue's list: unknown key, wrong type, out of range, missing file, pull out of order, reducer of 0."""
    text = (
        SHOT.replace('path = "plates/pier.####.exr"\nencoding', 'path = "nowhere/pier.####.exr"\nencoding')
        .replace("sensor_mm = [13.2, 8.8]", 'sensor_mm = [13.2, 8.8]\nrig_kgs = 2.0\nmtf50_cpp = "sharp"')
        .replace('stop = "f/2.8"', 'stop = "T2.8"\nfocal_reducer = 0.0')
        .replace("distance_m = 4.2", "pull = [[1005, 4.2], [1001, 2.0]]")
        .replace('encoding = "linear"', 'encoding = "V-Logg"')
    )
    found = _mistakes(make_shot, text)
    assert set(found) == {
        "footage.path",
        "footage.encoding",
        "camera.mtf50_cpp",
        "camera.rig_kgs",
        "lens.transmittance",
        "lens.focal_reducer",
        "focus.pull",
    }
    assert "nothing is there" in found["footage.path"]
    assert 'did you mean "rig_kg"' in found["camera.rig_kgs"]
    assert "V-Log" in found["footage.encoding"]
    assert "rising order (1001 after 1005)" in found["focus.pull"]
    assert "must be above 0" in found["lens.focal_reducer"]


@pytest.mark.parametrize(
    ("old", "new", "key", "said"),
    [
        ('stop = "f/2.8"', 'stop = "2.8"', "lens.stop", "f/2.8"),
        ("focal_mm = 9.0", "", "lens.focal_mm", "is required"),
        ("focal_mm = 9.0", "focal_mm = inf", "lens.focal_mm", "finite"),
        ("distance_m = 4.2", "distance_m = 4.2\npoint = [0.5, 0.5]", "focus.point", "one of"),
        ("distance_m = 4.2", "", "focus.point", "one of"),
        ('[depth]\npath = "plates/pier.####.exr"', "[depth]", "depth.constant_m", "one of"),
        ("[depth]", '[depth]\nkind = "inverse"', "depth.taped", "two or more taped"),
        ("[depth]", '[depth]\nkind = "disparity"', "depth.offset_px", "baseline_m"),
        ("[depth]", '[depth]\nkind = "far"', "depth.kind", "distance"),
        ('encoding = "linear"', 'encoding = "linear"\nframes = "9-1"', "footage.frames", "1001-1048"),
        ('encoding = "linear"', 'encoding = "linear"\nrate = "fast"', "footage.rate", "24"),
        ('encoding = "linear"', 'encoding = "linear"\nhighlight_stops = 2.0', "footage.highlight_stops", "clip_linear"),
        ('encoding = "linear"', 'encoding = "linear"\nrange = "legal"', "footage.range", "no legal range"),
        ("ITU-R BT.709", "ITU-R BT.700", "footage.primaries", "ITU-R BT.709"),
        ('noise = "none"', "noise = [[0.2, 0.1], [0.1, 0.1]]", "camera.noise", "rising"),
        ("sensor_mm = [13.2, 8.8]", "sensor_mm = [13.2, 8.8]\nmtf = [[0.0, 0.9]]", "camera.mtf", "start at"),
        ("[footage]", "[footages]", "footages", 'did you mean "footage"'),
    ],
)
def test_each_rule(make_shot, old: str, new: str, key: str, said: str) -> None:
    found = _mistakes(make_shot, SHOT.replace(old, new))
    matching = [text for k, text in found.items() if k == key or k.startswith(key + ".")]
    assert matching, found
    assert said in " ".join(matching)


def test_a_missing_file_and_broken_toml(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match="no such file"):
        load_shot(tmp_path / "none.toml")
    broken = tmp_path / "broken.toml"
    broken.write_text("[footage\n")
    with pytest.raises(SettingsError, match="line 1"):
        load_shot(broken)


def test_infinity_is_a_legal_focus(make_shot) -> None:
    shot = load_shot(make_shot(frames=1, text=SHOT.replace("distance_m = 4.2", "distance_m = inf")))
    assert shot.focus is not None
    assert math.isinf(shot.focus.pull_m(9.0, None).distance_m(1))


def test_focus_nearer_than_the_focal_length_is_refused(make_shot) -> None:
    shot = load_shot(make_shot(frames=1, text=SHOT.replace("distance_m = 4.2", "distance_m = 0.005")))
    assert shot.focus is not None
    with pytest.raises(ValueError, match="focal length"):
        shot.focus.pull_m(9.0, None)
