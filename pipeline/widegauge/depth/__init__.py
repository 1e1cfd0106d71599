"""One file a source of depth, and what turns its values into metres."""
