"""Bind a shot's stages and run them over its frames."""
