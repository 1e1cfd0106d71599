"""The imaging chain: one file a stage, in the order in which a picture comes to be."""

from __future__ import annotations

from typing import Any

from widegauge.stages import defocus, framing, grain, halation, mtf
from widegauge.stages.stage import Stage

ORDER: tuple[Stage[Any, Any], ...] = (framing.STAGE, defocus.STAGE, mtf.STAGE, halation.STAGE, grain.STAGE)
