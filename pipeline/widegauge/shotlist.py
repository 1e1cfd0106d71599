"""The shot list: which shots, with which presets, in which order."""
