"""The shot list: which shots, with which presets, in which order; in TOML, as a table, or as a timeline."""

from widegauge.shotlist.entry import Entry, in_order
from widegauge.shotlist.read import load_list

__all__ = ["Entry", "in_order", "load_list"]
