"""The check before the first frame: what it finds of shots that are broken in known ways, and what it can't know."""

from __future__ import annotations

import json
import os
import shutil
import socket
import struct
from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import av
import numpy as np
import OpenEXR
import OpenImageIO as oiio
import opentimelineio as otio
import pytest
from conftest import CHECKOUT, SHOT, read_exr, read_exr_rgb, write_exr
from opentimelineio.opentime import RationalTime, TimeRange
from widegauge.batch import check as checking
from widegauge.batch import room
from widegauge.batch.check import Checked, check
from widegauge.batch.labreport import write_report
from widegauge.errors import MediaError, Mistake, SettingsError
from widegauge.media.whole import look
from widegauge.plate import open_plate
from widegauge.report.batchcheck import check_text, duration, size
from widegauge.run.bind import bind
from widegauge.run.finish import finish
from widegauge.run.job import make_job
from widegauge.run.lock import FolderLock
from widegauge.shot import load_shot
from widegauge.shotlist import Entry, load_list

PRESET = "15-perf-65"


def seen(entries: list[Entry], out: Path, **words: Any) -> Checked:
    return check(entries, out, **({"measure_s": 0.0} | words))


@pytest.fixture
def shot(tmp_path: Path) -> Callable[..., Entry]:
    """Make a shot of six small frames in a folder of its own, and its entry."""

    def make(name: str, *, text: str = SHOT, count: int = 6, preset: str = PRESET, **words: Any) -> Entry:
        folder = tmp_path / name
        (folder / "plates").mkdir(parents=True)
        for number in range(1001, 1001 + count):
            rgb = np.random.default_rng(number).uniform(0.05, 0.4, (80, 120, 3)).astype(np.float16)
            z = np.full((80, 120), 3.0, np.float32)
            write_exr(folder / "plates" / f"pier.{number}.exr", rgb, z=z)
        (folder / f"{name}.toml").write_text(text)
        return Entry(f"night.toml, {name}", name, folder / f"{name}.toml", preset, **words)

    return make


def frame(entry: Entry, number: int) -> Path:
    return entry.shot.parent / "plates" / f"pier.{number}.exr"


class TestBrokenShots:
    def test_six_ways_of_being_broken_beside_two_good_shots(
        self, shot: Callable[..., Entry], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """All but the damaged block are found before the first frame; the good ones are not touched by it."""
        missing, cut, size_, preset, movie, room_, block = (
            shot(name, **words)
            for name, words in {
                "missing": {}, "cut": {}, "size": {}, "preset": {"overrides": ("grain.strenght=0.5",)}, "movie": {},
                "room": {"count": 1}, "block": {},
            }.items()
        )  # fmt: skip
        frame(missing, 1004).unlink()
        frame(cut, 1003).write_bytes(frame(cut, 1003).read_bytes()[:-100])
        z = read_exr(frame(size_, 1005), "Z")[:50]
        write_exr(size_.shot.parent / "plates" / "z.1005.exr", np.zeros((50, 120, 3), np.float16), z=z)
        for number in (1001, 1002, 1003, 1004, 1006):
            shutil.copyfile(frame(size_, number), size_.shot.parent / "plates" / f"z.{number}.exr")
        size_.shot.write_text(SHOT.replace('[depth]\npath = "plates/pier', '[depth]\npath = "plates/z'))
        (movie.shot.parent / "plates" / "pier.mov").write_bytes(b"\0" * 5000)
        movie.shot.write_text(SHOT.replace("pier.####.exr", "pier.mov").partition("[depth]")[0])
        damaged = bytearray(frame(block, 1002).read_bytes())
        damaged[-200:-100] = bytes(100)
        frame(block, 1002).write_bytes(damaged)
        a, b = shot("a"), shot("b")
        free = SimpleNamespace(f_bavail=1_100_000, f_frsize=1)
        monkeypatch.setattr(room.os, "statvfs", lambda _: free)
        room_.shot.write_text(SHOT)
        large = Entry(room_.at, room_.name, room_.shot, PRESET, -1, overrides=("output.width_px=4000",))
        checked = seen([missing, cut, size_, preset, movie, large, block, a, b], tmp_path / "out")
        said = {outcome.entry.name: outcome.sentence for outcome in checked.refused}
        assert set(said) == {"missing", "cut", "size", "preset", "movie", "room"}
        assert "1 of 6 frames are missing: 1004" in said["missing"]
        assert "frame 1003: pier.1003.exr was cut off" in said["cut"]
        assert "frame 1005: z.1005.exr: depth is 120 x 50, the footage 120 x 80" in said["size"]
        assert 'grain.strenght = 0.5: not a known key. did you mean "strength"' in said["preset"]
        assert "pier.mov: cannot be read" in said["movie"]
        assert "no room for" in said["room"]
        assert [entry.name for entry in checked.good] == ["block", "a", "b"]
        assert all(outcome.status == "refused" for outcome in checked.refused)
        # measured, the damaged block is met when it lies in one of the three frames
        assert not seen([block], tmp_path / "out").refused
        damaged_first = Entry(block.at, block.name, block.shot, PRESET, frames="1002")
        (outcome,) = seen([damaged_first], tmp_path / "out", measure_s=1.0).refused
        assert "pier.1002.exr" in outcome.sentence
        assert not (tmp_path / "out").exists()

    def test_every_problem_of_a_shot_at_once(self, shot: Callable[..., Entry], tmp_path: Path) -> None:
        entry = shot(
            "a",
            text=SHOT.replace('path = "plates/pier', 'path = "depth/pier').replace(
                'path = "depth', 'path = "plates', 1
            ),
        )
        depth = entry.shot.parent / "depth"
        depth.mkdir()
        for number in (1001, 1002, 1003, 1005, 1006):
            shutil.copyfile(frame(entry, number), depth / frame(entry, number).name)
        frame(entry, 1002).unlink()
        (entry.shot).write_text(entry.shot.read_text().replace("[camera]", "[camera]\nrig_kilo = 3"))
        (shot_,) = seen([entry], tmp_path / "out").shots
        assert "rig_kilo" in shot_.problems[0]
        entry.shot.write_text(entry.shot.read_text().replace("rig_kilo = 3", ""))
        (shot_,) = seen([Entry(entry.at, "a", entry.shot, "no-such", overrides=("x",))], tmp_path / "out").shots
        assert any("frames are missing: 1002" in text for text in shot_.problems)
        assert any("no depth map for frame 1004" in text for text in shot_.problems)
        assert any("no such preset" in text and text.startswith("night.toml, a: preset") for text in shot_.problems)

    def test_frames_of_another_size_or_kind(self, shot: Callable[..., Entry], tmp_path: Path) -> None:
        entry = shot("a")
        rgb, z = read_exr_rgb(frame(entry, 1003)), read_exr(frame(entry, 1003), "Z")
        write_exr(frame(entry, 1003), rgb[:, ::2].astype(np.float16), z=z[:, ::2])
        write_exr(frame(entry, 1005), rgb.astype(np.float32), z=z)
        (found,) = seen([entry], tmp_path / "out").shots
        assert any("frame 1003: 60 x 80, the first is 120 x 80" in text for text in found.problems)
        assert found.remarks == ("frame 1005: exr-float, the first is exr-half; see that all were rendered alike",)

    def test_no_depth_channel(self, shot: Callable[..., Entry], tmp_path: Path) -> None:
        entry = shot("a", text=SHOT + 'channel = "depth.V"\n')
        (found,) = seen([entry], tmp_path / "out").shots
        assert len(found.problems) == 1
        assert "frames 1001-1006: pier.1001.exr no channel" in found.problems[0]

    def test_facts_that_contradict_each_other(self, shot: Callable[..., Entry], tmp_path: Path) -> None:
        entry = shot("a", text=SHOT.replace("[13.2, 8.8]", "[13.2, 7.4]").replace("4.2", "0.004"))
        problems = seen([entry], tmp_path / "out").shots[0].problems
        assert any("camera.sensor_mm" in text for text in problems)
        assert any("nearer than the focal length" in text for text in problems)
        with pytest.raises(SettingsError, match="--proxy"):
            seen([entry], tmp_path / "out", proxy="2")

    def test_frames_that_the_night_may_mend(self, shot: Callable[..., Entry], tmp_path: Path) -> None:
        entry = shot("a")
        frame(entry, 1003).write_bytes(frame(entry, 1003).read_bytes()[:200])
        frame(entry, 1005).write_bytes(b"")
        assert len(seen([entry], tmp_path / "out").refused) == 1
        checked = seen([entry], tmp_path / "out", mending=True)
        assert [e.name for e in checked.good] == ["a"]
        assert "1003" in checked.remarks[0]
        assert "is empty" in checked.remarks[1]


def test_shots_in_one_folder_share_a_listing(
    shot: Callable[..., Entry], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The next check lists anew, and finds what has gone meanwhile."""
    first = shot("a")
    plates = first.shot.parent / "plates"
    for name in ("pier_2", "pie", "lamp"):
        for number in range(1001, 1004):
            shutil.copyfile(frame(first, number), plates / f"{name}.{number}.exr")
        (first.shot.parent / f"{name}.toml").write_text(SHOT.replace("pier.", f"{name}."))
    entries = [
        first,
        *(Entry(name, name, first.shot.with_stem(name), PRESET) for name in ("pier_2", "pie", "lamp")),
    ]
    honest, listed = os.listdir, []
    monkeypatch.setattr(os, "listdir", lambda place: listed.append(Path(place)) or honest(place))
    monkeypatch.setattr(checking, "EYES", 1)
    checked = seen(entries, tmp_path / "out")
    assert {each.entry.name: each.total for each in checked.shots} == {"a": 6, "pier_2": 3, "pie": 3, "lamp": 3}
    assert listed.count(plates) == 1
    (plates / "pie.1002.exr").unlink()
    assert [each.entry.name for each in seen(entries, tmp_path / "out").refused] == ["pie"]


class TestFrames:
    @pytest.mark.parametrize(
        ("frames", "handles", "settled"),
        [
            (None, 0, "1001-1006"),
            ("1003-1004", 0, "1003-1004"),
            ("1003-1004", 1, "1002-1005"),
            ("1003-1004", 8, "1001-1006"),
            ("1002-1004x2", 1, "1002-1006x2"),
            ("1003", 1, "1002-1004"),
            (None, 5, "1001-1006"),
        ],
    )
    def test_handles_go_as_far_as_the_footage(
        self, shot: Callable[..., Entry], tmp_path: Path, frames: str | None, handles: int, settled: str
    ) -> None:
        checked = seen([shot("a", frames=frames, handles=handles)], tmp_path / "out")
        (entry,) = checked.good
        assert entry.frames == settled
        bind(entry.shot, entry.preset, frames=entry.frames)
        assert bool(checked.remarks) == (handles == 8 or "x" in settled)

    def test_a_shots_own_range_bounds_the_handles(self, shot: Callable[..., Entry], tmp_path: Path) -> None:
        text = SHOT.replace("[camera]", 'frames = "1002-1005"\n[camera]')
        (entry,) = seen([shot("a", text=text, frames="1003-1004", handles=4)], tmp_path / "out").good
        assert entry.frames == "1002-1005"
        (outcome,) = seen([shot("b", text=text, frames="1001-1004")], tmp_path / "out").refused
        assert outcome.sentence.startswith("night.toml, b: frames")

    def test_missing_frames_by_policy_are_a_remark(self, shot: Callable[..., Entry], tmp_path: Path) -> None:
        entry = shot("a", text=SHOT.replace("[camera]", 'missing = "hold"\n[camera]'))
        frame(entry, 1004).unlink()
        checked = seen([entry], tmp_path / "out")
        assert checked.remarks == ("a: 1004 missing: hold, as the shot file says",)
        assert checked.shots[0].total == 6

    def test_only_the_range_is_looked_at_and_what_noise_is_measured_on(
        self, shot: Callable[..., Entry], tmp_path: Path
    ) -> None:
        clean = shot("a", frames="1001-1003")
        frame(clean, 1006).write_bytes(b"junk")
        assert not seen([clean], tmp_path / "out").refused
        clean.shot.write_text(SHOT.replace('noise = "none"', 'noise = "measure"'))
        (outcome,) = seen([clean], tmp_path / "out").refused
        assert "pier.1006.exr" in outcome.sentence

    def test_a_movies_frames(self, tmp_path: Path) -> None:
        path = tmp_path / "pier.mkv"
        with av.open(str(path), "w") as file:
            stream = file.add_stream("ffv1", rate=24)
            stream.width, stream.height, stream.pix_fmt = 96, 64, "yuv444p"
            for level in range(8):
                picture = av.VideoFrame.from_ndarray(np.full((64, 96, 3), 20 * level, np.uint8), format="rgb24")
                file.mux(stream.encode(picture))
            file.mux(stream.encode(None))
        shot = tmp_path / "pier.toml"
        shot.write_text(SHOT.replace("plates/pier.####.exr", "pier.mkv").partition("[depth]")[0])
        (entry,) = seen([Entry("x", "pier", shot, PRESET, frames="3-4", handles=3)], tmp_path / "out").good
        assert entry.frames == "1-7"

    def test_a_timelines_clips_bind(self, tmp_path: Path) -> None:
        """The clip's media and rate take the place of the shot file's; handles go beyond its source range."""
        folder = CHECKOUT / "sample_frames"
        media = otio.schema.ImageSequenceReference(
            (folder / "plates").as_uri(), "landing_010.", ".exr", 1001, 1, 24000 / 1001, 4,
            available_range=TimeRange(RationalTime(0, 24000 / 1001), RationalTime(8, 24000 / 1001)),
        )  # fmt: skip
        source = TimeRange(RationalTime(2, 24000 / 1001), RationalTime(3, 24000 / 1001))
        clip = otio.schema.Clip("landing", media, source_range=source)
        made = otio.schema.timeline_from_clips([clip])
        made.metadata["widegauge"] = {"preset": PRESET, "handles": 2}
        otio.adapters.write_to_file(made, str(tmp_path / "night.otio"))
        entries = load_list(tmp_path / "night.otio", shots=folder)
        (entry,) = seen(list(entries), tmp_path / "out").good
        assert entry.frames == "1001-1007"
        facts = entry.facts | {"camera": {"noise": "none"}}
        plate = open_plate(load_shot(entry.shot, over=facts), frames=entry.frames)
        assert (plate.footage.numbers, plate.footage.rate) == (tuple(range(1001, 1008)), Fraction(24000, 1001))
        assert plate.footage.path(1001) == folder / "plates" / "landing_010.1001.exr"


class TestOutput:
    @pytest.mark.parametrize("place", ["out", "/out"])
    def test_what_is_finished_already(
        self, shot: Callable[..., Entry], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, place: str
    ) -> None:
        """Whether the output was named from where one stands, or in full."""
        monkeypatch.chdir(tmp_path)
        entry = shot("a", count=3, preset="super-16")
        plan, plate, proxy = bind(entry.shot, entry.preset, frames="1001-1002")
        out = tmp_path / "out" if place.startswith("/") else Path(place)
        finish(make_job(plan, plate, out=out / "a", proxy=proxy))
        checked = seen([entry], out)
        (found,) = checked.shots
        assert (found.before, found.total) == (2, 3)
        assert "1 frame to finish, 2 are done and stay" in check_text(checked)
        assert found.bytes == pytest.approx(seen([entry], tmp_path / "new").shots[0].bytes / 3)
        other = Entry(entry.at, "a", entry.shot, entry.preset, overrides=("grain.seed=99",))
        (found,) = seen([other], out).shots
        assert (found.before, found.problems) == (0, ())
        assert "2 frames are finished with other settings" in found.remarks[0]
        part = Entry(entry.at, "a", entry.shot, entry.preset, frames="1003", overrides=("grain.seed=99",))
        (outcome,) = seen([part], out).refused
        assert "made with other settings" in outcome.sentence

    def test_what_stands_in_for_a_frame_is_tried_again_and_not_forgotten(
        self, shot: Callable[..., Entry], tmp_path: Path
    ) -> None:
        """Refused for the frame's sake, the shot keeps its record, which says what stands there."""
        entry = shot("a", count=3, preset="super-16")
        plan, plate, proxy = bind(entry.shot, entry.preset)
        job = make_job(plan, plate, out=tmp_path / "out" / "a", proxy=proxy)
        record = finish(job)
        held = replace(record.frames[1002], source="", mended="a copy of frame 1001, since it was cut off")
        record.add(1002, held)
        record.close()
        (found,) = seen([entry], tmp_path / "out").shots
        assert (found.before, found.total) == (2, 3)
        assert "1002 failed in an earlier run, and something stands in; tried again" in found.remarks
        frame(entry, 1002).write_bytes(b"")
        (outcome,) = seen([entry], tmp_path / "out").refused
        assert outcome.record == job.record_path
        assert "1002 failed in an earlier run" in outcome.sentence
        _, data = write_report(
            tmp_path / "out", [outcome], started="2031-03-12T19:02:00Z", ended="2031-03-12T19:02:00Z"
        )
        (told,) = json.loads(data.read_text())["shots"]
        assert (told["status"], [flag["name"] for flag in told["flags"]]) == ("refused", ["frame mended"])

    def test_a_folder_that_another_program_writes_to(self, shot: Callable[..., Entry], tmp_path: Path) -> None:
        entry = shot("a")
        lock = FolderLock(tmp_path / "out" / "a")
        (outcome,) = seen([entry], tmp_path / "out").refused
        assert "is being written to by another program" in outcome.sentence
        lock.release()
        assert not seen([entry], tmp_path / "out").refused

    def test_a_folder_that_can_not_be(self, shot: Callable[..., Entry], tmp_path: Path) -> None:
        entry = shot("a")
        (tmp_path / "out").write_text("")
        (outcome,) = seen([entry], tmp_path / "out").refused
        assert "can't write there (it is a file)" in outcome.sentence
        over = Entry(entry.at, str(entry.shot.parent / "plates"), entry.shot, PRESET)
        (outcome,) = seen([over], tmp_path / "new").refused
        assert "is the folder of the footage" in outcome.sentence
        (outcome,) = seen([Entry("x", "/proc/a", entry.shot, PRESET)], tmp_path / "new").refused
        assert "/proc: can't write there" in outcome.sentence

    def test_disks_fill_in_the_nights_order(
        self, shot: Callable[..., Entry], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """Integer formats have one size: what fits is known; the picture is 114 x 80 (1.43:1), 16 bits a channel."""
        words = {"overrides": ("output.format=tiff16",)}
        entries = [shot("a", **words), shot("b", priority=1, **words), shot("c", frames="1001", **words)]
        each = 114 * 80 * 6
        free = SimpleNamespace(f_bavail=8 * each, f_frsize=1)
        monkeypatch.setattr(room.os, "statvfs", lambda _: free)
        checked = seen(entries, tmp_path / "out")
        assert [shot_.bytes for shot_ in checked.shots] == [6 * each, 6 * each, each]
        assert [entry.name for entry in checked.good] == ["b", "c"]
        assert checked.refused[0].entry.name == "a"
        assert checked.disks[0].bytes == 7 * each

    def test_what_may_not_fit_is_a_remark(
        self, shot: Callable[..., Entry], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        likely = seen([entry := shot("a")], tmp_path / "out").shots[0].bytes
        monkeypatch.setattr(room.os, "statvfs", lambda _: SimpleNamespace(f_bavail=likely - 1, f_frsize=1))
        checked = seen([entry], tmp_path / "out")
        assert [e.name for e in checked.good] == ["a"]
        assert "may not fit" in checked.remarks[0]


class TestEstimate:
    def test_what_the_record_says_is_not_measured_again(
        self, shot: Callable[..., Entry], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """Four frames of one of three shots are finished, of 8 s each with two in flight; the third is of another kind."""
        a, b, c = shot("a", preset="super-16"), shot("b", preset="super-16"), shot("c")
        plan, plate, proxy = bind(a.shot, a.preset, frames="1001-1004")
        out = tmp_path / "out"
        finish(make_job(plan, plate, out=out / "a", proxy=proxy), workers=2)
        path = out / "a" / "a.record.json"
        record = json.loads(path.read_text())
        for each in record["frames"].values():
            assert (each["host"], each["hands"]) == (socket.gethostname(), 2)
            each["seconds"] = 8.0
        path.write_text(json.dumps(record))
        honest, measured = checking.measure, []
        monkeypatch.setattr(
            checking,
            "measure",
            lambda entry, *words, **more: measured.append(entry.name) or honest(entry, *words, **more),
        )
        checked = seen([a, b, c], out, measure_s=60.0, hands=2)
        assert measured == ["c"]
        told = {each.entry.name: each for each in checked.shots}
        # two in flight for 8 s each: one every 4 s; two of a's frames are left, six of b's
        assert (told["a"].seconds, told["b"].seconds) == (8.0, 24.0)
        assert (told["a"].measured, told["b"].measured, told["c"].measured) == ("a", "a", "c")
        written = sum(each["bytes"] for each in record["frames"].values()) / 4
        assert told["b"].bytes == pytest.approx(6 * written, abs=6)
        text = " ".join(check_text(checked).split())
        assert "by the records of frames that were finished before, of a; up to three frames each were finished" in text
        assert "for this, of c;" in text
        # other numbers in flight, other machines and other settings say nothing
        for change in ({"hands": 3}, {"host": "elsewhere"}):
            other = record | {"frames": {n: each | change for n, each in record["frames"].items()}}
            path.write_text(json.dumps(other))
            assert set(seen([a], out, measure_s=60.0, hands=2).shots[0].remarks) == set(told["a"].remarks)
            assert measured.pop() == "a"
        path.write_text(json.dumps(record))
        seen([Entry(a.at, "a", a.shot, a.preset, overrides=("grain.seed=9",))], out, measure_s=60.0, hands=2)
        assert measured.pop() == "a"

    def test_three_frames_are_finished_and_thrown_away(self, shot: Callable[..., Entry], tmp_path: Path) -> None:
        """The estimate of bytes is held to what a run writes, within what frames differ by."""
        entry, other = shot("a", preset="super-16"), shot("b", preset="super-16")
        before = set(os.listdir(tmp_path))  # noqa: PTH208
        checked = seen([entry, other], tmp_path / "out", measure_s=60.0, hands=2)
        assert set(os.listdir(tmp_path)) == before  # noqa: PTH208
        assert set(checked.seconds) == {"a", "b"}
        assert all(shot_.seconds and shot_.measured == shot_.entry.name for shot_ in checked.shots)
        plan, plate, proxy = bind(entry.shot, entry.preset)
        record = finish(make_job(plan, plate, out=tmp_path / "out" / "a", proxy=proxy))
        written = sum(each.bytes for each in record.frames.values())
        assert checked.shots[0].bytes == pytest.approx(written, rel=0.02)
        assert checked.shots[0].least_bytes < written

    def test_when_there_is_no_time_one_of_a_kind_is_measured(self, shot: Callable[..., Entry], tmp_path: Path) -> None:
        entries = [
            shot("a", preset="super-16"),
            shot("b", preset="super-16"),
            shot("c", preset="super-16", overrides=("output.width_px=57",)),
        ]
        checked = seen(entries, tmp_path / "out", measure_s=1e-6)
        assert {shot_.measured for shot_ in checked.shots} == {"a"}
        a, b, c = (checked.seconds[name] for name in "abc")
        assert a == b > c > 0.0


def test_a_line_that_can_not_be_used_is_a_refused_shot(shot: Callable[..., Entry], tmp_path: Path) -> None:
    """Nothing of it is looked at; its name and its folder need not even be good ones."""
    wrong = (
        Mistake("n.csv, line 3", "frames", '"5-1"', "is wrong", "mend it"),
        Mistake("n.csv, line 3", "", "", "a", "b"),
    )
    bad = Entry("n.csv, line 3", "line 3", Path("/proc/no"), "", wrong=wrong)
    checked = seen([bad, shot("a")], tmp_path / "out")
    assert [entry.name for entry in checked.good] == ["a"]
    (outcome,) = checked.refused
    assert (outcome.entry, outcome.status, outcome.total) == (bad, "refused", 0)
    assert outcome.sentence == "\n".join(map(str, wrong))
    text = check_text(checked)
    assert '  n.csv, line 3\n    frames = "5-1": is wrong. mend it.\n    a. b.\n' in text
    assert "The other shot will be done" in text


class TestText:
    def test_problems_come_first_and_all_of_them(self, shot: Callable[..., Entry], tmp_path: Path) -> None:
        bad, good = shot("bad"), shot("good", text=SHOT.partition("[depth]")[0])
        frame(bad, 1002).unlink()
        text = check_text(seen([good, bad], tmp_path / "out"))
        words = " ".join(text.split())
        heads = ("1 shot of 2 can't be done", "frames are missing: 1002", "The other shot will be done")
        assert 0 <= words.index(heads[0]) < words.index(heads[1]) < words.index(heads[2])
        assert "no depth: defocus will be left out" in words
        assert max(map(len, text.split("\n"))) <= 110
        assert "Nothing will be done." in check_text(seen([bad], tmp_path / "out"))

    def test_what_is_said_of_many_shots_is_said_once(self, shot: Callable[..., Entry], tmp_path: Path) -> None:
        entries = [shot("a", preset="no-such"), shot("b", preset="no-such"), shot("c", frames="1-2")]
        text = check_text(seen(entries, tmp_path / "out"), width=60)
        assert text.count("no such preset") == 1
        assert '\n  a, b\n    preset = "no-such": no such preset.' in text
        assert "\n  night.toml, c\n" in text
        assert max(len(line) for line in text.split("\n") if str(tmp_path) not in line) <= 60

    def test_lengths_of_time_and_sizes(self) -> None:
        assert [duration(s) for s in (0.2, 89.0, 700.0, 12034.0, 3600.0 * 30)] == [
            "1 s",
            "89 s",
            "12 min",
            "3 h 20 min",
            "30 h",
        ]
        assert [size(n) for n in (7, 12_000, 999_600, 12_345_678_901)] == ["7 bytes", "12 kB", "1 MB", "12.3 GB"]


class TestWhole:
    """Files are cut by bytes; libraries of their own wrote them."""

    @pytest.mark.parametrize("compression", ["NO", "RLE", "ZIPS", "ZIP", "PIZ", "PXR24", "B44", "B44A", "DWAA", "DWAB"])
    def test_exr_of_every_compression(self, tmp_path: Path, compression: str) -> None:
        rgb = np.random.default_rng(1).uniform(0.0, 1.0, (100, 60, 3)).astype(np.float16)
        path = tmp_path / "a.exr"
        write_exr(path, rgb, compression=getattr(OpenEXR, f"{compression}_COMPRESSION"))
        self.cut_everywhere(path)

    @pytest.mark.parametrize("way", ["tiles", "parts"])
    def test_exr_in_tiles_and_in_parts(self, tmp_path: Path, way: str) -> None:
        rgb = np.random.default_rng(1).uniform(0.0, 1.0, (100, 60, 3)).astype(np.float16)
        path = tmp_path / "a.exr"
        channels = {name: np.ascontiguousarray(rgb[..., i]) for i, name in enumerate("RGB")}
        if way == "tiles":
            write_exr(path, rgb, type=OpenEXR.tiledimage, tiles=OpenEXR.TileDescription())
        else:
            head = {"compression": OpenEXR.ZIP_COMPRESSION, "type": OpenEXR.scanlineimage}
            OpenEXR.File([OpenEXR.Part(head | {"name": n}, channels, n) for n in ("one", "two")]).write(str(path))
        self.cut_everywhere(path)

    @pytest.mark.parametrize("suffix", ["dpx", "png", "tif", "jpg"])
    def test_other_formats(self, tmp_path: Path, suffix: str) -> None:
        path = tmp_path / f"a.{suffix}"
        pixels = np.random.default_rng(1).integers(0, 255, (64, 64, 3)).astype(np.uint8)
        out = oiio.ImageOutput.create(str(path))
        spec = oiio.ImageSpec(64, 64, 3, "uint8")
        spec["compression"] = "none"
        out.open(str(path), spec)
        out.write_image(pixels)
        out.close()
        self.cut_everywhere(path)

    def test_blocks_that_were_never_written(self, tmp_path: Path) -> None:
        """As a writer that was killed leaves them: the table's places are 0."""
        path = tmp_path / "a.exr"
        write_exr(path, np.zeros((64, 60, 3), np.float16))
        data = bytearray(path.read_bytes())
        first = min(i for i in range(len(data) - 8) if struct.unpack_from("<Q", data, i)[0] == i + 8 * 4)
        data[first + 16 : first + 32] = bytes(16)
        path.write_bytes(data)
        with pytest.raises(MediaError, match="2 of 4 blocks were never written"):
            look(path, picture=True, plane=None)

    @staticmethod
    def cut_everywhere(path: Path) -> None:
        data = path.read_bytes()
        seen_px = look(path, picture=True, plane=None).picture_px
        assert seen_px in ((60, 100), (64, 64))
        for left in (len(data) - 1, len(data) - 50, len(data) * 2 // 3, len(data) // 3, 300, 10):
            path.write_bytes(data[:left])
            if path.suffix == ".tif" and left > 0.9 * len(data):
                continue  # what is lost there lies behind the pixels
            with pytest.raises(MediaError, match=r"cut off|cannot be read|is empty|not read"):
                look(path, picture=True, plane=None)
