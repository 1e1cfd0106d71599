"""Depth maps for a shot: read what a person has, make metres, write maps."""
