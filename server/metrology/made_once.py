"""An attribute that is made when first asked for and then kept. Unlike `functools.cached_property` before Python 3.12, which
makes one at a time for all objects of a class, threads wait for one another only over the same object."""

from __future__ import annotations

from collections.abc import Callable
from threading import RLock
from typing import Any, Generic, TypeVar, overload

T = TypeVar("T")

_LOCK = "made_once lock"


class made_once(Generic[T]):  # noqa: N801 - a decorator
    """Kept under its own name in the object's `__dict__`, made once however many threads ask."""

    def __init__(self, make: Callable[[Any], T]) -> None:
        self.make = make
        self.name = make.__name__
        self.__doc__ = make.__doc__

    @overload
    def __get__(self, instance: None, owner: type[Any]) -> made_once[T]: ...

    @overload
    def __get__(self, instance: object, owner: type[Any]) -> T: ...

    def __get__(self, instance: object | None, owner: type[Any]) -> made_once[T] | T:
        if instance is None:
            return self
        kept = instance.__dict__
        with kept.setdefault(_LOCK, RLock()):
            if self.name not in kept:
                kept[self.name] = self.make(instance)
            made: T = kept[self.name]
            return made
