"""The record and its journal: constant cost a frame, and nothing forgotten by a kill."""

from __future__ import annotations

import errno
import json
import os
import signal
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from test_finish import finish
from widegauge.run.journal import journal_path, read_journal
from widegauge.run.record import FrameRecord, Record, read_record

FRAME = FrameRecord(source="a" * 64, depth="b" * 64, output="pier.1001.exr", sha256="c" * 64, bytes=1, seconds=0.5)

ADD = """
import os, signal, sys
from pathlib import Path
sys.path.insert(0, sys.argv[2])
from test_journal import FRAME, record_at
record = record_at(Path(sys.argv[1]))
for number in range(1, 41):
    record.add(number, FRAME)
os.kill(os.getpid(), signal.SIGKILL)
"""


def record_at(path: Path, *, key: str = "k") -> Record:
    return Record(path, key, {"head": "x"}, {})


def test_a_frame_costs_the_same_however_many_there_are(tmp_path: Path) -> None:
    path = tmp_path / "pier.record.json"
    record = record_at(path)
    record.add(0, FRAME)
    saved, grown = path.stat(), []
    for number in range(1000, 3000):
        before = journal_path(path).stat().st_size if number > 1000 else 0
        record.add(number, FRAME)
        grown.append(journal_path(path).stat().st_size - before)
    assert set(grown) == {grown[0]}
    assert path.stat().st_mtime_ns == saved.st_mtime_ns
    assert len(read_record(path)["frames"]) == 2001
    record.save()
    record.close()
    assert [p.name for p in tmp_path.iterdir()] == [path.name]
    assert len(json.loads(path.read_text())["frames"]) == 2001


def test_a_killed_writer_forgets_nothing(tmp_path: Path) -> None:
    path = tmp_path / "pier.record.json"
    done = subprocess.run([sys.executable, "-c", ADD, path, Path(__file__).parent], check=False)
    assert done.returncode == -signal.SIGKILL
    assert len(json.loads(path.read_text())["frames"]) == 1
    assert sorted(map(int, read_record(path)["frames"])) == list(range(1, 41))


def test_torn_lines_and_other_settings_are_left_out(tmp_path: Path) -> None:
    path = tmp_path / "pier.record.json"
    record = record_at(path)
    for number in range(1, 4):
        record.add(number, FRAME)
    record.close()
    with journal_path(path).open("ab") as file:
        file.write(b'\n{"key": "other", "number": 8, "frame": {}}\n{"key": "k", "number": 9, "fra')
    assert sorted(read_journal(path, "k")) == ["2", "3"]
    late = record_at(path)
    late._due_s = float("inf")
    late.add(10, FRAME)
    late.close()
    assert sorted(read_journal(path, "k"), key=int) == ["2", "3", "10"], "a torn line spoils the next one"


def test_the_latest_word_on_a_frame_holds(tmp_path: Path) -> None:
    path = tmp_path / "pier.record.json"
    record = record_at(path)
    record.add(1, FRAME)
    record.add(1, replace(FRAME, sha256="d" * 64))
    record.close()
    assert read_record(path)["frames"]["1"]["sha256"] == "d" * 64


def test_a_full_disk_is_noticed(tmp_path: Path) -> None:
    """/dev/full answers every write as a full disk does."""
    path = tmp_path / "pier.record.json"
    record = record_at(path)
    record.add(1, FRAME)
    journal_path(path).symlink_to("/dev/full")
    with pytest.raises(OSError) as refused:  # noqa: PT011
        record.add(2, FRAME)
    record.close()
    assert refused.value.errno == errno.ENOSPC
    assert record.unsaved


def test_what_only_the_journal_knows_counts_for_finish_and_compare(make_shot, tmp_path: Path) -> None:
    from widegauge.run.compare import open_finished

    shot, out = make_shot(), tmp_path / "out"
    finish(shot, out)
    path = out / "pier.record.json"
    data = json.loads(path.read_text())
    lines = [{"key": data["key"], "number": int(n), "frame": frame} for n, frame in data["frames"].items()]
    path.write_text(json.dumps(data | {"frames": {}}))
    journal_path(path).write_text("".join("\n" + json.dumps(line) for line in lines))
    assert list(open_finished(path).files) == [1001, 1002, 1003]
    written = [os.stat(out / f"pier.{n}.exr").st_mtime_ns for n in (1001, 1002, 1003)]  # noqa: PTH116
    assert "0 finished, 3 done before" in finish(shot, out).stdout
    assert written == [os.stat(out / f"pier.{n}.exr").st_mtime_ns for n in (1001, 1002, 1003)]  # noqa: PTH116
    assert not list(out.glob(".*"))
    assert len(json.loads(path.read_text())["frames"]) == 3
