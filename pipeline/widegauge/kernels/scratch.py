"""Working memory that a thread keeps from frame to frame."""

from __future__ import annotations

import threading
from math import prod
from typing import Any

import numpy as np
import numpy.typing as npt

_KEPT = threading.local()


def scratch(name: str, shape: tuple[int, ...], dtype: npt.DTypeLike) -> npt.NDArray[Any]:
    """An array of this thread's own under a name, contents undefined; grown when it is too small, zero at first."""
    arrays: dict[str, npt.NDArray[Any]] = _KEPT.__dict__
    size, kind = prod(shape), np.dtype(dtype)
    have = arrays.get(name)
    if have is None or have.dtype != kind or have.size < size:
        have = arrays[name] = np.zeros(size, kind)
    return have[:size].reshape(shape)
