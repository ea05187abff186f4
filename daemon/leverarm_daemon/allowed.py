"""What a file may hold, in words: made from the records' own types, so that both agree."""

import datetime
import difflib
import json
import re
import reprlib
from typing import Any, Final

import msgspec
from msgspec import inspect

Words = tuple[str, str, str]
"""Key (dotted, with list index), problem, and what is allowed."""

_PATH: Final = re.compile(r" - at `\$(?P<path>[^`]*)`\Z")
_STEP: Final = re.compile(r"\.(?P<key>[^.\[]+)|\[(?P<index>\d+)\]")
_PLAIN: Final = {
    inspect.BoolType: "true or false",
    inspect.StrType: "text in quotes",
    inspect.IntType: "a whole number",
    inspect.FloatType: "a number",
}


def explain(error: msgspec.ValidationError, raw: object, top: type) -> Words:
    """Give key, problem and what is allowed for an error of `msgspec.convert(raw, top)`."""
    found = _PATH.search(str(error))
    path = found["path"] if found else ""
    kind, value = inspect.type_info(top), raw
    for step in _STEP.finditer(path):
        kind, value = _inside(kind, step), _value_inside(value, step)
    key = path.removeprefix(".")
    if isinstance(kind := _without_none(kind), inspect.StructType) and isinstance(value, dict):
        return _about_keys(key, kind, value)
    return key or "the file", f"{shown(value)} is not allowed", allowed(kind)


def shown(value: object) -> str:
    """Show a value as it stands in the file, shortened."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return json.dumps(value if len(value) <= 60 else value[:57] + "...", ensure_ascii=False)
    if isinstance(value, datetime.date | datetime.time):
        return value.isoformat()
    return reprlib.repr(value)


def allowed(kind: inspect.Type) -> str:
    """Say what a type allows."""
    kind = _without_none(kind)
    match kind:
        case inspect.Metadata():
            return str((kind.extra_json_schema or {}).get("description") or allowed(kind.type))
        case inspect.StructType():
            return "a table with " + ", ".join(field.encode_name for field in kind.fields)
        case inspect.LiteralType():
            return " or ".join(shown(value) for value in kind.values)
        case inspect.VarTupleType():
            return f"a list of {_length(kind)}values, each: {allowed(kind.item_type)}"
        case inspect.TupleType():
            return f"a list of {len(kind.item_types)} values, each: {allowed(kind.item_types[0])}"
        case inspect.IntType() | inspect.FloatType():
            return _PLAIN[type(kind)] + _bounds(kind)
    return _PLAIN[type(kind)] if type(kind) in _PLAIN else type(kind).__name__


def _about_keys(where: str, kind: inspect.StructType, value: dict[str, Any]) -> Words:
    """Tell an unknown or a missing key of a table."""
    known = {field.encode_name: field for field in kind.fields}
    for key in value:
        if key not in known:
            near = difflib.get_close_matches(key, known, 1)
            hint = f"; perhaps {near[0]} is meant" if near else ""
            problem = f"unknown key (value {shown(value[key])}){hint}"
            return _dotted(where, key), problem, ", ".join(known)
    missing = next(field for name, field in known.items() if field.required and name not in value)
    return _dotted(where, missing.encode_name), "is missing", allowed(missing.type)


def _dotted(where: str, key: str) -> str:
    return f"{where}.{key}" if where else key


def _inside(kind: inspect.Type, step: re.Match[str]) -> inspect.Type:
    """Follow one step of an error's path down the types."""
    kind = _without_none(kind)
    match kind:
        case inspect.Metadata():
            return _inside(kind.type, step)
        case inspect.StructType():
            return next(field.type for field in kind.fields if field.encode_name == step["key"])
        case inspect.VarTupleType():
            return kind.item_type
        case inspect.TupleType():
            return kind.item_types[int(step["index"])]
    return kind


def _value_inside(value: Any, step: re.Match[str]) -> object:
    return value[step["key"]] if step["key"] else value[int(step["index"])]


def _without_none(kind: inspect.Type) -> inspect.Type:
    """Drop None: TOML has no such value, one leaves the key out."""
    if isinstance(kind, inspect.UnionType):
        return next(one for one in kind.types if not isinstance(one, inspect.NoneType))
    return kind


def _length(kind: inspect.VarTupleType) -> str:
    low, high = kind.min_length, kind.max_length
    if high is None:
        return f"at least {low} " if low else ""
    return f"{low or 0} to {high} "


def _bounds(kind: inspect.IntType | inspect.FloatType) -> str:
    """Say a number's bounds."""
    if kind.ge is not None and kind.le is not None:
        return f" from {kind.ge:,.12g} to {kind.le:,.12g}"
    pairs = (("above", kind.gt), ("at least", kind.ge), ("below", kind.lt), ("at most", kind.le))
    said = [f"{word} {bound:,.12g}" for word, bound in pairs if bound is not None]
    return f" {' and '.join(said)}" if said else ""
