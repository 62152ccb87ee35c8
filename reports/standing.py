"""Where a job stands, with the points left for later, and results as far as their ledger line needs them."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any
from uuid import UUID

from django.db.models import F, Func, Max, TextField, Value
from django.db.models.fields.json import KeyTransform

from jobs.models import Job
from measurements import overview
from measurements.models import Result
from measurements.overview import Counts, JobStanding, Lack, Lacks, PointLine, SessionLine, Standing
from reports import deferrals
from reports.models import Deferral


@dataclass(frozen=True)
class JobState:
    """How far a job is. `deferred`: by point the row that leaves it for later, while that holds."""

    standing: JobStanding
    deferred: Mapping[UUID, Deferral]

    def is_deferred(self, line: PointLine) -> bool:
        """Whether a point without a figure is left for later."""
        return line.state is Standing.TO_DO and line.point.id in self.deferred

    @property
    def missing(self) -> list[Lack]:
        """What is missing to hand the job over, points left for later not counted."""
        left = self.deferred
        return [
            lack
            for lack in self.standing.missing
            if not (lack.kind is Lacks.SESSION and lack.point.id in left)
        ]


def state_of(job: Job) -> JobState:
    """How far the job is, in a constant number of statements. Results can be shown as ledger lines."""
    standing = overview.standing_of(job)
    _fill(line.result for line in standing.sessions if line.stands and line.result is not None)
    newest = deferrals.newest(job)
    return JobState(standing, {k: row for k, row in newest.items() if _holds(row, standing.sessions)})


def _holds(row: Deferral, sessions: Iterable[SessionLine]) -> bool:
    """A measurement that came afterwards ends it."""
    return bool(row.season) and not any(
        one.session.test_point_id == row.test_point_id
        and one.session.received_at > row.at
        and one.counts is Counts.CURRENT
        for one in sessions
    )


def _fill(results: Iterable[Result]) -> None:
    """Gives results the few entries of their inputs and detail that a ledger line rests on, not the whole."""
    wanted = {row.id: row for row in results}
    rows = Result.objects.filter(id__in=wanted).values_list(
        "id",
        "session__method",
        KeyTransform("judgement", "inputs"),
        _text("inputs", Value("calculation"), Value("fluid")),
        _text("detail", Value("results"), F("measurand"), Value("unit")),
    )
    for key, method, judgement, fluid, unit in rows:
        result = wanted[key]
        result.inputs = {"method": method, "judgement": judgement, "calculation": {"fluid": fluid}}
        result.detail = {"results": {result.measurand: {"unit": unit or ""}}}


def _text(column: str, *path: Any) -> Func:
    return Func(F(column), *path, function="jsonb_extract_path_text", output_field=TextField())


def pulse(job_id: UUID) -> str:
    """Another text whenever what the job's page shows of the work has changed. Two statements."""
    newest = Deferral.objects.filter(job=job_id).aggregate(newest=Max("at"))["newest"]
    return f"{overview.pulse(job_id)}.{newest.timestamp() if newest else 0:.6f}"
