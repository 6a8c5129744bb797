"""One who does orders: a process of this machine, or a machine of a cluster.

Run as a program it does what comes on standard input until its end.
"""

import contextlib
import sys
import time
from typing import Any

from tracker import order
from tracker.child import read_message, write_message


def done(plain: dict[str, Any], data: bytes) -> str:
    """Do an order, with this machine's clock; see :func:`tracker.order.answer`."""
    return order.answer(plain, data, time.perf_counter)


def _serve() -> None:
    orders, answers = sys.stdin.buffer, sys.stdout.buffer
    # Whatever a library prints must not get between the messages.
    sys.stdout = sys.stderr
    write_message(answers, {})
    while (message := read_message(orders, 1 << 40)) is not None:
        plain, data = message
        text = done(plain, data)
        del data, message
        write_message(answers, {}, text.encode())


if __name__ == "__main__":
    with contextlib.suppress(BrokenPipeError, KeyboardInterrupt):
        _serve()
