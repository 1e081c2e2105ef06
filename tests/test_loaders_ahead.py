"""Work on a second thread keeps its order, and its errors are not lost."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from loaders.ahead import Behind, ahead


def counted(stop: int, broken_at: int | None = None) -> Iterator[int]:
    for i in range(stop):
        if i == broken_at:
            raise ZeroDivisionError
        yield i


def test_items_come_in_their_order() -> None:
    assert list(ahead(counted(50))) == list(range(50))


def test_an_error_comes_after_the_items_before_it() -> None:
    items = ahead(counted(9, broken_at=5))
    assert [next(items) for _ in range(5)] == [0, 1, 2, 3, 4]
    with pytest.raises(ZeroDivisionError):
        next(items)


def test_no_more_than_a_few_items_are_made_ahead() -> None:
    made = []

    def watched() -> Iterator[int]:
        for i in range(100):
            made.append(i)
            yield i

    items = ahead(watched())
    next(items)
    items.close()  # type: ignore[attr-defined]
    assert len(made) < 5


def test_work_behind_is_done_in_order_before_the_end() -> None:
    done: list[int] = []
    with Behind(done.append) as work:
        for i in range(50):
            work(i)
    assert done == list(range(50))


def test_what_work_behind_raises_is_raised_at_the_latest_at_the_end() -> None:
    def broken(item: int) -> None:
        raise ZeroDivisionError(item)

    with pytest.raises(ZeroDivisionError), Behind(broken) as work:
        work(1)


def test_waiting_means_that_all_of_it_is_done() -> None:
    done: list[int] = []
    with Behind(done.append) as work:
        work(1)
        work.wait()
        assert done == [1]
