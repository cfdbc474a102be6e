"""Workers on other machines, through Dask: the same work on many items, in the order given.

What all items share is scattered to every worker once and stays there until the last item is done; a worker that comes
later fetches it from another one. Items are handed out two a worker at a time. When a worker is lost, the items that it
had go to others; each still comes back once, since the work changes nothing but what it gives.
"""

import warnings
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from itertools import islice
from types import TracebackType
from typing import Any, Self, TypeVar

import cv2

from inspector.errors import InputError, InspectorError
from inspector.inspection import ENGINE_VERSION

__all__ = ["Cluster"]

_CONNECT_TIMEOUT_S = 10
# Workers that are started together with the command may take a while; who waits longer has likely forgotten them.
_FIRST_WORKER_S = 30
# So long a result may take before it is asked whether any worker is left.
_PATIENCE_S = 20
_SAME = "Install the same version of Inspector on all machines of the cluster, and start their workers again."

_Shared = TypeVar("_Shared")
_Item = TypeVar("_Item")
_Result = TypeVar("_Result")


class Cluster:
    """The workers of a Dask scheduler.

    Parameters
    ----------
    address : str
        As in tcp://hall-1:8786.

    Raises
    ------
    InputError
        If Dask is not installed.
    InspectorError
        If no scheduler answers, it has no workers, or they cannot do the work.
    """

    def __init__(self, address: str) -> None:
        try:
            import distributed
        except ModuleNotFoundError as error:
            raise InputError(
                "What speaks to a cluster is not installed. Install it with: pip install distributed, on all machines "
                "of the cluster; or leave --cluster out to use this machine's own cores."
            ) from error
        self._address = address
        self._dask = distributed
        try:
            self._client = distributed.Client(address, timeout=_CONNECT_TIMEOUT_S, set_as_default=False)
        except (OSError, ValueError) as error:
            raise InspectorError(
                f"No cluster answers at {address}: {str(error).partition(chr(10))[0].rstrip('.')}. Start its scheduler "
                "with: dask scheduler, and name the address that it prints."
            ) from error

    def close(self) -> None:
        """Leave the cluster; its workers stay."""
        self._client.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def each(
        self,
        work: Callable[[_Shared, _Item], _Result],
        shared: _Shared,
        items: Iterable[_Item],
        *,
        died: Callable[[_Item], _Result],
    ) -> Iterator[_Result]:
        """Work on items, as `Workers` has it."""
        upcoming = iter(items)
        left: deque[_Item] = deque()  # handed out, and not given back yet
        while True:
            self._await_workers()
            held = self._client.scatter(shared, broadcast=True, hash=False)
            under_way: deque[Any] = deque()
            try:
                under_way.extend(self._submit(work, held, item) for item in left)
                while True:
                    for item in islice(upcoming, max(0, self._most_under_way() - len(left))):
                        left.append(item)
                        under_way.append(self._submit(work, held, item))
                    if not left:
                        return
                    result = self._result(under_way[0], work, held, left[0], died)
                    under_way.popleft().release()
                    left.popleft()
                    yield result
            except self._dask.CancelledError:
                # All workers that held what is shared are gone. It is sent anew, and what was under way is done anew.
                continue
            finally:
                for future in (*under_way, held):
                    future.release()

    def _most_under_way(self) -> int:
        """Two for each that works, so that none waits for the next one; at least one, for whoever comes."""
        return max(1, 2 * sum(self._client.nthreads().values()))

    def _submit(self, work: Callable[[_Shared, _Item], _Result], held: Any, item: _Item) -> Any:
        with warnings.catch_warnings():
            # An item may be a photo, of ten megabytes and more: that is meant, and it goes to one worker.
            warnings.filterwarnings("ignore", "Sending large graph")
            return self._client.submit(_work_on_worker, work, held, item, ENGINE_VERSION, pure=False)

    def _result(
        self,
        future: Any,
        work: Callable[[_Shared, _Item], _Result],
        held: Any,
        item: _Item,
        died: Callable[[_Item], _Result],
    ) -> _Result:
        try:
            return self._wait(future)
        except self._dask.scheduler.KilledWorker:
            pass  # some workers died while they had it; perhaps of another item that they had as well
        alone = self._submit(work, held, item)
        try:
            return self._wait(alone)
        except self._dask.scheduler.KilledWorker:
            return died(item)

    def _wait(self, future: Any) -> Any:
        while True:
            try:
                return future.result(timeout=_PATIENCE_S)
            except self._dask.TimeoutError:
                if not self._client.nthreads():
                    raise InspectorError(
                        f"No worker is left in the cluster at {self._address}. Start some with: dask worker "
                        f"{self._address} --nthreads 1, and do the same again."
                    ) from None
            except (ImportError, AttributeError) as error:
                raise InspectorError(f"A worker of the cluster lacks what it needs: {error}. {_SAME}") from error

    def _await_workers(self) -> None:
        try:
            self._client.wait_for_workers(1, timeout=_FIRST_WORKER_S)
        except self._dask.TimeoutError:
            raise InspectorError(
                f"The cluster at {self._address} has no workers. Start some with: dask worker {self._address} "
                "--nthreads 1, one a core."
            ) from None


def _work_on_worker(
    work: Callable[[_Shared, _Item], _Result], shared: _Shared, item: _Item, engine_version: str
) -> _Result:
    if engine_version != ENGINE_VERSION:
        raise InspectorError(
            f"A worker of the cluster has engine {ENGINE_VERSION}, and this machine has {engine_version}. {_SAME}"
        )
    cv2.setNumThreads(1)  # the workers of a machine share its cores
    return work(shared, item)
