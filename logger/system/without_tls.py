"""Loads asyncio without TLS, which no source of the logger speaks.

asyncio loads ``ssl`` to offer it, and with it OpenSSL: 4 MiB of the daemon's 30.
"""

from __future__ import annotations

import sys
from typing import Any


def load_asyncio() -> None:
    """Import asyncio so that it finds no ``ssl``, as in a Python that was built without it."""
    modules: dict[str, Any] = sys.modules
    if "ssl" in modules or "asyncio" in modules:
        return
    modules["ssl"] = None
    try:
        import asyncio  # noqa: F401
    finally:
        del modules["ssl"]
