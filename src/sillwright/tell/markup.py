"""HTML put together so that text cannot become markup: every plain string is escaped, only ``Markup`` is not."""

from __future__ import annotations

import html


class Markup(str):
    """Text that already is HTML."""

    __slots__ = ()


def el(tag: str, *children: str, **attributes: str | float) -> Markup:
    """An element. Children that are not ``Markup`` are escaped, and so is every attribute.

    A trailing underscore in an attribute's name is dropped (``class_``) and other underscores become hyphens.
    """
    opened = "".join(f' {_attribute(name)}="{html.escape(str(value))}"' for name, value in attributes.items())
    return Markup(f"<{tag}{opened}>{joined(*children)}</{tag}>")


def void(tag: str, **attributes: str | float) -> Markup:
    """An element without content, such as ``img``."""
    return Markup(str(el(tag, **attributes)).removesuffix(f"</{tag}>"))


def joined(*parts: str) -> Markup:
    """Parts one after another, plain ones escaped."""
    return Markup("".join(part if isinstance(part, Markup) else html.escape(part) for part in parts))


def _attribute(name: str) -> str:
    known = {"viewBox": "viewBox", "preserveAspectRatio": "preserveAspectRatio"}
    return known.get(name, name.removesuffix("_").replace("_", "-"))
