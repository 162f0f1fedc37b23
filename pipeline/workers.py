"""Work on several sites at once, in processes of their own, with results in order."""

from __future__ import annotations

import multiprocessing
import os
import sys
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from pathlib import Path
from typing import Final, Generic, Self, TypeVar, overload

from threadpoolctl import threadpool_limits

from pipeline.errors import WorkerEndedError

T = TypeVar("T")
R = TypeVar("R")

ENDED: Final = "the system ended a process of the run, most likely for want of memory"
"""What is said of work whose process was ended from outside."""


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


@overload
def in_order(workers: int) -> Callable[[Callable[[T], R], Iterable[T]], Iterator[R]]: ...
@overload
def in_order(workers: int, *, ended: Callable[[T], R]) -> Callable[[Callable[[T], R], Iterable[T]], Iterator[R]]: ...
def in_order(
    workers: int, *, ended: Callable[[T], R] | None = None
) -> Callable[[Callable[[T], R], Iterable[T]], Iterator[R]]:
    """A `map` that works in so many processes and holds no more tasks than it needs to keep them busy.

    Each keeps to one thread. Where the system ends a process, most likely for want of memory, the tasks under way are
    done again, each alone; of one that ends its process again the result is what `ended` says.

    Raises
    ------
    WorkerEndedError
        If there is no `ended` to say it. As the map's results are taken.
    """

    def mapped(function: Callable[[T], R], tasks: Iterable[T]) -> Iterator[R]:
        if workers <= 1:
            for task in tasks:
                with threadpool_limits(1):
                    result = function(task)
                yield result
            return
        keep_to_one_thread()
        with _Processes(workers, function, ended) as processes:
            for task in tasks:
                processes.give(task)
                if len(processes.waiting) > workers:
                    yield processes.take()
            while processes.waiting:
                yield processes.take()

    return mapped


def _pool(workers: int) -> ProcessPoolExecutor:
    spawning = multiprocessing.get_context("spawn")
    return ProcessPoolExecutor(workers, mp_context=spawning, initializer=threadpool_limits, initargs=(1,))


class _Processes(Generic[T, R]):
    """Processes at work on tasks, `waiting` in order, each with its pool; a pool that lost a process is replaced."""

    def __init__(self, workers: int, function: Callable[[T], R], ended: Callable[[T], R] | None) -> None:
        self.workers, self.function, self.ended = workers, function, ended
        self.pool = _pool(workers)
        self.waiting: deque[tuple[T, ProcessPoolExecutor, Future[R]]] = deque()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.pool.shutdown(cancel_futures=True)

    def give(self, task: T) -> None:
        """Put a task to work."""
        try:
            future = self.pool.submit(self.function, task)
        except (BrokenProcessPool, OSError, ValueError):
            # The last two where a process of the pool is lost while its next one is started: its pipes are closed then.
            self._replace(self.pool)
            future = self.pool.submit(self.function, task)
        self.waiting.append((task, self.pool, future))

    def take(self) -> R:
        """The result of the task that was given first."""
        task, pool, future = self.waiting.popleft()
        try:
            return future.result()
        except BrokenProcessPool:
            self._replace(pool)
            return self._alone(task)

    def _replace(self, broken: ProcessPoolExecutor) -> None:
        if self.pool is broken:
            broken.shutdown(wait=False)
            self.pool = _pool(self.workers)

    def _alone(self, task: T) -> R:
        try:
            with _pool(1) as pool:
                return pool.submit(self.function, task).result()
        except BrokenProcessPool as error:
            if self.ended is None:
                raise WorkerEndedError(ENDED) from error
            return self.ended(task)
