"""Widegauge: plan, finish and prove footage as if it was shot on the largest film negative."""

__version__ = "0.1.0"
