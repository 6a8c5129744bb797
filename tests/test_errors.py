"""One error tree: every class in both tables, and each with a fitting built-in."""

import inspect

import pytest

from tracker import errors
from tracker.errors import EXIT_STATUS, HTTP_STATUS, TrackerError

TREE = [
    kind
    for _, kind in inspect.getmembers(errors, inspect.isclass)
    if issubclass(kind, TrackerError)
]


def every_subclass(kind: type[TrackerError]) -> set[type[TrackerError]]:
    return {kind}.union(*(every_subclass(below) for below in kind.__subclasses__()))


def test_every_error_is_defined_in_the_one_room() -> None:
    import tracker.cli
    import tracker.service  # noqa: F401  a subclass defined elsewhere would show here

    assert every_subclass(TrackerError) == set(TREE)


def test_both_tables_hold_every_error() -> None:
    assert set(EXIT_STATUS) == set(TREE)
    assert set(HTTP_STATUS) == set(TREE)


@pytest.mark.parametrize("kind", TREE)
def test_what_the_caller_can_mend_has_other_statuses_than_what_broke(
    kind: type[TrackerError],
) -> None:
    mendable = issubclass(kind, errors.InputError)

    assert EXIT_STATUS[kind] == (2 if mendable else 3)
    assert (HTTP_STATUS[kind] == 422) == mendable


@pytest.mark.parametrize("kind", TREE)
def test_every_error_stands_in_the_drawing_of_the_tree(kind: type[TrackerError]) -> None:
    assert kind.__name__ in (errors.__doc__ or "")


def test_message_and_hint_are_kept_apart() -> None:
    error = errors.InvalidCase("no scale", hint="give one")

    assert (error.message, error.hint, str(error)) == ("no scale", "give one", "no scale")
    assert isinstance(error, ValueError)
