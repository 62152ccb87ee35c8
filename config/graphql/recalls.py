"""Recalls: instruments that showed wrong, the sessions and documents that they touch, what was decided."""

from datetime import date, datetime
from typing import Any
from uuid import UUID

import strawberry

from config.graphql.instruments import Certificate, Instrument
from config.graphql.lists import NEWEST_FIRST, Connection, many
from config.graphql.measurements import Result, Session
from config.graphql.people import Member
from config.graphql.reports import Issue, Revision
from config.graphql.rows import Node, computed, node, one, read_id, together
from jobs.access import Actor
from jobs.http.graphql import actor_of
from jobs.queries import visible
from measurements import models as measurements
from measurements import queries, recall
from reports import recalled


@strawberry.type(description="A point of the certificate as it was judged, SI.")
class RecallPoint:
    reference: float
    shown: float
    expanded_uncertainty: float
    limit: float | None = strawberry.field(description="Largest error that the maker allows there.")
    outside: bool
    inside_only_by_uncertainty: bool


@strawberry.type(description="A figure of the measurand with its verdict, SI.")
class RecallFigure:
    outcome: str
    refusal: str
    value: float | None
    value_expanded: float | None
    share_of_design: float | None
    verdict: str
    accepted: bool | None


@node(measurements.RecallDecision, "What was decided on a session in doubt, by whom and why.")
class RecallDecision(Node):
    kind: str
    reason: str
    member: Member | None = one("member")
    decided_at: datetime


def _superseded(rows: list[Any], actor: Actor) -> dict[Any, bool]:
    sessions = visible(measurements.Session.objects.filter(pk__in=[row.session_id for row in rows]), actor)
    states = queries.with_state(sessions.only("id"))
    gone = {one_of.pk for one_of in states if one_of.is_superseded or one_of.is_void}  # type: ignore[attr-defined]
    return {row.pk: row.session_id in gone for row in rows}


@node(
    measurements.RecallItem,
    "A session as it was reported and as it would be with the error that was found.",
    rows=lambda actor: queries.newest_items(visible(measurements.RecallItem.objects.all(), actor)),
)
class RecallSession(Node):
    session: Session | None = one("session")
    reported: Result | None = one("result")
    superseded: bool = computed(_superseded, description="Another session replaced it, or it is void.")
    verdict_changed: bool
    shift: float | None = strawberry.field(
        name="shiftInExpanded", description="By how many U of the result the value moved, signed."
    )
    moved: bool
    inputs_digest: str
    calculation_version: str
    computed_at: datetime
    decisions: Connection[RecallDecision] = many(
        measurements.RecallDecision, "item", "Newest first; the newest counts.", order=NEWEST_FIRST
    )

    @strawberry.field(description="With the error that was found.")
    def found(root: Any) -> RecallFigure:
        return root  # type: ignore[no-any-return]  # a row stands for its figure


@strawberry.type(description="How far a recall is.")
class RecallProgress:
    state: str = strawberry.field(description="computing, open or decided")
    counted: int = strawberry.field(name="sessions")
    undecided: int
    changed: int = strawberry.field(name="verdictsChanged")


def _progress(rows: list[Any], actor: Actor) -> dict[Any, Any]:
    found = queries.visible_recalls(actor).filter(pk__in=[row.pk for row in rows])
    return {row.pk: _Progress(row) for row in found}


class _Progress:
    def __init__(self, row: Any) -> None:
        self.counted, self.undecided, self.changed = row.counted, row.undecided, row.changed
        self.state = "computing" if row.busy else "open" if row.undecided else "decided"


@node(
    measurements.RecallCase,
    "An instrument that showed wrong for a quantity, and since when.",
)
class Recall(Node):
    quantity: str
    ground: str
    starts_on: date | None = strawberry.field(description="Null: from the first reading.")
    ends_on: date | None = strawberry.field(description="Null: until the next calibration.")
    reason: str
    opened_at: datetime
    opened_by: Member | None = one("opened_by")
    instrument: Instrument | None = one("instrument")
    certificate: Certificate | None = one("certificate")
    last_good: Certificate | None = one("last_good")
    progress: RecallProgress = computed(_progress, price=5)
    sessions: Connection[RecallSession] = many(
        measurements.RecallItem, "case", "Every session that it touches, in the order computed."
    )

    @strawberry.field(description="Points of the certificate as they were judged.", metadata={"price": 10})
    def points(root: Any) -> list[RecallPoint]:
        return [
            RecallPoint(
                reference=point.reference,
                shown=point.shown,
                expanded_uncertainty=point.U,
                limit=point.limit,
                outside=point.outside,
                inside_only_by_uncertainty=point.only_by_u,
            )
            for point in recall.points_found(root)
        ]


@strawberry.type(description="A frozen document that holds sessions of a recall.")
class RecallDocument:
    revision: Revision
    report: Issue | None = strawberry.field(description="Null where it was not issued.")
    newest: bool
    under_recall: bool = strawberry.field(description="What its check address tells.")
    sessions: list[UUID]


def recall_documents(info: strawberry.Info, recall: strawberry.ID) -> list[RecallDocument] | None:
    key = read_id(recall, measurements.RecallCase, "recall")
    case = queries.visible_recalls(actor_of(info)).filter(pk=key).first()
    if case is None:
        return None
    found = recalled.touched_documents(case)
    notices = recalled.under_recall([one_of.issue.id for one_of in found if one_of.issue])
    together(one_of.revision for one_of in found)
    together(one_of.issue for one_of in found if one_of.issue)
    return [
        RecallDocument(
            revision=one_of.revision,  # type: ignore[arg-type]  # rows stand for their types
            report=one_of.issue,  # type: ignore[arg-type]
            newest=one_of.newest,
            under_recall=one_of.issue is not None and one_of.issue.id in notices,
            sessions=sorted(one_of.sessions),
        )
        for one_of in found
    ]
