"""The set-up sheet: one whole page that loads nothing, says what the plan says, and is drawn to scale."""

from __future__ import annotations

import itertools
from html.parser import HTMLParser
from pathlib import Path
from xml.etree import ElementTree

import pytest
from conftest import SHOT
from test_shooter_plan import HIRE, SAMPLE, SET, ask, told


class _Page(HTMLParser):
    """Collects what a page would load, and checks that its tags close in order."""

    VOID = frozenset({"meta", "link", "img", "br"})

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.loads: list[str] = []

    def handle_starttag(self, tag: str, attrs: list) -> None:
        self.loads += [value for name, value in attrs if name in {"src", "href", "srcset", "data"}]
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list) -> None:
        self.handle_starttag(tag, attrs)
        self.handle_endtag(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


SHEETS = {
    "sample": [SAMPLE],
    "all": [*HIRE, *SET, "--match", "--model", "1:25", "--title", 'Pier, <dawn> & "fog"'],
    "infinity": [*HIRE[:-1], "inf", *SET],
    "close": [
        "--sensor",
        "23.5x15.7",
        "--focal",
        "50",
        "--stop",
        "f/1.4",
        "--focus",
        "0.3",
        "--camera-height",
        "0.5",
        "--tilt",
        "-30",
    ],
    "larger pupil, steep": [
        "--sensor",
        "36x24",
        "--focal",
        "85",
        "--stop",
        "f/1.2",
        "--focus",
        "3",
        "--negative-stop",
        "f/5.6",
        "--camera-height",
        "12",
        "--tilt",
        "-60",
    ],
    "beyond hyperfocal": [*HIRE[:-1], 30, "--camera-height", 8, "--tilt", -8],
    "no focus": ["--sensor", "24.89x14", "--focal", "35", "--stop", "f/2"],
    "looking up": [*HIRE, "--camera-height", 1.4, "--tilt", 30],
    "pad": [*HIRE, *SET, "--set", 'framing.ratio="2.39"', "--set", "framing.fit=pad"],
    "tele": [
        "--sensor",
        "13.2x8.8",
        "--focal",
        "300",
        "--stop",
        "f/4",
        "--focus",
        "80",
        "--camera-height",
        "2",
        "--tilt",
        "0",
    ],
}


def _sheet(words: list, folder: Path) -> str:
    result = ask(*words, "--sheet", folder / "sheet.html")
    assert result.exit_code == 0, result.output
    return (folder / "sheet.html").read_text(encoding="utf-8")


def _drawings(page: str) -> list[ElementTree.Element]:
    return [ElementTree.fromstring("<svg" + part.split("</svg>")[0] + "</svg>") for part in page.split("<svg")[1:]]


@pytest.mark.parametrize("name", SHEETS)
def test_the_sheet_is_one_whole_page(name: str, tmp_path: Path) -> None:
    """It closes its tags, loads nothing, names no address, and no label of its drawings is cut off or covers another."""
    page = _sheet(SHEETS[name], tmp_path)
    parser = _Page()
    parser.feed(page)
    assert parser.open == []
    assert parser.loads == []
    assert "http" not in page
    assert "@import" not in page
    assert list(tmp_path.iterdir()) == [tmp_path / "sheet.html"]
    _labels_fit(page)


def _labels_fit(page: str) -> None:
    """No level label of the two drawings is cut off, and none covers another."""
    drawings = _drawings(page)
    assert len(drawings) == 2
    for svg in drawings:
        _, _, width, height = (float(number) for number in svg.get("viewBox").split())
        patches = []
        for patch in svg.iter("rect"):
            if patch.get("class") == "paper" and not patch.get("transform"):
                x, y, w, h = (float(patch.get(key)) for key in ("x", "y", "width", "height"))
                assert min(x, y) >= -2.0
                assert x + w <= width + 2.0
                assert y + h <= height + 2.0
                patches.append((x, y, x + w, y + h))
        for (ax0, ay0, ax1, ay1), (bx0, by0, bx1, by1) in itertools.combinations(patches, 2):
            covered = min(ax1, bx1) - max(ax0, bx0) > 3.0 and min(ay1, by1) - max(ay0, by0) > 3.0
            assert not covered, svg.get("aria-label")


def test_the_sheet_says_what_the_plan_says(tmp_path: Path) -> None:
    page = _sheet(SHEETS["all"], tmp_path)
    assert "Pier, &lt;dawn&gt; &amp; &quot;fog&quot;" in page
    said = told(*SHEETS["all"])
    negative = said["depth_of_field"]["negative"]
    for value in (
        negative["near_m"],
        negative["far_m"],
        negative["hyperfocal_m"],
        *(row["ground_m"] for row in said["ground"]),
    ):
        assert f"{value:.2f} m" in page
    for caution in ("Virtual weight first", "rated hardware", "qualified grip", "local codes"):
        assert caution in page
    for word in ("upper third", "1.66", "1.85", "2.39", "13 ft 9¼ in"):
        assert word in page


def test_the_section_is_to_scale(tmp_path: Path) -> None:
    """Camera height, scale bar and the first dimension line have one number of drawing units to the metre."""
    svg = _drawings(_sheet(SHEETS["all"], tmp_path))[0]
    ground_m = told(*SHEETS["all"])["ground"][0]["ground_m"]
    lines = []
    for stroke in svg.iter("path"):
        points = [tuple(map(float, pair.split())) for pair in stroke.get("d")[1:].replace("L", ",").split(",")]
        if len(points) == 2:
            lines.append((stroke.get("class"), *points))
    uprights = [abs(b[1] - a[1]) for kind, a, b in lines if kind == "thin" and a[0] == b[0] and abs(b[1] - a[1]) > 20.0]
    per_m = uprights[0] / 1.4
    levels = [b[0] - a[0] for kind, a, b in lines if kind == "thin" and a[1] == b[1]]
    assert any(level == pytest.approx(ground_m * per_m, abs=0.05) for level in levels)
    bar = next(b[0] - a[0] for kind, a, b in lines if kind == "heavy" and a[1] == b[1] and a[1] < 30.0)
    assert bar / per_m == pytest.approx(4.0, abs=0.01)


def test_the_same_plan_writes_the_same_sheet_and_a_bad_place_is_told(tmp_path: Path) -> None:
    first = _sheet(SHEETS["all"], tmp_path)
    assert _sheet(SHEETS["all"], tmp_path) == first
    (tmp_path / "file").write_text("")
    result = ask(*HIRE, "--sheet", tmp_path / "file" / "sheet.html")
    assert result.exit_code == 3
    assert "can't be written" in result.stderr


def test_a_focus_pull_is_listed_and_drawn_at_its_first_mark(make_shot, tmp_path: Path) -> None:
    path = make_shot(frames=1, text=SHOT.replace("distance_m = 4.2", "pull = [[1001, 4.2], [1024, 3.0], [1048, 2.0]]"))
    text = ask(path).stdout
    assert "Depth of field at every focus mark" in text
    page = _sheet([path], tmp_path / "out")
    assert "focus 4.20 m at frame 1001" in page
    for said in ("focus at frame 1024", "focus at frame 1048", "2.00 m"):
        assert said in page
    _labels_fit(page)
