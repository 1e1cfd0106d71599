"""Depth by a network: tiny ones made here whose answers are known, and what is said of those that do not fit."""

from __future__ import annotations

import re
import sys
from pathlib import Path
from typing import Any

import numpy as np
import onnx
import pytest
from click.testing import CliRunner
from conftest import SHOT, read_exr, write_exr
from onnx import TensorProto, helper, numpy_helper
from widegauge.cli import main
from widegauge.depth.network import Wants, load, tiled
from widegauge.plate import open_plate
from widegauge.shot import load_shot

WIDTH, HEIGHT, FRAMES = 240, 160, 5
GREY = np.full((HEIGHT, WIDTH, 3), 0.5, np.float32)


def run(*words: object, code: int = 0) -> str:
    done = CliRunner().invoke(main, ["depth", "network", *map(str, words)])
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        raise done.exception
    assert done.exit_code == code, done.output
    return " ".join(done.output.split())


def save(
    path: Path,
    nodes: list[Any],
    *,
    inputs: dict[str, tuple[int, list[Any]]],
    outputs: dict[str, int],
    weights: dict[str, np.ndarray] | None = None,
    stated: dict[str, str] | None = None,
) -> Path:
    """Write a network; ``inputs`` are (type, shape) by name, ``outputs`` how many sides each has."""
    graph = helper.make_graph(
        nodes,
        "made",
        [helper.make_tensor_value_info(name, kind, shape) for name, (kind, shape) in inputs.items()],
        [
            helper.make_tensor_value_info(n, TensorProto.FLOAT, [f"{n}{i}" for i in range(k)])
            for n, k in outputs.items()
        ],
        [numpy_helper.from_array(value, name) for name, value in (weights or {}).items()],
    )
    model = helper.make_model(graph, opset_imports=[helper.make_opsetid("", 17)], ir_version=9)
    for key, value in (stated or {}).items():
        entry = model.metadata_props.add()
        entry.key, entry.value = key, value
    onnx.checker.check_model(model)
    onnx.save(model, str(path))
    return path


def red(
    path: Path, *, shape: list[Any] | None = None, layout: str = "NCHW", stated: dict[str, str] | None = None
) -> Path:
    """A network that gives the red channel as it gets it: with no mean and a spread of 1, the picture's own code."""
    axis = 1 if layout == "NCHW" else 3
    weights = {"first": np.array([0], np.int64), "last": np.array([1], np.int64), "axis": np.array([axis], np.int64)}
    node = helper.make_node("Slice", ["picture", "first", "last", "axis"], ["depth"])
    shape = shape or ([1, 3, "h", "w"] if layout == "NCHW" else [1, "h", "w", 3])
    return save(
        path, [node], inputs={"picture": (TensorProto.FLOAT, shape)}, outputs={"depth": 4}, weights=weights,
        stated={"mean": "0, 0, 0", "spread": "1, 1, 1"} | (stated or {}),
    )  # fmt: skip


def srgb(light: np.ndarray) -> np.ndarray:
    """IEC 61966-2-1."""
    return np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 0.0031308) ** (1 / 2.4) - 0.055)


def linear(code: np.ndarray) -> np.ndarray:
    return np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)


def wanted(number: int) -> np.ndarray:
    """Inverse depth of a frame, 0.1 to 0.8: a slope, a box that stands 2 px farther right every frame, and texture."""
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH]
    q = 0.1 + 0.3 * y / HEIGHT
    left = 80 + 2 * (number - 1001)
    q[50:110, left : left + 60] = 0.75
    moved = np.where((y >= 50) & (y < 110) & (x >= left) & (x < left + 60), x - left, x)
    return q + 0.02 * np.sin(0.9 * moved) * np.cos(0.7 * y)


@pytest.fixture
def shot(tmp_path: Path) -> Path:
    """A shot whose red channel, as sRGB, is its inverse depth."""
    for number in range(1001, 1001 + FRAMES):
        light = linear(wanted(number))[..., None] * np.ones(3)
        write_exr(tmp_path / f"pier.{number}.exr", light.astype(np.float32))
    path = tmp_path / "pier.toml"
    path.write_text(SHOT.replace("plates/", "").split("[depth]")[0])
    return path


def maps(folder: Path, numbers: range = range(1001, 1001 + FRAMES)) -> list[np.ndarray]:
    return [read_exr(folder / f"pier.{number}.exr", "Z") for number in numbers]


# ---- what it gives


@pytest.mark.parametrize("layout", ["NCHW", "NHWC"])
def test_a_network_that_says_the_truth_gives_the_truth(shot: Path, layout: str) -> None:
    model = red(shot.parent / "red.onnx", layout=layout, stated={"kind": "inverse"})
    said = run(shot, "--model", model, "--out", shot.parent / "depth", "--input-px", f"{WIDTH}x{HEIGHT}", "--window", 1)
    assert 'kind = "inverse"' in said
    for number, found in zip(range(1001, 1006), maps(shot.parent / "depth" / "relative"), strict=True):
        np.testing.assert_allclose(found, wanted(number), atol=2e-5)


def test_taped_distances_make_metres(shot: Path) -> None:
    """1/Z = 0.5 q + 0.02, from two tapes."""
    model = red(shot.parent / "red.onnx", stated={"kind": "inverse", "input_px": f"{WIDTH}x{HEIGHT}"})
    metres = 1 / (0.5 * wanted(1001) + 0.02)
    tapes = []
    for x, y in ((0.46, 0.5), (0.9, 0.1)):
        column, row = int(x * WIDTH), int(y * HEIGHT)
        near = np.median(wanted(1001)[row - 2 : row + 3, column - 2 : column + 3])
        tapes += ["--tape", f"{x},{y},{1 / (0.5 * near + 0.02)}"]
    out = shot.parent / "depth"
    run(shot, "--model", model, "--out", out, "--window", 1, *tapes)
    np.testing.assert_allclose(maps(out)[0], metres, rtol=1e-3)
    np.testing.assert_allclose(maps(out)[4], 1 / (0.5 * wanted(1005) + 0.02), rtol=1e-3)


def test_the_lines_that_it_prints_go_into_the_shot_file(shot: Path) -> None:
    model = red(shot.parent / "red.onnx", stated={"kind": "inverse", "input_px": f"{WIDTH}x{HEIGHT}"})
    words = ["depth", "network", str(shot), "--model", str(model), "--out", str(shot.parent / "depth"), "--window", "1"]
    said = CliRunner().invoke(main, words).stdout
    # 1/Z = q: at the two places that the lines give as an example
    tape = [(x, y, 1 / float(wanted(1001)[int(y * HEIGHT), int(x * WIDTH)])) for x, y in ((0.5, 0.6), (0.8, 0.4))]
    lines = re.sub(r"taped = .*", f"taped = {[list(each) for each in tape]}", said[said.index("[depth]") :])
    shot.write_text(shot.read_text() + lines)
    np.testing.assert_allclose(open_plate(load_shot(shot)).depth_m(1003), 1 / wanted(1003), rtol=0.1)


def test_a_metric_network_s_values_are_metres(shot: Path) -> None:
    model = red(shot.parent / "red.onnx", stated={"kind": "metric", "input_px": f"{WIDTH}x{HEIGHT}"})
    said = run(shot, "--model", model, "--out", shot.parent / "depth", "--window", 1, "--frames", "1002-1003")
    assert 'path = "depth/pier.####.exr"' in said
    for number, found in zip((1002, 1003), maps(shot.parent / "depth", range(1002, 1004)), strict=True):
        np.testing.assert_allclose(found, wanted(number), atol=3e-5)
    assert not (shot.parent / "depth" / "pier.1001.exr").exists()
    assert "metres already" in run(
        shot, "--model", model, "--out", shot.parent / "depth", "--tape", "0.1,0.1,2", "--tape", "0.2,0.9,3", code=2
    )


def test_what_is_given_stands_above_what_the_file_says(shot: Path) -> None:
    model = red(shot.parent / "red.onnx", stated={"kind": "metric", "mean": "9,9,9", "input_px": "16x16"})
    words = ("--kind", "inverse", "--mean", "0.5,0,0", "--spread", "0.25,1,1", "--input-px", f"{WIDTH}x{HEIGHT}")
    run(shot, "--model", model, *words, "--out", shot.parent / "depth", "--window", 1, "--frames", 1001)
    found = read_exr(shot.parent / "depth" / "relative" / "pier.1001.exr", "Z")
    np.testing.assert_allclose(found, (wanted(1001) - 0.5) / 0.25, atol=1e-4)


def test_the_usual_mean_and_spread_are_those_of_picture_networks(tmp_path: Path) -> None:
    """torchvision's documentation, "torchvision.models": mean 0.485, 0.456, 0.406 and std 0.229, 0.224, 0.225."""
    network = load(red(tmp_path / "red.onnx", stated={"mean": "", "spread": ""}), Wants(kind="inverse"))
    assert network.mean == (0.485, 0.456, 0.406)
    assert network.spread == (0.229, 0.224, 0.225)


def test_the_picture_it_is_shown_is_srgb_in_range_at_its_size(tmp_path: Path) -> None:
    network = load(red(tmp_path / "red.onnx", shape=[1, 3, 40, 60]), Wants(kind="inverse"))
    assert network.input_px == (60, 40)
    ramp = np.linspace(-0.2, 1.4, WIDTH, dtype=np.float32)[None, :, None] * np.ones((HEIGHT, 1, 3), np.float32)
    found = network.inverse(ramp)
    assert found.shape == (40, 60)
    assert found.min() == 0.0
    assert found.max() == 1.0
    anything = load(red(tmp_path / "any.onnx"), Wants(kind="inverse"))
    width, height = anything.size_px(1080, 1920)
    assert width % 14 == height % 14 == 0
    assert width / height == pytest.approx(1920 / 1080, rel=0.03)
    assert width * height == pytest.approx(518 * 518, rel=0.05)


def test_bytes_and_halves_are_given_as_such(tmp_path: Path) -> None:
    ramp = np.linspace(0.1, 0.9, WIDTH, dtype=np.float32)[None, :, None] * np.ones((HEIGHT, 1, 3), np.float32)
    for kind, scale, tolerance in ((TensorProto.UINT8, 255.0, 0.51), (TensorProto.FLOAT16, 1.0, 1e-3)):
        weights = {"first": np.array([0], np.int64), "last": np.array([1], np.int64), "axis": np.array([1], np.int64)}
        nodes = [
            helper.make_node("Cast", ["picture"], ["wide"], to=TensorProto.FLOAT),
            helper.make_node("Slice", ["wide", "first", "last", "axis"], ["depth"]),
        ]
        path = save(
            tmp_path / "typed.onnx", nodes, inputs={"picture": (kind, [1, 3, HEIGHT, WIDTH])}, outputs={"depth": 4},
            weights=weights, stated={"mean": "0,0,0", "spread": "1,1,1", "kind": "inverse"},
        )  # fmt: skip
        np.testing.assert_allclose(load(path, Wants()).inverse(ramp), ramp[..., 0] * scale, atol=tolerance)


# ---- tiles


def drifting(path: Path) -> Path:
    """A network that is sure of nothing but order: its values depend on the mean of what it is shown."""
    weights = {
        "first": np.array([0], np.int64), "last": np.array([1], np.int64), "axis": np.array([1], np.int64),
        "sides": np.array([2, 3], np.int64), "three": np.float32(3.0), "one": np.float32(1.0),
    }  # fmt: skip
    nodes = [
        helper.make_node("Slice", ["picture", "first", "last", "axis"], ["red"]),
        helper.make_node("ReduceMean", ["red"], ["mean"], axes=[2, 3], keepdims=1),
        helper.make_node("Mul", ["mean", "three"], ["much"]),
        helper.make_node("Add", ["much", "one"], ["gain"]),
        helper.make_node("Mul", ["red", "gain"], ["scaled"]),
        helper.make_node("Sub", ["scaled", "mean"], ["depth"]),
    ]
    del weights["sides"]
    return save(
        path, nodes, inputs={"picture": (TensorProto.FLOAT, [1, 3, 40, 60])}, outputs={"depth": 4}, weights=weights,
        stated={"mean": "0,0,0", "spread": "1,1,1", "kind": "inverse"},
    )  # fmt: skip


def test_tiles_show_more_and_agree_with_one_another(tmp_path: Path) -> None:
    network = load(drifting(tmp_path / "drifting.onnx"), Wants())
    honest = load(red(tmp_path / "red.onnx", shape=[1, 3, 40, 60]), Wants(kind="inverse"))
    picture = wanted(1001).astype(np.float32)[..., None] * np.ones(3, np.float32)
    whole, parts, best = (
        tiled(each, picture, columns=n, rows=n, size_px=(WIDTH, HEIGHT))
        for each, n in ((network, 1), (network, 4), (honest, 4))
    )

    def off(found: np.ndarray) -> np.ndarray:
        """What a straight line leaves: an inverse map means no more than that."""
        slope, intercept = np.polyfit(found.ravel(), wanted(1001).ravel(), 1)
        return slope * found + intercept - wanted(1001)

    coarse, fine, least = (float(np.sqrt((off(found) ** 2).mean())) for found in (whole, parts, best))
    print(f"rms error of inverse depth (0.1 to 0.77): whole frame {coarse:.4f}, 4 x 4 tiles {fine:.4f}; {least:.4f}")
    assert fine < 0.6 * coarse
    assert fine < 1.1 * least


def test_tiles_of_a_flat_network_are_flat(tmp_path: Path) -> None:
    network = load(red(tmp_path / "red.onnx", shape=[1, 3, 40, 60]), Wants(kind="inverse"))
    y = np.linspace(0.2, 0.8, HEIGHT, dtype=np.float32)[:, None, None] * np.ones((1, WIDTH, 3), np.float32)
    found = tiled(network, y, columns=3, rows=2, size_px=(WIDTH, HEIGHT))
    np.testing.assert_allclose(found, y[..., 0], atol=4e-3)


# ---- over time


def jittering(shot: Path, *, sigma: float) -> None:
    """Frames whose red channel, the depth, flickers at random from frame to frame while the rest moves as it does."""
    for number in range(1001, 1001 + FRAMES):
        rng = np.random.default_rng(number)
        noisy = wanted(number) + sigma * rng.standard_normal((HEIGHT, WIDTH))
        light = linear(np.stack([noisy, wanted(number), wanted(number)], axis=-1))
        write_exr(shot.parent / f"pier.{number}.exr", light.astype(np.float32))


def test_values_settle_along_the_motion(shot: Path) -> None:
    jittering(shot, sigma=0.02)
    model = red(shot.parent / "red.onnx", stated={"kind": "inverse", "input_px": f"{WIDTH}x{HEIGHT}"})
    errors = {}
    for window in (1, 3, 5):
        out = shot.parent / f"depth{window}"
        run(shot, "--model", model, "--out", out, "--window", window)
        off = maps(out / "relative")[2] - wanted(1003)
        box = off[58:102, 92:136]
        errors[window] = float(box.std())
    print("error in the moving box by window: " + ", ".join(f"{w}: {e:.4f}" for w, e in errors.items()))
    # the median of 3 normal values has 0.670 of one's deviation, of 5 0.536
    assert errors[3] < 0.8 * errors[1]
    assert errors[5] < errors[3]


def test_nothing_is_carried_over_a_cut(shot: Path) -> None:
    rng = np.random.default_rng(3)
    for number in (1004, 1005):
        light = linear(0.2 + 0.6 * rng.random((HEIGHT // 8, WIDTH // 8, 1)).repeat(8, 0).repeat(8, 1))
        write_exr(shot.parent / f"pier.{number}.exr", (light * np.ones(3)).astype(np.float32))
    model = red(shot.parent / "red.onnx", stated={"kind": "inverse", "input_px": f"{WIDTH}x{HEIGHT}"})
    run(shot, "--model", model, "--out", shot.parent / "one", "--window", 1)
    run(shot, "--model", model, "--out", shot.parent / "five", "--window", 5)
    alone, settled = (maps(shot.parent / name / "relative") for name in ("one", "five"))
    assert np.abs(settled[3] - alone[3]).mean() < 0.02 * np.ptp(alone[3])


def test_a_part_of_the_shot_gives_the_same_bytes(shot: Path) -> None:
    jittering(shot, sigma=0.02)
    model = red(shot.parent / "red.onnx", stated={"kind": "inverse"})
    for name, words in (("whole", ()), ("part", ("--frames", "1003")), ("again", ())):
        run(shot, "--model", model, "--out", shot.parent / name, *words)
    whole, part, again = (
        (shot.parent / n / "relative" / "pier.1003.exr").read_bytes() for n in ("whole", "part", "again")
    )
    assert whole == part == again


# ---- what does not fit, in a sentence


def test_a_network_that_does_not_fit_is_refused(shot: Path, tmp_path: Path) -> None:
    words = ("--out", tmp_path / "depth")
    picture = (TensorProto.FLOAT, [1, 3, 40, 60])
    four = dict.fromkeys(("left", "right", "before", "after"), picture)
    nodes = [helper.make_node("Sum", list(four), ["depth"])]
    model = save(tmp_path / "four.onnx", nodes, inputs=four, outputs={"depth": 4})
    said = run(shot, "--model", model, *words, code=2)
    assert "wants 4 inputs" in said
    assert "takes one picture" in said

    model = save(tmp_path / "flat.onnx", [helper.make_node("Identity", ["a"], ["depth"])],
                 inputs={"a": (TensorProto.FLOAT, [1, 100])}, outputs={"depth": 2})  # fmt: skip
    assert "of shape [1, 100]" in run(shot, "--model", model, *words, code=2)

    model = red(tmp_path / "unknown.onnx", stated={"spread": "1,0,1"}, shape=["n", "c", "h", "w"])
    said = run(shot, "--model", model, *words, "--mean", "0.5", "--tiles", "0x2", "--window", 4, code=2)
    for part in (
        "--kind: is required",
        "--layout",
        "is not three numbers",
        "columns x rows",
        "no odd number of frames",
    ):
        assert part in said, said

    model = red(tmp_path / "fixed.onnx", stated={"kind": "depth"}, shape=[1, 3, 40, 60])
    said = run(shot, "--model", model, *words, "--input-px", "64x64", "--output", "sky", code=2)
    for part in ("neither inverse nor metric", "takes 60 x 40", "give the one that holds depth: depth"):
        assert part in said, said


def test_several_outputs_want_a_name(shot: Path, tmp_path: Path) -> None:
    nodes = [
        helper.make_node("ReduceMean", ["a"], ["depth"], axes=[1], keepdims=0),
        helper.make_node("GlobalAveragePool", ["a"], ["mean"]),
    ]
    model = save(
        tmp_path / "two.onnx", nodes, inputs={"a": (TensorProto.FLOAT, [1, 3, 40, 60])}, outputs={"depth": 3, "mean": 4}
    )
    words = (shot, "--model", model, "--kind", "inverse", "--out", tmp_path / "depth", "--window", 1)
    assert "has several outputs" in run(*words, code=2)
    assert "gives [1, 3, 1, 1], which is no map" in run(*words, "--output", "mean", code=3)
    run(*words, "--output", "depth")


def test_a_file_that_is_none_and_a_map_that_is_empty_are_said_so(shot: Path, tmp_path: Path) -> None:
    words = (shot, "--kind", "inverse", "--out", tmp_path / "depth", "--model")
    assert "no such file" in run(*words, tmp_path / "none.onnx", code=2)
    (tmp_path / "text.onnx").write_text("not a network")
    assert "can't be loaded as an ONNX network" in run(*words, tmp_path / "text.onnx", code=2)
    zero = {"zero": np.float32(0.0)}
    node = helper.make_node("Mul", ["a", "zero"], ["b"])
    mean = helper.make_node("ReduceMean", ["b"], ["depth"], axes=[1], keepdims=0)
    inputs = {"a": (TensorProto.FLOAT, [1, 3, 40, 60])}
    model = save(tmp_path / "zero.onnx", [node, mean], inputs=inputs, outputs={"depth": 3}, weights=zero)
    said = run(*words, model, code=3)
    assert "frame 1001" in said
    assert "same value everywhere" in said


def test_a_size_that_it_cannot_take_is_said_so(shot: Path, tmp_path: Path) -> None:
    """Sums of a picture and itself made half as large: only a square of one size comes out."""
    weights = {"shape": np.array([1, 3, 32, 32], np.int64)}
    nodes = [
        helper.make_node("Reshape", ["a", "shape"], ["b"]),
        helper.make_node("ReduceMean", ["b"], ["depth"], axes=[1], keepdims=0),
    ]
    inputs = {"a": (TensorProto.FLOAT, [1, 3, "h", "w"])}
    model = save(tmp_path / "square.onnx", nodes, inputs=inputs, outputs={"depth": 3}, weights=weights)
    words = (shot, "--model", model, "--kind", "inverse", "--out", tmp_path / "depth", "--window", 1, "--frames", 1001)
    said = run(*words, code=3)
    assert "give --input-px" in said
    run(*words, "--input-px", "32x32")


def test_without_onnxruntime_the_way_to_get_it_is_said(
    shot: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "onnxruntime", None)
    said = run(shot, "--model", red(tmp_path / "red.onnx"), "--kind", "inverse", "--out", tmp_path / "depth", code=2)
    assert "not installed" in said
    assert "widegauge[network]" in said
