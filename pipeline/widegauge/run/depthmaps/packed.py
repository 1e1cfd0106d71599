"""Shapes kept small while a shot is gone through: a frame of bits, deflated."""

from __future__ import annotations

import zlib
from dataclasses import dataclass

import numpy as np

from widegauge.depth.cutout import Mask


@dataclass(frozen=True, slots=True)
class Packed:
    """A (H, W) shape as deflated bits."""

    bits: bytes
    height_px: int
    width_px: int


def packed(inside: Mask) -> Packed:
    """Keep a shape."""
    return Packed(zlib.compress(np.packbits(inside).tobytes(), 1), *inside.shape)


def unpacked(kept: Packed) -> Mask:
    """The shape again, exactly."""
    bits = np.frombuffer(zlib.decompress(kept.bits), dtype=np.uint8)
    size = kept.height_px * kept.width_px
    return np.unpackbits(bits, count=size).astype(bool).reshape(kept.height_px, kept.width_px)
