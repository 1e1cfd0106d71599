"""The page that compares: whole, small, silent, and driven by pointer and keys in a real browser."""

from __future__ import annotations

import re
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
from browser import CHROMIUM, Browser
from conftest import SHOT
from test_finish import run
from widegauge.plan import make_plan
from widegauge.plate import open_plate
from widegauge.presets import load_preset
from widegauge.report import page as page_module
from widegauge.report.page import MOST_BYTES, page
from widegauge.report.pair import Pair, look_at
from widegauge.report.stills import View
from widegauge.shot import load_shot

needs_browser = pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine to drive the page with")


class _Page(HTMLParser):
    VOID = frozenset({"meta", "link", "img", "br"})

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.loads: list[str] = []
        self.alts: list[str] = []
        self.words: list[str] = []

    def handle_starttag(self, tag: str, attrs: list) -> None:
        self.loads += [value for name, value in attrs if name in {"src", "href", "srcset", "data"}]
        if tag == "img" and "src" in dict(attrs):
            self.alts.append(dict(attrs)["alt"])
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.words.append(data)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A page of a small shot: nearer things on the right, and a pull of the stages that act on it."""
    from conftest import write_exr

    folder = tmp_path_factory.mktemp("page")
    (folder / "plates").mkdir()
    y, x = np.mgrid[0:160, 0:240]
    z = np.where(x > 144, 1.5, 4.2 + 0.1 * (160 - y)).astype(np.float32)
    rgb = (0.18 * np.random.default_rng(1).uniform(0.5, 1.5, (160, 240, 3))).astype(np.float16)
    rgb[40, 60] = 40.0
    write_exr(folder / "plates" / "pier.1001.exr", rgb, z=z)
    (folder / "pier.toml").write_text(SHOT)
    done = run("compare", folder / "pier.toml", "--preset", "15-perf-65", "--page", folder / "page.html")
    assert "loads nothing" in done.stdout
    return folder


def test_the_page_is_whole_and_loads_nothing(made: Path) -> None:
    text = (made / "page.html").read_text()
    assert len(text.encode()) < 5e6
    read = _Page()
    read.feed(text)
    assert read.open == []
    assert read.loads
    assert all(each.startswith("data:") for each in read.loads)
    assert not re.search(r"https?://|@import|url\(", text)
    assert "default-src 'none'" in text
    assert len(set(read.alts)) == len(read.alts)
    assert all(len(alt) > 10 for alt in read.alts)


def test_it_says_what_the_plan_says(made: Path) -> None:
    read = _Page()
    read.feed((made / "page.html").read_text())
    said = " ".join(read.words)
    plan = make_plan(open_plate(load_shot(made / "pier.toml")), load_preset("15-perf-65"))
    assert f"{plan.depth_of_field_stops:.2f} stops too deep" in said
    assert f"{plan.setup.negative.entrance_pupil_mm:.2f} mm" in said
    assert "mean light, after against before" in said
    for stage in plan.stages:
        assert stage.name in said
        for row in stage.planned.rows if stage.acts else ():
            assert row.quantity in said


def test_strange_titles_stay_words(made: Path) -> None:
    rgb = np.full((30, 40, 3), 0.2, np.float32)
    text = page(look_at(Pair('<script>"x"</script>', None, ("before", "after"), rgb, rgb, View("sRGB"))))
    assert text.count("<script>") == 1
    assert "&lt;script&gt;" in text


def test_it_stays_small_enough_to_send(monkeypatch: pytest.MonkeyPatch) -> None:
    """Pictures of pure noise, which nothing packs well, shrink until the page fits its bound."""
    assert MOST_BYTES < 5e6
    monkeypatch.setattr(page_module, "MOST_BYTES", 400_000)
    rng = np.random.default_rng(2)
    before, after = (rng.uniform(0.0, 1.0, (500, 800, 3)).astype(np.float32) for _ in range(2))
    assert len(page(look_at(Pair("noise", None, ("before", "after"), before, after, View("sRGB"))))) < 700_000


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    opened = Browser(tmp_path_factory.mktemp("profile"))
    yield opened
    opened.close()


def place(browser: Browser) -> float:
    """Where the line is, 0 to 1 of the frame, as drawn."""
    box, line = (
        browser.ask(f"(r => [r.left, r.width])(document.getElementById('{name}').getBoundingClientRect())")
        for name in ("frame", "line")
    )
    return (line[0] + line[1] / 2.0 - box[0]) / box[1]


def names(browser: Browser) -> tuple[str, str]:
    found = browser.ask(
        "['left', 'right'].map(s => document.querySelector(`[data-side=${s}] [aria-pressed=true]`).textContent)"
    )
    return found[0], found[1]


@needs_browser
def test_pointer_and_keys_move_the_line(made: Path, browser: Browser) -> None:
    browser.open(made / "page.html")
    assert place(browser) == pytest.approx(0.5, abs=0.002)
    assert names(browser) == ("footage", "finished")
    box = browser.ask(
        "(r => [r.left, r.top, r.width, r.height])(document.getElementById('frame').getBoundingClientRect())"
    )
    browser.point(box[0] + 0.25 * box[2], box[1] + 0.5 * box[3])
    assert place(browser) == pytest.approx(0.25, abs=0.003)
    assert browser.ask("getComputedStyle(document.getElementById('over')).clipPath").startswith("inset(0px 0px 0px 2")
    browser.press("ArrowRight")
    assert place(browser) == pytest.approx(0.26, abs=0.003)
    browser.press("ArrowRight", shift=True)
    browser.press("ArrowLeft")
    assert place(browser) == pytest.approx(0.35, abs=0.003)
    assert browser.ask("document.getElementById('frame').getAttribute('aria-valuenow')") == "35"
    for _ in range(6):
        browser.press("ArrowLeft", shift=True)
    assert place(browser) == pytest.approx(0.0, abs=0.003)


@needs_browser
def test_keys_and_buttons_choose_pictures(made: Path, browser: Browser) -> None:
    browser.open(made / "page.html")
    shown = browser.ask("[...document.querySelectorAll('#all img')].map(i => i.dataset.name)")
    assert shown[:3] == ["whole plate", "footage", "+ defocus"]
    assert shown[-4:] == ["difference", "depth", "blur, footage", "blur, negative"]
    browser.ask("document.getElementById('frame').focus()")
    browser.press("ArrowUp")
    assert names(browser)[1] == shown[shown.index("finished") - 1]
    browser.press("ArrowDown")
    browser.press("ArrowDown")
    assert names(browser)[1] == "difference"
    assert browser.ask("document.getElementById('over').src === document.querySelector('[data-name=difference]').src")
    assert browser.ask("document.querySelector('#rightsaid .marks').textContent").count("stops") == 2
    browser.press("3")
    assert names(browser) == ("footage", "+ defocus")
    browser.ask("document.querySelector('[data-side=left] button:last-child').click()")
    assert names(browser)[0] == "blur, negative"
    assert "blur, negative left of" in browser.ask("document.getElementById('frame').getAttribute('aria-valuetext')")


@needs_browser
@pytest.mark.parametrize("width", [1280, 390])
def test_nothing_hangs_over_the_side(made: Path, browser: Browser, width: int) -> None:
    browser.open(made / "page.html", width=width)
    assert browser.ask("document.documentElement.scrollWidth") <= width
    assert browser.ask("document.getElementById('frame').getBoundingClientRect().width") > 0.6 * width


@needs_browser
def test_it_says_nothing_and_asks_for_nothing(made: Path, browser: Browser) -> None:
    """Requests go to the file itself and to data within it; the console stays empty. A page that does both is caught."""
    browser.requests.clear()
    browser.said.clear()
    browser.open(made / "page.html")
    browser.press("ArrowLeft")
    assert browser.requests
    assert all(url.startswith("data:") or url == (made / "page.html").as_uri() for url in browser.requests)
    assert browser.said == []
    browser.ask("console.error('x'); new Image().src = 'http://127.0.0.1:9/y'; 1")
    browser.ask("1")
    assert browser.said
