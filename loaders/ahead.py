"""Work ahead and behind on a second thread, so that reading, parsing and writing overlap."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from types import TracebackType
from typing import Generic, TypeVar

T = TypeVar("T")
# Enough to keep both sides busy, little to hold in memory.
_WAITING = 1


class _End:
    """What comes after the last item."""


def ahead(items: Iterable[T]) -> Iterator[T]:
    """The same items, each made while the one before it is used.

    >>> list(ahead(n * n for n in range(4)))
    [0, 1, 4, 9]
    """
    iterator, end = iter(items), _End()
    with ThreadPoolExecutor(1) as thread:
        waiting = deque(thread.submit(next, iterator, end) for _ in range(_WAITING))
        while not isinstance(item := waiting.popleft().result(), _End):
            waiting.append(thread.submit(next, iterator, end))
            yield item
            del item  # not kept while the next one is waited for


class Behind(Generic[T]):
    """Calls one function on items in their order, on a second thread, a little behind.

    What the function raises is raised by a later call, at the latest when the ``with`` ends.
    """

    def __init__(self, work: Callable[[T], None]) -> None:
        self._work = work
        self._thread = ThreadPoolExecutor(1)
        self._waiting: deque[Future[None]] = deque()

    def __call__(self, item: T) -> None:
        """Have the work done on one item; waits when too much of it is open."""
        if len(self._waiting) > _WAITING:
            self._waiting.popleft().result()
        self._waiting.append(self._thread.submit(self._work, item))

    def wait(self) -> None:
        """Wait until all of it is done."""
        while self._waiting:
            self._waiting.popleft().result()

    def stop(self) -> None:
        """Begin nothing more, and wait for what has begun."""
        self._waiting.clear()
        self._thread.shutdown(cancel_futures=True)

    def __enter__(self) -> Behind[T]:
        """Ready for items."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        """Wait for the end; where the items ended in an error, what is open is not begun."""
        try:
            if error is None:
                self.wait()
        finally:
            self.stop()
