"""Things that many ask for at once are made once."""

import threading
import time
import weakref

import pytest

from tracker.once import Once


def test_many_who_ask_at_once_get_the_same_thing_made_once() -> None:
    made: list[object] = []
    once: Once[object] = Once(4)

    def make() -> object:
        time.sleep(0.05)
        made.append(object())
        return made[-1]

    got: list[object] = []
    threads = [
        threading.Thread(target=lambda: got.append(once.get("key", make))) for _ in range(12)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(made) == 1
    assert got == made * 12


def test_one_that_is_made_does_not_keep_others_waiting() -> None:
    once: Once[int] = Once(4)
    begun, go_on = threading.Event(), threading.Event()

    def slow() -> int:
        begun.set()
        go_on.wait(5)
        return 1

    waiting = threading.Thread(target=lambda: once.get("slow", slow))
    waiting.start()
    assert begun.wait(5)
    assert once.get("quick", lambda: 2) == 2
    go_on.set()
    waiting.join()
    assert once.get("slow", lambda: 3) == 1


def test_only_the_last_few_are_kept() -> None:
    class Thing:
        pass

    once: Once[Thing] = Once(2)
    first = weakref.ref(once.get(0, Thing))
    for key in (1, 0, 2):
        once.get(key, Thing)
    assert first() is not None
    once.get(3, Thing)
    once.get(4, Thing)
    assert first() is None


def test_what_could_not_be_made_is_tried_again() -> None:
    once: Once[int] = Once(2)
    with pytest.raises(ZeroDivisionError):
        once.get("key", lambda: 1 // 0)
    assert once.get("key", lambda: 7) == 7
