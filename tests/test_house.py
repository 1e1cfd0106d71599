"""Rules of the house that a machine can hold."""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path

from widegauge import stages
from widegauge.stages.stage import Settings, Stage

PACKAGE = Path(stages.__file__).parents[1]


def test_the_order_is_the_folder() -> None:
    files = {path.stem for path in (PACKAGE / "stages").glob("*.py")} - {"__init__", "stage"}
    assert {stage.name for stage in stages.ORDER} == files
    assert [stage.name for stage in stages.ORDER] == ["framing", "defocus", "mtf", "halation", "grain"]


def test_every_key_of_a_stage_is_explained() -> None:
    for stage in stages.ORDER:
        assert isinstance(stage, Stage)
        assert issubclass(stage.settings, Settings)
        for key, field in stage.settings.model_fields.items():
            assert field.description, f"{stage.name}.{key}"


def test_no_file_is_too_long() -> None:
    for path in PACKAGE.rglob("*.py"):
        assert len(path.read_text().splitlines()) <= 400, path


def test_help_answers_at_once() -> None:
    """Nothing heavy is imported for --help: pinned by the modules, and by the time (best of five)."""
    code = "import sys, widegauge.cli as c; c.main(['--help'], standalone_mode=False); print(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    heavy = {"numpy", "numba", "scipy", "cv2", "colour", "av", "pydantic", "OpenImageIO", "rich", "onnxruntime"}
    heavy |= {"distributed", "dask", "opentimelineio"}
    assert not heavy & set(done.stdout.split())
    bare, full = [], []
    for _ in range(5):
        for times, what in (
            (bare, "pass"),
            (full, "from widegauge.cli import main; main(['--help'], standalone_mode=False)"),
        ):
            started = time.perf_counter()
            subprocess.run([sys.executable, "-c", what], capture_output=True, check=True)
            times.append(time.perf_counter() - started)
    assert min(full) - min(bare) < 0.15
