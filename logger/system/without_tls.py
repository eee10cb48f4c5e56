"""Loads asyncio without TLS, which no source of the logger uses.

asyncio would load ``ssl`` and so OpenSSL: 4 MiB of the daemon's 30.
"""

from __future__ import annotations

import sys
from typing import Any


def load_asyncio() -> None:
    """Import asyncio so that it finds no ``ssl``, as in a Python built without it."""
    modules: dict[str, Any] = sys.modules
    if "ssl" in modules or "asyncio" in modules:
        return
    modules["ssl"] = None
    try:
        import asyncio  # noqa: F401
    finally:
        del modules["ssl"]
