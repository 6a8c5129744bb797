"""What is asked for by many at once and made once: the screens that all show the same picture."""

from collections import OrderedDict
from collections.abc import Callable, Hashable
from threading import Lock
from typing import Generic, TypeVar

V = TypeVar("V")


class Once(Generic[V]):
    """Makes each thing once, however many threads ask, and keeps the last few.

    A key has to name everything on which the thing depends: nothing is ever taken back.

    Parameters
    ----------
    most : int
        How many things are kept.
    """

    def __init__(self, most: int) -> None:
        self._most = most
        self._guard = Lock()
        self._made: OrderedDict[Hashable, _Making[V]] = OrderedDict()

    def get(self, key: Hashable, make: Callable[[], V]) -> V:
        """Return the thing of that key; whoever asks while it is made waits for it.

        Raises
        ------
        Exception
            What ``make`` raised, for who made it; the next who asks makes it again.
        """
        with self._guard:
            making = self._made.setdefault(key, _Making())
            self._made.move_to_end(key)
            while len(self._made) > self._most:
                self._made.popitem(last=False)
        with making.lock:
            if not making.made:
                making.made = (make(),)
            return making.made[0]


class _Making(Generic[V]):
    """A thing, and who is making it."""

    def __init__(self) -> None:
        self.lock = Lock()
        self.made: tuple[V] | tuple[()] = ()
