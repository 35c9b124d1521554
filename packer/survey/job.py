"""The job that looks at samples of the imagery."""

from __future__ import annotations

from pathlib import Path

from packer.common.stop_signal import StopSignal
from packer.fetching.job import blocking, event_of
from packer.fetching.job_progress import OnProgress, following_layers
from packer.fetching.transports import TransportName
from packer.planning.brief import Brief
from packer.planning.plan import Plan
from packer.survey.inspection import SurveyReport
from packer.survey.rounds import survey_rounds

__all__ = ["survey_imagery", "survey_imagery_async"]


async def survey_imagery_async(
    brief: Brief,
    plan: Plan,
    store: Path | None = None,
    *,
    samples: int | None = None,
    transport: TransportName | None = None,
    stop: StopSignal | None = None,
    on_progress: OnProgress | None = None,
) -> SurveyReport:
    """Fetch a few tiles of each area, and judge to which zoom the imagery shows more than an enlargement would.

    Where they leave that undecided, more follow from where there is most to see.
    `samples` is the most tiles of each layer. The samples stay in the packs. `stop` ends the fetch of samples, and
    those that came are judged. Raises what `fetch_async` does. If cancelled: what came is stored.
    """
    with event_of(stop) as event:
        return await survey_rounds(
            brief,
            plan,
            store,
            samples=samples,
            transport=transport,
            stop=event,
            on_progress=following_layers("survey", on_progress),
        )


def survey_imagery(
    brief: Brief,
    plan: Plan,
    store: Path | None = None,
    *,
    samples: int | None = None,
    transport: TransportName | None = None,
    stop: StopSignal | None = None,
    on_progress: OnProgress | None = None,
) -> SurveyReport:
    """As `survey_imagery_async`, in an event loop of its own.

    If the process dies: what came is stored; the record of a layer's samples is the old one or the new one.
    """
    return blocking(
        survey_imagery_async(
            brief, plan, store, samples=samples, transport=transport, stop=stop, on_progress=on_progress
        )
    )
