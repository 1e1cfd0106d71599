"""One writer a folder: who holds it is said, and no crash leaves it locked."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from test_finish import finish
from widegauge.errors import MediaError, SettingsError
from widegauge.run.lock import LOCK_NAME, FolderLock, is_held

HOLD = """
import sys, time
from pathlib import Path
from widegauge.run.lock import FolderLock
lock = FolderLock(Path(sys.argv[1]))
print("held", flush=True)
time.sleep(60)
"""

COUNT = """
import sys
from pathlib import Path
from widegauge.errors import SettingsError
from widegauge.run.lock import FolderLock
folder, counter = Path(sys.argv[1]), Path(sys.argv[2])
for _ in range(60):
    while True:
        try:
            lock = FolderLock(folder)
            break
        except SettingsError:
            continue
    counted = int(counter.read_text())
    counter.write_text("")
    counter.write_text(str(counted + 1))
    lock.release()
"""


def test_a_second_writer_is_told_who_and_since_when(tmp_path: Path) -> None:
    lock = FolderLock(tmp_path / "out")
    assert is_held(tmp_path / "out")
    with pytest.raises(SettingsError, match=rf"written to by another widegauge, process {os.getpid()} on .+, since 20"):
        FolderLock(tmp_path / "out")
    lock.release()
    assert not is_held(tmp_path / "out")
    assert not list((tmp_path / "out").iterdir())
    FolderLock(tmp_path / "out").release()


def test_a_killed_writer_holds_nothing(tmp_path: Path) -> None:
    child = subprocess.Popen([sys.executable, "-c", HOLD, tmp_path], stdout=subprocess.PIPE, text=True)
    assert child.stdout is not None
    assert child.stdout.readline() == "held\n"
    with pytest.raises(SettingsError, match=f"process {child.pid} on"):
        FolderLock(tmp_path)
    child.send_signal(signal.SIGKILL)
    child.wait()
    child.stdout.close()
    assert (tmp_path / LOCK_NAME).exists()
    assert not is_held(tmp_path)
    FolderLock(tmp_path).release()
    assert not (tmp_path / LOCK_NAME).exists()


def test_never_two_at_once_though_the_file_is_unlinked_each_time(tmp_path: Path) -> None:
    """Three processes count in one file, each in its turn: a lock on a file that was unlinked would lose counts."""
    counter = tmp_path / "counter"
    counter.write_text("0")
    words = [sys.executable, "-c", COUNT, tmp_path / "out", counter]
    children = [subprocess.Popen(words) for _ in range(3)]
    assert [child.wait(timeout=120) for child in children] == [0, 0, 0]
    assert counter.read_text() == "180"
    assert not list((tmp_path / "out").iterdir())


def test_a_look_never_keeps_a_writer_out(tmp_path: Path) -> None:
    code = f"from pathlib import Path; from widegauge.run.lock import is_held\nwhile True: is_held(Path({str(tmp_path)!r}))"
    (tmp_path / LOCK_NAME).touch()
    child = subprocess.Popen([sys.executable, "-c", code])
    until = time.monotonic() + 1.0
    try:
        while time.monotonic() < until:
            FolderLock(tmp_path).release()
    finally:
        child.kill()
        child.wait()


def test_finish_refuses_a_folder_that_is_being_written_to(make_shot, tmp_path: Path) -> None:
    lock = FolderLock(tmp_path / "out")
    refused = finish(make_shot(frames=1), tmp_path / "out", code=2)
    assert f"is being written to by another widegauge, process {os.getpid()}" in refused.stderr
    lock.release()
    finish(tmp_path / "pier.toml", tmp_path / "out")
    assert not list((tmp_path / "out").glob(".*"))


def test_a_place_where_nothing_can_be_written(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(MediaError, match="can't write there"):
        FolderLock(tmp_path / "file" / "out")
