"""How matrix products use the machine: one thread each, and memory that stays."""

from __future__ import annotations

from contextlib import AbstractContextManager
from functools import cache

import numpy as np

__all__ = ["one_thread"]

_MOST_BYTES = 32 * 2**20  # what glibc's allocator raises its threshold for returning memory to, at most


@cache
def _controller() -> object:
    from threadpoolctl import ThreadpoolController

    # Freeing one large block tells glibc's allocator to keep freed memory from then on. Without it every temporary
    # array of the solver is given back and faulted in again, which costs more than the arithmetic. It is not touched.
    np.empty(_MOST_BYTES - 8192, dtype=np.uint8)
    return ThreadpoolController()


def one_thread() -> AbstractContextManager[object]:
    """A context in which matrix products run on the calling thread alone.

    The solver's products are small; on a busy machine a second thread for each makes them ten times slower, and the
    draws of odds have threads of their own.
    """
    limited: AbstractContextManager[object] = _controller().limit(limits=1, user_api="blas")  # type: ignore[attr-defined]
    return limited
