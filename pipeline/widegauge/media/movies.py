"""Movie files, frame by frame: exact random access, colour by the file's own tags."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path

import av
import av.error
import numpy as np

from widegauge.errors import MediaError
from widegauge.media.attributes import PIXEL_ASPECT, RATE
from widegauge.media.picture import Picture, Probe
from widegauge.media.planes import Tags, settle_tags, to_rgb

AHEAD = 48
"""Frames that are decoded on the way rather than looked for: about as many as lie between key frames."""

FRAMES_SHORT = 3
"""Frames by which a track may be shorter than its header says before the file counts as cut off."""

KEPT = 4
"""Decoded frames that are kept, since workers ask for neighbours a little out of order."""


class Movie:
    """A movie file's picture track; frames are numbered from 1 in the order in which they are shown.

    Frames of varying duration are numbered one by one all the same. Legal range is stretched: black and white come as
    0 and 1, and what lies beyond them (super-white) beyond, which integer outputs clip and EXR keeps. Interlaced
    frames come as they are, both fields. Safe to read from several threads.
    """

    def __init__(self, path: Path) -> None:
        """Open a movie and find all its frames; MediaError when there is no picture track that can be read."""
        self.path = path
        self._lock = threading.Lock()
        self._kept: OrderedDict[int, av.VideoFrame] = OrderedDict()
        self._frames: Iterator[av.VideoFrame] | None = None
        self._next = 0
        try:
            self._container = av.open(str(path))
            if not self._container.streams.video:
                raise MediaError(f"{path}: has no picture track; check that this is the movie that you mean.")
            self._stream = self._container.streams.video[0]
            self._stream.thread_type = "AUTO"
            self._shown_at = self._index()
            self._check_length()
            first = self._frame(0)
        except (av.error.FFmpegError, OSError) as error:
            raise _broken(path, error) from None
        self._tags = self._settle(first)
        self.probe = self._describe(first)

    def __len__(self) -> int:
        return len(self._shown_at)

    def read(self, number: int) -> Picture:
        """Frame ``number`` (1 is the first) as code values; MediaError when it cannot be decoded."""
        if not 1 <= number <= len(self):
            raise MediaError(f"{self.path}: has frames 1 to {len(self)}, not {number}; narrow the range.")
        try:
            with self._lock:
                frame = self._frame(number - 1)
        except (av.error.FFmpegError, OSError) as error:
            raise _broken(self.path, error, number) from None
        rgb, alpha = to_rgb(frame, self._tags, self.path)
        return Picture(
            rgb=rgb,
            extra=alpha,
            extra_names=() if alpha is None else ("A",),
            attributes=dict(self.probe.attributes),
            kind="movie",
            extra_types=() if alpha is None else ("code",),
            attribute_types={RATE: "rational"},
            straight_alpha=True,
        )

    def _index(self) -> list[int]:
        """The time stamps of all frames, in order: from the packets, or by decoding where packets have none."""
        stamps: list[int | None] = []
        for packet in self._container.demux(self._stream):
            if packet.size and not packet.is_discard:
                stamps.append(packet.pts)
        known = sorted(stamp for stamp in stamps if stamp is not None)
        if len(set(known)) == len(stamps):
            return known
        self._container.seek(0)
        shown = [frame.pts for frame in self._container.decode(self._stream)]
        return sorted(stamp for stamp in shown if stamp is not None)

    def _check_length(self) -> None:
        """Refuse a file that was cut off: its header promises a track longer than what is there."""
        count, stream = len(self._shown_at), self._stream
        if count == 0:
            raise MediaError(f"{self.path}: has no frames; copy it again from its source.")
        if stream.duration and stream.average_rate and stream.time_base:
            frame_ticks = 1 / (stream.average_rate * stream.time_base)
            end = self._shown_at[-1] - (stream.start_time or 0) + frame_ticks
            if end < stream.duration - FRAMES_SHORT * frame_ticks:
                raise MediaError(
                    f"{self.path}: ends after {count} frames, before the length in its header; "
                    "copy it again from its source."
                )

    def _frame(self, index: int) -> av.VideoFrame:
        if index in self._kept:
            return self._kept[index]
        wanted = self._shown_at[index]
        if self._frames is None or not 0 <= index - self._next < AHEAD:
            self._seek(wanted)
        for attempt in range(2):
            for frame in self._frames or ():
                if frame.pts is None or frame.pts > wanted:
                    break
                self._keep(frame)
                if frame.pts == wanted:
                    return frame
            # an inexact jump: once more from the start, slowly and surely
            if attempt == 0:
                self._seek(self._shown_at[0])
        self._frames = None
        raise MediaError(f"{self.path}: frame {index + 1} cannot be decoded; copy the movie again from its source.")

    def _seek(self, stamp: int) -> None:
        self._container.seek(stamp, stream=self._stream, backward=True)
        self._frames = self._container.decode(self._stream)

    def _keep(self, frame: av.VideoFrame) -> None:
        index = int(np.searchsorted(self._shown_at, frame.pts))
        self._next = index + 1
        self._kept[index] = frame
        self._kept.move_to_end(index)
        while len(self._kept) > KEPT:
            self._kept.popitem(last=False)

    def _settle(self, frame: av.VideoFrame) -> Tags:
        context = self._stream.codec_context
        matrix = int(frame.colorspace)
        return settle_tags(
            frame.format.name,
            matrix=matrix if matrix != 2 else int(context.colorspace),
            colour_range=int(frame.color_range) or int(context.color_range),
            height_px=frame.height,
        )

    def _describe(self, frame: av.VideoFrame) -> Probe:
        stream = self._stream
        rate = stream.average_rate or stream.guessed_rate
        aspect = float(stream.sample_aspect_ratio or 1) or 1.0
        attributes: dict[str, object] = {
            PIXEL_ASPECT: aspect,
            "movie:PixelFormat": frame.format.name,
            "movie:Matrix": self._tags.matrix,
            "movie:Range": "legal" if self._tags.is_legal else "full",
            "movie:Primaries": int(frame.color_primaries),
            "movie:Transfer": int(frame.color_trc),
        }
        if rate:
            attributes[RATE] = (rate.numerator, rate.denominator)
        timecode = stream.metadata.get("timecode") or self._container.metadata.get("timecode")
        if timecode:
            attributes["movie:TimeCode"] = timecode
        if frame.interlaced_frame:
            attributes["movie:Interlaced"] = 1
        has_alpha = any(part.is_alpha for part in frame.format.components)
        return Probe(
            width_px=frame.width,
            height_px=frame.height,
            kind="movie",
            channels=("R", "G", "B", "A") if has_alpha else ("R", "G", "B"),
            rate=Fraction(rate) if rate else None,
            pixel_aspect=aspect,
            attributes=attributes,
            stretched=self._tags.is_legal,
        )


def _broken(path: Path, error: Exception, number: int | None = None) -> MediaError:
    where = f"frame {number} " if number else ""
    reason = getattr(error, "strerror", None) or str(error)
    return MediaError(f"{path}: {where}cannot be read ({reason}); copy the movie again from its source.")
