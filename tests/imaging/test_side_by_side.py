import threading

import cv2
import pytest

from inspector.imaging.side_by_side import both, side_by_side


@pytest.fixture(params=[1, 2, 4])
def threads(request):
    before = cv2.getNumThreads()
    cv2.setNumThreads(request.param)
    yield request.param
    cv2.setNumThreads(before)


def test_results_come_in_the_order_of_the_items_each_once(threads):
    begun = []

    def work(item):
        begun.append(item)
        return item * 10

    assert side_by_side(work, iter(range(50))) == [item * 10 for item in range(50)]
    assert sorted(begun) == list(range(50))
    assert side_by_side(work, []) == []


def test_as_many_items_are_worked_at_at_once_as_there_are_threads(threads):
    # None gets past the barrier before all of them have come to it: it would break after the time given.
    barrier = threading.Barrier(threads, timeout=20)
    where = side_by_side(lambda _: (barrier.wait(), threading.get_ident())[1], range(threads))
    assert len(set(where)) == threads
    assert threading.get_ident() in where


def test_two_results_are_worked_out_at_once(threads):
    barrier = threading.Barrier(min(threads, 2), timeout=20)
    assert both(lambda: (barrier.wait(), "one")[1], lambda: (barrier.wait(), 2)[1]) == ("one", 2)


@pytest.mark.parametrize("failing", [0, 1])
def test_what_fails_in_one_thread_is_told(threads, failing):
    def work(item):
        if item == failing:
            raise ValueError(f"item {item}")
        return item

    with pytest.raises(ValueError, match=f"item {failing}"):
        side_by_side(work, [0, 1])
    with pytest.raises(ValueError, match=f"item {failing}"):
        both(lambda: work(0), lambda: work(1))
