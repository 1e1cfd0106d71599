"""Times as logs and locks state them."""

from __future__ import annotations

from datetime import UTC, datetime


def utc_now() -> str:
    """Now, in UTC, as ISO 8601 to the millisecond: "2026-11-26T19:02:11.042Z"."""
    return datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
