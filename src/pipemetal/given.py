"""What a program gave: arguments of a wrong kind are refused by one clear error, before they do harm deep inside."""

from __future__ import annotations

import functools
import inspect
import sys
from collections.abc import Callable, Iterable, Mapping
from numbers import Integral, Real
from types import NoneType, UnionType
from typing import Annotated, Any, Final, Literal, TypeVar, Union, cast, get_args, get_origin, is_typeddict

from pipemetal.errors import InputError
from pipemetal.texts import Text, joined

__all__ = ["given"]

T = TypeVar("T", bound=Callable[..., object])
NAMES: Final = {float: "a number", int: "a whole number", str: "a text", bool: "true or false", NoneType: "nothing"}


def given(made: T) -> T:
    """A function or class whose arguments are looked at by their annotations first; a name that only types know is passed over.

    >>> @given
    ... def weigh(lot: str, mass_kg: float) -> str:
    ...     return f"{lot}: {mass_kg}"
    >>> weigh("L1", 3)
    'L1: 3'
    >>> weigh("L1", "3 kg")
    Traceback (most recent call last):
    pipemetal.errors.InputError: mass_kg is of the wrong kind (got '3 kg'; allowed: a number)
    """
    if isinstance(made, type):
        of_class = cast(Any, made)
        of_class.__init__ = _looked_at(of_class.__init__)
        return made
    return cast(T, _looked_at(made))


def _looked_at(function: Callable[..., object]) -> Callable[..., object]:
    signature = inspect.signature(function)

    @functools.wraps(function)
    def looked_at(*args: object, **kwargs: object) -> object:
        try:
            bound = signature.bind(*args, **kwargs)
        except TypeError as error:
            raise InputError(Text("cannot be called so: {why}", why=str(error)), field=function.__name__) from None
        for name, hint in _hints(function):
            if name in bound.arguments and not _fits(bound.arguments[name], hint):
                raise InputError("is of the wrong kind", field=name, value=bound.arguments[name], allowed=_words(hint))
        return function(*args, **kwargs)

    return looked_at


@functools.cache
def _hints(function: Callable[..., object]) -> tuple[tuple[str, object], ...]:
    """The annotations of a function that can be known while it runs."""
    found = []
    names = vars(sys.modules[function.__module__])
    for name, parameter in inspect.signature(function).parameters.items():
        hint = parameter.annotation
        if hint is inspect.Parameter.empty or parameter.kind in (parameter.VAR_POSITIONAL, parameter.VAR_KEYWORD):
            continue
        try:
            found.append((name, eval(hint, names) if isinstance(hint, str) else hint))
        except (NameError, AttributeError):
            continue
    return tuple(found)


def _fits(value: object, hint: object) -> bool:
    origin, args = get_origin(hint), get_args(hint)
    if origin is Annotated:
        return _fits(value, args[0])
    if origin in (Union, UnionType):
        return any(_fits(value, one) for one in args)
    if origin is Literal:
        return value in args
    if hint is None or hint is NoneType:
        return value is None
    if hint is float:
        return isinstance(value, Real) and not isinstance(value, bool)
    if hint is int:
        return isinstance(value, Integral) and not isinstance(value, bool)
    if origin is tuple and args[-1:] != (...,):
        return isinstance(value, list | tuple) and len(value) == len(args) and all(map(_fits, value, args))
    if isinstance(origin, type):
        return _fits_many(value, origin, args)
    if not isinstance(hint, type) or is_typeddict(hint) or getattr(hint, "_is_protocol", False):
        return True
    return isinstance(value, hint)


def _fits_many(value: object, origin: type, args: tuple[object, ...]) -> bool:
    """Whether a value is a collection of the right things."""
    if issubclass(origin, Mapping):
        return isinstance(value, Mapping) and all(_fits(k, args[0]) and _fits(v, args[1]) for k, v in value.items())
    if issubclass(origin, Iterable):
        # a text is a row of letters too, and never meant as one; what can be walked only once is left alone
        if isinstance(value, str | bytes | Mapping) or not isinstance(value, Iterable):
            return False
        return not isinstance(value, list | tuple | frozenset | set) or all(_fits(one, args[0]) for one in value)
    return callable(value) if origin.__name__ == "Callable" else isinstance(value, origin)


def _words(hint: object) -> Text:
    """What may be given, in words."""
    origin, args = get_origin(hint), get_args(hint)
    if origin is Annotated:
        return _words(args[0])
    if origin in (Union, UnionType):
        return joined([_words(one) for one in args], " or ")
    if origin is Literal:
        return Text(", ".join(map(str, args)))
    if hint in NAMES:
        return Text(NAMES[hint])
    if isinstance(origin, type) and issubclass(origin, Mapping):
        return Text("{what} by {key}", what=_words(args[1]), key=_words(args[0]))
    if isinstance(origin, type) and args and origin.__name__ != "Callable":
        return Text("a row of: {what}", what=_words(args[0]))
    return Text(getattr(hint, "__name__", "something else"))
