"""Work in several processes. Evidence: contract, in real processes."""

import os
import subprocess
import sys

import pytest

from pipeline.workers import in_order

THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")


def threads_of(number: int) -> tuple[int, int, list[int]]:
    """The task, its process, and the threads that libraries for matrices use there once they are loaded."""
    import scipy.linalg  # noqa: F401
    from threadpoolctl import threadpool_info

    return number, os.getpid(), [library["num_threads"] for library in threadpool_info()]


def test_results_come_in_order_from_processes_of_one_thread_each():
    found = list(in_order(2)(threads_of, iter(range(6))))
    assert [number for number, _, _ in found] == list(range(6))
    assert os.getpid() not in {process for _, process, _ in found}
    assert all(threads and set(threads) == {1} for _, _, threads in found)


def test_one_worker_is_this_process():
    assert [process for _, process, _ in in_order(1)(threads_of, iter(range(2)))] == [os.getpid()] * 2


@pytest.mark.parametrize(("said", "threads"), [(None, "1"), ("2", "2")])
def test_the_command_line_keeps_to_one_thread_unless_the_environment_says_otherwise(said, threads):
    script = "import os; from flows.cli import main; main(['nothing']); print(os.environ['OPENBLAS_NUM_THREADS'])"
    environment = {name: value for name, value in os.environ.items() if name not in THREADS}
    environment |= {} if said is None else {"OPENBLAS_NUM_THREADS": said}
    done = subprocess.run(
        [sys.executable, "-c", script], env=environment, capture_output=True, text=True, check=True, timeout=120
    )
    assert done.stdout.split() == [threads]
