"""Do kinds fit along an edge: what one function says it gives, against what the next says it takes.

Only annotations are read, and only plain statements count: where a hint is missing, ``Any`` or cannot be resolved, nothing is claimed.
"""

from __future__ import annotations

import inspect
import types
import typing
from collections.abc import Callable
from functools import lru_cache
from typing import Any

Kinds = frozenset[type]


@lru_cache(maxsize=1024)
def gives(function: Callable[..., Any]) -> Kinds | None:
    """The classes that a function may return, None where that is not known; an absent value (None) is not counted."""
    return _kinds(_hints(function).get("return"))


@lru_cache(maxsize=1024)
def takes(function: Callable[..., Any]) -> tuple[list[Kinds | None], dict[str, Kinds | None], Kinds | None]:
    """What a function takes: by position, by keyword, and in ``*arguments`` (None where not known)."""
    hints = _hints(function)
    try:
        parameters = inspect.signature(function).parameters.values()
    except (TypeError, ValueError):
        return [], {}, None
    by_place = [_kinds(hints.get(p.name)) for p in parameters if p.kind in (p.POSITIONAL_ONLY, p.POSITIONAL_OR_KEYWORD)]
    by_name = {p.name: _kinds(hints.get(p.name)) for p in parameters if p.kind in (p.KEYWORD_ONLY, p.POSITIONAL_OR_KEYWORD)}
    rest = next((_kinds(hints.get(p.name)) for p in parameters if p.kind == p.VAR_POSITIONAL), None)
    return by_place, by_name, rest


def fits(given: Kinds | None, wanted: Kinds | None) -> bool:
    """Whether something given may be what is wanted: one of its classes is, or is below, one of the wanted ones."""
    if not given or not wanted:
        return True
    return any(_is_a(one, other) for one in given for other in wanted)


def named(kinds: Kinds) -> str:
    """The classes in words."""
    return " or ".join(sorted(kind.__name__ for kind in kinds))


def _is_a(one: type, other: type) -> bool:
    try:
        return issubclass(one, other) or (other is float and one is int)
    except TypeError:  # a protocol that cannot be asked
        return True


def _hints(function: Callable[..., Any]) -> dict[str, Any]:
    try:
        return typing.get_type_hints(function)
    except Exception:  # a hint that names something imported for the type checker alone
        return {}


def _kinds(hint: Any) -> Kinds | None:
    origin = typing.get_origin(hint)
    if origin is typing.Annotated:
        return _kinds(typing.get_args(hint)[0])
    if origin in (typing.Union, types.UnionType):
        parts = [_kinds(part) for part in typing.get_args(hint) if part is not type(None)]
        known = [part for part in parts if part is not None]
        return frozenset().union(*known) if len(known) == len(parts) else None
    found = origin if origin is not None else hint
    if hasattr(found, "__value__"):  # a name for a hint, as numpy's NDArray is from 2.5 on
        return _kinds(found.__value__)
    return frozenset({found}) if isinstance(found, type) and found not in (Any, object, type(None)) else None
