"""How the C library handles the memory of a short command that makes and drops large arrays."""

from __future__ import annotations

import ctypes

#: Numbers of glibc's options, from its header malloc.h: how much free memory at the end of the heap
#: is kept, and from which size on a piece gets a mapping of its own.
_M_TRIM_THRESHOLD, _M_MMAP_THRESHOLD = -1, -3
#: The most that glibc takes for the second one: a column of four million intervals.
_MAPPED_FROM = 32 << 20
#: More than all columns of ten years.
_KEPT = 512 << 20


def keep_freed_memory() -> None:
    """Let the process use freed memory again, instead of giving it back to the system.

    A report makes and drops hundreds of arrays as long as the log. Given back, their memory has to
    be cleared by the system each time: a seventh of the processor time of ten years (measured).
    It is for a command that ends soon. Where the C library has no such options, nothing changes.
    """
    try:
        mallopt = ctypes.CDLL(None).mallopt
    except (AttributeError, OSError, TypeError):
        return
    mallopt(_M_MMAP_THRESHOLD, _MAPPED_FROM)
    mallopt(_M_TRIM_THRESHOLD, _KEPT)
