"""The root fields of what is read: each list and each single thing that REST gives."""

from typing import Any

import strawberry
from strawberry.scalars import JSON

from config.graphql import house as of_house
from config.graphql import instruments as of_instruments
from config.graphql import jobs as of_jobs
from config.graphql import measurements as of_measurements
from config.graphql import people as of_people
from config.graphql import photos as of_photos
from config.graphql import plan as of_plan
from config.graphql import recalls as of_recalls
from config.graphql import reports as of_reports
from config.graphql import review as of_review
from config.graphql import rules as of_rules
from config.graphql import sites as of_sites
from config.graphql import standing as of_standing
from config.graphql import webhooks as of_webhooks
from config.graphql.lists import BY_NUMBER, NEWEST_FIRST, Connection, listed
from config.graphql.methods import MeasuringMethod, measuring_methods
from config.graphql.rows import KINDS, Node, parse_global_id, read_id
from jobs import models as base
from jobs import queries
from jobs.access import Action
from jobs.http.graphql import actor_of
from measurements import models as taken
from measurements.photos import visible_photos
from reports import models as reported

DOCUMENT = {"price": 200}
"""What a document of a whole job, board or recall is priced at, in objects."""


def single(model: Any, description: str) -> Any:
    """A field: one row by its id, of the schema or of REST; null when there is nothing to see by it."""

    def resolve(info: strawberry.Info, id: strawberry.ID) -> Any:
        return KINDS[model].rows(actor_of(info)).filter(pk=read_id(id, model)).first()

    return strawberry.field(resolver=resolve, description=description)


def document(resolve: Any, description: str) -> Any:
    return strawberry.field(resolver=resolve, description=description, metadata=DOCUMENT)


def any_node(info: strawberry.Info, id: strawberry.ID) -> Any:
    try:
        kind, keys = parse_global_id(id)
    except ValueError:
        return None
    return kind.rows(actor_of(info)).filter(pk=keys[kind.model]).first()


def company(info: strawberry.Info) -> Any:
    return KINDS[base.Company].rows(actor_of(info)).first()


@strawberry.type
class Query:
    node: Node | None = strawberry.field(
        resolver=any_node, description="Anything by its id; null when there is nothing to see."
    )

    # The house and its people
    company: of_people.Company | None = strawberry.field(
        resolver=company, description="The rules of the house."
    )
    me: of_people.Me | None = strawberry.field(
        resolver=of_people.me, description="Who asks, and what they may do."
    )
    members: Connection[of_people.Member] | None = listed(
        base.Member, "Everybody of the company, also those who left.", narrowed=of_people.MEMBERS
    )
    member: of_people.Member | None = single(base.Member, "One person.")
    invitations: Connection[of_people.Invitation] | None = listed(
        base.Invitation,
        "Newest first, also accepted and ended ones.",
        order=NEWEST_FIRST,
        needs=Action.MANAGE_PEOPLE,
    )
    invitation: of_people.Invitation | None = single(base.Invitation, "One invitation.")
    devices: Connection[of_people.Device] | None = listed(
        base.Device, "Tablets, newest first, also ended ones.", order=NEWEST_FIRST, needs=Action.ENROL_DEVICE
    )
    device: of_people.Device | None = single(base.Device, "One tablet.")
    keys: Connection[of_people.Key] | None = listed(
        base.AccessToken,
        "Keys of other systems, newest first, also ended ones.",
        order=NEWEST_FIRST,
        needs=Action.MANAGE_KEYS,
    )
    key: of_people.Key | None = single(base.AccessToken, "One key.")
    integrations: Connection[of_people.Integration] | None = listed(
        base.Integration,
        "Other systems that are or were connected, newest first.",
        order=NEWEST_FIRST,
        needs=Action.MANAGE_KEYS,
    )
    integration: of_people.Integration | None = single(base.Integration, "One integration.")
    stored_queries: Connection[of_people.StoredQuery] | None = listed(
        base.StoredQuery, "Queries that are asked by their digest, newest first.", order=NEWEST_FIRST
    )
    stored_query: of_people.StoredQuery | None = single(base.StoredQuery, "One stored query.")
    sign_ins: list[of_house.SignInPlace] | None = strawberry.field(
        resolver=of_house.sign_ins, description="Where oneself is signed in, newest first."
    )
    member_sign_ins: list[of_house.SignInPlace] | None = strawberry.field(
        resolver=of_house.member_sign_ins, description="Where a person is signed in in this company."
    )
    exports: Connection[of_house.CompanyExport] | None = listed(
        base.CompanyExport,
        "Exports of the whole company, newest first, also those whose file is gone.",
        order=NEWEST_FIRST,
        needs=Action.MANAGE_COMPANY,
    )
    export: of_house.CompanyExport | None = single(base.CompanyExport, "One export.")
    removal: of_house.Removal | None = strawberry.field(
        resolver=of_house.company_removal,
        description="Null when none was asked for.",
    )
    webhooks: Connection[of_webhooks.Webhook] | None = listed(
        reported.Webhook, "The company's webhooks, oldest first.", needs=Action.MANAGE_WEBHOOKS
    )
    webhook: of_webhooks.Webhook | None = single(reported.Webhook, "One webhook.")
    events: Connection[of_people.Event] | None = listed(
        base.EventPosition,
        "The company's log in its order, without gaps. Keep the last cursor and ask again after it.",
        order=BY_NUMBER,
        narrowed=of_people.EVENTS,
        rows=queries.visible_events,
    )
    signing: of_reports.Signing | None = strawberry.field(
        resolver=of_reports.signing, description="Who signs the company's reports."
    )

    # What there is to measure
    customers: Connection[of_sites.Customer] | None = listed(
        base.Customer, "Oldest first.", narrowed=of_sites.CUSTOMERS
    )
    customer: of_sites.Customer | None = single(base.Customer, "One customer.")
    sites: Connection[of_sites.Site] | None = listed(base.Site, "Oldest first.", narrowed=of_sites.SITES)
    site: of_sites.Site | None = single(base.Site, "One site.")
    systems: Connection[of_sites.System] | None = listed(
        base.System, "Oldest first.", narrowed=of_sites.SYSTEMS
    )
    system: of_sites.System | None = single(base.System, "One system.")
    points: Connection[of_sites.TestPoint] | None = listed(
        base.TestPoint, "Oldest first.", narrowed=of_sites.POINTS
    )
    point: of_sites.TestPoint | None = single(base.TestPoint, "One test point.")

    # With what
    instruments: Connection[of_instruments.Instrument] | None = listed(
        base.Instrument, "Oldest first.", narrowed=of_instruments.INSTRUMENTS
    )
    instrument: of_instruments.Instrument | None = single(base.Instrument, "One instrument.")
    certificate: of_instruments.Certificate | None = single(base.Certificate, "One certificate.")
    calibrations_due: list[of_instruments.DueCalibration] | None = document(
        of_instruments.calibrations_due,
        "Instruments in service that need a calibration: overdue, soon due, or never calibrated.",
    )

    # The work
    jobs: Connection[of_jobs.Job] | None = listed(
        base.Job, "Newest first.", order=NEWEST_FIRST, narrowed=of_jobs.JOBS
    )
    job: of_jobs.Job | None = single(base.Job, "One job.")
    plan: of_plan.Plan | None = document(of_plan.plan, "The planning board.")
    job_candidates: of_plan.Candidates | None = document(
        of_plan.job_candidates, "Who or what could be assigned to a job, what fits first."
    )
    travel_times: Connection[of_plan.TravelTime] | None = listed(
        base.TravelTime, "Pairs of sites with a travel time of their own."
    )
    calendar: of_plan.Calendar | None = strawberry.field(
        resolver=of_plan.calendar, description="Whether a member's calendar has a private address."
    )
    job_readiness: of_standing.Readiness | None = document(
        of_standing.job_readiness, "What is missing before a job can start."
    )
    job_results: of_standing.JobResults | None = document(
        of_standing.job_results, "A job's systems, points and the result that counts at each."
    )
    job_state: of_standing.JobState | None = document(
        of_standing.job_state, "How far each point of a job is, and what is missing to hand it over."
    )
    system_balance: JSON | None = document(
        of_standing.system_balance,
        "Rounds, shares and plan of adjustments of a system; as REST gives it.",
    )
    worklist: JSON | None = document(
        of_standing.work, "All that measuring needs without network; as REST gives it."
    )

    # What was measured
    measuring_methods: list[MeasuringMethod] = strawberry.field(
        resolver=measuring_methods, description="What each way of measuring takes."
    )
    sessions: Connection[of_measurements.Session] | None = listed(
        taken.Session, "Newest first.", order=NEWEST_FIRST, narrowed=of_measurements.SESSIONS
    )
    session: of_measurements.Session | None = single(taken.Session, "One session.")
    result: of_measurements.Result | None = single(taken.Result, "One computation.")
    flags: Connection[of_measurements.Flag] | None = listed(
        taken.Flag, "Newest first.", order=NEWEST_FIRST, narrowed=of_measurements.FLAGS
    )
    photos: Connection[of_photos.Photo] | None = listed(
        taken.Photo,
        "Photos and notes, newest first, removed and erased ones too.",
        order=NEWEST_FIRST,
        narrowed=of_photos.PHOTOS,
        rows=visible_photos,
    )
    photo: of_photos.Photo | None = single(taken.Photo, "One photo or note.")
    rules: list[of_rules.Rule] | None = document(
        of_rules.rules, "Every rule that raises flags; those that are not as usual first."
    )
    rule_settings: Connection[of_rules.RuleSetting] | None = listed(
        taken.RuleSetting,
        "What was ever set, newest first.",
        order=NEWEST_FIRST,
        needs=Action.SET_RULES,
    )
    recalls: Connection[of_recalls.Recall] | None = listed(
        taken.RecallCase, "Newest first.", order=NEWEST_FIRST
    )
    recall: of_recalls.Recall | None = single(taken.RecallCase, "One recall.")
    recall_documents: list[of_recalls.RecallDocument] | None = document(
        of_recalls.recall_documents, "Documents that hold sessions of a recall, newest first."
    )

    # Who answered for it, what left the house
    review_queue: list[of_review.QueueEntry] | None = document(
        of_review.review_queue, "Jobs that wait for a supervisor; submitted and worst first, at most 200."
    )
    job_review: of_review.Review | None = document(
        of_review.job_review, "All that an approval of a job would bind."
    )
    revisions: Connection[of_reports.Revision] | None = listed(reported.Revision, "Oldest first.")
    revision: of_reports.Revision | None = single(reported.Revision, "One revision.")
    reports: Connection[of_reports.Issue] | None = listed(
        reported.Issue, "Newest first.", order=NEWEST_FIRST, narrowed=of_reports.REPORTS
    )
    report: of_reports.Issue | None = single(reported.Issue, "One issued report.")
    check: of_reports.Finding | None = strawberry.field(
        resolver=of_reports.check,
        description="Whether a file, by its SHA-256, is the one issued under a printed address.",
    )
