"""Where many photos are measured at once: in this machine's processes, or on a Dask cluster.

Both are executors of `concurrent.futures`, so that whoever hands out photos need not know which.
Dask is the engine that numerical Python scales on (Rocklin 2015, Proceedings of the 14th Python in
Science Conference); what runs on a cluster is the inspection that runs here, on the photo's own
bytes, since its workers have no part in the folder of the room.
"""

from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, replace
from importlib.metadata import version
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any, Final, NamedTuple

from service.context import Service
from service.log.refusals import Refusal
from service.photos.inspection_job import InspectedPhoto, InspectionJob

if TYPE_CHECKING:
    from distributed import Client

# A worker that has finished a photo must find the next one there, while a room's photos are
# neither all in memory nor all on their way.
_WAITING_FOR_EACH: Final = 2
_ANSWERS_WITHIN_SECONDS: Final = 10
_SCHEMES: Final = ("tcp", "tls")
# Photos weigh some megabytes, which Dask takes for a mistake.
_LARGEST_JOB: Final = "1 GiB"


class Measured(NamedTuple):
    """A photo and the `trayvision` that measured it."""

    photo: InspectedPhoto
    library_version: str


@dataclass(frozen=True)
class MeasuringPlaces:
    """What measures photos.

    Parameters
    ----------
    submit : callable
        Takes an `InspectionJob`, whose original must be there, and gives a future `Measured`.
    count : callable
        How many photos are worth handing out at once, now.
    """

    submit: Callable[[InspectionJob], "Future[Measured]"]
    count: Callable[[], int]


@contextmanager
def places_here(service: Service) -> Iterator[MeasuringPlaces]:
    """The processes of a service's own inspector."""
    at_once = service.settings.inspectors
    with ThreadPoolExecutor(at_once, thread_name_prefix="measuring") as threads:

        def measure(job: InspectionJob) -> Measured:
            return Measured(service.inspector.inspect(job), version("trayvision"))

        yield MeasuringPlaces(
            lambda job: threads.submit(measure, job), lambda: at_once * _WAITING_FOR_EACH
        )


@contextmanager
def places_of_cluster(scheduler: str) -> Iterator[MeasuringPlaces]:
    """The workers of a Dask cluster.

    Parameters
    ----------
    scheduler : str
        Address of its scheduler, such as ``tcp://192.168.1.20:8786``.

    Raises
    ------
    Refusal
        If Dask is not installed, nothing answers there, or no worker has come.
    """
    with _client(scheduler) as client, client.get_executor(pure=False) as executor:

        def submit(job: InspectionJob) -> "Future[Measured]":
            future: Future[Measured] = executor.submit(measure_sent, job, job.path.read_bytes())
            return future

        yield MeasuringPlaces(submit, lambda: _threads(client) * _WAITING_FOR_EACH)


def measure_sent(job: InspectionJob, original: bytes) -> Measured:
    """Measure a photo whose original came along; runs on a worker."""
    from service.photos.measuring import inspect_job

    with TemporaryDirectory() as folder:
        # The suffix says nothing to the decoder; the name stands in refusals.
        path = Path(folder) / job.path.name
        path.write_bytes(original)
        return Measured(inspect_job(replace(job, path=path)), version("trayvision"))


@contextmanager
def _client(scheduler: str) -> Iterator["Client"]:
    try:
        import dask
        from distributed import Client
    except ImportError as error:
        raise Refusal(
            "scheduler",
            f'needs the extra "cluster" ({error.name} is missing): `make environment` brings it',
        ) from error
    if scheduler.partition("://")[0] not in _SCHEMES:
        raise Refusal("scheduler", f"must begin with tcp:// or tls://, got {scheduler!r}")
    settings: dict[str, Any] = {"distributed.admin.large-graph-warning-threshold": _LARGEST_JOB}
    with dask.config.set(settings):
        try:
            client = Client(scheduler, timeout=_ANSWERS_WITHIN_SECONDS, set_as_default=False)
        except (OSError, ValueError) as error:
            raise Refusal(
                "scheduler",
                f"must be where a Dask scheduler answers, such as tcp://192.168.1.20:8786, got "
                f"{scheduler!r}: {error}",
            ) from error
        with client:
            if not _threads(client):
                raise Refusal(
                    "scheduler", f"must have workers, but none has come to {scheduler!r} yet"
                )
            yield client


def _threads(client: "Client") -> int:
    return sum(client.nthreads().values())
