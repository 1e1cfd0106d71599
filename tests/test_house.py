"""Rules of the house that a machine can hold."""

from __future__ import annotations

import resource
import subprocess
import sys
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
    """Nothing heavy is imported for --help: pinned by the modules, and by the time (best of five).

    Time is the processor's: the clock's goes up with whatever else the machine does.
    """
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
            started = _children_s()
            subprocess.run([sys.executable, "-c", what], capture_output=True, check=True)
            times.append(_children_s() - started)
    assert min(full) - min(bare) < 0.15


def test_footage_of_usual_primaries_opens_without_colour_science() -> None:
    """Its import takes most of a second, of every start."""
    code = "import sys, widegauge.media.encoding as e; e.bake('linear', 'ITU-R BT.709'); print('colour' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "False\n"


def _children_s() -> float:
    """Seconds of the processor that ended children have taken."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime
