"""What does not depend on a capture is computed once: results of functions of arrays, kept by their arguments' values.

The second capture of a sweep is read on the same grids, through the same windows and against the same design.
"""

from collections.abc import Callable
from functools import lru_cache, wraps
from typing import Any, ParamSpec, TypeVar

import numpy as np
from numpy.typing import NDArray

Arguments = ParamSpec("Arguments")
Result = TypeVar("Result")

#: Powers of two, and these parts of them, are lengths of transforms; numerical.
LENGTH_PARTS = (9 / 16, 3 / 4)


class _ByValue:
    """An array as a key: equal to another of the same type, shape and values, and no longer tied to the caller's."""

    __slots__ = ("_key", "array")

    def __init__(self, array: NDArray[Any]) -> None:
        self._key = (array.tobytes(), array.dtype.str, array.shape)
        self.array: NDArray[Any] = np.frombuffer(self._key[0], array.dtype).reshape(array.shape)

    def __hash__(self) -> int:
        return hash(self._key)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _ByValue) and self._key == other._key


def planned_length(frames: int) -> int:
    """Length of a transform of so many frames at least, one of few.

    The library keeps no more than 16 plans of each precision: windows that all differ a little in length would have
    each of them made anew for every capture, which takes as long as the transform itself.
    """
    power = 1 << max(4, (frames - 1).bit_length())
    return next((int(part * power) for part in LENGTH_PARTS if part * power >= frames), power)


def kept_by_value(most: int) -> Callable[[Callable[Arguments, Result]], Callable[Arguments, Result]]:
    """`functools.lru_cache` of `most` results for pure functions of arrays and hashable values.

    Arrays that are returned, alone or in a tuple, are shared by all callers and therefore read only.
    """

    def keeping(function: Callable[Arguments, Result]) -> Callable[Arguments, Result]:
        @lru_cache(maxsize=most)
        def kept(*given: Any, **named: Any) -> Any:
            compute: Callable[..., Result] = function
            result = compute(*(each.array if isinstance(each, _ByValue) else each for each in given), **named)
            for each in result if isinstance(result, tuple) else (result,):
                if isinstance(each, np.ndarray):
                    each.flags.writeable = False
            return result

        @wraps(function)
        def found(*given: Arguments.args, **named: Arguments.kwargs) -> Result:
            keys: dict[str, Any] = {**named}
            result: Result = kept(*(_ByValue(each) if isinstance(each, np.ndarray) else each for each in given), **keys)
            return result

        return found

    return keeping
