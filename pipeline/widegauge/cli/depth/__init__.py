"""widegauge depth"""

from __future__ import annotations

import click

from widegauge.cli.lazy import LazyGroup

VERBS = {
    "layout": "From a camera height and outlines of what stands on the ground.",
    "scale": "Relative maps from anywhere to metres, by taped distances.",
    "stereo": "From a second view.",
    "network": "From a depth network of your own choice (ONNX).",
    "clean": "Settle noise, flicker and soft edges.",
    "show": "Look at depth: distances, blur, the line of focus.",
}


@click.group("depth", cls=LazyGroup, package=__name__, verbs=VERBS)
def command() -> None:
    """Make, scale, clean or look at depth maps: metres along the lens axis, one map a frame.

    Each of them writes maps that a shot file names under [depth].
    """
