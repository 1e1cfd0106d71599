"""What README and DEVELOPERS say must be so: their commands run, their examples load, their numbers are the plan's."""

from __future__ import annotations

import re
import shlex
import tomllib
from pathlib import Path

import click
import numpy as np
import pytest
from conftest import CHECKOUT, write_exr
from test_finish import run
from widegauge.cli import main
from widegauge.plan import Plan, make_plan
from widegauge.plate import open_plate
from widegauge.presets import load_preset
from widegauge.shot import load_shot

README = (CHECKOUT / "README.md").read_text()
SHOT_FILE = CHECKOUT / "sample_frames" / "landing.toml"


def block(text: str, mark: str) -> str:
    """The code block after a mark in a document."""
    match = re.search(rf"<!-- {mark}.*? -->\n```\w*\n(.*?)```", text, re.DOTALL)
    assert match, mark
    return match[1].strip()


@pytest.fixture(scope="module")
def plan() -> Plan:
    return make_plan(open_plate(load_shot(SHOT_FILE)), load_preset("15-perf-65"))


def test_the_main_job_runs_and_shows_its_pictures(tmp_path: Path) -> None:
    """README's command after its own set-up; at a quarter of the size, since CI runs the whole of it besides."""
    *_, command = block(README, "main job").split("&&")
    words = shlex.split(command)
    assert words == [".venv/bin/widegauge", "demo"]
    done = run(*words[1:], "--out", tmp_path, "--proxy", "1/4")
    assert "8 finished" in done.stdout
    for name in ("wipe.png", "stages.png", "detail.png"):
        assert f"{tmp_path / name}:" in done.stdout
        assert (tmp_path / name).stat().st_size > 10_000


def test_the_shot_file_that_it_shows_is_good(tmp_path: Path) -> None:
    text = block(README, "shot")
    (tmp_path / "pier.toml").write_text(text)
    facts = tomllib.loads(text)
    for place in (facts["footage"]["path"], facts["depth"]["path"]):
        path = tmp_path / place.replace("####", "1001")
        path.parent.mkdir(exist_ok=True)
        write_exr(path, np.full((157, 235, 3), 0.2, np.float16), z=np.full((157, 235), 5.0))
    commands = block(README, "yours").splitlines()
    assert len(commands) == 2
    for command in commands:
        words = shlex.split(
            command.replace("pier.toml", str(tmp_path / "pier.toml")).replace(
                "--out finished", f"--out {tmp_path / 'finished'}"
            )
        )
        assert words[0] == ".venv/bin/widegauge"
        run(*words[1:])
    assert (tmp_path / "finished" / "pier_010.1001.exr").is_file()


def test_the_numbers_are_the_plans(plan: Plan) -> None:
    """Each row of the table "What each stage adds" gives footage, negative and difference as the plan does."""
    table = README.split("## What each stage adds")[1].split("##")[0]
    rows = {(s.name, row.quantity, row.unit): row for s in plan.stages if s.planned for row in s.planned.rows}
    found = 0
    for line in table.splitlines():
        cells = [cell.strip() for cell in line.strip("|").split("|")]
        if len(cells) == 6 and cells[0] in {"framing", "defocus", "mtf", "halation", "grain"}:
            row = rows[(cells[0], cells[1], cells[2])]
            for text, number in zip(cells[3:], (row.footage, row.negative, row.difference), strict=True):
                assert text == "-" if number is None else float(text) == pytest.approx(number, rel=0.006, abs=0.0006), (
                    line
                )
            found += 1
    assert found >= 6
    assert f"{plan.depth_of_field_stops:.1f} stops too deep" in table


def test_the_nights_command_runs(tmp_path: Path) -> None:
    words = shlex.split(block(README, "night"))
    assert words[0] == "widegauge"
    words[words.index("--out") + 1] = str(tmp_path)
    run(*(str(CHECKOUT / word) if word.endswith(".toml") else word for word in words[1:]), "--proxy", "1/4")
    page = (tmp_path / "batch.html").read_text()
    assert "All 3 shots are finished" in page
    assert page.count("a preview, 1/4 of the footage") == 3


def test_the_other_commands_are_understood() -> None:
    """Each is a verb with the options that it is shown with; the inputs are a crew's own."""
    depth, measure = block(README, "depth").splitlines(), block(README, "measure").splitlines()[1:]
    assert {shlex.split(line)[2] for line in depth} == {"layout", "stereo", "network", "scale", "clean", "show"}
    assert [shlex.split(line)[2] for line in measure] == ["blur", "edge", "halation", "grain"]
    lines = [*depth, *measure, block(README, "machines").splitlines()[-1]]
    for line in lines:
        command, words = main, shlex.split(line)[1:]
        while isinstance(command, click.Group):
            name = words.pop(0)
            command = command.get_command(click.Context(command), name)
        assert command is not None, line
        command.make_context(name, words)


def test_the_gate_is_the_one_that_ci_runs() -> None:
    gate = block((CHECKOUT / "DEVELOPERS.md").read_text(), "gate")
    ci = (CHECKOUT / ".ci" / "run").read_text()
    for command in gate.split(" && "):
        assert command in ci or "pytest" in command, command
