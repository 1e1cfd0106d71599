"""Read what people write in TOML, and turn every mistake in it into a sentence that helps."""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, TypeVar, get_args

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, TypeAdapter, ValidationError

from widegauge.errors import Mistake, SettingsError, mistake
from widegauge.units import parse_frames

Positive = Annotated[float, Field(gt=0.0, allow_inf_nan=False)]
Finite = Annotated[float, Field(allow_inf_nan=False)]
Share = Annotated[float, Field(ge=0.0, le=1.0)]


def _frames(text: str) -> str:
    parse_frames(text)
    return text


Frames = Annotated[str, AfterValidator(_frames)]
"""A range of frames as people write it; ValueError by ``parse_frames``."""

_NOUNS = {
    "float": "a number",
    "int": "a whole number",
    "string": "a text, in quotes",
    "bool": "true or false",
    "tuple": "a list, in square brackets",
    "list": "a list, in square brackets",
    "dict": "a table",
    "model": "a table",
}
_BOUNDS = {
    "greater_than": "above {gt:g}",
    "greater_than_equal": "at least {ge:g}",
    "less_than": "below {lt:g}",
    "less_than_equal": "at most {le:g}",
}


class Table(BaseModel):
    """A table of a file that a person writes: strict types, unknown keys refused, never changed once read."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)


M = TypeVar("M", bound=BaseModel)


def read_toml(path: Path) -> dict[str, Any]:
    """Parse a TOML file, with a byte order mark or without; SettingsError when it is missing or not TOML."""
    try:
        return tomllib.loads(path.read_bytes().decode("utf-8-sig"))
    except FileNotFoundError:
        raise mistake(path, "", None, "no such file", "check the name") from None
    except IsADirectoryError:
        raise mistake(path, "", None, "is a folder", "name the file in it") from None
    except OSError as error:
        raise mistake(path, "", None, f"can't be read ({error.strerror})", "check its permissions") from None
    except UnicodeDecodeError:
        raise mistake(path, "", None, "not TOML: its text is not UTF-8", "save it as UTF-8") from None
    except tomllib.TOMLDecodeError as error:
        raise mistake(path, "", None, f"not TOML: {error}", "mend that line") from None
    except RecursionError:
        raise mistake(path, "", None, "not TOML: brackets within brackets without end", "mend that line") from None


def read_table(model: type[M], data: Mapping[str, Any], *, file: object, folder: Path | None = None) -> M:
    """Build a model from parsed TOML; SettingsError with every mistake.

    ``folder`` reaches the model's validators as ``info.context["folder"]``: relative paths start there.
    """
    try:
        return model.model_validate(data, context={"folder": folder})
    except ValidationError as error:
        raise SettingsError(_explained(str(file), model, error)) from None


def read_records(kind: type, data: Mapping[str, Any], *, file: object) -> dict[str, Any]:
    """Build a dictionary of plain dataclasses (a table each) from parsed TOML; SettingsError with every mistake."""
    try:
        return TypeAdapter(dict[str, kind], config=ConfigDict(extra="forbid")).validate_python(data)  # type: ignore[valid-type]
    except ValidationError as error:
        raise SettingsError(_explained(str(file), None, error)) from None


def like(name: str, known: list[str]) -> str | None:
    """The known name that an unknown one is most like, or None when it is like none."""
    return next(iter(difflib.get_close_matches(name, known, n=1, cutoff=0.6)), None)


def nearest(name: str, known: list[str]) -> str:
    """The remedy for an unknown name: the nearest known one, or all of them."""
    close = like(name, known)
    return f'did you mean "{close}"?' if close else "known: " + ", ".join(known)


def _explained(file: str, model: type[BaseModel] | None, error: ValidationError) -> list[Mistake]:
    """Every mistake; of a key that may be a word or a list, only those of what it tries to be."""
    meant = []
    for each in error.errors(include_url=False):
        loc, is_word = each["loc"], isinstance(each["input"], str)
        ways = [part for part in loc if isinstance(part, str) and part.startswith(("literal[", "tuple["))]
        if ways and loc[-1] == ways[0] and ways[0].startswith("literal[") != is_word:
            continue
        meant.append({**each, "loc": tuple(part for part in loc if part not in ways)})
    return [_explain(file, model, each) for each in meant]


def _explain(file: str, model: type[BaseModel] | None, error: Any) -> Mistake:
    loc: tuple[str | int, ...] = error["loc"]
    key = "".join(f"[{part}]" if isinstance(part, int) else f".{part}" for part in loc).lstrip(".")
    owner, description = _look_up(model, loc)
    remedy = (
        f"it means: {description}" if description else "see `widegauge presets schema`, for a shot file with --shot"
    )
    rule = error["msg"]
    value = "" if error["type"] == "missing" else _short(error["input"])
    match error["type"]:
        case "extra_forbidden":
            rule = "not a known key"
            remedy = nearest(str(loc[-1]), sorted(owner.model_fields)) if owner else "take it out"
        case "missing":
            rule = "is required"
        case "value_error":
            said, _, advice = str(error["ctx"]["error"]).partition("; ")
            rule, remedy = said, advice or remedy
        case "literal_error":
            rule, remedy = "not one of the values it can have", f"give one of {error['ctx']['expected']}"
        case "finite_number":
            rule = "is not a finite number"
        case kind if kind in _BOUNDS:
            rule = "must be " + _BOUNDS[kind].format(**error["ctx"])
        case kind if (noun := _NOUNS.get(kind.removesuffix("_type"))) is not None:
            rule = f"is not {noun}"
        case _:
            rule = rule[0].lower() + rule[1:]
    return Mistake(file, key, value, rule, remedy)


def _look_up(model: type[BaseModel] | None, loc: tuple[str | int, ...]) -> tuple[type[BaseModel] | None, str]:
    """The model that holds the key at ``loc``, and that key's description."""
    for depth, part in enumerate(loc):
        if model is None or not isinstance(part, str):
            return model, ""
        field = model.model_fields.get(part)
        if depth == len(loc) - 1 or field is None:
            return model, (field.description or "") if field else ""
        inner = [a for a in (field.annotation, *get_args(field.annotation)) if isinstance(a, type)]
        models = [a for a in inner if issubclass(a, BaseModel)]
        if not models:
            return model, field.description or ""
        model = models[0]
    return model, ""


def _short(value: Any) -> str:
    text = f'"{value}"' if isinstance(value, str) else str(value).lower() if isinstance(value, bool) else str(value)
    return text if len(text) <= 60 else text[:57] + "..."
