"""Shot lists as people, spreadsheets and editing programs write them.

Timelines are made by OpenTimelineIO itself, written with its own JSON, and its own arithmetic is what ours is held to.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import opentimelineio as otio
import pytest
from conftest import CHECKOUT
from opentimelineio.opentime import RationalTime, TimeRange
from widegauge.errors import SettingsError
from widegauge.shotlist import Entry, in_order, load_list
from widegauge.units import parse_frames

FILM = 24000 / 1001


def mistakes(path: Path, **words: Any) -> list[str]:
    with pytest.raises(SettingsError) as caught:
        load_list(path, **words)
    return [str(mistake) for mistake in caught.value.mistakes]


def said_of(entry: Entry) -> list[str]:
    return [str(mistake) for mistake in entry.wrong]


class TestToml:
    def test_lines_take_over_what_the_list_says_for_all(self, tmp_path: Path) -> None:
        path = tmp_path / "night.toml"
        path.write_text(
            '[all]\npreset = "15-perf-65"\nhandles = 8\nset = ["grain.seed=3"]\n\n'
            '[[shot]]\nshot = "day_1/pier.toml"\n\n'
            '[[shot]]\nshot = "lamp.toml"\npreset = "ours/night.toml"\nout = "reel_2/lamp"\npriority = 5\n'
            'frames = "1001-1048x2"\nhandles = 0\nset = ["grain.strength=0.5"]\n'
        )
        pier, lamp = load_list(path)
        assert pier == Entry(
            "night.toml, line 6", "pier", tmp_path / "day_1/pier.toml", "15-perf-65", handles=8, overrides=("grain.seed=3",)
        )  # fmt: skip
        assert lamp == Entry(
            "night.toml, line 9", "reel_2/lamp", tmp_path / "lamp.toml", str(tmp_path / "ours/night.toml"), 5,
            "1001-1048x2", 0, ("grain.seed=3", "grain.strength=0.5"),
        )  # fmt: skip
        assert in_order((pier, lamp)) == (lamp, pier)

    def test_every_mistake_at_once_with_its_line_and_the_nearest_name(self, tmp_path: Path) -> None:
        path = tmp_path / "night.toml"
        path.write_text(
            'shots = 3\n[all]\nprest = "x"\n[[shot]]\nshot = "a.toml"\nhandels = 3\n'
            '[[shot]]\nframes = "1048-1001"\npriority = "high"\n'
            '[[shot]]\nshot = "b.toml"\nout = "../b"\n'
        )
        said = mistakes(path, preset="15-perf-65")
        assert len(said) == 7
        assert '[all]: prest = "x": not a known key. did you mean "preset"?' in said[1]
        assert 'line 4: handels = 3: not a known key. did you mean "handles"?' in said[2]
        assert sum("line 7" in text for text in said) == 3
        assert "shot: is required" in "\n".join(said)
        assert "does not name a folder below the output" in said[6]

    @pytest.mark.parametrize("name", ["a:b", "con?", "a/../b", "dot.", " room", "a//b", "tab\\t", "x\\\\y"])
    def test_names_that_some_disk_refuses(self, tmp_path: Path, name: str) -> None:
        (tmp_path / "n.toml").write_text(f'[[shot]]\nshot = "a.toml"\nout = "{name}"\n')
        (said,) = mistakes(tmp_path / "n.toml", preset="p")
        assert said.startswith("n.toml, line 1: out = ")

    def test_two_shots_in_one_folder(self, tmp_path: Path) -> None:
        """The first has it; the others go by their place, so that no two shots of a night have one name."""
        path = tmp_path / "n.toml"
        path.write_text("".join(f'[[shot]]\nshot = "{s}"\n' for s in ("d1/pier.toml", "d2/Pier.toml", "d1/pier.toml")))
        first, second, third = load_list(path, preset="p")
        assert (first.name, first.wrong) == ("pier", ())
        assert (second.name, third.name) == ("line 3", "line 5")
        assert 'would be written to the folder of n.toml, line 1. give it another one with "out".' in said_of(second)[0]
        assert "on the list already, with the same preset (n.toml, line 1)" in said_of(third)[0]

    def test_a_line_that_can_not_be_used_leaves_the_others(self, tmp_path: Path) -> None:
        """It goes by the name that it would have had, or by its place where it has none that is good."""
        path = tmp_path / "night.toml"
        path.write_text(
            '[all]\npreset = "p"\n[[shot]]\nshot = "good.toml"\n'
            '[[shot]]\nshot = "d/pier.toml"\nframes = "1048-1001"\n'
            '[[shot]]\nshot = "a.toml"\nout = "reel/lamp"\npriority = "high"\n'
            '[[shot]]\nshot = "a.toml"\nout = "../b"\n'
            "[[shot]]\nhandles = 8\n"
            '[[shot]]\nshot = "b.toml"\nset = 3\nhandels = 2\n'
        )
        good, *bad = load_list(path)
        assert (good.name, good.wrong) == ("good", ())
        assert [(each.name, len(each.wrong)) for each in bad] == [
            ("pier", 1), ("reel/lamp", 1), ("line 12", 1), ("line 15", 1), ("b", 2),
        ]  # fmt: skip
        assert all(str(each.wrong[0]).startswith(f"{each.at}: ") for each in bad)
        assert 'frames = "1048-1001"' in said_of(bad[0])[0]

    def test_shots_that_are_no_tables(self, tmp_path: Path) -> None:
        (tmp_path / "n.toml").write_text('shot = [{shot = "a.toml"}, "b.toml"]')
        good, bad = load_list(tmp_path / "n.toml", preset="p")
        assert (good.name, bad.name) == ("a", "shot 2")
        assert "is not a table" in said_of(bad)[0]

    def test_no_preset_anywhere(self, tmp_path: Path) -> None:
        (tmp_path / "n.toml").write_text('[[shot]]\nshot = "a.toml"\n')
        assert "no preset is named" in mistakes(tmp_path / "n.toml")[0]
        assert load_list(tmp_path / "n.toml", preset="super-16")[0].preset == "super-16"

    def test_no_shots_no_file_no_kind_that_is_known(self, tmp_path: Path) -> None:
        (tmp_path / "n.toml").write_text("")
        (tmp_path / "n.xlsx").write_bytes(b"PK")
        assert "has no shots" in mistakes(tmp_path / "n.toml")[0]
        assert "no such file" in mistakes(tmp_path / "m.toml")[0]
        assert 'save it as "CSV UTF-8"' in mistakes(tmp_path / "n.xlsx")[0]
        assert "is no shot list" in mistakes(tmp_path / "n.doc")[0]

    def test_the_example_reads(self) -> None:
        entries = load_list(CHECKOUT / "sample_frames" / "night.toml")
        assert len({entry.name for entry in entries}) == len(entries) >= 2
        assert all(entry.shot.is_file() for entry in entries)


TABLE = "Shot{s}PRESET{s}Out{s}Priority{s} Frames {s}handles{s}set\r\n" \
        "pier.toml{s}15-perf-65{s}Fährhafen{s}2.0{s}1001–1048{s}8{s}\r\n" \
        "\r\n" \
        "{s}{s}{s}{s}{s}{s}\r\n" \
        'lamp.toml{s}{s}{s}{s}1001.0{s}{s}"grain.strength=0.5\nmtf.enabled=false, negative.stock=fine-grain daylight"\r\n' \
        "buoy.toml{s}super-16\r\n"  # fmt: skip


class TestTable:
    @pytest.mark.parametrize("separator", [",", ";", "\t"])
    @pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
    def test_as_spreadsheets_save_it(self, tmp_path: Path, separator: str, encoding: str) -> None:
        path = tmp_path / "night.csv"
        path.write_bytes(TABLE.format(s=separator).encode(encoding))
        pier, lamp, buoy = load_list(path, preset="4-perf-35")
        assert pier == Entry("night.csv, line 2", "Fährhafen", tmp_path / "pier.toml", "15-perf-65", 2, "1001-1048", 8)
        assert lamp == Entry(
            "night.csv, line 5", "lamp", tmp_path / "lamp.toml", "4-perf-35", frames="1001",
            overrides=("grain.strength=0.5", "mtf.enabled=false", "negative.stock=fine-grain daylight"),
        )  # fmt: skip
        assert buoy == Entry("night.csv, line 7", "buoy", tmp_path / "buoy.toml", "super-16")

    @pytest.mark.parametrize("ending", ["\r\n", "\n", "\r"])
    def test_a_separator_that_the_file_states_and_old_line_ends(self, tmp_path: Path, ending: str) -> None:
        path = tmp_path / "night.csv"
        path.write_bytes(ending.join(["sep=|", "shot|priority", '"a.toml"|"1,0"', "b.toml|-2", ""]).encode())
        first, second = load_list(path, preset="p")
        assert (first.priority, second.priority) == (1, -2)
        assert (first.at, second.at) == ("night.csv, line 3", "night.csv, line 4")

    def test_every_mistake_at_once_with_its_line(self, tmp_path: Path) -> None:
        path = tmp_path / "night.csv"
        path.write_bytes(
            b"shot,priority,frames,\r\n"
            b"a.toml,high,,\r\n"
            b"b.toml,,12-Jan,\r\n"
            b",1,,\r\n"
            b"c.toml,1.5,1001-,note\r\n"
            b"d.toml,1,1,,too far\r\n"
            b"f.toml,1,1\r\n"
        )
        *bad, good = load_list(path, preset="p")
        assert (good.name, good.frames, good.wrong) == ("f", "1", ())
        assert [(each.name, each.at) for each in bad] == [
            ("a", "night.csv, line 2"), ("b", "night.csv, line 3"), ("line 4", "night.csv, line 4"),
            ("c", "night.csv, line 5"), ("d", "night.csv, line 6"),
        ]  # fmt: skip
        a, b, nameless, c, d = ("\n".join(said_of(each)) for each in bad)
        assert 'priority = "high": is not a whole number' in a
        assert 'frames = "12-Jan": is a date: the spreadsheet has made one of the frames' in b
        assert "shot: is required" in nameless
        assert '"note" stands in a column without a name' in c
        assert 'priority = "1.5"' in c
        assert 'frames = "1001-"' in c
        assert "has 5 cells, the header 4" in d
        # where rows can't be told apart any more, nobody knows what is lost
        path.write_bytes(path.read_bytes() + b'e.toml,1,"1-2,\r\n')
        said = mistakes(path, preset="p")
        assert said[0].startswith("night.csv, line 8: ")
        assert "mend the quotes" in said[0]
        assert len(said) == 8

    def test_a_header_that_is_none(self, tmp_path: Path) -> None:
        path = tmp_path / "night.csv"
        path.write_text("pier.toml,15-perf-65\n")
        assert any('no column "shot"' in text for text in mistakes(path))
        path.write_text("shot,prest,Shot\n")
        said = mistakes(path)
        assert 'night.csv, line 1: prest: is not the name of a column. did you mean "preset"?' in said
        assert any("names two columns" in text for text in said)

    def test_columns_of_a_crew_s_own_are_left_out_and_said(self, tmp_path: Path) -> None:
        path = tmp_path / "night.csv"
        path.write_text("shot,Take,notes,preset,Notes\npier.toml,3,lovely,p,no\n")
        said: list[str] = []
        (entry,) = load_list(path, on_remark=said.append)
        assert (entry.shot.name, entry.preset, entry.wrong) == ("pier.toml", "p", ())
        assert said == ["night.csv: columns that are not for this list are left out: take, notes, notes"]

    def test_bytes_that_are_no_text(self, tmp_path: Path) -> None:
        path = tmp_path / "night.csv"
        path.write_bytes(bytes(range(256)))
        assert "is no text" in mistakes(path)[0]
        path.write_bytes(b"")
        assert "has no shots" in mistakes(path)[0]
        assert "no such file" in mistakes(tmp_path / "other.csv")[0]


def sequence(
    *, start: int = 1001, step: int = 1, count: int = 100, rate: float = 24.0, at: float = 0.0, policy: str = "error",
    base: str = "plates/", prefix: str = "pier.",
) -> otio.schema.ImageSequenceReference:  # fmt: skip
    return otio.schema.ImageSequenceReference(
        base, prefix, ".exr", start, step, rate, 4,
        getattr(otio.schema.ImageSequenceReference.MissingFramePolicy, policy),
        available_range=TimeRange(RationalTime(at, rate), RationalTime(count, rate)),
    )  # fmt: skip


def span(start: float, count: float, rate: float = 24.0) -> TimeRange:
    return TimeRange(RationalTime(start, rate), RationalTime(count, rate))


def clip(name: str, media: Any, source: TimeRange | None = None, **ours: Any) -> otio.schema.Clip:
    return otio.schema.Clip(name, media, source_range=source, metadata={"widegauge": ours} if ours else {})


def timeline(path: Path, *items: Any, **ours: Any) -> Path:
    """A timeline with one video track and one of sound, written by the library."""
    made = otio.schema.Timeline("night", metadata={"widegauge": ours} if ours else {})
    video = otio.schema.Track("V1", kind=otio.schema.TrackKind.Video)
    video.extend(items)
    sound = otio.schema.Track("A1", kind=otio.schema.TrackKind.Audio)
    sound.append(otio.schema.Clip("wind", otio.schema.ExternalReference("wind.wav"), source_range=span(0, 48)))
    made.tracks.extend([video, sound])
    otio.adapters.write_to_file(made, str(path))
    return path


class TestTimeline:
    @pytest.mark.parametrize(
        ("rate", "written"), [(24.0, "24"), (FILM, "24000/1001"), (25.0, "25"), (30000 / 1001, "30000/1001")]
    )
    @pytest.mark.parametrize("at", [0.0, 86400.0, 1001.0])
    def test_frames_are_those_that_the_library_says(self, tmp_path: Path, rate: float, written: str, at: float) -> None:
        media = sequence(rate=rate, at=at, policy="hold")
        source = span(at + 10, 48, rate)
        low, high = media.frame_range_for_time_range(source)
        (entry,) = load_list(
            timeline(tmp_path / "n.otio", clip("pier_010", media, source), preset="super-16", handles=4)
        )
        assert entry.frames == f"{low}-{high}" == "1011-1058"
        assert (entry.name, entry.preset, entry.handles) == ("pier_010", "super-16", 4)
        assert entry.shot == tmp_path / "shots" / "pier_010.toml"
        assert entry.facts == {
            "footage": {
                "path": str(tmp_path / "plates/pier.####.exr"),
                "frames": None,
                "rate": written,
                "missing": "hold",
            }
        }

    def test_steps_are_whole_and_hold_the_first_frame_shown(self, tmp_path: Path) -> None:
        media = sequence(step=2)
        (entry,) = load_list(timeline(tmp_path / "n.otio", clip("a", media, span(9, 12))), preset="p")
        wanted = set()
        for moment in range(9, 21):  # a frame is shown until the next one that there is
            number = media.frame_for_time(RationalTime(moment, 24))
            wanted.add(number - (number - media.start_frame) % media.frame_step)
        assert entry.frames is not None
        assert set(parse_frames(entry.frames)) == wanted

    def test_a_dissolve_takes_in_what_it_overlaps(self, tmp_path: Path) -> None:
        first, second = clip("a", sequence(), span(10, 20)), clip("b", sequence(prefix="lamp."), span(0, 20))
        path = timeline(
            tmp_path / "n.otio", first, otio.schema.Transition("", "", RationalTime(3, 24), RationalTime(5, 24)), second
        )
        read = otio.adapters.read_from_file(str(path))
        first = read.tracks[0][0]
        visible = first.visible_range()
        low, high = first.media_reference.frame_range_for_time_range(visible)
        remarks: list[str] = []
        a, b = load_list(path, preset="p", on_remark=remarks.append)
        assert a.frames == f"{low}-{high}" == "1011-1035"
        assert b.frames == "1001-1020"  # three frames before the first aren't there
        assert len(remarks) == 1
        assert '"b": asks for more than its media holds' in remarks[0]

    def test_what_a_clip_says_itself(self, tmp_path: Path) -> None:
        path = timeline(
            tmp_path / "n.otio",
            clip("a", sequence(), span(0, 4), shot="facts/pier.toml", preset="super-16", out="reel_2/a", priority=3, set=["grain.seed=3"]),
            clip("b", sequence(prefix="lamp."), span(0, 4), shott="x"),
            clip("c", sequence(prefix="buoy."), span(0, 4), frames="1-2"),
            preset="15-perf-65", sett=[],
        )  # fmt: skip
        said = mistakes(path, preset="super-16")
        assert [text.split(" = ")[0] for text in said] == [
            'n.otio, metadata["widegauge"]: sett', 'n.otio, V1, "b": shott', 'n.otio, V1, "c": widegauge.frames',
        ]  # fmt: skip
        path = timeline(path, clip("a", sequence(), span(0, 4), shot="facts/pier.toml", preset="super-16", out="reel_2/a", priority=3, set=["grain.seed=3"]))  # fmt: skip
        (entry,) = load_list(path)
        assert (entry.name, entry.shot, entry.preset, entry.priority) == (
            "reel_2/a", tmp_path / "facts/pier.toml", "super-16", 3,
        )  # fmt: skip
        assert entry.overrides == ("grain.seed=3",)

    def test_a_clip_that_can_not_be_used_leaves_the_others(self, tmp_path: Path) -> None:
        path = timeline(
            tmp_path / "n.otio",
            clip("a", sequence(), span(0, 4)),
            clip("b", sequence(prefix="lamp."), span(0, 4), preset="super-16", priority="high"),
            clip("c", sequence(prefix="buoy."), span(0, 4), out="a"),
            preset="15-perf-65",
        )
        a, b, c = load_list(path)
        assert [(each.name, bool(each.wrong)) for each in (a, b, c)] == [("a", False), ("b", True), ('"c"', True)]
        assert said_of(b)[0].startswith('n.otio, V1, "b": priority = "high": is not a whole number')
        assert 'would be written to the folder of n.otio, V1, "a"' in said_of(c)[0]

    def test_what_is_no_footage_is_left_out_with_a_sentence(self, tmp_path: Path) -> None:
        off = clip("off", sequence(), span(0, 4))
        off.enabled = False
        path = timeline(
            tmp_path / "n.otio",
            otio.schema.Gap(source_range=span(0, 24)),
            clip("lost", otio.schema.MissingReference(), span(0, 4)),
            clip("bars", otio.schema.GeneratorReference("bars", "SMPTEBars"), span(0, 4)),
            clip("far", otio.schema.ExternalReference("https://example.org/a.mov"), span(0, 4)),
            off,
            clip("pier", sequence(), span(0, 4)),
        )
        remarks: list[str] = []
        (entry,) = load_list(path, preset="p", on_remark=remarks.append)
        assert entry.name == "pier"
        assert [text.split('"')[1] for text in remarks] == ["lost", "bars", "far", "off"]
        path = timeline(path, clip("lost", otio.schema.MissingReference(), span(0, 4)))
        assert "no clip of a video track has media" in mistakes(path, preset="p")[0]

    def test_one_piece_of_media_in_several_clips(self, tmp_path: Path) -> None:
        path = timeline(
            tmp_path / "n.otio",
            clip("pier.exr", sequence(), span(0, 20)),
            clip("pier.exr", sequence(), span(10, 20)),
            clip("pier.exr", sequence(), span(0, 20)),
            clip("pier: end/2", sequence(), span(40, 1)),
        )
        remarks: list[str] = []
        entries = load_list(path, preset="p", on_remark=remarks.append)
        assert [(e.name, e.frames) for e in entries] == [
            ("pier", "1001-1020"), ("pier_1011-1030", "1011-1030"), ("pier_ end_2", "1041"),
        ]  # fmt: skip
        assert "finished once" in remarks[0]

    def test_movies_count_from_one(self, tmp_path: Path) -> None:
        movie = otio.schema.ExternalReference("file://localhost/media/my%20pier.mov", available_range=span(86400, 240))
        path = timeline(
            tmp_path / "n.otio", clip("a", movie, span(86410, 48)), clip("b", otio.schema.ExternalReference("b.mov"))
        )
        a, b = load_list(path, preset="p")
        assert (a.frames, a.facts["footage"]["path"]) == ("11-58", "/media/my pier.mov")
        assert (b.frames, b.facts["footage"]["path"]) == (None, str(tmp_path / "b.mov"))

    def test_a_clip_at_another_rate_than_its_media(self, tmp_path: Path) -> None:
        """The library's own rescaling says the same, to the frame."""
        movie = otio.schema.ExternalReference("a.mov", available_range=span(0, 240, 48))
        source = span(10, 24, 24)
        (entry,) = load_list(timeline(tmp_path / "n.otio", clip("a", movie, source)), preset="p")
        start = source.start_time.rescaled_to(48).value
        end = source.end_time_exclusive().rescaled_to(48).value
        assert entry.frames == f"{int(start) + 1}-{int(end)}" == "21-68"

    @pytest.mark.parametrize("url", ["plates/pier.%04d.exr", "plates/pier.####.exr", "plates/pier.1001.exr", "plates"])
    @pytest.mark.parametrize("begin", [1001, 86400, 0])
    def test_numbered_frames_by_a_single_reference(self, tmp_path: Path, url: str, begin: int) -> None:
        """By pattern, folder or first file; the media's time may be its numbers, a time code, or nothing."""
        (tmp_path / "plates").mkdir()
        for number in range(1001, 1049):
            (tmp_path / "plates" / f"pier.{number}.exr").touch()
        media = otio.schema.ExternalReference(url, available_range=span(begin, 48))
        (entry,) = load_list(timeline(tmp_path / "n.otio", clip("a", media, span(begin + 4, 10))), preset="p")
        assert entry.frames == "1005-1014"
        assert entry.facts["footage"]["rate"] == "24"

    def test_a_retimed_clip_takes_what_it_plays(self, tmp_path: Path) -> None:
        fast, back = clip("fast", sequence(), span(10, 10)), clip("back", sequence(), span(10, 10))
        fast.effects.append(otio.schema.LinearTimeWarp(time_scalar=2.0))
        back.effects.append(otio.schema.LinearTimeWarp(time_scalar=-1.0))
        entries = load_list(timeline(tmp_path / "n.otio", fast, back), preset="p")
        assert [entry.frames for entry in entries] == ["1011-1030", "1001-1100"]

    def test_shot_files_by_the_name_of_clip_or_media(self, tmp_path: Path) -> None:
        folder = tmp_path / "facts"
        folder.mkdir()
        (folder / "pier.toml").touch()
        (entry,) = load_list(
            timeline(tmp_path / "n.otio", clip("take 3", sequence(), span(0, 4))), preset="p", shots=folder
        )
        assert (entry.name, entry.shot) == ("take 3", folder / "pier.toml")

    def test_a_bundle_keeps_its_media_packed(self, tmp_path: Path) -> None:
        media = tmp_path / "a.mov"
        media.write_bytes(b"x")
        made = otio.schema.timeline_from_clips([clip("a", otio.schema.ExternalReference(media.as_uri()), span(0, 4))])
        otio.adapters.write_to_file(made, str(tmp_path / "n.otioz"))
        otio.adapters.write_to_file(made, str(tmp_path / "n.otiod"))
        assert "keeps its media packed" in mistakes(tmp_path / "n.otioz", preset="p")[0]
        (entry,) = load_list(tmp_path / "n.otiod", preset="p")
        assert Path(entry.facts["footage"]["path"]).read_bytes() == b"x"

    @pytest.mark.parametrize("text", ["{", "", '{"OTIO_SCHEMA": "Nope.1"}', '{"OTIO_SCHEMA": "Clip.2", "name": "x"}'])
    def test_what_is_no_timeline(self, tmp_path: Path, text: str) -> None:
        (tmp_path / "n.otio").write_text(text)
        (said,) = mistakes(tmp_path / "n.otio", preset="p")
        assert "timeline" in said
        assert "no such file" in mistakes(tmp_path / "m.otio")[0]

    def test_without_the_library(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setitem(sys.modules, "opentimelineio", None)
        (said,) = mistakes(tmp_path / "n.otio")
        assert "install widegauge[timeline]" in said
