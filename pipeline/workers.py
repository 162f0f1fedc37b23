"""Work on several sites at once, in processes of their own, with results in order."""

from __future__ import annotations

import multiprocessing
import os
import sys
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from pathlib import Path
from typing import TypeVar

from threadpoolctl import threadpool_limits

T = TypeVar("T")
R = TypeVar("R")


def worker_count(tasks: int) -> int:
    """How many processes to work in: one for each processor, but no more than there are tasks.

    One, that is this process alone, where a new process could not load the program that runs (a script read from
    standard input).
    """
    main = getattr(sys.modules["__main__"], "__file__", None)
    if main is None or not Path(main).exists() or multiprocessing.current_process().daemon:
        return 1
    return max(min(len(os.sched_getaffinity(0)), tasks), 1)


def keep_to_one_thread() -> None:
    """Let each library for matrices that is loaded from now on use one thread, in processes begun from now on too.

    The matrices are small, and threads wait for each other at full speed: with two processors that was a third of a
    run's time. What the environment says already stands. A limit set later does not reach libraries loaded after it.
    """
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")


def in_order(workers: int) -> Callable[[Callable[[T], R], Iterable[T]], Iterator[R]]:
    """A `map` that works in so many processes and holds no more tasks than it needs to keep them busy.

    Each keeps to one thread.
    """

    def mapped(function: Callable[[T], R], tasks: Iterable[T]) -> Iterator[R]:
        if workers <= 1:
            for task in tasks:
                with threadpool_limits(1):
                    result = function(task)
                yield result
            return
        keep_to_one_thread()
        spawning = multiprocessing.get_context("spawn")
        with ProcessPoolExecutor(workers, mp_context=spawning, initializer=threadpool_limits, initargs=(1,)) as pool:
            waiting: deque[Future[R]] = deque()
            for task in tasks:
                waiting.append(pool.submit(function, task))
                if len(waiting) > workers:
                    yield waiting.popleft().result()
            while waiting:
                yield waiting.popleft().result()

    return mapped
