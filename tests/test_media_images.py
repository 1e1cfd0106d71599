"""Pictures in and out, against readers and writers outside the project: OpenEXR, FFmpeg, tifffile, OpenCV."""

from __future__ import annotations

import contextlib
import os
import subprocess
import time
from fractions import Fraction
from pathlib import Path

import av
import cv2
import numpy as np
import OpenEXR
import pytest
import tifffile
from conftest import read_exr, read_exr_rgb
from widegauge.errors import MediaError
from widegauge.media import writer
from widegauge.media.images import (
    WRITTEN_KINDS,
    Picture,
    default_kind,
    extension,
    probe,
    read_channel,
    read_picture,
    write_picture,
)

RNG = np.random.default_rng(11)
HEIGHT, WIDTH = 21, 34


@pytest.fixture(autouse=True)
def every_picture_is_read_back(monkeypatch: pytest.MonkeyPatch) -> None:
    """As on a disk that is nearly full: what is written is compared, whatever it holds."""
    monkeypatch.setattr(writer, "SCARCE", 1 << 60)


def noise(*shape: int) -> np.ndarray:
    return RNG.random((HEIGHT, WIDTH, *shape), dtype=np.float32)


def picture(rgb: np.ndarray, kind: str = "exr-float", **more: object) -> Picture:
    return Picture(rgb=rgb, extra=None, extra_names=(), attributes={}, kind=kind, **more)  # type: ignore[arg-type]


def save_exr(path: Path, channels: dict[str, np.ndarray], **header: object) -> None:
    head = {"compression": OpenEXR.ZIP_COMPRESSION, "type": OpenEXR.scanlineimage} | header
    with OpenEXR.File(head, {name: np.ascontiguousarray(values) for name, values in channels.items()}) as file:
        file.write(str(path))


def exr_header(path: Path) -> dict[str, object]:
    with OpenEXR.File(str(path)) as file:
        return dict(file.header())


@pytest.mark.parametrize("compression", ["NO", "RLE", "ZIPS", "ZIP", "PIZ", "PXR24", "B44", "DWAA", "DWAB", "HTJ2K256"])
@pytest.mark.parametrize("dtype", [np.float16, np.float32])
def test_exr_of_any_compression_reads_as_the_other_reader_does(tmp_path: Path, compression: str, dtype: type) -> None:
    rgb = (noise(3) * 40.0 - 2.0).astype(dtype)
    channels = {name: rgb[..., i] for i, name in enumerate("RGB")}
    save_exr(tmp_path / "a.exr", channels, compression=getattr(OpenEXR, f"{compression}_COMPRESSION"))
    found = read_picture(tmp_path / "a.exr")
    np.testing.assert_array_equal(found.rgb, read_exr_rgb(tmp_path / "a.exr"))
    assert found.kind == ("exr-half" if dtype == np.float16 else "exr-float")
    assert (found.rgb.dtype, found.rgb.flags.c_contiguous) == (np.float32, True)


def test_extra_channels_of_every_type_come_in_by_name_and_go_out_with_the_same_type(tmp_path: Path) -> None:
    ids = RNG.integers(0, 2**32, (HEIGHT, WIDTH), dtype=np.uint32)
    channels = {name: noise().astype(np.float16) for name in ("R", "G", "B", "A", "vector.X")}
    channels |= {"Z": noise() * 1e4, "id": ids}
    save_exr(tmp_path / "a.exr", channels)
    found = read_picture(tmp_path / "a.exr")
    assert found.extra is not None
    for i, name in enumerate(found.extra_names):
        np.testing.assert_array_equal(found.extra[..., i], channels[name].astype(np.float64))
    write_picture(tmp_path / "b.exr", found, kind="exr-half")
    with OpenEXR.File(str(tmp_path / "b.exr"), separate_channels=True) as file:
        written = {name: each.pixels for part in range(len(file.parts)) for name, each in file.channels(part).items()}
    assert set(written) == set(channels)
    for name, values in channels.items():
        assert written[name].dtype == values.dtype, name
        np.testing.assert_array_equal(written[name], values)


def test_extra_channels_without_integers_stay_in_the_one_part(tmp_path: Path) -> None:
    channels = {name: noise().astype(np.float16) for name in ("R", "G", "B", "A")} | {"Z": noise()}
    save_exr(tmp_path / "a.exr", channels)
    write_picture(tmp_path / "b.exr", read_picture(tmp_path / "a.exr"), kind="exr-half")
    with OpenEXR.File(str(tmp_path / "b.exr")) as file:
        assert len(file.parts) == 1
    for name, values in channels.items():
        np.testing.assert_array_equal(read_exr(tmp_path / "b.exr", name), values.astype(np.float32))


def test_data_window_is_laid_on_the_display_window(tmp_path: Path) -> None:
    rgb = noise(3) + 1.0
    for name, (left, top) in {"inside": (5, 3), "outside": (-4, -2)}.items():
        window = np.array([[left, top], [left + WIDTH - 1, top + HEIGHT - 1]], dtype=np.int32)
        display = np.array([[0, 0], [WIDTH + 9, HEIGHT + 5]], dtype=np.int32)
        channels = {channel: rgb[..., i] for i, channel in enumerate("RGB")} | {"Z": rgb[..., 0] * 2.0}
        save_exr(
            tmp_path / f"{name}.exr",
            channels,
            dataWindow=(tuple(window[0]), tuple(window[1])),
            displayWindow=(tuple(display[0]), tuple(display[1])),
        )
        expected = np.zeros((HEIGHT + 6, WIDTH + 10, 3), dtype=np.float32)
        expected[max(top, 0) : top + HEIGHT, max(left, 0) : left + WIDTH] = rgb[max(-top, 0) :, max(-left, 0) :]
        found = read_picture(tmp_path / f"{name}.exr")
        np.testing.assert_array_equal(found.rgb, expected)
        facts = probe(tmp_path / f"{name}.exr")
        assert (facts.width_px, facts.height_px) == (WIDTH + 10, HEIGHT + 6)
        np.testing.assert_array_equal(read_channel(tmp_path / f"{name}.exr", "Z"), expected[..., 0] * 2.0)


def test_parts_and_layers_are_chosen_by_name(tmp_path: Path) -> None:
    header = {"compression": OpenEXR.ZIP_COMPRESSION, "type": OpenEXR.scanlineimage}
    values = {name: noise(3) for name in ("depth", "beauty", "clean")}
    parts = [
        OpenEXR.Part(dict(header), {"Z": np.ascontiguousarray(values["depth"][..., 0])}, "depth"),
        *(
            OpenEXR.Part(
                dict(header), {c: np.ascontiguousarray(values[name][..., i]) for i, c in enumerate("RGB")}, name
            )
            for name in ("beauty", "clean")
        ),
    ]
    with OpenEXR.File(parts) as file:
        file.write(str(tmp_path / "a.exr"))
    assert probe(tmp_path / "a.exr").parts == ("depth", "beauty", "clean")
    np.testing.assert_array_equal(read_picture(tmp_path / "a.exr").rgb, values["beauty"])
    np.testing.assert_array_equal(read_picture(tmp_path / "a.exr", part="clean").rgb, values["clean"])
    np.testing.assert_array_equal(read_channel(tmp_path / "a.exr", "Z"), values["depth"][..., 0])
    with pytest.raises(MediaError, match='"beauty" with R, G, B'):
        read_picture(tmp_path / "a.exr", part="nope")
    layered = {f"{name}.{c}": values[name][..., i] for name in ("beauty", "clean") for i, c in enumerate("RGB")}
    save_exr(tmp_path / "b.exr", layered)
    np.testing.assert_array_equal(read_picture(tmp_path / "b.exr", part="clean").rgb, values["clean"])


def test_luminance_only_is_read_as_three_equal_channels_and_written_so(tmp_path: Path) -> None:
    luminance = noise()
    save_exr(tmp_path / "a.exr", {"Y": luminance, "right.Y": luminance * 2.0})
    found = read_picture(tmp_path / "a.exr")
    assert found.grey
    assert found.extra_names == ("right.Y",)
    np.testing.assert_array_equal(found.rgb, np.repeat(luminance[..., None], 3, axis=2))
    write_picture(tmp_path / "b.exr", found, kind="exr-float")
    np.testing.assert_array_equal(read_exr_rgb(tmp_path / "b.exr"), found.rgb)


def test_attributes_go_through_exr_as_the_other_reader_sees_them(tmp_path: Path) -> None:
    channels = {name: noise().astype(np.float16) for name in "RGB"}
    chromaticities = (0.7347, 0.2653, 0.0, 1.0, 0.0001, -0.077, 0.32168, 0.33767)
    timecode = OpenEXR.TimeCode(1, 2, 3, 4, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0)
    header = {
        "timeCode": timecode,
        "framesPerSecond": Fraction(24000, 1001),
        "chromaticities": chromaticities,
        "pixelAspectRatio": 1.25,
        "production": "pier",
        "take": 7,
        "exposure": 0.5,
        "worldToCamera": np.arange(16, dtype=np.float32).reshape(4, 4),
    }
    save_exr(tmp_path / "a.exr", channels, **header)
    facts = probe(tmp_path / "a.exr")
    assert facts.rate == Fraction(24000, 1001)
    assert facts.pixel_aspect == 1.25
    assert write_picture(tmp_path / "b.exr", read_picture(tmp_path / "a.exr"), kind="exr-half") == {}
    before, after = exr_header(tmp_path / "a.exr"), exr_header(tmp_path / "b.exr")
    for name in header:
        assert str(after[name]) == str(before[name]), name
    lost = write_picture(tmp_path / "b.png", read_picture(tmp_path / "a.exr"), kind="png16")
    assert {"smpte:TimeCode", "framesPerSecond", "chromaticities", "worldToCamera"} <= set(lost)
    assert "production" not in lost


@pytest.mark.parametrize(
    ("came", "kind", "goes"),
    [("PIZ", "exr-half", "piz"), ("ZIPS", "exr-float", "zips"), ("DWAA", "exr-half", "zip"), ("B44", "exr-half", "zip"),
     ("PXR24", "exr-half", "pxr24"), ("PXR24", "exr-float", "zip"), ("NO", "exr-half", "none")],
)  # fmt: skip
def test_lossless_compression_is_kept_and_lossy_is_not_repeated(
    tmp_path: Path, came: str, kind: str, goes: str
) -> None:
    save_exr(tmp_path / "a.exr", {name: noise().astype(np.float16) for name in "RGB"},
             compression=getattr(OpenEXR, f"{came}_COMPRESSION"))  # fmt: skip
    source = read_picture(tmp_path / "a.exr")
    write_picture(tmp_path / "b.exr", source, kind=kind)
    again = read_picture(tmp_path / "b.exr")
    assert again.compression == goes
    np.testing.assert_array_equal(again.rgb, source.rgb)


def test_halves_are_rounded_to_even_and_clamped(tmp_path: Path) -> None:
    # IEEE 754 binary16: ulp is 2 above 2048, the largest finite number is 65504
    values = [2049.0, 2051.0, 70000.0, -1e9, 65519.0, np.inf, -np.inf, np.nan]
    rgb = np.repeat(np.array(values, dtype=np.float32)[None, :, None], 3, axis=2)
    write_picture(tmp_path / "a.exr", picture(rgb), kind="exr-half")
    found = read_exr(tmp_path / "a.exr", "G")[0]
    np.testing.assert_array_equal(found, [2048.0, 2052.0, 65504.0, -65504.0, 65504.0, np.inf, -np.inf, np.nan])


@pytest.mark.parametrize(("bits", "pixel_format"), [(10, "gbrp10be"), (12, "gbrp12be"), (16, "rgb48be")])
def test_dpx_by_ffmpeg_reads_to_the_code(tmp_path: Path, bits: int, pixel_format: str) -> None:
    codes = RNG.integers(0, 2**bits, (HEIGHT, WIDTH + 2, 3)).astype(np.uint16)
    codes[0, :3, 0] = (0, 1, 2**bits - 1)
    save_dpx_by_ffmpeg(tmp_path / "a.dpx", codes, pixel_format)
    found = read_picture(tmp_path / "a.dpx")
    assert found.kind == f"dpx{bits}"
    np.testing.assert_array_equal(np.rint(found.rgb.astype(np.float64) * (2**bits - 1)), codes)
    np.testing.assert_array_equal(read_channel(tmp_path / "a.dpx", "G"), codes[..., 1])


def save_dpx_by_ffmpeg(path: Path, codes: np.ndarray, pixel_format: str) -> None:
    frame = av.VideoFrame(codes.shape[1], codes.shape[0], pixel_format)
    order = (1, 2, 0) if pixel_format.startswith("gbrp") else (slice(None),)
    for plane, channels in zip(frame.planes, order, strict=True):
        rows = np.frombuffer(plane, dtype=">u2").reshape(plane.height, -1)
        part = codes[..., channels].reshape(codes.shape[0], -1)
        rows[:, : part.shape[1]] = part
    encoder = av.CodecContext.create("dpx", "w")
    encoder.width, encoder.height, encoder.pix_fmt = codes.shape[1], codes.shape[0], pixel_format
    encoder.time_base = Fraction(1, 24)
    path.write_bytes(b"".join(bytes(packet) for packet in [*encoder.encode(frame), *encoder.encode(None)]))


@pytest.mark.parametrize("bits", [10, 16])
def test_every_code_survives_dpx_and_ffmpeg_reads_the_same(tmp_path: Path, bits: int) -> None:
    codes = np.arange(2**bits, dtype=np.uint16).reshape(-1, 32)
    rgb = np.stack([codes, codes[::-1], codes[:, ::-1]], axis=2).astype(np.float32) / np.float32(2**bits - 1)
    write_picture(tmp_path / "a.dpx", picture(rgb), kind=f"dpx{bits}")
    np.testing.assert_array_equal(read_picture(tmp_path / "a.dpx").rgb, rgb)
    with av.open(str(tmp_path / "a.dpx")) as container:
        frame = next(container.decode(video=0))
        assert frame.format.name in ("gbrp10be", "gbrp10le", "rgb48be", "rgb48le")
        dtype = np.dtype(">u2" if frame.format.name.endswith("be") else "<u2")
        planes = [np.frombuffer(p, dtype=dtype).reshape(p.height, -1)[:, : p.width * 96 // 32] for p in frame.planes]
        if bits == 10:
            seen = np.stack([planes[i][:, :32] for i in (2, 0, 1)], axis=2)
        else:
            seen = planes[0].reshape(codes.shape[0], 32, 3)
    np.testing.assert_array_equal(seen, np.rint(rgb * (2**bits - 1)))


def test_dpx_rounds_to_the_nearest_code(tmp_path: Path) -> None:
    # through 16 bits, four tenths of a code would come out one code off
    codes = np.linspace(0.0, 1023.0, 34 * 30 + 1)[: 34 * 30].reshape(30, 34)
    codes = codes[np.abs(codes % 1.0 - 0.5).min(axis=1) > 1e-3]
    rgb = np.repeat((codes / 1023.0).astype(np.float32)[..., None], 3, axis=2)
    write_picture(tmp_path / "a.dpx", picture(rgb), kind="dpx10")
    np.testing.assert_array_equal(read_channel(tmp_path / "a.dpx", "R"), np.rint(codes))


def test_dpx_carries_timecode_rate_and_pixel_aspect(tmp_path: Path) -> None:
    attributes = {"smpte:TimeCode": (0x01020304, 0), "framesPerSecond": (24000, 1001), "PixelAspectRatio": 1.25}
    types = {"smpte:TimeCode": "timecode", "framesPerSecond": "rational", "PixelAspectRatio": "float"}
    source = Picture(noise(3), None, (), attributes, "exr-half", attribute_types=types)
    assert write_picture(tmp_path / "a.dpx", source, kind="dpx10") == {}
    header = (tmp_path / "a.dpx").read_bytes()[:2048]
    # SMPTE ST 268: magic "SDPX" is big-endian; name at 36; television header's timecode at 1920, film frame rate at 1724
    assert header[:4] == b"SDPX"
    assert header[36:136].rstrip(b"\0") == b"a.dpx"
    assert header[1920:1924].hex() == "01020304"
    assert np.frombuffer(header[1724:1728], dtype=">f4")[0] == np.float32(24000 / 1001)
    facts = probe(tmp_path / "a.dpx")
    assert (facts.rate, facts.pixel_aspect) == (Fraction(24000, 1001), 1.25)
    back = read_picture(tmp_path / "a.dpx")
    write_picture(tmp_path / "b.exr", back, kind="exr-half")
    assert exr_header(tmp_path / "b.exr")["framesPerSecond"] == Fraction(24000, 1001)


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16, np.float32])
@pytest.mark.parametrize("alpha", [False, True])
def test_tiff_by_tifffile_reads_to_the_code(tmp_path: Path, dtype: type, alpha: bool) -> None:
    shape = (HEIGHT, WIDTH, 4 if alpha else 3)
    white = 1.0 if dtype == np.float32 else float(np.iinfo(dtype).max)
    values = (RNG.random(shape) * white).astype(dtype)
    extra = {"extrasamples": ["unassalpha"]} if alpha else {}
    tifffile.imwrite(tmp_path / "a.tif", values, photometric="rgb", **extra)
    found = read_picture(tmp_path / "a.tif")
    assert found.kind == {np.uint8: "tiff8", np.uint16: "tiff16", np.float32: "tiff-float"}[dtype]
    np.testing.assert_array_equal(found.rgb, values[..., :3].astype(np.float32) / np.float32(white))
    assert found.extra_names == (("A",) if alpha else ())
    if alpha:
        np.testing.assert_array_equal(found.extra[..., 0], values[..., 3].astype(np.float32) / np.float32(white))


@pytest.mark.parametrize("kind", ["tiff16", "png16"])
@pytest.mark.parametrize("straight", [True, False])
def test_sixteen_bits_with_alpha_are_what_other_readers_find(tmp_path: Path, kind: str, straight: bool) -> None:
    rgb, alpha = noise(3) * 1.2 - 0.1, noise(1)
    alpha[0, 0] = 0.0
    source = Picture(rgb, alpha, ("A",), {}, "png16", extra_types=("code",), straight_alpha=straight)
    path = tmp_path / f"a.{extension(kind)}"
    write_picture(path, source, kind=kind)
    expected = np.rint(np.clip(np.concatenate((rgb, alpha), axis=2), 0.0, 1.0) * 65535.0)
    if kind == "tiff16":
        found = tifffile.imread(path)
    else:
        found = cv2.cvtColor(cv2.imread(str(path), cv2.IMREAD_UNCHANGED), cv2.COLOR_BGRA2RGBA)
    assert found.dtype == np.uint16
    np.testing.assert_array_equal(found, expected)
    again = read_picture(path)
    np.testing.assert_array_equal(np.rint(again.rgb * 65535.0), expected[..., :3])
    assert again.extra_names == ("A",)


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_png_by_another_writer_reads_to_the_code_and_depth_as_integers(tmp_path: Path, dtype: type) -> None:
    white = np.iinfo(dtype).max
    colour = RNG.integers(0, white, (HEIGHT, WIDTH, 3), dtype=dtype, endpoint=True)
    cv2.imwrite(str(tmp_path / "a.png"), colour[..., ::-1])
    found = read_picture(tmp_path / "a.png")
    assert found.kind == f"png{dtype(0).itemsize * 8}"
    np.testing.assert_array_equal(found.rgb, colour.astype(np.float32) / np.float32(white))
    with pytest.raises(MediaError, match="R, G and B differ"):
        read_channel(tmp_path / "a.png", None)
    cv2.imwrite(str(tmp_path / "z.png"), colour[..., 0])
    np.testing.assert_array_equal(read_channel(tmp_path / "z.png", None), colour[..., 0].astype(np.float32))
    cv2.imwrite(str(tmp_path / "zzz.png"), np.repeat(colour[..., :1], 3, axis=2))
    np.testing.assert_array_equal(read_channel(tmp_path / "zzz.png", None), colour[..., 0].astype(np.float32))


def test_jpeg_reads_as_another_reader_does(tmp_path: Path) -> None:
    smooth = (np.add.outer(np.arange(64), np.arange(96)) % 256).astype(np.uint8)
    cv2.imwrite(str(tmp_path / "a.jpg"), np.stack([smooth, smooth[::-1], 255 - smooth], axis=2))
    other = cv2.cvtColor(cv2.imread(str(tmp_path / "a.jpg")), cv2.COLOR_BGR2RGB)
    found = read_picture(tmp_path / "a.jpg")
    assert found.kind == "jpeg"
    # ITU-T T.81 leaves the inverse transform to the reader: one code
    assert np.abs(found.rgb * 255.0 - other).max() <= 1.001


def test_channels_are_listed_when_the_one_asked_for_is_not_there(tmp_path: Path) -> None:
    save_exr(tmp_path / "a.exr", {"R": noise(), "depth.V": noise()})
    with pytest.raises(MediaError, match=r'no channel "Z"\. Its channels are R, depth\.V'):
        read_channel(tmp_path / "a.exr", "Z")


def test_the_same_picture_gives_the_same_bytes_a_second_later(tmp_path: Path) -> None:
    source = picture(noise(3))
    paths = [tmp_path / f"{kind}.{extension(kind)}" for kind in WRITTEN_KINDS]
    bytes_at = []
    for _ in range(2):
        for kind, path in zip(WRITTEN_KINDS, paths, strict=True):
            write_picture(path, source, kind=kind)
        bytes_at.append([path.read_bytes() for path in paths])
        time.sleep(1.1)
    assert bytes_at[0] == bytes_at[1]


def test_what_came_in_goes_out_unless_it_cannot() -> None:
    assert [default_kind(kind) for kind in WRITTEN_KINDS] == list(WRITTEN_KINDS)
    cannot = ("dpx12", "tiff8", "tiff-float", "png8", "jpeg", "movie")
    assert [default_kind(kind) for kind in cannot] == ["dpx16", "tiff16", "exr-float", "png16", "png16", "tiff16"]


def test_a_picture_is_left_as_it_was_by_writing(tmp_path: Path) -> None:
    rgb = noise(3) * 1e5
    before = rgb.copy()
    for kind in WRITTEN_KINDS:
        write_picture(tmp_path / f"a.{extension(kind)}", picture(rgb), kind=kind)
    np.testing.assert_array_equal(rgb, before)


@pytest.mark.parametrize("kind", WRITTEN_KINDS)
@pytest.mark.parametrize("lost_bytes", [1, 700])
def test_a_picture_cut_off_in_silence_is_not_taken_for_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, kind: str, lost_bytes: int
) -> None:
    """Libraries flush their last bytes without a word when the disk is full."""
    whole = writer._write_file

    def cut_off(temporary: Path, *words: object) -> None:
        whole(temporary, *words)  # type: ignore[arg-type]
        os.truncate(temporary, temporary.stat().st_size - lost_bytes)

    monkeypatch.setattr(writer, "_write_file", cut_off)
    path = tmp_path / f"pier.1001.{extension(kind)}"
    with pytest.raises(MediaError):
        write_picture(path, picture(noise(3)), kind=kind)
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("kind", WRITTEN_KINDS)
def test_on_a_disk_that_is_full_a_picture_is_whole_or_not_there(tmp_path: Path, kind: str) -> None:
    """On small disks with a page more and more room: what lies there in the end is what lies elsewhere."""
    small, name = tmp_path / "small", f"pier.1001.{extension(kind)}"
    small.mkdir()
    light = picture(RNG.random((64, 96, 3), dtype=np.float32))
    write_picture(tmp_path / name, light, kind=kind)
    whole = (tmp_path / name).read_bytes()
    ends = set()
    for pages in range(2, len(whole) // 4096 + 6):
        if subprocess.run(
            ["mount", "-t", "tmpfs", "-o", f"size={4096 * pages}", "tmpfs", small], capture_output=True
        ).returncode:
            pytest.skip("this machine lets nobody mount a tmpfs")
        try:
            with contextlib.suppress(MediaError):
                write_picture(small / name, light, kind=kind)
            left = list(small.iterdir())
            assert [path.read_bytes() for path in left] in ([], [whole])
            ends.add(len(left))
        finally:
            subprocess.run(["umount", small], check=True)
    assert ends == {0, 1}
