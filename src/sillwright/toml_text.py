"""Keys and values as a TOML file a person can read on: the tables in their order, none in one line."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

_BARE = re.compile(r"[A-Za-z0-9_-]+", re.ASCII)


def toml_text(document: Mapping[str, Any]) -> str:
    """A document of text, numbers, truth values, lists and tables of these (TOML 1.0)."""
    return "\n".join(_lines(document, ())).lstrip("\n") + "\n"


def _lines(table: Mapping[str, Any], path: tuple[str, ...]) -> Iterator[str]:
    """What stands under a heading: its own values first, as a table below would take them for its own."""
    inner = {key: value for key, value in table.items() if _is_table(value) or _is_tables(value)}
    for key, value in table.items():
        if key not in inner:
            yield f"{_key(key)} = {_value(value)}"
    for key, value in inner.items():
        heading = ".".join(map(_key, (*path, key)))
        for one in [value] if _is_table(value) else value:
            yield from ("", f"[{heading}]" if _is_table(value) else f"[[{heading}]]")
            yield from _lines(one, (*path, key))


def _is_table(value: Any) -> bool:
    return isinstance(value, Mapping)


def _is_tables(value: Any) -> bool:
    return isinstance(value, Sequence) and not isinstance(value, str) and len(value) > 0 and all(map(_is_table, value))


def _key(key: str) -> str:
    return key if _BARE.fullmatch(key) else _quoted(key)


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return _quoted(value)
    if isinstance(value, (int, float)):
        return repr(value)
    if _is_table(value):
        return "{ " + ", ".join(f"{_key(key)} = {_value(one)}" for key, one in value.items()) + " }"
    return "[" + ", ".join(map(_value, value)) + "]"


def _quoted(text: str) -> str:
    """JSON's strings are TOML's (Basic strings), but for one letter."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
