"""What threads share: mappings that cannot change, and results that are worked out once however many ask."""

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from concurrent.futures import Future
from typing import Generic, NoReturn, TypeVar

from exposure.classify.document import CriteriaError

Key = TypeVar("Key")
Value = TypeVar("Value")


class Frozen(dict[Key, Value]):
    """A dict as it was made: it reads as fast as any and refuses every change."""

    __slots__ = ()

    def _refuse(self, *args: object, **kwargs: object) -> NoReturn:
        raise TypeError("this mapping is shared between threads and cannot change")

    __setitem__ = __delitem__ = __ior__ = _refuse
    clear = pop = popitem = setdefault = update = _refuse

    def __reduce__(self) -> tuple[type[dict[Key, Value]], tuple[dict[Key, Value]]]:
        return dict, (dict(self),)  # a copy is the caller's own


class Kept(Generic[Value]):
    """Results by key, each worked out by one thread while the others wait for it; those last used are kept, up to
    `most` by weight. A CriteriaError is a result too, so what was refused once is refused again at once."""

    def __init__(self, most: int, weigh: Callable[[Value], int], *, refusal: int = 1) -> None:
        """`weigh` says how heavy a result is, `refusal` how heavy a CriteriaError."""
        self.most, self.weigh, self.refusal = most, weigh, refusal
        self._lock = threading.Lock()
        self._kept: OrderedDict[Hashable, tuple[int, Future[Value | CriteriaError]]] = OrderedDict()
        self._weight = 0

    def get(self, key: Hashable, work: Callable[[], Value]) -> Value:
        """The result of `work` for this key. Raises what `work` raises."""
        with self._lock:
            if key in self._kept:
                self._kept.move_to_end(key)
                mine, result = False, self._kept[key][1]
            else:
                mine, result = True, Future[Value | CriteriaError]()
                self._kept[key] = 0, result
        if mine:
            self._work_out(key, result, work)
        value = result.result()
        if isinstance(value, CriteriaError):
            # Each caller raises its own: an error raised twice would gather the traces of both.
            raise type(value)(value.message, line=value.line, path=value.path)
        return value

    def clear(self) -> None:
        """Forget everything, for measurements."""
        with self._lock:
            self._kept.clear()
            self._weight = 0

    def _work_out(
        self, key: Hashable, result: "Future[Value | CriteriaError]", work: Callable[[], Value]
    ) -> None:
        try:
            value: Value | CriteriaError = work()
        except CriteriaError as error:
            value = type(error)(error.message, line=error.line, path=error.path)
        except BaseException as error:
            with self._lock:  # out of memory, interrupted: whoever comes next tries again
                self._kept.pop(key, None)
            result.set_exception(error)
            return
        weight = self.refusal if isinstance(value, CriteriaError) else self.weigh(value)
        result.set_result(value)
        with self._lock:
            if key in self._kept and self._kept[key][1] is result:
                self._kept[key] = weight, result
                self._weight += weight
            while self._weight > self.most and len(self._kept) > 1:
                self._weight -= self._kept.popitem(last=False)[1][0]
