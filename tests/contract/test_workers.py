"""Work in several processes. Evidence: contract, in real processes."""

import multiprocessing
import os
import signal
import subprocess
import sys
import threading
import time

import pytest

from pipeline.analysis import SiteFailed, analyse_sites, ended_site
from pipeline.errors import WorkerEndedError
from pipeline.sites import site_tables
from pipeline.workers import in_order
from tests.support.lake_catalogue import fleet

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


def _doubled(number: int) -> int:
    """Twice a number; three ends its process, as the system does where memory is short."""
    if number == 3:
        os.kill(os.getpid(), signal.SIGKILL)
    return 2 * number


def test_a_task_that_ends_its_process_costs_no_other_its_result():
    found = list(in_order(2, ended=lambda number: -number)(_doubled, iter(range(8))))
    assert found == [0, 2, 4, -3, 8, 10, 12, 14]


def test_where_nobody_says_what_is_left_of_it_the_line_says_what_happened():
    with pytest.raises(WorkerEndedError, match="for want of memory"):
        list(in_order(2)(_doubled, iter(range(8))))


def test_a_site_whose_process_is_ended_once_comes_out_as_if_it_had_not_been():
    """Of the two processes the first is killed as soon as the second is there."""
    tables, killed, others = fleet(), [], set(multiprocessing.active_children())

    def kill_one():
        while not killed:
            processes = set(multiprocessing.active_children()) - others
            if len(processes) == 2:
                min(processes, key=lambda process: process.pid).kill()
                killed.append(processes)
            time.sleep(0.01)

    threading.Thread(target=kill_one, daemon=True).start()
    failed: list[SiteFailed] = []
    last_day = int(tables["readings"]["ts"].max().timestamp() // 86400)
    made = analyse_sites(
        site_tables(tables), last_day, on_failure=failed.append, in_order=in_order(2, ended=ended_site)
    )
    assert (len(killed), failed) == (1, [])
    # In one thread as there: with several, sums would round as the threads come.
    alone = analyse_sites(site_tables(tables), last_day, in_order=in_order(1))
    assert made.keys() == alone.keys()
    assert all(made[name].equals(alone[name]) for name in made)


def test_of_a_site_that_is_ended_twice_its_name_is_left():
    assert ended_site(next(site_tables(fleet()))) == SiteFailed(
        "S1", "the system ended a process of the run, most likely for want of memory", is_ended=True
    )
