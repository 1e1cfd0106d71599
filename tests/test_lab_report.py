"""The lab report of a small night: its words, its JSON, what it loads, and how it looks in a real browser."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from html import escape
from pathlib import Path

import numpy as np
import pytest
from browser import CHROMIUM, Browser
from conftest import SHOT, write_exr
from test_compare_page import _Page
from test_flags import scene
from widegauge.batch.labreport import write_report
from widegauge.batch.outcome import Outcome
from widegauge.report import lab as lab_module
from widegauge.run.bind import bind
from widegauge.run.finish import finish
from widegauge.run.job import make_job
from widegauge.shotlist import Entry

needs_browser = pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine to drive the page with")

STARTED, ENDED = datetime(2031, 3, 12, 19, 2, tzinfo=UTC), datetime(2031, 3, 13, 3, 41, tzinfo=UTC)
FRAMES = 5
STRANGE = '<b>pier</b> & "co"'


@dataclass(frozen=True)
class Night:
    out: Path
    outcomes: tuple[Outcome, ...]
    page: Path
    data: dict

    @property
    def text(self) -> str:
        return self.page.read_text(encoding="utf-8")

    @property
    def words(self) -> str:
        read = _Page()
        read.feed(self.text)
        assert read.open == []
        return " ".join(" ".join(read.words).split())

    def shot(self, name: str) -> dict:
        return next(shot for shot in self.data["shots"] if shot["name"] == name)


def _plates(folder: Path, name: str, *, odd_depth: float = 1.0) -> Path:
    (folder / "plates").mkdir(exist_ok=True)
    for number in range(1001, 1001 + FRAMES):
        rgb, z = scene()
        rgb = rgb * np.random.default_rng(number).normal(1.0, 1e-3, rgb.shape)
        z = z * np.float32(odd_depth if number == 1002 else 1.0)
        write_exr(folder / "plates" / f"{name}.{number}.exr", rgb.astype(np.float16), z=z)
    shot = folder / f"{name}.toml"
    shot.write_text(SHOT.replace("pier", name))
    return shot


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> Night:
    """Eight shots: two well, one with depth that jumps, one mended, one failed, one refused, one stopped, one waiting."""
    folder = tmp_path_factory.mktemp("night")
    out = folder / "night"
    good, jumps = _plates(folder, "ferry"), _plates(folder, "rope", odd_depth=0.6)
    outcomes = []

    def shot(
        name: str, status: str, sentence: str, *, file: Path = good, frames: str | None = None, **words
    ) -> Outcome:
        entry = Entry(f"night.csv, line {len(outcomes) + 2}", name, file, "15-perf-65", frames=frames)
        record, seconds = None, 0.0
        if words.get("done"):
            plan, plate, _ = bind(file, "15-perf-65", frames=frames)
            job = make_job(plan, plate, out=out / name)
            finish(job, workers=1)
            record, seconds = job.record_path, 93.0
        made = Outcome(entry, status, sentence, out / name, record, total=FRAMES, seconds=seconds)
        return replace(made, **words)

    outcomes.append(shot("ferry", "finished", "5 of 5 frames finished.", done=5))
    outcomes.append(shot("rope", "finished", "5 of 5 frames finished.", file=jumps, done=5))
    outcomes.append(shot("early", "finished", "All 5 frames were done before.", done=5, before=5))
    far = "/volumes/" + "a_folder_whose_name_is_long_and_has_no_place_to_break/" * 3
    mended = {1003: f"a copy of frame 1002, since {far}ferry.1003.exr: is damaged."}
    outcomes.append(shot("mended", "finished", "4 of 5 frames finished.", done=5, mended=mended))
    troubles = {n: f"{far}ferry.{n}.exr: is damaged; copy it again." for n in (1003, 1004, 1005)}
    said = "2 of 5 frames are finished; 3 failed (1003-1005). Put it right, and the same command does the rest."
    outcomes.append(shot("torn", "failed", said, frames="1001-1002", done=2, troubles=troubles))
    refused = "preset.toml: grain.seed = -1: must be 0 or more. Choose one.\nlens.stop: is missing. Write it."
    outcomes.append(shot(STRANGE, "refused", refused))
    outcomes.append(shot("halted", "stopped", "1 of 5 frames are finished. Ctrl-C came first.", frames="1001", done=1))
    outcomes.append(shot("late", "waiting", "Not begun. Ctrl-C came first. The same command goes on from here."))
    page, data = write_report(out, outcomes, started=STARTED, ended=ENDED, remarks=["memory at most 1.2 GB"])
    assert (page, data) == (out / "batch.html", out / "batch.json")
    return Night(out, tuple(outcomes), page, json.loads(data.read_text(encoding="utf-8")))


def test_the_json_holds_the_night(night: Night) -> None:
    data = night.data
    assert set(data) == {
        "widegauge", "started", "ended", "seconds", "sentence", "remarks", "exit_code", "counts", "shots",
    }  # fmt: skip
    assert (data["started"], data["ended"]) == ("2031-03-12T19:02:00Z", "2031-03-13T03:41:00Z")
    assert data["seconds"] == 8 * 3600 + 39 * 60
    assert data["counts"] == {"shots": 8, "finished": 4, "flagged": 2, "frames": 40, "frames_done": 23, "stand_ins": 1}
    assert data["exit_code"] == 1
    assert data["sentence"] == (
        "4 of 8 shots are finished: 23 of 40 frames, 1 of them held or black and 5 finished before this run, "
        "in 8 h 40 min. "
        "4 shots need somebody; 2 finished ones have something to look at."
    )
    assert data["remarks"] == ["memory at most 1.2 GB"]
    for shot in data["shots"]:
        assert set(shot) == {
            "name", "at", "shot", "preset", "status", "sentence", "frames", "troubles", "mended", "flags", "seconds",
            "folder", "record", "differences", "shown_frame",
        }  # fmt: skip


def test_failures_come_first_then_flags_then_the_rest_each_in_the_lists_order(night: Night) -> None:
    names = [shot["name"] for shot in night.data["shots"]]
    assert names == ["torn", STRANGE, "halted", "late", "rope", "mended", "ferry", "early"]
    assert re.findall(r"<h3>(.*?)</h3>", night.text) == [escape(name) for name in names]


def test_the_json_of_a_shot(night: Night) -> None:
    rope, torn, strange = night.shot("rope"), night.shot("torn"), night.shot(STRANGE)
    assert [flag["name"] for flag in rope["flags"]] == ["blur flickers"]
    flag = rope["flags"][0]
    assert set(flag) == {"name", "frames", "worst", "found", "limit", "unit", "sentence", "look"}
    assert (flag["frames"], flag["worst"]) == ([1002], 1002)
    assert abs(flag["found"]) > flag["limit"] > 0.0
    assert rope["shown_frame"] == 1002
    assert str(night.out / "rope" / "rope.record.json") in flag["look"]
    assert (night.out / rope["folder"]).is_dir()
    assert (night.out / rope["record"]).is_file()
    assert (night.out / rope["shot"]).is_file()
    assert rope["seconds"]["a_frame"] > 0.0
    assert {row["stage"] for row in rope["differences"]} == {"framing", "defocus", "mtf", "halation", "grain"}
    assert (torn["status"], torn["frames"]) == ("failed", {"total": 5, "done": 2, "before": 0})
    assert set(torn["troubles"]) == {"1003", "1004", "1005"}
    assert torn["shown_frame"] in (1001, 1002)
    assert (strange["record"], strange["shown_frame"], strange["differences"]) == (None, None, [])
    assert night.shot("mended")["shown_frame"] == 1004, "the middle one of the four that were finished"
    assert strange["seconds"] == {"a_frame": None, "this_run": 0.0}


def test_the_page_says_it_in_words(night: Night) -> None:
    words = night.words
    assert night.data["sentence"] in words
    for outcome in night.outcomes:
        for line in outcome.sentence.split("\n"):
            assert line in words
        for said in outcome.troubles.values():
            assert said in words
    for shot in night.data["shots"]:
        for flag in shot["flags"]:
            assert flag["name"] in words
            assert flag["sentence"] in words
    assert "5 of 5, 1 held" in words
    assert "23 of 40, 1 of them held or black" in words
    for said in ("finished, 1 flag", "refused, nothing begun", "not begun", "Frame 1002, for the flag: blur flickers."):
        assert said in words
    assert "blur radius at infinity" in words or "entrance pupil, mm" in words
    assert "in 8 h 40 min" in words
    assert "memory at most 1.2 GB" in words


def test_what_needs_somebody_comes_before_the_table_of_all(night: Night) -> None:
    heads = re.findall(r"<h2>(.*?)</h2>", night.text)
    assert heads == ["Not finished", "Finished, to be looked at", "All shots", "Finished"]


def test_the_page_is_whole_and_loads_nothing(night: Night) -> None:
    read = _Page()
    read.feed(night.text)
    assert read.open == []
    pictures = [each for each in read.loads if each.startswith("data:image")]
    assert len(pictures) == 2 * 6  # of every shot with a finished frame
    assert all(each.startswith(("data:", "#shot-")) for each in read.loads)
    assert not re.search(r"https?://|@import|url\(|<script", night.text)
    assert "default-src 'none'" in night.text
    assert len(set(read.alts)) == len(read.alts)


def test_what_people_write_stays_words(night: Night) -> None:
    assert "<b>" not in night.text
    assert "&lt;b&gt;pier&lt;/b&gt; &amp; &quot;co&quot;" in night.text


def test_a_pair_shows_the_finished_frame_beside_its_footage(night: Night) -> None:
    import base64

    import imageio.v3 as iio
    from conftest import read_exr_rgb

    article = night.text[night.text.index("<h3>rope") :]
    sources = re.findall(r'src="data:image/webp;base64,([^"]+)"', article)[:2]
    before, after = (iio.imread(base64.b64decode(source)).astype(float) for source in sources)
    assert before.shape == after.shape
    assert np.abs(before - after).mean() > 1.0

    def shown(path: Path) -> np.ndarray:
        """IEC 61966-2-1, by hand."""
        light = np.clip(read_exr_rgb(path), 0.0, 1.0)
        return 255.0 * np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)

    finished = shown(night.out / "rope" / "rope.1002.exr")
    footage = shown(night.out.parent / "plates" / "rope.1002.exr")
    x = (footage.shape[1] - finished.shape[1]) // 2
    footage = footage[:, x : x + finished.shape[1]]
    for picture, truth, other in ((before, footage, finished), (after, finished, footage)):
        assert np.abs(picture - truth).mean() < 0.7 * np.abs(picture - other).mean()


def test_it_can_be_made_again_and_when_footage_or_records_are_gone(night: Night, tmp_path: Path) -> None:
    page, data = write_report(tmp_path, night.outcomes, started="2031-03-12T19:02:00Z", ended=ENDED)
    again = json.loads(data.read_text())
    assert [shot["flags"] for shot in again["shots"]] == [shot["flags"] for shot in night.data["shots"]]
    lost = replace(night.outcomes[0].entry, shot=tmp_path / "gone.toml")
    spoiled = tmp_path / "spoiled.record.json"
    spoiled.write_text("{")
    outcomes = [replace(night.outcomes[0], entry=lost), replace(night.outcomes[1], record=spoiled)]
    page, data = write_report(tmp_path, outcomes, started=STARTED, ended=ENDED)
    assert "Frame 1003 can&#x27;t be shown" in page.read_text()
    assert json.loads(data.read_text())["exit_code"] == 0
    assert not list(tmp_path.glob(".*"))


def test_a_night_without_trouble_and_one_without_shots(night: Night, tmp_path: Path) -> None:
    _, data = write_report(tmp_path, night.outcomes[:1], started=STARTED, ended=STARTED)
    assert json.loads(data.read_text())["sentence"] == "The shot is finished: 5 frames in 1 s. Nothing needs anybody."
    _, data = write_report(tmp_path, [], started=STARTED, ended=ENDED)
    assert json.loads(data.read_text())["counts"]["shots"] == 0


def test_forty_shots_stay_small_enough_to_send(monkeypatch: pytest.MonkeyPatch) -> None:
    """Pictures of pure noise, which nothing packs well, shrink until the page fits its bound."""
    assert lab_module.MOST_BYTES < 8e6
    monkeypatch.setattr(lab_module, "MOST_BYTES", 1_200_000)
    noise = np.random.default_rng(3).integers(0, 256, (533, 800, 3), dtype=np.uint8)
    shots = [lab_module.ShotPart(f"shot {i}", "finished", "Done.", "5 of 5", pair=(noise, noise)) for i in range(4)]
    page = lab_module.lab_page(lab_module.NightPart("Lab report", "Done.", [], [("Finished", shots)]))
    assert 400_000 < len(page) < 1_250_000


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    opened = Browser(tmp_path_factory.mktemp("profile"))
    yield opened
    opened.close()


@needs_browser
@pytest.mark.parametrize("width", [1280, 390])
def test_it_opens_without_a_word_or_a_request_and_fits(night: Night, browser: Browser, width: int) -> None:
    browser.requests.clear()
    browser.said.clear()
    browser.open(night.page, width=width, height=900)
    assert [url for url in browser.requests if not url.startswith("data:")] == [night.page.as_uri()]
    assert browser.said == []
    assert browser.ask("document.documentElement.scrollWidth") <= width
    browser.ask("document.querySelectorAll('details').forEach((each) => { each.open = true; })")
    assert browser.ask("document.documentElement.scrollWidth") <= width
    fit = "[...document.querySelectorAll('.troubles .scroll')].every((each) => each.scrollWidth <= each.clientWidth)"
    assert browser.ask(fit), "sentences are read without scrolling sideways"
    assert browser.ask("[...document.images].every((i) => i.naturalWidth > 100)")


@needs_browser
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_words_stand_out_from_the_paper(night: Night, browser: Browser, scheme: str) -> None:
    """Contrast of every piece of text, by WCAG 2.2, 1.4.3: 4.5 to 1 at least."""
    browser.call("Emulation.setEmulatedMedia", features=[{"name": "prefers-color-scheme", "value": scheme}])
    browser.open(night.page, width=1280)
    found = browser.ask(
        """(() => {
          const light = (c) => c.match(/[\\d.]+/g).slice(0, 3).map((v) => v / 255)
            .map((v) => v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4)
            .reduce((sum, v, i) => sum + v * [0.2126, 0.7152, 0.0722][i], 0);
          const ground = light(getComputedStyle(document.body).backgroundColor);
          const worst = [...document.querySelectorAll("body *")].filter((e) => e.textContent.trim())
            .map((e) => light(getComputedStyle(e).color))
            .map((l) => (Math.max(l, ground) + 0.05) / (Math.min(l, ground) + 0.05));
          return [ground, Math.min(...worst)];
        })()"""
    )
    browser.call("Emulation.setEmulatedMedia", features=[])
    assert (found[0] > 0.5) == (scheme == "light")
    assert found[1] >= 4.5


@needs_browser
def test_the_keyboard_reaches_and_opens_everything(night: Night, browser: Browser) -> None:
    browser.open(night.page, width=1280)
    reached = set()
    for _ in range(80):
        browser.call("Input.dispatchKeyEvent", type="keyDown", key="Tab", code="Tab", windowsVirtualKeyCode=9)
        browser.call("Input.dispatchKeyEvent", type="keyUp", key="Tab", code="Tab", windowsVirtualKeyCode=9)
        name = "document.activeElement.tagName + document.activeElement.textContent"
        reached.add(
            browser.ask(f"{name} + [...document.querySelectorAll('a, summary')].indexOf(document.activeElement)")
        )
    wanted = browser.ask("document.querySelectorAll('a, summary').length")
    assert len([each for each in reached if each.startswith(("A", "SUMMARY"))]) == wanted
    browser.ask("document.querySelector('summary').focus()")
    for kind in ("keyDown", "keyUp"):
        browser.call(
            "Input.dispatchKeyEvent", type=kind, key="Enter", code="Enter", windowsVirtualKeyCode=13, text="\r"
        )
    assert browser.ask("document.querySelector('summary').parentElement.open")
