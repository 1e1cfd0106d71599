"""A frame on its way through the stages."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Float32 = npt.NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Frame:
    """One picture between decode and encode; stages return a new one and leave this one as it is.

    number      the frame's number in the footage
    rgb         (H, W, 3) float32, scene-linear light in the footage's own RGB colourspace
    depth_m     (H, W) float32, metres from the entrance pupil along the lens axis; infinity is legal,
                not-a-number means "not known"; None where a shot has no depth
    x_px, y_px  where pixel [0, 0] lies in the finished picture's raster (below 0: overscan)
    extra       (H, W, N) alpha and other channels that are cropped with the picture and otherwise copied
    noise_left  (H, W) float32, or None for 1.0 everywhere: the share of the footage's noise variance
                that the stages so far have left in each pixel
    remarks     (what, how much): facts about this frame for the processing record
    """

    number: int
    rgb: Float32
    depth_m: Float32 | None = None
    x_px: int = 0
    y_px: int = 0
    extra: npt.NDArray[np.generic] | None = None
    noise_left: Float32 | None = None
    remarks: tuple[tuple[str, float], ...] = ()

    @property
    def height_px(self) -> int:
        return int(self.rgb.shape[0])

    @property
    def width_px(self) -> int:
        return int(self.rgb.shape[1])
