"""A setting as a typed field with default, unit, bounds and description; estate.toml is written from it."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Iterator
from typing import Any, get_args

from pydantic import BaseModel, ConfigDict, Field
from pydantic.fields import FieldInfo

COMMENT_WIDTH = 108


class Section(BaseModel):
    """A table of estate.toml: unknown keys are refused, values cannot be altered after loading."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, validate_default=True)


def setting(default: Any, unit: str, description: str, **bounds: Any) -> Any:
    """Declare one setting.

    Parameters
    ----------
    default : object
        None for an optional setting: it is written as a comment.
    unit : str
        Unit of the value, "" if it has none.
    description : str
        One or two plain sentences; ends with the mark of its source where it has one.
    **bounds
        ``ge``, ``gt``, ``le``, ``lt``, ``min_length``, ``pattern`` as pydantic takes them.

    Returns
    -------
    pydantic.fields.FieldInfo
    """
    return Field(default=default, description=description, json_schema_extra={"unit": unit}, **bounds)


def section(model: type[Section]) -> Any:
    """Declare one nested table of settings, all at their defaults."""
    return Field(default_factory=model, description=(model.__doc__ or "").split("\n")[0])


def unit_of(info: FieldInfo) -> str:
    """Give the unit of a setting, "" if it has none."""
    extra = info.json_schema_extra
    return str(extra.get("unit", "")) if isinstance(extra, dict) else ""


def bounds_of(info: FieldInfo) -> str:
    """Bounds of a setting in words, "" if it has none.

    Examples
    --------
    >>> bounds_of(setting(1.0, "m", "A length.", gt=0, le=5))
    'above 0, at most 5'
    """
    words = {"gt": "above", "ge": "at least", "lt": "below", "le": "at most"}
    parts = [
        f"{word} {getattr(item, name):,.12g}"
        for item in info.metadata
        for name, word in words.items()
        if getattr(item, name, None) is not None
    ]
    return ", ".join(parts)


def subsection(info: FieldInfo) -> type[Section] | None:
    """Model of a nested table, None for a plain setting."""
    kind = info.annotation
    return kind if isinstance(kind, type) and issubclass(kind, Section) else None


def walk_settings(model: type[Section], path: str = "") -> Iterator[tuple[str, FieldInfo]]:
    """Go through every plain setting below `model` with its dotted name."""
    for name, info in model.model_fields.items():
        full = f"{path}.{name}" if path else name
        inner = subsection(info)
        if inner is None:
            yield full, info
        else:
            yield from walk_settings(inner, full)


def toml_value(value: Any) -> str:
    r"""Write one value as TOML.

    Examples
    --------
    >>> toml_value([0.0, 0.5]), toml_value("A \"b\""), toml_value(True)
    ('[0.0, 0.5]', '"A \\"b\\""', 'true')
    """
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(toml_value(one) for one in value) + "]"
    if isinstance(value, dict):
        pairs = ", ".join(f"{toml_value(str(key))} = {toml_value(one)}" for key, one in value.items())
        return "{ " + pairs + " }" if pairs else "{}"
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    return repr(value)


def write_toml(model: type[Section], values: Section) -> str:
    """Write a whole settings model as commented TOML.

    Parameters
    ----------
    model : type of Section
    values : Section
        The values to write; None is written as a comment.

    Returns
    -------
    str
    """
    lines: list[str] = []
    _write_table(model, values, "", lines)
    return "\n".join(lines).strip() + "\n"


def _write_table(model: type[Section], values: Section, path: str, lines: list[str]) -> None:
    fields = model.model_fields
    plain = [name for name, info in fields.items() if subsection(info) is None and not _is_catalogue(info)]
    if path:
        lines += ["", *_comment(model.__doc__ or "")]
    if path and plain:
        lines.append(f"[{path}]")
    for name in plain:
        lines += _write_setting(name, fields[name], getattr(values, name))
    for name, info in fields.items():
        full = f"{path}.{name}" if path else name
        inner = subsection(info)
        if inner is not None:
            _write_table(inner, getattr(values, name), full, lines)
        elif name not in plain:
            lines += ["", *_comment(info.description or ""), *_write_entries(full, getattr(values, name))]


def _is_catalogue(info: FieldInfo) -> bool:
    """Whether a setting is a table of tables by free names, like the prices by variety."""
    return any(isinstance(one, type) and issubclass(one, Section) for one in get_args(info.annotation))


def _write_setting(name: str, info: FieldInfo, value: Any) -> list[str]:
    limits = "; ".join(part for part in (unit_of(info), bounds_of(info)) if part)
    comment = _comment(f"{info.description}{f' [{limits}]' if limits else ''}")
    if value is None:
        return [*comment, f"# {name} ="]
    return [*comment, f"{name} = {toml_value(value)}"]


def _write_entries(path: str, entries: dict[str, Section]) -> list[str]:
    lines: list[str] = []
    for key, entry in entries.items():
        lines.append(f"[{path}.{toml_value(key)}]")
        lines += [
            f"{name} = {toml_value(one)}" for name, one in entry.model_dump().items() if one is not None
        ]
    return lines


def _comment(text: str) -> list[str]:
    return textwrap.wrap(
        " ".join(text.split()), COMMENT_WIDTH, initial_indent="# ", subsequent_indent="# ",
        break_on_hyphens=False, break_long_words=False,
    )  # fmt: skip
