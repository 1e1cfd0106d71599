"""The imaging chain: one file a stage, in the order in which a picture comes to be."""

from __future__ import annotations

from typing import Any

from widegauge.stages.defocus import STAGE as DEFOCUS
from widegauge.stages.framing import STAGE as FRAMING
from widegauge.stages.grain import STAGE as GRAIN
from widegauge.stages.halation import STAGE as HALATION
from widegauge.stages.mtf import STAGE as MTF
from widegauge.stages.stage import Stage

ORDER: tuple[Stage[Any, Any], ...] = (FRAMING, DEFOCUS, MTF, HALATION, GRAIN)
