"""What stands in for a frame that failed, if the night may: a copy of one beside it, or black."""

from __future__ import annotations

import shutil
from collections.abc import Collection, Mapping
from dataclasses import replace
from typing import Literal

import numpy as np

from widegauge.errors import MediaError
from widegauge.media.attributes import RATE
from widegauge.media.images import read_picture, write_picture
from widegauge.run.job import Job
from widegauge.run.record import FrameRecord, file_sha256

BadFrames = Literal["fail", "hold", "black"]


def mend(
    job: Job, number: int, *, way: BadFrames, good: Collection[int], frames: Mapping[int, FrameRecord], trouble: str
) -> FrameRecord:
    """Write the frame that stands in, and its record, which says what it is and why.

    hold   the bytes of the nearest finished frame before it; of the first one after, when none is before
    black  no light, in the shot's encoding, with the channels of that frame at 0

    MediaError when no frame of the shot is finished, or the file can't be written.
    """
    if not good:
        raise MediaError(trouble)
    near = max((n for n in good if n < number), default=min(good))
    model, output = job.out / frames[near].output, job.output(number)
    if way == "hold":
        beside = output.with_name(f".{output.stem}.part{output.suffix}")
        try:
            shutil.copyfile(model, beside)
            beside.replace(output)
        except OSError as error:
            raise MediaError(f"{output}: can't be written ({error.strerror}).") from error
        finally:
            beside.unlink(missing_ok=True)
        what = f"a copy of frame {near}"
    else:
        picture = read_picture(model)
        write_picture(
            output,
            replace(
                picture,
                rgb=job.plate.encoding.encode(np.zeros_like(picture.rgb)),
                extra=None if picture.extra is None else np.zeros_like(picture.extra),
                attributes={key: value for key, value in picture.attributes.items() if key == RATE},
            ),
            kind=job.kind,
        )
        what = "black"
    return FrameRecord(
        source="",
        depth="",
        output=output.name,
        sha256=file_sha256(output),
        bytes=output.stat().st_size,
        seconds=0.0,
        mended=f"{what}, since {trouble}",
    )
