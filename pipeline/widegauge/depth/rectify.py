"""Two calibrated cameras: their views brought to common rows, and the depth brought back to the first one's raster."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

import cv2
import numpy as np
import numpy.typing as npt
from pydantic import Field, ValidationInfo, field_validator

from widegauge.errors import mistake
from widegauge.frame import Float32
from widegauge.tomlfile import Table, read_table, read_toml

Float64 = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]
Bytes = npt.NDArray[np.uint8]
Row = Annotated[tuple[float, float, float], Field(strict=False)]
Matrix = Annotated[tuple[Row, Row, Row], Field(strict=False)]

TURN_TOLERANCE = 1e-3
"""How far a rotation's rows may be from being at right angles and of length 1."""
LARGEST_GROWTH = 1.5
"""The rectified raster holds all of the first view, up to so many times its size."""


class View(Table):
    """One camera, in OpenCV's conventions."""

    matrix: Matrix = Field(description="rows [f_x, 0, c_x], [0, f_y, c_y], [0, 0, 1], in pixels of size_px")
    distortion: Annotated[tuple[float, ...], Field(strict=False)] = Field(
        (), description="k1, k2, p1, p2, then k3, then k4 to k6, as OpenCV has them"
    )

    @field_validator("matrix")
    @classmethod
    def _is_camera(cls, matrix: tuple[tuple[float, ...], ...]) -> tuple[tuple[float, ...], ...]:
        if matrix[0][0] <= 0.0 or matrix[1][1] <= 0.0 or matrix[1][0] != 0.0 or matrix[2] != (0.0, 0.0, 1.0):
            raise ValueError("is no camera matrix; write [[f_x, 0, c_x], [0, f_y, c_y], [0, 0, 1]]")
        return matrix

    @field_validator("distortion")
    @classmethod
    def _counts(cls, numbers: tuple[float, ...]) -> tuple[float, ...]:
        if len(numbers) not in (0, 4, 5, 8, 12, 14):
            raise ValueError(f"has {len(numbers)} numbers; give 4, 5, 8, 12 or 14 of them, or none")
        return numbers


class Calibration(Table):
    """A calibrated pair: the footage's camera, the other one, and how they stand to each other."""

    size_px: Annotated[tuple[int, int], Field(strict=False)] = Field(description="raster that was calibrated")
    footage: View = Field(description="the camera that shot the footage")
    other: View = Field(description="the second camera")
    rotation: Matrix = Field(description="from the footage camera's axes to the other's: X_other = R X + t")
    translation_m: Row = Field(description="t in metres; a second camera to the right has t_x below 0")

    @field_validator("rotation")
    @classmethod
    def _turns(cls, rows: tuple[tuple[float, ...], ...]) -> tuple[tuple[float, ...], ...]:
        turn = np.asarray(rows)
        if np.abs(turn @ turn.T - np.eye(3)).max() > TURN_TOLERANCE or np.linalg.det(turn) < 0.0:
            raise ValueError("is no rotation; its rows are at right angles and of length 1")
        return rows

    @field_validator("translation_m")
    @classmethod
    def _apart(cls, t: tuple[float, ...], info: ValidationInfo) -> tuple[float, ...]:
        if not any(t):
            raise ValueError("two views from one place show no depth; calibrate the pair as it stood")
        if abs(t[1]) > abs(t[0]):
            raise ValueError("one camera stands above the other; turn both views and the calibration by 90 degrees")
        return t


@dataclass(frozen=True, slots=True)
class Rectified:
    """How to take two views to common rows and back.

    maps         for each view, the columns and rows to fetch
    back         (H, W) column and row in the rectified raster of each pixel of the first view
    axis         (H, W): its Z along the first camera's own axis, for 1 m in the rectified view
    focal_px     of the rectified views
    baseline_m   below 0: the second camera stands to the left
    """

    maps: tuple[tuple[Float32, Float32], tuple[Float32, Float32]]
    back: tuple[Float32, Float32]
    axis: Float32
    focal_px: float
    baseline_m: float

    def views(self, *views: Bytes) -> tuple[Bytes, ...]:
        """The two views rectified; their rims go on where they show nothing."""
        return tuple(
            np.asarray(cv2.remap(view, *there, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), dtype=np.uint8)
            for view, there in zip(views, self.maps, strict=True)
        )

    def seen(self, index: int) -> Mask:
        """Where a rectified view, 0 or 1, shows something."""
        (x, y), (height, width) = self.maps[index], self.axis.shape
        return np.asarray((x >= 0.0) & (x <= width - 1.0) & (y >= 0.0) & (y <= height - 1.0))

    def depth_m(self, rectified_m: Float32) -> Float32:
        """Depth on the first view's own raster, along its own axis: nearest values, never interpolated."""
        height, width = rectified_m.shape
        column = np.clip(np.rint(self.back[0]), 0, width - 1).astype(np.intp)
        row = np.clip(np.rint(self.back[1]), 0, height - 1).astype(np.intp)
        return (rectified_m[row, column] * self.axis).astype(np.float32)


def load_calibration(path: Path) -> Calibration:
    """Read a calibration; SettingsError with every mistake in it."""
    return read_table(Calibration, read_toml(path), file=path)


def rectify(pair: Calibration, *, size_px: tuple[int, int], file: Path) -> Rectified:
    """The pair's rectification for views of that (width, height): its own size, or smaller by one ratio.

    OpenCV rectifies (after A. Fusiello, E. Trucco and A. Verri, "A compact algorithm for rectification of stereo
    pairs", Machine Vision and Applications 12, 2000). The raster is made to hold all of the first view.
    """
    scale = size_px[0] / pair.size_px[0]
    if abs(size_px[1] / pair.size_px[1] / scale - 1.0) > 2.0 / size_px[1]:
        rule = f"the footage is {size_px[0]} x {size_px[1]}, of another shape"
        raise mistake(file, "size_px", list(pair.size_px), rule, "calibrate in the recording mode of the shot")
    matrices = [_scaled(np.asarray(view.matrix), scale) for view in (pair.footage, pair.other)]
    distortions = [np.asarray(view.distortion or (0.0,) * 4) for view in (pair.footage, pair.other)]
    r_first, r_second, p_first, p_second, *_ = cv2.stereoRectify(
        matrices[0], distortions[0], matrices[1], distortions[1], size_px,
        np.asarray(pair.rotation), np.asarray(pair.translation_m)[:, None], flags=cv2.CALIB_ZERO_DISPARITY, alpha=-1,
    )  # fmt: skip
    turns, projections = (r_first, r_second), (p_first, p_second)
    views = list(zip(matrices, distortions, turns, projections, strict=True))
    rims = [_undistorted(_rim(size_px), *view) for view in views]
    left, right = min(rim[:, 0].min() for rim in rims), max(rim[:, 0].max() for rim in rims)
    top, bottom = rims[0][:, 1].min(), rims[0][:, 1].max()
    size = tuple(
        int(min(np.ceil(span) + 1, LARGEST_GROWTH * full))
        for span, full in zip((right - left, bottom - top), size_px, strict=True)
    )
    for projection in projections:
        projection[0, 2] -= np.floor(left)
        projection[1, 2] -= np.floor(top)
    maps = [cv2.initUndistortRectifyMap(*view, size, cv2.CV_32FC1) for view in views]
    column, row = _undistorted(_grid(size_px), *views[0]).T.reshape(2, size_px[1], size_px[0])
    focal_px, middle = float(p_first[0, 0]), p_first[:2, 2]
    ray = np.stack([(column - middle[0]) / focal_px, (row - middle[1]) / focal_px, np.ones_like(row)], axis=-1)
    return Rectified(
        maps=(maps[0], maps[1]),
        back=(column.astype(np.float32), row.astype(np.float32)),
        axis=(ray @ r_first[:, 2]).astype(np.float32),
        focal_px=focal_px,
        baseline_m=float(-p_second[0, 3] / p_second[0, 0]),
    )


def _grid(size_px: tuple[int, int]) -> Float64:
    """(N, 2) places of all pixels, row by row."""
    width, height = size_px
    row, column = np.divmod(np.arange(width * height, dtype=np.float64), width)
    return np.stack([column, row], axis=1)


def _rim(size_px: tuple[int, int]) -> Float64:
    """(N, 2) places of the pixels around a raster."""
    places = _grid(size_px)
    return np.asarray(places[((places == 0) | (places == np.asarray(size_px) - 1)).any(axis=1)])


def _undistorted(places: Float64, matrix: Float64, distortion: Float64, turn: Float64, projection: Float64) -> Float64:
    """Where places of a view come to lie in its rectified raster."""
    until = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 50, 1e-6)
    found = cv2.undistortPoints(places.reshape(-1, 1, 2), matrix, distortion, R=turn, P=projection, criteria=until)
    return np.asarray(found, dtype=np.float64).reshape(-1, 2)


def _scaled(matrix: Float64, scale: float) -> Float64:
    """A camera matrix for a raster of another size; pixel centres lie at whole numbers in OpenCV."""
    matrix = matrix.copy()
    matrix[:2] *= scale
    matrix[:2, 2] += 0.5 * (scale - 1.0)
    return matrix
