"""The same fold on more machines: a Dask cluster sums parts of the files, and joins them in pairs.

A part is a run of chunks. Each worker reads its parts itself, so that the files must lie where
all workers find them by the same path or address. Sums are integers: which worker took
what, and how often a part was begun again because one was lost, leaves no trace.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from functools import partial
from typing import Any, Final, TypeVar

from pourdatum.errors import JobError, LimitMet
from pourdatum.optional import need
from pourdatum.passing import InPairs, Progress, Sums, Told
from pourdatum.scan import ChunkRef

T = TypeVar("T")

_PART_POINTS: Final = 16_000_000
"""Points of a part at the most: what is lost with a worker."""
_PARTS_PER_WORKER: Final = 4
_WAIT_S: Final = "10s"


def gather_on(
    address: str,
    refs: Sequence[ChunkRef],
    start: Callable[[], Sums[T]],
    merge: Callable[[T, T], T],
    *,
    stage: str,
    progress: Progress,
) -> T:
    """``chunks.PointStore.gather`` on a cluster.

    Parameters
    ----------
    address : str
        Of the scheduler, such as ``"tcp://192.168.1.20:8786"``.
    refs : sequence of ChunkRef
    start, merge : callable
        Picklable.

    Raises
    ------
    JobError
        If no scheduler answers there.
    LimitMet
        If workers were lost again and again over the same part.
    MissingExtra
        If the extra ``cluster`` is not installed.
    """
    distributed = need("distributed", purpose="running on a cluster", extra="cluster")
    with _client_of(distributed, address) as client:
        workers = max(len(client.scheduler_info(n_workers=-1)["workers"]), 1)
        parts = parts_of(refs, workers)
        # Not pure: a later run must not be answered from this one's memory.
        submit = partial(client.submit, pure=False)
        # A task and not scattered data: those would be lost with the workers that hold them.
        sent = submit(_itself, start)
        leaves = [submit(_sum_part, part, sent, priority=-k) for k, part in enumerate(parts)]
        points = {
            leaf.key: sum(ref.count for ref in part)
            for leaf, part in zip(leaves, parts, strict=True)
        }
        joined: InPairs[Any] = InPairs(partial(submit, merge))
        for leaf in leaves:
            joined.add(leaf)
        whole = joined.result()
        try:
            pace = Told(stage, progress, sum(points.values()))
            for leaf in distributed.as_completed(leaves, loop=client.loop):
                if leaf.status == "error":
                    break
                pace.add(points[leaf.key])
            result: T = whole.result()
        except BaseException:
            client.cancel([*leaves, whole])
            raise
        return result


@contextmanager
def _client_of(distributed: Any, address: str) -> Iterator[Any]:
    """A client of the scheduler at an address; see ``gather_on`` for errors."""
    try:
        client = distributed.Client(address, timeout=_WAIT_S, set_as_default=False)
    except (OSError, ValueError, TimeoutError) as reason:
        raise JobError(
            f"no Dask scheduler answers at {address}",
            where="--scheduler",
            hint="start one with `pourdatum cluster`, or check address and firewall",
            id="no-scheduler",
        ) from reason
    try:
        yield client
    except distributed.KilledWorker as reason:
        raise LimitMet(
            "workers were lost again and again while they summed the same part",
            where="--scheduler",
            hint="give the workers more memory, or use --cell for fewer cells",
            id="workers-lost",
        ) from reason
    finally:
        client.close()


@contextmanager
def local_cluster(workers: int | None = None, port: int = 0) -> Iterator[str]:
    """A scheduler and workers on this machine, for this machine alone; gives its address."""
    distributed = need("distributed", purpose="running on a cluster", extra="cluster")
    with distributed.LocalCluster(
        n_workers=workers or os.cpu_count() or 1,
        threads_per_worker=1,
        scheduler_port=port,
        dashboard_address=None,
    ) as running:
        yield running.scheduler_address


def parts_of(refs: Sequence[ChunkRef], workers: int) -> list[tuple[ChunkRef, ...]]:
    """Runs of chunks of about one size, several for each worker.

    Examples
    --------
    >>> from pourdatum.scan import Frame
    >>> refs = [ChunkRef("a.las", k, 10, len, Frame()) for k in range(0, 90, 10)]
    >>> [len(part) for part in parts_of(refs, workers=1)]
    [3, 3, 3]
    """
    total = sum(ref.count for ref in refs)
    most = min(-(-total // (_PARTS_PER_WORKER * workers)), _PART_POINTS)
    parts: list[list[ChunkRef]] = [[]]
    held = 0
    for ref in refs:
        if parts[-1] and held >= most:
            parts.append([])
            held = 0
        parts[-1].append(ref)
        held += ref.count
    return [tuple(part) for part in parts]


def _itself(value: T) -> T:
    return value


def _sum_part(refs: tuple[ChunkRef, ...], start: Callable[[], Sums[T]]) -> T:
    sums = start()
    for ref in refs:
        sums.add(ref.load())
    return sums.result()
