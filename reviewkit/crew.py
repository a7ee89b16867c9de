"""Jobs on warm processes: each in isolation, none able to stop the others.

A process that dies costs only the job it was at, which is done once more by a new one.  The
same jobs run on a Dask cluster when its scheduler's address is given.
"""

import multiprocessing
import os
import time
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Executor, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import suppress
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

from reviewkit.errors import SetupError

Job = TypeVar("Job")
Result = TypeVar("Result")

# A process is renewed after so many jobs, so that what libraries hoard stays bounded.
_JOBS_A_PROCESS = 25
_TRIES = 2
_LOOK_S = 0.2
_CONNECT_S = 20


@dataclass(frozen=True)
class Lost:
    """A job without a result, and why."""

    reason: str


def results(
    work: Callable[[Job], Result],
    jobs: Sequence[Job],
    *,
    workers: int,
    longest_s: float,
    scheduler: str = "",
    warm: Callable[[], object] | None = None,
) -> Iterator[tuple[Job, Result | Lost]]:
    """Do every job; give each with its result as it is finished.

    Parameters
    ----------
    work : callable
        Can be imported by its name, as its jobs and results can be pickled.
    jobs : sequence
    workers : int
        How many processes work at once [-].
    longest_s : float
        A job that takes longer is given up and its process ended; on a cluster, whatever is
        left when nothing was finished for so long [s].
    scheduler : str
        Address of a Dask scheduler, such as ``tcp://10.0.0.5:8786``; none by default.
    warm : callable, optional
        What each process does before its first job.

    Raises
    ------
    SetupError
        When the scheduler cannot be used.
    """
    if not jobs:
        return iter(())
    if scheduler:
        return _on_cluster(work, jobs, scheduler, longest_s)
    return _on_processes(work, jobs, min(max(workers, 1), len(jobs)), longest_s, warm)


def _on_processes(
    work: Callable[[Job], Result],
    jobs: Sequence[Job],
    workers: int,
    longest_s: float,
    warm: Callable[[], object] | None,
) -> Iterator[tuple[Job, Result | Lost]]:
    waiting = deque((job, 1) for job in jobs)
    places: list[_Place[Job, Result]] = [_Place(work, warm) for _ in range(workers)]
    try:
        while waiting or any(place.busy for place in places):
            for place in places:
                if waiting and not place.busy:
                    place.take(*waiting.popleft())
            wait([place.future for place in places if place.future], _LOOK_S, FIRST_COMPLETED)
            for place in places:
                place.end_after(longest_s)
                if place.future is None or not place.future.done():
                    continue
                job, tries, result = place.finished(longest_s)
                if result is None:
                    waiting.appendleft((job, tries + 1))
                else:
                    yield job, result
    finally:
        for place in places:
            place.close()


class _Place(Generic[Job, Result]):
    """Room for one process at a time; a broken pool breaks whole, so each process is a pool of its own."""

    def __init__(self, work: Callable[[Job], Result], warm: Callable[[], object] | None) -> None:
        self._work = work
        self._warm = warm
        self._pool: ProcessPoolExecutor | None = None
        self.future: Future[Result] | None = None

    @property
    def busy(self) -> bool:
        return self.future is not None

    def take(self, job: Job, tries: int) -> None:
        """Begin a job, in a new process where there is none or it died idle."""
        self._job, self._tries, self._began, self._late = job, tries, 0.0, False
        with suppress(BrokenProcessPool):
            self.future = self._pool.submit(self._work, job) if self._pool else None
        if self.future is None:
            context = multiprocessing.get_context("spawn")
            self._pool = ProcessPoolExecutor(1, mp_context=context, initializer=self._warm)
            self._pid = self._pool.submit(os.getpid)
            self._done = 0
            self.future = self._pool.submit(self._work, job)

    def end_after(self, longest_s: float) -> None:
        """End the process when its job takes too long; getting warm does not count."""
        if self.future is None or self._late or not self._pid.done() or self.future.done():
            return
        self._began = self._began or time.monotonic()
        if time.monotonic() - self._began > longest_s:
            self._late = True
            self._kill()

    def finished(self, longest_s: float) -> tuple[Job, int, Result | Lost | None]:
        """The job, how often it was tried, and its result; nothing when it is to be tried again."""
        assert self.future is not None and self._pool is not None
        future, self.future = self.future, None
        self._done += 1
        error = future.exception()
        result: Result | Lost | None
        if isinstance(error, BrokenProcessPool):
            result = self._died(longest_s)
        else:
            result = Lost(_told(error)) if error else future.result()
        if self._pool and self._done >= _JOBS_A_PROCESS:
            self._pool.shutdown(wait=False)
            self._pool = None
        return self._job, self._tries, result

    def close(self) -> None:
        """Let the process go; end it when it is at work, because nobody waits for that any more."""
        if self._pool is None:
            return
        if self.busy:
            self._kill()
        self._pool.shutdown(wait=True, cancel_futures=True)
        self._pool = None

    def _died(self, longest_s: float) -> Lost | None:
        assert self._pool is not None
        self._pool.shutdown(wait=False)
        self._pool = None
        if self._late:
            return Lost(f"it took longer than {longest_s:g} s and was ended; send a smaller mesh or allow more time")
        if self._tries < _TRIES:
            return None
        return Lost(
            f"its process was killed {_TRIES} times, most likely for want of memory; free some or use fewer workers"
        )

    def _kill(self) -> None:
        with suppress(BrokenProcessPool):
            pid = self._pid.result()
            for process in multiprocessing.active_children():
                if process.pid == pid:
                    process.kill()


def _on_cluster(
    work: Callable[[Job], Result], jobs: Sequence[Job], scheduler: str, longest_s: float
) -> Iterator[tuple[Job, Result | Lost]]:
    client = _client(scheduler)
    try:
        crew: Executor = client.get_executor(pure=False)
        left = {crew.submit(work, job): job for job in jobs}
        while left:
            done, _ = wait(left, longest_s, FIRST_COMPLETED)
            if not done:
                late = Lost(f"the cluster finished nothing for {longest_s:g} s; look after its workers")
                yield from ((job, late) for job in left.values())
                return
            for future in done:
                error = future.exception()
                yield left.pop(future), Lost(_told(error)) if error else future.result()
    finally:
        client.close()


def _client(scheduler: str) -> Any:
    try:
        from distributed import Client
    except ImportError:
        raise SetupError("a cluster needs one more library; install it with pip install 'reviewkit[cluster]'") from None
    try:
        return Client(scheduler, timeout=_CONNECT_S, set_as_default=False)
    # An address that makes no sense fails an assertion of the library, at times.
    except (OSError, ValueError, TypeError, AssertionError) as error:
        raise SetupError(
            f"the scheduler {scheduler!r} cannot be reached ({type(error).__name__}); give its address as it prints it"
        ) from None


def _told(error: BaseException) -> str:
    """An unforeseen error in a line."""
    return " ".join(f"it stopped ({type(error).__name__}: {error})".split())
