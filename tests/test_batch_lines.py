"""`widegauge batch` with lines in its list that can't be used: the others run, and each bad one is said wherever shots are."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import opentimelineio as otio
import pytest
from opentimelineio.opentime import RationalTime, TimeRange
from test_finish import digests, run
from widegauge.batch.state import STATE_NAME, read_state
from widegauge.run.lock import FolderLock


@pytest.fixture
def lists(make_shot: Callable[..., Path], tmp_path: Path) -> dict[str, tuple[Path, dict[str, str]]]:
    """The same night in three forms: two good shots, and bad lines by the name they go by, with what is said of each."""
    make_shot()
    toml = tmp_path / "night.toml"
    toml.write_text(
        '[all]\npreset = "super-16"\n'
        '[[shot]]\nshot = "pier.toml"\nframes = "1001"\n'
        '[[shot]]\nshot = "pier.toml"\nout = "back"\nframes = "1003-1001"\n'
        '[[shot]]\nshot = "pier.toml"\nout = "two"\nframes = "1002"\n'
        '[[shot]]\nshot = "pier.toml"\nout = "key"\nhandels = 1\n'
        '[[shot]]\nshot = "pier.toml"\nout = "first"\npriority = "high"\n'
        '[[shot]]\nshot = "pier.toml"\nout = "list"\nset = "grain.seed"\n'
        '[[shot]]\nout = "none"\n'
        '[[shot]]\nshot = "gone.toml"\n'
        '[[shot]]\nshot = "pier.toml"\nout = "lost"\npreset = "no-such"\n'
        '[[shot]]\nshot = "pier.toml"\nout = "PIER"\n'
    )
    sheet = tmp_path / "night.csv"
    sheet.write_text(
        "shot;out;preset;frames;priority;handles;set\n"
        "pier.toml;;super-16;1001;;;\n"
        "pier.toml;back;super-16;1003-1001;;;\n"
        "pier.toml;two;super-16;1002;;;\n"
        "pier.toml;key;super-16;01.12.2025;;;\n"
        "pier.toml;first;super-16;;high;;\n"
        "pier.toml;list;super-16;;;;grain.seed\n"
        ";;super-16;;;;\n"
        "gone.toml;;super-16;;;;\n"
        "pier.toml;lost;no-such;;;;\n"
        "pier.toml;PIER;super-16;;;;\n"
    )
    bad = {
        "back": 'frames = "1003-1001"',
        "first": 'priority = "high"',
        "list": "grain.seed",
        "gone": "gone.toml: no such file",
        "lost": 'preset = "no-such": no such preset',
    }
    return {
        "toml": (toml, bad | {"key": "handels = 1", "none": "shot: is required", "line 34": 'out = "PIER"'}),
        "csv": (sheet, bad | {"key": "is a date", "line 8": "shot: is required", "line 11": 'out = "PIER"'}),
        "otio": (_timeline(tmp_path), {"first": "priority", "key": "handels", "gone": "gone.toml: no such file", '"again"': 'out = "pier"'}),
    }  # fmt: skip


def _timeline(folder: Path) -> Path:
    """Clips named as the lines above."""

    def clip(name: str, frame: int, **ours: object) -> otio.schema.Clip:
        media = otio.schema.ImageSequenceReference(
            "plates/", "pier.", ".exr", 1001, 1, 24, 4,
            available_range=TimeRange(RationalTime(0, 24), RationalTime(3, 24)),
        )  # fmt: skip
        source = TimeRange(RationalTime(frame - 1001, 24), RationalTime(1, 24))
        return otio.schema.Clip(name, media, source, metadata={"widegauge": {"shot": "pier.toml"} | ours})

    clips = [
        clip("pier", 1001), clip("first", 1001, priority="high"), clip("two", 1002), clip("key", 1001, handels=1),
        clip("gone", 1001, shot="gone.toml"), clip("again", 1003, out="pier"),
    ]  # fmt: skip
    made = otio.schema.timeline_from_clips(clips)
    made.metadata["widegauge"] = {"preset": "super-16"}
    otio.adapters.write_to_file(made, str(folder / "night.otio"))
    return folder / "night.otio"


@pytest.mark.parametrize("form", ["toml", "csv", "otio"])
def test_the_others_run_and_each_bad_line_is_a_refused_shot(lists, tmp_path: Path, form: str) -> None:
    shot_list, bad = lists[form]
    out, log = tmp_path / "out", tmp_path / "log.jsonl"
    looked = run("batch", shot_list, "--out", out, "--dry-run", code=1)
    done = run("batch", shot_list, "--out", out, "--log", log, code=1)
    assert len(digests(out / "pier")) == len(digests(out / "two")) == 1
    assert sorted(path.name for path in out.iterdir() if path.is_dir()) == ["pier", "two"]
    report = json.loads((out / "batch.json").read_text())
    shots = {shot["name"]: shot for shot in report["shots"]}
    page = (out / "batch.html").read_text()
    ended = {
        each["shot"]: each for each in map(json.loads, log.read_text().splitlines()) if each["event"] == "shot ended"
    }
    status = run("batch", "--status", out).stdout
    assert set(shots) == set(ended) == {"pier", "two"} | set(bad)
    assert report["counts"]["finished"] == 2
    for name, said in bad.items():
        assert shots[name]["status"] == ended[name]["status"] == "refused"
        assert shots[name]["at"].startswith(f"{shot_list.name}, ")
        for sentence in (shots[name]["sentence"], ended[name]["sentence"], " ".join(looked.stdout.split())):
            assert said in sentence
        assert any(line.startswith(f"{name}: refused. ") and said in line for line in done.stdout.splitlines())
        assert any(line.startswith(f"{name}: ") and said in line for line in status.splitlines())
        assert f"{name}: refused" not in done.stderr, "the check has told it"
        assert said.replace('"', "&quot;") in page


@pytest.mark.parametrize("form", ["toml", "csv", "otio"])
def test_strict_begins_none(lists, tmp_path: Path, form: str) -> None:
    done = run("batch", lists[form][0], "--out", tmp_path / "out", "--strict", code=2)
    assert "nothing was begun, as --strict asks" in done.stderr
    assert not list((tmp_path / "out").iterdir())


@pytest.mark.parametrize(
    ("name", "text", "said"),
    [
        ("n.toml", "[[shot]\n", "not TOML"),
        ("n.toml", "", "the list has no shots"),
        ("n.toml", '[al]\n[[shot]]\nshot = "pier.toml"\n', 'did you mean "all"'),
        ("n.toml", '[[shot]]\nshot = "pier.toml"\n[all]\nhandels = 1\n', 'did you mean "handles"'),
        ("n.toml", '[[shot]]\nhandles = -1\n[[shot]]\nshot = "pier.toml"\nframes = "x"\n', "n.toml, line 3"),
        ("n.csv", "shot;frame\npier.toml;1001\n", 'did you mean "frames"'),
        ("n.csv", "name\npier.toml\n", 'no column "shot"'),
        ("n.csv", 'shot,frames\npier.toml,1001\npier.toml,"1002\n', "mend the quotes"),
        ("n.otio", "{", "is no timeline"),
    ],
)
def test_a_list_of_which_nothing_can_be_read_or_used(
    make_shot, tmp_path: Path, name: str, text: str, said: str
) -> None:
    make_shot()
    (tmp_path / name).write_text(text)
    done = run("batch", tmp_path / name, "--out", tmp_path / "out", "--preset", "super-16", code=2)
    assert said in done.stderr
    assert not (tmp_path / "out").exists()


def test_status_while_the_list_is_being_checked(tmp_path: Path) -> None:
    """There is no state yet, or only that of an earlier run, which is not this one's."""
    out = tmp_path / "out"
    lock = FolderLock(out)
    said = "the list is being checked, and no frame is begun yet"
    assert said in run("batch", "--status", out).stdout
    earlier = {"started": "2031-03-12T19:02:00.000Z"}
    (out / STATE_NAME).write_text(json.dumps(earlier | {"started": "2001-03-12T19:02:00.000Z"}))
    assert said in run("batch", "--status", out).stdout
    (out / STATE_NAME).write_text(json.dumps(earlier))
    assert read_state(out) == (earlier, True)
    lock.release()
    assert read_state(out) == (earlier, False)
