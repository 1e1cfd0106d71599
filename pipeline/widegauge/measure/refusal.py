"""What an instrument says when a picture cannot answer."""

from __future__ import annotations


class RefusalError(ValueError):
    """A picture cannot answer: which rule it breaks, and what to do; the caller adds the file's name."""

    def __init__(self, rule: str, remedy: str) -> None:
        self.rule, self.remedy = rule, remedy
        super().__init__(f"{rule}; {remedy}")
