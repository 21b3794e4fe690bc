"""A child that ends with its parent, however that ends: it holds the other end of a pipe."""

from __future__ import annotations

import os
import sys
import threading


def end_with_parent() -> None:
    """End this process at once when its standard input is closed: the parent is gone, even by `kill -9`."""

    def wait() -> None:
        sys.stdin.buffer.read()
        os._exit(0)

    threading.Thread(target=wait, daemon=True).start()
