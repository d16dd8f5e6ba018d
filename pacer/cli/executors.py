"""Who does the work: this process, several on this machine, or a cluster; one interface for all."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, Future
from contextlib import contextmanager
from typing import Any, TypeVar

from pacer.errors import SettingsError

__all__ = ["AtOnce", "open_executor", "usable_cores"]

T = TypeVar("T")

_ONE_THREAD = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")
"""Read by numerical libraries; workers that each take every core get in each other's way."""


class AtOnce(Executor):
    """An executor that does what it is given at once, in this process."""

    def submit(self, fn: Callable[..., T], /, *args: Any, **kwargs: Any) -> Future[T]:
        """Call and keep the result, or the exception."""
        future: Future[T] = Future()
        try:
            future.set_result(fn(*args, **kwargs))
        except Exception as error:
            future.set_exception(error)
        return future


def usable_cores() -> int:
    """Cores that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0)) or 1
    return os.cpu_count() or 1


@contextmanager
def open_executor(jobs: int | None, cluster: str | None, tasks: int) -> Iterator[Executor]:
    """Open an executor and close it at the end, whatever happens.

    Parameters
    ----------
    jobs : int or None
        Processes on this machine; None for one a core.
    cluster : str or None
        Address of a scheduler of dask.distributed, such as `tcp://10.0.0.5:8786`.
    tasks : int
        Pieces of work; there are never more processes than that.

    Raises
    ------
    SettingsError
        Where the cluster can't be used.
    """
    if cluster is not None:
        with _cluster(cluster) as executor:
            yield executor
        return
    workers = min(jobs or usable_cores(), max(tasks, 1))
    if workers == 1:
        yield AtOnce()
        return
    from concurrent.futures import ProcessPoolExecutor
    from multiprocessing import get_context

    for name in _ONE_THREAD:
        os.environ.setdefault(name, "1")
    pool = ProcessPoolExecutor(workers, mp_context=get_context("spawn"))
    try:
        yield pool
    finally:
        pool.shutdown(cancel_futures=True)


@contextmanager
def _cluster(address: str) -> Iterator[Executor]:
    try:
        from distributed import Client
    except ImportError:
        raise SettingsError(
            "a cluster needs distributed, which isn't installed",
            where="--cluster",
            do="install it with: pip install distributed",
        ) from None
    try:
        client: Any = Client(address, timeout=5, set_as_default=False)  # type: ignore[no-untyped-call]  # by its makers
    except (OSError, TimeoutError, ValueError) as error:
        raise SettingsError(
            "no scheduler answers there",
            where="--cluster",
            found=f"{address}: {type(error).__name__}",
            do="start one with `dask scheduler` and workers with `dask worker`",
        ) from None
    try:
        executor = client.get_executor()
        try:
            yield executor
        finally:
            executor.shutdown(wait=False)
    finally:
        client.close()
