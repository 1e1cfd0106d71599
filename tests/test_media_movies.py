"""Movies: colour by the file's tags against the standards' formulae, and exact access to any frame."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest
from conftest import reference
from widegauge.errors import MediaError
from widegauge.kernels import planes as kernel
from widegauge.media.encoding import bake
from widegauge.media.footage import open_footage
from widegauge.media.movies import Movie
from widegauge.media.planes import settle_tags

RNG = np.random.default_rng(17)

H273 = {1: (0.2126, 0.0722), 5: (0.299, 0.114), 6: (0.299, 0.114), 9: (0.2627, 0.0593)}
"""KR, KB: ITU-T H.273, table 4."""


def save_movie(
    path: Path,
    frames: list[list[np.ndarray]],
    pixel_format: str,
    *,
    codec: str = "ffv1",
    matrix: int = 2,
    colour_range: int = 0,
    rate: Fraction = Fraction(24),
    options: dict[str, str] | None = None,
) -> None:
    """Write planes as they are, with tags on the stream and on every frame."""
    height, width = frames[0][0].shape
    with av.open(str(path), "w") as container:
        stream = container.add_stream(codec, rate=rate, options=options or {})
        stream.width, stream.height, stream.pix_fmt = width, height, pixel_format
        stream.codec_context.colorspace, stream.codec_context.color_range = matrix, colour_range
        for number, planes in enumerate(frames):
            frame = av.VideoFrame(width, height, pixel_format)
            frame.colorspace, frame.color_range, frame.pts = matrix, colour_range, number
            for plane, values in zip(frame.planes, planes, strict=True):
                rows = np.frombuffer(plane, dtype=values.dtype).reshape(plane.height, -1)
                rows[:, : plane.width] = values
            container.mux(stream.encode(frame))
        container.mux(stream.encode())


def by_the_formula(
    luma: np.ndarray, blue: np.ndarray, red: np.ndarray, *, bits: int, matrix: int, legal: bool
) -> np.ndarray:
    """ITU-R BT.709-6 items 3 and 4 (BT.601-7, BT.2020-2 alike), in float64; chroma by np.interp, left and between rows."""
    scale, top = 2.0 ** (bits - 8), 2.0**bits - 1.0
    height, width = luma.shape

    def upsampled(plane: np.ndarray) -> np.ndarray:
        step_x, step_y = width // plane.shape[1], height // plane.shape[0]
        x, y = np.arange(width) / step_x, (np.arange(height) + 0.5) / step_y - 0.5
        wide = np.array([np.interp(x, np.arange(plane.shape[1]), row) for row in plane])
        return np.array([np.interp(y, np.arange(plane.shape[0]), column) for column in wide.T]).T

    y = (luma - 16.0 * scale) / (219.0 * scale) if legal else luma / top
    cb, cr = ((upsampled(p) - 128.0 * scale) / (224.0 * scale if legal else top) for p in (blue, red))
    kr, kb = H273[matrix]
    r, b = y + 2.0 * (1.0 - kr) * cr, y + 2.0 * (1.0 - kb) * cb
    return np.stack((r, (y - kr * r - kb * b) / (1.0 - kr - kb), b), axis=2)


@pytest.mark.parametrize(
    ("pixel_format", "bits", "step"),
    [("yuv420p", 8, (2, 2)), ("yuv422p10le", 10, (1, 2)), ("yuv444p12le", 12, (1, 1)), ("yuv420p10le", 10, (2, 2))],
)
@pytest.mark.parametrize("matrix", [1, 6, 9])
@pytest.mark.parametrize("legal", [True, False])
def test_colour_by_tags(
    tmp_path: Path, pixel_format: str, bits: int, step: tuple[int, int], matrix: int, legal: bool
) -> None:
    size = (20, 36)
    dtype = np.uint8 if bits == 8 else np.uint16
    small = (size[0] // step[0], size[1] // step[1])
    planes = [RNG.integers(0, 2**bits, shape).astype(dtype) for shape in (size, small, small)]
    save_movie(tmp_path / "a.mkv", [planes], pixel_format, matrix=matrix, colour_range=1 if legal else 2)
    movie = Movie(tmp_path / "a.mkv")
    found = movie.read(1)
    expected = by_the_formula(*planes, bits=bits, matrix=matrix, legal=legal)
    np.testing.assert_allclose(found.rgb, expected, atol=2e-6)
    assert (found.kind, found.rgb.dtype, found.extra) == ("movie", np.float32, None)
    assert movie.probe.stretched == legal


def test_published_colour_bars(tmp_path: Path) -> None:
    rows = np.array(reference("transfer_curves")["bars"]["rows"])
    planes = [np.repeat(rows[:, 3 + i], 4)[None].repeat(4, axis=0).astype(np.uint16) for i in range(3)]
    save_movie(tmp_path / "a.mkv", [planes], "yuv444p10le", matrix=1, colour_range=1)
    found = Movie(tmp_path / "a.mkv").read(1).rgb[0, ::4]
    # codes are rounded: half a code of chroma is worth 1.8556 / 896 / 2 of blue, half a code of luma 1 / 876 / 2
    np.testing.assert_allclose(found, rows[:, :3] / 100.0, atol=0.5 / 876.0 + 1.8556 * 0.5 / 896.0)


def test_a_log_curve_s_published_code_decodes_to_mid_grey_from_a_legal_range_movie(tmp_path: Path) -> None:
    # V-Log/V-Gamut reference manual: 18 % is code 433 of 1023, whatever range the movie is tagged with
    luma, chroma = np.full((8, 8), 433, dtype=np.uint16), np.full((8, 8), 512, dtype=np.uint16)
    for colour_range in (1, 2):
        save_movie(tmp_path / "a.mkv", [[luma, chroma, chroma]], "yuv444p10le", matrix=1, colour_range=colour_range)
        footage = open_footage(tmp_path / "a.mkv")
        encoding = bake("V-Log", "V-Gamut", stretched=footage.probe.stretched)
        np.testing.assert_allclose(encoding.decode(footage.read(1).rgb), 0.18, atol=0.18 * 0.004)


def test_untagged_colour_goes_by_height() -> None:
    assert settle_tags("yuv422p10le", matrix=2, colour_range=0, height_px=1080).matrix == 1
    assert settle_tags("yuv420p", matrix=2, colour_range=0, height_px=576).matrix == 6
    assert settle_tags("yuv420p", matrix=9, colour_range=0, height_px=576).matrix == 9
    assert settle_tags("yuv420p", matrix=2, colour_range=0, height_px=576).is_legal
    assert not settle_tags("yuvj420p", matrix=2, colour_range=0, height_px=576).is_legal
    assert not settle_tags("gbrp", matrix=0, colour_range=0, height_px=576).is_legal


def test_rgb_movies_and_alpha_come_to_the_code(tmp_path: Path) -> None:
    green, blue, red, alpha = (RNG.integers(0, 1024, (8, 10)).astype(np.uint16) for _ in range(4))
    save_movie(tmp_path / "a.mkv", [[green, blue, red]], "gbrp10le", matrix=0, colour_range=2)
    found = Movie(tmp_path / "a.mkv").read(1)
    np.testing.assert_array_equal(found.rgb, np.stack((red, green, blue), axis=2).astype(np.float32) / np.float32(1023))
    save_movie(tmp_path / "b.mkv", [[green, blue, red, alpha]], "yuva444p10le", matrix=1, colour_range=1)
    with_alpha = Movie(tmp_path / "b.mkv").read(1)
    assert with_alpha.extra_names == ("A",)
    np.testing.assert_array_equal(with_alpha.extra[..., 0], alpha.astype(np.float32) / np.float32(1023))


def test_grey_and_packed_movies(tmp_path: Path) -> None:
    codes = RNG.integers(0, 256, (8, 10)).astype(np.uint8)
    save_movie(tmp_path / "a.mkv", [[codes]], "gray", colour_range=2)
    found = Movie(tmp_path / "a.mkv").read(1).rgb
    np.testing.assert_array_equal(found, np.repeat((codes / np.float32(255))[..., None], 3, axis=2))


@pytest.fixture(scope="module")
def long_movie(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """90 frames with B-frames and far-apart key frames; each frame's luma tells its number."""
    path = tmp_path_factory.mktemp("movie") / "pier.mp4"
    chroma = np.full((32, 32), 128, dtype=np.uint8)
    frames = [[np.full((64, 64), 20 + 2 * n, dtype=np.uint8), chroma, chroma] for n in range(90)]
    options = {"g": "30", "bf": "3", "crf": "1", "x264-params": "scenecut=0"}
    save_movie(path, frames, "yuv420p", codec="libx264", options=options, rate=Fraction(24000, 1001), colour_range=1)
    return path


def number_in(rgb: np.ndarray) -> int:
    return round((float(rgb.mean()) * 219.0 + 16.0 - 20.0) / 2.0) + 1


def test_any_frame_in_any_order_and_from_any_thread(long_movie: Path) -> None:
    footage = open_footage(long_movie)
    assert footage.numbers == tuple(range(1, 91))
    assert (footage.name, footage.padding, footage.is_numbered) == ("pier", 4, False)
    assert footage.rate == Fraction(24000, 1001)
    order = [int(n) for n in RNG.permutation(90) + 1]
    assert [number_in(footage.read(n).rgb) for n in order] == order
    with ThreadPoolExecutor(4) as pool:
        found = list(pool.map(lambda n: number_in(footage.read(n).rgb), [*range(1, 91), *order[:20]]))
    assert found == [*range(1, 91), *order[:20]]


def test_a_frame_s_bits_do_not_depend_on_how_it_was_reached(long_movie: Path) -> None:
    straight, jumped = Movie(long_movie), Movie(long_movie)
    in_order = {n: straight.read(n).rgb for n in range(1, 60)}
    for n in (57, 3, 31, 30, 29):
        np.testing.assert_array_equal(jumped.read(n).rgb, in_order[n])


def test_fingerprints_differ_by_frame_and_file(long_movie: Path) -> None:
    footage = open_footage(long_movie, frames="5-9")
    assert footage.numbers == (5, 6, 7, 8, 9)
    assert footage.fingerprint(5) != footage.fingerprint(6)
    assert footage.fingerprint(5) == open_footage(long_movie).fingerprint(5)


def test_a_movie_that_was_cut_off_is_refused(long_movie: Path, tmp_path: Path) -> None:
    with (
        av.open(str(long_movie)) as source,
        av.open(str(tmp_path / "whole.mp4"), "w", options={"movflags": "faststart"}) as copy,
    ):
        stream = copy.add_stream_from_template(source.streams.video[0])
        for packet in source.demux(video=0):
            if packet.dts is not None:
                packet.stream = stream
                copy.mux(packet)
    data = (tmp_path / "whole.mp4").read_bytes()
    assert len(Movie(tmp_path / "whole.mp4")) == 90
    (tmp_path / "cut.mp4").write_bytes(data[: len(data) * 2 // 3])
    with pytest.raises(MediaError, match="copy it again"):
        Movie(tmp_path / "cut.mp4")


def test_a_frame_that_a_movie_does_not_have(long_movie: Path) -> None:
    with pytest.raises(MediaError, match="frames 1 to 90, not 91"):
        Movie(long_movie).read(91)


def test_kernel_is_the_same_compiled_and_as_python() -> None:
    luma, blue, red = (RNG.integers(0, 1024, s).astype(np.uint16) for s in ((6, 8), (3, 4), (3, 4)))
    numbers = {"luma_black": 64.0, "luma_gain": 1 / 876, "chroma_zero": 512.0, "chroma_gain": 1 / 896}
    matrix = (1.5748, 0.1873, 0.4681, 1.8556)
    compiled = kernel.planes_to_rgb(luma, blue, red, **numbers, matrix=matrix)
    left, share = kernel._places(8, 2, False)
    above, below = kernel._places(6, 2, True)
    packed = np.array([*numbers.values(), *matrix], dtype=np.float32)
    slow = np.empty_like(compiled)
    kernel._rows.py_func(luma, blue, red, packed, left, share, above, below, 3, 2, slow, 0, 6)
    np.testing.assert_allclose(compiled, slow, atol=1e-6)
