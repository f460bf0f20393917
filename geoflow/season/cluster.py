"""Workers: local processes, or a Dask cluster that exists."""

from __future__ import annotations

import logging
import os
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, Final

from geoflow.base.errors import UsageError, install
from geoflow.base.version import __version__

__all__ = ["clients", "need_libraries"]

_PATIENCE: Final = 60  # seconds for the first worker
_KEPT: Final = 256 * 1024**2  # bytes
_INSTALL: Final = install("season")


def need_libraries() -> None:
    """Say how to install what a season needs, where it is not there.

    Raises
    ------
    UsageError
        If a library is missing.
    """
    try:
        import distributed  # noqa: F401
        import fsspec  # noqa: F401
        import pyarrow  # noqa: F401
    except ImportError as problem:
        raise UsageError(
            f"a season needs a library that is not installed: {problem.name or problem}",
            where="geoflow season",
            cure=_INSTALL,
        ) from problem


def _version_here() -> str:
    return __version__


@contextmanager
def clients(workers: int | None, scheduler: str | None) -> Iterator[Any]:
    """Give a client of a cluster: one made here and taken down at the end, or one that exists and stays.

    Parameters
    ----------
    workers : int or None
        Local processes; None for one per core.
    scheduler : str or None
        Address of an existing cluster, as ``tcp://host:8786``.

    Raises
    ------
    UsageError
        If the cluster cannot be reached, has no worker, or has another geoflow.
    """
    import dask
    import distributed  # its import brings the defaults into dask.config

    def _client(of: Any, **how: Any) -> Any:
        return distributed.Client(of, set_as_default=False, **how)  # type: ignore[no-untyped-call]

    if scheduler is None:
        # A worker that dies is reported at once; `running` counts and tries again.
        said = {
            "distributed.scheduler.allowed-failures": 0,
            "distributed.worker.preload": ["geoflow.season.preload"],
            "distributed.comm.timeouts.connect": "60s",
            # Dask has its workers give every freed array back to the system; taking it anew doubles a field's time
            # (docs/season.md). What is kept for the next field is at most this.
            "distributed.nanny.pre-spawn-environ": {
                **dask.config.get("distributed.nanny.pre-spawn-environ"),
                "MALLOC_TRIM_THRESHOLD_": _KEPT,
                "MALLOC_MMAP_THRESHOLD_": _KEPT,
            },
        }
        with dask.config.set(said):
            cluster: Any = distributed.LocalCluster(  # type: ignore[no-untyped-call]
                n_workers=workers or os.cpu_count() or 1,
                threads_per_worker=1,
                processes=True,
                dashboard_address="127.0.0.1:0",  # any free port: several seasons may run
                host="127.0.0.1",
                silence_logs=logging.CRITICAL,
            )
            with cluster, _client(cluster) as client:
                yield client
        return
    try:
        client = _client(scheduler, timeout=10)
    except (OSError, ValueError) as problem:
        raise UsageError(
            f"no scheduler answers: {problem}",
            where=f"--scheduler {scheduler}",
            cure="give the address 'dask scheduler' printed, as tcp://host:8786",
        ) from problem
    with client:
        try:
            client.wait_for_workers(1, timeout=_PATIENCE)
            versions = set(client.run(_version_here).values())
        except TimeoutError as problem:
            raise UsageError(
                f"the scheduler had no worker within {_PATIENCE} s",
                where=f"--scheduler {scheduler}",
                cure=f"start some: dask worker {scheduler} --nthreads 1",
            ) from problem
        except (ImportError, AttributeError) as problem:
            raise UsageError(
                f"a worker cannot load geoflow ({problem})",
                where=f"--scheduler {scheduler}",
                cure=f"on every worker: {_INSTALL}",
            ) from problem
        if versions != {__version__}:
            raise UsageError(
                f"the workers have geoflow {', '.join(sorted(map(str, versions)))}, here it is {__version__}",
                where=f"--scheduler {scheduler}",
                cure="install the same version everywhere",
            )
        yield client
