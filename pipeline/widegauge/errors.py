"""What can go wrong for a person, and the exit code that each kind ends with."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar


@dataclass(frozen=True, slots=True)
class Mistake:
    """One mistake in what a person wrote: where it stands, which rule it breaks, and what to do."""

    file: str
    key: str
    value: str
    rule: str
    remedy: str

    def __str__(self) -> str:
        place = f"{self.file}: {self.key}" if self.key else self.file
        value = f" = {self.value}" if self.value else ""
        end = "" if self.remedy.endswith("?") else "."
        return f"{place}{value}: {self.rule}. {self.remedy}{end}"


class WidegaugeError(Exception):
    """An error with a message meant for the person at the keyboard."""

    exit_code: ClassVar[int] = 2


class SettingsError(WidegaugeError):
    """Every mistake found in settings or usage before the first frame, listed at once (exit code 2)."""

    exit_code = 2

    def __init__(self, mistakes: Sequence[Mistake]) -> None:
        self.mistakes = tuple(mistakes)
        super().__init__("\n".join(str(mistake) for mistake in self.mistakes))


class MediaError(WidegaugeError):
    """Footage, depth or output that fails while working (exit code 3); whole frames already written stay."""

    exit_code = 3


def mistake(file: object, key: str, value: object, rule: str, remedy: str) -> SettingsError:
    """A SettingsError that holds a single mistake."""
    return SettingsError([Mistake(str(file), key, "" if value is None else str(value), rule, remedy)])
