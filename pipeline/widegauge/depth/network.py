"""A single-picture depth network in ONNX: what it wants, and what it says of a picture.

The file is run as it is, on the CPU and by one thread a picture, so that the same picture gives the same bytes.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import cv2
import numpy as np
import numpy.typing as npt

from widegauge.errors import MediaError, Mistake, SettingsError, mistake
from widegauge.frame import Float32

Kind = Literal["inverse", "metric"]
Layout = Literal["NCHW", "NHWC"]
Three = tuple[float, float, float]

MEAN: Three = (0.485, 0.456, 0.406)
SPREAD: Three = (0.229, 0.224, 0.225)
"""Mean and standard deviation of the R, G and B that picture networks are mostly trained on, of codes 0 to 1
(torchvision's documentation, "torchvision.models": "all pre-trained models expect input images normalized")."""
DYNAMIC_PX = 518 * 518
MULTIPLE_PX = 14
"""A network that takes any size gets about so many pixels, in sides that are multiples of this: transformers look at
squares of 14 or 16 pixels, convolutions mostly halve five times (common practice, no source)."""
OVERLAP_FRAC = 0.25
"""How much of a tile lies under the next one."""
ROUNDS, BEYOND = 4, 2.5
"""A tile is brought to the whole frame's pass by least squares, so often, without what lies so many robust standard
deviations off."""

_TYPES: Mapping[str, Any] = {
    "tensor(float)": np.float32,
    "tensor(float16)": np.float16,
    "tensor(uint8)": np.uint8,
}


@dataclass(frozen=True, slots=True)
class Wants:
    """What is told of a network; None is read from its file, else the usual is taken.

    In the file these stand in the metadata (``metadata_props``) under the same names: kind "inverse" or "metric",
    input_px "518x392", layout "NCHW" or "NHWC", mean and spread "0.485, 0.456, 0.406", output the output's name.
    """

    kind: str | None = None
    input_px: str | None = None
    layout: str | None = None
    mean: str | None = None
    spread: str | None = None
    output: str | None = None


@dataclass(frozen=True)
class Network:
    """A network, loaded.

    kind      "inverse": values rise as things come nearer, in a unit of their own; "metric": metres
    input_px  (width, height) that it is given; None: any, then by the picture's shape
    mean, spread   (R, G, B): it gets (codes - mean) / spread, of codes 0 to 1; whole codes where it takes bytes
    """

    session: Any
    source: str
    output: str
    kind: Kind
    layout: Layout
    number: Any
    input_px: tuple[int, int] | None
    mean: Three
    spread: Three

    def size_px(self, height: int, width: int) -> tuple[int, int]:
        """Width and height that a picture of a shape is given at."""
        if self.input_px is not None:
            return self.input_px
        scale = (DYNAMIC_PX / (width * height)) ** 0.5
        return (
            max(MULTIPLE_PX, round(width * scale / MULTIPLE_PX) * MULTIPLE_PX),
            max(MULTIPLE_PX, round(height * scale / MULTIPLE_PX) * MULTIPLE_PX),
        )

    def inverse(self, codes: Float32) -> Float32:
        """Inverse depth (h, w) of a picture (H, W, 3) of sRGB codes 0 to 1, at the network's own output size.

        MediaError when it fails, or when what it gives is no map.
        """
        size = self.size_px(*codes.shape[:2])
        way = cv2.INTER_AREA if size[0] < codes.shape[1] else cv2.INTER_CUBIC
        given = np.clip(cv2.resize(codes, size, interpolation=way), 0.0, 1.0)
        if self.number is np.uint8:
            given = np.rint(given * 255.0)
        else:
            given = (given - np.asarray(self.mean, np.float32)) / np.asarray(self.spread, np.float32)
        ordered = given[None] if self.layout == "NHWC" else given.transpose(2, 0, 1)[None]
        try:
            (said,) = self.session.run([self.output], {self.source: np.ascontiguousarray(ordered, dtype=self.number)})
        except Exception as error:
            reason = " ".join(str(error).split())[:300]
            raise MediaError(
                f"the network does not take a picture of {size[0]} x {size[1]} ({reason}); give --input-px, a size it "
                "was made for"
            ) from None
        values = np.squeeze(np.asarray(said)).astype(np.float32)
        if values.ndim != 2 or min(values.shape) < 2:
            raise MediaError(f"the network gives {list(np.shape(said))}, which is no map; name another with --output")
        if not np.isfinite(values).all() or float(np.ptp(values)) == 0.0:
            raise MediaError(
                "the network gives the same value everywhere, or none; check --mean, --spread and --layout against "
                "how it was trained"
            )
        if self.kind == "inverse":
            return values
        with np.errstate(divide="ignore"):
            return np.where(values > 0.0, np.float32(1.0) / values, np.float32(0.0)).astype(np.float32)


def load(path: Path, wants: Wants) -> Network:
    """Load a network; SettingsError with everything that is missing, or that does not go together."""
    session = _session(path)
    stated: Mapping[str, str] = session.get_modelmeta().custom_metadata_map
    wrong: list[Mistake] = []

    def told(name: str) -> str | None:
        return getattr(wants, name) or stated.get(name) or None

    def no(option: str, value: object, rule: str, remedy: str) -> None:
        wrong.append(Mistake(f"{path}: {option}", "", "" if value is None else str(value), rule, remedy))

    sources = session.get_inputs()
    if len(sources) != 1:
        names = ", ".join(f"{each.name} {each.shape}" for each in sources)
        no("--model", None, f"wants {len(sources)} inputs ({names})", "give a network that takes one picture")
        raise SettingsError(wrong)
    source = sources[0]
    if len(source.shape) != 4 or source.type not in _TYPES:
        rule = f"takes {source.type} of shape {source.shape}"
        no(
            "--model",
            None,
            rule,
            "give a network that takes a picture: 1 x 3 x height x width, or 1 x height x width x 3",
        )
        raise SettingsError(wrong)
    layout = _layout(source.shape, told("layout"))
    if layout is None:
        rule = f"the input's shape {source.shape} does not say where its 3 channels are"
        no("--layout", told("layout"), rule, "give NCHW or NHWC, as it was trained")
    outputs = [each.name for each in session.get_outputs()]
    output = told("output") or (outputs[0] if len(outputs) == 1 else None)
    if output not in outputs:
        rule = "is required: the network has several outputs" if output is None else "is no output of the network"
        no("--output", output, rule, f"give the one that holds depth: {', '.join(outputs)}")
    kind = told("kind")
    if kind not in ("inverse", "metric"):
        rule = "is required" if kind is None else "is neither inverse nor metric"
        no("--kind", kind, rule, "inverse where values rise as things come nearer, metric where they are metres")
    sides = (source.shape[3], source.shape[2]) if layout == "NCHW" else (source.shape[2], source.shape[1])
    input_px = _size(told("input_px"), sides, no)
    mean, spread = _three(told("mean"), MEAN, "--mean", no), _three(told("spread"), SPREAD, "--spread", no)
    if min(spread) <= 0.0:
        no("--spread", told("spread"), "is not above 0", "give a standard deviation for R, G and B")
    if wrong:
        raise SettingsError(wrong)
    return Network(
        session, source.name, str(output), "metric" if kind == "metric" else "inverse", layout or "NCHW",
        _TYPES[source.type], input_px, mean, spread,
    )  # fmt: skip


def tiled(network: Network, codes: Float32, *, columns: int, rows: int, size_px: tuple[int, int]) -> Float32:
    """Inverse depth of a picture at a (width, height), from overlapping tiles; one tile is the picture itself.

    Each tile is brought to the whole frame's pass by a straight line, so that tiles agree, and faded into the next.
    """
    width, height = size_px
    whole = network.inverse(codes)
    base = _enlarged(whole, size_px)
    if columns * rows == 1:
        return base
    total, weight = np.zeros((height, width), np.float32), np.zeros((height, width), np.float32)
    for x0, x1 in _spans(columns):
        for y0, y1 in _spans(rows):
            left, right, top, bottom = round(x0 * width), round(x1 * width), round(y0 * height), round(y1 * height)
            part = _cut(codes, (left / width, right / width, top / height, bottom / height))
            found = _enlarged(network.inverse(part), (right - left, bottom - top))
            under = base[top:bottom, left:right]
            gain, offset = _line(found, under, coarse=max(1, round(width / whole.shape[1])))
            faded = _fade(bottom - top, top > 0, bottom < height)[:, None] * _fade(
                right - left, left > 0, right < width
            )
            total[top:bottom, left:right] += faded * (np.float32(gain) * found + np.float32(offset))
            weight[top:bottom, left:right] += faded
    return np.asarray(total / weight, dtype=np.float32)


def _session(path: Path) -> Any:
    try:
        import onnxruntime
    except ImportError:
        raise mistake(
            "--model", "", f'"{path}"', "onnxruntime, which runs it, is not installed",
            "install the extra: pip install 'widegauge[network]'",
        ) from None  # fmt: skip
    if not path.is_file():
        raise mistake("--model", "", f'"{path}"', "no such file", "check the name")
    settings = onnxruntime.SessionOptions()
    settings.intra_op_num_threads = settings.inter_op_num_threads = 1
    settings.log_severity_level = 4
    try:
        return onnxruntime.InferenceSession(str(path), settings, providers=["CPUExecutionProvider"])
    except Exception as error:
        reason = " ".join(str(error).split())[:200]
        rule = f"can't be loaded as an ONNX network ({reason})"
        raise mistake("--model", "", f'"{path}"', rule, "export it again, weights in the file") from None


def _layout(shape: list[Any], told: str | None) -> Layout | None:
    """Where the channels are: as told where the shape allows it, else where the 3 stands."""
    channels: dict[Layout, Any] = {"NCHW": shape[1], "NHWC": shape[3]}
    allowed = [name for name, count in channels.items() if count == 3 or not isinstance(count, int)]
    if told is not None:
        return next((name for name in allowed if name == told.upper()), None)
    exact = [name for name in allowed if channels[name] == 3]
    return exact[0] if len(exact) == 1 else None


def _size(told: str | None, sides: tuple[Any, Any], no: Any) -> tuple[int, int] | None:
    """Width and height of the input: the file's, or as told; None for any."""
    fixed = [side if isinstance(side, int) and side > 0 else None for side in sides]
    size: tuple[int, int] | None = None
    if told is not None:
        try:
            width, height = (int(side) for side in told.lower().split("x"))
            size = (width, height)
        except ValueError:
            no("--input-px", told, "is no size", "write width x height: 518x392")
            return None
        if min(size) < 8 or any(f not in (None, s) for f, s in zip(fixed, size, strict=True)):
            rule = f"the network takes {' x '.join('any' if f is None else str(f) for f in fixed)}"
            no("--input-px", told, rule, "leave it out")
    elif None not in fixed:
        size = (int(fixed[0] or 0), int(fixed[1] or 0))
    elif fixed != [None, None]:
        no("--input-px", None, f"only one side of the input is fixed, {sides}", "give the size it was made for")
    return size


def _three(told: str | None, usual: Three, option: str, no: Any) -> Three:
    if told is None:
        return usual
    try:
        r, g, b = (float(part) for part in told.split(","))
    except ValueError:
        no(option, told, "is not three numbers", "write R,G,B: 0.485,0.456,0.406")
        return usual
    return r, g, b


def _spans(count: int) -> Iterator[tuple[float, float]]:
    """Where each of so many overlapping tiles begins and ends, as shares of a side."""
    length = 1.0 / (count - (count - 1) * OVERLAP_FRAC)
    for i in range(count):
        begin = i * length * (1.0 - OVERLAP_FRAC)
        yield begin, min(1.0, begin + length)


def _cut(codes: Float32, share: tuple[float, float, float, float]) -> Float32:
    height, width = codes.shape[:2]
    left, right, top, bottom = share
    return codes[round(top * height) : round(bottom * height), round(left * width) : round(right * width)]


def _enlarged(values: Float32, size_px: tuple[int, int]) -> Float32:
    way = cv2.INTER_AREA if size_px[0] < values.shape[1] else cv2.INTER_LINEAR
    return np.asarray(cv2.resize(values, size_px, interpolation=way), dtype=np.float32)


def _fade(length: int, at_begin: bool, at_end: bool) -> Float32:
    """Weights along a tile's side: they rise over the overlap wherever there is a next tile."""
    ramp = max(1.0, OVERLAP_FRAC * length)
    place = np.arange(length, dtype=np.float32) + np.float32(0.5)
    rising = np.minimum(place / np.float32(ramp), np.float32(1.0))
    weight = np.ones(length, np.float32)
    if at_begin:
        weight *= rising
    if at_end:
        weight *= rising[::-1]
    return weight


def _line(found: Float32, under: Float32, *, coarse: int) -> tuple[float, float]:
    """Gain and offset that bring a tile to the whole frame's pass, compared as coarsely as that one is."""
    size = (max(2, found.shape[1] // coarse), max(2, found.shape[0] // coarse))
    x, y = (cv2.resize(v, size, interpolation=cv2.INTER_AREA).ravel().astype(np.float64) for v in (found, under))
    kept: npt.NDArray[np.bool_] = np.ones(x.size, bool)
    gain, offset = 1.0, float(np.median(y - x))
    for _ in range(ROUNDS):
        if float(np.ptp(x[kept])) <= 0.0:
            return 1.0, float(np.median(y - x))
        gain, offset = (float(v) for v in np.polyfit(x[kept], y[kept], 1))
        off = np.abs(y - gain * x - offset)
        kept = off <= BEYOND * 1.4826 * float(np.median(off)) + 1e-12
    return (gain, offset) if gain > 0.0 else (1.0, float(np.median(y - x)))
